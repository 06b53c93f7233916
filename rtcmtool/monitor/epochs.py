"""Observation epochs: which are whole, which are missing, how long the gaps are.

Definitions (design, epochs and outages): a message type is in the set when it came in at least 80 %
of the last 60 epochs, and leaves it when absent for 60 s. An epoch is whole when every type of the
set is there and the last multiple-message flag is 0. The interval is the median step of the last 60
epochs.
"""

from collections import Counter, deque
from copy import copy
from dataclasses import dataclass, field

WINDOW = 60  # epochs over which the set and the interval are taken
SET_SHARE = 0.8
LEAVES_AFTER_MS = 60_000
SET_BACK_MS = 60_000  # epochs so far behind, and so many in a row: the base's time was set back
SET_BACK_EPOCHS = 3
MOST_CHANGES = 1000  # of the set that are kept
MOST_UNTOLD = 1000  # judged epochs kept for whoever follows a stream live
_MISSED_AT_END = 3  # epochs: an outage (design, epochs and outages)
_ENOUGH = 5  # epochs before anything is judged


@dataclass(slots=True)
class Epoch:
    """One epoch on its way.

    Attributes
    ----------
    timeline_ms : int
        Epoch on the batches' timeline.
    time_ms : int
        When its last message came, on the stream's clock.
    satellites : dict
        Satellites by message number.
    two_bands : int
        Satellites with code and phase on two bands.
    closed : bool
        Whether the last message's flag says that nothing follows.
    """

    timeline_ms: int
    time_ms: int
    satellites: dict[int, int] = field(default_factory=dict)
    two_bands: int = 0
    closed: bool = False


@dataclass(frozen=True, slots=True)
class SetChange:
    """A message type that left the set, or came back."""

    time_ms: int
    number: int
    left: bool


