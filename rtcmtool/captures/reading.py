"""Read a capture: any file of bytes, with whatever of its four companions is there.

A split recording is read as one when it is opened by its name alone. Nothing that a dead battery
or a full disk leaves behind stops the reading: what cannot be used is left out and told in `notes`.
"""

import difflib
import logging
import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from rtcmtool.captures import arrivals as arrival_records
from rtcmtool.captures.arrivals import Arrivals, Integers
from rtcmtool.captures.clock_steps import without_steps
from rtcmtool.captures.companions import (
    Description,
    Event,
    OutageRow,
    read_events,
    read_outages,
)
from rtcmtool.captures.naming import (
    BYTES_SUFFIX,
    CaptureFiles,
    list_folder,
    part_files,
    split_part,
    stem_of,
)
from rtcmtool.captures.pauses import Pause, pauses_between
from rtcmtool.errors import SourceError
from rtcmtool.wire.stream import DEFAULT_BLOCK_BYTES, Chunk

log = logging.getLogger(__name__)


@dataclass(frozen=True, eq=False, slots=True)
class Capture:
    """A capture that can be read as often as wanted.

    Attributes
    ----------
    files : tuple of CaptureFiles
        One, or one a part of a split recording, in order.
    sizes_bytes : tuple of int
        Bytes in each when it was opened.
    arrivals : Arrivals
        Times of the whole capture; empty where none are known.
    description : Description or None
        What was recorded, as far as told.
    events : tuple of Event
        In order.
    outages : tuple of OutageRow
        In order.
    notes : tuple of str
        What was left out of the companions, a sentence each.
    """

    files: tuple[CaptureFiles, ...]
    sizes_bytes: tuple[int, ...]
    arrivals: Arrivals
    description: Description | None
    events: tuple[Event, ...]
    outages: tuple[OutageRow, ...]
    notes: tuple[str, ...]

    @property
    def path(self) -> Path:
        """The file of bytes, the first of several."""
        return self.files[0].data

    @property
    def size_bytes(self) -> int:
        """Bytes in the whole capture."""
        return sum(self.sizes_bytes)

    @property
    def has_arrivals(self) -> bool:
        """Whether arrival times are known."""
        return len(self.arrivals) > 0

    @property
    def silent_at_end_s(self) -> float:
        """How long nothing came before the recording ended, s; 0 where that is not told.

        By the outages that the recorder kept: a time of not listening is none of them.
        """
        if not self.has_arrivals:
            return 0.0
        last_ns = int(self.arrivals.utc_ns[-1])
        rows = (row for row in self.outages if row.kind == "silence" and row.end_utc_ns > last_ns)
        return sum(row.duration_s for row in rows)

    @property
    def pauses(self) -> tuple[Pause, ...]:
        """Times without listening inside the recording, by its events; none without arrivals."""
        return pauses_between(self.arrivals, self.events)

    def without_clock_steps(self) -> "Capture":
        """Give the capture with all arrival times on the clock as it ran at the beginning."""
        return replace(self, arrivals=without_steps(self.arrivals, self.events))

    def byte_range(self, since: int | None = None, until: int | None = None) -> tuple[int, int]:
        """Give the bytes that arrived in a time range.

        Parameters
        ----------
        since, until : int, optional
            UTC, ns; both inclusive. The computer's clock may have stepped: everything from the
            first to the last arrival inside is taken.

        Returns
        -------
        begin, end : int
            Offsets. Without arrival times all bytes: the caller goes by epochs then.
        """
        if not self.has_arrivals or (since is None and until is None):
            return 0, self.size_bytes
        inside = np.ones(len(self.arrivals), np.bool_)
        if since is not None:
            inside &= self.arrivals.utc_ns >= since
        if until is not None:
            inside &= self.arrivals.utc_ns <= until
        hits = np.flatnonzero(inside)
        if not len(hits):
            return 0, 0
        first, last = int(hits[0]), int(hits[-1])
        begin = 0 if since is None else int(self.arrivals.offsets[first])
        if last + 1 < len(self.arrivals):
            return begin, int(self.arrivals.offsets[last + 1])
        return begin, self.size_bytes

    def chunks(
        self,
        block_bytes: int = DEFAULT_BLOCK_BYTES,
        *,
        since: int | None = None,
        until: int | None = None,
    ) -> Iterator[Chunk]:
        """Give the bytes in large blocks, each with the arrivals that belong to it.

        Parameters
        ----------
        block_bytes : int
            Size of a block; the last may be smaller.
        since, until : int, optional
            UTC, ns; see `byte_range`.

        Yields
        ------
        Chunk
            Its offsets count from the first byte that is given, as a decoder does that is fed
            with nothing else: add `byte_range(since, until)[0]` for the place in the file.

        Raises
        ------
        SourceError
            If the file has gone or cannot be read any more.
        """
        yield from self.chunks_between(*self.byte_range(since, until), block_bytes)

    def chunks_between(
        self, begin: int, end: int, block_bytes: int = DEFAULT_BLOCK_BYTES
    ) -> Iterator[Chunk]:
        """Give the bytes from one offset to another as `chunks` does; they count from `begin`."""
        at = begin
        for data in self._blocks(begin, end, block_bytes):
            utc_ns, offsets = self._arrivals_within(at, at + len(data))
            yield Chunk(data, utc_ns, offsets - begin)
            at += len(data)

    def arrival_chunks(
        self, *, since: int | None = None, until: int | None = None
    ) -> Iterator[Chunk]:
        """Give the bytes as they arrived, a chunk an arrival, for replay.

        Yields
        ------
        Chunk
            One arrival each, the bytes before the first known one apart. Without arrival times:
            the large blocks of `chunks`.
        """
        begin, end = self.byte_range(since, until)
        at = begin
        for data in self._blocks(begin, end, DEFAULT_BLOCK_BYTES):
            utc_ns, offsets = self._arrivals_within(at, at + len(data))
            cuts = [0, *(offsets - at).tolist(), len(data)]
            if cuts[1] > 0:
                yield Chunk(data[: cuts[1]])
            for index in range(len(offsets)):
                piece = slice(index, index + 1)
                cut = slice(cuts[index + 1], cuts[index + 2])
                yield Chunk(data[cut], utc_ns[piece], offsets[piece] - begin)
            at += len(data)

    def _arrivals_within(self, begin: int, end: int) -> tuple[Integers, Integers]:
        """Give times and offsets of the records whose byte lies in a range."""
        low, high = np.searchsorted(self.arrivals.offsets, (begin, end))
        return self.arrivals.utc_ns[low:high], self.arrivals.offsets[low:high]

    def _blocks(self, begin: int, end: int, block_bytes: int) -> Iterator[bytes]:
        """Read a range of bytes across the files; blocks do not reach over the end of a file."""
        file_begin = 0
        for files, size in zip(self.files, self.sizes_bytes, strict=True):
            at, stop = max(begin - file_begin, 0), min(end - file_begin, size)
            file_begin += size
            if at >= stop:
                continue
            try:
                with files.data.open("rb", buffering=0) as stream:
                    stream.seek(at)
                    while at < stop:
                        data = stream.read(min(block_bytes, stop - at))
                        if not data:
                            break
                        at += len(data)
                        yield data
            except OSError as error:
                raise not_readable(files.data, error) from error
            if at < stop:
                raise SourceError(
                    f"{files.data} has become shorter while it was read.",
                    why=f"{size} bytes were there at first, {at} are left.",
                    do="do not change a capture while it is read; run the same line again.",
                )


