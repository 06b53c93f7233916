"""Judging a value against the two limits of a rule, on and beside each."""

import pytest

from rtcmtool.diagnosis.finding import (
    Rule,
    State,
    Weight,
    judged_above,
    judged_below,
    not_applicable,
    unknown,
)
from tests.diagnosis.judging import APART, BAD, OK, UNKNOWN, WATCH


def rule(ok: float, bad: float | None, *, below: bool = False) -> Rule:
    """Give a rule with these limits."""
    return Rule("rule", "rule", Weight.INFORMS, "s", ok, bad, "judgement", below)


@pytest.mark.parametrize(
    ("value", "below", "state", "limit"),
    [
        (2.9, False, OK, 3.0),
        (3.0, False, OK, 3.0),
        (3.0, True, WATCH, 3.0),
        (2.9, True, OK, 3.0),
        (3.1, False, WATCH, 3.0),
        (5.0, False, WATCH, 3.0),
        (5.0, True, WATCH, 3.0),
        (5.1, False, BAD, 5.0),
    ],
)
def test_a_value_that_should_be_small(
    value: float, below: bool, state: State, limit: float
) -> None:
    assert judged_below(rule(3.0, 5.0, below=below), value) == (state, limit)


@pytest.mark.parametrize(
    ("value", "state", "limit"),
    [(95.0, OK, 95.0), (94.9, WATCH, 95.0), (80.0, WATCH, 95.0), (79.9, BAD, 80.0)],
)
def test_a_value_that_should_be_large(value: float, state: State, limit: float) -> None:
    assert judged_above(rule(95.0, 80.0), value) == (state, limit)


def test_without_a_bad_limit_nothing_is_bad() -> None:
    assert judged_below(rule(3.0, None), 1e9)[0] is WATCH
    assert judged_above(rule(3.0, None), -1e9)[0] is WATCH


def test_with_one_limit_for_both_there_is_no_watch() -> None:
    assert judged_above(rule(5.0, 5.0), 5.0)[0] is OK
    assert judged_above(rule(5.0, 5.0), 4.0)[0] is BAD
    assert judged_below(rule(0.0, 0.0), 1.0)[0] is BAD


def test_what_is_not_known_or_has_no_meaning_has_its_reason() -> None:
    assert unknown(rule(1, 2), "why", limit_text="9").state is UNKNOWN
    assert unknown(rule(1, 2), "why", limit_text="9").limit_text == "9"
    assert not_applicable(rule(1, 2), "why").state is APART
    changed = unknown(rule(1, 2), "why").with_(text="other")
    assert (changed.text, changed.state) == ("other", UNKNOWN)
