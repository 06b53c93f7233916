"""Times as people write them: a time of day of the capture, or a whole date with its zone."""

import argparse
import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from rtcmtool.gnss.time import UNIX_EPOCH

_TIME_OF_DAY = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2}(?:\.\d{1,6})?))?(Z|UTC)?")
NS_PER_DAY = 86_400 * 10**9
NS_PER_MINUTE = 60 * 10**9


@dataclass(frozen=True, slots=True)
class Moment:
    """A time as it was written.

    Attributes
    ----------
    utc_ns : int or None
        The whole time, where a date was written.
    of_day_ns : int
        Else the time of day, UTC.
    """

    utc_ns: int | None
    of_day_ns: int = 0

    def after(self, start_utc_ns: int) -> int:
        """Give the time as UTC, ns; a time of day is the first of its kind from a start on."""
        if self.utc_ns is not None:
            return self.utc_ns
        at = start_utc_ns // NS_PER_DAY * NS_PER_DAY + self.of_day_ns
        return at if at >= start_utc_ns // NS_PER_MINUTE * NS_PER_MINUTE else at + NS_PER_DAY


def moment(text: str) -> Moment:
    """Read 10:15, 10:15:30Z or 2026-03-04T10:15:30+01:00; UTC unless a zone is written.

    Raises
    ------
    argparse.ArgumentTypeError
        If it is none.

    Examples
    --------
    >>> moment("10:15").of_day_ns // 10**9
    36900
    >>> moment("2026-03-04T10:15:30+01:00").utc_ns // 10**9
    1772615730
    """
    text = text.strip()
    found = _TIME_OF_DAY.fullmatch(text)
    if found:
        hours, minutes, seconds = int(found[1]), int(found[2]), float(found[3] or 0)
        if hours < 24 and minutes < 60 and seconds < 60:
            return Moment(None, round((3600 * hours + 60 * minutes + seconds) * 1e9))
    try:
        instant = datetime.fromisoformat(text.replace(" UTC", "Z"))
    except ValueError:
        instant = None
    if instant is None or not 1980 <= instant.year <= 2199:
        raise argparse.ArgumentTypeError(
            f"{text!r} is no time; write 10:15, 10:15:30Z or 2026-03-04T10:15:30+01:00"
        )
    if instant.tzinfo is None:
        instant = instant.replace(tzinfo=UTC)
    return Moment((instant - UNIX_EPOCH) // timedelta(microseconds=1) * 1000)
