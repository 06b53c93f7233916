"""Options of the commands that listen live, and the source that they stand for."""

import argparse
import getpass
import re
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from rtcmtool.cli.arguments import positive
from rtcmtool.diagnosis.context import DEFAULT_OVERHEAD
from rtcmtool.errors import UsageError

if TYPE_CHECKING:
    from rtcmtool.diagnosis.site_sheet import SiteSheet
    from rtcmtool.running.computer_clock import ClockTrust
    from rtcmtool.sources import Credentials, Position, Source

SOURCE_HELP = "serial port, tcp://, udp://, ntrip://, file, or -"
GIVE_UP_S = 60.0  # design 4.2: check and diagnose; watch and record try for ever
CASTERS = ("ntrip://", "ntrips://")


def baud(text: str) -> int | None:
    """Read a baud rate; `auto` is None.

    Raises
    ------
    argparse.ArgumentTypeError
        If it is none.
    """
    if text == "auto":
        return None
    if not text.isdecimal() or not 50 <= int(text) <= 4_000_000:
        raise argparse.ArgumentTypeError(f"{text!r} is no baud rate; write auto, or 38400")
    return int(text)


def mark_position(sheet: "SiteSheet | None") -> "Position | None":
    """Give the mark of the site sheet, for a caster that asks where the rover is."""
    from rtcmtool.sources import Position

    mark = sheet.position.mark if sheet else None
    if mark is None:
        return None
    return Position(mark.latitude_deg, mark.longitude_deg, mark.ellipsoidal_height_m)


def position(text: str) -> "Position":
    """Read LAT,LON[,HEIGHT] in degrees and metres.

    Raises
    ------
    argparse.ArgumentTypeError
        If it is none.
    """
    from rtcmtool.sources import Position

    try:
        latitude, longitude, *rest = (float(part) for part in text.split(","))
        height = rest[0] if rest else 0.0
    except ValueError:
        latitude = longitude = height = float("nan")
        rest = []
    if not (abs(latitude) <= 90 and abs(longitude) <= 180 and abs(height) < 1e5 and len(rest) < 2):
        raise argparse.ArgumentTypeError(
            f"{text!r} is no position; write LAT,LON,HEIGHT in degrees and m: 48.5,8.5,143"
        )
    return Position(latitude, longitude, height)


def let_values_be_negative(parser: argparse.ArgumentParser) -> None:
    """Let `--position -33.5,151.2` be a value: argparse knows only whole negative numbers."""
    parser._negative_number_matcher = re.compile(r"-[\d.][\d.,-]*")


def add_live(parser: argparse.ArgumentParser) -> argparse._ArgumentGroup:
    """Add the options of a live source; give the group of those that say how to judge."""
    let_values_be_negative(parser)
    group = parser.add_argument_group("a live source")
    group.add_argument(
        "--baud", type=baud, metavar="auto|N", help="of a serial port; auto (default) finds it"
    )
    group.add_argument("--user", metavar="NAME", help="of a caster; the password is asked for")
    group.add_argument("--password-file", type=Path, metavar="FILE", help="its first line")
    group.add_argument(
        "--position",
        type=position,
        metavar="LAT,LON,HEIGHT",
        help="sent to a caster that asks where the rover is",
    )
    return add_judging(parser)


def add_judging(
    parser: argparse.ArgumentParser,
    clock_help: str = "this computer's clock is right: judge the delay",
) -> argparse._ArgumentGroup:
    """Add the options that say how to judge; give their group."""
    judging = parser.add_argument_group("how to judge")
    judging.add_argument(
        "--at",
        choices=("base", "rover", "net"),
        help="where we listen; base, net for NTRIP",
    )
    judging.add_argument("--clock", choices=("trusted",), help=clock_help)
    judging.add_argument("--radio-rate", type=positive, metavar="BITS", help="over-air, bit/s")
    judging.add_argument(
        "--overhead",
        type=positive,
        metavar="FACTOR",
        help=f"of the radio on the bits, default {DEFAULT_OVERHEAD}",
    )
    return judging


def open_source(
    options: argparse.Namespace,
    text: str | None = None,
    *,
    give_up_after_s: float | None = None,
    known_position: "Position | None" = None,
) -> "Source":
    """Make the source that SOURCE stands for; nothing is opened yet.

    Parameters
    ----------
    options : Namespace
        With the options of `add_live`.
    text : str, optional
        Another source than `options.source`.
    give_up_after_s : float, optional
        How long it is tried to open it; by default for ever.
    known_position : Position, optional
        Sent to a caster where `--position` is not given: that of the site sheet.

    Raises
    ------
    UsageError
        If it cannot stand for a source, or a password is missing.
    """
    from rtcmtool.sources import SourceOptions, parse_source

    is_first = text is None or text == getattr(options, "source", None)
    text = options.source if text is None else text
    assert text is not None
    is_caster = text.lower().startswith(CASTERS)
    made = SourceOptions(
        baud=options.baud if is_first else None,  # that of further ports is found out
        credentials=credentials(options) if is_caster else None,
        position=(options.position or known_position) if is_caster else None,
        give_up_after_s=give_up_after_s,
    )
    return parse_source(text, made)


def credentials(options: argparse.Namespace) -> "Credentials | None":
    """Find user and password of a caster; the password is asked for on a terminal only."""
    from rtcmtool.sources import find_credentials

    ask = getpass.getpass if sys.stdin is not None and sys.stdin.isatty() else None
    return find_credentials(options.user, password_file=options.password_file, ask=ask)


def refuse_live_only(options: argparse.Namespace, names: Iterable[str]) -> None:
    """Refuse options that do nothing with a file.

    Raises
    ------
    UsageError
        If one is given.
    """
    for name in names:
        if getattr(options, name) is not None:
            raise UsageError(
                f"--{name.replace('_', '-')} goes with a live source, "
                f"and {options.source} is a file.",
                why="a file is read whole.",
                do="leave it out.",
            )


def refuse_idle_caster(options: argparse.Namespace, sources: Iterable["Source"]) -> None:
    """Refuse what is told to a caster where none is among the sources.

    Raises
    ------
    UsageError
        If it is given.
    """
    from rtcmtool.sources.ntrip import NtripSource

    if any(isinstance(source, NtripSource) for source in sources):
        return
    for name in ("user", "password_file", "position"):
        if getattr(options, name) is not None:
            raise UsageError(
                f"--{name.replace('_', '-')} goes to a caster, and no source is one.",
                do="leave it out, or name the caster: ntrip://HOST/MOUNTPOINT",
            )


def listens_live(options: argparse.Namespace, text: str | None = None) -> bool:
    """Tell whether SOURCE is listened to as it comes, not read as a file.

    Standard input is read to its end like a file, unless a time is set with `--duration`.
    """
    from rtcmtool.sources.files import FileSource, PipeSource

    text = options.source if text is None else text
    source = open_source(options, text)
    if isinstance(source, FileSource):
        return False
    if isinstance(source, PipeSource) and text == "-":
        return getattr(options, "duration", None) is not None and not source.is_regular_file
    return True


def place(options: argparse.Namespace, text: str | None = None) -> str:
    """Give where we listen: as told, else on the network for a caster, else at the base."""
    if options.at is not None:
        return str(options.at)
    return "net" if (text or options.source).lower().startswith(CASTERS) else "base"


def trust(options: argparse.Namespace) -> "ClockTrust":
    """Find out whether the computer's clock can be trusted."""
    from rtcmtool.running.computer_clock import clock_trust

    return clock_trust(is_told=options.clock == "trusted")
