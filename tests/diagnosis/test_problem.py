"""Which problem it is: the shares at their limit, the check shot at its, and what is not known."""

import numpy as np
import pytest

from rtcmtool.diagnosis.finding import Finding, State
from rtcmtool.diagnosis.problem import CheckShot, ProblemKind, problem_of
from rtcmtool.diagnosis.rule_table import RULES
from tests.monitor.test_rover_log import columns

MARK = RULES["position_matches_mark"]


@pytest.mark.parametrize(
    ("quality", "kind"),
    [
        ([4] * 95 + [5] * 5, ProblemKind.FIXED),
        ([4] * 94 + [5] * 6, ProblemKind.FLOAT),
        ([4] * 90 + [1] * 6 + [5] * 4, ProblemKind.NO_RTK),
        ([2] * 100, ProblemKind.NO_RTK),
        ([5] * 20 + [4] * 100, ProblemKind.FIXED),
        ([5] * 60 + [4] * 100, ProblemKind.FLOAT),
        ([0] * 100, ProblemKind.NOT_KNOWN),
        ([5] * 19, ProblemKind.NOT_KNOWN),
    ],
)
def test_the_problem_follows_from_the_shares(quality: list[int], kind: ProblemKind) -> None:
    # 95 % and "else the commonest other state": the contract of `diagnose --json`.
    assert problem_of(columns(quality), None, None).kind is kind


def test_without_a_log_it_is_not_known_and_says_why() -> None:
    found = problem_of(None, None, None)
    assert (found.kind, found.text) == (ProblemKind.NOT_KNOWN, "no rover log")
    assert "tracks nothing" in problem_of(columns([0] * 50), None, None).text


@pytest.mark.parametrize(
    ("plan_m", "height_m", "line_m", "fails"),
    [
        (0.020, 0.030, 0.0, False), (0.021, 0.0, 0.0, True), (0.0, -0.031, 0.0, True),
        (0.024, 0.0, 5000.0, False), (0.026, 0.0, 5000.0, True),
    ],
)  # fmt: skip
def test_a_check_shot_fails_beyond_its_limit_and_a_ppm(
    plan_m: float, height_m: float, line_m: float, fails: bool
) -> None:
    # 20 and 30 mm + 1 ppm: NGS classes RT2 and RT3, as the thresholds of the trade have it.
    assert CheckShot(plan_m, height_m, line_m).fails is fails


def test_a_fixed_rover_with_a_failing_check_is_fixed_but_wrong() -> None:
    shot = CheckShot(0.3, 0.0)
    fixed = columns([4] * 100)
    assert problem_of(fixed, shot, None).kind is ProblemKind.CHECK_FAILS
    assert problem_of(fixed, CheckShot(0.01, 0.01), None).kind is ProblemKind.FIXED
    assert problem_of(columns([5] * 100), shot, None).kind is ProblemKind.FLOAT
    assert problem_of(None, shot, None).kind is ProblemKind.CHECK_FAILS


def test_a_base_that_is_not_on_its_mark_fails_the_check_of_a_fixed_rover() -> None:
    bad = Finding(MARK, State.BAD, "2.080 m plan", 2080.0)
    watch = Finding(MARK, State.WATCH, "8 mm plan", 8.0)
    assert problem_of(columns([4] * 100), None, bad).kind is ProblemKind.CHECK_FAILS
    assert problem_of(columns([4] * 100), None, watch).kind is ProblemKind.FIXED
    assert problem_of(columns([5] * 100), None, bad).kind is ProblemKind.FLOAT


def test_the_text_gives_times_and_shares() -> None:
    text = problem_of(columns([5] * 78 + [4] * 20 + [1] * 2), None, None).text
    assert text.startswith("in float 48 s of 1 min 10 s (69 %)")
    assert "fixed 20 s" in text
    assert np.all(columns([4]).quality == 4)
