"""Outages: when no whole epoch came, of which kind, and what came instead.

Definitions (design, epochs and outages): an outage is a gap of at least 3 intervals and at least
5 s. It starts at the arrival of the last whole epoch and ends at the arrival of the first of 3
whole epochs in a row. Kinds exclude each other, the first that matches wins. Settled here: epochs
that come in part are gaps but open no outage of their own (no kind says so); a kind must hold as
long as an outage to take over from another, so that the first bytes of a recovery make no row.

A stream that is suddenly late by more than an outage needs is two rows: `silence` until the first
late epoch arrives, then `late`. For those seconds no byte came, and the first kind that matches
wins; that the epochs did come later makes them old, not heard in time. It was told as silence when
it happened (event, `--on-outage`), and a row is written as it happens: it is not renamed by what
comes after. A stream that falls behind little by little has no such silence: it is `late` at once.
"""

from bisect import bisect_left, bisect_right
from collections import deque
from dataclasses import dataclass

from rtcmtool.captures.companions import OutageRow
from rtcmtool.monitor.outage_kinds import (
    FIRST_S,
    IN_PART,
    LEAST_INTERVALS,
    LEAST_S,
    MARGIN_INTERVALS,
    NO_POSITION_S,
    NOT_LISTENING,
    STILL_OPEN,
    WHOLE_IN_A_ROW,
    WORST_FIRST,
    Arrival,
    Kind,
    OutageChange,
    StationEpoch,
)
from rtcmtool.monitor.steady_clock import NS_PER_S, Moment
from rtcmtool.monitor.tracks import Track

_CHANGES_KEPT = 1000  # that nobody has taken
_COUNTS_KEPT = 4000  # readings of the counters, one an arrival: minutes of a slow line


@dataclass(slots=True)
class _Open:
    kind: Kind
    start: Moment
    last_good: StationEpoch | None
    counts: tuple[int, int]  # bytes and damaged frames before it
    by_time: bool  # epochs missed are counted by time: the last whole epoch is not its start
    missed_before: int = 0  # epochs booked on rows before it in the same gap
    note: str = ""


