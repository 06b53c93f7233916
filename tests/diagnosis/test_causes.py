"""How signs become confidence."""

import re

import pytest

from rtcmtool.diagnosis.causes import Case, Confidence, cause, look_for
from rtcmtool.diagnosis.diagnosis import CAUSE_FACTS, CAUSE_NAMES
from rtcmtool.diagnosis.evidence import Evidence
from rtcmtool.diagnosis.rule_table import RULES


def case_of(*notes: str) -> Case:
    case = Case()
    for note in notes:
        match note[0]:
            case "P":
                case.proof(note)
            case "S":
                case.sign(note[1:2], note)
            case "D":
                case.doubt(note)
            case "A":
                case.absent(note)
            case _:
                case.lack(note)
    return case


@pytest.mark.parametrize(
    ("notes", "confidence"),
    [
        (("P",), Confidence.PROVEN),
        (("P", "Sa"), Confidence.PROVEN),
        (("P", "D"), Confidence.LIKELY),
        (("Sa", "Sb"), Confidence.LIKELY),
        (("Sa", "Sb", "D"), Confidence.POSSIBLE),
        (("Sa", "Sb", "A"), Confidence.POSSIBLE),
        (("Sa", "Sa again"), Confidence.POSSIBLE),
        (("Sa",), Confidence.POSSIBLE),
        (("A",), Confidence.RULED_OUT),
        (("A", "L"), Confidence.RULED_OUT),
        (("L",), Confidence.NOT_TESTED),
        (("D",), Confidence.NOT_TESTED),
        ((), Confidence.NOT_TESTED),
    ],
)
def test_confidence_follows_from_the_notes_alone(
    notes: tuple[str, ...], confidence: Confidence
) -> None:
    # Proven: one number. Likely: two independent signs, none against. Possible: one sign. Ruled
    # out: the sign that would have to be there is absent (user guide of `diagnose`).
    assert case_of(*notes).confidence is confidence


def test_the_earliest_sign_tells_since_when() -> None:
    case = Case()
    case.sign("a", "later", "2026-03-04T08:00:00Z")
    case.proof("earlier", "2026-03-04T07:00:00Z")
    case.sign("b", "no date")
    assert case.since == "2026-03-04T07:00:00Z"


def test_steps_of_the_evidence_come_before_the_usual_ones() -> None:
    @cause("a thing", do=("usual",), proves_it="x", basis="y", limits=("z",))
    def thing(_evidence: Evidence, case: Case) -> None:
        """Look for it."""
        case.proof("seen")
        case.first("special")

    found = look_for(thing, Evidence())
    assert found.do == ("special", "usual")
    assert (found.name, found.evidence, found.against) == ("thing", ("seen",), ())


def test_every_cause_of_the_contract_is_there_in_its_order() -> None:
    # Names and order: the contract of `diagnose --json`.
    # fmt: off
    contract = [
        "no_link", "weak_path", "busy_channel", "overloaded", "power_sag", "no_position",
        "unusable_format", "one_frequency", "few_satellites", "rover_sky", "base_multipath",
        "interference", "antenna_cable", "glonass_bias", "base_far_wrong", "base_slightly_wrong",
        "antenna_height", "antenna_model", "two_bases", "base_moved", "long_baseline",
        "height_difference", "ionosphere", "base_receiver", "rover_settings", "wrong_time",
        "base_averaged",
    ]
    # fmt: on
    assert list(CAUSE_NAMES) == contract
    assert list(CAUSE_FACTS) == contract


@pytest.mark.parametrize("name", CAUSE_NAMES)
def test_every_cause_says_what_is_for_it_what_to_do_and_where_it_comes_from(name: str) -> None:
    facts = CAUSE_FACTS[name]
    text = " ".join((facts.test.__doc__ or "").split())
    assert "For it:" in text
    assert "Ruled out" in text
    assert facts.do
    assert facts.proves_it
    assert facts.basis
    assert facts.limits
    for rule in re.findall(r"rules? ([a-z_, ]+)", "; ".join(facts.limits)):
        assert set(rule.replace(",", " ").split()) & set(RULES), rule
    advice = " ".join(facts.do)
    if "power" in advice or "antennas" in advice or "battery" in advice:
        assert facts.cautions


@pytest.mark.parametrize("name", CAUSE_NAMES)
def test_from_nothing_no_cause_is_claimed_and_each_says_what_is_missing(name: str) -> None:
    found = look_for(CAUSE_FACTS[name], Evidence())
    assert found.confidence is Confidence.NOT_TESTED
    assert found.missing
