"""Lines for people: on a terminal they fit, in a pipe an event is a line."""

import os
import pty
import struct
from collections.abc import Iterator

import pytest

from rtcmtool.captures import Event
from rtcmtool.cli.console import show_error
from rtcmtool.errors import SourceError
from rtcmtool.monitor.live_state import LiveState
from rtcmtool.running.folding import folded, folding, width_of
from rtcmtool.running.session import Session
from rtcmtool.running.telling import PlainLines
from tests.running.driving import utc_ns

termios = pytest.importorskip("termios")
fcntl = pytest.importorskip("fcntl")

LONG = (
    "not watching: gate.example.net refuses a connection at port 5015: nothing listens there, or "
    "only one listener at a time is allowed."
)
STAMP_WIDTH = len("2026-03-04 06:59:42 UTC  ")


class Screen:
    """A terminal of a given size, or a pipe."""

    def __init__(self, columns: int | None) -> None:
        self.is_terminal = columns is not None
        self.ours, self.theirs = pty.openpty() if columns is not None else os.pipe()
        if columns is not None:
            size = struct.pack("HHHH", 24, columns, 0, 0)
            fcntl.ioctl(self.theirs, termios.TIOCSWINSZ, size)

    def isatty(self) -> bool:
        return os.isatty(self.theirs)

    def fileno(self) -> int:
        return self.theirs

    def close(self) -> None:
        os.close(self.ours)
        os.close(self.theirs)


@pytest.fixture(params=[80, 40, None])
def screen(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[Screen]:
    monkeypatch.delenv("COLUMNS", raising=False)
    made = Screen(request.param)
    yield made
    made.close()


def test_an_event_fits_the_terminal_and_its_rest_stands_under_its_text(screen: Screen) -> None:
    lines: list[str] = []
    teller = PlainLines(folding(lines.append, screen), "COM5: ")
    session = Session(LiveState(utc_ns(0), 0.0))
    teller.on_event(session, Event(utc_ns(0), "monitor-gap", LONG, {"state": "open"}))
    width = width_of(screen)
    if width is None:
        assert not screen.is_terminal
        assert len(lines) == 1
    else:
        assert len(lines) > 1
        assert max(map(len, lines)) <= width
        indent = min(STAMP_WIDTH, width - 20)
        assert {len(line) - len(line.lstrip()) for line in lines[1:]} == {indent}
    assert " ".join(" ".join(lines).split()).endswith(f"COM5: monitor-gap: {LONG[:-1]}, open")


def test_an_error_breaks_under_its_text_and_a_command_not_at_all(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    do = "sudo usermod -aG dialout $USER    then log out and in again"
    show_error(SourceError("COM5 cannot be opened: it is in use by one.", why=LONG, do=do))
    lines = capsys.readouterr().err.splitlines()
    assert lines[:2] == ["rtcmtool: COM5 cannot be opened: it is", "          in use by one."]
    assert lines[2].startswith("  why   not watching: ")
    assert lines[-1] == f"  do    {do}"
    assert all(line.startswith("        ") and len(line) <= 40 for line in lines[3:-1])


def test_a_word_longer_than_the_terminal_is_not_cut() -> None:
    path = "/a/very/long/" + "x" * 60
    parts = folded(f"recording COM5 into {path}", 40)
    assert path in [part.strip() for part in parts]


def test_a_pipe_is_as_wide_as_somebody_asks(monkeypatch: pytest.MonkeyPatch) -> None:
    screen = Screen(None)
    for asked, width in (("72", 72), ("0", None), ("wide", None), ("", None)):
        monkeypatch.setenv("COLUMNS", asked)
        assert width_of(screen) == width
    screen.close()
