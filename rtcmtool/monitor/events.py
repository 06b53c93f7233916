"""Events: one a cause, with a beginning and an end, kept until somebody has seen them.

BAD shows at once. WATCH needs 10 s to appear and 30 s to go. Three or more comings within a minute
become one event that counts them. What is one cause is decided by whoever reports: conditions have
a key, and a condition with the same key is the same event while it lasts.
"""

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from enum import IntEnum

from rtcmtool.captures.companions import Event, EventValue
from rtcmtool.monitor.steady_clock import NS_PER_S, Moment

WATCH_APPEARS_S = 10.0
WATCH_CLEARS_S = 30.0
CHATTER_S = 60.0
CHATTER_TIMES = 3
UNSEEN_S = 600.0  # without a keyboard: shown as unseen for so long
MOST_EVENTS = 200
MOST_RECORDS = 1000  # lines that nobody has taken


class Rank(IntEnum):
    """Rank of an event."""

    BAD = 0
    WATCH = 1
    NOTE = 2

    @property
    def word(self) -> str:
        """The word for people."""
        return ("BAD", "WATCH", "note")[self]


@dataclass(slots=True)
class LiveEvent:
    """Something that happened, as the list shows it.

    Attributes
    ----------
    key : str
        Its cause.
    rank : Rank
        How much it matters.
    text, action : str
        What happened, and what to do.
    start : Moment
        When it began.
    end : Moment or None
        When it ended; None while it lasts. Notes end at once.
    is_seen : bool
        Whether somebody pressed the key.
    times : int
        Comings of an event that comes and goes.
    clears_s : float
        As of its condition.
    is_known_over : bool
        Whether it was seen to end; else we stopped watching before.
    """

    key: str
    rank: Rank
    text: str
    action: str
    start: Moment
    end: Moment | None = None
    is_seen: bool = False
    times: int = 1
    size: float = 0.0
    clears_s: float = WATCH_CLEARS_S
    is_known_over: bool = True

    @property
    def ending(self) -> str:
        """How it ended, in words; nothing while it lasts."""
        if self.is_open:
            return ""
        return "ended by itself" if self.is_known_over else "then not watching"

    @property
    def is_open(self) -> bool:
        """Whether it lasts."""
        return self.end is None

    def seconds(self, now: Moment) -> float:
        """Length, or length so far, s."""
        return ((self.end or now).steady_ns - self.start.steady_ns) / NS_PER_S


@dataclass(frozen=True, slots=True)
class Condition:
    """Something that is wrong now.

    Attributes
    ----------
    key, rank, text, action
        As of the event that it makes.
    size : float
        How bad: the event keeps the words of its worst.
    clears_s : float
        How long it must be gone before a WATCH ends: none for what one message proves.
    """

    key: str
    rank: Rank
    text: str
    action: str = ""
    size: float = 0.0
    clears_s: float = WATCH_CLEARS_S


@dataclass(slots=True)
class _Pending:
    """A condition on its way in or out."""

    since: Moment
    condition: Condition


