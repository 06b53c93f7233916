"""Sliding windows over the last 1, 10 and 60 minutes, and the whole session.

Counts are kept in buckets of 10 s, so memory is that of an hour whatever the stream; a window is
the bucket being filled and the full ones before it.
"""

from collections import deque
from dataclasses import dataclass, field
from itertools import islice
from math import sqrt

import numpy as np
import numpy.typing as npt

from rtcmtool.monitor.steady_clock import NS_PER_S

Integers = npt.NDArray[np.int64]

BUCKET_S = 10
WINDOWS_S = (60, 600, 3600)
SESSION = None  # in the place of the length of a window
MOST_TYPES = 64  # message numbers kept apart in a bucket
DELAY_STEP_S = 0.1
_LONGEST_DELAY_STEPS = 600  # a minute; more counts as that
_BUCKETS = WINDOWS_S[-1] // BUCKET_S
_BUCKET_NS = BUCKET_S * NS_PER_S
_STRENGTH_BUCKETS = WINDOWS_S[0] // BUCKET_S


@dataclass(slots=True)
class TypeCounts:
    """Messages of one number: count, bytes, and the steps between their arrivals in seconds."""

    count: int = 0
    size_bytes: int = 0
    steps: int = 0
    sum_s: float = 0.0
    squares_s2: float = 0.0
    longest_s: float = 0.0

    def add(self, other: "TypeCounts") -> None:
        """Count in what another has counted."""
        self.count += other.count
        self.size_bytes += other.size_bytes
        self.steps += other.steps
        self.sum_s += other.sum_s
        self.squares_s2 += other.squares_s2
        self.longest_s = max(self.longest_s, other.longest_s)

    @property
    def interval_s(self) -> float | None:
        """Mean step, s."""
        return self.sum_s / self.steps if self.steps else None

    @property
    def jitter_s(self) -> float | None:
        """Standard deviation of the steps, s."""
        if self.steps < 2:
            return None
        mean = self.sum_s / self.steps
        return sqrt(max(self.squares_s2 / self.steps - mean * mean, 0.0))


@dataclass(slots=True)
class Counts:
    """What came in a stretch of time.

    Attributes
    ----------
    seconds : float
        Its length; of a window that is not full yet what has passed.
    frames, damaged, size_bytes, frame_bytes, foreign_bytes : int
        Valid and damaged frames, all bytes, those in frames and those that are foreign.
    whole, due : int
        Epochs.
    delays : dict
        How often each delay was seen, in steps of `DELAY_STEP_S`.
    satellites, satellite_epochs : int
        Satellites summed over epochs, and the epochs.
    fewest, most : int
        Satellites of an epoch.
    types : dict
        Counts by message number.
    """

    seconds: float = 0.0
    frames: int = 0
    damaged: int = 0
    size_bytes: int = 0
    frame_bytes: int = 0
    foreign_bytes: int = 0
    whole: int = 0
    due: int = 0
    delay_sum_s: float = 0.0
    delays: dict[int, int] = field(default_factory=dict)
    satellites: int = 0
    satellite_epochs: int = 0
    fewest: int = 1 << 30
    most: int = 0
    types: dict[int, TypeCounts] = field(default_factory=dict)

    def add(self, other: "Counts") -> None:
        """Count in what another has counted; its length is left to the caller."""
        self.frames += other.frames
        self.damaged += other.damaged
        self.size_bytes += other.size_bytes
        self.frame_bytes += other.frame_bytes
        self.foreign_bytes += other.foreign_bytes
        self.whole += other.whole
        self.due += other.due
        self.delay_sum_s += other.delay_sum_s
        for step, count in other.delays.items():
            self.delays[step] = self.delays.get(step, 0) + count
        self.satellites += other.satellites
        self.satellite_epochs += other.satellite_epochs
        self.fewest = min(self.fewest, other.fewest)
        self.most = max(self.most, other.most)
        for number, counts in other.types.items():
            self.type(number).add(counts)

    def type(self, number: int) -> TypeCounts:
        """Give the counts of a number; a hostile stream's surplus numbers share one, -1."""
        counts = self.types.get(number)
        if counts is None:
            if len(self.types) >= MOST_TYPES:
                number = -1
            counts = self.types.setdefault(number, TypeCounts())
        return counts

    @property
    def frames_per_s(self) -> float:
        """Valid frames a second."""
        return self.frames / self.seconds if self.seconds else 0.0

    @property
    def bytes_per_s(self) -> float:
        """Bytes in valid and damaged frames and between them, a second."""
        return self.size_bytes / self.seconds if self.seconds else 0.0

    def air_load(self, rate_bit_s: float, overhead: float) -> float:
        """Give the share of each second that a radio of this rate must transmit."""
        return self.bytes_per_s * 8 * overhead / rate_bit_s

    @property
    def mean_delay_s(self) -> float | None:
        """Mean delay, s."""
        count = sum(self.delays.values())
        return self.delay_sum_s / count if count else None

    def delay_within_s(self, part: float) -> float | None:
        """Give the delay that a part (0 to 1) of the epochs does not exceed, s."""
        needed = part * sum(self.delays.values())
        seen = 0
        for step in sorted(self.delays):
            seen += self.delays[step]
            if seen >= needed:
                return (step + 1) * DELAY_STEP_S
        return None

    @property
    def mean_satellites(self) -> float | None:
        """Mean number of satellites of an epoch."""
        return self.satellites / self.satellite_epochs if self.satellite_epochs else None


