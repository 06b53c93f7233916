"""Keys from a real pseudo-terminal, and that the terminal is given back as it was."""

import fcntl
import os
import signal
import struct
import sys
import time
from collections.abc import Iterator
from typing import Any

import pytest

from rtcmtool.running.keys import BACKSPACE, ENTER, ESCAPE, Keys, reading_keys, suspend

if sys.platform == "win32":
    pytest.skip("pseudo-terminals are not on Windows", allow_module_level=True)

import termios

SAFETY_S = 120.0


class Terminal:
    """A pseudo-terminal: whoever types writes to `end`."""

    def __init__(self) -> None:
        self.end, self.descriptor = os.openpty()
        self.name = os.ttyname(self.descriptor)

    @property
    def mode(self) -> list[Any]:
        return termios.tcgetattr(self.descriptor)

    @property
    def waits_for_lines(self) -> bool:
        return bool(self.mode[3] & termios.ICANON)

    @property
    def echoes(self) -> bool:
        return bool(self.mode[3] & termios.ECHO)

    def type(self, data: bytes) -> None:
        """Type, and wait until all of it can be read."""
        os.write(self.end, data)
        due_s = time.monotonic() + SAFETY_S
        while self._waiting_bytes < len(data) and time.monotonic() < due_s:
            time.sleep(0.001)
        assert self._waiting_bytes == len(data)

    @property
    def _waiting_bytes(self) -> int:
        answer = fcntl.ioctl(self.descriptor, termios.FIONREAD, bytes(4))
        return int(struct.unpack("i", answer)[0])

    def press(self, keys: Keys, data: bytes, count: int = 1) -> list[str]:
        """Type, and wait until so many keys have come."""
        os.write(self.end, data)
        due_s = time.monotonic() + SAFETY_S
        found: list[str] = []
        while len(found) < count and time.monotonic() < due_s:
            found += keys.pressed()
        return found

    def close(self) -> None:
        for descriptor in {self.end, self.descriptor} - {-1}:
            os.close(descriptor)


@pytest.fixture
def terminal() -> Iterator[Terminal]:
    opened = Terminal()
    yield opened
    opened.close()


@pytest.fixture
def keys(terminal: Terminal) -> Iterator[Keys]:
    opened = Keys()
    opened.open(terminal.name)
    yield opened
    opened.close()


def test_keys_come_one_by_one_without_enter(terminal: Terminal, keys: Keys) -> None:
    assert keys.is_there
    assert not terminal.waits_for_lines
    assert not terminal.echoes
    assert keys.pressed() == []
    assert terminal.press(keys, b"q") == ["q"]
    assert terminal.press(keys, b" n?", 3) == [" ", "n", "?"]


def test_enter_backspace_and_escape_have_names(terminal: Terminal, keys: Keys) -> None:
    assert terminal.press(keys, b"\n") == [ENTER]
    assert terminal.press(keys, b"\x7f\b", 2) == [BACKSPACE, BACKSPACE]
    assert terminal.press(keys, b"\x1b") == [ESCAPE]


def test_arrows_and_other_long_keys_do_nothing(terminal: Terminal, keys: Keys) -> None:
    terminal.type(b"\x1b[A")
    assert keys.pressed() == []
    assert terminal.press(keys, b"z") == ["z"]


def test_a_letter_of_two_bytes_may_come_in_two_pieces(terminal: Terminal, keys: Keys) -> None:
    first, second = "ö".encode()[:1], "ö".encode()[1:]
    terminal.type(first)
    assert keys.pressed() == []
    assert terminal.press(keys, second + b"x", 2) == ["ö", "x"]


def test_bytes_that_are_no_text_are_left_out(terminal: Terminal, keys: Keys) -> None:
    assert terminal.press(keys, b"\xff\xfea") == ["a"]


def test_the_terminal_is_as_it_was_afterwards(terminal: Terminal) -> None:
    before = terminal.mode
    keys = Keys()
    keys.open(terminal.name)
    assert terminal.mode != before
    keys.close()
    assert terminal.mode == before
    keys.close()
    assert keys.pressed() == []


def test_the_terminal_is_as_it_was_after_an_exception(
    terminal: Terminal, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = terminal.mode
    opens = Keys.open
    monkeypatch.setattr(Keys, "open", lambda self: opens(self, terminal.name))
    with pytest.raises(ZeroDivisionError), reading_keys() as keys:
        raise ZeroDivisionError if keys.is_there else AssertionError
    assert terminal.mode == before


def test_the_shell_has_its_terminal_while_we_are_suspended(terminal: Terminal, keys: Keys) -> None:
    seen = []
    keys.wants_suspend = True
    suspend(keys, lambda number: seen.append((number, terminal.waits_for_lines, terminal.echoes)))
    assert seen == [(signal.SIGTSTP, True, True)]
    assert not terminal.waits_for_lines
    assert not keys.wants_suspend
    assert keys.was_resized  # whatever is on the screen must be drawn again


def test_a_terminal_that_has_gone_has_no_keys(terminal: Terminal, keys: Keys) -> None:
    os.close(terminal.end)
    terminal.end = -1
    due_s = time.monotonic() + SAFETY_S
    while keys.is_there and time.monotonic() < due_s:
        assert keys.pressed() == []
    assert not keys.is_there


def test_without_a_terminal_there_are_no_keys(monkeypatch: pytest.MonkeyPatch, tmp_path) -> None:
    monkeypatch.setattr(sys, "stdin", None)
    keys = Keys()
    keys.open(str(tmp_path / "none"))
    assert not keys.is_there
    assert keys.pressed() == []


def test_resizing_and_suspending_leave_a_mark_and_the_old_handlers_come_back() -> None:
    before = [signal.getsignal(number) for number in (signal.SIGWINCH, signal.SIGTSTP)]
    with reading_keys() as keys:
        os.kill(os.getpid(), signal.SIGWINCH)
        os.kill(os.getpid(), signal.SIGTSTP)
        assert keys.was_resized
        assert keys.wants_suspend
    assert [signal.getsignal(number) for number in (signal.SIGWINCH, signal.SIGTSTP)] == before


def test_a_recording_is_not_suspended() -> None:
    with reading_keys(can_suspend=False) as keys:
        os.kill(os.getpid(), signal.SIGTSTP)
        assert not keys.wants_suspend
