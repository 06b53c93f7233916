"""One object that follows a live stream: what a dashboard, a recorder and a status line ask.

Bytes, ticks and changes of the source come in with both clocks of the computer; state, outages and
events come out. Nothing in here grows with the length of the session.
"""

from dataclasses import dataclass

from rtcmtool.captures.companions import Event
from rtcmtool.gnss import time as gnss_time
from rtcmtool.monitor import strips as strip_rows
from rtcmtool.monitor.base_station import POSITION_NUMBERS, Position
from rtcmtool.monitor.epochs import EpochTracker, JudgedEpoch, SetChange
from rtcmtool.monitor.events import Condition, EventLog, Rank
from rtcmtool.monitor.gaps import Gaps
from rtcmtool.monitor.lately import Lately
from rtcmtool.monitor.live_delays import LiveDelays
from rtcmtool.monitor.outage_kinds import (
    NOT_LISTENING,
    OUTAGE_WORDS,
    PARTS_OF_AN_OUTAGE,
    Arrival,
    Kind,
    OutageChange,
    StationEpoch,
)
from rtcmtool.monitor.outages import OutageTracker
from rtcmtool.monitor.recent_stream import LightState, RecentStream
from rtcmtool.monitor.satellites_now import SatellitesNow
from rtcmtool.monitor.steady_clock import NS_PER_S, Moment, SteadyClock
from rtcmtool.monitor.stream_state import StreamState
from rtcmtool.monitor.strip_filling import StripFiller
from rtcmtool.monitor.strips import Strips
from rtcmtool.monitor.traffic import is_known
from rtcmtool.monitor.windows import Windows
from rtcmtool.wire.catalogue import OBSERVATION_NUMBERS, title
from rtcmtool.wire.decoding import NONE, Batch
from rtcmtool.wire.framing import Reject, RejectReason
from rtcmtool.wire.stream import StreamDecoder

LATE_S = 5.0  # delay: bad from 5 s on (EPN real-time latency)
OLD_INTERVALS = 3.0  # past these a value is old
OUTAGE_KEYS = frozenset(f"outage:{kind.value}" for kind in Kind)


@dataclass(frozen=True, slots=True)
class Blindness:
    """A time of not listening.

    Attributes
    ----------
    since : Moment
        When it began.
    reason : str
        Why, as known now.
    next_try_ns : int or None
        Steady time at which it is tried again to listen; None where nobody told.
    """

    since: Moment
    reason: str
    next_try_ns: int | None = None


