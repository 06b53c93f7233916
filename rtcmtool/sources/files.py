"""Bytes from a file, a pipe or standard input."""

import os
import stat
import sys
from collections.abc import Iterator
from pathlib import Path

from rtcmtool.captures.naming import BYTES_SUFFIX, part_files, split_part
from rtcmtool.captures.reading import Capture, not_readable, open_capture
from rtcmtool.errors import SourceError
from rtcmtool.sources.base import (
    READ_BYTES,
    Arrival,
    Clocks,
    LiveSource,
    RefusedError,
    SourceEndedError,
    SourceState,
)
from rtcmtool.wire.stream import Chunk


class FileSource(LiveSource):
    """A file of bytes: read whole by `chunks`, followed while it grows by `arrivals`.

    Parameters
    ----------
    text : str
        SOURCE as the user wrote it: a path, or NAME of a capture.
    clocks : Clocks, optional
        For tests.
    """

    is_live = False
    is_reopened = False

    def __init__(self, text: str, *, clocks: Clocks | None = None) -> None:
        super().__init__(text, clocks=clocks)
        self._capture: Capture | None = None
        self._descriptor: int | None = None
        self._path: Path | None = None
        self._position = 0

    @property
    def capture(self) -> Capture:
        """The file as a capture, with what its companions tell.

        Raises
        ------
        SourceError
            If it cannot be opened.
        """
        if self._capture is None:
            self._capture = open_capture(self.text)
        return self._capture

    def chunks(self) -> Iterator[Chunk]:
        """Give what is in the file now, in large blocks, with the arrivals that are known."""
        for chunk in self.capture.chunks():
            if self._is_stopped:
                return
            yield chunk

    def _open(self) -> Iterator[None]:
        yield from ()
        if self._path is None:
            self._path = self.capture.files[-1].data
            self._position = self.capture.sizes_bytes[-1]
        try:
            self._descriptor = os.open(self._path, os.O_RDONLY | getattr(os, "O_BINARY", 0))
            os.lseek(self._descriptor, self._position, os.SEEK_SET)
        except OSError as error:
            raise not_readable(self._path, error) from error

    def _read(self, wait_s: float) -> list[Arrival]:
        assert self._descriptor is not None
        try:
            data = os.read(self._descriptor, READ_BYTES)
            size_bytes = os.fstat(self._descriptor).st_size
        except OSError as error:
            raise SourceError(f"{self._path} cannot be read.", why=error.strerror) from error
        if data:
            self._position += len(data)
            return [self._stamp(data)]
        if size_bytes < self._position:
            self._tell(SourceState.NOTE, f"{self._path} was written anew: read from its start")
            os.lseek(self._descriptor, 0, os.SEEK_SET)
            self._position = 0
            return []
        if not self._go_on_in_next_part():
            self._wait(wait_s)
        return []

    def _go_on_in_next_part(self) -> bool:
        """Change to the next part of a split recording, once there is one."""
        assert self._path is not None
        part = split_part(self._path.name.removesuffix(BYTES_SUFFIX))
        if part is None or not self._path.name.endswith(BYTES_SUFFIX):
            return False
        later = [
            path
            for path in part_files(self._path.with_name(part[0]))
            if (found := split_part(path.name.removesuffix(BYTES_SUFFIX))) and found[1] > part[1]
        ]
        if not later:
            return False
        self._close()
        self._path, self._position = later[0], 0
        for _ in self._open():
            continue
        return True

    def _close(self) -> None:
        if self._descriptor is not None:
            os.close(self._descriptor)
            self._descriptor = None

    def _opened_text(self) -> str:
        return f"following {self._path}"


class PipeSource(LiveSource):
    """Standard input, or a named pipe: bytes come until the writer closes it.

    Parameters
    ----------
    text : str
        `-`, or the path of a pipe.
    descriptor : int, optional
        For tests; by default that of standard input where the text is `-`.
    clocks : Clocks, optional
        For tests.
    """

    is_reopened = False

    def __init__(
        self, text: str, *, descriptor: int | None = None, clocks: Clocks | None = None
    ) -> None:
        super().__init__(text, clocks=clocks)
        self._given = descriptor
        self._descriptor: int | None = None

    @property
    def name(self) -> str:
        """What it is called in messages."""
        return "standard input" if self.text == "-" else self.text

    @property
    def is_regular_file(self) -> bool:
        """Whether a file was put in the place of the pipe: its bytes did not arrive just now."""
        try:
            descriptor = self._input_descriptor()
            return stat.S_ISREG(os.fstat(descriptor).st_mode)
        except (OSError, SourceError):
            return False

    def chunks(self) -> Iterator[Chunk]:
        """Give the bytes without arrival times: a pipe does not tell when they were sent."""
        for _, data in self.arrivals():
            if data:
                yield Chunk(data)

    def _input_descriptor(self) -> int:
        if self._given is not None:
            return self._given
        if sys.stdin is None:
            raise RefusedError("standard input is closed.", do="name a file, or pipe bytes in.")
        return sys.stdin.fileno()

    def _open(self) -> Iterator[None]:
        yield from ()
        if self.text != "-" and self._given is None:
            try:
                # Without O_NONBLOCK this would wait for a writer, and nothing could end it.
                self._descriptor = os.open(self.text, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0))
            except OSError as error:
                raise not_readable(Path(self.text), error) from error
            return
        self._descriptor = self._input_descriptor()
        if os.isatty(self._descriptor):
            raise RefusedError(
                "standard input is the keyboard.",
                why="bytes were expected from a pipe or a file.",
                do="pipe them in, as in: rtcmtool decode - < FILE",
            )

    def _read(self, wait_s: float) -> list[Arrival]:
        assert self._descriptor is not None
        if os.name == "posix" and not self._wait(wait_s, self._descriptor):
            return []
        try:
            data = os.read(self._descriptor, READ_BYTES)
        except BlockingIOError:
            return []
        except OSError as error:
            raise RefusedError(f"{self.name} cannot be read.", why=error.strerror) from error
        if not data:
            raise SourceEndedError
        return [self._stamp(data)]

    def _close(self) -> None:
        if self._descriptor is not None and self.text != "-" and self._given is None:
            os.close(self._descriptor)
        self._descriptor = None

    def _opened_text(self) -> str:
        return f"reading {self.name}"
