"""The files beside a stream: the site sheet with its list of marks, and earlier captures."""

import argparse
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from rtcmtool.cli.console import say
from rtcmtool.errors import NoFrameError, RtcmtoolError, SourceError, UsageError

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


def site_sheet(options: argparse.Namespace, recording: str | None = None) -> "SiteSheet | None":
    """Read the site sheet that is named or lies here, or was kept when it was recorded; says which.

    Parameters
    ----------
    options : Namespace
        With `site`.
    recording : str, optional
        A capture that is read: the sheet that it keeps is the last choice.

    Raises
    ------
    SourceError
        If it cannot be read.
    UsageError
        If it does not hold.
    """
    kept = None if recording is None or options.site is not None else _kept(Path(recording))
    path = sheet_path(options)
    if path is None:
        return None if kept is None else _kept_sheet(options, kept)
    sheet = read_sheet(path)
    say(options, f"Site sheet {path}")
    if kept is not None and kept.text.split() != _text(path, "").split():
        say(
            options,
            f"note: {kept.beside} keeps another sheet, of the day of the recording; "
            f"it is used where no {DEFAULT_SHEET} lies here.",
        )
    return sheet


def sheet_path(options: argparse.Namespace) -> Path | None:
    """Give the file of the site sheet: named, or here; None where only a capture may keep one."""
    if options.site is not None:
        return Path(options.site)
    return DEFAULT_SHEET if DEFAULT_SHEET.is_file() else None


@dataclass(frozen=True, slots=True)
class _Kept:
    """A site sheet that a capture keeps, and the file that it is in."""

    beside: Path
    text: str


def _kept(recording: Path) -> _Kept | None:
    """Give the sheet that a capture keeps; what cannot be opened is told where it is read."""
    from rtcmtool.captures.reading import open_capture

    try:
        capture = open_capture(recording)
    except SourceError:
        return None
    text = capture.description.site_sheet if capture.description else None
    return _Kept(capture.path.with_suffix(".json"), text) if text else None


def _kept_sheet(options: argparse.Namespace, kept: _Kept) -> "SiteSheet | None":
    """Read a kept sheet; one that no longer holds stops nobody from looking at the recording."""
    from rtcmtool.diagnosis.sheet_parsing import parse_sheet

    try:
        sheet = parse_sheet(kept.text)
    except UsageError as error:
        say(options, f"note: the site sheet kept in {kept.beside} does not hold: {error}")
        return None
    say(options, f"Site sheet as kept in {kept.beside}")
    marks = sheet.position.marks_csv
    if not marks:
        return sheet
    try:
        return _with_marks(sheet, kept.beside)
    except (SourceError, UsageError):
        say(options, f"note: its list of marks, {marks}, cannot be used; it is left out.")
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
    from rtcmtool.diagnosis.sheet_parsing import parse_sheet

    return _with_marks(_parsed(path, parse_sheet), path)


def _with_marks(sheet: "SiteSheet", path: Path) -> "SiteSheet":
    """Add the list of marks that a sheet names, which lies beside the file of the sheet."""
    from rtcmtool.diagnosis.known_marks import parse_marks

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
    """Read the earlier captures as far as their positions; says which hold none, and leaves them.

    Raises
    ------
    SourceError, NoFrameError, UsageError
        If captures are named and none of them can be used: as the first one fails.
    """
    found, failures = [], []
    for path in options.against:
        try:
            found.append(_earlier_base(path))
        except RtcmtoolError as error:
            failures.append(error)
    if failures and not found:
        raise _none_to_compare(failures)
    for failure in failures:
        say(options, f"note: {str(failure).removesuffix('.')}; it is left out.")
    return tuple(found)


def _earlier_base(path: Path) -> "EarlierBase":
    """Read one earlier capture as far as its position.

    Raises
    ------
    SourceError
        If it cannot be read.
    NoFrameError
        If no RTCM 3 message is in it.
    UsageError
        If no position is in it.
    """
    from rtcmtool.captures.reading import open_capture
    from rtcmtool.diagnosis.earlier_captures import earlier_base
    from rtcmtool.wire.epochs import TimeReference
    from rtcmtool.wire.stream import decode_stream

    capture = open_capture(path)
    site = capture.description.site if capture.description else None
    batches = _Counted(decode_stream(capture.chunks(), TimeReference()))
    base = earlier_base(capture.path.name, batches, site)
    if base is not None:
        return base
    if not batches.frames:
        raise NoFrameError(
            f"{path} holds no RTCM 3 message.",
            why="it is empty." if not capture.size_bytes else "it is no capture of corrections.",
        )
    raise UsageError(f"{path} holds no position.", why="neither 1005 nor 1006 came in it.")


def _none_to_compare(failures: "list[RtcmtoolError]") -> RtcmtoolError:
    """Give the error for earlier captures of which none can be used: the first one's reason."""
    first, *others = failures
    told = str(first).removesuffix(".")
    more = f", and {len(others)} more cannot be used" if others else ""
    return type(first)(
        f"--against gives nothing to compare with: {told}{more}.",
        why=first.why,
        do=first.do or "name a capture of the same mark in which 1005 or 1006 came.",
    )
