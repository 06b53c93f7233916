"""Per message number: how many, how often, how long not."""

from collections import Counter, deque
from dataclasses import dataclass, field
from statistics import median

import numpy as np
import numpy.typing as npt

from rtcmtool.wire.decoding import NONE, Batch

Integers = npt.NDArray[np.int64]

WINDOW = 60  # intervals over which the usual one is taken
MOST_STEPS = 4096  # different steps from epoch to epoch that are kept apart


@dataclass(slots=True)
class MessageStats:
    """What is known of one message number.

    Attributes
    ----------
    count, size_bytes : int
        Messages, and the bytes of their frames.
    first_ms, last_ms : int or None
        First and latest time on the stream's clock; None where no message came at a known time.
    first_epoch_ms, last_epoch_ms : int or None
        First and latest epoch on the batches' timeline, for messages that carry one.
    untimed : int
        Messages before the first epoch of a stream without arrival times.
    longest_ms : int
        Longest time from one to the next.
    steps_ms : Counter
        How often each step from epoch to epoch was seen, for messages that carry one.
    """

    count: int = 0
    size_bytes: int = 0
    first_ms: int | None = None
    last_ms: int | None = None
    first_epoch_ms: int | None = None
    last_epoch_ms: int | None = None
    untimed: int = 0
    longest_ms: int = 0
    intervals_ms: deque[int] = field(default_factory=lambda: deque(maxlen=WINDOW))
    steps_ms: Counter[int] = field(default_factory=Counter)
    _is_resumed: bool = field(default=False, repr=False, compare=False)
    _usual_s: float | None = field(default=None, repr=False, compare=False)  # None: not asked
    _last_own_ms: int | None = field(default=None, repr=False, compare=False)

    @property
    def interval_s(self) -> float | None:
        """Usual time from one to the next, s; None before two have come."""
        if self._usual_s is None and self.intervals_ms:
            self._usual_s = median(self.intervals_ms) / 1000
        return self._usual_s

    @property
    def sent_every_s(self) -> float | None:
        """Time from one to the next when none is lost, s; None before two have come.

        Of messages that carry an epoch a step may only be too long: the shorter ones tell how
        often they are sent, until three in four are lost.
        """
        if self.last_epoch_ms is None or not self.intervals_ms:
            return self.interval_s
        return sorted(self.intervals_ms)[len(self.intervals_ms) // 4] / 1000

    @property
    def missed(self) -> int:
        """Messages that were due by the usual interval and did not come; epochs decide."""
        usual = median(self.intervals_ms) if self.intervals_ms else 0
        if usual <= 0:
            return 0
        return sum(max(round(step / usual) - 1, 0) * count for step, count in self.steps_ms.items())

    def add(
        self,
        times_ms: Integers,
        epochs_ms: Integers,
        lengths: Integers,
        own_ms: Integers | None = None,
    ) -> None:
        """Take the next messages.

        Parameters
        ----------
        times_ms : ndarray of int64, shape (n,)
            When they came, on the stream's clock; -1 where that is not known.
        epochs_ms : ndarray of int64, shape (n,)
            Their own epochs on the batches' timeline; -1 for messages without.
        lengths : ndarray of int64, shape (n,)
            Bytes of their frames.
        own_ms : ndarray of int64, shape (n,), optional
            When they came, on the stream's own time (`OwnTime`); None where that is `times_ms`.
        """
        self.count += len(times_ms)
        self.size_bytes += int(lengths.sum())
        times, epochs = times_ms[times_ms >= 0], epochs_ms[epochs_ms >= 0]
        self.untimed += len(times_ms) - len(times)
        # Messages with an epoch are timed by it: a late arrival is no longer interval.
        if len(epochs):
            # Parts of one epoch, and epochs that come again, are no step.
            steps = _steps(epochs, None if self._is_resumed else self.last_epoch_ms)
            self._add_steps(steps[steps > 0])
            self._count_steps(steps[steps > 0])
        else:
            steps = _steps(times, None if self._is_resumed else self.last_ms)
            own = times if own_ms is None else own_ms[times_ms >= 0]
            usual = _own_steps(steps, _steps(own, None if self._is_resumed else self._last_own_ms))
            self._add_steps(steps, usual)
            self._last_own_ms = int(own[-1]) if len(own) else self._last_own_ms
        self._is_resumed = self._is_resumed and not len(times) and not len(epochs)
        if len(times):
            self.first_ms = int(times[0]) if self.first_ms is None else self.first_ms
            self.last_ms = int(times[-1])
        if len(epochs):
            first = self.first_epoch_ms
            self.first_epoch_ms = int(epochs[0]) if first is None else first
            self.last_epoch_ms = int(epochs[-1])

    def add_one(self, time_ms: int, epoch_ms: int, length: int, own_ms: int | None = None) -> None:
        """Take the next message alone, as `add` does."""
        self.count += 1
        self.size_bytes += length
        if epoch_ms >= 0:
            before_ms = None if self._is_resumed else self.last_epoch_ms
            step_ms = None if before_ms is None else epoch_ms - before_ms
            if step_ms is not None and step_ms > 0:
                self._add_step(step_ms)
                if step_ms in self.steps_ms or len(self.steps_ms) < MOST_STEPS:
                    self.steps_ms[step_ms] += 1
            if self.first_epoch_ms is None:
                self.first_epoch_ms = epoch_ms
            self.last_epoch_ms = epoch_ms
        elif time_ms >= 0:
            own_ms = time_ms if own_ms is None else own_ms
            last_ms = None if self._is_resumed else self.last_ms
            if last_ms is not None and self._last_own_ms is not None:
                step_ms, usual_ms = time_ms - last_ms, own_ms - self._last_own_ms
                self._add_step(step_ms, usual_ms if usual_ms > 0 else step_ms)
            self._last_own_ms = own_ms
        self._is_resumed = self._is_resumed and epoch_ms < 0 and time_ms < 0
        if time_ms < 0:
            self.untimed += 1
            return
        self.first_ms = time_ms if self.first_ms is None else self.first_ms
        self.last_ms = time_ms

    def pause(self, begin_ms: int) -> None:
        """Tell that nobody listens from then on."""
        if self.last_ms is not None and self.last_epoch_ms is None:
            self.longest_ms = max(self.longest_ms, begin_ms - self.last_ms)

    def resume(self, end_ms: int) -> None:
        """Tell that somebody listens again since then: no step leads over it."""
        if self.last_ms is not None:
            self.last_ms, self._is_resumed = end_ms, True

    def _add_step(self, step_ms: int, usual_ms: int | None = None) -> None:
        self.longest_ms = max(self.longest_ms, step_ms)
        self.intervals_ms.append(step_ms if usual_ms is None else usual_ms)
        self._usual_s = None

    def _add_steps(self, steps: Integers, usual: Integers | None = None) -> None:
        if len(steps):
            self.longest_ms = max(self.longest_ms, int(steps.max()))
            self.intervals_ms.extend((steps if usual is None else usual)[-WINDOW:].tolist())
            self._usual_s = None

    def _count_steps(self, steps: Integers) -> None:
        values, counts = np.unique(steps, return_counts=True)
        for step, count in zip(values.tolist(), counts.tolist(), strict=True):
            if step in self.steps_ms or len(self.steps_ms) < MOST_STEPS:
                self.steps_ms[step] += count


def _steps(times: Integers, before: int | None) -> Integers:
    """Give the differences of times, from the one before them on."""
    return np.diff(times if before is None else np.concatenate(([before], times)))


def _own_steps(steps: Integers, own_steps: Integers) -> Integers:
    """Give the steps on the stream's own time; where those lead back, the others."""
    if len(own_steps) != len(steps):
        return steps
    return np.where(own_steps > 0, own_steps, steps)


class OwnTime:
    """The stream's own time of messages without an epoch.

    It is the latest epoch before them, and what has passed on the clock since that epoch came: so
    what was held back and then arrives all at once keeps its intervals, and what comes without
    observations still has a time.
    """

    def __init__(self) -> None:
        self._latest_ms = NONE
        self._first_offset_ms: int | None = None  # of the first epoch to the clock
        self._shift_ms = 0  # how the latest epoch lies otherwise than the first one

    def of(self, batch: Batch, times_ms: Integers) -> Integers:
        """Give the own time of each frame of a batch; before the first epoch that of the clock.

        Parameters
        ----------
        batch : Batch
            The next frames of the stream.
        times_ms : ndarray of int64, shape (n_frames,)
            When they came, on the stream's clock; -1 where that is not known.
        """
        epochs = np.where(batch.more_follow != NONE, batch.timeline_ms, NONE)
        latest = np.maximum.accumulate(np.concatenate(([self._latest_ms], epochs)))
        first = np.flatnonzero((latest[1:] > latest[:-1]) & (times_ms >= 0))  # frames of new epochs
        offsets = epochs[first] - times_ms[first]
        if self._first_offset_ms is None and len(first):
            self._first_offset_ms = int(offsets[0])
        shifts = np.concatenate(([self._shift_ms], offsets - (self._first_offset_ms or 0)))
        shift = shifts[np.searchsorted(first, np.arange(len(batch)), side="right")]
        self._latest_ms, self._shift_ms = int(latest[-1]), int(shift[-1])
        return np.where(times_ms >= 0, times_ms + shift, NONE)


class MessageTable:
    """The message numbers of a stream.

    Attributes
    ----------
    by_number : dict
        Stats by message number; -1 collects frames without one.
    """

    def __init__(self) -> None:
        self.by_number: dict[int, MessageStats] = {}
        self._own_time = OwnTime()

    def update(self, batch: Batch, times_ms: Integers) -> None:
        """Take a batch and the times of its frames, shape (n_frames,)."""
        if not len(batch):
            return
        own_ms = self._own_time.of(batch, times_ms)
        if len(batch) == 1:  # as nearly always where a stream comes piece by piece
            stats = self.by_number.setdefault(int(batch.number[0]), MessageStats())
            length = int(batch.block.lengths[0])
            stats.add_one(int(times_ms[0]), int(batch.timeline_ms[0]), length, int(own_ms[0]))
            return
        order = np.argsort(batch.number, kind="stable")
        numbers, first = np.unique(batch.number[order], return_index=True)
        for number, frames in zip(numbers.tolist(), np.split(order, first[1:]), strict=True):
            stats = self.by_number.setdefault(number, MessageStats())
            lengths = batch.block.lengths[frames]
            stats.add(times_ms[frames], batch.timeline_ms[frames], lengths, own_ms[frames])

    def pause(self, begin_ms: int) -> None:
        """Tell that nobody listens from then on, on the stream's clock."""
        for stats in self.by_number.values():
            stats.pause(begin_ms)

    def resume(self, end_ms: int) -> None:
        """Tell that somebody listens again since then, on the stream's clock."""
        for stats in self.by_number.values():
            stats.resume(end_ms)
