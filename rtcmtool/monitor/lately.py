"""What the signals did lately: so that the rules of a long day are not asked about all of it.

Slips, multipath and levels are sums over time. Over a whole day what began half an hour ago drowns
in them, and what ended in the morning blames the base until the evening. So they are summed a
second time over a stretch of the last 30 to 60 minutes: every half hour a new sum begins, and the
older of the two that run is asked. It always knows the five minutes that each of them needs.
"""

from copy import copy
from dataclasses import dataclass, field

from rtcmtool.monitor.cnr_normals import CnrNormals
from rtcmtool.monitor.lock_history import LockHistory
from rtcmtool.monitor.observed_epochs import Rows
from rtcmtool.monitor.phase_arcs import PhaseArcs
from rtcmtool.monitor.stream_state import StreamState

STRETCH_MS = 1_800_000  # the shortest that is asked about; the longest is twice that


@dataclass(slots=True)
class _Stretch:
    """Sums since a moment.

    Attributes
    ----------
    epoch_ms, time_ms : int
        When it began, on the timeline of the epochs and on the stream's clock.
    slips, satellite_ms : int
        As of `LockHistory`, when it began.
    """

    epoch_ms: int
    time_ms: int
    slips: int
    satellite_ms: int
    arcs: PhaseArcs = field(default_factory=PhaseArcs)
    strengths: CnrNormals = field(default_factory=CnrNormals)


class Lately:
    """Follows the signals of a stream that runs; its size does not grow with the stream.

    Parameters
    ----------
    state : StreamState
        Of the whole session; it must not have heard anything yet.
    """

    def __init__(self, state: StreamState) -> None:
        self._state = state
        self._begin_ms: int | None = None  # of the session
        self._latest_ms = 0
        self._stretches: list[_Stretch] = []
        state.quality.followers.append(self._take)

    def _take(self, rows: Rows, channels: dict[int, int]) -> None:
        """Take whole epochs, in order of time."""
        if not len(rows):
            return
        latest_ms = int(rows.time_ms[-1])
        if self._begin_ms is None or latest_ms < self._latest_ms:
            # The base's time was set back: what was before cannot be dated any more.
            self._begin_ms = int(rows.time_ms[0])
            self._stretches.clear()
        self._latest_ms = latest_ms
        for stretch in self._stretches:
            stretch.arcs.update(rows, channels)
            stretch.strengths.update(rows)
        begun_ms = self._stretches[-1].epoch_ms if self._stretches else self._begin_ms
        if latest_ms - begun_ms >= STRETCH_MS:
            locks = self._state.signals.locks
            time_ms = self._state.clock.now_ms or 0
            begun = _Stretch(latest_ms, time_ms, locks.slips, locks.satellite_ms)
            self._stretches = [*self._stretches[-1:], begun]

    @property
    def seconds(self) -> float | None:
        """How long the stretch is, s; None where it is the whole session."""
        stretch = self._asked
        return None if stretch is None else (self._latest_ms - stretch.epoch_ms) / 1000

    @property
    def _asked(self) -> _Stretch | None:
        """The older of two that run; one that has just begun knows too little."""
        return self._stretches[0] if len(self._stretches) > 1 else None

    def state(self) -> StreamState:
        """Give the state with the signals of the stretch in the place of those of the session.

        Of what left the stream it keeps what is still gone, and what happened in the stretch.
        """
        stretch, whole = self._asked, self._state
        if stretch is None:
            return whole
        late = copy(whole)
        late.quality = copy(whole.quality)
        late.quality.arcs, late.quality.strengths = stretch.arcs, stretch.strengths
        late.quality.signals = whole.quality.signals.since(stretch.epoch_ms)
        late.signals = copy(whole.signals)
        late.signals.locks = _since(whole.signals.locks, stretch)
        station = whole.main_station
        if station in whole.trackers:
            tracker = whole.trackers[station].with_changes_since(stretch.time_ms)
            late.trackers = {**whole.trackers, station: tracker}
        return late


def _since(locks: LockHistory, stretch: _Stretch) -> LockHistory:
    """Give the counts of lock times since a stretch began."""
    late = copy(locks)
    late.slips = max(locks.slips - stretch.slips, 0)
    late.satellite_ms = locks.satellite_ms - stretch.satellite_ms
    late.restarts = [at_ms for at_ms in locks.restarts if at_ms >= stretch.epoch_ms]
    return late
