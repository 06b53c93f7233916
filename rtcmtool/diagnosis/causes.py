"""What a cause is, how sure we are of it, and how signs make it so.

Every cause is a function of its own that looks at the evidence and notes on a `Case` what speaks
for it and against it. The confidence follows from these notes alone:

    proven      one number shows it, and nothing speaks against it
    likely      two independent signs, and nothing speaks against it
    possible    one sign, or more with something against it
    ruled-out   the sign that would have to be there is absent
    not-tested  neither sign nor absence: something is missing
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from enum import Enum
from typing import TYPE_CHECKING

from rtcmtool.diagnosis.cautions import Caution

if TYPE_CHECKING:
    from rtcmtool.diagnosis.evidence import Evidence


class Confidence(Enum):
    """How sure a cause is."""

    PROVEN = "proven"
    LIKELY = "likely"
    POSSIBLE = "possible"
    RULED_OUT = "ruled-out"
    NOT_TESTED = "not-tested"


_SPLIT = "the 50 m test, or a second rover"  # where the signs say neither yes nor no
CLAIMED = (Confidence.PROVEN, Confidence.LIKELY, Confidence.POSSIBLE)


@dataclass(slots=True)
class Case:
    """The notes on one cause."""

    proofs: list[str] = field(default_factory=list)
    signs: dict[str, list[str]] = field(default_factory=dict)  # by independent source
    doubts: list[str] = field(default_factory=list)
    absences: list[str] = field(default_factory=list)
    lacks: list[str] = field(default_factory=list)
    first_steps: list[str] = field(default_factory=list)
    since: str | None = None

    def proof(self, text: str, since: str | None = None) -> None:
        """Note a number that shows it."""
        self.proofs.append(text)
        self._begin(since)

    def sign(self, source: str, text: str, since: str | None = None) -> None:
        """Note a sign; signs of one source count once, for they are not independent."""
        self.signs.setdefault(source, []).append(text)
        self._begin(since)

    def doubt(self, text: str) -> None:
        """Note what speaks against it."""
        self.doubts.append(text)

    def absent(self, text: str) -> None:
        """Note that a sign is absent that would have to be there."""
        self.absences.append(text)

    def lack(self, text: str) -> None:
        """Note what is missing to test it."""
        self.lacks.append(text)

    def first(self, text: str) -> None:
        """Put a step before the usual ones."""
        self.first_steps.append(text)

    def _begin(self, since: str | None) -> None:
        if since is not None and (self.since is None or since < self.since):
            self.since = since

    @property
    def confidence(self) -> Confidence:
        """What the notes amount to."""
        if self.proofs and not self.doubts:
            return Confidence.PROVEN
        sources = len(self.signs) + 2 * len(self.proofs)
        contradicted = bool(self.doubts or self.absences)
        if sources >= 2 and (not contradicted or self.proofs):
            return Confidence.LIKELY
        if sources:
            return Confidence.POSSIBLE
        return Confidence.RULED_OUT if self.absences else Confidence.NOT_TESTED


@dataclass(frozen=True, slots=True)
class CauseFacts:
    """What is fixed about a cause.

    Attributes
    ----------
    name : str
        In JSON and after `--explain`.
    title : str
        For people.
    do : tuple of str
        Steps in the field, the cheapest first.
    proves_it : str
        What shows that it was this.
    basis : str
        Where it comes from.
    limits : tuple of str
        The numbers that make a sign; of rules the names alone, for a site sheet changes them.
    cautions : tuple of Caution
        That belong to its advice.
    test : callable
        The function that looks for it.
    """

    name: str
    title: str
    do: tuple[str, ...]
    proves_it: str
    basis: str
    limits: tuple[str, ...]
    cautions: tuple[Caution, ...]
    test: "CauseTest" = field(repr=False)


CauseTest = Callable[["Evidence", Case], None]


def cause(
    title: str,
    *,
    do: tuple[str, ...],
    proves_it: str,
    basis: str,
    limits: tuple[str, ...],
    cautions: tuple[Caution, ...] = (),
) -> Callable[[CauseTest], CauseFacts]:
    """Make a cause of the function that looks for it; its name is the function's."""

    def made(test: CauseTest) -> CauseFacts:
        return CauseFacts(test.__name__, title, do, proves_it, basis, limits, cautions, test)

    return made


@dataclass(frozen=True, slots=True)
class Cause:
    """What was found out about one cause.

    Attributes
    ----------
    facts : CauseFacts
    confidence : Confidence
    evidence, against : tuple of str
        For people. Of a ruled-out cause `against` says which sign is absent.
    missing : tuple of str
        What would test it.
    do : tuple of str
        Steps, those that follow from the evidence first.
    since : str or None
        UTC text.
    strength : int
        Proofs and independent signs.
    """

    facts: CauseFacts
    confidence: Confidence
    evidence: tuple[str, ...]
    against: tuple[str, ...]
    missing: tuple[str, ...]
    do: tuple[str, ...]
    since: str | None
    strength: int

    @property
    def name(self) -> str:
        """The name in JSON."""
        return self.facts.name

    @property
    def is_claimed(self) -> bool:
        """Whether it is proven, likely or possible."""
        return self.confidence in CLAIMED


def look_for(facts: CauseFacts, evidence: "Evidence") -> Cause:
    """Look for a cause in the evidence."""
    case = Case()
    facts.test(evidence, case)
    confidence = case.confidence
    for_it = [*case.proofs, *(text for texts in case.signs.values() for text in texts)]
    lacks = case.lacks
    if confidence is Confidence.NOT_TESTED and not lacks:
        lacks = [_SPLIT]
    against = list(case.doubts)
    if confidence is Confidence.RULED_OUT or (confidence in CLAIMED and case.absences):
        against += case.absences
    return Cause(
        facts,
        confidence,
        tuple(for_it),
        tuple(against),
        tuple(lacks),
        (*case.first_steps, *facts.do),
        case.since,
        2 * len(case.proofs) + len(case.signs),
    )
