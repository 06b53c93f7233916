"""Text to a terminal or a pipe that may be slow, stuck or gone, without ever waiting for it.

A recording goes on when the terminal is lost (ssh dropped), when somebody has stopped it with
Ctrl-S, when the reader of a pipe has gone. What cannot be written is dropped, and counted.
"""

import os
import threading
import time
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TextIO, cast

MOST_CHARACTERS = 4_000_000  # waiting for a reader that is slow; beyond, new text is dropped
CLOSE_WAIT_S = 1.0


@contextmanager
def unheld(stream: TextIO) -> Iterator[TextIO]:
    """Give a stream that never waits in front of a terminal, which somebody may hold.

    Another stream is given as it is: the reader of a pipe sets the pace, and misses nothing.

    Parameters
    ----------
    stream : file
        Standard output.
    """
    if not stream.isatty():
        yield stream
        return
    patient = PatientStream(stream)
    try:
        yield cast(TextIO, patient)
    finally:
        patient.close()


def is_held(stream: TextIO) -> bool:
    """Tell whether a terminal does not take what was written: Ctrl-S, or a line that is slow."""
    return isinstance(stream, PatientStream) and stream.is_stuck


def settle(stream: TextIO) -> None:
    """Let a terminal take what was written, if it does so soon."""
    if isinstance(stream, PatientStream):
        stream.settle()


class PatientStream:
    """A text stream in front of another one; a thread does the waiting.

    Parameters
    ----------
    stream : file
        Standard output or standard error.

    Attributes
    ----------
    dropped : int
        Characters that were not written: nobody took them.
    is_lost : bool
        Whether the other side has gone.
    """

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self._waiting: deque[str] = deque()
        self._size = 0
        self._changed = threading.Condition()
        self._is_closing = False
        self.dropped = 0
        self.is_lost = False
        self._thread = threading.Thread(target=self._work, name="printing", daemon=True)
        self._thread.start()

    @property
    def is_stuck(self) -> bool:
        """Whether something waits that the other side does not take: nobody else may write then."""
        with self._changed:
            return self._size > 0 and not self.is_lost

    @property
    def encoding(self) -> str:
        """Encoding of the stream behind."""
        return self._stream.encoding or "utf-8"

    def isatty(self) -> bool:
        """Tell whether the stream behind is a terminal."""
        return not self.is_lost and self._stream.isatty()

    def fileno(self) -> int:
        """Give the descriptor of the stream behind, for its size."""
        return self._stream.fileno()

    def write(self, text: str) -> int:
        """Take a text; it is written as soon as the other side takes it."""
        with self._changed:
            if self.is_lost or self._size + len(text) > MOST_CHARACTERS:
                self.dropped += len(text)
            else:
                self._waiting.append(text)
                self._size += len(text)
                self._changed.notify_all()
        return len(text)

    def flush(self) -> None:
        """Do nothing: the thread flushes."""

    def line(self, text: str) -> None:
        """Write a line."""
        self.write(text + "\n")

    def settle(self, wait_s: float = CLOSE_WAIT_S) -> None:
        """Write what waits, but do not wait for ever."""
        until_s = time.monotonic() + wait_s
        with self._changed:
            while self._size and not self.is_lost:
                left_s = until_s - time.monotonic()
                if left_s <= 0:
                    break
                self._changed.wait(left_s)

    def close(self, wait_s: float = CLOSE_WAIT_S) -> None:
        """Write what waits, but do not wait for ever; then let go of a stream that is lost."""
        self.settle(wait_s)
        with self._changed:
            self._is_closing = True
            self._changed.notify_all()
        if self.is_lost:
            self._let_go()

    def _work(self) -> None:
        while True:
            with self._changed:
                while not self._waiting and not self._is_closing:
                    self._changed.wait()
                if not self._waiting:
                    return
                text = "".join(self._waiting)
                self._waiting.clear()
            try:
                self._stream.write(text)
                self._stream.flush()
            except (OSError, ValueError):  # gone, full, or closed
                self._lose(len(text))
                return
            with self._changed:
                self._size -= len(text)
                self._changed.notify_all()

    def _lose(self, characters: int) -> None:
        with self._changed:
            self.is_lost = True
            self.dropped += characters + sum(len(text) for text in self._waiting)
            self._waiting.clear()
            self._size = 0
            self._changed.notify_all()

    def _let_go(self) -> None:
        """Send what Python still holds for the stream to nowhere: it would complain at exit."""
        try:
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, self._stream.fileno())
            os.close(nowhere)
        except (OSError, ValueError):  # closed already
            return
