"""What all sources share: reconnecting, telling, stopping, and the tick of silence.

A transport writes `_open`, `_read` and `_close`; everything that decides when they are called is
here. Nothing is decoded.
"""

import logging
import random
import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import Enum
from typing import NamedTuple

import numpy as np

from rtcmtool.errors import SourceError
from rtcmtool.sources.waker import HasDescriptor, StopRequestedError, Waker
from rtcmtool.wire.stream import Chunk

log = logging.getLogger(__name__)

TICK_S = 0.2  # so often an empty arrival comes when nothing else does
FIRST_WAIT_S = 1.0  # before the first new try; then twice as long each time
JITTER = 0.25  # up to so much longer, so that not all listeners come back at once
STEADY_S = 10.0  # a connection that held so long, with bytes, is forgiven its earlier failures
READ_BYTES = 256 * 1024


class Arrival(NamedTuple):
    """Bytes and the time at which they came, UTC ns; no bytes: nothing came, but time passed."""

    utc_ns: int
    data: bytes


class SourceState(Enum):
    """What a source tells about itself."""

    OPENED = "opened"
    LOST = "lost"
    RETRYING = "retrying"
    STOPPED = "stopped"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Status:
    """Something that happened to a source.

    Attributes
    ----------
    utc_ns : int
        When.
    state : SourceState
        What.
    text : str
        A sentence without secrets.
    wait_s : float or None
        While trying again: seconds until the next try.
    """

    utc_ns: int
    state: SourceState
    text: str
    wait_s: float | None = None


@dataclass(frozen=True, slots=True)
class Clocks:
    """The clocks of a source; a test puts its own in their place.

    Attributes
    ----------
    time_ns, monotonic : callable
        UTC ns for arrivals; seconds for durations.
    wait : callable or None
        Waits for so many seconds before a new try; None: really, and `stop` ends it.
    random : callable
        0 to 1, for the jitter.
    """

    time_ns: Callable[[], int] = time.time_ns
    monotonic: Callable[[], float] = time.monotonic
    wait: Callable[[float], None] | None = None
    random: Callable[[], float] = random.random


class RefusedError(SourceError):
    """A failure that a quick new try will not cure: no such port, wrong password, no permission.

    At the first opening it is final; later it is tried again, but at the longest wait only.
    """


class NeverThereError(SourceError):
    """There is nothing of this name: at the first opening most likely a slip of the pen.

    At the first opening it is final; later it is tried again like any other failure, since what
    was there once comes back as soon as the network does.
    """


class SourceEndedError(Exception):
    """The source has come to its proper end: never seen outside this room."""


def one_sentence(error: SourceError) -> str:
    """Give what happened and why in one sentence, for a line of events.

    Examples
    --------
    >>> one_sentence(SourceError("COM5 is gone.", why="it was unplugged."))
    'COM5 is gone: it was unplugged.'
    """
    return str(error) if error.why is None else f"{str(error).rstrip('.')}: {error.why}"


class Source(ABC):
    """Where bytes come from.

    Parameters
    ----------
    text : str
        SOURCE as the user wrote it: no secrets in it.

    Attributes
    ----------
    is_live : bool
        Whether the bytes come as they are sent, so that arrival times mean something.
    on_status : callable or None
        Called with each Status, in the thread that reads.
    """

    is_live = True

    def __init__(self, text: str) -> None:
        self.text = text
        self.on_status: Callable[[Status], None] | None = None

    @abstractmethod
    def arrivals(self) -> Iterator[Arrival]:
        """Give bytes as they come, and an empty arrival about five times a second between."""

    @abstractmethod
    def chunks(self) -> Iterator[Chunk]:
        """Give bytes for the decoder, with arrival times where they are known."""

    @abstractmethod
    def stop(self) -> None:
        """End the iteration at once; another thread or a signal handler may call it."""


