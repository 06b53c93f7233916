"""A capture played as if it came now: at its own pace or another, paused, stepped, jumped in.

It is a feed like that of a live source: the same session, rules and views work on recorded time.
"""

from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass

from rtcmtool.captures.pacing import FASTEST, MAX_SPEED, SLOWEST
from rtcmtool.monitor.steady_clock import NS_PER_S
from rtcmtool.running.decoding_ahead import LookAhead
from rtcmtool.running.feed import Bytes, Ended, FeedItem, Rewound, Told
from rtcmtool.running.scanning import EventScan
from rtcmtool.running.timeline import Mark, Piece, Timeline

SPEEDS = (0.1, 1.0, 10.0, 60.0, MAX_SPEED)  # user-experience: keys + and -
TICK_S = 0.1  # of real time: so long does a key wait at most
RECORDED_TICK_S = 1.0  # however fast: so that what did not come is noticed
BEFORE_EVENT_NS = 10 * NS_PER_S
NEAR_S = 600.0  # a jump forward that is not longer is run through
WARM_UP_S = 120.0  # run through before the target of a longer jump, or one back
MOST_CREDIT_S = 0.5  # of real time by which a slow reader may lag and catch up


@dataclass(frozen=True, slots=True)
class PlayClocks:
    """The clock and the way to wait of a replay; a test puts its own in their place."""

    monotonic: Callable[[], float]
    sleep: Callable[[float], None]


