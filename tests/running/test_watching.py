"""The dashboard as a listener: when it draws, what its keys do; the terminal is a text buffer."""

import re
from collections.abc import Callable
from io import StringIO
from pathlib import Path

import pytest

from rtcmtool.diagnosis.context import Context
from rtcmtool.monitor.live_state import LiveState
from rtcmtool.monitor.stream_state import StreamState
from rtcmtool.running.judging import Judging
from rtcmtool.running.keys import BACKSPACE, ENTER, ESCAPE
from rtcmtool.running.session import Session
from rtcmtool.running.watching import BELL, Dashboard, Facts, screen_console
from rtcmtool.sources import SourceState
from tests.running.driving import (
    MONOTONIC_S,
    T0_NS,
    by_epoch,
    drive,
    item,
    status,
    stream_of,
    with_ticks,
)

ENTERS, LEAVES = "\x1b[?1049h", "\x1b[?1049l"
COLOUR = re.compile(r"\x1b\[[0-9;]*(?:3[0-8]|4[0-8])[;m]")


class Screen(StringIO):
    """A terminal of 80 x 24 that keeps what is written."""

    def isatty(self) -> bool:
        return True


class Fingers:
    """Keys that a test presses."""

    def __init__(self) -> None:
        self.is_there = True
        self.was_resized = self.wants_suspend = False
        self.next: list[str] = []

    def pressed(self) -> list[str]:
        pressed, self.next = self.next, []
        return pressed


class Shown:
    """A dashboard over a session, and the clock of whoever looks at it."""

    def __init__(self, session: Session, color: str = "auto", **more) -> None:
        self.session = session
        self.file = Screen()
        self.now_s = 0.0
        self.quits = 0
        self.fingers = Fingers()
        judging = Judging(Context(StreamState()))
        self.dashboard = Dashboard(
            screen_console(self.file, color), judging, Facts("COM5"), self._quit,
            clock=lambda: self.now_s, **more,
        )  # fmt: skip
        session.listeners += [judging, self.dashboard]

    def _quit(self) -> None:
        self.quits += 1

    def play(self, begin_s: float, end_s: float, stream=()) -> "Shown":
        """Let time pass on all clocks."""
        for at_s, data in with_ticks(
            (s for s in stream if begin_s < s[0] <= end_s), end_s, begin_s
        ):
            self.now_s = at_s
            self.session.take(item(at_s, data))
        return self

    def press(self, *keys: str) -> "Shown":
        self.fingers.next += keys
        self.now_s += 0.01
        self.dashboard.on_tick(self.session)
        return self

    @property
    def text(self) -> str:
        """What the screen shows now."""
        return "\n".join(line.plain for line in self.dashboard.lines(self.session, 80, 24))


