"""What the signals did lately: so that the rules of a long day are not asked about all of it.

Slips, multipath and levels are sums over time. Over a whole day what began half an hour ago drowns
in them, and what ended in the morning blames the base until the evening. So they are summed a
second time over a stretch of the last 30 to 60 minutes (shorter silences apart, which are part of
it): every half hour a new sum begins, and the older of the two that run is asked. It always knows
the five minutes that each of them needs.

A silence of half an hour, or a base whose time is set back, begins a new stretch at once: what was
before would be older than an hour before the new one knows enough.
"""

from copy import copy
from dataclasses import dataclass, field

from rtcmtool.monitor.cnr_normals import CnrNormals
from rtcmtool.monitor.lock_history import LockHistory
from rtcmtool.monitor.observed_epochs import Rows
from rtcmtool.monitor.phase_arcs import PhaseArcs
from rtcmtool.monitor.stream_state import StreamState
from rtcmtool.wire.decoding import NONE

STRETCH_MS = 1_800_000  # the shortest that is asked about, but behind a break; the longest is twice


@dataclass(slots=True)
class _Stretch:
    """Sums since a moment.

    Attributes
    ----------
    epoch_ms, time_ms : int
        When it began, on the timeline of the epochs and on the stream's clock.
    slips, satellite_ms, restarts : int
        As of `LockHistory`, when it began.
    changes : int
        Signals that had left or come back by then.
    """

    epoch_ms: int
    time_ms: int
    slips: int
    satellite_ms: int
    restarts: int
    changes: int
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
        self._begin_ms = self._latest_ms = NONE  # of the session
        self._stretches: list[_Stretch] = []
        self._is_broken = False  # whether there was a break: the session is asked no more
        state.quality.followers.append(self._take)

    def _take(self, rows: Rows, channels: dict[int, int]) -> None:
        """Take whole epochs, in order of time."""
        if not len(rows):
            return
        first_ms, before_ms = int(rows.time_ms[0]), self._latest_ms
        self._latest_ms = int(rows.time_ms[-1])
        if before_ms == NONE:
            self._begin_ms = first_ms
        elif not before_ms < first_ms < before_ms + STRETCH_MS:
            self._stretches = [self._begun(first_ms)]
            self._is_broken = True
        for stretch in self._stretches:
            stretch.arcs.update(rows, channels)
            stretch.strengths.update(rows)
        begun_ms = self._stretches[-1].epoch_ms if self._stretches else self._begin_ms
        if self._latest_ms - begun_ms >= STRETCH_MS:
            self._stretches = [*self._stretches[-1:], self._begun(self._latest_ms)]

    def _begun(self, epoch_ms: int) -> _Stretch:
        """Begin a stretch."""
        state = self._state
        locks, time_ms = state.signals.locks, state.clock.now_ms or 0
        return _Stretch(
            epoch_ms, time_ms, locks.slips, locks.satellite_ms, len(locks.restarts),
            len(state.quality.signals.changes),
        )  # fmt: skip

    @property
    def seconds(self) -> float | None:
        """How long the stretch is, s; None where it is the whole session."""
        stretch = self._asked
        return None if stretch is None else (self._latest_ms - stretch.epoch_ms) / 1000

    @property
    def _asked(self) -> _Stretch | None:
        """The older of two that run; one that has just begun knows too little.

        Behind a break the new one is asked all the same: what it cannot tell yet is not known.
        """
        is_asked = self._is_broken or len(self._stretches) > 1
        return self._stretches[0] if is_asked else None

    def state(self) -> StreamState:
        """Give the state with the signals of the stretch in the place of those of the session.

        Of what left the stream it keeps what is still gone, and what happened in the stretch.
        """
        stretch, whole = self._asked, self._state
        if stretch is None:
            return whole
        late = copy(whole)
        late.clock = copy(whole.clock)  # so that no rule believes that it has heard more
        late.clock.first_ms = stretch.time_ms
        late.quality = copy(whole.quality)
        late.quality.arcs, late.quality.strengths = stretch.arcs, stretch.strengths
        late.quality.signals = whole.quality.signals.since(stretch.changes)
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
    late.restarts = locks.restarts[stretch.restarts :]
    return late
