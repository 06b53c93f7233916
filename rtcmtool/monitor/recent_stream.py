"""What came in the last half minute, so that rules can be asked about just that time.

Nothing is decoded twice: of each batch the few numbers are kept that rules about now look at, and a
light state is put together from them.
"""

from collections import deque
from collections.abc import Iterable, Sequence
from copy import copy
from dataclasses import dataclass, fields
from itertools import islice
from typing import Self

import numpy as np
import numpy.typing as npt

from rtcmtool.monitor.base_station import POSITION_NUMBERS, BaseDescription
from rtcmtool.monitor.epochs import EpochTracker
from rtcmtool.monitor.message_stats import MessageStats, MessageTable
from rtcmtool.monitor.signal_stats import CellCounts, FrameCounts, frame_counts
from rtcmtool.monitor.steady_clock import NS_PER_S
from rtcmtool.monitor.stream_state import MOST_TRACKERS, StreamState
from rtcmtool.monitor.traffic import Traffic
from rtcmtool.wire.decoding import NONE, Batch, Message
from rtcmtool.wire.framing import LONGEST_FRAME
from rtcmtool.wire.observations import Observations

Integers = npt.NDArray[np.int64]

SPAN_S = 30.0
SPAN_INTERVALS = 30
LONGEST_SPAN_S = 600.0
MOST_BYTES = 1_000_000
MOST_PARTS = 4000  # kept apart: behind them what comes close together is put together
_CLOSE_NS = round(LONGEST_SPAN_S * NS_PER_S) // MOST_PARTS
_NS_PER_MS = 1_000_000
_COLUMNS = [column.name for column in fields(Observations)]  # the frame is the first


@dataclass(frozen=True, slots=True)
class _Counters:
    """Counters of `Traffic`; two of them give what came between."""

    frames: int = 0
    damaged: int = 0
    layout_rejects: int = 0
    total_bytes: int = 0
    frame_bytes: int = 0
    outside_bytes: int = 0
    nmea_bytes: int = 0
    nmea_sentences: int = 0

    @classmethod
    def of(cls, traffic: Traffic) -> Self:
        """Take them; noise that goes on counts as outside frames."""
        return cls(
            traffic.frames, traffic.damaged, traffic.layout_rejects, traffic.total_bytes,
            traffic.frame_bytes, traffic.outside_bytes + traffic.noise_bytes,
            traffic.nmea_bytes, traffic.nmea_sentences,
        )  # fmt: skip

    def since(self, before: "_Counters") -> Traffic:
        """Give what came since."""
        traffic = Traffic()
        for each in fields(self):
            now, then = getattr(self, each.name), getattr(before, each.name)
            setattr(traffic, each.name, now - then)
        return traffic


@dataclass(slots=True)
class _Part:
    """What one batch told.

    Attributes
    ----------
    now_ns : int
        When it came, on the steady axis.
    counters : _Counters
        As they stood behind it.
    frames : ndarray of int64, shape (n_frames, 6)
        Number, bytes, station, time in ms, epoch on the timeline, whether more follows (-1: no
        observation message).
    observations : Observations
        Of these frames.
    positions : list of (Message, int)
        Messages with a position, and their time in ms.
    """

    now_ns: int
    counters: _Counters
    frames: Integers
    observations: Observations
    positions: list[tuple[Message, int]]

    @property
    def content(self) -> "_Content":
        """Its frames, and their observations."""
        return self.frames, self.observations

    def join(self, later: "_Part") -> None:
        """Take in what came soon after."""
        self.now_ns, self.counters = later.now_ns, later.counters
        self.frames, self.observations = _joined((self.content, later.content))
        self.positions += later.positions


_Content = tuple[Integers, Observations]


def _joined(parts: Sequence[_Content]) -> _Content:
    """Put the frames of parts behind each other, and their observations."""
    begins = np.cumsum([0, *(len(frames) for frames, _ in parts)])[:-1]
    each = [observations for _, observations in parts]
    columns = [np.concatenate([getattr(one, name) for one in each]) for name in _COLUMNS]
    columns[0] += np.repeat(begins, [len(one) for one in each]).astype(np.int32)
    observations = Observations(*columns)
    return np.concatenate([frames for frames, _ in parts]), observations


def _without_first(content: _Content, count: int) -> _Content:
    """Leave out the first frames."""
    if not count:
        return content
    frames, observations = content
    rows = int(np.searchsorted(observations.frame, count))
    frame, *rest = (getattr(observations, name)[rows:] for name in _COLUMNS)
    return frames[count:], Observations(frame - np.int32(count), *rest)