@pytest.fixture
def show(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Callable[..., Shown]:
    """Give a maker of dashboards that are on the screen until the test ends."""
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("LINES", "24")
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.chdir(tmp_path)

    def make(session: Session | None = None, **more) -> Shown:
        if session is None:
            session = Session(LiveState(T0_NS, MONOTONIC_S))
        shown = Shown(session, **more)
        shown.dashboard._start()
        shown.dashboard.keys = shown.fingers  # type: ignore[assignment]
        return shown

    return make


STREAM = by_epoch(stream_of(60))


@pytest.mark.slow
def test_it_draws_once_a_second_while_nothing_changes(show) -> None:
    shown = show().play(0.0, 20.0, STREAM)
    before = shown.dashboard.draws
    shown.play(20.0, 30.0, STREAM)
    assert 9 <= shown.dashboard.draws - before <= 11


def test_it_never_draws_more_than_twice_a_second(show) -> None:
    shown = show()
    for place in range(100):
        shown.session.live.note(f"note {place}")
        shown.play(place * 0.1, place * 0.1 + 0.1)
    assert shown.dashboard.draws <= 21


def test_a_burst_of_bytes_makes_no_burst_of_drawings(show) -> None:
    shown = show()
    for _ in range(500):
        shown.session.take(item(1.0, bytes(100)))
    assert shown.dashboard.draws == 1


def test_a_change_of_state_is_drawn_at_once(show) -> None:
    shown = show().play(0.0, 30.0, STREAM)
    before = shown.dashboard.draws
    shown.now_s += 0.55
    shown.session.take(status(30.5, SourceState.LOST, "COM5 is gone"))
    shown.session.take(item(30.55))
    assert shown.dashboard.draws == before + 1
    assert "NOT WATCHING - COM5 is gone" in shown.text


@pytest.mark.slow
def test_the_age_counts_up_while_nothing_comes(show) -> None:
    shown = show().play(0.0, 30.0, STREAM)
    shown.play(30.0, 37.0)
    assert "SILENT for 7 s" in shown.text or "SILENT for 6 s" in shown.text
    shown.play(37.0, 40.0)
    assert "SILENT for 10 s" in shown.text or "SILENT for 9 s" in shown.text


def test_a_key_that_has_no_meaning_does_nothing(show) -> None:
    shown = show().play(0.0, 3.0, STREAM)
    before = shown.text
    assert shown.press("x", "5").text == before
    assert shown.quits == 0


@pytest.mark.parametrize("key", [*"qmnzbw?[]gp+-. ", ENTER, ESCAPE, BACKSPACE])
def test_a_key_before_there_is_anything_to_show_breaks_nothing(show, key: str) -> None:
    shown = show().press(key, "m", "w", ESCAPE)  # nothing was judged yet
    shown.play(0.0, 5.0, STREAM)
    assert shown.dashboard.draws
    assert not list(Path().iterdir())


def test_q_leaves_at_once_while_nothing_is_recorded(show) -> None:
    shown = show().play(0.0, 3.0, STREAM).press("q")
    assert shown.quits == 1
    assert shown.dashboard.has_quit


def test_q_asks_back_while_recording(show, tmp_path: Path) -> None:
    driven = drive(tmp_path)
    shown = show(driven.session).play(0.0, 3.0, STREAM).press("q")
    assert shown.quits == 0
    assert "ends the recording" in shown.text
    narrow = shown.dashboard.lines(shown.session, 40, 24)[-1].plain
    assert narrow.strip() == "end the recording? y: yes, else no"
    assert shown.press("n").quits == 0
    assert "ends the recording" not in shown.text
    assert shown.press("q", "y").quits == 1
    driven.close()


def test_the_screen_tells_how_much_is_recorded(show, tmp_path: Path) -> None:
    driven = drive(tmp_path)
    shown = show(driven.session).play(0.0, 10.0, STREAM)
    assert "recording " in shown.text
    driven.close()


@pytest.mark.slow
def test_space_marks_events_as_seen(show) -> None:
    shown = show().play(0.0, 30.0, STREAM).play(30.0, 50.0)
    assert shown.session.live.events.unseen(shown.session.live.now)
    assert " * BAD" in shown.text
    shown.press(" ")
    assert not shown.session.live.events.unseen(shown.session.live.now)
    assert " * BAD" not in shown.text


def test_a_note_is_kept_with_its_time(show, tmp_path: Path) -> None:
    driven = drive(tmp_path)
    shown = show(driven.session).play(0.0, 3.0, STREAM)
    shown.press("n", *"moved the truk", "\x7f", "c", "k")
    assert "note: moved the truck_" in shown.text
    shown.press(ENTER).play(3.0, 4.0, STREAM)
    driven.close()
    assert [event.text for event in driven.kept.of("note")] == ["moved the truck"]
    assert '"moved the truck"' in driven.path.with_name("job.events.jsonl").read_text()


def test_while_a_note_is_typed_letters_are_letters(show) -> None:
    shown = show().play(0.0, 3.0, STREAM).press("n", "q", "z", " ", "?")
    assert shown.quits == 0
    assert "note: qz ?_" in shown.text
    assert "note:" not in shown.press(ESCAPE).text.splitlines()[-1].split("n: note")[0]
    assert shown.press("q").quits == 1


def test_an_empty_note_is_none(show) -> None:
    shown = show().play(0.0, 3.0, STREAM).press("n", " ", ENTER)
    assert not any(event.key == "note" for event in shown.session.live.events.events)


def test_z_changes_the_length_of_the_strip(show) -> None:
    shown = show().play(0.0, 10.0, STREAM)
    found = []
    for _ in range(5):
        found += re.findall(r"LAST (\d+ \w+)", shown.text)
        shown.press("z")
    assert len(set(found)) == 4
    assert found[0] == found[4]


def test_the_legend_is_shown_until_the_next_key(show) -> None:
    shown = show().play(0.0, 3.0, STREAM).press("?")
    assert "none of it came" in shown.text
    assert "none of it came" not in shown.press("q").text
    assert shown.quits == 0


def test_w_saves_the_page_and_writes_over_nothing(show, tmp_path: Path) -> None:
    shown = show().play(0.0, 10.0, STREAM).press("w")
    assert "saved as watch-" in shown.text
    shown.press("w")
    saved = sorted(tmp_path.glob("watch-*.txt"))
    assert len(saved) == 2
    assert "last epoch" in saved[0].read_text(encoding="utf-8")


def test_a_page_that_cannot_be_saved_is_told(
    show, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shown = show().play(0.0, 3.0, STREAM)

    def refuse(*arguments, **more) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    assert "not saved: Permission denied" in shown.press("w").text


@pytest.mark.slow
def test_the_bell_rings_at_a_new_fault_each_minute_and_at_recovery(show) -> None:
    shown = show(has_bell=True).play(0.0, 30.0, STREAM)
    assert BELL not in shown.file.getvalue()
    shown.play(30.0, 60.0)
    assert shown.file.getvalue().count(BELL) == 1
    shown.play(60.0, 110.0)
    assert shown.file.getvalue().count(BELL) == 2
    shown.press(" ").play(110.0, 200.0)
    assert shown.file.getvalue().count(BELL) == 2
    shown.play(200.0, 260.0, [(at_s + 200.0, data) for at_s, data in STREAM])
    assert shown.file.getvalue().count(BELL) >= 3


@pytest.mark.slow
def test_the_bell_is_off_until_b_is_pressed(show) -> None:
    shown = show().play(0.0, 30.0, STREAM)
    assert "the bell rings" in shown.press("b").text
    assert "the bell is off" in shown.press("b").text
    shown.play(30.0, 60.0)
    assert BELL not in shown.file.getvalue()


def test_a_replay_takes_keys_first_and_gives_the_title(show) -> None:
    taken: list[str] = []

    def on_key(key: str) -> bool:
        taken.append(key)
        return key in "p+-."

    shown = show(on_key=on_key, title=lambda: "REPLAY x10").play(0.0, 3.0, STREAM)
    assert "REPLAY x10" in shown.text
    shown.press("p", "q")
    assert taken == ["p", "q"]
    assert shown.quits == 1


def test_the_normal_screen_comes_back_also_after_an_exception(monkeypatch) -> None:
    monkeypatch.setenv("TERM", "xterm-256color")
    shown = Shown(Session(LiveState(T0_NS, MONOTONIC_S)))
    with pytest.raises(ZeroDivisionError), shown.dashboard.shown():
        raise ZeroDivisionError
    written = shown.file.getvalue()
    assert written.count(ENTERS) == written.count(LEAVES) == 1
    assert written.index(ENTERS) < written.index(LEAVES)


def test_a_simulated_stream_says_so(show) -> None:
    from tests.streams import text

    shown = show().play(0.0, 2.0, [(1.0, text("SIMULATED: weak-radio"))])
    assert shown.text.startswith(" SIMULATED ")


@pytest.mark.slow
def test_without_colour_the_blocks_are_reversed(show, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    shown = show().play(0.0, 30.0, STREAM).play(30.0, 50.0)
    written = shown.file.getvalue()
    assert not COLOUR.search(written)
    assert "\x1b[1;7m" in written
    assert "SILENT" in written


@pytest.mark.slow
def test_sixteen_colours_tell_bad_from_watch(show, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.delenv("COLORTERM", raising=False)
    shown = show().play(0.0, 30.0, STREAM).play(30.0, 50.0)
    assert "\x1b[1;7m SILENT" in shown.file.getvalue() or "\x1b[1;7mSILENT" in shown.file.getvalue()


@pytest.mark.parametrize(("width", "height"), [(80, 24), (120, 40), (40, 15), (30, 8), (10, 2)])
@pytest.mark.slow
def test_no_line_is_wider_than_the_screen_and_no_screen_too_high(
    show, width: int, height: int
) -> None:
    shown = show().play(0.0, 40.0, STREAM).press("q")
    for _ in range(2):
        lines = shown.dashboard.lines(shown.session, width, height)
        assert len(lines) <= height
        assert max(line.cell_len for line in lines) <= width
        shown.press("?")
