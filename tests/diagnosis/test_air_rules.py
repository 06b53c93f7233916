"""The radio path where both ends were heard."""

import pytest

from rtcmtool.diagnosis.air_rules import radio_path, with_finding
from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.finding import State
from rtcmtool.diagnosis.verdict import judge
from rtcmtool.monitor.air_loss import AirLoss
from tests.streams import base_stream, dated, state_of

NEAR = state_of(base_stream(30), reference=dated())


def air_of(lost: int, sent: int = 100) -> AirLoss:
    air = AirLoss()
    for second in range(sent):
        data = second.to_bytes(2, "big") * 100
        air.send([data], float(second))
        if second >= lost:
            air.hear([data], second + 0.5)
    air.finish(10_000.0)
    return air


@pytest.mark.parametrize(
    ("lost", "state"),
    [(0, State.OK), (4, State.OK), (5, State.WATCH), (20, State.WATCH), (21, State.BAD),
     (100, State.BAD)],
)  # fmt: skip
def test_the_limits_of_loss(lost: int, state: State) -> None:
    found = radio_path(air_of(lost), NEAR, NEAR, "COM7")
    assert found.state is state
    assert found.value == pytest.approx(lost)


def test_few_frames_tell_nothing() -> None:
    assert radio_path(air_of(0, sent=10), NEAR, NEAR, "COM7").state is State.UNKNOWN


def test_another_base_at_the_far_end_is_bad() -> None:
    far = state_of(base_stream(30, station=12), reference=dated())
    air = air_of(0)
    air.foreign = 100
    found = radio_path(air, NEAR, far, "COM7")
    assert found.state is State.BAD
    assert found.text == "base 12 is heard too"


def test_a_bad_path_makes_the_verdict_a_no_go_and_a_good_one_changes_nothing() -> None:
    verdict = judge(Context(NEAR))
    good = with_finding(verdict, radio_path(air_of(0), NEAR, NEAR, "COM7"))
    assert good.word == verdict.word
    bad = with_finding(verdict, radio_path(air_of(60), NEAR, NEAR, "COM7"))
    assert bad.word == "no-go"
    assert bad.findings[0].rule.name == "radio_path"
    watch = radio_path(air_of(10), NEAR, NEAR, "COM7")
    assert with_finding(verdict, watch).word == verdict.word
    assert with_finding(verdict, watch, strict=True).word == "no-go"