class LightState(StreamState):
    """A state with nothing but what rules about now look at.

    It has `clock`, `traffic`, `messages` (counts and bytes alone), `base` (stations and positions
    alone), `signals` (a `CellCounts`) and `trackers`; not the rest.
    """

    signals: CellCounts  # type: ignore[assignment]  # the part of them that is asked

    def __init__(self, like: StreamState, traffic: Traffic) -> None:
        # The usual state makes room for every signal of every satellite: not once a second.
        self._wanted = like.main_station
        self.clock = copy(like.clock)
        self.clock.first_ms = self.clock.now_ms = None
        self.traffic = traffic
        self.messages, self.base, self.signals = MessageTable(), BaseDescription(), CellCounts()
        self.trackers = {}
        self.finished = False

    def hear(
        self,
        frames: Integers,
        observations: Observations,
        positions: Iterable[tuple[Message, int]],
    ) -> None:
        """Take frames, observations and positions as `_Part` has them."""
        if not len(frames):
            return
        times_ms = frames[:, 3]
        self.clock.first_ms, self.clock.now_ms = int(times_ms[0]), int(times_ms.max())
        for number in np.unique(frames[:, 0]).tolist():
            lengths = frames[frames[:, 0] == number, 1]
            stats = MessageStats(len(lengths), int(lengths.sum()))
            self.messages.by_number[number] = stats
        stations, first = np.unique(frames[:, 2], return_index=True)
        for station in stations[np.argsort(first)].tolist():  # in the order of the stream
            if station != NONE:
                times = times_ms[frames[:, 2] == station]
                self.base.hear(station, int(times[0]), int(times[-1]), len(times))
        for message, time_ms in positions:
            self.base.update(message, time_ms)
        self.signals.count(observations)
        self._follow(frames, frame_counts(observations, len(frames)))

    def _follow(self, frames: Integers, counts: FrameCounts) -> None:
        """Follow the epochs of each station."""
        rows = np.column_stack((frames, counts.satellites, counts.two_bands))
        for frame in rows[frames[:, 5] != NONE].tolist():
            number, _, station, time_ms, epoch_ms, more, satellites, bands = frame
            tracker = self.trackers.get(station)
            if tracker is None:
                if len(self.trackers) >= MOST_TRACKERS:
                    continue
                tracker = self.trackers[station] = EpochTracker()
            tracker.add(epoch_ms, time_ms, number, more == 0, satellites, bands)


class RecentStream:
    """Keeps what came lately.

    Attributes
    ----------
    interval_s : float or None
        The stream's epoch interval; slow streams are kept for longer. Set by the caller.
    """

    def __init__(self) -> None:
        self.interval_s: float | None = None
        self._parts: deque[_Part] = deque()
        self._before: _Counters | None = None  # at the beginning of the first part
        self._first: int | None = None  # bytes when it began
        # The first parts put together, when somebody looked last; what was forgotten since.
        self._content: _Content | None = None
        self._content_parts = self._forgotten_frames = 0

    @property
    def span_s(self) -> float:
        """How far back it reaches, s."""
        wanted = max(SPAN_S, SPAN_INTERVALS * (self.interval_s or 0.0))
        return min(wanted, LONGEST_SPAN_S)

    def add(self, batch: Batch, traffic: Traffic, now_ns: int) -> None:
        """Take a batch.

        Parameters
        ----------
        batch : Batch
            What is certain now; its arrival times are known.
        traffic : Traffic
            Of the whole stream, the batch counted in.
        now_ns : int
            Now, on the steady axis.
        """
        counters = _Counters.of(traffic)
        if self._first is None:
            self._first = counters.total_bytes
        if self._before is None:  # it may begin in the middle of a frame
            if len(batch) or counters.total_bytes - self._first >= LONGEST_FRAME:
                self._before = counters
            return
        last = self._parts[-1].counters if self._parts else self._before
        if counters == last:
            return
        part = _part(batch, counters, now_ns)
        parts = self._parts
        if len(parts) >= MOST_PARTS and now_ns - parts[-1].now_ns < _CLOSE_NS:
            parts[-1].join(part)
            self._content = None
        else:
            parts.append(part)
        self._forget(now_ns)

    def _forget(self, now_ns: int) -> None:
        before_ns = now_ns - round(self.span_s * NS_PER_S)
        parts = self._parts
        while parts and (parts[0].now_ns <= before_ns or self.size_bytes > MOST_BYTES):
            part = parts.popleft()
            self._before = part.counters
            self._content_parts -= 1
            self._forgotten_frames += len(part.frames)
            if self._content_parts <= 0:
                self._content = None

    def _put_together(self) -> _Content:
        """Give what all parts hold; most of it was put together last time."""
        parts, known = self._parts, self._content
        if known is None:
            found = [part.content for part in parts]
        else:
            later = islice(parts, self._content_parts, None)
            known = _without_first(known, self._forgotten_frames)
            found = [known, *(part.content for part in later)]
        self._content = found[0] if len(found) == 1 else _joined(found)
        self._content_parts, self._forgotten_frames = len(parts), 0
        return self._content

    @property
    def size_bytes(self) -> int:
        """Bytes that came in this time."""
        if not self._parts or self._before is None:
            return 0
        return self._parts[-1].counters.total_bytes - self._before.total_bytes

    def clear(self) -> None:
        """Forget everything."""
        self._parts.clear()
        self._content = None
        self._before = self._first = None

    def state(self, now_ns: int, like: StreamState) -> LightState:
        """Give the state of a stream that began half a minute ago.

        Parameters
        ----------
        now_ns : int
            Now, on the steady axis.
        like : StreamState
            The state of the whole stream: its station is judged, and its set of messages is known
            from the start.
        """
        self._forget(now_ns)
        parts, before = self._parts, self._before
        now = parts[-1].counters if parts else before
        traffic = Traffic() if now is None or before is None else now.since(before)
        state = LightState(like, traffic)
        station, whole = like.main_station, like.epochs
        if station is not None and whole is not None:
            tracker = state.trackers[station] = EpochTracker()
            tracker.types = set(whole.types)
        if parts:
            positions = [each for part in parts for each in part.positions]
            state.hear(*self._put_together(), positions)
        return state


def _part(batch: Batch, counters: _Counters, now_ns: int) -> _Part:
    times_ms = batch.arrival_utc_ns // _NS_PER_MS
    columns = (
        batch.number, batch.block.lengths, batch.station, times_ms, batch.timeline_ms,
        batch.more_follow,
    )  # fmt: skip
    frames = np.array(columns, np.int64).T
    positions = [
        (message, int(times_ms[message.frame]))
        for message in batch.messages
        if message.layout.number in POSITION_NUMBERS
    ]
    return _Part(now_ns, counters, frames, batch.observations, positions)
