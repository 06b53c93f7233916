"""The diagnosis: the rover's problem, its causes ranked, and what would tell the rest apart."""

from dataclasses import dataclass, replace

from rtcmtool.diagnosis import (
    causes_content,
    causes_link,
    causes_load,
    causes_moved,
    causes_position,
    causes_receiver,
    causes_rover,
    causes_satellites,
    causes_signal,
)
from rtcmtool.diagnosis.causes import Cause, CauseFacts, Confidence, look_for
from rtcmtool.diagnosis.cautions import Caution
from rtcmtool.diagnosis.evidence import Evidence
from rtcmtool.diagnosis.evidence_notes import notes_on
from rtcmtool.diagnosis.problem import Problem, ProblemKind

# In the order of the questions: does anything arrive, is it whole, fresh, enough, right, near?
CAUSE_NAMES = (
    "no_link", "weak_path", "busy_channel", "overloaded", "power_sag", "no_position",
    "unusable_format", "one_frequency", "few_satellites", "rover_sky", "base_multipath",
    "interference", "antenna_cable", "glonass_bias", "base_far_wrong", "base_slightly_wrong",
    "antenna_height", "antenna_model", "two_bases", "base_moved", "long_baseline",
    "height_difference", "ionosphere", "base_receiver", "rover_settings", "wrong_time",
    "base_averaged",
)  # fmt: skip
_MODULES = (
    causes_link, causes_load, causes_content, causes_satellites, causes_signal, causes_position,
    causes_moved, causes_receiver, causes_rover,
)  # fmt: skip


def _cause_facts() -> dict[str, CauseFacts]:
    found = {facts.name: facts for module in _MODULES for facts in module.CAUSES}
    assert found.keys() == set(CAUSE_NAMES)
    return {name: found[name] for name in CAUSE_NAMES}


CAUSE_FACTS: dict[str, CauseFacts] = _cause_facts()

# Which causes can make which problem, by common practice.
_SHIFT = frozenset(
    {
        "base_slightly_wrong", "antenna_height", "antenna_model", "base_moved", "base_averaged",
        "height_difference", "base_far_wrong", "two_bases", "rover_sky",
    }
)  # fmt: skip
_ONLY_SHIFT = frozenset(
    {"base_slightly_wrong", "antenna_height", "antenna_model", "height_difference"}
)
_NO_RTK = frozenset(
    {
        "no_link", "weak_path", "busy_channel", "overloaded", "power_sag", "no_position",
        "unusable_format", "few_satellites", "base_far_wrong", "rover_settings", "two_bases",
        "rover_sky", "base_receiver",
    }
)  # fmt: skip

# The cheapest to try first, where nothing else decides: judgement.
_CHEAPEST = (
    "wrong_time", "no_link", "rover_settings", "glonass_bias", "rover_sky", "no_position",
    "one_frequency", "unusable_format", "two_bases", "busy_channel", "weak_path", "overloaded",
    "power_sag", "base_moved", "few_satellites", "antenna_height", "antenna_model",
    "base_averaged", "base_slightly_wrong", "base_far_wrong", "antenna_cable", "interference",
    "base_multipath", "base_receiver", "long_baseline", "height_difference", "ionosphere",
)  # fmt: skip

_RANK = {confidence: rank for rank, confidence in enumerate(Confidence)}
# Where a cause that cannot make this problem ranks among those that can: a proven one behind the
# likely, a likely one before the possible.
_UNRELATED = {Confidence.PROVEN: 1.5, Confidence.LIKELY: 1.9, Confidence.POSSIBLE: 2.5}

# Causes that look alike from here, and what splits them.
_FIFTY_M = "the 50 m test: carry the rover to about 50 m from the base, in the open. "
_SECOND = "a second rover on the same stream, at the same place. "
_SPLITS: dict[frozenset[str], str] = {
    frozenset(pair): text
    for pair, text in {
        ("weak_path", "busy_channel"): _FIFTY_M + "Fixes there: the path. Still loses: the channel",
        ("rover_sky", "rover_settings"): _FIFTY_M + "Fixes there: its site. Does not: its settings",
        ("unusable_format", "rover_settings"): _SECOND + "It fixes: settings. It does not: format",
        ("no_link", "rover_settings"): _SECOND
        + "It gets messages: settings. It does not: the link",
        ("no_link", "no_position"): "listen at the rover's radio: bytes or none",
        ("no_link", "unusable_format"): "listen at the rover's radio: bytes or none",
        ("no_position", "unusable_format"): "look at the base's stream: 1005 or 1006, and which "
        "observations",
        ("no_position", "rover_settings"): "look at the base's stream: 1005 or 1006 every 10 s",
        ("unusable_format", "weak_path"): "a recording at the base: observations are in it, or not",
        ("base_receiver", "weak_path"): "a recording at the base: the message is in it, or is not",
        ("few_satellites", "weak_path"): "a recording at the base: sent there or lost on the way",
        ("power_sag", "base_moved"): "the voltage while the radio sends; bubble and tape",
        ("power_sag", "no_link"): "a recording at the base: restarts there, or silence on the air",
        (
            "base_averaged",
            "base_slightly_wrong",
        ): "how the base got its position: averaged or typed",
        ("base_averaged", "base_moved"): "how the base got its position: averaged or typed",
        ("antenna_height", "antenna_model"): "the tape: the height agrees, or it does not",
        ("antenna_height", "base_slightly_wrong"): "the tape: the height agrees, or it does not",
        ("antenna_height", "height_difference"): "a check mark near the base's own height",
        ("antenna_cable", "interference"): "another cable, then the radio off for a minute",
        ("antenna_cable", "base_receiver"): "another cable, then a restart of the receiver",
        ("base_multipath", "ionosphere"): "other crews: all suffer, or this base alone",
        ("base_multipath", "rover_sky"): _SECOND + "It floats too: the base. It fixes: the rover",
        ("busy_channel", "overloaded"): "send half as much for a minute: the age falls, or it "
        "does not",
        ("two_bases", "busy_channel"): "listen on another channel for a minute",
        ("overloaded", "wrong_time"): "the age at the rover: as old, or fresh",
    }.items()
}


