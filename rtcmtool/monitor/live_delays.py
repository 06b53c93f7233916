"""How late epochs come in, as a stream is heard: against the computer's clock, right or wrong."""

from rtcmtool.monitor.delay_rise import DelayRise
from rtcmtool.monitor.delays import LEAST_SPAN_S, SPAN_S, MeanDelay
from rtcmtool.monitor.steady_clock import NS_PER_S, Moment

BACKLOG_S = 5.0  # of listening: what was kept comes at once; later it is late; judgement


class LiveDelays:
    """Follows the delay of the judged station.

    Parameters
    ----------
    start : Moment
        When listening began.

    Attributes
    ----------
    last_s, least_s : float or None
        Delay of the latest epoch, and the least since the clock was set.
    """

    def __init__(self, start: Moment) -> None:
        self.last_s: float | None = None
        self.least_s: float | None = None
        self._mean = MeanDelay()
        self._rise = DelayRise()
        self._came_at: Moment | None = None  # the latest epoch that has a delay
        self._heard_from = start  # since when we have been listening without a break

    def resume(self, now: Moment) -> None:
        """Tell that we are listening again."""
        self._heard_from = now

    def clock_set(self) -> None:
        """Tell that the computer's clock has stepped: what was before is not comparable."""
        self._mean.clear()
        self._rise.clear()
        self.least_s = None

    def of(self, at: Moment, sent_utc_ns: int, *, is_trusted: bool) -> float | None:
        """Give the delay of an epoch; None where it may have waited for us to listen.

        What was kept for us while we slept, or before we came, is not late.

        Parameters
        ----------
        at : Moment
            When it came.
        sent_utc_ns : int
            Its own time.
        is_trusted : bool
            Whether the computer's clock is right.
        """
        usual_s = 0.0 if is_trusted else self.least_s
        listened_ns = at.steady_ns - self._heard_from.steady_ns
        if usual_s is not None and listened_ns < BACKLOG_S * NS_PER_S:
            here_ns = sent_utc_ns + round(usual_s * NS_PER_S)
            if here_ns < self._heard_from.utc_ns:
                return None
        return (at.utc_ns - sent_utc_ns) / NS_PER_S

    def take(self, delay_s: float, epoch_ms: int, at: Moment) -> None:
        """Take the delay of an epoch of the judged station."""
        self.last_s, self._came_at = delay_s, at
        self.least_s = delay_s if self.least_s is None else min(self.least_s, delay_s)
        self._mean.add(epoch_ms, delay_s)
        self._rise.add(epoch_ms, delay_s)

    def later_s(self, now: Moment, old_s: float) -> float | None:
        """Give how much later epochs come than before; None where it is not known, as `mean_s`."""
        return None if self.mean_s(now, old_s) is None else self._rise.now_s

    def mean_s(self, now: Moment, old_s: float) -> float | None:
        """Give the mean of the last 20 s; None while no epoch comes.

        Parameters
        ----------
        now : Moment
            Now.
        old_s : float
            Seconds after which an epoch is old, for streams of few epochs.
        """
        at = self._came_at
        if at is None or now.steady_ns - at.steady_ns >= max(SPAN_S, old_s) * NS_PER_S:
            return None
        return self._mean.mean_s

    def needs_s(self, interval_s: float | None) -> float:
        """Give the seconds of epochs that the mean still lacks before it can be judged."""
        if (interval_s or 0.0) >= LEAST_SPAN_S:
            return 0.0  # of a slow stream each epoch is a mean of its own
        return max(LEAST_SPAN_S - self._mean.spanned_s, 0.0)
