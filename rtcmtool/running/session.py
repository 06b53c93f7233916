"""One live session: a feed into a recorder, the live state, and whoever looks at it.

Bytes are recorded in the thread that reads them, before anything looks at them: a screen that is
stuck, or a monitor that fails, delays and loses nothing of the recording.
"""

import logging
import threading
import traceback
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

from rtcmtool.captures.companions import Event
from rtcmtool.captures.writing import CaptureWriter
from rtcmtool.monitor.live_state import LiveState
from rtcmtool.monitor.outage_kinds import OutageChange
from rtcmtool.running.feed import (
    AnyFeed,
    Bytes,
    Changed,
    Ended,
    Feed,
    FeedItem,
    Paused,
    Rewound,
    Told,
)
from rtcmtool.sources import SourceState, Status

log = logging.getLogger(__name__)

OPENING_S = 3.0  # a source that is not open after so long is a time of not watching
STOPPED = "computer slept, or program stopped"
MOST_FAILURES = 20  # of the same cause mostly: more tell nothing new


class Listener(Protocol):
    """Whoever wants to know what happens in a session."""

    def on_tick(self, session: "Session") -> None:
        """Look at the state: about five times a second, and whenever bytes came."""
        ...

    def on_event(self, session: "Session", event: Event) -> None:
        """Take something that happened."""
        ...

    def on_outage(self, session: "Session", change: OutageChange) -> None:
        """Take an outage that opened or closed."""
        ...


