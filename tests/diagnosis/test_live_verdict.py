from dataclasses import replace

import pytest

from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.finding import State
from rtcmtool.diagnosis.live_verdict import ABOUT_NOW, SESSION_EVERY_S, LiveJudge, conditions
from rtcmtool.diagnosis.verdict import RULE_FUNCTIONS
from rtcmtool.monitor.events import Rank
from tests.monitor.following import Follower
from tests.streams import Sent, base_stream, without_epochs

SMALL = (1074, 1084)


def stream(epochs: int) -> list[Sent]:
    return base_stream(epochs, numbers=SMALL, satellites={"GPS": 8, "GLO": 6})


def state_of(follower: Follower, rule: str) -> State:
    live = follower.live
    verdict = LiveJudge(Context(live.state)).judge(live)
    return next(f.state for f in verdict.findings if f.rule.name == rule)


def test_every_rule_is_asked() -> None:
    live = Follower(stream(30)).run(30.0)
    verdict = LiveJudge(Context(live.state)).judge(live)
    assert {f.rule.name for f in verdict.findings} == set(RULE_FUNCTIONS)
    assert set(RULE_FUNCTIONS) >= ABOUT_NOW


@pytest.mark.slow
def test_a_gap_is_a_fault_of_now_only_for_half_a_minute() -> None:
    follower = Follower(without_epochs(stream(100), *range(40, 55)))
    follower.run(60.0)
    assert state_of(follower, "longest_gap") is State.BAD
    follower.run(99.0)
    assert state_of(follower, "longest_gap") is State.OK


def test_a_position_is_missed_by_its_age() -> None:
    made = [s for s in stream(100) if not (s.number == 1006 and s.epoch > 10)]
    follower = Follower(made)
    follower.run(20.0)
    assert state_of(follower, "position_sent") is State.OK
    follower.run(40.0)
    assert state_of(follower, "position_sent") is State.WATCH
    follower.run(72.0)
    assert state_of(follower, "position_sent") is State.BAD


def test_what_a_base_says_of_itself_is_judged_as_soon_as_it_comes() -> None:
    made = [replace(s, epoch=2) if s.number == 1006 else s for s in stream(10)]
    follower = Follower(sorted(made, key=lambda s: s.epoch))
    judge = LiveJudge(Context(follower.live.state))

    def antenna_height() -> State:
        verdict = judge.judge(follower.live)
        return next(f.state for f in verdict.findings if f.rule.name == "antenna_height")

    follower.run(1.0)
    assert antenna_height() is State.UNKNOWN
    follower.run(3.0)
    assert SESSION_EVERY_S > 3 - 1
    assert antenna_height() is State.OK


def test_only_a_trusted_clock_tells_the_delay() -> None:
    late = Follower(stream(40), late_s=lambda _: 3.6)
    late.run(44.0)
    assert state_of(late, "delay") is State.WATCH
    untrusted = Follower(stream(40), late_s=lambda _: 3.6, trusted=False)
    untrusted.run(44.0)
    assert state_of(untrusted, "delay") is State.UNKNOWN


@pytest.mark.slow
def test_lost_epochs_are_one_condition_whatever_rules_they_break() -> None:
    follower = Follower(without_epochs(stream(100), *range(70, 82)))
    live = follower.run(90.0)
    found = [
        c for c in conditions(LiveJudge(Context(live.state)).judge(live)) if c.rank is Rank.BAD
    ]
    (condition,) = found
    assert condition.key == "epochs_lost"
    assert condition.text.startswith("12 of ")
    assert condition.text.endswith(" epochs lost")
