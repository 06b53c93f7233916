"""Sources that play a script by a clock in the test's hand."""

import threading
import time
from collections.abc import Iterator, Sequence

from rtcmtool.errors import SourceError
from rtcmtool.running.feed import Feed
from rtcmtool.sources.base import Arrival, Source, SourceState, Status
from rtcmtool.wire.stream import Chunk

TICK_S = 0.2
SAFETY_S = 120.0
T0_NS = 1_772_600_400_000_000_000  # 2026-03-04 05:00 UTC

Step = tuple[float, bytes | SourceState | Exception]


class HandClock:
    """Monotonic seconds that only scripts move.

    Of several scripts always that one goes on whose next moment comes first, so that the order of
    what they give is the same in each run.
    """

    def __init__(self) -> None:
        self._now_s = 0.0
        self._next_s: dict[Script, float] = {}
        self._changed = threading.Condition()

    def __call__(self) -> float:
        return self._now_s

    def join(self, script: "Script") -> None:
        """Let a script take part from the beginning."""
        self._next_s[script] = 0.0

    def leave(self, script: "Script") -> None:
        """Let the others go on without a script."""
        with self._changed:
            del self._next_s[script]
            self._changed.notify_all()

    def move(self, script: "Script", now_s: float) -> None:
        """Go on to a time, once it is this script's turn."""
        with self._changed:
            self._next_s[script] = now_s
            self._changed.notify_all()
            # The first of those with the same moment: a mapping keeps its order.
            is_turn = self._changed.wait_for(
                lambda: min(self._next_s, key=self._next_s.__getitem__) is script, SAFETY_S
            )
            assert is_turn, "a script waits for another one that does not go on"
            self._now_s = max(self._now_s, now_s)


class Script(Source):
    """Gives what a script says, when it says so, and a tick every 0.2 s between.

    The clock is that of the test: no time really passes. It ends when it is stopped, or at `end_s`.
    """

    def __init__(
        self,
        steps: Sequence[Step],
        clock: HandClock,
        *,
        end_s: float = 200.0,
        text: str = "tcp://x:1",
    ) -> None:
        super().__init__(text)
        self.steps, self.clock, self.end_s = steps, clock, end_s
        self._is_stopped = False
        clock.join(self)

    def arrivals(self) -> Iterator[Arrival]:
        try:
            yield from self._play()
        finally:
            self.clock.leave(self)

    def _play(self) -> Iterator[Arrival]:
        now_s = 0.0
        for at_s, what in self.steps:
            while now_s + TICK_S < at_s and not self._is_stopped:
                now_s += TICK_S
                yield from self._give(now_s, b"")
            now_s = max(at_s, now_s)
            if self._is_stopped:
                return
            self._wait(now_s)
            if isinstance(what, Exception):
                raise what
            if isinstance(what, SourceState):
                self._tell(now_s, what)
            else:
                yield from self._give(now_s, what)
        while now_s < self.end_s and not self._is_stopped:
            now_s += TICK_S
            yield from self._give(now_s, b"")

    def _give(self, now_s: float, data: bytes) -> Iterator[Arrival]:
        self._wait(now_s)
        if not self._is_stopped:
            yield Arrival(T0_NS + round(now_s * 1e9), data)

    def _wait(self, now_s: float) -> None:
        """Let the loop work off what it was given, so that it sees each moment."""
        self.clock.move(self, now_s)
        feed = getattr(self.on_status, "__self__", None)
        while isinstance(feed, Feed) and feed.queue.qsize() and not self._is_stopped:
            time.sleep(0.00002)  # the loop takes it meanwhile

    def _tell(self, now_s: float, state: SourceState) -> None:
        if self.on_status is not None:
            self.on_status(Status(T0_NS + round(now_s * 1e9), state, f"{self.text} {state.value}"))

    def chunks(self) -> Iterator[Chunk]:
        for _, data in self.arrivals():
            yield Chunk(data)

    def stop(self) -> None:
        self._is_stopped = True


def opened(*steps: Step) -> list[Step]:
    """Put the opening before a script."""
    return [(0.0, SourceState.OPENED), *steps]


def gone() -> SourceError:
    return SourceError("the port is gone.")