@dataclass(frozen=True, slots=True)
class JudgedEpoch:
    """An epoch that is over, or complete: its time on both axes, and whether it was whole."""

    timeline_ms: int
    time_ms: int
    is_whole: bool


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch between two whole epochs.

    Attributes
    ----------
    begin_ms, end_ms : int
        The whole epochs before and after, on the timeline.
    """

    begin_ms: int
    end_ms: int

    @property
    def seconds(self) -> float:
        """Length, s."""
        return (self.end_ms - self.begin_ms) / 1000


class EpochTracker:
    """Follows the epochs of one station.

    Attributes
    ----------
    due, came, whole, closed, repeated : int
        Epochs due by the interval, seen, whole, ended by a flag of 0, and received twice.
    first_bad_ms : int or None
        When the first epoch that is not whole came, on the stream's clock.
    types : set of int
        Message types in the set.
    total, two_bands : Counter
        How many epochs had so many satellites, and so many with two bands.
    by_type : dict of Counter
        The same by message number.
    """

    def __init__(self) -> None:
        self.due = self.came = self.whole = self.closed = self.repeated = 0
        self._longest: Gap | None = None
        self.first_bad_ms: int | None = None
        self.types: set[int] = set()
        self.changes: list[SetChange] = []
        self.total: Counter[int] = Counter()
        self.two_bands: Counter[int] = Counter()
        self.by_type: dict[int, Counter[int]] = {}
        self._open: Epoch | None = None
        self._waiting: list[Epoch] = []  # before enough is known to judge
        self._recent: deque[frozenset[int]] = deque(maxlen=WINDOW)
        self._steps: deque[int] = deque(maxlen=WINDOW)
        self._last_seen: dict[int, int] = {}
        self._last: int | None = None
        self._last_whole: int | None = None
        self._again: deque[int] = deque(maxlen=WINDOW)  # epochs that came again
        self._previous_ms: int | None = None
        self._previous_time_ms: int | None = None
        self._judged = 0
        self._fallen: list[int] = []  # epochs far before the open one, rising
        self._told: deque[JudgedEpoch] = deque(maxlen=MOST_UNTOLD)
        self._is_resumed = False
        self._silent_ms = 0  # before the first epoch since we listen again

    @property
    def interval_ms(self) -> int | None:
        """Median step of the last epochs, ms; None before two have come."""
        steps = sorted(self._steps)
        if not steps:
            return None
        middle = len(steps) // 2
        return steps[middle] if len(steps) % 2 else round((steps[middle - 1] + steps[middle]) / 2)

    @property
    def latest_ms(self) -> int | None:
        """Latest epoch on the timeline."""
        return self._open.timeline_ms if self._open else self._last

    @property
    def longest(self) -> Gap | None:
        """The longest step from one whole epoch to the next, one that is still open included."""
        if self._last_whole is None or self._previous_ms is None:
            return self._longest
        still_open = Gap(self._last_whole, self._previous_ms)
        if self._longest is None:
            return still_open if still_open.seconds > 0 else None
        return max(self._longest, still_open, key=lambda gap: gap.seconds)

    def take_judged(self) -> list[JudgedEpoch]:
        """Give the epochs judged since the last call, the latest `MOST_UNTOLD` at most."""
        judged = list(self._told)
        self._told.clear()
        return judged

    @property
    def complete(self) -> JudgedEpoch | None:
        """The epoch that is coming, once nothing is missing of it: live it is good at once."""
        epoch = self._open
        if epoch is None or not (self._judged and epoch.closed):
            return None
        if not self.types <= epoch.satellites.keys():
            return None
        return JudgedEpoch(epoch.timeline_ms, epoch.time_ms, is_whole=True)

    def with_changes_since(self, begin_ms: int) -> "EpochTracker":
        """Give a copy with the set changes since a time, and those of types that are still gone."""
        late = copy(self)
        late.changes = [
            change
            for change in self.changes
            if change.time_ms >= begin_ms or (change.left and change.number not in self.types)
        ]
        return late

    def add(
        self, timeline_ms: int, time_ms: int, number: int, closed: bool, satellites: int, bands: int
    ) -> None:
        """Take one observation message.

        Parameters
        ----------
        timeline_ms : int
            Its epoch.
        time_ms : int
            When it came, on the stream's clock.
        number : int
            Message number.
        closed : bool
            Whether its flag says that no more of this epoch follows.
        satellites, bands : int
            Its satellites, and those with code and phase on two bands.
        """
        epoch = self._open
        if epoch is None or timeline_ms > epoch.timeline_ms:
            if epoch is not None:
                self._end(epoch)
            epoch = self._open = Epoch(timeline_ms, time_ms)
        elif self._is_set_back(timeline_ms):
            self._begin_anew(epoch)
            epoch = self._open = Epoch(timeline_ms, time_ms)
        elif timeline_ms < epoch.timeline_ms or (number in epoch.satellites and epoch.closed):
            if timeline_ms not in self._again:  # an epoch that was over comes again
                self._again.append(timeline_ms)
                self.repeated += 1
            return
        epoch.satellites[number] = epoch.satellites.get(number, 0) + satellites
        epoch.two_bands += bands
        epoch.closed = closed
        epoch.time_ms = time_ms

    def _is_set_back(self, timeline_ms: int) -> bool:
        """Tell whether the base's time was set back, rather than single epochs coming again."""
        assert self._open is not None
        if timeline_ms >= self._open.timeline_ms - SET_BACK_MS:
            self._fallen.clear()
            return False
        if not self._fallen or timeline_ms > self._fallen[-1]:
            self._fallen.append(timeline_ms)
        return len(self._fallen) >= SET_BACK_EPOCHS

    def _begin_anew(self, epoch: Epoch) -> None:
        """End the epochs before the base's time was set back; no gap leads over it."""
        self._end(epoch)
        self.repeated -= sum(fallen in self._again for fallen in self._fallen)
        self._forget_last()

    def _forget_last(self) -> None:
        """Let no gap lead from what came to what comes."""
        self._fallen.clear()
        self._longest = self.longest
        self._last = self._previous_ms = self._last_whole = None
        self._last_seen.clear()

    def finish(self, end_ms: int | None = None) -> None:
        """Tell that the stream ends: a last epoch that was cut is not held against it.

        Parameters
        ----------
        end_ms : int, optional
            When the listening ended, on the stream's clock: epochs that were due until then are
            missing when there are three of them.
        """
        if self._open is not None and (self._open.closed or self.came < _ENOUGH):
            self._end(self._open)
            self._open = None
        self._judge_waiting()
        if end_ms is not None and self._previous_time_ms is not None:
            self._miss(end_ms - self._previous_time_ms)

    def pause(self, before_ms: int, after_ms: int) -> None:
        """Tell that nobody listened for a while: what was due then is not missing.

        Parameters
        ----------
        before_ms, after_ms : int
            How long nothing came before the listening ended, and after it began again: what was due
            then is missing when there are three epochs of it.
        """
        if self._open is not None and self._open.closed:
            self._end(self._open)
        self._open = None  # one that is not closed was cut by our own end
        self._judge_waiting()
        self._miss(before_ms)
        self._forget_last()
        self._is_resumed, self._silent_ms = True, after_ms

    def _miss(self, silent_ms: int) -> None:
        """Count what was due while nothing came any more."""
        interval, latest_ms = self.interval_ms, self._previous_time_ms
        if not interval or latest_ms is None or self._previous_ms is None:
            return
        missed = silent_ms // interval
        if missed < _MISSED_AT_END:
            return
        self.due += missed
        if self.first_bad_ms is None:
            self.first_bad_ms = latest_ms
        if self._last_whole is not None:
            self._note_gap(Gap(self._last_whole, self._previous_ms + silent_ms))

    def _miss_before(self, epoch: Epoch) -> None:
        """Count what was due before the first epoch since we listen again."""
        interval, silent_ms = self.interval_ms, self._silent_ms
        self._is_resumed, self._silent_ms = False, 0
        if not interval or silent_ms // interval < _MISSED_AT_END:
            return
        self.due += silent_ms // interval
        if self.first_bad_ms is None:
            self.first_bad_ms = epoch.time_ms - silent_ms
        self._note_gap(Gap(epoch.timeline_ms - silent_ms, epoch.timeline_ms))

    def _note_gap(self, gap: Gap) -> None:
        self._longest = max(filter(None, (self._longest, gap)), key=lambda each: each.seconds)

    def _end(self, epoch: Epoch) -> None:
        if self._last is not None:
            self._steps.append(epoch.timeline_ms - self._last)
        self._last = epoch.timeline_ms
        self.came += 1
        self.closed += epoch.closed
        self._recent.append(frozenset(epoch.satellites))
        self._waiting.append(epoch)
        if len(self._recent) >= _ENOUGH:
            self._judge_waiting()

    def _judge_waiting(self) -> None:
        if len(self._waiting) > 1 or (self._waiting and self._judged):
            self._update_set()
        for epoch in self._waiting:
            self._judge(epoch)
        self._waiting.clear()

    def _update_set(self) -> None:
        if all(seen <= self.types for seen in self._recent):
            return  # as nearly always: there is none that could come
        counts = Counter(number for seen in self._recent for number in seen)
        needed = SET_SHARE * len(self._recent)
        seen_ms = self._last_seen | {
            number: epoch.timeline_ms for epoch in self._waiting for number in epoch.satellites
        }
        # Of slow epochs the last 60 may lie long before: what has left must not come back by them.
        oldest_ms = self._waiting[-1].timeline_ms - LEAVES_AFTER_MS
        for number, count in counts.items():
            is_here = seen_ms.get(number, oldest_ms) >= oldest_ms
            if count >= needed and is_here and number not in self.types:
                self.types.add(number)
                if self._judged:
                    self._note_change(self._waiting[-1].time_ms, number, left=False)

    def _note_change(self, time_ms: int, number: int, *, left: bool) -> None:
        if len(self.changes) < MOST_CHANGES:
            self.changes.append(SetChange(time_ms, number, left))

    def _judge(self, epoch: Epoch) -> None:
        now = epoch.timeline_ms
        for number in epoch.satellites:
            self._last_seen[number] = now
        for number in [
            n for n in self.types if now - self._last_seen.get(n, now) > LEAVES_AFTER_MS
        ]:
            self.types.discard(number)
            self._note_change(epoch.time_ms, number, left=True)
        whole = epoch.closed and self.types <= epoch.satellites.keys()
        first = self._judged == 0 or self._is_resumed
        self._judged += 1
        if self._is_resumed:
            self._miss_before(epoch)
        if first and not whole:
            return  # we came in the middle of it
        self._told.append(JudgedEpoch(now, epoch.time_ms, whole))
        self._count(epoch, whole, first)
        if not whole:
            if self.first_bad_ms is None:
                self.first_bad_ms = epoch.time_ms
            return
        if self._last_whole is not None:
            gap = Gap(self._last_whole, now)
            if self._longest is None or gap.seconds > self._longest.seconds:
                self._longest = gap
        self._last_whole = now

    def _count(self, epoch: Epoch, whole: bool, first: bool) -> None:
        missed = 0
        interval = self.interval_ms
        if not first and interval and self._previous_ms is not None:
            missed = max(round((epoch.timeline_ms - self._previous_ms) / interval) - 1, 0)
        if missed and self.first_bad_ms is None:
            self.first_bad_ms = self._previous_time_ms
        self._previous_ms, self._previous_time_ms = epoch.timeline_ms, epoch.time_ms
        self.due += 1 + missed
        self.whole += whole
        self.total[sum(epoch.satellites.values())] += 1
        self.two_bands[epoch.two_bands] += 1
        for number, satellites in epoch.satellites.items():
            self.by_type.setdefault(number, Counter())[satellites] += 1


def typical(counter: Counter[int]) -> float | None:
    """Give the median of counted values; None of nothing."""
    size = sum(counter.values())
    if not size:
        return None
    seen = 0
    for value in sorted(counter):
        seen += counter[value]
        if 2 * seen >= size:
            return float(value)
    return None
