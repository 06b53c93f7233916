"""Listen to a base for a while, so that it can be judged: the loop behind the live `check`.

It ends when the time is up, when nothing came at all, or when what has been heard can no longer be
changed by what comes. A source that is lost and comes back is listened to anew.
"""

import queue
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import Enum

from rtcmtool.errors import SourceError
from rtcmtool.monitor.air_loss import AirLoss
from rtcmtool.monitor.base_station import POSITION_NUMBERS
from rtcmtool.monitor.one_station import only_station
from rtcmtool.monitor.steady_clock import SteadyClock
from rtcmtool.monitor.stream_state import StreamState
from rtcmtool.running.feed import (
    Bytes,
    Changed,
    Ended,
    Feed,
    FeedItem,
    FeedQueue,
    Paused,
    steady_s,
)
from rtcmtool.sources import Source, SourceState, Status
from rtcmtool.wire.decoding import Batch
from rtcmtool.wire.epochs import TimeReference
from rtcmtool.wire.stream import StreamDecoder

NOTHING_S = 15.0  # without a byte it is over (rule bytes_arrive)
POSITION_S = 60.0  # none so far: listening goes on
LONGER_S = 90.0  # to this; user-experience 3
LOOK_EVERY_S = 1.0
MOST_BEGINNINGS = 3  # after so many losses of the source what was heard is kept
TUNED_IN_S = 1.0  # the first frame at the other end may have begun before it was open
HEAD_BYTES = 4096  # kept to say what it is, if it is no RTCM 3
_WAIT_S = 0.1


class Ending(Enum):
    """Why listening has ended."""

    TIME = "time"
    SILENT = "silent"
    EARLY = "early"
    SOURCE = "source"
    INTERRUPTED = "interrupted"


@dataclass(slots=True)
class Ear:
    """One end that is listened to.

    Attributes
    ----------
    source : Source
        Where bytes come from.
    state : StreamState
        What was heard since the source was opened last.
    size_bytes : int
        Bytes handed on by the source since then.
    head : bytes
        The first of them.
    opened_s, first_s, last_s : float or None
        Monotonic times of the opening, and of the first and latest byte since.
    """

    source: Source
    station: int | None = None
    make_state: Callable[[], StreamState] = StreamState
    make_reference: Callable[[], TimeReference] = TimeReference
    state: StreamState = field(init=False)
    size_bytes: int = 0
    head: bytes = b""
    opened_s: float | None = None
    first_s: float | None = None
    last_s: float | None = None
    beginnings: int = 0
    lost_s: float = 0.0
    _lost_at_s: float | None = None
    _decoder: StreamDecoder = field(init=False)
    _clock: SteadyClock | None = None

    def __post_init__(self) -> None:
        self._begin()

    def _begin(self) -> None:
        self.state = self.make_state()
        self._decoder = StreamDecoder(self.make_reference())
        self._clock = None
        self.size_bytes, self.head = 0, b""
        self.first_s = self.last_s = None
        self.lost_s = 0.0

    @property
    def is_open(self) -> bool:
        """Whether it is listened to now."""
        return self.opened_s is not None and self._lost_at_s is None

    @property
    def unreadable_bytes(self) -> int:
        """Bytes of a serial port that made no sense at any rate tried so far."""
        source = self.source
        held = getattr(source, "held_bytes", 0)
        return int(getattr(source, "unreadable_bytes", 0)) + int(held)

    def listened_s(self, now_s: float) -> float:
        """Seconds that were listened since the last beginning."""
        if self.opened_s is None:
            return 0.0
        until_s = now_s if self._lost_at_s is None else self._lost_at_s
        return until_s - self.opened_s - self.lost_s

    def silent_s(self, now_s: float) -> float | None:
        """Seconds since the latest byte; None before the first."""
        return None if self.last_s is None else now_s - self.last_s

    def change(self, status: Status, monotonic_s: float) -> None:
        """Take what the source tells of itself."""
        if status.state is SourceState.OPENED:
            self._open(monotonic_s)
        elif status.state is SourceState.LOST and self._lost_at_s is None:
            self._lost_at_s = monotonic_s

    def pause(self, from_s: float, to_s: float) -> None:
        """Take a time in which this program did not run."""
        if self.is_open:
            self._lost_at_s = from_s
            self._open(to_s)

    def _open(self, monotonic_s: float) -> None:
        """Begin anew, or go on where it was lost too often."""
        if self._lost_at_s is not None and self.beginnings >= MOST_BEGINNINGS:
            self.lost_s += monotonic_s - self._lost_at_s
        else:
            self.beginnings += 1
            self.opened_s = monotonic_s
            self._begin()
        self._lost_at_s = None

    def hear(self, item: Bytes) -> Batch | None:
        """Take bytes; give what is decided with them."""
        if not item.data:
            return None
        if self._clock is None:
            self._clock = SteadyClock(item.utc_ns, item.monotonic_s)
        now_ns = self._clock.at(item.utc_ns, item.monotonic_s).steady_ns
        if self.first_s is None:
            self.first_s = item.monotonic_s
        self.last_s = item.monotonic_s
        self.size_bytes += len(item.data)
        if len(self.head) < HEAD_BYTES:
            self.head += item.data[: HEAD_BYTES - len(self.head)]
        return self._update(self._decoder.feed_now(item.data, now_ns))

    def _update(self, batch: Batch) -> Batch:
        kept = batch if self.station is None else only_station(batch, self.station)
        self.state.update(kept)
        return batch

    def finish(self) -> Batch:
        """Tell that listening has ended; give the last batch."""
        batch = self._update(self._decoder.finish())
        self.state.finish()
        return batch

    @property
    def has_position(self) -> bool:
        """Whether a position message has come."""
        return any(number in self.state.messages.by_number for number in POSITION_NUMBERS)