@dataclass(slots=True)
class EventLog:
    """The events of a session.

    Attributes
    ----------
    events : deque of LiveEvent
        The latest `MOST_EVENTS`, the oldest first; open ones are kept.
    bad_starts : int
        BAD events so far: a bell rings when it grows.
    """

    events: deque[LiveEvent] = field(default_factory=deque)
    bad_starts: int = 0
    _open: dict[str, LiveEvent] = field(default_factory=dict)
    _coming: dict[str, _Pending] = field(default_factory=dict)
    _going: dict[str, Moment] = field(default_factory=dict)
    _records: deque[Event] = field(default_factory=lambda: deque(maxlen=MOST_RECORDS))

    # ---- what comes in

    def note(self, now: Moment, kind: str, text: str, **values: EventValue) -> None:
        """Add a note.

        Parameters
        ----------
        now : Moment
            When.
        kind : str
            A word for programs: `note`, `start`, `reconnected`, `clock-step`, `satellite` ...
        text : str
            A sentence for people.
        **values
            Numbers and words for the events file.
        """
        self._append(LiveEvent(kind, Rank.NOTE, text, "", now, now, is_seen=True))
        self._records.append(Event(now.utc_ns, kind, text, values))

    def begin(
        self, start: Moment, condition: Condition, kind: str, **values: EventValue
    ) -> LiveEvent:
        """Open an event at once, or go on with the open one of the same key."""
        event = self._open.get(condition.key)
        if event is None:
            event = self._joined(start, condition)
            if event is None:
                event = self._new(start, condition)
            self._open[condition.key] = event
            state = {"state": "open", "key": condition.key, "rank": condition.rank.word.lower()}
            self._records.append(Event(start.utc_ns, kind, condition.text, {**state, **values}))
        if condition.rank <= event.rank and condition.size >= event.size:
            event.text, event.action = condition.text, condition.action
            event.rank, event.size = condition.rank, condition.size
            event.clears_s = condition.clears_s
        return event

    def end(
        self,
        end: Moment,
        key: str,
        kind: str,
        text: str = "",
        *,
        is_known_over: bool = True,
        **values: EventValue,
    ) -> None:
        """Close the open event of a key, if there is one.

        One that lasted when we stopped watching is not known to be over: then its line in the
        events file has `known_over`.
        """
        event = self._open.pop(key, None)
        if event is None:
            return
        event.end, event.is_known_over = end, is_known_over
        event.text = text or event.text
        state: dict[str, EventValue] = {
            "state": "ended",
            "key": key,
            "rank": event.rank.word.lower(),
            "seconds": round(event.seconds(end), 3),
        }
        if not is_known_over:
            state["known_over"] = False
        self._records.append(Event(end.utc_ns, kind, event.text, {**state, **values}))

    def report(self, now: Moment, conditions: Iterable[Condition], kind: str = "finding") -> None:
        """Tell all conditions of a kind that hold now; those left out do not hold.

        Parameters
        ----------
        now : Moment
            When.
        conditions : iterable of Condition
            With keys of their own; the prefix `kind:` is put before them.
        kind : str
            The word for programs.
        """
        held = {}
        for condition in conditions:
            key = f"{kind}:{condition.key}"
            held[key] = replace(condition, key=key)
        for key, condition in held.items():
            self._going.pop(key, None)
            if key in self._open:
                self.begin(now, condition, kind)
                continue
            pending = self._coming.setdefault(key, _Pending(now, condition))
            pending.condition = condition
            waited_s = (now.steady_ns - pending.since.steady_ns) / NS_PER_S
            if condition.rank is Rank.BAD or waited_s >= WATCH_APPEARS_S:
                self.begin(pending.since, condition, kind)
                del self._coming[key]
        self._let_go(now, held.keys(), kind)

    def _let_go(self, now: Moment, held: Iterable[str], kind: str) -> None:
        prefix, held = f"{kind}:", set(held)
        for key in [k for k in self._coming if k.startswith(prefix) and k not in held]:
            del self._coming[key]
        for key in [k for k in self._open if k.startswith(prefix) and k not in held]:
            since = self._going.setdefault(key, now)
            wait_s = 0.0 if self._open[key].rank is Rank.BAD else self._open[key].clears_s
            if now.steady_ns - since.steady_ns >= wait_s * NS_PER_S:
                self.end(since, key, kind)
                del self._going[key]

    def see(self) -> None:
        """Mark all events as seen."""
        for event in self.events:
            event.is_seen = True

    # ---- what comes out

    def take_records(self) -> list[Event]:
        """Give the lines for the events file since the last call."""
        records = list(self._records)
        self._records.clear()
        return records

    def unseen(self, now: Moment, *, has_keyboard: bool = True) -> list[LiveEvent]:
        """Give what nobody has seen; without a keyboard that of the last ten minutes."""
        return [
            event
            for event in self.events
            if not event.is_seen
            and (
                has_keyboard
                or event.is_open
                or now.steady_ns - event.start.steady_ns < UNSEEN_S * NS_PER_S
            )
        ]

    @property
    def open(self) -> list[LiveEvent]:
        """Give the events that last, BAD first."""
        return sorted(self._open.values(), key=lambda event: (event.rank, -event.start.steady_ns))

    def is_open(self, key: str) -> bool:
        """Tell whether an event with a key lasts."""
        return key in self._open

    @property
    def are_going(self) -> bool:
        """Whether the cause of an open event is gone, but not for long enough yet."""
        return bool(self._going)

    def listed(self) -> list[LiveEvent]:
        """Give the events as a list shows them: unseen BAD, unseen WATCH, then the newest first."""

        def order(event: LiveEvent) -> tuple[int, int]:
            first = event.rank if not event.is_seen and event.rank is not Rank.NOTE else Rank.NOTE
            return first, -event.start.steady_ns

        return sorted(self.events, key=order)

    def _joined(self, start: Moment, condition: Condition) -> LiveEvent | None:
        """Give the event that a chattering condition goes on with."""
        since_ns = start.steady_ns - CHATTER_S * NS_PER_S
        same = [
            event
            for event in self.events
            if event.key == condition.key and event.end and event.end.steady_ns >= since_ns
        ]
        if sum(event.times for event in same) < CHATTER_TIMES - 1:
            return None
        first = same[0]
        first.times = sum(event.times for event in same) + 1
        first.end, first.is_seen, first.is_known_over = None, False, True
        for event in same[1:]:
            self.events.remove(event)
        return first

    def _new(self, start: Moment, condition: Condition) -> LiveEvent:
        event = LiveEvent(condition.key, condition.rank, condition.text, condition.action, start)
        self.bad_starts += condition.rank is Rank.BAD
        self._append(event)
        return event

    def _append(self, event: LiveEvent) -> None:
        self.events.append(event)
        while len(self.events) > MOST_EVENTS:
            self.events.remove(
                max(self.events, key=lambda e: (not e.is_open, e.is_seen, e.rank, -e.start[0]))
            )
