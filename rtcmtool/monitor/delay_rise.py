"""How much later a stream has become than it was before: told by any clock, right or wrong.

A clock that is wrong is wrong by much the same all the time, so that it drops out of the difference
of two delays. It drifts, though: what was the least before may rise by as much as clocks of
computers do, and no more is held against the stream.
"""

from collections import deque

SPAN_S = 5.0  # as long as an outage: within it every epoch must be late
LEAST_EPOCHS = 3  # as many as end an outage
LEAST_SPAN_S = 1.5  # that they must take to come: what was held up comes at once; judgement
DRIFT = 1e-4  # of time, that a free clock may gain or lose; common practice, no source
_MOST_EPOCHS = 256  # of a span, for streams of many


class DelayRise:
    """Follows how much later epochs come than at their best before.

    The least delay of the last seconds counts. What was held up and then comes all at once is not
    later: the last of it is on time.

    Attributes
    ----------
    worst_s : float
        The most so far; zero before anything is known.
    worst_epoch_ms : int or None
        The epoch at which it was known.
    """

    def __init__(self) -> None:
        self.worst_s = 0.0
        self.worst_epoch_ms: int | None = None
        self._recent: deque[tuple[float, float]] = deque(
            maxlen=_MOST_EPOCHS
        )  # arrival in ms, delay
        self._latest_ms: int | None = None
        self._least_s: float | None = None
        self._now_s: float | None = None

    @property
    def now_s(self) -> float | None:
        """How much later the last epochs came than before, s; None where they are too few."""
        return self._now_s

    def clear(self) -> None:
        """Tell that the clock was set: what was before is not comparable."""
        self._recent.clear()
        self._latest_ms = self._least_s = self._now_s = None

    def add(self, epoch_ms: int, delay_s: float) -> None:
        """Take the delay of an epoch; one further back than the latest begins the seconds anew."""
        recent, before_ms = self._recent, self._latest_ms
        self._latest_ms = epoch_ms
        if before_ms is not None and epoch_ms < before_ms:
            recent.clear()
            before_ms = None
        passed_s = 0.0 if before_ms is None else (epoch_ms - before_ms) / 1000
        least_s = delay_s if self._least_s is None else self._least_s + DRIFT * passed_s
        self._least_s = min(least_s, delay_s)
        arrival_ms = epoch_ms + 1000 * delay_s
        if recent and arrival_ms < recent[-1][0]:
            recent.clear()  # a clock that was set, and nobody told
        recent.append((arrival_ms, delay_s))
        while len(recent) > LEAST_EPOCHS and recent[0][0] <= arrival_ms - SPAN_S * 1000:
            recent.popleft()
        if len(recent) < LEAST_EPOCHS or arrival_ms - recent[0][0] < LEAST_SPAN_S * 1000:
            self._now_s = None
            return
        self._now_s = min(delay for _, delay in recent) - self._least_s
        if self._now_s > self.worst_s:
            self.worst_s, self.worst_epoch_ms = self._now_s, epoch_ms