class LiveState:
    """Follows a live stream, or a recording as if it were live.

    Parameters
    ----------
    utc_ns, monotonic_s : int and float
        Now, by both clocks.
    station : int, optional
        The station to judge.
    has_arrivals : bool
        Whether the times are true arrivals; a recording without them is timed by its epochs.
    clock_trusted : bool
        Whether the computer's clock is known to be right; may be changed later. A step of the
        clock ends the trust until it is given again.
    state : StreamState, optional
        A new state for that station, as one made with the orbits of a navigation file.

    Attributes
    ----------
    now, start : Moment
        Latest time that was told, and the first.
    state, outages, windows, strips, events, gaps, satellites, delays
        The parts, each with its own description.
    blind : Blindness or None
        Set while we are not listening.
    first_byte, position_at, last_outage : Moment or OutageChange or None
        When the first byte and the latest position came, and the latest outage that has closed.
    """

    def __init__(
        self,
        utc_ns: int,
        monotonic_s: float,
        *,
        station: int | None = None,
        has_arrivals: bool = True,
        clock_trusted: bool = False,
        state: StreamState | None = None,
    ) -> None:
        self.clock = SteadyClock(utc_ns, monotonic_s)
        self.now = self.start = self.clock.at(utc_ns, monotonic_s)
        self.has_arrivals, self.clock_trusted = has_arrivals, clock_trusted
        self.decoder = StreamDecoder()
        self.state = StreamState(station) if state is None else state
        self.outages = OutageTracker(self.start)
        self.windows = Windows(self.start.steady_ns)
        self.strips = Strips(self.start.steady_ns)
        self._filler = StripFiller(self.strips)
        self.events = EventLog()
        self.gaps = Gaps()
        self.satellites = SatellitesNow()
        self.delays = LiveDelays(self.start)
        self.recent = RecentStream()
        self.lately = Lately(self.state)
        self.blind: Blindness | None = None
        self.first_byte: Moment | None = None
        self.position_at: Moment | None = None
        self.last_outage: OutageChange | None = None
        self._wanted = station
        self._outage_changes: list[OutageChange] = []
        self._outage_end: Moment | None = None
        self._reported: dict[int, int] = {}
        self._last_set_change: dict[int, SetChange] = {}
        self._foreign = self._frame_bytes = 0

    # ---- what comes in

    def feed(self, data: bytes, utc_ns: int, monotonic_s: float) -> None:
        """Take bytes that arrived now; whoever hears bytes is listening."""
        if not data:
            self.tick(utc_ns, monotonic_s)
            return
        self.listening(utc_ns, monotonic_s)
        now = self.now
        if self.first_byte is None:
            self.first_byte = now
        self._take(self.decoder.feed_now(data, now.steady_ns), len(data))

    def tick(self, utc_ns: int, monotonic_s: float) -> None:
        """Tell the time: at least once a second, and before whatever happened."""
        now = self.now = self.clock.at(utc_ns, monotonic_s)
        step_s = self.clock.take_step_s()
        if step_s is not None:
            self.clock_trusted = False  # it was wrong, or is; the caller may know better
            self.delays.clock_set()
            self.windows.clock_set()
            text = f"the computer's clock was set by {step_s:+.1f} s"
            self.events.note(now, "clock-step", text, step_s=round(step_s, 3))
        is_full = self.windows.is_full(now.steady_ns)
        self.windows.tick(now.steady_ns, self.state.signals.cnr if is_full else None)
        self.strips.tick(now.steady_ns)
        if self.blind is None:
            self.outages.tick(now)
        self._note_outages()

    def not_listening(
        self, utc_ns: int, monotonic_s: float, reason: str, wait_s: float | None = None
    ) -> None:
        """Tell that we cannot listen from now on: a monitor gap, never an outage.

        The latest reason counts; `wait_s` is the time until it is tried again, where known.
        """
        self.tick(utc_ns, monotonic_s)
        next_try_ns = None if wait_s is None else self.now.later(round(wait_s * NS_PER_S)).steady_ns
        if self.blind is None:
            self.outages.pause(self.now)
            self.strips.pause(self.now.steady_ns)
            self.windows.pause()
            condition = Condition("monitor-gap", Rank.WATCH, f"not watching: {reason}")
            self.events.begin(self.now, condition, "monitor-gap", reason=reason)
            self._note_outages()
            self.blind = Blindness(self.now, reason, next_try_ns)
        else:
            self.blind = Blindness(self.blind.since, reason, next_try_ns)

    def listening(self, utc_ns: int, monotonic_s: float) -> None:
        """Tell that we are listening again."""
        self.tick(utc_ns, monotonic_s)
        if self.blind is None:
            return
        self.delays.resume(self.now)
        self.outages.resume(self.now)
        self.strips.resume(self.now.steady_ns)
        self.events.end(self.now, "monitor-gap", "monitor-gap")
        self.gaps.resume()
        self.recent.clear()
        self.blind = None

    def skip_step(self) -> None:
        """Tell that what comes next is stamped late, by our own doing: that is no loss."""
        self.strips.expect_nothing()
        self.windows.pause()

    def note(self, text: str, kind: str = "note") -> None:
        """Keep a note, of the crew or of the source, at the latest time told."""
        self.events.note(self.now, kind, text)

    def report(self, conditions: list[Condition]) -> None:
        """Take what the rules find wrong now; what an outage breaks anyway is part of it."""
        if self.blind or self.outages.open_kind or self.is_settling:
            conditions = [c for c in conditions if c.key not in PARTS_OF_AN_OUTAGE]
        self.events.report(self.now, conditions)

    def finish(self, utc_ns: int, monotonic_s: float) -> None:
        """Tell that the session ends."""
        self.tick(utc_ns, monotonic_s)
        self._take(self.decoder.finish(), 0)
        self.state.finish()
        if self.blind is None:
            self.outages.finish(self.now)
        self._note_outages()

    # ---- what comes out

    def take_events(self) -> list[Event]:
        """Give the lines for the events file since the last call."""
        return self.events.take_records()

    def take_outages(self) -> list[OutageChange]:
        """Give the outages that opened and closed since the last call, for the outages file."""
        changes, self._outage_changes = self._outage_changes, []
        return changes

    def recent_state(self) -> LightState:
        """Give the state of the last half minute alone, for rules about now."""
        return self.recent.state(self.now.steady_ns, self.state)

    @property
    def interval_s(self) -> float | None:
        """The stream's own epoch interval, once it is known."""
        tracker = self.state.epochs
        interval_ms = tracker.interval_ms if tracker else None
        return interval_ms / 1000 if interval_ms else None

    @property
    def is_settling(self) -> bool:
        """Whether an outage is over, but not for so long that rules about now have forgotten it."""
        end = self._outage_end
        return end is not None and self.ago_s(end) < self.recent.span_s + 10

    @property
    def old_s(self) -> float:
        """Seconds after which a value of every epoch is old."""
        return OLD_INTERVALS * (self.interval_s or 1.0)

    @property
    def mean_delay_s(self) -> float | None:
        """Mean delay of the last 20 s; None while no epoch comes."""
        return self.delays.mean_s(self.now, self.old_s)

    @property
    def later_s(self) -> float | None:
        """How much later epochs come than before; None where that is not known."""
        return self.delays.later_s(self.now, self.old_s) if self.has_arrivals else None

    @property
    def lacking(self) -> Kind | None:
        """What has been lacking for three intervals."""
        return self.outages.kind_now(self.now, self.old_s)

    @property
    def seconds(self) -> float:
        """Seconds since the start."""
        return self.ago_s(self.start)

    def ago_s(self, moment: Moment) -> float:
        """Seconds from a moment to now."""
        return (self.now.steady_ns - moment.steady_ns) / NS_PER_S

    @property
    def position(self) -> Position | None:
        """The position sent last by the judged station."""
        station = self.state.base.stations.get(self.state.main_station or 0)
        return station.latest_position if station else None

    @property
    def position_interval_s(self) -> float | None:
        """Usual interval of the position message."""
        table = self.state.messages.by_number
        every = [table[n].interval_s for n in POSITION_NUMBERS if n in table]
        known = [interval for interval in every if interval]
        return min(known) if known else None

    # ---- a batch

    def _take(self, batch: Batch, size: int) -> None:
        now = self.now
        self.state.update(batch)
        self.recent.add(batch, self.state.traffic, now.steady_ns)
        counts = self.windows.current
        counts.size_bytes += size
        counts.frames += len(batch)
        damaged = [reject for reject in batch.rejects if _is_damaged(reject)]
        counts.damaged += len(damaged)
        self._count_bytes()
        self.satellites.update(batch.observations, now.steady_ns)
        judged = self._judged()
        numbers = batch.number.tolist()
        is_position = any(number in POSITION_NUMBERS for number in numbers)
        if is_position:
            self.position_at = now
        arrival = Arrival(
            size,
            len(damaged),
            tuple({s for s in batch.station.tolist() if s != NONE}) if numbers else (),
            bool(numbers),
            bool(numbers) and bool((batch.more_follow != NONE).any()),
            is_position,
            judged,
        )
        if judged or batch.messages:
            self._learn_intervals()
        self.outages.receive(now, arrival)
        self._fill_strips(batch, numbers, damaged, size)
        self._note_outages()
        if judged:
            self._note_set_changes()

    def _count_bytes(self) -> None:
        traffic = self.state.traffic
        foreign = traffic.foreign_so_far
        counts = self.windows.current
        counts.frame_bytes += traffic.frame_bytes - self._frame_bytes
        if foreign > self._foreign:
            counts.foreign_bytes += foreign - self._foreign
            self.strips.mark(strip_rows.FOREIGN, self.now.steady_ns, strip_rows.DAMAGED)
        self._foreign, self._frame_bytes = foreign, traffic.frame_bytes

    def _learn_intervals(self) -> None:
        table = self.state.messages.by_number
        others = [
            stats.interval_s
            for number, stats in table.items()
            if number not in OBSERVATION_NUMBERS and stats.interval_s and stats.count > 2
        ]
        self.outages.interval_s = self.recent.interval_s = self.interval_s
        self.strips.interval_s = self.interval_s
        self.outages.other_interval_s = min(others, default=None)

    def _judged(self) -> list[StationEpoch]:
        """Give the epochs that were judged, and those that are complete though not over."""
        found: list[StationEpoch] = []
        for station, tracker in self.state.trackers.items():
            if self._wanted not in {None, station}:
                continue
            epochs = tracker.take_judged()
            if tracker.complete:
                epochs.append(tracker.complete)
            if epochs:
                told_ms = self._reported.get(station, NONE)
                self._reported[station] = epochs[-1].timeline_ms
                new = (epoch for epoch in epochs if epoch.timeline_ms > told_ms)
                found.extend(self._station_epoch(station, tracker, epoch) for epoch in new)
        return found

    def _station_epoch(
        self, station: int, tracker: EpochTracker, epoch: JudgedEpoch
    ) -> StationEpoch:
        at = self.clock.moment(epoch.time_ms * 1_000_000)
        clock = self.state.clock
        gps_ms = clock.gps_ms_of_epoch(epoch.timeline_ms)
        delay_s = None
        if gps_ms is not None and self.has_arrivals:
            sent_utc_ns = gnss_time.utc_ns_from_gps_ms(gps_ms)
            delay_s = self.delays.of(at, sent_utc_ns, is_trusted=self.clock_trusted)
        if station == self.state.main_station:
            self._count_epoch(epoch, at, tracker.interval_ms, delay_s)
        is_late = self.clock_trusted and delay_s is not None and delay_s >= LATE_S
        return StationEpoch(station, epoch.timeline_ms, gps_ms, at, epoch.is_whole, is_late)

    def _count_epoch(
        self, epoch: JudgedEpoch, at: Moment, interval_ms: int | None, delay_s: float | None
    ) -> None:
        due, whole = self.gaps.add(epoch.timeline_ms, at, interval_ms, is_whole=epoch.is_whole)
        self.windows.current.due += due
        self.windows.current.whole += whole
        if delay_s is not None:
            self.delays.take(delay_s, epoch.timeline_ms, at)
            self.windows.delay(delay_s)
            shown_s = delay_s if self.clock_trusted else delay_s - (self.delays.least_s or 0.0)
            self.strips.digit(strip_rows.DELAY, at.steady_ns, shown_s)
        if epoch.is_whole:
            counts = self.satellites.counts(self.old_s)
            self.windows.satellites(sum(counts.values()))

    def _fill_strips(
        self, batch: Batch, numbers: list[int], damaged: list[Reject], size: int
    ) -> None:
        now_ns = self.now.steady_ns
        if size:
            self._filler.bytes_came(damaged, now_ns, self.interval_s)
        else:
            self._filler.damage(damaged, now_ns)
        for number, length in zip(numbers, batch.block.lengths.tolist(), strict=True):
            self.windows.message(number, length, now_ns)
        is_running = self.lacking is not Kind.NO_OBSERVATIONS
        table = self.state.messages.by_number
        self._filler.messages(batch, table, now_ns, is_running=is_running)

    # ---- events

    def _note_outages(self) -> None:
        for change in self.outages.take_changes():
            if not change.is_open:
                self._outage_end, self.last_outage = self.now, change
            self._outage_changes = [*self._outage_changes[-999:], change]
            row = change.row
            kind = Kind(row.kind)
            words, action = OUTAGE_WORDS[kind]
            key = f"outage:{kind.value}"
            if change.is_open:
                begin = Moment(
                    self.now.steady_ns - round(row.duration_s * NS_PER_S), row.start_utc_ns
                )
                self.events.begin(
                    begin, Condition(key, Rank.BAD, words, action), "outage", outage=kind.value
                )
                continue
            # One outage is open at a time; its kind may have become clearer since it opened.
            opened = next((e for e in self.events.open if e.key in OUTAGE_KEYS), None)
            if opened is not None:
                length_ns = round(row.duration_s * NS_PER_S)
                end = Moment(opened.start.steady_ns + length_ns, row.end_utc_ns)
                text = "" if opened.key == key else words
                over = not (change.goes_on and NOT_LISTENING in row.note)
                self.events.end(
                    end, opened.key, "outage", text, is_known_over=over, outage=kind.value
                )

    def _note_set_changes(self) -> None:
        for station, tracker in self.state.trackers.items():
            latest = tracker.changes[-1] if tracker.changes else None
            if latest is None or latest is self._last_set_change.get(station):
                continue
            self._last_set_change[station] = latest
            what = f"{latest.number} {title(latest.number)}"
            text = f"{what} left: absent for 60 s" if latest.left else f"{what} came"
            self.events.note(self.now, "set-change", text, number=latest.number)


def _is_damaged(reject: Reject) -> bool:
    """Tell whether a frame was due where a reject stands."""
    if reject.reason is RejectReason.LAYOUT:
        return True
    return reject.reason is RejectReason.CRC and is_known(reject.number)