class Windows:
    """Counts of a stream over sliding windows.

    Parameters
    ----------
    start_ns : int
        When listening began, on the steady axis.
    """

    def __init__(self, start_ns: int) -> None:
        self._start_ns = self._now_ns = start_ns
        self._bucket_ns = start_ns
        self._current = Counts()
        self._full: deque[Counts] = deque(maxlen=_BUCKETS)
        self._session = Counts()
        self._last_ns: dict[int, int] = {}
        self._sums: dict[int, Counts] = {}  # of full buckets, by length; until the next is full
        self._strengths: deque[Integers] = deque(maxlen=_STRENGTH_BUCKETS)

    def tick(self, now_ns: int, strengths: Integers | None = None) -> None:
        """Let time pass.

        Parameters
        ----------
        now_ns : int
            Now, on the steady axis.
        strengths : ndarray of int64, optional
            How often each strength was seen since the start, by system and signal; kept once a
            bucket.
        """
        self._now_ns = max(now_ns, self._now_ns)
        behind = (self._now_ns - self._bucket_ns) // _BUCKET_NS
        if not behind:
            return
        for _ in range(min(behind, _BUCKETS + 1)):
            self._current.seconds = float(BUCKET_S)
            self._session.add(self._current)
            self._full.append(self._current)
            self._current = Counts()
            if strengths is not None:
                self._strengths.append(strengths.copy() if behind == 1 else strengths)
        self._bucket_ns += behind * _BUCKET_NS
        self._sums.clear()

    def is_full(self, now_ns: int) -> bool:
        """Tell whether the bucket being filled is over: the next tick then keeps the strengths."""
        return now_ns - self._bucket_ns >= _BUCKET_NS

    @property
    def current(self) -> Counts:
        """The bucket that is being filled: count into it."""
        return self._current

    def message(self, number: int, size_bytes: int, now_ns: int) -> None:
        """Count a message that came now."""
        counts = self._current.type(number)
        counts.count += 1
        counts.size_bytes += size_bytes
        last_ns = self._last_ns.get(number)
        if last_ns is not None:
            step_s = (now_ns - last_ns) / NS_PER_S
            counts.steps += 1
            counts.sum_s += step_s
            counts.squares_s2 += step_s * step_s
            counts.longest_s = max(counts.longest_s, step_s)
        elif len(self._last_ns) >= MOST_TYPES:
            return
        self._last_ns[number] = now_ns

    def delay(self, delay_s: float) -> None:
        """Count the delay of an epoch, s."""
        counts = self._current
        step = min(max(int(delay_s / DELAY_STEP_S), -1), _LONGEST_DELAY_STEPS)
        counts.delays[step] = counts.delays.get(step, 0) + 1
        counts.delay_sum_s += delay_s

    def clock_set(self) -> None:
        """Tell that the computer's clock has stepped: delays before are not comparable."""
        self._sums.clear()
        for counts in (self._session, self._current, *self._full):
            counts.delays.clear()
            counts.delay_sum_s = 0.0

    def satellites(self, count: int) -> None:
        """Count the satellites of an epoch."""
        counts = self._current
        counts.satellites += count
        counts.satellite_epochs += 1
        counts.fewest = min(counts.fewest, count)
        counts.most = max(counts.most, count)

    def pause(self) -> None:
        """Tell that we are not watching: the time till the next message is no gap."""
        self._last_ns.clear()

    def over(self, seconds: int | None = SESSION) -> Counts:
        """Give the counts of a window of so many seconds, or of the whole session.

        The longest step of each type may be one that has not ended yet.
        """
        found = Counts()
        if seconds is SESSION:
            found.add(self._session)
            passed_ns = self._now_ns - self._start_ns
        else:
            found.add(self._sum(seconds // BUCKET_S))
            length = min(seconds // BUCKET_S, len(self._full)) * _BUCKET_NS
            passed_ns = length + self._now_ns - self._bucket_ns
        found.add(self._current)
        found.seconds = passed_ns / NS_PER_S
        for number, last_ns in self._last_ns.items():  # those that stay away are told too
            counts = found.type(number)
            counts.longest_s = max(counts.longest_s, (self._now_ns - last_ns) / NS_PER_S)
        return found

    def _sum(self, buckets: int) -> Counts:
        """Add up the latest full buckets, once."""
        known = self._sums.get(buckets)
        if known is None:
            known = self._sums[buckets] = Counts()
            for counts in islice(reversed(self._full), buckets):
                known.add(counts)
        return known

    def recent_strengths(self, strengths: Integers) -> Integers:
        """Give how often each strength was seen in the last minute, as `strengths` has it."""
        return strengths - self._strengths[0] if self._strengths else strengths


def median_strength(counts: Integers) -> float | None:
    """Give the median of strengths counted in bins of 1 dB-Hz, between the bins by their share.

    Parameters
    ----------
    counts : ndarray of int64, shape (bins,)
        How often each strength was seen; a bin holds values from its number up to the next.

    Examples
    --------
    >>> median_strength(np.array([0, 0, 4, 0])), median_strength(np.array([0, 1, 2, 1]))
    (2.5, 2.5)
    """
    total = int(counts.sum())
    if not total:
        return None
    passed = np.cumsum(counts)
    place = int(np.searchsorted(passed, total / 2))
    before = int(passed[place - 1]) if place else 0
    return place + (total / 2 - before) / int(counts[place])
