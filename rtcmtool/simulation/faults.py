"""Faults of a scenario: how they are written, when they act.

A fault is written KIND@START+LENGTH:SEVERITY, for example `silence@60s+14s` or
`wrong-mark@0+5m:1.2,0.4,-0.3`; LENGTH and SEVERITY may be left out, and with `+LENGTH` left out it
lasts to the end. KIND alone lasts from beginning to end.
"""

import difflib
import math
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from rtcmtool.errors import UsageError
from rtcmtool.simulation.fault_kinds import KINDS, FaultKind, Severity

FOREVER_S = math.inf
_BOOT_S = 14.0  # a base that browns out sends again after so long: common practice, no source
_SYSTEMS = "GRECJ"
_UNITS_S = {"": 1.0, "s": 1.0, "m": 60.0, "min": 60.0, "h": 3600.0}
_WRITTEN = re.compile(
    r"(?P<kind>[a-z][a-z0-9-]*)(?:@(?P<start>[0-9.]+[a-z]*)(?:\+(?P<length>[0-9.]+[a-z]*))?)?"
    r"(?::(?P<severity>.+))?"
)


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault: kind, when it acts in seconds since the start, and how badly."""

    kind: str
    start_s: float = 0.0
    length_s: float = FOREVER_S
    severity: Severity = None

    @property
    def end_s(self) -> float:
        """When it is over, s since the start."""
        return self.start_s + self.length_s

    def acts_at(self, time_s: float) -> bool:
        """Tell whether it acts; the end is not part of it."""
        return self.start_s <= time_s < self.end_s

    @property
    def number(self) -> float:
        """Severity of a kind that takes one number."""
        assert isinstance(self.severity, int | float), self.kind
        return float(self.severity)

    @property
    def vector_m(self) -> tuple[float, float, float]:
        """Severity of a kind that takes east, north, up."""
        assert isinstance(self.severity, tuple), self.kind
        return self.severity

    @property
    def letters(self) -> str:
        """Severity of a kind that takes letters of systems."""
        assert isinstance(self.severity, str), self.kind
        return self.severity

    def __str__(self) -> str:
        text = f"{self.kind}@{self.start_s:g}s"
        if math.isfinite(self.length_s):
            text += f"+{self.length_s:g}s"
        match self.severity:
            case None:
                return text
            case tuple():
                return f"{text}:{','.join(f'{part:g}' for part in self.severity)}"
            case str():
                return f"{text}:{self.severity}"
            case _:
                return f"{text}:{self.severity:g}"


def make_fault(
    kind: str,
    start_s: float = 0.0,
    length_s: float = FOREVER_S,
    severity: Severity = None,
) -> Fault:
    """Make a fault from values, with the default severity of its kind.

    Raises
    ------
    UsageError
        If there is no such kind, or a value is impossible.

    Examples
    --------
    >>> str(make_fault("silence", 60, 14))
    'silence@60s+14s'
    """
    found = KINDS.get(kind)
    if found is None:
        near = difflib.get_close_matches(kind, KINDS, 1)
        hint = f" Did you mean '{near[0]}'?" if near else ""
        raise UsageError(
            f"there is no fault '{kind}'.{hint}", do="all faults: rtcmtool simulate --list"
        )
    if not (start_s >= 0 and math.isfinite(start_s)):
        raise UsageError(f"fault {kind}: it cannot start at {start_s:g} s.")
    if not length_s > 0:
        raise UsageError(f"fault {kind}: it cannot last {length_s:g} s.")
    return Fault(kind, float(start_s), float(length_s), _severity_of(found, severity))


def _severity_of(kind: FaultKind, given: Severity) -> Severity:
    """Check a severity against its kind; None gives the default."""
    if given is None:
        return kind.default
    match kind.default:
        case None:
            raise UsageError(f"fault {kind.name} takes no severity.")
        case str():
            letters = str(given).upper()
            if not letters or set(letters) - set(_SYSTEMS):
                raise UsageError(
                    f"fault {kind.name}: {given!r} are no systems.",
                    why=f"known are {' '.join(_SYSTEMS)}.",
                )
            return letters
        case tuple():
            wanted = 3
        case _:
            wanted = 1
    numbers = given if isinstance(given, tuple) else (given,)
    if len(numbers) != wanted:
        raise UsageError(f"fault {kind.name}: {given!r} is not {kind.severity}.")
    for number in numbers:
        if isinstance(number, bool) or not isinstance(number, int | float):
            raise UsageError(f"fault {kind.name}: {given!r} is not {kind.severity}.")
        if not kind.least <= number <= kind.most:
            raise UsageError(
                f"fault {kind.name}: {number:g} is impossible.",
                why=f"the severity ({kind.severity}) is {kind.least:g} to {kind.most:g}.",
            )
    checked = [float(number) for number in numbers if not isinstance(number, str)]
    if wanted == 1:
        return checked[0]
    return (checked[0], checked[1], checked[2])


def parse_fault(text: str) -> Fault:
    """Read a fault as it is written on the command line.

    Parameters
    ----------
    text : str
        KIND[@START[+LENGTH]][:SEVERITY]; times as 90, 90s, 10m or 2h.

    Raises
    ------
    UsageError
        If it is none.

    Examples
    --------
    >>> parse_fault("silence@60s+14s")
    Fault(kind='silence', start_s=60.0, length_s=14.0, severity=None)
    >>> str(parse_fault("wrong-mark@1m:1,0,-0.5"))
    'wrong-mark@60s:1,0,-0.5'
    """
    found = _WRITTEN.fullmatch(text.strip())
    if found is None:
        raise UsageError(
            f"'{text}' is no fault.", do="write KIND@START+LENGTH:SEVERITY, e.g. silence@60s+14s"
        )
    start_s = _time_s(text, found["start"]) if found["start"] else 0.0
    length_s = _time_s(text, found["length"]) if found["length"] else FOREVER_S
    severity = _read_severity(text, found["kind"], found["severity"])
    return make_fault(found["kind"], start_s, length_s, severity)


def _time_s(text: str, written: str) -> float:
    found = re.fullmatch(r"([0-9]*\.?[0-9]+)([a-z]*)", written)
    if not found or found[2] not in _UNITS_S:
        raise UsageError(f"'{text}': '{written}' is no time.", do="write 90, 90s, 10m or 2h")
    return float(found[1]) * _UNITS_S[found[2]]


def _read_severity(text: str, kind: str, written: str | None) -> Severity:
    if written is None:
        return None
    known = KINDS.get(kind)
    if known is not None and isinstance(known.default, str):
        return written
    try:
        numbers = [float(part) for part in written.split(",")]
    except ValueError:
        raise UsageError(f"'{text}': '{written}' is no number.") from None
    if len(numbers) == 3:
        return (numbers[0], numbers[1], numbers[2])
    if len(numbers) != 1:
        raise UsageError(f"'{text}': one number or three are possible, not {len(numbers)}.")
    return numbers[0]


class Timetable:
    """Which faults act when.

    Parameters
    ----------
    faults : iterable of Fault
        In the order of the scenario. Of two of one kind that overlap the later one counts.
    """

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)

    def __iter__(self) -> Iterator[Fault]:
        return iter(self.faults)

    def at(self, time_s: float) -> Mapping[str, Fault]:
        """Give the faults that act at a time, by kind."""
        return {fault.kind: fault for fault in self.faults if fault.acts_at(time_s)}

    def has(self, *kinds: str) -> bool:
        """Tell whether any fault of these kinds is planned."""
        return any(fault.kind in kinds for fault in self.faults)

    def changes_s(self, until_s: float) -> list[float]:
        """Give all times up to `until_s` at which something changes, rising."""
        times = {0.0, until_s}
        for fault in self.faults:
            times |= {fault.start_s, fault.end_s}
        for pause in self.pauses_s(until_s):
            times |= set(pause)
        return sorted(time for time in times if time <= until_s)

    def pauses_s(self, until_s: float) -> list[tuple[float, float]]:
        """Give the times in which the base sends nothing, in order; they may overlap.

        Parameters
        ----------
        until_s : float
            Pauses that begin later are left out.
        """
        found = []
        for fault in self.faults:
            match fault.kind:
                case "silence":
                    found.append((fault.start_s, fault.end_s))
                case "restart":
                    found.append((fault.start_s, fault.start_s + fault.number))
                case "new-average":
                    found.append((fault.start_s, fault.start_s + _BOOT_S))
                case "dead-battery":
                    last_s = min(fault.end_s, until_s)
                    at_s = fault.start_s
                    while at_s < last_s:
                        found.append((at_s, at_s + _BOOT_S))
                        at_s += fault.number
        return sorted(pause for pause in found if pause[0] <= until_s)
