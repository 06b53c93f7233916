"""A capture on disk: the bytes as received, and what was known while they came.

In come bytes with arrival times, events and outages, out come files; and the way back: any file of
bytes is read as a capture, whatever of its companions is there. Replay is paced here. Nothing here
interprets a byte, reads a clock of its own or writes over a file.
"""

from rtcmtool.captures.companions import Description, Event, OutageRow
from rtcmtool.captures.reading import Capture, open_capture, parts
from rtcmtool.captures.writing import CaptureWriter, Split

__all__ = [
    "Capture",
    "CaptureWriter",
    "Description",
    "Event",
    "OutageRow",
    "Split",
    "open_capture",
    "parts",
]
