"""What happened in a capture, found in its bytes: places to jump to where no events were kept.

The monitor and its rules look through the whole capture as a recorder would have, without waiting;
so the events are those that a recording would have kept. Hours take minutes: whoever needs one
place need not wait for the rest.
"""

import threading
from collections.abc import Callable

from rtcmtool.captures.companions import Event
from rtcmtool.monitor.outage_kinds import OutageChange
from rtcmtool.monitor.steady_clock import NS_PER_S
from rtcmtool.running.decoding_ahead import LookAhead
from rtcmtool.running.session import Session
from rtcmtool.running.timeline import Mark, Timeline, place_of
from rtcmtool.running.virtual_time import VirtualTime

JOIN_S = 2.0
# An event is told some time after its beginning: an outage when three intervals have been missed.
SETTLED_NS = 15 * NS_PER_S
MOST_MARKS = 10_000


class EventScan:
    """Looks through a capture; its marks may be read while it works.

    Parameters
    ----------
    timeline : Timeline
        The capture from its beginning: what came before an event belongs to what is found.
    make_session : callable
        Makes a session with the rules in it, asked as often as a recorder asks them.

    Attributes
    ----------
    is_done : bool
        Whether all has been looked through.
    reached_utc_ns : int
        How far it has come.
    failure : Exception or None
        Why it ended early.
    """

    def __init__(self, timeline: Timeline, make_session: Callable[[], Session]) -> None:
        self.is_done = False
        self.reached_utc_ns = timeline.begin_utc_ns
        self.failure: Exception | None = None
        self._timeline, self._make_session = timeline, make_session
        self._marks: list[Mark] = []
        self._session: Session | None = None
        self._time: VirtualTime
        self._ahead = LookAhead()
        self._pieces = self._ahead.pieces(timeline.pieces())
        self._is_stopped = False
        self._thread: threading.Thread | None = None

    @property
    def marks(self) -> tuple[Mark, ...]:
        """Places found so far, in the order in which a recorder would have told them."""
        return tuple(self._marks)

    @property
    def share(self) -> float:
        """How much of the time has been looked through, 0 to 1."""
        timeline = self._timeline
        length_ns = timeline.end_utc_ns - timeline.begin_utc_ns
        if self.is_done or length_ns <= 0:
            return 1.0 if self.is_done else 0.0
        return min(max((self.reached_utc_ns - timeline.begin_utc_ns) / length_ns, 0.0), 0.99)

    def covers(self, utc_ns: int) -> bool:
        """Tell whether everything that began before a time is known."""
        return self.is_done or self.reached_utc_ns >= utc_ns + SETTLED_NS

    def start(self) -> None:
        """Begin in the background; the second time nothing happens."""
        if self._thread is None:
            self._thread = threading.Thread(target=self._run_there, name="scan", daemon=True)
            self._thread.start()

    def stop(self) -> None:
        """Give up, if it still works; a signal handler may call it."""
        self._is_stopped = True

    def join(self) -> None:
        """Wait for the end in the background."""
        if self._thread is not None:
            self._thread.join(JOIN_S)

    def _run_there(self) -> None:
        try:
            self.run()
        except Exception as error:  # noqa: BLE001  (told by whoever asks for an event)
            self.failure = error
            self.is_done = True

    def run(self, until: Callable[["EventScan"], bool] = lambda _: False) -> None:
        """Look through the capture, or go on where it was enough before.

        Parameters
        ----------
        until : callable
            Asked now and then whether that is enough.

        Raises
        ------
        SourceError
            If the capture cannot be read any more.
        """
        if self._session is None:
            self._session = self._make_session()
            self._ahead.serve(self._session.live)
            self._session.listeners.append(_Places(self._marks))
            self._time = VirtualTime(self._session, self._timeline.begin_utc_ns)
        for piece in self._pieces:
            self._time.take(piece)
            self.reached_utc_ns = self._time.utc_ns
            if self._is_stopped or until(self):
                return
        self._session.close()
        self.is_done = True


class _Places:
    """A listener that keeps places to jump to."""

    def __init__(self, marks: list[Mark]) -> None:
        self._marks = marks

    def on_tick(self, session: Session) -> None:
        """Do nothing."""

    def on_event(self, session: Session, event: Event) -> None:
        """Keep the place of an event."""
        place = place_of(event)
        if place is not None and len(self._marks) < MOST_MARKS:
            self._marks.append(Mark(len(self._marks) + 1, *place))

    def on_outage(self, session: Session, change: OutageChange) -> None:
        """Do nothing: an outage is an event too."""