class Replay:
    """Plays a timeline; its methods may be called between two items.

    Parameters
    ----------
    timeline : Timeline
        What is played.
    clocks : PlayClocks
        To keep the pace by.
    speed : float
        Times recorded time; `MAX_SPEED` does not wait.
    scan : EventScan, optional
        Finds the places of a capture that keeps none; started when one is asked for.
    ahead : LookAhead, optional
        Told what comes next, so that states that it serves decode many pieces at once.

    Attributes
    ----------
    is_paused : bool
        Whether it stands.
    utc_ns : int
        Recorded time at which it stands.
    message : str
        What the last key did, for the screen.
    stays_at_end : bool
        Whether it stands at the end, instead of ending.
    epoch : callable
        Gives the latest epoch that was decoded; steps go by it.
    """

    def __init__(
        self,
        timeline: Timeline,
        clocks: PlayClocks,
        speed: float = 1.0,
        scan: EventScan | None = None,
        ahead: LookAhead | None = None,
    ) -> None:
        self.timeline = timeline
        self.is_paused = False
        self.utc_ns = timeline.begin_utc_ns
        self.message = ""
        self.stays_at_end = False
        self.epoch: Callable[[], object] = lambda: None
        self._clocks = clocks
        self._look_ahead = LookAhead() if ahead is None else ahead
        self._speed = speed
        self._is_stopped = False
        self._jump_ns: int | None = None  # asked for
        self._fast_until_ns: int | None = None  # being run through
        self._step_from: object | None = None
        self._is_stepping = False
        self._at_s = 0.0
        self._scan = None if timeline.has_marks else scan
        self._wish = 0  # 1: the next event, -1: the one before, as soon as it is found

    # ---- controls

    @property
    def marks(self) -> tuple[Mark, ...]:
        """Places to jump to: those kept with the capture, else those found so far."""
        if self.timeline.has_marks:
            return self.timeline.marks
        return () if self._scan is None else self._scan.marks

    @property
    def speed(self) -> float:
        """Times recorded time."""
        return self._speed

    @speed.setter
    def speed(self, value: float) -> None:
        if not (SLOWEST <= value <= FASTEST or value == MAX_SPEED):
            raise ValueError(f"the speed is {SLOWEST} to {FASTEST:.0f}, or max; not {value}")
        self._speed = value

    @property
    def judge_every_s(self) -> float:
        """Recorded seconds between two judgements: at high speed the rules would take longest."""
        if self._fast_until_ns is not None or self._speed == MAX_SPEED:
            return 10.0
        return 1.0 if self._speed <= 20 else 5.0

    @property
    def title(self) -> str:
        """What the first line of a screen begins with."""
        if self._fast_until_ns is not None:
            return "REPLAY (going there)"
        speed = "max" if self._speed == MAX_SPEED else f"x{self._speed:g}"
        return f"REPLAY {speed} (paused)" if self.is_paused else f"REPLAY {speed}"

    def toggle_pause(self) -> None:
        """Stand, or go on."""
        self.is_paused = not self.is_paused
        self._is_stepping = False

    def step(self) -> None:
        """Go on to the next epoch, and stand there."""
        self.is_paused = True
        self._is_stepping, self._step_from = True, self.epoch()

    def faster(self) -> None:
        """Take the next higher speed."""
        self._speed = next((s for s in SPEEDS if s > self._speed), MAX_SPEED)

    def slower(self) -> None:
        """Take the next lower speed."""
        self._speed = next((s for s in reversed(SPEEDS) if s < self._speed), SPEEDS[0])

    def jump(self, utc_ns: int) -> None:
        """Go to a time, UTC ns; it is kept within the capture."""
        timeline, self._wish = self.timeline, 0
        self._jump_ns = min(max(utc_ns, timeline.begin_utc_ns), timeline.end_utc_ns)

    def jump_to_event(self, mark: Mark) -> None:
        """Go to some seconds before an event."""
        so_far = " so far" if self._is_searching else ""
        self.message = f"event {mark.number} of {len(self.marks)}{so_far}: {mark.text}"
        self.jump(mark.utc_ns - BEFORE_EVENT_NS)

    def next_event(self) -> bool:
        """Go to the next event, once it is found; tell whether it is known already."""
        return self._to_event(1)

    def previous_event(self) -> bool:
        """Go to the event before, once it is found; tell whether it is known already."""
        return self._to_event(-1)

    @property
    def _is_searching(self) -> bool:
        return self._scan is not None and not self._scan.is_done

    @property
    def _headed_ns(self) -> int:
        """Where it stands, or is going to."""
        if self._jump_ns is not None:
            return self._jump_ns
        return self.utc_ns if self._fast_until_ns is None else self._fast_until_ns

    def _ahead(self, mark: Mark) -> int:
        """Give how far ahead the place before an event is, ns."""
        target_ns = mark.utc_ns - BEFORE_EVENT_NS
        return max(target_ns, self.timeline.begin_utc_ns) - self._headed_ns

    def _to_event(self, way: int) -> bool:
        """Go to the nearest event ahead (1) or behind (-1), or wait until it is found."""
        timeline, self._wish = self.timeline, 0
        marks = [m for m in self.marks if timeline.begin_utc_ns <= m.utc_ns <= timeline.end_utc_ns]
        if way > 0:
            mark = min((m for m in marks if self._ahead(m) > 0), key=self._ahead, default=None)
        else:
            # A second of grace, or the key would only ever find the event it has just gone to.
            behind = (m for m in marks if self._ahead(m) < -NS_PER_S)
            mark = max(behind, key=self._ahead, default=None)
        needed_ns = self._headed_ns
        if way > 0:
            needed_ns = timeline.end_utc_ns if mark is None else mark.utc_ns
        if self._scan is not None and not self._scan.covers(needed_ns):
            self._scan.start()
            self._wish = way
            which = "next event" if way > 0 else "event before"
            self.message = f"looking for the {which} ... {100 * self._scan.share:.0f} %"
            return False
        if mark is None:
            self.message = f"no event {'after' if way > 0 else 'before'} this"
            if self._scan is not None and self._scan.failure is not None:
                self.message += f"; the search failed: {self._scan.failure}"
            return False
        self.jump_to_event(mark)
        return True

    # ---- the feed

    def start(self) -> None:
        """Do nothing: it is played in the loop that reads it."""

    def join(self) -> None:
        """Wait for the search for events, which ends with the replay."""
        if self._scan is not None:
            self._scan.stop()
            self._scan.join()

    def stop(self) -> None:
        """End at the next item; a signal handler may call it."""
        self._is_stopped = True

    def items(self) -> Iterator[FeedItem]:
        """Give what happens as it is due; ends behind the `Ended` item."""
        since: int | None = None
        while True:
            again = yield from self._play(since)
            if again is None:
                break
            since = again
            self.utc_ns = again
            yield Rewound(again, 0.0)
        yield Ended(None)

    def _play(self, since: int | None) -> Generator[FeedItem, None, int | None]:
        """Play on; give the time from which to begin again, or None at the end."""
        now_ns = 0.0  # on the steady axis of the pieces
        for piece in self._look_ahead.pieces(self.timeline.pieces(since)):
            last_s = self._clocks.monotonic()
            while True:
                if self._is_stopped:
                    return None
                again = self._settle_jump()
                if again is not None:
                    return again
                if self._may_hand_out(piece, now_ns):
                    break
                now_ns, last_s = self._wait(piece, now_ns, last_s)
                shown_ns = min(now_ns, piece.steady_ns)
                self._stand_at(piece, shown_ns)
                yield Bytes(self.utc_ns, shown_ns / NS_PER_S, b"")
            credit_ns = MOST_CREDIT_S * self._speed * NS_PER_S
            if self._speed == MAX_SPEED or self._fast_until_ns is not None:
                credit_ns = 0.0
            now_ns = min(max(now_ns, piece.steady_ns), piece.steady_ns + credit_ns)
            self._stand_at(piece, piece.steady_ns)
            yield self._item(piece)
        return (yield from self._at_end())

    def _at_end(self) -> Generator[FeedItem, None, int | None]:
        """End; or stay, so that somebody can still look and jump back."""
        self._is_stepping, self._fast_until_ns = False, None
        if self.stays_at_end:
            self.is_paused, self.message = True, "this is the end of the capture"
        while self.is_paused and not self._is_stopped:
            again = self._settle_jump()
            if again is not None:
                return again
            self._is_stepping = False
            self._clocks.sleep(TICK_S)
            yield Bytes(self.utc_ns, self._at_s, b"")
            self._stand_again()
        return self._settle_jump() if not self._is_stopped else None

    def _stand_again(self) -> None:
        """Stand, also when somebody has just asked to go on: there is nothing behind the end."""
        self.is_paused = self.is_paused or self.stays_at_end

    def _settle_jump(self) -> int | None:
        """Begin a jump that was asked for; give where to begin again, if it needs that."""
        if self._wish:
            self._to_event(self._wish)
        target_ns, self._jump_ns = self._jump_ns, None
        if target_ns is None:
            if self._fast_until_ns is not None and self.utc_ns >= self._fast_until_ns:
                self._fast_until_ns = None
            return None
        self._fast_until_ns = target_ns
        ahead_s = (target_ns - self.utc_ns) / NS_PER_S
        if 0 <= ahead_s <= NEAR_S:
            return None
        warm_ns = target_ns - round(WARM_UP_S * NS_PER_S)
        return max(warm_ns, self.timeline.begin_utc_ns)

    def _may_hand_out(self, piece: Piece, now_ns: float) -> bool:
        """Tell whether a piece is due."""
        if self._is_stepping and self.epoch() != self._step_from:
            self._is_stepping = False
        held = self.is_paused and not self._is_stepping and self._fast_until_ns is None
        return not held and now_ns >= piece.steady_ns

    def _wait(self, piece: Piece, now_ns: float, last_s: float) -> tuple[float, float]:
        """Let a little time pass; give where the replay stands, and the clock."""
        is_driven = self._fast_until_ns is not None or self._is_stepping
        if is_driven or (self._speed == MAX_SPEED and not self.is_paused):
            return min(now_ns + RECORDED_TICK_S * NS_PER_S, piece.steady_ns), last_s
        if self.is_paused:
            self._clocks.sleep(TICK_S)
            return now_ns, self._clocks.monotonic()
        left_s = (piece.steady_ns - now_ns) / NS_PER_S / self._speed
        # At high speed a tick of the clock is minutes of the recording: look in between.
        self._clocks.sleep(min(left_s, TICK_S, RECORDED_TICK_S / self._speed))
        clock_s = self._clocks.monotonic()
        return now_ns + (clock_s - last_s) * self._speed * NS_PER_S, clock_s

    def _stand_at(self, piece: Piece, steady_ns: float) -> None:
        self.utc_ns = piece.utc_ns - round(piece.steady_ns - steady_ns)
        self._at_s = steady_ns / NS_PER_S

    def _item(self, piece: Piece) -> FeedItem:
        at_s = piece.steady_ns / NS_PER_S
        if piece.event is not None:
            return Told(at_s, piece.event)
        return Bytes(piece.utc_ns, at_s, piece.data)
