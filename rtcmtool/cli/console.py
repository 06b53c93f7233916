"""Where text goes: the product to standard output, everything else to standard error."""

import argparse
import os
import shlex
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from io import TextIOWrapper
from typing import IO, TextIO

from rich.console import Console

from rtcmtool.errors import RtcmtoolError, UsageError
from rtcmtool.running.folding import folded, width_of
from rtcmtool.views.theme import COLOURLESS_THEME, THEME

PLAIN_WIDTH = 80
LEAST_WIDTH = 20
_ERROR_INDENT = len("rtcmtool: ")


class PlainEndConsole(Console):
    """A console that leaves it to the caller what a closed reader means."""

    def on_broken_pipe(self) -> None:
        """Hand the error on; rich would end the program with 1."""
        raise BrokenPipeError


def make_console(stream: TextIO, color: str = "auto") -> Console:
    """Make a console for a stream.

    Parameters
    ----------
    stream : file
        Standard output or standard error.
    color : str
        "auto", "always" or "never". "auto" follows NO_COLOR, TERM=dumb and whether it is a
        terminal.
    """
    terminal = stream.isatty()
    dumb = not terminal or os.environ.get("TERM") == "dumb"
    plain = dumb and color != "always"  # not even bold
    colourless = color == "never" or (color == "auto" and bool(os.environ.get("NO_COLOR")))
    return PlainEndConsole(
        file=stream,
        theme=COLOURLESS_THEME if colourless else THEME,
        highlight=False,
        markup=False,
        emoji=False,
        soft_wrap=True,
        no_color=plain or colourless,
        color_system=None if plain else "auto" if terminal else "truecolor",
        force_terminal=True if color == "always" else None,
        width=_width(terminal=terminal),
    )


def _width(*, terminal: bool) -> int | None:
    """Give the columns to use; None leaves it to the terminal."""
    told = os.environ.get("COLUMNS", "")
    if told.isdecimal():
        return max(int(told), LEAST_WIDTH)
    return None if terminal else PLAIN_WIDTH


def quoted(argument: object) -> str:
    """Give an argument as it is typed into a shell: a command that is shown can be pasted.

    Examples
    --------
    >>> quoted("job.rtcm3")
    'job.rtcm3'
    """
    text = str(argument)
    return subprocess.list2cmdline([text]) if sys.platform == "win32" else shlex.quote(text)


def is_terminal(stream: TextIO) -> bool:
    """Tell whether a stream is a terminal that can do more than print."""
    return stream.isatty() and os.environ.get("TERM") != "dumb"


@contextmanager
def product(options: argparse.Namespace) -> Iterator[Console]:
    """Give the console of the product: on --output, or on standard output."""
    if options.output is None:
        yield make_console(sys.stdout, options.color)
        return
    with _opened(options) as stream, TextIOWrapper(stream, "utf-8", newline="\n") as text:
        yield make_console(text, options.color)


@contextmanager
def product_bytes(options: argparse.Namespace) -> Iterator[IO[bytes]]:
    """Give where the bytes of the product go: to --output, or to standard output."""
    if options.output is None:
        sys.stdout.flush()
        yield sys.stdout.buffer
        sys.stdout.buffer.flush()
        return
    with _opened(options) as stream:
        yield stream


def _opened(options: argparse.Namespace) -> IO[bytes]:
    try:
        stream: IO[bytes] = options.output.open("wb")
    except OSError as error:
        raise UsageError(
            f"{options.output} cannot be written.",
            why=error.strerror or str(error),
            do="name a file in a folder that is there and may be written.",
        ) from error
    return stream


def say(options: argparse.Namespace, text: str) -> None:
    """Tell something on the side, unless told to be quiet."""
    if not options.quiet:
        print(text, file=sys.stderr, flush=True)


def show_error(error: RtcmtoolError) -> None:
    """Print an error: what happened, why, what to do; a command to copy is never broken."""
    width = width_of(sys.stderr)
    told = folded(f"rtcmtool: {error}", width, _ERROR_INDENT)
    if error.why:
        told += folded(f"  why   {error.why}", width)
    if error.do:
        told.append(f"  do    {error.do}")
    print("\n".join(told), file=sys.stderr)
