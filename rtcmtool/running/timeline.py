"""A capture as things that happen: bytes, what was told then, and the time between them.

The computer's clock may have stepped while the capture was made. The axis here does not: steps are
taken out by the events that tell of them, a step back without such an event stands still.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from rtcmtool.captures.arrivals import Arrivals
from rtcmtool.captures.companions import Event, utc_ns_from_iso
from rtcmtool.captures.pacing import arrival_of
from rtcmtool.captures.reading import Capture
from rtcmtool.gnss import time as gnss_time
from rtcmtool.monitor.steady_clock import NS_PER_S
from rtcmtool.monitor.stream_clock import StreamClock
from rtcmtool.wire.epochs import TimeReference
from rtcmtool.wire.stream import decode_stream

# Found anew from the bytes while they are played.
_FOUND_ANEW = frozenset({"outage", "finding", "set-change", "clock-step"})
_JUMPED_TO = frozenset({"note", "clock-step", "not-written", "failure", "disk-low"})


@dataclass(frozen=True, slots=True)
class Piece:
    """Something that happened at a time of a capture.

    Attributes
    ----------
    utc_ns : int
        By the computer's clock as it was then.
    steady_ns : int
        On an axis that does not step; only differences count.
    data : bytes
        Empty where nothing came.
    event : Event or None
        What was told then.
    """

    utc_ns: int
    steady_ns: int
    data: bytes = b""
    event: Event | None = None


@dataclass(frozen=True, slots=True)
class Mark:
    """A place to jump to: its number from 1, when, and what."""

    number: int
    utc_ns: int
    text: str


class Timeline:
    """What happened in a capture, in order, from any time on.

    Parameters
    ----------
    capture : Capture
        With arrival times; see `timed_by_epochs` for one without.
    since, until : int, optional
        UTC, ns: no earlier and no later.

    Attributes
    ----------
    capture : Capture
        The same.
    since, until : int or None
        The same.
    begin_utc_ns, end_utc_ns : int
        From when to when.
    marks : tuple of Mark
        Places to jump to, as they were kept with the capture.
    has_marks : bool
        Whether what was kept tells all places; else they are in the bytes alone.
    """

    def __init__(
        self, capture: Capture, *, since: int | None = None, until: int | None = None
    ) -> None:
        self.capture = capture
        self.since, self.until = since, until
        self.begin_utc_ns, self.end_utc_ns = _range(capture, since, until)
        self._events = with_lost_bytes(capture.events)
        self.marks, self.has_marks = _kept_marks(capture)

    def pieces(self, since: int | None = None) -> Iterator[Piece]:
        """Give what happened, in order; `since` (UTC, ns) begins later."""
        begin = since if since is not None else self.since
        if begin is not None and self.since is not None:
            begin = max(begin, self.since)
        events = _Pending(self._events, begin, self.until)
        at = Piece(self.begin_utc_ns if begin is None else begin, 0)
        first = True
        for chunk in self.capture.arrival_chunks(since=begin, until=self.until):
            utc_ns = arrival_of(chunk)
            utc_ns = at.utc_ns if utc_ns is None else utc_ns
            if first and begin is None:
                at = Piece(min(utc_ns, at.utc_ns), 0)
            first = False
            step_ns = events.step_ns(at.utc_ns, utc_ns)
            passed_ns = max(utc_ns - at.utc_ns - step_ns, 0)
            for event in events.due(utc_ns, is_back=utc_ns < at.utc_ns):
                waited_ns = min(max(event.utc_ns - at.utc_ns, 0), passed_ns)
                yield Piece(event.utc_ns, at.steady_ns + waited_ns, event=event)
            at = Piece(utc_ns, at.steady_ns + passed_ns, chunk.data)
            yield at
        end_ns = max(self._closed_utc_ns(), at.utc_ns)
        for event in events.due(end_ns, is_back=False):
            waited_ns = max(event.utc_ns - at.utc_ns, 0)
            yield Piece(event.utc_ns, at.steady_ns + waited_ns, event=event)
        if end_ns > at.utc_ns:
            yield Piece(end_ns, at.steady_ns + end_ns - at.utc_ns)

    def _closed_utc_ns(self) -> int:
        """Give when the capture was closed, or what is played of it ends; 0 where not known."""
        description = self.capture.description
        end = description.end_utc_ns if description else None
        if self.until is None:
            return end or 0
        return self.until if end is None else min(end, self.until)


class _Pending:
    """The events of a capture that are still to come, in the order in which they were written."""

    def __init__(self, events: Sequence[Event], since: int | None, until: int | None) -> None:
        later = (event for event in events if since is None or event.utc_ns >= since)
        self._events = [event for event in later if until is None or event.utc_ns <= until]
        self._next = 0

    def step_ns(self, before_ns: int, after_ns: int) -> int:
        """Give the step forward of the computer's clock between two arrivals; 0 without one.

        A step back needs no event: the arrivals show it.
        """
        for event in self._events[self._next :]:
            if event.utc_ns > after_ns + NS_PER_S:
                break
            step_s = event.values.get("step_s")
            if event.kind != "clock-step" or not isinstance(step_s, int | float):
                continue
            step_ns = round(step_s * NS_PER_S)
            if step_ns > 0 and after_ns - before_ns >= step_ns / 2:
                return step_ns
        return 0

    def due(self, utc_ns: int, *, is_back: bool) -> Iterator[Event]:
        """Give the events up to a time; what was told behind a step back waits for it."""
        may_pass_step = is_back
        while self._next < len(self._events):
            event = self._events[self._next]
            step_s = event.values.get("step_s") if event.kind == "clock-step" else None
            is_step_back = isinstance(step_s, int | float) and step_s < 0
            if is_step_back and not may_pass_step:
                return
            if is_step_back:
                may_pass_step = False
            elif event.utc_ns > utc_ns and not may_pass_step:
                return
            self._next += 1
            if event.kind not in _FOUND_ANEW:
                yield event


def with_lost_bytes(events: Sequence[Event]) -> tuple[Event, ...]:
    """Turn a gap that a full disk has left into one with a beginning and an end.

    The recorder tells it afterwards, with the time of its beginning.
    """
    found: list[Event] = []
    for event in events:
        since = event.values.get("since_utc")
        if event.kind != "monitor-gap" or not isinstance(since, str):
            found.append(event)
            continue
        try:
            begin_ns = utc_ns_from_iso(since)
        except ValueError:
            found.append(event)
            continue
        place = len(found)
        while place and begin_ns < found[place - 1].utc_ns <= event.utc_ns:
            place -= 1
        text = "bytes that the disk did not take"
        found.insert(place, Event(begin_ns, "monitor-gap", text, {"state": "open"}))
        found.append(Event(event.utc_ns, "monitor-gap", text, {"state": "ended"}))
        found.append(replace(event, kind="written-again"))
    return tuple(found)


def timed_by_epochs(capture: Capture, reference: TimeReference) -> tuple[Capture, bool]:
    """Give a capture without arrival times those of its epochs.

    Parameters
    ----------
    capture : Capture
        Read once, whole.
    reference : TimeReference
        What is known of the date.

    Returns
    -------
    Capture
        Each epoch arrives at its own time. Empty arrivals where it holds no epoch.
    bool
        Whether the date is known; else the time of day is right alone.
    """
    clock = StreamClock()
    times_ms, offsets = [], []
    last_ms = -1
    for batch in decode_stream(capture.chunks(), reference):
        times = clock.times(replace(batch, arrival_utc_ns=np.full(len(batch), -1, np.int64)))
        if not len(times):
            continue
        changed = np.flatnonzero(np.diff(times, prepend=last_ms) > 0)
        last_ms = int(times[-1])
        times_ms.append(times[changed])
        offsets.append(batch.block.offset + batch.block.starts[changed])
    if not times_ms or clock.first_ms is None:
        return capture, False
    shift_ms = 0
    dated_ms = clock.gps_ms_of_epoch(0)
    if dated_ms is not None:
        shift_ms = dated_ms
    all_ms = np.concatenate(times_ms).astype(np.int64) + shift_ms
    # One table look-up for the whole: a leap second inside a capture would be a curiosity.
    first_utc_ns = gnss_time.utc_ns_from_gps_ms(int(all_ms[0]))
    utc_ns = first_utc_ns + (all_ms - all_ms[0]) * 1_000_000
    arrivals = Arrivals(utc_ns, np.concatenate(offsets).astype(np.int64))
    return replace(capture, arrivals=arrivals), dated_ms is not None


def _range(capture: Capture, since: int | None, until: int | None) -> tuple[int, int]:
    """Give from when to when a capture is played."""
    description, arrivals = capture.description, capture.arrivals
    begin = description.start_utc_ns if description else None
    end = description.end_utc_ns if description else None
    if len(arrivals):
        first, last = int(arrivals.utc_ns[0]), int(arrivals.utc_ns.max())
        begin = first if begin is None or begin > first else begin
        end = last if end is None or end < last else end
    begin = begin or 0
    end = begin if end is None else end
    if since is not None:
        begin = max(begin, since)
    if until is not None:
        end = min(end, until)
    return begin, end


def _kept_marks(capture: Capture) -> tuple[tuple[Mark, ...], bool]:
    """Give the places kept with a capture, and whether they are all.

    A recorder has told everything, even if that is nothing; but a simulated capture may have been
    written without a monitor.
    """
    found = (place_of(event) for event in capture.events)
    places = [place for place in found if place is not None]
    if not capture.events:
        places = [(row.start_utc_ns, row.kind) for row in capture.outages]
    marks = tuple(
        Mark(number, utc_ns, text) for number, (utc_ns, text) in enumerate(places, start=1)
    )
    description = capture.description
    is_recorded = description is not None and not description.simulated and bool(capture.events)
    is_monitored = any(event.values.get("monitored") is True for event in capture.events)
    return marks, bool(marks) or is_recorded or is_monitored


def place_of(event: Event) -> tuple[int, str] | None:
    """Give time and text of an event that somebody wants to jump to; None for others."""
    if event.values.get("state") == "open" or event.kind in _JUMPED_TO:
        return event.utc_ns, f"{event.kind}: {event.text}"
    return None
