"""What happens in a session, told as it happens: lines for people, JSON Lines for programs."""

import re
from collections.abc import Callable

import orjson

from rtcmtool.captures.companions import Event
from rtcmtool.monitor.live_state import LiveState
from rtcmtool.monitor.outage_kinds import OutageChange
from rtcmtool.running.judging import Judging
from rtcmtool.running.session import Session
from rtcmtool.views.status_lines import (
    StatusLines,
    event_object,
    event_text,
    outage_object,
    status_object,
)
from rtcmtool.views.windows_json import windows_object

STATUS_EVERY_S = 1.0
WINDOWS_EVERY_S = 60.0
FIRST_WINDOWS_S = 10.0  # so soon is it worth telling
MOST_TEXTS = 100  # remembered, so that the same trouble is told once
_DIGITS = re.compile(r"\d+")
_DATE = re.compile(r"^\d{4}-\d{2}-\d{2} ")
_TIMES = ("utc", "start_utc", "end_utc", "last_epoch_gps", "last_good_epoch_gps")


Write = Callable[[str], None]


def without_date(write: Write) -> Write:
    """Leave the day out of lines: of a recording whose day is not known an assumed one is no news.

    Parameters
    ----------
    write : callable
        Takes a line.

    Returns
    -------
    callable
        Takes a line that begins with day and time.
    """
    return lambda line: write(_DATE.sub("", line))


class PlainLines:
    """A listener that writes a line an event; what a source tries again and again is told once.

    Parameters
    ----------
    write : callable
        Takes a line.
    label : str
        Put before the text, where there are several sources.
    """

    def __init__(self, write: Write, label: str = "") -> None:
        self._write, self._label = write, label
        self._told: set[str] = set()

    def on_tick(self, session: Session) -> None:
        """Do nothing: only what happens is told."""

    def on_event(self, session: Session, event: Event) -> None:
        """Write a line."""
        if event.kind == "source":
            text = _DIGITS.sub("#", event.text)
            if text in self._told or len(self._told) > MOST_TEXTS:
                return
            self._told.add(text)
        elif event.kind == "opened":
            self._told.clear()
        time, _, text = event_text(event).partition("  ")
        self._write(f"{time}  {self._label}{text}")

    def on_outage(self, session: Session, change: OutageChange) -> None:
        """Do nothing: an outage is an event too."""


class StatusTold(PlainLines):
    """A listener that writes events, every change of the headline, and a status a minute.

    Parameters
    ----------
    write : callable
        Takes a line.
    judging : Judging
        Gives the verdict.
    """

    def __init__(self, write: Write, judging: Judging) -> None:
        super().__init__(write)
        self._judging = judging
        self._lines = StatusLines()
        self._live: LiveState | None = None

    def on_tick(self, session: Session) -> None:
        """Write what is due."""
        if session.live is not self._live:  # a replay has gone back
            self._lines, self._live = StatusLines(), session.live
        if self._judging.verdict is not None:
            for line in self._lines.lines(session.live, self._judging.verdict):
                self._write(line)


class JsonLines:
    """A listener that writes events, outages, the status and the windows as JSON Lines.

    The status comes once a second, the numbers of all windows once a minute.

    Parameters
    ----------
    write : callable
        Takes a line.
    judging : Judging
        Gives the verdict.
    source : str
        Told in each line, so that several sources can be told apart.
    is_dated : bool
        Whether the day is known; else all instants are null.
    """

    def __init__(
        self, write: Write, judging: Judging, source: str, *, is_dated: bool = True
    ) -> None:
        self._write, self._judging, self._source = write, judging, source
        self._unknown = {} if is_dated else dict.fromkeys(_TIMES)
        self._status_s: float | None = None
        self._windows_s: float | None = None

    def on_tick(self, session: Session) -> None:
        """Write the status, and the windows, if it is time."""
        now_s, verdict = session.last_monotonic_s, self._judging.verdict
        if verdict is None:
            return
        if self._status_s is not None and 0 <= now_s - self._status_s < STATUS_EVERY_S:
            return
        self._status_s = now_s
        self._put(status_object(session.live, verdict))
        if self._windows_s is None or now_s < self._windows_s - WINDOWS_EVERY_S:
            self._windows_s = now_s + FIRST_WINDOWS_S
        elif now_s >= self._windows_s:
            self._windows_s = now_s + WINDOWS_EVERY_S
            self._put(windows_object(session.live))

    def on_event(self, session: Session, event: Event) -> None:
        """Write an event."""
        self._put(event_object(event))

    def on_outage(self, session: Session, change: OutageChange) -> None:
        """Write an outage that opened or closed."""
        self._put(outage_object(change))

    def _put(self, document: dict[str, object]) -> None:
        unknown = {name: None for name in self._unknown if name in document}
        self._write(orjson.dumps({**document, **unknown, "source": self._source}).decode())