@dataclass(frozen=True, slots=True)
class Alike:
    """Two causes that cannot be told apart from here, and what splits them."""

    causes: tuple[str, str]
    splits: str


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """What is wrong, and why.

    Attributes
    ----------
    problem : Problem
    causes : tuple of Cause
        All 27: claimed ones first, most credible first; ruled-out and not-tested last.
    alike : tuple of Alike
        Of the first causes.
    notes : tuple of str
        What the reader must know of the files.
    """

    problem: Problem
    causes: tuple[Cause, ...]
    alike: tuple[Alike, ...]
    notes: tuple[str, ...]

    @property
    def claimed(self) -> tuple[Cause, ...]:
        """The causes that are proven, likely or possible."""
        return tuple(cause for cause in self.causes if cause.is_claimed)

    @property
    def first(self) -> frozenset[str]:
        """The first cause, with the one that cannot be told apart from it."""
        if not self.claimed:
            return frozenset()
        name = self.claimed[0].name
        alike = [set(pair.causes) for pair in self.alike if name in pair.causes]
        return frozenset({name}.union(*alike[:1]))

    @property
    def is_bad(self) -> bool:
        """Whether it tells of trouble: with `--strict` the exit code is 1 then."""
        trouble = self.problem.kind not in {ProblemKind.FIXED, ProblemKind.NOT_KNOWN}
        sure = {Confidence.PROVEN, Confidence.LIKELY}
        return trouble or any(cause.confidence in sure for cause in self.causes)

    def cautions(self, shown: tuple[Cause, ...]) -> list[Caution]:
        """Give the cautions that belong to the advice of some causes, each once."""
        return list(dict.fromkeys(c for cause in shown for c in cause.facts.cautions))


def diagnose(evidence: Evidence) -> Diagnosis:
    """Look for every cause and rank what was found."""
    found = [_tempered(look_for(facts, evidence), evidence) for facts in CAUSE_FACTS.values()]
    problem = evidence.problem
    ranked = tuple(sorted(found, key=lambda cause: _order(cause, problem.kind)))
    return Diagnosis(problem, ranked, _alike(ranked), notes_on(evidence))


def explains(name: str, kind: ProblemKind) -> bool:
    """Tell whether a cause can make a problem."""
    match kind:
        case ProblemKind.CHECK_FAILS:
            return name in _SHIFT
        case ProblemKind.NO_RTK:
            return name in _NO_RTK
        case ProblemKind.FLOAT:
            return name not in _ONLY_SHIFT and name != "wrong_time"
        case _:
            return True


def _tempered(cause: Cause, evidence: Evidence) -> Cause:
    """Take certainty off where stream and log are of different times."""
    if evidence.is_joined or not cause.is_claimed or evidence.columns is None:
        return cause
    if cause.name == "wrong_time":
        return cause
    doubt = "stream and rover's log are of different times"
    return replace(cause, confidence=Confidence.POSSIBLE, against=(*cause.against, doubt))


def _order(cause: Cause, kind: ProblemKind) -> tuple[float, bool, int, int]:
    rank = float(_RANK[cause.confidence])
    if cause.is_claimed and not explains(cause.name, kind):
        rank = _UNRELATED[cause.confidence]
    contradicted = cause.confidence is Confidence.POSSIBLE and bool(cause.against)
    return rank, contradicted, -cause.strength, _CHEAPEST.index(cause.name)


def _alike(ranked: tuple[Cause, ...]) -> tuple[Alike, ...]:
    """Pair the first cause with those of the same confidence that look like it."""
    claimed = [cause for cause in ranked if cause.is_claimed]
    if not claimed or claimed[0].confidence is Confidence.PROVEN:
        return ()
    first = claimed[0]
    return tuple(
        Alike((first.name, other.name), _SPLITS[pair])
        for other in claimed[1:3]
        if other.confidence is first.confidence
        and (pair := frozenset({first.name, other.name})) in _SPLITS
    )