class LiveSource(Source):
    """A source that is opened, read, lost and opened again.

    Parameters
    ----------
    text : str
        SOURCE as the user wrote it.
    clocks : Clocks, optional
        For tests.
    give_up_after_s : float, optional
        How long it is tried to open the source, at first or again; None: for ever.

    Attributes
    ----------
    longest_wait_s : float
        Between two tries.
    is_reopened : bool
        Whether there is any sense in opening it again.
    stall_s : float or None
        After so much silence the connection counts as dead and is made anew.
    """

    longest_wait_s = 60.0
    is_reopened = True
    stall_s: float | None = None

    def __init__(
        self,
        text: str,
        *,
        clocks: Clocks | None = None,
        give_up_after_s: float | None = None,
    ) -> None:
        super().__init__(text)
        self.clocks = clocks or Clocks()
        self.give_up_after_s = give_up_after_s
        self._waker: Waker | None = None
        self._is_stopped = False
        self._has_been_open = False
        self._wait_s = FIRST_WAIT_S

    def arrivals(self) -> Iterator[Arrival]:
        """Give bytes as they come, and an empty arrival about five times a second between.

        Yields
        ------
        Arrival
            UTC ns and bytes.

        Raises
        ------
        SourceError
            If the source cannot be opened, or was lost for longer than `give_up_after_s`.
        """
        self._waker = Waker()
        if self._is_stopped:
            self._waker.stop()
        reason = "stopped"
        try:
            while True:
                yield from self._opening()
                try:
                    yield from self._receiving()
                except SourceError as error:
                    self._lose(error)
                    if not self.is_reopened:
                        raise
                    if isinstance(error, RefusedError):
                        self._wait_s = self.longest_wait_s
        except StopRequestedError:
            reason = "stopped"
        except SourceEndedError:
            reason = "the input has ended"
        finally:
            self._close()
            self._waker.close()
            self._tell(SourceState.STOPPED, reason)

    def chunks(self) -> Iterator[Chunk]:
        """Give bytes for the decoder, each chunk with its arrival; ticks are left out."""
        position = 0
        for utc_ns, data in self.arrivals():
            if data:
                yield Chunk(data, np.array([utc_ns], np.int64), np.array([position], np.int64))
                position += len(data)

    def stop(self) -> None:
        """End the iteration at once; another thread or a signal handler may call it."""
        self._is_stopped = True
        if self._waker is not None:
            self._waker.stop()

    @abstractmethod
    def _open(self) -> Iterator[None]:
        """Open the transport; a generator that yields about every `TICK_S` while it waits."""

    @abstractmethod
    def _read(self, wait_s: float) -> list[Arrival]:
        """Give what comes within `wait_s`; empty if nothing does.

        Raises
        ------
        SourceError
            If the source is lost.
        SourceEndedError
            If it has come to its end.
        """

    @abstractmethod
    def _close(self) -> None:
        """Close what is open; may be called at any time and never raises."""

    def _wait(self, seconds: float, *read: HasDescriptor | int) -> bool:
        """Wait for descriptors to be readable; `stop` ends it by StopRequestedError."""
        assert self._waker is not None
        return self._waker.wait(seconds, read)

    def _stamp(self, data: bytes) -> Arrival:
        """Give bytes the time of now."""
        return Arrival(self.clocks.time_ns(), data)

    def _tell(self, state: SourceState, text: str, wait_s: float | None = None) -> None:
        """Tell what happened."""
        log.info("%s: %s", state.value, text)
        if self.on_status is not None:
            self.on_status(Status(self.clocks.time_ns(), state, text, wait_s))

    def _lose(self, error: SourceError) -> None:
        self._close()
        self._tell(SourceState.LOST, one_sentence(error))

    def _opening(self) -> Iterator[Arrival]:
        """Open, with growing waits between the tries."""
        began_s = self.clocks.monotonic()
        if self._has_been_open:
            yield from self._pausing()
        while True:
            try:
                for _ in self._open():
                    yield self._stamp(b"")
            except SourceError as error:
                self._close()
                tried_s = self.clocks.monotonic() - began_s
                self._after_failed_open(error, tried_s)
            else:
                self._has_been_open = True
                self._tell(SourceState.OPENED, self._opened_text())
                return
            # The last try comes when the time is up, not after a wait that leads far beyond it.
            limit_s = self.give_up_after_s
            yield from self._pausing(None if limit_s is None else limit_s - tried_s)

    def _after_failed_open(self, error: SourceError, tried_s: float) -> None:
        """Give up, or tell and go on."""
        is_refused = isinstance(error, RefusedError)
        is_final = is_refused or isinstance(error, NeverThereError)
        if not self.is_reopened or (is_final and not self._has_been_open):
            raise error
        if self.give_up_after_s is not None and tried_s >= self.give_up_after_s:
            raise SourceError(
                f"{self.text} could not be opened within {self.give_up_after_s:.0f} s.",
                why=one_sentence(error),
                do=error.do,
            ) from error
        if is_refused:
            self._wait_s = self.longest_wait_s
        self._tell(SourceState.NOTE, one_sentence(error))

    def _pausing(self, at_most_s: float | None = None) -> Iterator[Arrival]:
        """Wait before the next try; each wait is longer than the one before."""
        wait_s = self._wait_s * (1.0 + JITTER * self.clocks.random())
        if at_most_s is not None:
            wait_s = min(wait_s, at_most_s)
        self._wait_s = min(2.0 * self._wait_s, self.longest_wait_s)
        self._tell(SourceState.RETRYING, f"trying again in {wait_s:.0f} s", wait_s)
        due_s = self.clocks.monotonic() + wait_s
        while (left_s := due_s - self.clocks.monotonic()) > 0:
            if self.clocks.wait is None:
                self._wait(min(left_s, TICK_S))
            else:
                self._wait(0.0)
                self.clocks.wait(min(left_s, TICK_S))
            yield self._stamp(b"")

    def _receiving(self) -> Iterator[Arrival]:
        """Read until the source is lost."""
        opened_s = heard_s = self.clocks.monotonic()
        has_bytes = False
        while True:
            if self._is_stopped:  # also while bytes come without a pause
                raise StopRequestedError
            arrivals = self._read(TICK_S)
            now_s = self.clocks.monotonic()
            if arrivals:
                heard_s, has_bytes = now_s, True
                yield from arrivals
            else:
                if self.stall_s is not None and now_s - heard_s > self.stall_s:
                    raise SourceError(f"nothing came from {self.text} for {self.stall_s:.0f} s.")
                yield self._stamp(b"")
            if has_bytes and now_s - opened_s >= STEADY_S:
                self._wait_s = FIRST_WAIT_S

    def _opened_text(self) -> str:
        """Say what has been opened."""
        return f"{self.text} is open"
