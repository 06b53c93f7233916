"""The leap-second list of the IANA time-zone data, as computers have it: read, and compared.

The table of this program is of the day on which it was made. A newer list on the computer either
says that nothing has changed, and until when, or knows a leap second that the table does not.
"""

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

from rtcmtool.gnss.time import LEAP_SECONDS, LEAP_TABLE_VALID_UNTIL

_FIRST_OF_GPS_TIME = date(1980, 1, 6)
_LEAP = re.compile(r"^Leap\s+(\d{4})\s+([A-Z][a-z]{2})\s+(\d{1,2})\s+\S+\s+([+-])\s", re.MULTILINE)
_EXPIRES = re.compile(r"^#expires (\d+)", re.MULTILINE)
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


@dataclass(frozen=True, slots=True)
class LeapList:
    """A leap-second list.

    Attributes
    ----------
    entries : tuple of (date, int)
        First UTC day on which GPS time minus UTC has the value, s; as `LEAP_SECONDS`.
    valid_until : date
        The list's own date of expiry.
    """

    entries: tuple[tuple[date, int], ...]
    valid_until: date


def read_leap_list(text: str) -> LeapList | None:
    """Read the file `leapseconds` of the IANA time-zone data.

    Parameters
    ----------
    text : str
        Its content: a line a leap second, `Leap 2016 Dec 31 23:59:60 + S`, and `#expires` with
        seconds since 1970.

    Returns
    -------
    LeapList or None
        None where the text is no such list, or does not say until when it holds.
    """
    expires = _EXPIRES.search(text)
    found = _LEAP.findall(text)
    if expires is None or not found:
        return None
    value, entries = 0, []
    try:
        for year, month, day, sign in found:
            begin = date(int(year), _MONTHS.index(month) + 1, int(day)) + timedelta(days=1)
            if begin > _FIRST_OF_GPS_TIME:
                value += 1 if sign == "+" else -1
                entries.append((begin, value))
        until = datetime.fromtimestamp(int(expires[1]), UTC).date()
    except (ValueError, OverflowError, OSError):  # no such month, day or instant
        return None
    return LeapList(tuple(entries), until)


def unknown_leap_second(newer: LeapList) -> date | None:
    """Give the first day that a list counts otherwise than the table; None where both agree."""
    both = zip(newer.entries, LEAP_SECONDS, strict=False)
    for (theirs, their_value), (ours, our_value) in both:
        if (theirs, their_value) != (ours, our_value):
            return min(theirs, ours)
    longer = newer.entries[len(LEAP_SECONDS) :] or LEAP_SECONDS[len(newer.entries) :]
    return longer[0][0] if longer else None


def newest(lists: list[LeapList]) -> LeapList | None:
    """Give the list that holds longest, if it holds longer than the table."""
    latest = max(lists, key=lambda each: each.valid_until, default=None)
    if latest is None or latest.valid_until <= LEAP_TABLE_VALID_UNTIL:
        return None
    return latest
