"""Gaps: runs of missed epochs while we were watching, however short."""

from dataclasses import dataclass

from rtcmtool.monitor.steady_clock import NS_PER_S, Moment


@dataclass(slots=True)
class Gaps:
    """Counts the epochs of the judged station and the gaps between whole ones.

    Attributes
    ----------
    due, whole : int
        Epochs due and whole; times in which we were not watching are left out.
    count : int
        Gaps that are over.
    longest_s : float
        The longest of them, from whole epoch to whole epoch.
    longest_at, last_end : Moment or None
        When the longest began, and when the latest ended.
    """

    due: int = 0
    whole: int = 0
    count: int = 0
    longest_s: float = 0.0
    longest_at: Moment | None = None
    last_end: Moment | None = None
    _last_ms: int | None = None
    _last_whole: tuple[int, Moment] | None = None

    def add(
        self, timeline_ms: int, at: Moment, interval_ms: int | None, *, is_whole: bool
    ) -> tuple[int, int]:
        """Count an epoch.

        Returns
        -------
        (int, int)
            Epochs due since the one before, this one included, and whether it was whole.
        """
        if self._last_ms is not None and timeline_ms <= self._last_ms:
            return 0, 0
        due = 1
        if interval_ms and self._last_ms is not None:
            due = max(round((timeline_ms - self._last_ms) / interval_ms), 1)
        self._last_ms = timeline_ms
        self.due += due
        self.whole += is_whole
        if is_whole:
            if self._last_whole is not None and interval_ms:
                self._end(timeline_ms, at, interval_ms)
            self._last_whole = (timeline_ms, at)
        return due, int(is_whole)

    def _end(self, timeline_ms: int, at: Moment, interval_ms: int) -> None:
        assert self._last_whole is not None
        before_ms, before = self._last_whole
        step_ms = timeline_ms - before_ms
        if round(step_ms / interval_ms) < 2:
            return
        self.count += 1
        self.last_end = at
        if step_ms / 1000 > self.longest_s:
            self.longest_s, self.longest_at = step_ms / 1000, before

    def resume(self) -> None:
        """Tell that we are watching again: what was missed meanwhile is not counted."""
        self._last_ms = self._last_whole = None

    def open_s(self, now: Moment) -> float:
        """Seconds since the last whole epoch."""
        if self._last_whole is None:
            return 0.0
        return (now.steady_ns - self._last_whole[1].steady_ns) / NS_PER_S
