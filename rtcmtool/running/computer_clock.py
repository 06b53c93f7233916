"""Is the computer's clock right? What the operating system says of it."""

import ctypes
import sys
from dataclasses import dataclass
from pathlib import Path

_UNSYNCHRONISED = 0x0040  # STA_UNSYNC, sys/timex.h of Linux
_ERROR = 5  # TIME_ERROR, the same
_SYNCHRONISED_MARK = Path("/run/systemd/timesync/synchronized")


@dataclass(frozen=True, slots=True)
class ClockTrust:
    """What is known of the computer's clock.

    Attributes
    ----------
    is_trusted : bool
        Whether delays can be told by it.
    error_s : float or None
        How wrong it may be at most, as far as told.
    why : str
        Who says so, a few words for people.
    """

    is_trusted: bool
    error_s: float | None = None
    why: str = ""


class _Timex(ctypes.Structure):
    """`struct timex` of Linux, as far as it is read here; the rest is room for what follows."""

    _fields_ = (  # type: ignore[mutable-override]  # ctypes takes any sequence
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("frequency", ctypes.c_long),
        ("largest_error_us", ctypes.c_long),
        ("usual_error_us", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_byte * 256),
    )


def clock_trust(*, is_told: bool = False) -> ClockTrust:
    """Find out whether the computer's clock can be trusted.

    Parameters
    ----------
    is_told : bool
        The user says that it can.

    Returns
    -------
    ClockTrust
        Not trusted where the operating system does not tell.
    """
    if is_told:
        return ClockTrust(is_trusted=True, why="as told with --clock trusted")
    if sys.platform != "linux":
        return ClockTrust(is_trusted=False, why="this system does not tell whether it is right")
    return _of_kernel() or _of_time_service()


def _of_kernel() -> ClockTrust | None:
    """Ask the kernel, without changing anything; None where it does not answer yes."""
    told = _Timex()
    try:
        state = ctypes.CDLL(None).adjtimex(ctypes.byref(told))
    except (OSError, AttributeError):
        return None
    if state < 0 or state == _ERROR or told.status & _UNSYNCHRONISED:
        return None
    return ClockTrust(
        is_trusted=True,
        error_s=told.largest_error_us / 1e6,
        why="the operating system says that it is synchronised",
    )


def _of_time_service() -> ClockTrust:
    """Look for the mark that a time service leaves once it has set the clock."""
    if _SYNCHRONISED_MARK.exists():
        return ClockTrust(is_trusted=True, why="a time service has set it")
    return ClockTrust(is_trusted=False, why="the operating system does not say that it is right")
