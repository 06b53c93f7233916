"""Signals: the first asks for an orderly end, the second does not wait."""

import os
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType


class Stopper:
    """Remembers that an end was asked for, and how.

    Attributes
    ----------
    signal_number : int or None
        The signal that asked; None while nothing did.
    """

    def __init__(self) -> None:
        self.signal_number: int | None = None
        self._actions: list[Callable[[], None]] = []

    @property
    def is_asked(self) -> bool:
        """Whether an end was asked for."""
        return self.signal_number is not None

    def on_stop(self, action: Callable[[], None]) -> None:
        """Call this when an end is asked for; at once if it already was."""
        self._actions.append(action)
        if self.is_asked:
            action()

    def ask(self, signal_number: int) -> None:
        """Ask for an end; the second interrupt leaves at once."""
        if self.is_asked and signal_number == signal.SIGINT:
            raise KeyboardInterrupt
        self.signal_number = signal_number
        for action in self._actions:
            action()

    @property
    def exit_code(self) -> int | None:
        """130 for an interrupt; None where nothing was asked or the signal itself ends us."""
        return 130 if self.signal_number == signal.SIGINT else None

    def die_of_it(self, *, flushes: bool = True) -> None:
        """End by the signal that asked, as service managers expect; an interrupt is no such.

        Parameters
        ----------
        flushes : bool
            Whether standard output and error are written first: not where they are stuck.
        """
        if self.signal_number is None or self.signal_number == signal.SIGINT:
            return
        if flushes:
            sys.stdout.flush()
            sys.stderr.flush()
        signal.signal(self.signal_number, signal.SIG_DFL)
        os.kill(os.getpid(), self.signal_number)

    def leave(self, code: int, *, is_stuck: bool = False) -> int:
        """End as asked, or give the exit code back where no signal asked.

        Parameters
        ----------
        code : int
            Exit code.
        is_stuck : bool
            Whether a terminal is held: Python would wait for it at exit, for ever.
        """
        self.die_of_it(flushes=not is_stuck)
        if is_stuck:
            os._exit(code)
        return code


@contextmanager
def stopping(*, outlives_terminal: bool = False) -> Iterator[Stopper]:
    """Turn SIGINT, SIGTERM (and SIGHUP, SIGBREAK) into an orderly end while this is open.

    Parameters
    ----------
    outlives_terminal : bool
        A lost terminal does not end it: recordings go on.
    """
    stopper = Stopper()

    def handle(number: int, _frame: FrameType | None) -> None:
        stopper.ask(number)

    wanted = {signal.SIGINT: handle, signal.SIGTERM: handle}
    if hasattr(signal, "SIGBREAK"):
        wanted[signal.SIGBREAK] = handle
    before = {number: signal.signal(number, action) for number, action in wanted.items()}
    if hasattr(signal, "SIGHUP"):
        action = signal.SIG_IGN if outlives_terminal else handle
        before[signal.SIGHUP] = signal.signal(signal.SIGHUP, action)
    try:
        yield stopper
    finally:
        for number, previous in before.items():
            signal.signal(number, previous)
