"""When a kind of thing came in a stream."""

from dataclasses import dataclass

from rtcmtool.monitor.steady_clock import Moment


@dataclass(slots=True)
class Track:
    """When a kind of thing came: last, first after a pause, and last before that pause.

    Attributes
    ----------
    last, first, before : Moment
        As far as we listened without a break: they begin anew when we listen again.
    came : Moment or None
        When it came last, whether we listened ever since or not.
    """

    last: Moment
    first: Moment
    before: Moment
    came: Moment | None = None

    def hit(self, now: Moment, pause_ns: float) -> None:
        """Note that it came; a longer time without is a pause."""
        if now.steady_ns - self.last.steady_ns >= pause_ns:
            self.first, self.before = now, self.last
        self.last = self.came = now