def open_capture(path: str | Path) -> Capture:
    """Open a file of bytes, or a recording by its name.

    Parameters
    ----------
    path : str or Path
        Any file; or NAME of a capture without its suffix. NAME of a split recording gives all its
        parts as one, NAME-002.rtcm3 that part alone.

    Returns
    -------
    Capture
        May be empty: `size_bytes` is 0 then.

    Raises
    ------
    SourceError
        If there is no such file, it is a folder or a device, or it may not be read.
    """
    opened = [_open_file(found) for found in _resolve(Path(path))]
    if len(opened) == 1:
        return opened[0]
    return _join(opened)


def parts(path: str | Path) -> list[Path]:
    """List the files of bytes that make up a recording, in order.

    Parameters
    ----------
    path : str or Path
        NAME, NAME.rtcm3 or the file of any part of it.

    Returns
    -------
    list of Path
        All parts where the path belongs to a split recording, else the file alone.

    Raises
    ------
    SourceError
        If there is no such file.
    """
    files = _resolve(Path(path))
    own_part = split_part(stem_of(files[0]).name)
    if own_part is None:
        return files
    together = part_files(files[0].with_name(own_part[0]))
    return together if files[0] in together else files


def _resolve(path: Path) -> list[Path]:
    """Find the file or files that a path stands for."""
    if path.is_file():
        return [path]
    stem = stem_of(path)
    if not path.exists():
        data = stem.with_name(stem.name + BYTES_SUFFIX)
        if data.is_file():
            return [data]
        if together := part_files(stem):
            return together
    return [path]  # opening it will say what is wrong


