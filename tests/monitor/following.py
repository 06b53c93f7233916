"""A stream followed live by hand-moved clocks."""

from collections.abc import Callable, Iterable

from rtcmtool.gnss import time as gnss_time
from rtcmtool.monitor.live_state import LiveState
from tests.streams import START_MS, Sent

UTC_NS = gnss_time.utc_ns_from_gps_ms(START_MS)
LATE_S = 0.6  # arrival after epoch


def late_for(begin: int, end: int, late_s: float) -> Callable[[int], float]:
    """Give delays of a link that is late for some epochs and then hands over what it held."""

    def delay_s(epoch: int) -> float:
        if begin <= epoch < end:
            return late_s
        return max(LATE_S, end - 1 + late_s - epoch) if epoch >= end else LATE_S

    return delay_s


class Follower:
    """Feeds messages at their epochs plus a delay, and ticks between them.

    Parameters
    ----------
    stream : iterable of Sent
        Messages; those of an epoch come at once.
    late_s : callable, optional
        Delay of an epoch, s; by default `LATE_S`.
    clock_error_s : float
        The computer's clock minus the truth.
    """

    def __init__(
        self,
        stream: Iterable[Sent],
        *,
        late_s: Callable[[int], float] = lambda _: LATE_S,
        clock_error_s: float = 0.0,
        trusted: bool = True,
        interval_s: float = 1.0,
        extra: dict[float, bytes] | None = None,
    ) -> None:
        self.clock_error_s = clock_error_s
        by_epoch: dict[int, bytes] = {}
        for sent in stream:
            by_epoch[sent.epoch] = by_epoch.get(sent.epoch, b"") + sent.data
        arrivals = [(e * interval_s + late_s(e), data) for e, data in by_epoch.items()]
        self._arrivals = sorted([*arrivals, *(extra or {}).items()], key=lambda item: item[0])
        self.live = LiveState(self.utc_ns(0.0), 0.0, clock_trusted=trusted)
        self.at_s = 0.0

    def utc_ns(self, at_s: float) -> int:
        return UTC_NS + round((at_s + self.clock_error_s) * 1e9)

    def run(self, until_s: float, tick_s: float = 0.5) -> LiveState:
        """Let time pass."""
        while self.at_s < until_s - 1e-9:
            following = min(self.at_s + tick_s, until_s)
            while self._arrivals and self._arrivals[0][0] <= following:
                at_s, data = self._arrivals.pop(0)
                self.live.feed(data, self.utc_ns(at_s), at_s)
            self.at_s = following
            self.live.tick(self.utc_ns(following), following)
        return self.live

    def finish(self) -> LiveState:
        self.live.finish(self.utc_ns(self.at_s), self.at_s)
        return self.live
