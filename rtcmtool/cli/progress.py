"""A bar on long files: share of bytes, speed, time left, what was found so far."""

import argparse
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from time import monotonic

from rich.progress import (
    BarColumn,
    DownloadColumn,
    Progress,
    TaskID,
    TextColumn,
    TimeRemainingColumn,
    TransferSpeedColumn,
)

from rtcmtool.cli.console import make_console
from rtcmtool.diagnosis.wording import grouped

LONG_BYTES = 20_000_000
LONG_S = 1.0
_LINES = 10  # over all the bytes, where standard error is no terminal


@dataclass(slots=True)
class Tally:
    """What to show beside the bar.

    Attributes
    ----------
    total_bytes, done_bytes : int
        Size of the input, and how much of it is done.
    frames, damaged : int
        Found so far.
    """

    total_bytes: int
    done_bytes: int = 0
    frames: int = 0
    damaged: int = 0

    def text(self) -> str:
        """Say what was found."""
        return f"frames {grouped(self.frames)}, damaged {grouped(self.damaged)}"


class _Quiet:
    """No bar: short input, standard input, or told to be quiet."""

    def move(self, tally: Tally) -> None:
        """Show nothing."""


class _Bar:
    """A bar on a terminal."""

    def __init__(self, progress: Progress, task: TaskID) -> None:
        self._progress, self._task = progress, task

    def move(self, tally: Tally) -> None:
        """Show how far it is."""
        self._progress.update(self._task, completed=tally.done_bytes, found=tally.text())


class _Lines:
    """A line every tenth, where there is no terminal."""

    def __init__(self) -> None:
        self._printed = 0
        self._start = monotonic()

    def move(self, tally: Tally) -> None:
        """Print a line when another tenth is done."""
        done = _LINES * tally.done_bytes // tally.total_bytes
        elapsed = monotonic() - self._start
        if done <= self._printed or done >= _LINES or elapsed < LONG_S:
            return
        self._printed = done
        speed = tally.done_bytes / 1e6 / elapsed
        part = tally.done_bytes / tally.total_bytes
        print(f"{100 * part:.0f} %, {speed:.0f} MB/s, {tally.text()}", file=sys.stderr)


@contextmanager
def progress(
    options: argparse.Namespace, total_bytes: int | None
) -> Iterator[_Quiet | _Bar | _Lines]:
    """Show progress while a long file is worked on; the bar goes away at the end."""
    if options.quiet or total_bytes is None or total_bytes < LONG_BYTES:
        yield _Quiet()
        return
    if not sys.stderr.isatty():
        yield _Lines()
        return
    columns = (
        BarColumn(bar_width=None),
        DownloadColumn(),
        TransferSpeedColumn(),
        TimeRemainingColumn(),
        TextColumn("{task.fields[found]}"),
    )
    console = make_console(sys.stderr, options.color)
    with Progress(*columns, console=console, transient=True, refresh_per_second=4) as bar:
        yield _Bar(bar, bar.add_task("", total=total_bytes, found=""))
