"""Lines that fit the terminal they are written to; in a pipe a line stays a line."""

import os
import re
import textwrap
from collections.abc import Callable
from typing import Protocol

LEAST_WIDTH = 20  # no terminal is narrower; what says so does not know
_LEAST_TEXT = 20  # columns that an indent leaves to the text
_HEAD = re.compile(r"^ *\S.*?  +")

Write = Callable[[str], None]


class Shown(Protocol):
    """What lines are written to."""

    def isatty(self) -> bool:
        """Tell whether it is a terminal."""
        ...

    def fileno(self) -> int:
        """Give its descriptor."""
        ...


def width_of(stream: Shown) -> int | None:
    """Give the columns of a terminal, or those asked for with COLUMNS; None where there are none.

    In a pipe or a file a line has no end but its own: programs and `grep` find an event in one.
    """
    asked = os.environ.get("COLUMNS", "")
    if asked.isdecimal() and int(asked) >= LEAST_WIDTH:
        return int(asked)
    try:
        width = os.get_terminal_size(stream.fileno()).columns if stream.isatty() else 0
    except (OSError, ValueError):  # gone, or none
        return None
    return width if width >= LEAST_WIDTH else None


def folded(line: str, width: int | None, indent: int | None = None) -> list[str]:
    """Break a line where it is too long, the rest under its text; no word is ever cut.

    Parameters
    ----------
    line : str
        A head, two blanks or more, a text: what follows a break stands under the text.
    width : int or None
        Columns; None: it stays as it is.
    indent : int, optional
        Where the text begins; by default behind the first two blanks or more.

    Examples
    --------
    >>> folded("10:58:42 UTC  opened: COM5 is open at 38400 baud", 34)
    ['10:58:42 UTC  opened: COM5 is open', '              at 38400 baud']
    """
    if width is None or len(line) <= width:
        return [line]
    if indent is None:
        head = _HEAD.match(line)
        indent = len(head[0]) if head else 0
    indent = min(indent, max(width - _LEAST_TEXT, 0))
    return textwrap.wrap(
        line, width, subsequent_indent=" " * indent, drop_whitespace=True,
        break_long_words=False, break_on_hyphens=False,
    )  # fmt: skip


def folding(write: Write, stream: Shown) -> Write:
    """Let lines fit the terminal that they are written to, however wide it is just then."""

    def fold(text: str) -> None:
        for line in text.split("\n"):
            for part in folded(line, width_of(stream)):
                write(part)

    return fold
