"""Options that commands share, and the types of their values."""

import argparse
import re
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from rtcmtool.gnss import time as gnss_time
from rtcmtool.gnss.signals import LETTERS

if TYPE_CHECKING:
    from rtcmtool.wire.epochs import TimeReference

_UNITS_S = {"": 1, "s": 1, "m": 60, "min": 60, "h": 3600, "d": 86400}
_FIRST_DAY = date(1980, 1, 6)
_SEMICOLON_OR_COMMA = re.compile(r"[,; ]+")


def duration_s(text: str) -> float:
    """Read a duration: 90, 90s, 10m, 2h.

    Raises
    ------
    argparse.ArgumentTypeError
        If it is none.

    Examples
    --------
    >>> duration_s("90"), duration_s("10m"), duration_s("2h")
    (90.0, 600.0, 7200.0)
    """
    found = re.fullmatch(r"([0-9]*\.?[0-9]+)(s|m|min|h|d|)", text.strip())
    if not found or float(found[1]) <= 0:
        raise argparse.ArgumentTypeError(f"{text!r} is no duration; write 90, 90s, 10m or 2h")
    return float(found[1]) * _UNITS_S[found[2]]


def day(text: str) -> date:
    """Read a date such as 2026-03-04."""
    try:
        found = date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no date; write it as 2026-03-04") from None
    if found < _FIRST_DAY:
        raise argparse.ArgumentTypeError(f"{text!r} is before GPS time began, {_FIRST_DAY}")
    return found


def numbers(text: str) -> frozenset[int]:
    """Read message numbers such as 1005,1077."""
    try:
        return frozenset(int(part) for part in _SEMICOLON_OR_COMMA.split(text) if part)
    except ValueError:
        raise argparse.ArgumentTypeError(
            f"{text!r} are no message numbers; write 1005,1077"
        ) from None


def systems(text: str) -> tuple[str, ...]:
    """Read systems such as GPS,GAL; gives RINEX letters."""
    found = []
    for part in _SEMICOLON_OR_COMMA.split(text.upper()):
        if part and part not in LETTERS:
            known = ",".join(LETTERS)
            raise argparse.ArgumentTypeError(f"{part!r} is no system; known are {known}")
        if part:
            found.append(LETTERS[part])
    return tuple(found)


def positive(text: str) -> float:
    """Read a number above zero."""
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0 < value < float("inf"):
        raise argparse.ArgumentTypeError(f"{text!r} is no number above zero")
    return value


def whole(text: str) -> int:
    """Read a whole number from zero on."""
    if not text.isdecimal():
        raise argparse.ArgumentTypeError(f"{text!r} is no whole number from zero on")
    return int(text)


def add_printing(parser: argparse.ArgumentParser) -> argparse._ArgumentGroup:
    """Add the options that say how to print; give their group."""
    group = parser.add_argument_group("how to print")
    group.add_argument("--json", action="store_true", help="one JSON document, or JSON Lines")
    group.add_argument("-o", "--output", metavar="FILE", type=Path, help="write there")
    group.add_argument("-q", "--quiet", action="store_true", help="print the product only")
    group.add_argument("-v", "--verbose", action="count", default=0, help="print more")
    group.add_argument("--color", choices=("auto", "always", "never"), default="auto")
    return group


def add_input(
    parser: argparse.ArgumentParser, what: str = "capture file, or - for standard input"
) -> argparse._ArgumentGroup:
    """Add SOURCE and the options that say how to look at it; give their group."""
    parser.add_argument("source", metavar="SOURCE", help=what)
    group = parser.add_argument_group("what to look at")
    group.add_argument("--date", type=day, metavar="DAY", help="day of the capture, 2026-03-04")
    group.add_argument("--station", type=whole, metavar="ID", help="this station number only")
    return group


def time_reference(options: argparse.Namespace) -> "TimeReference":
    """Give what the options tell of the time: the middle of the given day, or nothing."""
    from rtcmtool.wire.epochs import Origin, TimeReference

    reference = TimeReference()
    if options.date is not None:
        given: date = options.date
        noon = gnss_time.gps_ms_from_date(given.year, given.month, given.day, 12)
        reference.learn(noon, Origin.DATE)
    return reference
