"""What a rule says: state, evidence, limit, what to do, and where the limit comes from."""

from dataclasses import dataclass, field, replace
from enum import Enum
from typing import Any

from rtcmtool.diagnosis.cautions import Caution


class State(Enum):
    """State of a finding."""

    OK = "ok"
    WATCH = "watch"
    BAD = "bad"
    UNKNOWN = "unknown"
    NOT_APPLICABLE = "not-applicable"


# Order in which findings are shown: what needs a person first.
RANK = {
    State.BAD: 0,
    State.WATCH: 1,
    State.UNKNOWN: 2,
    State.OK: 3,
    State.NOT_APPLICABLE: 4,
}


class Weight(Enum):
    """What a rule means for the verdict."""

    KNOWN = "K"  # must be known, and not bad
    BLOCKS = "B"  # bad gives NO-GO
    INFORMS = "I"


@dataclass(frozen=True, slots=True)
class Rule:
    """A rule's fixed facts.

    Attributes
    ----------
    name : str
        Name in JSON and in the site sheet's limits.
    printed : str
        Name for people.
    weight : Weight
        What it means for the verdict.
    unit : str or None
        Unit of value and limits.
    ok, bad : float or None
        Limits of ok and of bad, in the unit.
    basis : str
        Where the limits come from.
    below : bool
        A value at the ok limit is a watch already ("< 1"), not ok ("<= 1").
    """

    name: str
    printed: str
    weight: Weight
    unit: str | None
    ok: float | None
    bad: float | None
    basis: str
    below: bool = False

    @property
    def essential(self) -> bool:
        """Whether the verdict rests on it."""
        return self.weight is not Weight.INFORMS


@dataclass(frozen=True, slots=True)
class Finding:
    """What one rule found.

    Attributes
    ----------
    rule : Rule
        The rule, with the limits that were in force.
    state : State
        Its state.
    text : str
        What was measured, for people; for unknown and not applicable: why.
    value, values : float or None, dict or None
        The number judged, and its parts.
    limit : float or None
        The limit that decided the state.
    limit_text : str
        The limits, for people.
    since : str or None
        UTC text since when it has been so, where a date is known.
    action : str or None
        What to do in the field.
    cautions : tuple of Caution
        What must be said beside that advice.
    """

    rule: Rule
    state: State
    text: str
    value: float | None = None
    values: dict[str, Any] | None = field(default=None)
    limit: float | None = None
    limit_text: str = ""
    since: str | None = None
    action: str | None = None
    cautions: tuple[Caution, ...] = ()

    def with_(self, **changes: Any) -> "Finding":
        """Give a copy with some attributes changed."""
        return replace(self, **changes)


def judged_below(rule: Rule, value: float) -> tuple[State, float | None]:
    """Judge a value that should be small: ok up to (or below) the ok limit, bad above the bad one.

    Returns
    -------
    (State, float or None)
        The state and the limit that decided it.
    """
    assert rule.ok is not None
    if value < rule.ok or (value == rule.ok and not rule.below):
        return State.OK, rule.ok
    if rule.bad is not None and value > rule.bad:
        return State.BAD, rule.bad
    return State.WATCH, rule.ok


def judged_above(rule: Rule, value: float) -> tuple[State, float | None]:
    """Judge a value that should be large: ok from the ok limit on, bad below the bad limit.

    Returns
    -------
    (State, float or None)
        The state and the limit that decided it.
    """
    assert rule.ok is not None
    if value >= rule.ok:
        return State.OK, rule.ok
    if rule.bad is not None and value < rule.bad:
        return State.BAD, rule.bad
    return State.WATCH, rule.ok


def unknown(rule: Rule, text: str, **more: Any) -> Finding:
    """Give a finding that could not be made, with what is missing."""
    return Finding(rule, State.UNKNOWN, text, **more)


def not_applicable(rule: Rule, text: str) -> Finding:
    """Give a finding that has no meaning here, with the reason."""
    return Finding(rule, State.NOT_APPLICABLE, text)
