"""Words for phases of one carrier that stand a part of a cycle off each other."""

from collections.abc import Iterable

from rtcmtool.gnss.signals import SYSTEMS
from rtcmtool.monitor.phase_alignment import PhaseOffset

_NEAR_CYCLES = 0.05  # of a quarter or a half: real ones come within 0.01


def offset_values(offsets: Iterable[PhaseOffset]) -> dict[str, float]:
    """Give all offsets as values of a finding, cycles: {"GPS 2X - 2W": -0.247}."""
    return {
        f"{SYSTEMS[one.system].short_name} {one.signal} - {one.reference}": round(one.cycles, 3)
        for one in offsets
    }


def offset_words(offsets: Iterable[PhaseOffset]) -> str:
    """Name the signals that are not aligned; empty where all are.

    Examples
    --------
    >>> aligned = PhaseOffset("J", "1L", "1C", 0.0, 3)
    >>> offset_words([PhaseOffset("G", "2X", "2W", -0.247, 6), aligned])
    'phase of GPS 2X a quarter cycle off 2W'
    """
    found = [
        f"{SYSTEMS[one.system].short_name} {one.signal} {_size(one.cycles)} off {one.reference}"
        for one in offsets
        if not one.is_aligned
    ]
    return f"phase of {', '.join(found)}" if found else ""


def _size(cycles: float) -> str:
    for part, name in ((0.25, "a quarter cycle"), (0.5, "half a cycle")):
        if abs(abs(cycles) - part) < _NEAR_CYCLES:
            return name
    return f"{abs(cycles):.2f} cycle"
