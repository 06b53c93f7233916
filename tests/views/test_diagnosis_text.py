"""The screen and the document of a diagnosis."""

import pytest

from rtcmtool.diagnosis.chance_ahead import chance_ahead
from rtcmtool.diagnosis.diagnosis import CAUSE_NAMES, diagnose
from rtcmtool.diagnosis.evidence import Answers, Evidence
from rtcmtool.diagnosis.rule_table import RULES
from rtcmtool.simulation.faults import make_fault
from rtcmtool.views.diagnosis_json import diagnosis_object
from rtcmtool.views.diagnosis_text import SCREEN_LINES, diagnosis_lines
from rtcmtool.views.diagnosis_text_explain import explainable, explanation
from tests.diagnosis.simulated_faults import Shown, evidence_of, playing

CHECK_KEYS = {"verdict", "exit_code", "source", "site", "seconds", "at", "rules"}
CAUSE_KEYS = {
    "cause", "confidence", "since", "evidence", "against", "do", "proves_it", "basis",
}  # fmt: skip


def screen(evidence: Evidence, width: int = 80, **options: bool) -> list[str]:
    lines = diagnosis_lines(
        diagnose(evidence), evidence, chance_ahead(evidence), width=width, **options
    )
    return [line.plain for line in lines]


@pytest.fixture(scope="module")
def weak() -> Evidence:
    """Give a rover behind a weak path, with much else wrong."""
    faults = (
        make_fault("weak-radio", severity=3e-4), make_fault("one-band"), make_fault("false-bias"),
        make_fault("wrong-antenna"),
    )  # fmt: skip
    return evidence_of(playing(*faults), Shown(sheet=True))


@pytest.mark.slow
def test_the_problem_is_said_first_and_what_it_is_not(weak: Evidence) -> None:
    lines = screen(weak)
    assert lines[0].startswith("FLOAT   in float")
    assert lines[1].startswith('This is not "no RTK"')


@pytest.mark.slow
def test_at_most_three_causes_stand_on_the_first_page_and_all_with_all(weak: Evidence) -> None:
    first = [line for line in screen(weak) if line[:1].isdigit()]
    every = [line for line in screen(weak, show_all=True) if line[:1].isdigit()]
    assert len(first) == 3
    assert len(every) == len(diagnose(weak).claimed) > 3
    assert any(line.startswith("Also") and "--all" in line for line in screen(weak))


@pytest.mark.slow
@pytest.mark.parametrize("width", [20, 40, 59, 80, 120])
@pytest.mark.parametrize("show_all", [False, True])
def test_no_line_is_longer_than_the_screen(weak: Evidence, width: int, show_all: bool) -> None:
    assert max(map(len, screen(weak, width, show_all=show_all))) <= width


@pytest.mark.slow
def test_cautions_stand_beside_the_advice_that_needs_them_and_once(weak: Evidence) -> None:
    text = " ".join(" ".join(screen(weak)).split())
    assert text.count("Never key a radio without its antenna") == 1
    assert text.count("Keep masts at least 3 m") == 1
    calm = " ".join(screen(evidence_of(playing(make_fault("no-position")), Shown())))
    assert "Caution" not in calm


FAULTS = {
    "weak path": ((("weak-radio", 3e-4),), Shown()),
    "restarts on a new average": ((("new-average", 1.6),), Shown("untold", log=False)),
    "battery": ((("dead-battery", 45.0),), Shown("untold", log=False)),
    "everything at once": (
        (("weak-radio", 3e-4), ("one-band", None), ("wrong-mark", (1.3, -0.8, 0.0)),
         ("wrong-antenna", None), ("two-bases", 88.0), ("rover-sky", 68.0)),
        Shown(sheet=True),
    ),
    "nothing": ((), Shown()),
}  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("name", FAULTS)
def test_the_answer_fits_a_screen_and_says_nothing_twice(name: str) -> None:
    faults, shown = FAULTS[name]
    made = (make_fault(kind, 40.0, severity=severity) for kind, severity in faults)
    evidence = evidence_of(playing(*made), shown)
    lines, found = screen(evidence), diagnose(evidence)
    assert len(lines) <= SCREEN_LINES == 24 - 2  # the command, and the prompt behind the text
    told = [line.strip() for line in lines if line.strip()]
    assert len(set(told)) == len(told)
    assert sum(line.startswith("More ") for line in lines) == 1
    assert "--all: " in " ".join(lines)
    if faults:
        first = found.claimed[0]
        text = " ".join(" ".join(lines).split())
        assert first.facts.title in text
        assert first.evidence[0] in text
        assert first.do[0] in text
        assert any(line.startswith("  against ") for line in lines)
        for caution in found.cautions((first,)):
            assert caution.value in text


