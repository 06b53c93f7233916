"""The files beside a stream: the site sheet with its list of marks, and earlier captures."""

import argparse
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from rtcmtool.cli.console import say
from rtcmtool.errors import SourceError, UsageError

if TYPE_CHECKING:
    from rtcmtool.diagnosis.earlier_captures import EarlierBase
    from rtcmtool.diagnosis.site_sheet import SiteSheet
    from rtcmtool.wire.decoding import Batch

DEFAULT_SHEET = Path("site.toml")
_Parsed = TypeVar("_Parsed")
MOST_BYTES = 10_000_000  # of a text file; more is a wrong file


def add_site(group: argparse._ArgumentGroup) -> None:
    """Add the option that names the site sheet."""
    group.add_argument(
        "--site", metavar="FILE", type=Path, help=f"site sheet; default ./{DEFAULT_SHEET} if there"
    )


def add_against(group: argparse._ArgumentGroup) -> None:
    """Add the option that names earlier captures."""
    group.add_argument(
        "--against", metavar="CAPTURE", nargs="+", action="extend", default=[], type=Path,
        help="earlier captures of the same mark, also of other days",
    )  # fmt: skip


def site_sheet(options: argparse.Namespace) -> "SiteSheet | None":
    """Read the site sheet that is named or lies here; says which.

    Raises
    ------
    SourceError
        If it cannot be read.
    UsageError
        If it does not hold.
    """
    path = options.site
    if path is None:
        if not DEFAULT_SHEET.is_file():
            return None
        path = DEFAULT_SHEET
    sheet = read_sheet(path)
    say(options, f"Site sheet {path}")
    return sheet


def read_sheet(path: Path) -> "SiteSheet":
    """Read a site sheet and the list of marks that it names, which lies beside it.

    Raises
    ------
    SourceError
        If a file cannot be read.
    UsageError
        If a file does not hold; names file, line and key.
    """
    from rtcmtool.diagnosis.known_marks import parse_marks
    from rtcmtool.diagnosis.sheet_parsing import parse_sheet

    sheet = _parsed(path, parse_sheet)
    name = sheet.position.marks_csv
    if not name:
        return sheet
    do = f"lay the list beside {path.name}, or correct position.marks_csv in it."
    return sheet.with_marks(_parsed(path.parent / name, parse_marks, do))


def _parsed(
    path: Path, parse: Callable[[str], _Parsed], do: str = "a new site sheet: rtcmtool site new"
) -> _Parsed:
    text = _text(path, do)
    try:
        return parse(text)
    except UsageError as error:
        raise UsageError(f"{path}, {error}", why=error.why, do=error.do) from error


def _text(path: Path, do: str) -> str:
    """Read a text file; says what to do where it is missing.

    Raises
    ------
    SourceError
        If it is missing, a folder, or may not be read.
    UsageError
        If it is no text.
    """
    try:
        with path.open("rb") as stream:
            data = stream.read(MOST_BYTES + 1)
    except IsADirectoryError as error:
        raise SourceError(f"{path} is a folder.", do="name a file.") from error
    except OSError as error:
        raise SourceError(
            f"{path} cannot be read.",
            why=f"{error.strerror or error}.",
            do=do,
        ) from error
    try:
        text = data.decode()
    except UnicodeDecodeError as error:
        raise UsageError(
            f"{path} is no text in UTF-8.", do="save it as UTF-8, or name the right file."
        ) from error
    if len(data) > MOST_BYTES or "\0" in text:
        raise UsageError(f"{path} is no site sheet or list of marks.", do="name the right file.")
    return text


class _Counted:
    """Passes batches on and counts their frames."""

    def __init__(self, batches: "Iterable[Batch]") -> None:
        self._batches = batches
        self.frames = 0

    def __iter__(self) -> "Iterator[Batch]":
        for batch in self._batches:
            self.frames += len(batch)
            yield batch


def earlier_bases(options: argparse.Namespace) -> "tuple[EarlierBase, ...]":
    """Read the earlier captures as far as their positions; says which hold none, and keeps them.

    Raises
    ------
    SourceError
        If one cannot be read.
    """
    from rtcmtool.captures.reading import open_capture
    from rtcmtool.diagnosis.earlier_captures import EarlierBase, earlier_base
    from rtcmtool.wire.epochs import TimeReference
    from rtcmtool.wire.stream import decode_stream

    found = []
    for path in options.against:
        capture = open_capture(path)
        site = capture.description.site if capture.description else None
        batches = _Counted(decode_stream(capture.chunks(), TimeReference()))
        base = earlier_base(capture.path.name, batches, site)
        if base is None:
            what = "position" if batches.frames else "RTCM 3 message"
            say(options, f"note: {path} holds no {what}; it is left out.")
            base = EarlierBase(capture.path.name, None, None, 0, site)
        found.append(base)
    return tuple(found)
