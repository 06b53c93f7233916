"""From findings to GO, NO-GO and CANNOT TELL, and the order in which findings stand."""

import dataclasses
import itertools

import pytest

from rtcmtool.diagnosis import verdict as verdict_module
from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.finding import RANK, Finding, Rule, State, Weight
from rtcmtool.diagnosis.rule_table import RULES
from rtcmtool.diagnosis.verdict import RULE_FUNCTIONS, Verdict, judge
from tests.diagnosis.judging import APART, BAD, OK, UNKNOWN, WATCH, is_complete
from tests.streams import (
    Sent,
    base_stream,
    damaged,
    every,
    observed,
    position,
    state_of,
    without,
    without_epochs,
)

WEIGHTS = {"K": Weight.KNOWN, "B": Weight.BLOCKS, "I": Weight.INFORMS}


@pytest.fixture
def judged(monkeypatch: pytest.MonkeyPatch):
    """Give a function that judges findings of given weights and states."""

    def of(*pairs: tuple[str, State], strict: bool = False) -> Verdict:
        functions = {}
        for index, (weight, state) in enumerate(pairs):
            rule = Rule(f"rule{index}", f"rule {index}", WEIGHTS[weight], None, None, None, "x")
            functions[rule.name] = lambda _, rule=rule, state=state: Finding(rule, state, "text")
        monkeypatch.setattr(verdict_module, "RULE_FUNCTIONS", functions)
        return judge(Context(state_of(b"")), strict=strict)

    return of


@pytest.mark.parametrize(
    ("pairs", "word", "strict_word"),
    [
        ([], "go", "go"),
        ([("K", OK), ("B", OK), ("I", OK)], "go", "go"),
        ([("K", BAD)], "no-go", "no-go"),
        ([("B", BAD)], "no-go", "no-go"),
        ([("I", BAD)], "go", "go"),
        ([("K", UNKNOWN)], "cannot-tell", "cannot-tell"),
        ([("B", UNKNOWN)], "go", "go"),
        ([("I", UNKNOWN)], "go", "go"),
        ([("K", UNKNOWN), ("B", BAD)], "no-go", "no-go"),
        ([("K", UNKNOWN), ("I", BAD)], "cannot-tell", "cannot-tell"),
        ([("K", WATCH)], "go", "no-go"),
        ([("B", WATCH)], "go", "no-go"),
        ([("I", WATCH)], "go", "go"),
        ([("K", WATCH), ("K", UNKNOWN)], "cannot-tell", "no-go"),
        ([("K", APART), ("B", APART)], "go", "go"),
    ],
)
def test_the_verdict_follows_from_weights_and_states(
    judged, pairs: list[tuple[str, State]], word: str, strict_word: str
) -> None:
    for order in itertools.permutations(pairs):
        assert judged(*order).word == word
        assert judged(*order, strict=True).word == strict_word
        assert judged(*order).exit_code == (0 if word == "go" else 1)


def test_findings_stand_worst_first_and_essential_before_others(judged) -> None:
    pairs = [(weight, state) for state in reversed(State) for weight in ("I", "B", "K")]
    findings = judged(*pairs).findings
    states = [finding.state for finding in findings]
    assert list(dict.fromkeys(states)) == [BAD, WATCH, UNKNOWN, OK, APART]
    for state in State:
        essential = [f.rule.essential for f in findings if f.state is state]
        assert essential == sorted(essential, reverse=True)
    assert sorted(RANK.values()) == list(range(len(State)))


def test_findings_that_rank_alike_keep_the_order_of_the_contract() -> None:
    findings = judge(Context(state_of(base_stream(60)))).findings
    places = list(RULES)
    alike = [f.rule.name for f in findings if f.state is OK and f.rule.essential]
    assert alike == sorted(alike, key=places.index)


def test_what_blocks_and_what_is_missing_can_be_named(judged) -> None:
    verdict = judged(("K", UNKNOWN), ("B", UNKNOWN), ("K", BAD), ("I", BAD))
    assert [f.rule.name for f in verdict.blocking] == ["rule2"]
    assert [f.rule.name for f in verdict.missing] == ["rule0"]
    assert len(verdict.of(UNKNOWN)) == 2
    assert len(verdict.of(BAD, essential=False)) == 1


def test_a_healthy_base_is_a_go() -> None:
    verdict = judge(Context(state_of(base_stream(60))))
    assert verdict.word == "go"
    assert not verdict.of(BAD)
    assert not verdict.of(WATCH)


@pytest.mark.parametrize(
    ("stream", "rule"),
    [
        (damaged(base_stream(60), *range(0, 250, 9)), "frames_whole"),
        (
            without(base_stream(60), lambda s: s.number == 1124 and s.epoch % 3 == 0),
            "epochs_complete",
        ),
        (without_epochs(base_stream(120), *range(60, 80)), "longest_gap"),
        (without(base_stream(120), lambda s: s.number == 1006), "position_sent"),
        (base_stream(60, numbers=(1071, 1081)), "observations_usable"),
        (
            base_stream(60, signals=dict.fromkeys("GRE", ("1C",)), numbers=(1074, 1084, 1094)),
            "two_bands",
        ),
        (base_stream(60, numbers=(1074,), satellites={"GPS": 6}), "satellites_enough"),
        (base_stream(60, extras=(every(position((0.0, 0.0, 0.0)), 60, 10),)), "position_on_earth"),
        ([*base_stream(60), *base_stream(60, station=12)], "one_base"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_each_fault_of_a_base_is_a_no_go_by_its_own_rule(stream: list[Sent], rule: str) -> None:
    verdict = judge(Context(state_of(sorted(stream, key=lambda sent: sent.epoch))))
    assert verdict.word == "no-go"
    assert rule in {finding.rule.name for finding in verdict.blocking}


def test_too_short_a_stream_cannot_be_told() -> None:
    verdict = judge(Context(state_of(base_stream(4))))
    assert verdict.word == "cannot-tell"
    assert {f.rule.name for f in verdict.missing} == {"frames_whole", "epochs_complete", "one_base"}


def test_observations_without_position_cannot_be_told_at_first() -> None:
    verdict = judge(Context(state_of(observed(1074, 40, satellites=14))))
    assert verdict.word == "cannot-tell"
    assert [f.rule.name for f in verdict.missing] == ["position_sent"]


def test_every_finding_of_a_troubled_stream_is_complete() -> None:
    stream = damaged(without_epochs(base_stream(200, numbers=(1001, 1009)), 50, 51, 52, 53), 7, 8)
    for finding in judge(Context(state_of(stream), radio_rate_bit_s=4800.0)).findings:
        assert is_complete(finding), finding.rule.name


def test_rules_and_functions_are_paired_one_to_one() -> None:
    assert list(RULE_FUNCTIONS) == list(RULES)
    assert all(function.__name__ == name for name, function in RULE_FUNCTIONS.items())


def test_findings_cannot_be_changed_afterwards() -> None:
    finding = judge(Context(state_of(b""))).findings[0]
    with pytest.raises(dataclasses.FrozenInstanceError):
        finding.text = "other"  # type: ignore[misc]
