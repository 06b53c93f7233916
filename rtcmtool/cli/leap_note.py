"""What is said when the leap-second table may be out of date for what is printed.

The table ends some day, the data go on. Before anybody is bothered the list that this computer
keeps with its time zones is asked: it is renewed with the system.
"""

import importlib.util
import sys
import zoneinfo
from functools import cache
from importlib import resources
from pathlib import Path

from rtcmtool.gnss import time as gnss_time
from rtcmtool.gnss.leap_list import LeapList, newest, read_leap_list, unknown_leap_second

LIST_NAME = "leapseconds"  # of the IANA time-zone data, in the system's folder and in `tzdata`


def leap_note(utc_ns: int) -> str | None:
    """Say how far UTC and GLONASS times at an instant can be relied on.

    Returns
    -------
    str or None
        None where the table, or a newer list of this computer that agrees with it, holds then.
    """
    if gnss_time.is_leap_table_valid(utc_ns):
        return None
    newer = newest(_lists_here())
    until = gnss_time.LEAP_TABLE_VALID_UNTIL
    if newer is not None:
        day = unknown_leap_second(newer)
        if day is not None:
            return (
                f"note: this computer's list has a leap second before {day} that this version of "
                "rtcmtool does not know: UTC and GLONASS times from then on are off by it. "
                "Update rtcmtool."
            )
        until = newer.valid_until
        if gnss_time.is_leap_table_valid(utc_ns, until):
            return None
    return (
        f"note: the leap-second table is known to hold until {until}; UTC and GLONASS times of "
        "these data are right if no leap second has come since."
    )


@cache
def tell_once(text: str) -> None:
    """Tell something on the side, once in a run."""
    print(text, file=sys.stderr, flush=True)


def _lists_here() -> list[LeapList]:
    """Give the lists of this computer: those beside its time zones, and of the package `tzdata`."""
    texts = [_text(Path(folder) / LIST_NAME) for folder in zoneinfo.TZPATH]
    if importlib.util.find_spec("tzdata") is not None:
        file = resources.files("tzdata").joinpath("zoneinfo", LIST_NAME)
        texts.append(file.read_text(encoding="utf-8") if file.is_file() else "")
    return [found for text in texts if (found := read_leap_list(text)) is not None]


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8", errors="replace")
    except OSError:  # no such list here
        return ""
