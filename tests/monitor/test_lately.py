"""Signals of the last half hour to hour, beside those of the session."""

from itertools import pairwise

import numpy as np
import pytest

from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.finding import Finding, State
from rtcmtool.diagnosis.live_verdict import ABOUT_LATELY, LiveJudge
from rtcmtool.diagnosis.verdict import RULE_FUNCTIONS
from rtcmtool.monitor.lately import STRETCH_MS
from rtcmtool.monitor.live_state import LiveState
from rtcmtool.wire.signal_ids import SIGNAL_ID
from tests.monitor.following import Follower
from tests.streams import Columns, Sent, base_stream, without

STEP_S = 20
MINUTE = 60 // STEP_S  # epochs
STRETCH_S = STRETCH_MS / 1000
pytestmark = pytest.mark.slow


def slipping(*minutes: range):
    """Give an edit: all satellites but one lose lock every minute of these."""

    def edit(columns: Columns) -> None:
        epoch, satellite = columns["epoch"], columns["satellite"]
        wanted = [minute * MINUTE for each in minutes for minute in each]
        for slip in wanted:
            after = (epoch >= slip) & (satellite > 1) & (satellite < 5)
            columns["lock_time_ms"][after] = 1000 * STEP_S * (epoch[after] - slip)

    return edit


def stream(minutes: int, edit=None, numbers: tuple[int, ...] = (1077,)) -> list[Sent]:
    return base_stream(
        minutes * MINUTE,
        numbers=numbers,
        satellites={"GPS": 6, "GAL": 5},
        edit=edit,
        interval_ms=1000 * STEP_S,
        extras=[],
    )


def follower(made: list[Sent]) -> Follower:
    return Follower(made, interval_s=STEP_S)


def lately(live: LiveState, rule: str) -> Finding:
    verdict = LiveJudge(Context(live.state)).judge(live)
    return next(f for f in verdict.findings if f.rule.name == rule)


def of_session(live: LiveState, rule: str) -> Finding:
    return RULE_FUNCTIONS[rule](Context(live.state, live=True))


def test_the_stretch_is_the_session_for_an_hour_and_then_half_an_hour_to_an_hour() -> None:
    made = follower(stream(200))
    lengths = []
    for minute in range(1, 200):
        live = made.run(60.0 * minute, STEP_S)
        lengths.append(live.lately.seconds)
        assert (live.lately.state() is live.state) == (live.lately.seconds is None)
    assert lengths[:59] == [None] * 59
    known = [length for length in lengths[61:] if length is not None]
    assert len(known) == len(lengths) - 61
    assert min(known) == pytest.approx(STRETCH_S, abs=60 + STEP_S)
    assert max(known) == pytest.approx(2 * STRETCH_S, abs=60 + STEP_S)
    # It grows minute by minute, and falls back by half once in half an hour.
    steps = [after - before for before, after in pairwise(known)]
    assert sum(step < 0 for step in steps) == pytest.approx(len(known) / 30, abs=1)


def test_what_slipped_in_the_morning_is_no_fault_of_now() -> None:
    made = follower(stream(130, slipping(range(5, 15))))
    live = made.run(20 * 60.0, STEP_S)
    assert lately(live, "slips").state is State.BAD
    live = made.run(125 * 60.0, STEP_S)
    assert of_session(live, "slips").state is not State.OK
    now = lately(live, "slips")
    assert now.state is State.OK
    assert now.text.startswith("last 34 min: 0 in ")


def test_what_began_to_slip_lately_does_not_drown_in_a_long_day() -> None:
    made = follower(stream(310, slipping(range(295, 305))))
    live = made.run(306 * 60.0, STEP_S)
    day, now = of_session(live, "slips"), lately(live, "slips")
    assert now.state is State.BAD
    # The same slips over five hours: a sixth of the rate.
    assert day.value is not None
    assert now.value is not None
    assert now.value > 5 * day.value
    assert now.since is not None


def test_a_band_that_was_weak_for_a_while_is_forgiven() -> None:
    def edit(columns: Columns) -> None:
        weak = (columns["epoch"] > 20 * MINUTE) & (columns["epoch"] < 22 * MINUTE)
        columns["cnr_dbhz"][weak & np.isin(columns["signal"], [SIGNAL_ID["1C"]])] -= 12.0

    live = follower(stream(130, edit)).run(125 * 60.0, STEP_S)
    assert of_session(live, "band_drop").state is not State.OK
    assert lately(live, "band_drop").state is State.OK


