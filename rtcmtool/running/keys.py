"""Single keys from the controlling terminal, and what the terminal does to us meanwhile.

The terminal is given back as it was: at the end, after an exception, and while the program is
suspended. Signals only leave a mark here; the loop that draws acts on it.
"""

import os
import select
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from types import FrameType
from typing import Any

if sys.platform == "win32":
    import msvcrt
else:
    import termios
    import tty

BACKSPACE, ENTER, ESCAPE = "\x7f", "\r", "\x1b"
_MOST_BYTES = 256  # at once: a paste into the window


class Keys:
    """Keys as they are pressed; none where there is no terminal.

    Attributes
    ----------
    is_there : bool
        Whether there is a keyboard to read.
    was_resized, wants_suspend : bool
        The window has another size, or Ctrl-Z was pressed: taken back by whoever has acted.
    """

    def __init__(self) -> None:
        self.is_there = False
        self.was_resized = self.wants_suspend = False
        self._descriptor: int | None = None
        self._is_ours = False
        self._before: Any = None
        self._held = b""

    def open(self, device: str = "/dev/tty") -> None:
        """Begin to read single keys.

        Parameters
        ----------
        device : str
            The controlling terminal, so that standard input may be the stream.
        """
        if sys.platform == "win32":
            self.is_there = sys.stdin is not None and sys.stdin.isatty()
            return
        try:
            self._descriptor = os.open(device, os.O_RDWR | os.O_NOCTTY)
            self._is_ours = True
        except OSError:
            if sys.stdin is None or not sys.stdin.isatty():
                return
            self._descriptor = sys.stdin.fileno()
        try:
            self._before = termios.tcgetattr(self._descriptor)
        except termios.error:
            self.close()
            return
        self.take()
        self.is_there = True

    def take(self) -> None:
        """Put the terminal into the mode of single keys, without echo; Ctrl-C stays a signal."""
        if sys.platform != "win32" and self._descriptor is not None:
            tty.setcbreak(self._descriptor, termios.TCSANOW)

    def give_back(self) -> None:
        """Put the terminal back into the mode in which it was."""
        if sys.platform != "win32" and self._descriptor is not None and self._before is not None:
            with suppress(termios.error):  # the terminal has gone
                # At once: a change that lets output go first would wait at a held terminal.
                termios.tcsetattr(self._descriptor, termios.TCSANOW, self._before)

    def close(self) -> None:
        """Stop reading and put everything back; may be called twice."""
        self.give_back()
        if self._descriptor is not None and self._is_ours:
            os.close(self._descriptor)
        self._descriptor = self._before = None
        self._is_ours = self.is_there = False

    def pressed(self) -> list[str]:
        """Give the keys since the last call, without waiting.

        Returns
        -------
        list of str
            A character each; Enter is `ENTER`, and keys that send more than one character, such as
            arrows, are left out.
        """
        if sys.platform == "win32":
            return self._pressed_there()
        if self._descriptor is None:
            return []
        try:
            if not select.select([self._descriptor], [], [], 0.0)[0]:
                return []
            data = os.read(self._descriptor, _MOST_BYTES)
        except InterruptedError:
            return []
        except OSError:  # the terminal has gone
            self.close()
            return []
        if not data:
            self.close()
            return []
        return self._read(data)

    def _read(self, data: bytes) -> list[str]:
        """Cut bytes into characters; one that is not whole yet waits for its rest."""
        data = self._held + data
        if data.startswith(b"\x1b") and len(data) > 1:
            return []
        text = data.decode("utf-8", errors="ignore")
        self._held = b""
        for cut in range(1, min(4, len(data) + 1)):
            tail = data[-cut:]
            if tail[0] >= 0xC0:  # the first byte of a character of several
                try:
                    tail.decode("utf-8")
                except UnicodeDecodeError:
                    self._held = tail
                break
        return [{"\n": ENTER, "\b": BACKSPACE}.get(letter, letter) for letter in text]

    def _pressed_there(self) -> list[str]:
        """Give the keys on Windows."""
        found: list[str] = []
        if sys.platform == "win32":
            while self.is_there and msvcrt.kbhit():
                letter = msvcrt.getwch()
                if letter in {"\0", "\xe0"}:
                    msvcrt.getwch()  # the second half of a function key
                    continue
                found.append(BACKSPACE if letter == "\b" else letter)
        return found


@contextmanager
def reading_keys(*, can_suspend: bool = True) -> Iterator[Keys]:
    """Read keys while this is open, and mark what the terminal asks for.

    Parameters
    ----------
    can_suspend : bool
        Whether Ctrl-Z may stop the program: not while it records.
    """
    keys = Keys()
    before: dict[int, object] = {}

    def mark_resized(_number: int, _frame: FrameType | None) -> None:
        keys.was_resized = True

    def mark_suspend(_number: int, _frame: FrameType | None) -> None:
        keys.wants_suspend = True

    if sys.platform != "win32":
        before[signal.SIGWINCH] = signal.signal(signal.SIGWINCH, mark_resized)
        action = mark_suspend if can_suspend else signal.SIG_IGN
        before[signal.SIGTSTP] = signal.signal(signal.SIGTSTP, action)
    try:
        keys.open()
        yield keys
    finally:
        keys.close()
        for number, previous in before.items():
            signal.signal(number, previous)  # type: ignore[arg-type]  # as signal gave it


def suspend(keys: Keys, stop: Callable[[int], None] | None = None) -> None:
    """Let the shell have the terminal until the program is continued.

    Parameters
    ----------
    keys : Keys
        Open; the terminal is in its own mode meanwhile.
    stop : callable, optional
        For tests: stops the process, by default with SIGTSTP.
    """
    keys.wants_suspend = False
    if sys.platform == "win32":
        return
    keys.give_back()
    if stop is not None:
        stop(signal.SIGTSTP)
    else:
        ours = signal.signal(signal.SIGTSTP, signal.SIG_DFL)
        os.kill(os.getpid(), signal.SIGTSTP)  # returns when the program is continued
        signal.signal(signal.SIGTSTP, ours)
    keys.take()
    keys.was_resized = True
