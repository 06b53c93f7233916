"""Text that a base sends to its users: 1029.

Source: RTCM 10403.x, from memory; checked against the standard's own example.
"""

from rtcmtool.wire.fields import MESSAGE_NUMBER, MJD, RTCM, STATION, UTC_S, count, unsigned
from rtcmtool.wire.layout import Count, Layout, Text

FAMILY = "text"

CHARACTERS = unsigned("DF138", "characters", 7)  # of Unicode; the bytes are counted apart
BYTES = count("DF139", "text_bytes", 8)

TEXT = Layout(
    1029,
    "text",
    (
        MESSAGE_NUMBER,
        STATION,
        MJD,
        UTC_S,
        CHARACTERS,
        BYTES,
        Text("DF140", "text", Count(BYTES), encoding="utf-8", source=RTCM),
    ),
    FAMILY,
    source=RTCM,
)

LAYOUTS: tuple[Layout, ...] = (TEXT,)
