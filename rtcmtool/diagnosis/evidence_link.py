"""How a stream lost what it lost: by the length of the frames, by whole seconds, with restarts.

Loss that grows with the length of the frames is a weak radio path (a frame of n bits survives bit
errors with the chance (1-p)^n); whole seconds that are missing are a busy channel or power.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from rtcmtool.monitor.air_loss import CLASSES, AirLoss
from rtcmtool.monitor.stream_state import StreamState
from rtcmtool.wire.decoding import NONE, Batch

Integers = npt.NDArray[np.int64]

STATIC_NUMBERS = (1005, 1006, 1007, 1008, 1013, 1033, 1230)  # sent at even intervals
SILENCE_S = 15.0  # without a whole epoch: more than a busy second (rule bytes_arrive)
_MEAN_OVER = 20  # epochs of a mean delay (rule delay)
_FEWEST_LOST = 8  # to tell bursts from chance
RESTART_TAKES_S = 16.0  # a receiver finds its satellites one after the other: judgement
_RESTART_WINDOW_MS = int(1000 * RESTART_TAKES_S)
LONGER_SIGMAS, LONGER_SHARE = 2.5, 0.05
_MOST_FRAMES = 3_000_000
_FEW_EPOCHS = 0.2  # of the base's: too few to tell from when to when was listened
_LAST_SHARE, _OTHERS_SHARE = 0.05, 0.1
_OFTEN = 0.3  # of the epochs: what is seldomer is not sent each epoch
_OUTAGE_INTERVALS, _OUTAGE_MS = 3, 5_000


@dataclass(slots=True)
class LinkRecord:
    """Keeps number, station, epoch, arrival and length of every frame of a stream.

    Parameters
    ----------
    keeps_frames : bool
        Also keep the bytes, to be matched with another end.
    """

    keeps_frames: bool = False
    frames: list[bytes] = field(default_factory=list, repr=False)
    _parts: list[Integers] = field(default_factory=list, repr=False)
    _count: int = 0
    _pauses: list[int] = field(default_factory=list, repr=False)  # frames before each

    def update(self, batch: Batch) -> None:
        """Take the next batch."""
        if not len(batch) or self._count > _MOST_FRAMES:
            return
        self._count += len(batch)
        arrival = np.where(batch.arrival_utc_ns == NONE, NONE, batch.arrival_utc_ns // 1_000_000)
        self._parts.append(
            np.stack(
                (
                    batch.number, batch.station, batch.timeline_ms, arrival,
                    batch.block.lengths, batch.more_follow.astype(np.int64),
                )
            ).astype(np.int64)
        )  # fmt: skip
        if self.keeps_frames:
            self.frames += [frame.data for frame in batch.block.frames()]

    def pause(self) -> None:
        """Tell that nobody listened for a while: what was due then is not missing."""
        self._pauses.append(self._count)

    def before_pauses(self, times_ms: Integers) -> Integers:
        """Give which of some epochs, rising, were the last before nobody listened."""
        epochs = self.table[2]
        last_ms = [int(epochs[:count].max(initial=NONE)) for count in self._pauses]
        places = np.searchsorted(times_ms, np.array(last_ms, np.int64), side="right") - 1
        return np.unique(places[(places >= 0) & (places < len(times_ms) - 1)])

    @property
    def table(self) -> Integers:
        """Rows number, station, timeline ms, arrival ms, length, more follow; shape (6, n)."""
        return np.concatenate(self._parts, axis=1) if self._parts else np.zeros((6, 0), np.int64)

    @property
    def epochs(self) -> int:
        """How many epochs any message came of."""
        times = self.table[2]
        return len(np.unique(times[times != NONE]))

    def arrivals_s(self) -> list[float]:
        """Give every frame its arrival, s; all are 0 where none is known."""
        return [max(float(time), 0.0) / 1000 for time in self.table[3]]

    def times_s(self) -> list[float]:
        """Give every frame the time of the latest epoch before it, s."""
        epochs = self.table[2]
        if not len(epochs):
            return []
        first = int(epochs[epochs != NONE][0]) if self.epochs else 0
        carried = np.maximum.accumulate(np.where(epochs == NONE, first, epochs))
        return [float(time) / 1000 for time in carried]


@dataclass(frozen=True, slots=True)
class LengthLoss:
    """Frames of a class of lengths that were due, and those that came."""

    label: str
    due: int
    came: int

    @property
    def lost(self) -> int:
        """Frames that did not come."""
        return max(self.due - self.came, 0)

    @property
    def share(self) -> float:
        """Share that was lost."""
        return self.lost / self.due if self.due else 0.0


@dataclass(frozen=True, slots=True)
class LinkPattern:
    """What a stream lost, and how.

    Attributes
    ----------
    due, came, whole : int
        Epochs of the judged station.
    frames, damaged : int
        Valid frames, and those whose check sum failed.
    classes : tuple of LengthLoss
        Frames by length, whole lost seconds included.
    gaps : int
        Stretches without any message of an epoch.
    bunching : float
        How much likelier a second was lost after a lost one; 0 where too few were lost.
    silence_s, silence_ms : float, int or None
        The longest of these stretches that no restart explains, and where it begins (timeline).
    restarts, tied_restarts : int
        Restarts of the base, and those that come behind a gap.
    lag_growth_s : float or None
        How much later than at its best the stream came, mean of 20 epochs; None without arrivals.
    first_ms, last_ms : int or None
        First and last epoch, timeline.
    longest_frame : int
        Bytes of the longest observation frame that came.
    gap_times_ms : tuple of (int, int)
        Begin and end of each gap of at least 3 intervals and 5 s (an outage), timeline.
    last_missing, others_missing : int
        Epochs that came without the message that ends them, and other messages that were missing.
    """

    due: int
    came: int
    whole: int
    frames: int
    damaged: int
    classes: tuple[LengthLoss, ...]
    gaps: int
    bunching: float
    silence_s: float
    silence_ms: int | None
    restarts: int
    tied_restarts: int
    lag_growth_s: float | None
    first_ms: int | None
    last_ms: int | None
    longest_frame: int
    gap_times_ms: tuple[tuple[int, int], ...] = ()
    last_missing: int = 0
    others_missing: int = 0

    @property
    def lost_whole(self) -> int:
        """Epochs of which nothing came."""
        return max(self.due - self.came, 0)

    @property
    def lost_part(self) -> int:
        """Epochs of which a part came."""
        return max(self.came - self.whole, 0)

    @property
    def damaged_share(self) -> float:
        """Share of the frames that was damaged."""
        total = self.frames + self.damaged
        return self.damaged / total if total else 0.0

    @property
    def loses(self) -> bool:
        """Whether it lost so much that the way to here is not clean (rules of `check`)."""
        return self.damaged_share >= 0.01 or (self.due > 0 and self.whole < 0.95 * self.due)

    @property
    def loses_last(self) -> bool:
        """Whether the last messages of epochs are lost, and hardly any other."""
        often = self.last_missing >= max(_FEWEST_LOST, _LAST_SHARE * self.came)
        return often and self.others_missing <= _OTHERS_SHARE * self.last_missing

    @property
    def long_lost_first(self) -> bool:
        """Whether long frames are lost more often than short ones, beyond chance."""
        short, long = self.classes[0], self.classes[-1]
        if not (short.due and long.due):
            return False
        both = (short.lost + long.lost) / (short.due + long.due)
        error = np.sqrt(both * (1 - both) * (1 / short.due + 1 / long.due))
        more = long.share - short.share
        return bool(more > max(LONGER_SIGMAS * error, LONGER_SHARE))


def link_pattern(record: LinkRecord, state: StreamState) -> LinkPattern:
    """Find out how a stream lost what it lost.

    Parameters
    ----------
    record : LinkRecord
        Its frames.
    state : StreamState
        The same stream, finished.
    """
    table = record.table
    epochs = state.epochs
    due, came, whole = (epochs.due, epochs.came, epochs.whole) if epochs else (0, 0, 0)
    own = table[:, table[1] == (NONE if state.main_station is None else state.main_station)]
    observed = own[:, own[5] != NONE]
    times = np.unique(observed[2])
    interval_ms = (epochs.interval_ms if epochs else None) or 1000
    missed = np.maximum(np.rint(np.diff(times) / interval_ms).astype(np.int64) - 1, 0)
    paused = record.before_pauses(times)
    missed[paused] = 0
    paused_ms = int(np.diff(times)[paused].sum())
    restarts = state.signals.locks.restarts
    ends, begins = times[1:], times[:-1]
    tied = [_is_tied(ends[missed > 0], restart) for restart in restarts]
    silence_s, silence_ms = _silence(begins, ends, missed, restarts, interval_ms)
    lags = _lags(observed)
    last_missing, others_missing = _missing_in(observed, len(times))
    return LinkPattern(
        due=due, came=min(came, due), whole=whole,
        frames=state.traffic.frames, damaged=state.traffic.damaged,
        classes=_classes(own, due, interval_ms, epochs.types if epochs else set(), paused_ms),
        gaps=int(np.count_nonzero(missed)),
        bunching=_bunching(missed, len(times)),
        silence_s=silence_s, silence_ms=silence_ms,
        restarts=len(restarts), tied_restarts=sum(tied),
        lag_growth_s=None if lags is None else float(lags.max() - lags.min()),
        first_ms=int(times[0]) if len(times) else None,
        last_ms=int(times[-1]) if len(times) else None,
        longest_frame=int(observed[4].max()) if observed.shape[1] else 0,
        gap_times_ms=tuple(
            (begin, end)
            for begin, end, lost in zip(*(c.tolist() for c in (begins, ends, missed)), strict=True)
            if lost and end - begin >= max(_OUTAGE_INTERVALS * interval_ms, _OUTAGE_MS)
        ),
        last_missing=last_missing, others_missing=others_missing,
    )  # fmt: skip


def _missing_in(observed: Integers, epochs: int) -> tuple[int, int]:
    """Count how often the message that ends an epoch was missing, and how often others were."""
    ends = observed[0][observed[5] == 0]
    if not len(ends):
        return 0, 0
    numbers, counts = np.unique(ends, return_counts=True)
    last = int(numbers[np.argmax(counts)])
    came = {
        int(number): len(np.unique(observed[2][observed[0] == number]))
        for number in np.unique(observed[0])
    }
    others = sum(
        epochs - count
        for number, count in came.items()
        if number != last and _OFTEN * epochs <= count
    )
    return epochs - came[last], others


def _is_tied(gap_ends: Integers, restart_ms: int) -> bool:
    """Tell whether a gap ended shortly before a restart was seen."""
    return bool(((gap_ends <= restart_ms) & (gap_ends > restart_ms - _RESTART_WINDOW_MS)).any())


def _silence(
    begins: Integers, ends: Integers, missed: Integers, restarts: Sequence[int], interval_ms: int
) -> tuple[float, int | None]:
    """Give the longest stretch without anything that no restart explains."""
    free = [
        (int(end - begin - interval_ms), int(begin))
        for begin, end, count in zip(begins.tolist(), ends.tolist(), missed.tolist(), strict=True)
        if count
        and not any(end - 1000 <= restart <= end + _RESTART_WINDOW_MS for restart in restarts)
    ]
    length_ms, begin = max(free, default=(0, None))
    return length_ms / 1000, begin


def _bunching(missed: Integers, came: int) -> float:
    """Compare the chance of a lost second after a lost one with that of any."""
    lost = int(missed.sum())
    if lost < _FEWEST_LOST:
        return 0.0
    usual = lost / (lost + came)
    again = int(np.maximum(missed - 1, 0).sum()) / lost
    return again / usual


def _lags(observed: Integers) -> npt.NDArray[np.float64] | None:
    """Give mean delays over 20 epochs, s, but for a constant; None without arrivals."""
    told = observed[:, observed[3] != NONE]
    if not told.shape[1]:
        return None
    times, first = np.unique(told[2][::-1], return_index=True)
    last = told.shape[1] - 1 - first  # the last message of each epoch
    lag = (told[3][last] - times) / 1000
    if len(lag) < _MEAN_OVER:
        return None
    return np.convolve(lag, np.full(_MEAN_OVER, 1 / _MEAN_OVER), "valid")


def _classes(
    own: Integers, due: int, interval_ms: int, types: set[int], paused_ms: int
) -> tuple[LengthLoss, ...]:
    """Count frames due and come, by the length that is usual for their number."""
    counts = [[0, 0] for _ in CLASSES]
    numbers, place = np.unique(own[0], return_inverse=True)
    carried = np.maximum.accumulate(own[2]) if own.shape[1] else own[2]
    span_ms = int(carried[-1] - carried[carried != NONE][0]) if (carried != NONE).any() else 0
    span_ms -= paused_ms
    for index, number in enumerate(numbers.tolist()):
        rows = place == index
        length = float(own[4][rows].mean())
        if number in types:
            expected, came = due, len(np.unique(own[2][rows]))
        elif number in STATIC_NUMBERS:
            came = int(rows.sum())
            expected = _expected(carried[rows], span_ms, interval_ms)
        else:
            continue
        row = next(at for at, (_, most, _) in enumerate(CLASSES) if length <= most)
        counts[row][0] += max(expected, came)
        counts[row][1] += came
    return tuple(
        LengthLoss(label, *count) for (_, _, label), count in zip(CLASSES, counts, strict=True)
    )


def _expected(times: Integers, span_ms: int, interval_ms: int) -> int:
    """Give how many messages were due, by the shorter of the usual steps."""
    steps = np.diff(times)
    steps = steps[steps >= interval_ms]
    if len(steps) < 3:
        return len(times)
    usual = float(np.percentile(steps, 20))
    return int(span_ms // usual) if usual > 0 else len(times)


def matched(base: LinkRecord, rover: LinkRecord) -> AirLoss:
    """Match what the base sent with what was heard at the rover, by the time of the epochs.

    Where hardly any observation came through, by the time of arrival.

    Frames of the base count only while the other end was listening: from the first to the last
    epoch heard there.

    Parameters
    ----------
    base, rover : LinkRecord
        Both with their frames.
    """
    air = AirLoss()
    arrives = (base.table[3] != NONE).any() and (rover.table[3] != NONE).any()
    by_epochs = rover.epochs >= _FEW_EPOCHS * base.epochs or not arrives
    sent_s, heard_s = (end.times_s() if by_epochs else end.arrivals_s() for end in (base, rover))
    heard = list(zip(heard_s, rover.frames, strict=True))
    if not heard:
        return air
    begin_s, end_s = heard[0][0], heard[-1][0]
    sent = [
        (time_s, data)
        for time_s, data in zip(sent_s, base.frames, strict=True)
        if begin_s <= time_s <= end_s
    ]
    events = sorted(
        [(time_s, 0, data) for time_s, data in sent]
        + [(time_s, 1, data) for time_s, data in heard],
        key=lambda event: event[:2],
    )
    for time_s, is_heard, data in events:
        if is_heard:
            air.hear([data], time_s)
        else:
            air.send([data], time_s)
    if sent:
        air.finish(sent[-1][0] + 6.0)
    return air
