"""How late epochs arrive: the arrival of their last message minus their own time.

It is as true as the clock that stamped the arrivals. How steady it is can be told with any clock.
"""

from collections import deque

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss import time as gnss_time
from rtcmtool.monitor.delay_rise import DelayRise
from rtcmtool.wire.decoding import NONE, Batch

Integers = npt.NDArray[np.int64]

SPAN_S = 20.0  # over which the mean is taken (rule delay)
LEAST_SPAN_S = 10.0  # less says nothing about a mean of 20 s
_NS_PER_MS = 1_000_000


class MeanDelay:
    """Mean over the last `SPAN_S` of the stream's own time, which may stand still or run.

    Attributes
    ----------
    latest_ms : int or None
        Epoch of the latest delay.
    """

    def __init__(self) -> None:
        self.latest_ms: int | None = None
        self._recent: deque[tuple[int, float]] = deque()  # epoch in ms, delay
        self._sum_s = 0.0

    def add(self, epoch_ms: int, delay_s: float) -> None:
        """Take the delay of an epoch; one further back than the latest begins anew."""
        if self.latest_ms is not None and epoch_ms < self.latest_ms:
            self.clear()
        self.latest_ms = epoch_ms
        self._recent.append((epoch_ms, delay_s))
        self._sum_s += delay_s
        while self._recent[0][0] <= epoch_ms - SPAN_S * 1000:
            self._sum_s -= self._recent.popleft()[1]

    def clear(self) -> None:
        """Forget everything."""
        self.latest_ms = None
        self._recent.clear()
        self._sum_s = 0.0

    @property
    def mean_s(self) -> float | None:
        """The mean; None of nothing."""
        return self._sum_s / len(self._recent) if self._recent else None

    @property
    def spanned_s(self) -> float:
        """Time from the first to the latest epoch in it, s."""
        if not self._recent:
            return 0.0
        return (self._recent[-1][0] - self._recent[0][0]) / 1000


class Delays:
    """Follows the delay of one stream; its size does not grow with it.

    Attributes
    ----------
    epochs : int
        Epochs whose delay is known.
    latest_s, least_s, most_s : float or None
        Delay of the latest epoch, and the extremes.
    worst_mean_s : float or None
        The mean over `SPAN_S` whose size was the largest; None before `LEAST_SPAN_S` have passed.
    rise : DelayRise
        How much later it has become than it was before.
    """

    def __init__(self) -> None:
        self.epochs = 0
        self.latest_s: float | None = None
        self.least_s: float | None = None
        self.most_s: float | None = None
        self.worst_mean_s: float | None = None
        self.rise = DelayRise()
        self._recent = MeanDelay()
        self._open: tuple[int, int] | None = None  # epoch in ms, latest arrival in ns

    @property
    def mean_s(self) -> float | None:
        """Mean of the last 20 s, the epoch that is still coming left out."""
        return self._recent.mean_s

    def update(self, batch: Batch) -> None:
        """Take a batch: its observations, where arrival and date are known."""
        if len(batch) == 1:  # as nearly always where a stream comes piece by piece
            gps_ms, arrival_ns = int(batch.gps_ms[0]), int(batch.arrival_utc_ns[0])
            if NONE not in {gps_ms, arrival_ns, int(batch.more_follow[0])}:
                self._see(gps_ms, arrival_ns)
            return
        dated = (
            (batch.gps_ms != NONE) & (batch.arrival_utc_ns != NONE) & (batch.more_follow != NONE)
        )
        if not dated.any():
            return
        epochs, arrivals = batch.gps_ms[dated], batch.arrival_utc_ns[dated]
        ends = np.flatnonzero(np.diff(epochs))  # the last message of each run of one epoch
        for index in [*ends.tolist(), len(epochs) - 1]:
            self._see(int(epochs[index]), int(arrivals[index]))

    def finish(self) -> None:
        """Tell that nothing more comes."""
        if self._open is not None:
            self._close(*self._open)
            self._open = None

    def _see(self, epoch_ms: int, arrival_ns: int) -> None:
        if self._open is not None:
            open_ms, _ = self._open
            if epoch_ms < open_ms:
                return  # an old epoch once more: a second base, or a repeater
            if epoch_ms > open_ms:
                self._close(*self._open)
        self._open = epoch_ms, arrival_ns

    def _close(self, epoch_ms: int, arrival_ns: int) -> None:
        delay_s = (arrival_ns - gnss_time.utc_ns_from_gps_ms(epoch_ms)) / gnss_time.NS_PER_SECOND
        self.epochs += 1
        self.latest_s = delay_s
        self.least_s = delay_s if self.least_s is None else min(self.least_s, delay_s)
        self.most_s = delay_s if self.most_s is None else max(self.most_s, delay_s)
        self._recent.add(epoch_ms, delay_s)
        self.rise.add(epoch_ms, delay_s)
        mean = self._recent.mean_s
        if mean is None or self._recent.spanned_s < LEAST_SPAN_S:
            return
        if self.worst_mean_s is None or abs(mean) > abs(self.worst_mean_s):
            self.worst_mean_s = mean
