"""The keys of a replay: pause, step, speed, events, and a time that is typed."""

from collections.abc import Callable

from rtcmtool.captures.companions import Event
from rtcmtool.monitor.outage_kinds import OutageChange
from rtcmtool.running.judging import Judging
from rtcmtool.running.keys import BACKSPACE, ENTER, ESCAPE
from rtcmtool.running.replaying import Replay
from rtcmtool.running.session import Session

LONGEST_TIME = 40


class Cadence:
    """A listener that lets the rules be asked as often as the speed allows.

    Parameters
    ----------
    replay : Replay
        What is played.
    judging : Judging
        The listener that asks them; it stands behind this one.
    """

    def __init__(self, replay: Replay, judging: Judging) -> None:
        self._replay, self._judging = replay, judging

    def on_tick(self, session: Session) -> None:
        """Follow the speed."""
        self._judging.every_s = self._replay.judge_every_s

    def on_event(self, session: Session, event: Event) -> None:
        """Do nothing."""

    def on_outage(self, session: Session, change: OutageChange) -> None:
        """Do nothing."""


class ReplayKeys:
    """Turns keys into what the replay does; a listener that keeps the prompt on the screen.

    Parameters
    ----------
    replay : Replay
        What is played.
    read_time : callable
        Gives UTC ns of a text, or None where it is no time.

    Attributes
    ----------
    say : callable
        Shows a text in the last line for a moment.
    """

    def __init__(self, replay: Replay, read_time: Callable[[str], int | None]) -> None:
        self._replay, self._read_time = replay, read_time
        self.say: Callable[[str], None] = lambda _: None
        self._typed: str | None = None
        self._said = ""

    def press(self, key: str) -> bool:
        """Take a key; tell whether it was one of a replay."""
        if self._typed is not None:
            self._type(key)
            return True
        replay = self._replay
        match key:
            case "p" | "P":
                replay.toggle_pause()
            case ".":
                replay.step()
            case "+":
                replay.faster()
            case "-":
                replay.slower()
            case "]":
                replay.next_event()
                self.say(replay.message)
            case "[":
                replay.previous_event()
                self.say(replay.message)
            case "g" | "G":
                self._typed = ""
            case _:
                return False
        return True

    def _type(self, key: str) -> None:
        """Take a key into the time being written."""
        assert self._typed is not None
        if key == ENTER:
            text, self._typed = self._typed.strip(), None
            utc_ns = self._read_time(text) if text else None
            if utc_ns is not None:
                self._replay.jump(utc_ns)
                self.say(f"going to {text}")
            elif text:
                self.say(f"{text} is no time; write 10:15 or 10:15:30")
        elif key == ESCAPE:
            self._typed = None
            self.say("")
        elif key == BACKSPACE:
            self._typed = self._typed[:-1]
        elif key.isprintable() and len(self._typed) < LONGEST_TIME:
            self._typed += key

    def on_tick(self, session: Session) -> None:
        """Keep the prompt on the screen while something is typed, and tell the end."""
        if self._typed is not None:
            self.say(f"go to the time (UTC): {self._typed}_")
        elif self._replay.message != self._said:
            self._said = self._replay.message
            self.say(self._said)

    def on_event(self, session: Session, event: Event) -> None:
        """Do nothing."""

    def on_outage(self, session: Session, change: OutageChange) -> None:
        """Do nothing."""