@dataclass(slots=True)
class Session:
    """Drives recorder, live state and listeners with what a feed gives.

    Attributes
    ----------
    live : LiveState
        State of the stream; another object after a replay has gone back.
    writer : CaptureWriter or None
        Where bytes are recorded before anything looks at them. Once a feed is attached use it
        through `record_event` only: it is written from two threads.
    listeners : list of Listener
        Told in order. While recording, one that fails is dropped and its failure kept.
    received_bytes : int
        Bytes so far.
    failures : list of str
        Tracebacks of consumers that failed.
    source_error : Exception or None
        Why the source ended, if not by itself or on request.
    was_open : bool
        Whether the source has ever been open.
    """

    live: LiveState
    writer: CaptureWriter | None = None
    listeners: list[Listener] = field(default_factory=list)
    received_bytes: int = 0
    failures: list[str] = field(default_factory=list)
    source_error: Exception | None = None
    was_open: bool = False
    last_utc_ns: int = 0
    last_monotonic_s: float = 0.0
    anew: Callable[[int, float], LiveState] | None = None  # for replays: a state that begins then
    _live_failed: bool = False
    _is_attached: bool = False
    _opening_since_s: float | None = None
    _is_open: bool = False
    _trouble: str | None = None  # why the source is not open, as it told last
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def run(self, feed: AnyFeed, until: Callable[["Session"], bool] = lambda _: False) -> None:
        """Work until the feed ends or `until` says so; the session is closed then.

        Parameters
        ----------
        feed : Feed or Replay
            Started here.
        until : callable
            Asked after each item.
        """
        if isinstance(feed, Feed):
            self.attach(feed)
        feed.start()
        stopped = False
        for item in feed.items():
            self.take(item)
            if not stopped and until(self):
                stopped = True
                feed.stop()
        feed.join()
        self.close()

    def attach(self, feed: Feed) -> None:
        """Let a feed hand its bytes to the recorder by itself, in its own thread."""
        if self.writer is not None:
            feed.on_bytes = self._record
            self._is_attached = True

    def take(self, item: FeedItem) -> None:
        """Take one item of the feed."""
        match item:
            case Bytes():
                self._take_bytes(item)
            case Changed():
                self._take_status(item)
            case Paused():
                self._take_pause(item)
            case Told():
                self._take_told(item)
            case Rewound():
                if self.anew is not None:
                    self.live = self.anew(item.utc_ns, item.monotonic_s)
            case Ended():
                self.source_error = item.error

    def record_event(self, event: Event) -> None:
        """Write an event into the capture, if there is one, and tell it."""
        if self.writer is not None:
            with self._lock:
                self.writer.event(event)
        self._tell(lambda listener: listener.on_event(self, event))

    def close(self) -> None:
        """End the state and the recording; safe to call twice."""
        if self.last_utc_ns:
            self._guard_live(lambda: self.live.finish(self.last_utc_ns, self.last_monotonic_s))
        self._hand_out()
        if self.writer is not None:
            with self._lock:
                if self.live.state.base.is_simulated:
                    self.writer.mark_simulated()
                self.writer.close(self.last_utc_ns or self.live.start.utc_ns)

    def _record(self, item: Bytes) -> None:
        """Write what came; called in the thread that reads."""
        writer = self.writer
        assert writer is not None
        with self._lock:
            if item.data:
                writer.write(item.data, item.utc_ns)
            writer.tick(item.monotonic_s, item.utc_ns)

    def _take_bytes(self, item: Bytes) -> None:
        self.last_utc_ns, self.last_monotonic_s = item.utc_ns, item.monotonic_s
        if self.writer is not None and not self._is_attached:
            self._record(item)
        self.received_bytes += len(item.data)
        self._guard_live(lambda: self._feed_live(item))
        self._hand_out()
        self._tell(lambda listener: listener.on_tick(self))

    def _feed_live(self, item: Bytes) -> None:
        if item.data:
            self.was_open = True
        elif not self.was_open and self._is_attached:
            # A name that is looked up, a host that does not answer: no silence of the base.
            if self._opening_since_s is None:
                self._opening_since_s = item.monotonic_s
            elif item.monotonic_s - self._opening_since_s > OPENING_S and self.live.blind is None:
                self.live.not_listening(item.utc_ns, item.monotonic_s, "still opening the source")
        if item.data:
            self.live.feed(item.data, item.utc_ns, item.monotonic_s)
        else:
            self.live.tick(item.utc_ns, item.monotonic_s)

    def _take_pause(self, item: Paused) -> None:
        before, after = item.before, item.after
        self.last_utc_ns, self.last_monotonic_s = after.utc_ns, after.monotonic_s

        def note() -> None:
            if self.live.blind is None:
                self.live.not_listening(before.utc_ns, before.monotonic_s, STOPPED)
                self.live.listening(after.utc_ns, after.monotonic_s)

        self._guard_live(note)
        self._hand_out()

    def _take_told(self, item: Told) -> None:
        event, live = item.event, self.live
        self.last_utc_ns, self.last_monotonic_s = event.utc_ns, item.monotonic_s
        state = event.values.get("state")
        if event.kind == "monitor-gap" and state == "open":
            reason = str(event.values.get("reason") or event.text)
            live.not_listening(event.utc_ns, item.monotonic_s, reason)
        elif event.kind == "monitor-gap" and state == "ended":
            live.listening(event.utc_ns, item.monotonic_s)
        else:
            live.tick(event.utc_ns, item.monotonic_s)
            live.note(event.text, event.kind)
        self._hand_out()

    def _take_status(self, item: Changed) -> None:
        status = item.status
        self.last_utc_ns, self.last_monotonic_s = status.utc_ns, item.monotonic_s
        self._guard_live(lambda: self._note_status(status, item.monotonic_s))
        self._hand_out()

    def _note_status(self, status: Status, monotonic_s: float) -> None:
        live = self.live
        match status.state:
            case SourceState.OPENED:
                self.was_open = self._is_open = True
                self._trouble = None
                live.listening(status.utc_ns, monotonic_s)
                live.note(status.text, "opened")
            case SourceState.LOST:
                self._is_open, self._trouble = False, status.text
                live.not_listening(status.utc_ns, monotonic_s, status.text.rstrip("."))
                live.note(status.text, "lost")
            case SourceState.RETRYING:
                reason = (self._trouble or status.text).rstrip(".")
                live.not_listening(status.utc_ns, monotonic_s, reason, status.wait_s)
                live.note(status.text, "source")
            case SourceState.NOTE:
                live.tick(status.utc_ns, monotonic_s)
                if not self._is_open:
                    self._trouble = status.text
                live.note(status.text, "source")
            case SourceState.STOPPED:
                live.tick(status.utc_ns, monotonic_s)

    def _hand_out(self) -> None:
        """Give events and outages to the recorder first, then to the listeners."""
        if self._live_failed:
            events, changes = [], []
        else:
            events, changes = self.live.take_events(), self.live.take_outages()
        writer = self.writer
        if writer is not None:
            with self._lock:
                for event in events:
                    writer.event(event)
                for change in changes:
                    if not change.is_open:
                        writer.outage(change.row)
                events = [*events, *writer.take_events()]
        for event in events:
            self._tell(lambda listener, event=event: listener.on_event(self, event))  # type: ignore[misc]
        for change in changes:
            self._tell(lambda listener, change=change: listener.on_outage(self, change))  # type: ignore[misc]

    def _guard_live(self, action: Callable[[], None]) -> None:
        """Let a fault of the monitor show at once, but never stop a recording."""
        if self._live_failed:
            return
        if self.writer is None:
            action()
            return
        try:
            action()
        except Exception:  # noqa: BLE001  (bytes are sacred: the recording goes on without it)
            self._live_failed = True
            self._keep_failure("the monitor failed; recording goes on")

    def _tell(self, say: Callable[[Listener], None]) -> None:
        for listener in list(self.listeners):
            if self.writer is None:
                say(listener)
                continue
            try:
                say(listener)
            except Exception:  # noqa: BLE001  (bytes are sacred: the recording goes on without it)
                self.listeners.remove(listener)
                self._keep_failure(f"{type(listener).__name__} failed; recording goes on")

    def _keep_failure(self, text: str) -> None:
        self.failures = [*self.failures[-MOST_FAILURES + 1 :], traceback.format_exc()]
        log.error("%s\n%s", text, self.failures[-1])
        reason = self.failures[-1].strip().rpartition("\n")[2]
        self.record_event(Event(self.last_utc_ns, "failure", f"{text}: {reason}"))
