"""A source in a thread of its own, so that nothing downstream delays an arrival stamp."""

import queue
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Protocol, TypeAlias

from rtcmtool.captures import Event
from rtcmtool.sources import Source, Status

JOIN_S = 2.0
PAUSE_S = 3.0  # sources tick five times a second: after so long without, we were not running
MOST_TICKS = 50  # waiting: a loop that is stuck gets its bytes later, but no heap of empty items
_BOOT_CLOCK: int | None = getattr(time, "CLOCK_BOOTTIME", None)  # Linux only


def steady_s() -> float:
    """Give seconds of a clock that does not step, and goes on while the computer sleeps."""
    return time.monotonic() if _BOOT_CLOCK is None else time.clock_gettime(_BOOT_CLOCK)


@dataclass(frozen=True, slots=True)
class Bytes:
    """Bytes that came, or none: time passed.

    Attributes
    ----------
    utc_ns : int
        Arrival by the computer's clock.
    monotonic_s : float
        The same by a clock that does not step.
    data : bytes
        Empty for a tick.
    """

    utc_ns: int
    monotonic_s: float
    data: bytes


@dataclass(frozen=True, slots=True)
class Changed:
    """The source told something of itself."""

    monotonic_s: float
    status: Status


@dataclass(frozen=True, slots=True)
class Paused:
    """We did not run for a while: the computer slept, or the program was stopped.

    Attributes
    ----------
    before, after : Bytes
        What came last before, and first after; the latter follows as an item of its own.
    """

    before: Bytes
    after: Bytes


@dataclass(frozen=True, slots=True)
class Told:
    """What a capture tells of the time when it was made."""

    monotonic_s: float
    event: Event


@dataclass(frozen=True, slots=True)
class Rewound:
    """A replay has gone back: everything begins anew, at this time."""

    utc_ns: int
    monotonic_s: float


@dataclass(frozen=True, slots=True)
class Ended:
    """The source has ended: by itself, stopped, or by an error."""

    error: Exception | None


FeedItem: TypeAlias = Bytes | Changed | Paused | Told | Rewound | Ended
FeedQueue: TypeAlias = "queue.SimpleQueue[tuple[Feed, FeedItem]]"


class AnyFeed(Protocol):
    """What a session can be driven by: a live source, or a replay."""

    def start(self) -> None:
        """Begin."""
        ...

    def stop(self) -> None:
        """End at once; a signal handler may call it."""
        ...

    def join(self) -> None:
        """Wait until it has ended."""
        ...

    def items(self) -> Iterator[FeedItem]:
        """Give what comes; ends behind the `Ended` item."""
        ...


class Feed:
    """Reads a source in the background.

    Parameters
    ----------
    source : Source
        Not iterated by anyone else.
    out : queue, optional
        Where items go, for several feeds in one loop; by default one of its own.
    monotonic : callable, optional
        Clock for durations, s.

    Attributes
    ----------
    source : Source
        The source.
    on_bytes : callable or None
        Takes each arrival first, in the thread that reads: a recorder that must not wait for
        whoever looks. The item is in the queue only after it has returned.
    """

    def __init__(
        self,
        source: Source,
        out: "FeedQueue | None" = None,
        *,
        monotonic: Callable[[], float] = steady_s,
    ) -> None:
        self.source = source
        self.on_bytes: Callable[[Bytes], None] | None = None
        self.queue: FeedQueue = out if out is not None else queue.SimpleQueue()
        self._monotonic = monotonic
        self._last: Bytes | None = None
        self._thread = threading.Thread(target=self._read, name=source.text, daemon=True)
        source.on_status = self._tell

    def start(self) -> None:
        """Begin to read."""
        self._thread.start()

    def stop(self) -> None:
        """End at once; a signal handler may call it."""
        self.source.stop()

    def join(self) -> None:
        """Wait until the thread has ended, but not for ever."""
        if self._thread.is_alive():
            self._thread.join(JOIN_S)

    def items(self) -> Iterator[FeedItem]:
        """Give what comes; ends behind the `Ended` item."""
        while True:
            _, item = self.queue.get()
            yield item
            if isinstance(item, Ended):
                return

    def _put(self, item: FeedItem) -> None:
        self.queue.put((self, item))

    def _tell(self, status: Status) -> None:
        self._put(Changed(self._monotonic(), status))

    def _take(self, utc_ns: int, data: bytes) -> None:
        item = Bytes(utc_ns, self._monotonic(), data)
        if self.on_bytes is not None:
            self.on_bytes(item)
        last, self._last = self._last, item
        if last is not None and item.monotonic_s - last.monotonic_s > PAUSE_S:
            self._put(Paused(last, item))
        if data or self.queue.qsize() < MOST_TICKS:
            self._put(item)

    def _read(self) -> None:
        try:
            for utc_ns, data in self.source.arrivals():
                self._take(utc_ns, data)
        except Exception as error:  # noqa: BLE001  (raised again in the loop that reads the feed)
            self._put(Ended(error))
        else:
            self._put(Ended(None))
