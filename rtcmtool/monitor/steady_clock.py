"""One time axis for a live stream: UTC that does not step when the computer's clock is set.

Small corrections of the computer's clock are followed; a step is kept out of the axis, so that no
duration and no gap is made or hidden by it, and is told.
"""

from typing import NamedTuple

NS_PER_S = 1_000_000_000
STEP_S = 0.5  # a larger change at once is a step, a smaller one a correction


class Moment(NamedTuple):
    """A time on both clocks.

    Attributes
    ----------
    steady_ns : int
        On the axis that does not step; only differences count.
    utc_ns : int
        By the computer's clock as it was then.
    """

    steady_ns: int
    utc_ns: int

    def later(self, ns: int) -> "Moment":
        """Give the moment so many nanoseconds later."""
        return Moment(self.steady_ns + ns, self.utc_ns + ns)


class SteadyClock:
    """Turns readings of both clocks of the computer into moments.

    Attributes
    ----------
    step_ns : int
        Sum of the steps so far: UTC by the computer minus the steady axis.
    """

    def __init__(self, utc_ns: int, monotonic_s: float) -> None:
        self._offset_ns = utc_ns - round(monotonic_s * NS_PER_S)
        self._latest_ns = utc_ns
        self.step_ns = 0
        self._untold_ns = 0

    def at(self, utc_ns: int, monotonic_s: float) -> Moment:
        """Give the moment of a reading: UTC in ns and monotonic seconds, both now."""
        offset_ns = utc_ns - round(monotonic_s * NS_PER_S)
        change_ns = offset_ns - self._offset_ns
        self._offset_ns = offset_ns
        if abs(change_ns) >= STEP_S * NS_PER_S:
            self.step_ns += change_ns
            self._untold_ns += change_ns
        self._latest_ns = max(self._latest_ns, utc_ns - self.step_ns)
        return Moment(self._latest_ns, self._latest_ns + self.step_ns)

    def moment(self, steady_ns: int) -> Moment:
        """Give a time of the axis as a moment, by the computer's clock as it is now."""
        return Moment(steady_ns, steady_ns + self.step_ns)

    def take_step_s(self) -> float | None:
        """Give the step since the last call, s; None without one."""
        step_ns, self._untold_ns = self._untold_ns, 0
        return step_ns / NS_PER_S if step_ns else None
