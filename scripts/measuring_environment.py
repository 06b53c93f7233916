"""Run a script where the packages it needs are: here, or in the project's own environment."""

import importlib.util
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from environment import SETUP_FAILED, Environment, SetupError, prepare, run_instead

INTERRUPTED = 130
STARTED_ANEW = "RTCMTOOL_SCRIPT_STARTED_ANEW"  # set in the second start, which must be the last


def run_where_packages_are(
    script: str,
    arguments: Sequence[str],
    needed: Sequence[str],
    work: Callable[[], int],
    extras: tuple[str, ...] = (),
) -> int:
    """Do the work here, or start the script anew in the environment; give its exit code.

    Parameters
    ----------
    script : str
        Its file.
    arguments : sequence of str
        Its arguments.
    needed : sequence of str
        Packages without which the work cannot be done.
    work : callable
        The work; gives an exit code.
    extras : tuple of str
        Groups of `optional-dependencies` that hold some of the packages.
    """
    sys.path.append(str(Path(__file__).resolve().parent.parent))  # where rtcmtool may lie as it is
    missing = [name for name in needed if not importlib.util.find_spec(name)]
    if missing and os.environ.pop(STARTED_ANEW, ""):
        sys.stderr.write(f"{', '.join(missing)} missing in the project's own environment too.\n")
        return SETUP_FAILED
    if missing:
        return _in_environment(script, arguments, extras)
    try:
        return work()
    except KeyboardInterrupt:
        sys.stderr.write("interrupted\n")
        return INTERRUPTED


def _in_environment(script: str, arguments: Sequence[str], extras: tuple[str, ...]) -> int:
    environment = Environment()
    try:
        prepare(environment, extras)
        os.environ[STARTED_ANEW] = "1"
        return run_instead([str(environment.python), script, *arguments])
    except SetupError as error:
        sys.stderr.write(f"{error}\n")
        return SETUP_FAILED
    except KeyboardInterrupt:
        sys.stderr.write("interrupted; an unfinished set-up is begun anew next time\n")
        return INTERRUPTED
