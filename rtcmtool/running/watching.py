"""The dashboard in a terminal: when it is drawn, and what its keys do.

It is a listener of a session, so it shows a live source, a recording or a replay alike. It draws
once a second and at once on a change of state, but not more than twice a second.
"""

import os
import textwrap
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TextIO, cast

from rich.console import Console
from rich.live import Live
from rich.text import Text
from rich.theme import Theme

from rtcmtool.captures.companions import Event
from rtcmtool.diagnosis.wording import printable
from rtcmtool.gnss.time import iso_utc
from rtcmtool.monitor.events import Rank
from rtcmtool.monitor.outage_kinds import OutageChange
from rtcmtool.monitor.rover_state import RoverState
from rtcmtool.monitor.strips import VIEWS_S
from rtcmtool.running.disk import size_text
from rtcmtool.running.judging import Judging
from rtcmtool.running.keys import BACKSPACE, ENTER, ESCAPE, Keys, reading_keys, suspend
from rtcmtool.running.printing import is_held, settle
from rtcmtool.running.session import Session
from rtcmtool.views.dashboard import LEGEND, REPLAY_LEGEND, dashboard_lines
from rtcmtool.views.dashboard_pages import WINDOW_CHOICES, after_page
from rtcmtool.views.dashboard_parts import Screen, fitted
from rtcmtool.views.headline import headline
from rtcmtool.views.theme import THEME

LEAST_S = 0.5  # between two drawings, whatever happens
BELL_EVERY_S = 60.0
MESSAGE_S = 4.0  # an answer to a key stays so long
LONGEST_NOTE = 200
BELL = "\a"

# Where background colours are dropped or too alike, blocks are shown by reversing (user guide).
_WITHOUT_COLOUR = Theme(
    {
        "state.bad": "bold reverse",
        "state.watch": "reverse",
        "state.unknown": "reverse",
    },
    inherit=False,
)
_FEW_COLOURS = Theme(
    {
        "state.bad": "bold reverse",
        "state.watch": "black on yellow",
        "state.unknown": "black on cyan",
    },
    inherit=False,
)


def screen_console(stream: TextIO, color: str = "auto") -> Console:
    """Make the console of a dashboard; without colour it still reverses and writes bold.

    Parameters
    ----------
    stream : file
        A terminal.
    color : str
        "auto", "always" or "never".
    """
    plain = color == "never" or (color == "auto" and bool(os.environ.get("NO_COLOR")))
    console = Console(
        file=stream,
        theme=THEME,
        highlight=False,
        markup=False,
        emoji=False,
        no_color=plain,
        force_terminal=True if color == "always" else None,
    )
    if plain:
        console.push_theme(_WITHOUT_COLOUR)
    elif console.color_system == "standard":
        console.push_theme(_FEW_COLOURS)
    return console


@dataclass(frozen=True, slots=True)
class Facts:
    """What the command knows of a session.

    Attributes
    ----------
    source, site, sheet, radio_rate_bit_s, overhead, rover, is_dated
        As of `Screen`.
    """

    source: str
    site: str | None = None
    sheet: str | None = None
    radio_rate_bit_s: float | None = None
    overhead: float | None = None
    rover: RoverState | None = None
    is_dated: bool = True


