"""`--navigation FILE.rnx`: orbits for streams that carry none."""

import argparse
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from rtcmtool.cli.console import say
from rtcmtool.errors import SourceError, UsageError

if TYPE_CHECKING:
    from rtcmtool.gnss.rinex_navigation import NavigationData
    from rtcmtool.monitor.stream_state import StreamState

MOST_BYTES = 200_000_000  # a day of all satellites has some 10 MB


def add_navigation(group: argparse._ArgumentGroup) -> None:
    """Add the option that names a navigation file."""
    group.add_argument(
        "--navigation", metavar="FILE.rnx", type=Path,
        help="RINEX 3 or 4 orbits, for streams that carry none",
    )  # fmt: skip


def navigation_of(options: argparse.Namespace) -> "NavigationData | None":
    """Read the navigation file that is named.

    Raises
    ------
    SourceError
        If it cannot be read.
    UsageError
        If it is no navigation file, or holds no record that can be used.
    """
    path: Path | None = options.navigation
    if path is None:
        return None
    from rtcmtool.gnss.rinex_navigation import parse_navigation

    do = "give a RINEX 3 or 4 navigation file of the same hours."
    try:
        if path.stat().st_size > MOST_BYTES:
            raise UsageError(f"{path} is too large for a navigation file.", do=do)
        text = path.read_text(encoding="ascii", errors="replace")
    except OSError as error:
        raise SourceError(f"{path} cannot be read.", why=error.strerror, do=do) from error
    try:
        data = parse_navigation(text)
    except ValueError as error:
        raise UsageError(f"{path} cannot be used for orbits.", why=str(error), do=do) from error
    if not data.ephemerides:
        raise UsageError(f"{path} holds no orbit that can be used.", do=do)
    if data.malformed:
        say(options, f"note: {data.malformed} records of {path} could not be read and are left out")
    return data


def state_maker(
    options: argparse.Namespace, kind: "type[StreamState] | None" = None
) -> "Callable[..., StreamState]":
    """Give what makes the state of a stream, with the orbits of `--navigation`; read once.

    Parameters
    ----------
    options : Namespace
        With `navigation`.
    kind : type, optional
        Of the state; the usual one by default.

    Raises
    ------
    SourceError
        If the file cannot be read.
    UsageError
        If it is no navigation file, or holds no record that can be used.
    """
    from rtcmtool.monitor.stream_state import StreamState

    kind, navigation = kind or StreamState, navigation_of(options)
    if navigation is None:
        return kind
    return partial(
        kind,
        navigation=navigation.ephemerides,
        klobuchar=navigation.klobuchar.get("G"),
    )