def _open_file(path: Path) -> Capture:
    """Open one file with its companions."""
    files = CaptureFiles.of_file(path)
    # A running recorder writes an arrival before its bytes: in this order none lies past the end.
    arrivals_content = _companion(files.arrivals)
    size_bytes = _size_of_readable(path)
    events, torn_events = read_events(_companion(files.events))
    outages, torn_outages = read_outages(_companion(files.outages))
    arrivals = arrival_records.read(arrivals_content, size_bytes)
    notes = arrivals.notes()
    description = None
    if document := _companion(files.description):
        try:
            description = Description.read(document)
        except ValueError:
            notes.append("the description cannot be read: ignored")
    if torn_events:
        notes.append(f"{torn_events} lines of the events are not whole: ignored")
    if torn_outages:
        notes.append(f"{torn_outages} rows of the outages are not whole: ignored")
    return Capture(
        (files,), (size_bytes,), arrivals, description, tuple(events), tuple(outages), tuple(notes)
    )


def _join(opened: list[Capture]) -> Capture:
    """Make one capture of the parts of a recording."""
    begins = np.cumsum([0] + [capture.size_bytes for capture in opened[:-1]]).tolist()
    all_arrivals = [capture.arrivals for capture in opened]
    arrivals = Arrivals(
        np.concatenate([one.utc_ns for one in all_arrivals]),
        np.concatenate(
            [one.offsets + begin for one, begin in zip(all_arrivals, begins, strict=True)]
        ),
        *(sum(getattr(one, count) for one in all_arrivals) for count in arrival_records.COUNTS),
    )
    told = [capture.description for capture in opened if capture.description is not None]
    description = None
    if told:
        size_bytes = sum(capture.size_bytes for capture in opened)
        description = replace(
            told[0], end_utc_ns=told[-1].end_utc_ns, part=None, size_bytes=size_bytes
        )
    return Capture(
        tuple(capture.files[0] for capture in opened),
        tuple(capture.size_bytes for capture in opened),
        arrivals,
        description,
        tuple(event for capture in opened for event in capture.events),
        tuple(outage for capture in opened for outage in capture.outages),
        tuple(f"{capture.path.name}: {note}" for capture in opened for note in capture.notes),
    )


def _companion(path: Path | None) -> bytes:
    """Read a companion; empty where there is none, or it cannot be read."""
    if path is None:
        return b""
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return b""
    except OSError as error:
        log.warning("%s cannot be read: %s", path, error.strerror)
        return b""


def _size_of_readable(path: Path) -> int:
    """Give the size of a file after trying to open it."""
    try:
        with path.open("rb", buffering=0) as stream:
            status = os.fstat(stream.fileno())
    except OSError as error:
        raise not_readable(path, error) from error
    if not stat.S_ISREG(status.st_mode):
        raise SourceError(
            f"{path} is not a file.",
            why="it is a device or a pipe, which can be read only once.",
            do="name it as a live source, or pipe it into the command and name '-'.",
        )
    return status.st_size


def not_readable(path: Path, error: OSError) -> SourceError:
    """Say why a file cannot be read, and what to do."""
    if isinstance(error, IsADirectoryError):
        inside = [entry.name for entry in list_folder(path) if entry.name.endswith(BYTES_SUFFIX)]
        do = f"name a file in it: {_enumerate(inside)}" if inside else "name a file, not a folder."
        return SourceError(f"{path} is a folder.", why="a capture is a file.", do=do)
    if isinstance(error, FileNotFoundError | NotADirectoryError):
        return _not_found(path)
    if isinstance(error, PermissionError):
        return SourceError(
            f"{path} may not be read by this user.",
            why=error.strerror,
            do="ask its owner for the right to read it, or copy it.",
        )
    return SourceError(
        f"{path} cannot be read.",
        why=error.strerror or str(error),
        do="look at the disk or card; copy the file to another one and try that.",
    )


def _not_found(path: Path) -> SourceError:
    """Say that there is no such file, and which ones are named like it."""
    if not path.parent.is_dir():
        return SourceError(
            f"there is no file {path}.",
            why=f"the folder {path.parent} does not exist.",
            do="look at the spelling of the folder.",
        )
    names = [entry.name for entry in list_folder(path.parent) if entry.is_file()]
    near = difflib.get_close_matches(path.name, names, n=3, cutoff=0.6)
    data = [name for name in names if name.endswith(BYTES_SUFFIX)]
    if near:
        do = f"did you mean {_enumerate(near)}?"
    elif data:
        do = f"captures in this folder: {_enumerate(data)}"
    else:
        do = "look at the spelling and the folder."
    return SourceError(
        f"there is no file {path}.", why=f"the folder {path.parent} holds no such name.", do=do
    )


def _enumerate(names: list[str]) -> str:
    """Join names, the first five of many."""
    return ", ".join(names[:5]) + (" ..." if len(names) > 5 else "")