class Dashboard:
    """A listener that draws, and acts on keys.

    Parameters
    ----------
    console : Console
        Of `screen_console`.
    judging : Judging
        Gives the verdict.
    facts : Facts
        What else is shown.
    quit_ : callable
        Ends the session; called when the user leaves with a key.
    refresh_s : float
        Between two drawings.
    has_bell : bool
        Whether the bell rings.
    on_key : callable, optional
        Takes a key first; tells whether it has used it. For replays.
    title : callable, optional
        Gives `REPLAY x10`.
    clock : callable
        Monotonic seconds of the person who looks: a replay has a clock of its own.

    Attributes
    ----------
    keys : Keys
        Open while it is shown.
    draws : int
        Drawings so far.
    has_quit : bool
        Whether a key has ended it.
    """

    def __init__(
        self,
        console: Console,
        judging: Judging,
        facts: Facts,
        quit_: Callable[[], None],
        *,
        refresh_s: float = 1.0,
        has_bell: bool = False,
        on_key: Callable[[str], bool] | None = None,
        title: Callable[[], str] | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.keys = Keys()
        self.draws = 0
        self.has_quit = False
        self._console, self._judging, self._facts = console, judging, facts
        self._quit, self._on_key, self._title = quit_, on_key, title
        self._refresh_s, self._has_bell = max(refresh_s, LEAST_S), has_bell
        self._clock = clock
        self._live: Live | None = None
        self._drawn_s: float | None = None
        self._is_due = True
        self._mood: object = None
        self._cell = self._window = self._page = self._skipped = 0
        self._note: str | None = None
        self._asks_to_quit = False
        self._shows_legend = False
        self._message = ""
        self._message_until_s = 0.0
        self._bad_starts: int | None = None  # what was before somebody looked rings no bell
        self._open_bad = 0
        self._rang_s: float | None = None

    # ---- on the screen and off it

    @contextmanager
    def shown(self, *, can_suspend: bool = True) -> Iterator[None]:
        """Take the terminal while this is open, and give it back as it was.

        Parameters
        ----------
        can_suspend : bool
            Whether Ctrl-Z may stop the program: not while it records.
        """
        with reading_keys(can_suspend=can_suspend) as keys:
            self.keys = keys
            try:
                self._start()
                yield
            finally:
                self._stop()

    def _start(self) -> None:
        self._live = Live(
            Text(""), console=self._console, screen=True, auto_refresh=False, transient=True
        )
        self._live.start()
        self._is_due = True
        self._drawn_s = None

    def _stop(self) -> None:
        live, self._live = self._live, None
        if live is not None:
            with suppress(OSError):  # the terminal has gone
                live.stop()
            settle(cast(TextIO, self._console.file))

    # ---- what a session tells

    def on_tick(self, session: Session) -> None:
        """Act on keys, and draw if it is time."""
        if self._live is None:
            return
        self._obey_terminal()
        for key in self.keys.pressed():
            self._press(key, session)
        verdict = self._judging.verdict
        if verdict is None:
            return
        mood = headline(session.live, verdict).mood
        if mood is not self._mood:
            self._mood, self._is_due = mood, True
        self._ring(session)
        now_s = self._clock()
        waited_s = None if self._drawn_s is None else now_s - self._drawn_s
        is_time = waited_s is None or waited_s >= (LEAST_S if self._is_due else self._refresh_s)
        if is_time and not is_held(cast(TextIO, self._console.file)):
            self._draw(session, now_s)

    def on_event(self, session: Session, event: Event) -> None:
        """Draw soon."""
        self._is_due = True

    def on_outage(self, session: Session, change: OutageChange) -> None:
        """Draw soon."""
        self._is_due = True

    def _obey_terminal(self) -> None:
        if self.keys.wants_suspend:
            self._stop()
            suspend(self.keys)
            self._start()
        if self.keys.was_resized:
            self.keys.was_resized = False
            self._is_due = True

    # ---- drawing

    def _draw(self, session: Session, now_s: float) -> None:
        assert self._live is not None
        self._drawn_s, self._is_due = now_s, False
        self.draws += 1
        width, height = self._console.size
        lines = self.lines(session, width, height)
        page = Text("\n", no_wrap=True, overflow="crop", end="").join(lines)
        self._live.update(page, refresh=True)

    def lines(self, session: Session, width: int, height: int) -> list[Text]:
        """Give what is shown now, as lines of a size."""
        if self._shows_legend:
            return self._legend(width, height, is_replay=self._title is not None)
        lines = dashboard_lines(self._screen(session), width, height)
        if self._asks_to_quit:
            text = " this ends the recording. End it? y: yes, any other key: no"
            if len(text) > width:
                text = " end the recording? y: yes, else no"
            lines[-1:] = [fitted(Text(text, "state.watch"), width)]
        elif self._message and self._clock() < self._message_until_s:
            lines[-1:] = [fitted(Text(f" {self._message}"), width)]
        return lines

    def _screen(self, session: Session) -> Screen:
        verdict, facts = self._judging.verdict, self._facts
        assert verdict is not None
        screen = Screen(
            session.live,
            verdict,
            source=facts.source,
            site=facts.site,
            sheet=facts.sheet,
            recording=_recording_text(session),
            replay=self._title() if self._title is not None else None,
            radio_rate_bit_s=facts.radio_rate_bit_s,
            cell_s=VIEWS_S[self._cell],
            page=self._page,
            skipped=self._skipped,
            window_s=WINDOW_CHOICES[self._window],
            rover=facts.rover,
            prompt=self._note,
            is_simulated=session.live.state.base.is_simulated,
            has_keyboard=self.keys.is_there,
            is_dated=facts.is_dated,
        )
        return screen if facts.overhead is None else replace(screen, overhead=facts.overhead)

    @staticmethod
    def _legend(width: int, height: int, *, is_replay: bool) -> list[Text]:
        room = max(width - 2, 20)
        lines = [
            Text(f" {part}")
            for line in (REPLAY_LEGEND if is_replay else LEGEND)
            for part in textwrap.wrap(line, room, subsequent_indent="       ") or [""]
        ]
        lines = lines[: height - 1]
        return [fitted(line, width) for line in [*lines, Text(" any key: back")]]

    # ---- keys

    def _press(self, key: str, session: Session) -> None:
        self._is_due = True
        if self._note is not None:
            self._type(key, session)
        elif self._shows_legend:
            self._shows_legend = False
        elif self._asks_to_quit:
            self._asks_to_quit = False
            if key in {"y", "Y"}:
                self._leave()
        elif self._on_key is None or not self._on_key(key):
            self._act(key, session)

    def _act(self, key: str, session: Session) -> None:
        match key:
            case "q" | "Q":
                if session.writer is not None:
                    self._asks_to_quit = True
                else:
                    self._leave()
            case " ":
                session.live.events.see()
                self._rang_s = None
            case "n" | "N":
                self._note = ""
            case "z" | "Z" if self._page == 1:
                self._window = (self._window + 1) % len(WINDOW_CHOICES)
            case "z" | "Z":
                self._cell = (self._cell + 1) % len(VIEWS_S)
            case "m" | "M" if self._judging.verdict is not None:  # else there is no page yet
                screen = self._screen(session)
                self._page, self._skipped = after_page(screen, *self._console.size)
            case "b" | "B":
                self._has_bell = not self._has_bell
                self.say("the bell rings at a new BAD" if self._has_bell else "the bell is off")
            case "w" | "W":
                self._save(session)
            case "?":
                self._shows_legend = True
            case _:
                return

    def _leave(self) -> None:
        self.has_quit = True
        self._quit()

    def _type(self, key: str, session: Session) -> None:
        """Take a key into the note being written."""
        assert self._note is not None
        if key == ENTER:
            text, self._note = self._note.strip(), None
            if text:
                session.live.note(text)
                self.say("note kept")
        elif key == ESCAPE:
            self._note = None
        elif key == BACKSPACE:
            self._note = self._note[:-1]
        elif key.isprintable() and len(self._note) < LONGEST_NOTE:
            self._note += key

    def say(self, text: str) -> None:
        """Answer to a key, in the last line, for a moment."""
        self._message, self._message_until_s = printable(text), self._clock() + MESSAGE_S

    def _save(self, session: Session) -> None:
        """Write the page as text into a file of its own."""
        if self._judging.verdict is None:
            return
        lines = dashboard_lines(self._screen(session), *self._console.size)
        text = "\n".join(line.plain.rstrip() for line in lines) + "\n"
        stamp = iso_utc(session.live.now.utc_ns, 0).replace("-", "").replace(":", "")
        if not self._facts.is_dated:
            stamp = stamp.partition("T")[2]
        for number in range(1, 100):
            path = Path(f"watch-{stamp}{'' if number == 1 else f'-{number}'}.txt")
            try:
                with path.open("x", encoding="utf-8") as file:
                    file.write(text)
            except FileExistsError:
                continue
            except OSError as error:
                self.say(f"not saved: {error.strerror}")
                return
            self.say(f"saved as {path}")
            return

    # ---- the bell

    def _ring(self, session: Session) -> None:
        """Ring at a new BAD, every minute until it is seen, and once when it has ended."""
        events = session.live.events
        is_new = self._bad_starts is not None and events.bad_starts > self._bad_starts
        open_bad = sum(event.rank is Rank.BAD for event in events.open)
        has_recovered = self._open_bad > 0 and open_bad == 0
        self._bad_starts, self._open_bad = events.bad_starts, open_bad
        if not self._has_bell:
            return
        now_s = self._clock()
        unseen = any(event.rank is Rank.BAD for event in events.unseen(session.live.now))
        again = unseen and self._rang_s is not None and now_s - self._rang_s >= BELL_EVERY_S
        if is_new or again:
            self._rang_s = now_s
        if is_new or again or has_recovered:
            self._console.file.write(BELL)
            self._console.file.flush()


def _recording_text(session: Session) -> str | None:
    """Say how much has been recorded and how much room is left."""
    writer = session.writer
    if writer is None:
        return None
    if writer.failure:
        return f"NOT RECORDING: {writer.failure}"
    try:
        free = f", disk {size_text(writer.free_bytes)}"
    except OSError:  # a card was pulled
        free = ""
    return f"recording {size_text(writer.size_bytes)}{free}"