@pytest.mark.slow
def test_a_wider_screen_tells_more_and_a_narrow_one_grows_no_longer_than_it_must(
    weak: Evidence,
) -> None:
    words = {width: len(" ".join(screen(weak, width)).split()) for width in (40, 80, 120)}
    assert words[80] < words[120]
    assert len(screen(weak, 120)) <= SCREEN_LINES
    assert len(screen(weak, 40)) <= 2 * SCREEN_LINES


@pytest.mark.slow
def test_verbose_tells_all_of_the_first_causes_and_where_they_come_from(weak: Evidence) -> None:
    lines = screen(weak, verbose=True)
    assert sum(line.startswith("  basis ") for line in lines) == 3
    text = " ".join(" ".join(lines).split())
    for cause in diagnose(weak).claimed[:3]:
        assert all(words in text for words in (*cause.evidence, *cause.do))


@pytest.mark.slow
def test_all_says_why_and_what_is_missing(weak: Evidence) -> None:
    lines = screen(weak, show_all=True)
    ruled, untested = lines.index("Ruled out"), lines.index("Not tested")
    assert any("restart" in line for line in lines[ruled:untested])
    assert any("needs" in line for line in lines[untested:])


@pytest.mark.slow
def test_a_healthy_rover_is_told_plainly() -> None:
    lines = screen(evidence_of(playing(), Shown()))
    assert lines[0].startswith("FIXED   2 min")
    assert lines[0].endswith("check shot not given") or "check shot not given" in lines[1]
    assert "Nothing is blamed." in lines
    assert any(line.startswith("Ahead       a rover should fix at once") for line in lines)


def test_nothing_given_says_how_to_go_on() -> None:
    text = " ".join(screen(Evidence()))
    assert text.startswith("NOT KNOWN   no rover log")
    assert "--fixes-at-50m" in text


@pytest.mark.slow
def test_the_document_is_that_of_check_with_problem_and_causes(weak: Evidence) -> None:
    found = diagnosis_object(
        diagnose(weak), weak, chance_ahead(weak), source="x", exit_code=0, at="rover"
    )
    assert found.keys() >= CHECK_KEYS | {"problem", "causes"}
    assert {rule["rule"] for rule in found["rules"]} == set(RULES)
    assert found["problem"] == "float"
    assert sorted(cause["cause"] for cause in found["causes"]) == sorted(CAUSE_NAMES)
    for cause in found["causes"]:
        assert cause.keys() >= CAUSE_KEYS
    order = [cause["confidence"] for cause in found["causes"]]
    assert set(order[-2:]) <= {"ruled-out", "not-tested"}
    assert found["rover"]["float"] > found["rover"]["fixed"]


@pytest.mark.slow
def test_the_document_of_a_log_alone_has_no_rules() -> None:
    alone = evidence_of(playing(), Shown("none", answers=Answers(distance_km=1.0)))
    found = diagnosis_object(diagnose(alone), alone, None, source=None, exit_code=0, at="rover")
    assert (found["source"], found["rules"], found["problem"]) == (None, [], "fixed")
    assert found["fix_ahead"] is None


@pytest.mark.parametrize("name", explainable())
def test_every_rule_and_cause_can_be_explained(name: str) -> None:
    lines = explanation(name, 80)
    assert lines[0].startswith(name)
    assert any(line.startswith("basis") for line in lines)
    assert max(map(len, lines)) <= 80


def test_limits_and_their_key_are_told() -> None:
    text = "\n".join(explanation("delay", 80))
    assert "ok        3 s" in text
    assert "bad       5 s" in text
    assert "delay_bad" in text
    with pytest.raises(KeyError):
        explanation("nothing", 80)


@pytest.mark.slow
def test_without_a_rover_log_the_first_line_names_what_the_stream_proves() -> None:
    silent = evidence_of(playing(make_fault("one-band")), Shown(log=False))
    lines = [line.plain for line in diagnosis_lines(diagnose(silent), silent, None, width=200)]
    assert lines[0].startswith("NOT KNOWN   no rover log; what was given shows: the base sends one")
    assert "--rover" not in lines[1]
