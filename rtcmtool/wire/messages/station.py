"""The base: position, antenna, receiver, what it sends, and its GLONASS code-phase biases.

1005-1008, 1013, 1032, 1033 and 1230.

Source: RTCM 10403.x, from memory; 1005 checked against the standard's own example.
"""

from fractions import Fraction

from rtcmtool.wire.fields import (
    MESSAGE_NUMBER,
    MJD,
    QUARTER_CYCLES,
    RTCM,
    STATION,
    UTC_S,
    count,
    flag,
    reserved,
    signed,
    unsigned,
)
from rtcmtool.wire.layout import Count, Field, Group, Layout, Optional, Part, Record, Text

FAMILY = "station"

_TENTH_MM = Fraction(1, 10000)

# ---- position --------------------------------------------------------------------------------
# fmt: off

ITRF_YEAR = unsigned("DF021", "itrf_year", 6)
X_M = signed("DF025", "x_m", 38, _TENTH_MM, "m")
Y_M = signed("DF026", "y_m", 38, _TENTH_MM, "m")
Z_M = signed("DF027", "z_m", 38, _TENTH_MM, "m")

_POSITION: tuple[Part, ...] = (
    MESSAGE_NUMBER,
    STATION,
    ITRF_YEAR,
    flag("DF022", "gps", "no GPS service", "GPS service"),
    flag("DF023", "glonass", "no GLONASS service", "GLONASS service"),
    flag("DF024", "galileo", "no Galileo service", "Galileo service"),
    flag("DF141", "virtual_station", "real station", "computed station"),
    X_M,
    flag("DF142", "single_oscillator", "raw data may be measured at different instants",
         "all raw data measured at the same instant"),
    reserved(1),
    Y_M,
    unsigned("DF364", "quarter_cycle", 2, meanings=QUARTER_CYCLES),
    Z_M,
)
ANTENNA_HEIGHT_M = unsigned("DF028", "antenna_height_m", 16, _TENTH_MM, "m")

# fmt: on


def with_position(values: Record) -> Record:
    """Add the position of the antenna reference point, `arp_ecef_m` = [x, y, z], m."""
    return {**values, "arp_ecef_m": [values["x_m"], values["y_m"], values["z_m"]]}


POSITION = Layout(1005, "station position", _POSITION, FAMILY, source=RTCM, derive=with_position)
POSITION_AND_HEIGHT = Layout(
    1006,
    "station position and antenna height",
    (*_POSITION, ANTENNA_HEIGHT_M),
    FAMILY,
    source=RTCM,
    derive=with_position,
)
PHYSICAL_POSITION = Layout(
    1032,
    "physical station position",
    (
        MESSAGE_NUMBER,
        STATION,  # the virtual one
        unsigned("DF226", "physical_station", 12),
        ITRF_YEAR,
        X_M,
        Y_M,
        Z_M,
    ),
    FAMILY,
    source=RTCM,
    derive=with_position,
)

# ---- antenna and receiver --------------------------------------------------------------------


def _text(count_number: str, text_number: str, name: str) -> tuple[Field, Text]:
    """Give a counter of 8 bits and the text whose bytes it counts."""
    length = count(count_number, f"{name}_bytes", 8)
    return length, Text(text_number, name, Count(length), source=RTCM)


_ANTENNA: tuple[Part, ...] = (
    MESSAGE_NUMBER,
    STATION,
    *_text("DF029", "DF030", "antenna_descriptor"),
    unsigned("DF031", "antenna_setup_id", 8, meanings={0: "standard model of the IGS"}),
)
_ANTENNA_SERIAL: tuple[Part, ...] = (*_ANTENNA, *_text("DF032", "DF033", "antenna_serial"))

ANTENNA = Layout(1007, "antenna", _ANTENNA, FAMILY, source=RTCM)
ANTENNA_AND_SERIAL = Layout(1008, "antenna and serial number", _ANTENNA_SERIAL, FAMILY, source=RTCM)
RECEIVER_AND_ANTENNA = Layout(
    1033,
    "receiver and antenna",
    (
        *_ANTENNA_SERIAL,
        *_text("DF227", "DF228", "receiver_type"),
        *_text("DF229", "DF230", "receiver_firmware"),
        *_text("DF231", "DF232", "receiver_serial"),
    ),
    FAMILY,
    source=RTCM,
)

# ---- what the base sends ---------------------------------------------------------------------

ANNOUNCEMENT_COUNT = count("DF053", "announcement_count", 5)

SYSTEM_PARAMETERS = Layout(
    1013,
    "system parameters",
    (
        MESSAGE_NUMBER,
        STATION,
        MJD,
        UTC_S,
        ANNOUNCEMENT_COUNT,
        unsigned(
            "DF054",
            "leap_seconds",
            8,
            unit="s",
            invalid=255,
            source=f"{RTCM}; 255 as not told is not certain",
        ),
        Group(
            "announcements",
            Count(ANNOUNCEMENT_COUNT),
            (
                unsigned("DF055", "message", 12),
                flag("DF056", "synchronous", "asynchronous", "synchronous"),
                unsigned("DF057", "interval_s", 16, Fraction(1, 10), "s"),
            ),
        ),
    ),
    FAMILY,
    source=RTCM,
)

# ---- GLONASS code-phase biases ---------------------------------------------------------------

BIAS_MASK = count("DF422", "bias_mask", 4)
_BIASES = tuple(
    signed(
        number,
        name,
        16,
        Fraction(1, 50),
        "m",
        invalid=-32768,
        source=f"{RTCM}; the least value lies outside the named range and is taken as absent",
    )
    for number, name in (
        ("DF423", "bias_1c_m"),
        ("DF424", "bias_1p_m"),
        ("DF425", "bias_2c_m"),
        ("DF426", "bias_2p_m"),
    )
)

CODE_PHASE_BIASES = Layout(
    1230,
    "GLONASS code-phase biases",
    (
        MESSAGE_NUMBER,
        STATION,
        flag(
            "DF421",
            "aligned",
            "pseudoranges not aligned to the phases: the biases are to be added",
            "pseudoranges aligned to the phases",
        ),
        reserved(3),
        BIAS_MASK,
        # First signal in the most significant bit.
        *(Optional(field, BIAS_MASK, 3 - place) for place, field in enumerate(_BIASES)),
    ),
    FAMILY,
    "R",
    source=RTCM,
)

LAYOUTS: tuple[Layout, ...] = (
    POSITION,
    POSITION_AND_HEIGHT,
    ANTENNA,
    ANTENNA_AND_SERIAL,
    SYSTEM_PARAMETERS,
    PHYSICAL_POSITION,
    RECEIVER_AND_ANTENNA,
    CODE_PHASE_BIASES,
)