@dataclass(slots=True)
class Listening:
    """Listens to one end, or to both.

    Parameters
    ----------
    near : Ear
        The end that is judged.
    far : Ear or None
        The other end of the radio.
    duration_s : float
        How long.
    is_settled : callable
        Whether nothing can change the verdict any more; asked every second.
    watch : callable
        Called about ten times a second, and with each status.
    monotonic : callable
        Clock, s.

    Attributes
    ----------
    air : AirLoss or None
        What the air lost, with a far end.
    ending : Ending
        Why it has ended.
    error : Exception or None
        Of the source, where that ended it.
    """

    near: Ear
    far: Ear | None = None
    duration_s: float = 60.0
    is_settled: Callable[["Listening"], bool] = lambda _: False
    watch: Callable[["Listening", Status | None], None] = lambda *_: None
    monotonic: Callable[[], float] = steady_s
    air: AirLoss | None = None
    ending: Ending = Ending.TIME
    error: Exception | None = None
    now_s: float = 0.0
    _is_asked: bool = False
    _looked_s: float | None = None

    def interrupt(self) -> None:
        """End soon; a signal handler may call it."""
        self._is_asked = True

    @property
    def wanted_s(self) -> float:
        """How long it shall be listened; longer where a position is still missing."""
        waits = POSITION_S <= self.duration_s < LONGER_S and not self.near.has_position
        return LONGER_S if waits and self.near.state.traffic.frames else self.duration_s

    @property
    def left_s(self) -> float:
        """Seconds to go."""
        return max(self.wanted_s - self.near.listened_s(self.now_s), 0.0)

    def run(self) -> Ending:
        """Listen; the states are finished then."""
        taken: FeedQueue = queue.SimpleQueue()
        ears = [self.near] if self.far is None else [self.near, self.far]
        if self.far is not None:
            self.air = AirLoss()
        feeds = {Feed(ear.source, taken, monotonic=self.monotonic): ear for ear in ears}
        running = set(feeds)
        for feed in feeds:
            feed.start()
        stopping = False
        while running:
            try:
                feed, item = taken.get(timeout=_WAIT_S)
            except queue.Empty:
                self.now_s = self.monotonic()
            else:
                self.now_s = max(self.now_s, getattr(item, "monotonic_s", 0.0))
                if isinstance(item, Ended):
                    running.discard(feed)
                    if not stopping:
                        self._ended(item)
                elif not stopping or isinstance(item, Bytes):
                    self._take(feeds[feed], item)
            if not stopping and (len(running) < len(feeds) or self._is_over()):
                stopping = True
                for each in running:
                    each.stop()
        for feed in feeds:
            feed.join()
        self._finish(ears)
        return self.ending

    def _ended(self, item: Ended) -> None:
        self.ending, self.error = Ending.SOURCE, item.error
        if item.error is not None and not isinstance(item.error, SourceError):
            raise item.error

    def _take(self, ear: Ear, item: FeedItem) -> None:
        before = ear.beginnings
        if isinstance(item, Changed):
            ear.change(item.status, item.monotonic_s)
            self.watch(self, item.status)
        elif isinstance(item, Paused):
            ear.pause(item.before.monotonic_s, item.after.monotonic_s)
        elif isinstance(item, Bytes):
            heard = ear.hear(item)
            if heard is not None and self.air is not None:
                self._compare(ear, heard)
        if ear.beginnings != before and self.air is not None:
            self.air = AirLoss()

    def _compare(self, ear: Ear, batch: Batch) -> None:
        """Tell both ends apart; only what was sent while the far end listened counts."""
        assert self.air is not None
        assert self.far is not None
        frames = [frame.data for frame in batch.block.frames()]
        # One axis for both ends: durations of this computer.
        at_s = self.now_s if ear.last_s is None else ear.last_s
        if ear is self.far:
            self.air.hear(frames, at_s)
        elif self._far_has_tuned_in:
            self.air.send(frames, at_s)

    @property
    def _far_has_tuned_in(self) -> bool:
        """Whether the far end hears all that is sent: open, and not looking for its baud rate."""
        far = self.far
        assert far is not None
        is_hunting = getattr(far.source, "baud", 0) is None and far.size_bytes == 0
        if not far.is_open or is_hunting:
            return False
        return far.listened_s(self.now_s) >= TUNED_IN_S

    def _is_over(self) -> bool:
        """Tell whether it is time to end, and why."""
        self.watch(self, None)
        near, now_s = self.near, self.now_s
        if self._is_asked:
            self.ending = Ending.INTERRUPTED
            return True
        if not near.is_open:
            return False
        listened_s = near.listened_s(now_s)
        if near.first_s is None and not near.unreadable_bytes and listened_s >= NOTHING_S:
            self.ending = Ending.SILENT
            return True
        if listened_s >= self.wanted_s:
            self.ending = Ending.TIME
            return True
        if self._looked_s is None or now_s - self._looked_s >= LOOK_EVERY_S:
            self._looked_s = now_s
            if self.is_settled(self):
                self.ending = Ending.EARLY
                return True
        return False

    def _finish(self, ears: list[Ear]) -> None:
        for ear in ears:
            batch = ear.finish()
            if self.air is not None and ear.last_s is not None:
                self._compare(ear, batch)
        if self.air is not None:
            self.air.finish(self.now_s)