class OutageTracker:
    """Follows a stream and books its outages.

    Parameters
    ----------
    start : Moment
        When listening began.

    Attributes
    ----------
    interval_s : float or None
        The stream's own epoch interval; set by the caller as it becomes known.
    other_interval_s : float or None
        Shortest usual interval of the messages that are no observations; set by the caller.
    """

    def __init__(self, start: Moment) -> None:
        self.interval_s: float | None = None
        self.other_interval_s: float | None = None
        self._start = start
        self._tracks = {kind: Track(start, start, start) for kind in WORST_FIRST}
        self._good: StationEpoch | None = None
        self._good_at = start
        self._runs: dict[int, list[StationEpoch]] = {}
        self._position_from_ns = start.steady_ns
        self._position_overdue = False
        self._open: _Open | None = None
        self._candidate: tuple[Kind, Moment] | None = None
        self._free_from = start  # end of the last outage: the next cannot start before
        self._is_paused = False
        self._bytes = self._damaged = 0
        self._counts: deque[tuple[int, int, int]] = deque(
            [(start.steady_ns, 0, 0)], maxlen=_COUNTS_KEPT
        )
        self._heard: dict[int, tuple[int, int]] = {}  # station: first and last since the last good
        self._changes: deque[OutageChange] = deque(maxlen=_CHANGES_KEPT)

    # ---- what comes in

    def receive(self, now: Moment, arrival: Arrival) -> None:
        """Take what came now; what the silence before it means is settled first."""
        if self._is_paused:
            self.resume(now)
        self.tick(now)
        quiet_ns = self._quiet_ns
        if arrival.size_bytes:
            self._tracks[Kind.SILENCE].hit(now, quiet_ns)
        if arrival.frames:
            self._tracks[Kind.GARBLED].hit(now, quiet_ns)
        if arrival.observations:
            self._tracks[Kind.NO_OBSERVATIONS].hit(now, quiet_ns)
        self._bytes += arrival.size_bytes
        self._damaged += arrival.damaged
        self._counts.append((now.steady_ns, self._bytes, self._damaged))
        for station in arrival.stations:
            first, _ = self._heard.get(station, (now.steady_ns, 0))
            self._heard[station] = (first, now.steady_ns)
        if arrival.positions:
            self._position(now)
        for epoch in arrival.epochs:
            self._judge(now, epoch)
        self._look(now)

    def tick(self, now: Moment) -> None:
        """Tell that time has passed."""
        if not self._is_paused:
            self._look(now)

    def not_listening(self, begin: Moment, end: Moment) -> None:
        """Tell of a time, just over, in which we were not listening: never an outage."""
        self.pause(begin)
        self.resume(end)

    def pause(self, now: Moment) -> None:
        """Tell that we are not listening from now on."""
        self.tick(now)
        if self._open is not None:
            self._close(now, note=NOT_LISTENING, goes_on=True)
        self._is_paused = True

    def resume(self, now: Moment) -> None:
        """Tell that we are listening again: nothing is held against the time before."""
        for track in self._tracks.values():
            track.last = track.first = track.before = now
        self._good_at = self._free_from = now
        self._runs.clear()
        self._position_from_ns, self._position_overdue = now.steady_ns, False
        self._candidate = None
        self._is_paused = False

    def finish(self, now: Moment) -> None:
        """Tell that the recording ends: an outage that is open is closed with a note."""
        self.tick(now)
        if self._open is not None:
            self._close(now, note=STILL_OPEN, goes_on=True)

    # ---- what comes out

    def take_changes(self) -> list[OutageChange]:
        """Give what opened and closed since the last call."""
        changes = list(self._changes)
        self._changes.clear()
        return changes

    @property
    def open_kind(self) -> Kind | None:
        """Kind of the outage that is open."""
        return self._open.kind if self._open else None

    @property
    def open_start(self) -> Moment | None:
        """Start of the outage that is open."""
        return self._open.start if self._open else None

    @property
    def last_good(self) -> StationEpoch | None:
        """The last whole epoch, on time where that can be told."""
        return self._good

    def silent_s(self, now: Moment) -> float:
        """Seconds since the last byte, or since listening began."""
        return (now.steady_ns - self._tracks[Kind.SILENCE].last.steady_ns) / NS_PER_S

    def lasts_s(self, now: Moment, kind: Kind) -> float:
        """Seconds since a thing whose lack is `kind` came last, or since listening began."""
        return (now.steady_ns - self._tracks[kind].last.steady_ns) / NS_PER_S

    def age_s(self, now: Moment, kind: Kind) -> float:
        """Seconds since such a thing came last, whether we listened meanwhile or not."""
        track = self._tracks[kind]
        return (now.steady_ns - (track.came or track.last).steady_ns) / NS_PER_S

    def kind_now(self, now: Moment, quiet_s: float) -> Kind | None:
        """Tell what is lacking, if it has been for `quiet_s`.

        Where other messages have just come back after a pause, observations have as long again.
        """
        kind = self._kind_now(now, quiet_s * NS_PER_S)
        if kind is Kind.NO_OBSERVATIONS and self.open_kind is not Kind.NO_OBSERVATIONS:
            back_ns = self._tracks[Kind.GARBLED].first.steady_ns
            is_back = back_ns > self._tracks[Kind.NO_OBSERVATIONS].last.steady_ns
            if is_back and now.steady_ns - back_ns < quiet_s * NS_PER_S:
                return None
        return kind

    @property
    def whole_in_a_row(self) -> int:
        """Whole epochs in a row since the outage that is open: the third ends it."""
        return max(map(len, self._runs.values()), default=0) if self._open else 0

    @property
    def is_in_part(self) -> bool:
        """Whether the outage that is open lasts because epochs come in part."""
        return self._open is not None and IN_PART in self._open.note

    # ---- limits

    @property
    def _interval_ns(self) -> float:
        return (self.interval_s or 1.0) * NS_PER_S

    @property
    def _least_ns(self) -> float:
        if self._good is None:
            return max(FIRST_S * NS_PER_S, LEAST_INTERVALS * self._interval_ns)
        return max(LEAST_S * NS_PER_S, LEAST_INTERVALS * self._interval_ns)

    @property
    def _quiet_ns(self) -> float:
        return self._least_ns - MARGIN_INTERVALS * self._interval_ns

    @property
    def _others_due_ns(self) -> float:
        """How long other messages may stay away by their own habit."""
        return MARGIN_INTERVALS * (self.other_interval_s or 0.0) * NS_PER_S

    # ---- what it means

    def _kind_now(self, now: Moment, quiet_ns: float) -> Kind | None:
        tracks, since_ns = self._tracks, now.steady_ns
        frame_ns = tracks[Kind.GARBLED].last.steady_ns
        # Where other messages go on without observations, they are missed by their own habit only.
        go_on = frame_ns - self._good_at.steady_ns > MARGIN_INTERVALS * self._interval_ns
        link_ns = max(quiet_ns, self._others_due_ns) if go_on else quiet_ns
        if since_ns - tracks[Kind.SILENCE].last.steady_ns >= link_ns:
            return Kind.SILENCE
        if since_ns - frame_ns >= link_ns:
            return Kind.GARBLED
        if since_ns - tracks[Kind.NO_OBSERVATIONS].last.steady_ns >= quiet_ns:
            return Kind.NO_OBSERVATIONS
        late_ns = tracks[Kind.LATE].last.steady_ns
        if late_ns > self._good_at.steady_ns and since_ns - late_ns < quiet_ns + self._interval_ns:
            return Kind.LATE
        return None

    def _look(self, now: Moment) -> None:
        if self._open is not None and self._open.kind is not Kind.NO_POSITION:
            self._look_for_change(now)
            return
        if now.steady_ns - self._good_at.steady_ns >= self._least_ns:
            kind = self._kind_now(now, self._quiet_ns)
            if kind is not None:
                self._open_gap(now, kind)
                return
        if self._open is None:
            self._look_for_position(now)

    def _open_gap(self, now: Moment, kind: Kind) -> None:
        start = self._good_at
        seen = self._tracks[Kind.NO_OBSERVATIONS].last
        if seen.steady_ns - start.steady_ns >= self._least_ns and kind is not Kind.LATE:
            start = seen  # epochs came in part until then
        if start.steady_ns < self._free_from.steady_ns:
            start = self._free_from
        if self._open is not None:
            self._position_overdue = True
            start = max(start, self._open.start)
            self._close(start, goes_on=True)
        self._begin(now, self._opened(kind, start))

    def _look_for_position(self, now: Moment) -> None:
        overdue_ns = now.steady_ns - self._position_from_ns - round(NO_POSITION_S * NS_PER_S)
        coming = self._good is not None and self._kind_now(now, self._quiet_ns) is None
        if overdue_ns >= 0 and coming:
            start = now.later(-overdue_ns)
            if start.steady_ns < self._free_from.steady_ns:
                start = self._free_from
            self._begin(now, self._opened(Kind.NO_POSITION, start))

    def _look_for_change(self, now: Moment) -> None:
        """See whether another kind has taken over, for as long as an outage must last."""
        assert self._open is not None
        kind = self._kind_now(now, self._quiet_ns)
        in_part = kind is None and not any(self._runs.values())
        if in_part:
            kind = Kind.NO_OBSERVATIONS
        if kind is None or kind is self._open.kind:
            self._candidate = None
            return
        if self._candidate is None or self._candidate[0] is not kind:
            better = WORST_FIRST.index(kind) > WORST_FIRST.index(self._open.kind)
            self._candidate = (kind, self._mark(kind, better=better))
        begin = self._candidate[1]
        if now.steady_ns - begin.steady_ns < self._least_ns:
            return
        self._candidate = None
        if self._is_unproven(kind):
            self._open.kind = kind
            return
        missed = self._missed_by_time(self._open.start, begin) or 0
        opened = self._opened(kind, begin)
        opened.by_time = self._open.by_time
        opened.missed_before = self._open.missed_before + missed
        opened.note = IN_PART if in_part else ""
        self._close(begin, goes_on=True)
        self._begin(now, opened)

    def _mark(self, kind: Kind, *, better: bool) -> Moment:
        """Give the byte, frame or epoch at which a kind took over."""
        if not better:
            return self._tracks[kind].last
        came = {
            Kind.GARBLED: Kind.SILENCE,
            Kind.NO_OBSERVATIONS: Kind.GARBLED,
            Kind.LATE: Kind.LATE,
        }[kind]
        return self._tracks[came].first

    def _is_unproven(self, kind: Kind) -> bool:
        """Tell whether nothing that was due had failed to come when the outage was named."""
        assert self._open is not None
        if kind is Kind.NO_OBSERVATIONS and self._open.kind in {Kind.SILENCE, Kind.GARBLED}:
            track = self._tracks[self._open.kind]
            paused_ns = track.first.steady_ns - track.before.steady_ns
            return paused_ns <= self._others_due_ns
        return False

    def _judge(self, now: Moment, epoch: StationEpoch) -> None:
        run = self._runs.setdefault(epoch.station, [])
        if epoch.is_whole and epoch.is_late and self._good is not None:
            self._tracks[Kind.LATE].hit(epoch.at, self._quiet_ns)
        if not epoch.is_whole or epoch.is_late:
            run.clear()
            return
        if run and 1e6 * (epoch.timeline_ms - run[-1].timeline_ms) > 1.5 * self._interval_ns:
            run.clear()
        run.append(epoch)
        if self._open is None or self._open.kind is Kind.NO_POSITION:
            self._settle(epoch)
            del run[:-1]
        elif len(run) >= WHOLE_IN_A_ROW:
            first = run[0]
            self._close(first.at, first)
            self._settle(epoch)
            if not self._position_overdue:
                self._position_from_ns = max(self._position_from_ns, first.at.steady_ns)
            self._position_overdue = False

    def _settle(self, epoch: StationEpoch) -> None:
        self._good, self._good_at = epoch, epoch.at
        if self._open is None:
            self._heard.clear()

    def _position(self, now: Moment) -> None:
        self._position_from_ns, self._position_overdue = now.steady_ns, False
        if self._open is not None and self._open.kind is Kind.NO_POSITION:
            self._close(now)

    # ---- rows

    def _opened(self, kind: Kind, start: Moment) -> _Open:
        good = self._good
        by_time = good is None or start != good.at
        return _Open(kind, start, good, self._counts_from(start), by_time)

    def _begin(self, now: Moment, opened: _Open) -> None:
        self._open = opened
        self._candidate = None
        for run in self._runs.values():
            run.clear()
        self._changes.append(OutageChange(is_open=True, row=self._row(now)))

    def _close(
        self,
        end: Moment,
        epoch: StationEpoch | None = None,
        *,
        note: str = "",
        goes_on: bool = False,
    ) -> None:
        assert self._open is not None
        if note:
            self._open.note = f"{self._open.note}; {note}" if self._open.note else note
        row = self._row(end, epoch)
        self._open, self._candidate, self._free_from = None, None, end
        self._changes.append(OutageChange(is_open=False, row=row, goes_on=goes_on))

    def _row(self, end: Moment, epoch: StationEpoch | None = None) -> OutageRow:
        assert self._open is not None
        outage = self._open
        start_bytes, start_damaged = outage.counts
        end_bytes, end_damaged = self._counts_before(end)
        stations = [
            station
            for station, (first, last) in sorted(self._heard.items())
            if first <= end.steady_ns and last >= outage.start.steady_ns
        ]
        return OutageRow(
            outage.start.utc_ns,
            end.utc_ns,
            (end.steady_ns - outage.start.steady_ns) / NS_PER_S,
            outage.kind.value,
            outage.last_good.gps_ms if outage.last_good else None,
            self._missed(outage, end, epoch),
            end_bytes - start_bytes,
            end_damaged - start_damaged,
            tuple(stations),
            outage.note,
        )

    def _missed(self, outage: _Open, end: Moment, epoch: StationEpoch | None) -> int | None:
        if outage.kind is Kind.NO_POSITION:
            return 0
        if epoch is not None and outage.last_good is not None and not outage.by_time:
            step_ns = 1_000_000 * (epoch.timeline_ms - outage.last_good.timeline_ms)
            return max(round(step_ns / self._interval_ns) - 1 - outage.missed_before, 0)
        if outage.kind is Kind.LATE:
            return 0
        return self._missed_by_time(outage.start, end)

    def _missed_by_time(self, start: Moment, end: Moment) -> int | None:
        if self.interval_s is None:
            return None
        return max(round((end.steady_ns - start.steady_ns) / self._interval_ns), 0)

    def _counts_from(self, moment: Moment) -> tuple[int, int]:
        """Give bytes and damaged frames up to a moment, with those that came just then."""
        place = bisect_right(self._counts, moment.steady_ns, key=lambda count: count[0])
        _, size, damaged = self._counts[max(place - 1, 0)]
        return size, damaged

    def _counts_before(self, moment: Moment) -> tuple[int, int]:
        """Give bytes and damaged frames before a moment, without those that came just then."""
        place = bisect_left(self._counts, moment.steady_ns, key=lambda count: count[0])
        _, size, damaged = self._counts[max(place - 1, 0)]
        return size, damaged