@pytest.mark.parametrize(("until", "state"), [(20, State.OK), (1000, State.BAD)])
def test_a_system_that_came_back_is_history_and_one_that_is_gone_is_not(
    until: int, state: State
) -> None:
    def is_lost(sent: Sent) -> bool:
        return sent.number == 1097 and 10 * MINUTE <= sent.epoch < until * MINUTE

    live = follower(without(stream(130, numbers=(1077, 1097)), is_lost)).run(125 * 60.0, STEP_S)
    assert of_session(live, "systems_steady").state is State.BAD
    assert lately(live, "systems_steady").state is state


def test_restarts_are_counted_in_the_stretch() -> None:
    def edit(columns: Columns) -> None:
        after = columns["epoch"] >= 30 * MINUTE
        columns["lock_time_ms"][after] -= columns["lock_time_ms"][30 * MINUTE]

    live = follower(stream(130, edit)).run(125 * 60.0, STEP_S)
    assert of_session(live, "lock_restart").value == 1
    assert lately(live, "lock_restart").value == 0


def joined(first: list[Sent], again: list[Sent], minutes: int) -> Follower:
    """Send a stream so many minutes behind the begin of another, whatever epochs it tells."""
    return follower([*first, *(Sent(s.epoch + minutes * MINUTE, s.number, s.data) for s in again)])


def test_a_base_whose_time_is_set_back_begins_new_sums() -> None:
    made = joined(stream(100, slipping(range(70, 90))), stream(70), 100)
    live = made.run(99 * 60.0, STEP_S)
    assert lately(live, "slips").state is State.BAD
    # What slipped before is not blamed again, although the session has heard of it.
    live = made.run(120 * 60.0, STEP_S)
    assert of_session(live, "slips").state is State.BAD
    assert live.lately.seconds == pytest.approx(20 * 60, abs=60)
    assert lately(live, "slips").text.startswith("last 19 min: 0 in ")
    live = made.run(165 * 60.0, STEP_S)
    assert live.lately.seconds == pytest.approx(STRETCH_S + 5 * 60, abs=60)


def test_restarts_and_losses_before_the_time_was_set_back_are_history() -> None:
    def edit(columns: Columns) -> None:
        after = columns["epoch"] >= 50 * MINUTE
        columns["lock_time_ms"][after] -= columns["lock_time_ms"][50 * MINUTE]
        lost = after & (columns["epoch"] < 60 * MINUTE)
        columns["phase_range_m"][lost & np.isin(columns["signal"], [SIGNAL_ID["2W"]])] = np.nan
        columns["pseudorange_m"][lost & np.isin(columns["signal"], [SIGNAL_ID["2W"]])] = np.nan

    live = joined(stream(80, edit), stream(30), 80).run(100 * 60.0, STEP_S)
    assert of_session(live, "lock_restart").value == 1
    assert of_session(live, "systems_steady").state is State.WATCH
    assert lately(live, "lock_restart").value == 0
    assert lately(live, "systems_steady").state is State.OK


def test_behind_a_long_silence_what_was_before_it_is_not_blamed() -> None:
    made = follower(
        without(stream(320, slipping(range(70, 90))), lambda sent: 100 <= sent.epoch / MINUTE < 280)
    )
    live = made.run(99 * 60.0, STEP_S)
    assert lately(live, "slips").state is State.BAD
    live = made.run(200 * 60.0, STEP_S)
    assert lately(live, "slips").text.startswith("last 39 min before the silence: 60 in ")
    # Little is known at first, and that is said.
    live = made.run(283 * 60.0, STEP_S)
    now = lately(live, "slips")
    assert now.state is State.UNKNOWN
    assert "needs 5 min" in now.text
    live = made.run(290 * 60.0, STEP_S)
    assert lately(live, "slips").text.startswith("last 9 min: 0 in ")


def test_a_silence_of_minutes_is_part_of_the_stretch_and_makes_it_longer() -> None:
    lost = without(stream(130), lambda sent: 80 <= sent.epoch / MINUTE < 100)
    made = follower(lost)
    lengths = [made.run(60.0 * minute, STEP_S).lately.seconds for minute in range(101, 130)]
    known = [length for length in lengths if length is not None]
    assert len(known) == len(lengths)
    assert min(known) >= STRETCH_S
    assert 2 * STRETCH_S < max(known) <= 2 * STRETCH_S + 20 * 60


def test_only_rules_that_exist_are_asked() -> None:
    assert set(RULE_FUNCTIONS) >= ABOUT_LATELY
