"""Whether everything arrives, whole and on time: each limit on and beside it, through streams."""

import numpy as np
import pytest

from rtcmtool.diagnosis.cautions import Caution
from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.finding import State
from rtcmtool.diagnosis.link_rules import frames_whole
from tests.diagnosis.judging import APART, BAD, OK, UNKNOWN, WATCH, found, is_complete
from tests.monitor.test_traffic import GGA
from tests.strategies import STATION_POSITION
from tests.streams import (
    START_MS,
    Sent,
    arriving,
    base_stream,
    bias,
    damaged,
    data_of,
    dated,
    every,
    merged,
    observed,
    plan,
    position,
    state_of,
    state_of_chunks,
    without,
    without_epochs,
)


@pytest.mark.parametrize(
    ("silent_s", "interval_ms", "state"),
    [
        (0.4, 1000, OK),
        (3.0, 1000, OK),
        (3.1, 1000, WATCH),
        (14.9, 1000, WATCH),
        (15.0, 1000, BAD),
        (6.0, 2000, OK),
        (6.1, 2000, WATCH),
        (None, 1000, UNKNOWN),
    ],
)
def test_live_messages_arrive_within_three_intervals(
    silent_s: float | None, interval_ms: int, state: State
) -> None:
    stream = base_stream(20, interval_ms=interval_ms)
    finding = found("bytes_arrive", stream, live=True, silent_s=silent_s)
    assert finding.state is state
    assert finding.value == silent_s
    assert is_complete(finding) or state is WATCH


def test_a_file_is_judged_to_its_end() -> None:
    finding = found("bytes_arrive", base_stream(20))
    assert (finding.state, finding.value) == (OK, 0.0)
    assert finding.text == "86 messages to the file's end"


def test_a_file_without_a_message_is_never_shown_as_healthy() -> None:
    assert found("bytes_arrive", b"no frame in it").state is BAD
    assert found("bytes_arrive", state_of(b"", finish=False)).state is UNKNOWN


def damage(broken: int, whole: int) -> bytes:
    """Give so many damaged and whole frames."""
    frames = every(STATION_POSITION, broken + whole, 1)
    return data_of(damaged(frames, *range(broken)))


@pytest.mark.parametrize(
    ("broken", "whole", "state"),
    [
        (0, 20, OK),
        (0, 19, UNKNOWN),
        (1, 100, OK),
        (1, 99, WATCH),  # 1 %
        (5, 95, WATCH),  # 5 %
        (6, 94, BAD),
        (20, 0, BAD),
    ],
)
def test_frames_damaged(broken: int, whole: int, state: State) -> None:
    finding = found("frames_whole", damage(broken, whole))
    assert finding.state is state
    assert is_complete(finding)
    if state is not UNKNOWN:
        assert finding.value == 100 * broken / (broken + whole)
        assert finding.values == {"damaged": broken, "frames": broken + whole, "layout": 0}


@pytest.mark.parametrize(
    ("at", "words"), [("base", "cable or port"), ("rover", "radio path"), ("net", "sender")]
)
def test_damage_means_another_thing_at_base_rover_and_net(at: str, words: str) -> None:
    action = found("frames_whole", damage(10, 90), at=at).action
    assert action is not None
    assert words in action


@pytest.mark.parametrize(
    ("frames", "foreign", "state"),
    [
        (199, 24, OK),
        (199, 25, WATCH),  # 0.5 % of 5000
        (190, 250, WATCH),  # 5 %
        (190, 251, BAD),
        (0, 10, BAD),
        (0, 0, UNKNOWN),
    ],
)
def test_bytes_outside_frames(frames: int, foreign: int, state: State) -> None:
    finding = found("foreign_bytes", STATION_POSITION * frames + b"x" * foreign)
    assert finding.state is state
    assert is_complete(finding)


def test_nmea_on_the_port_is_told_apart() -> None:
    finding = found("foreign_bytes", (STATION_POSITION + GGA) * 30)
    assert (finding.state, finding.value) == (OK, 0.0)
    assert finding.text.endswith("NMEA apart: 30 lines")
    assert finding.values == {"foreign_bytes": 0, "nmea_bytes": 30 * len(GGA)}


@pytest.mark.parametrize(
    ("epochs", "lost", "state"),
    [
        (20, 0, OK),
        (19, 0, UNKNOWN),
        (100, 5, OK),
        (100, 6, WATCH),
        (100, 20, WATCH),
        (100, 21, BAD),
        (0, 0, UNKNOWN),
    ],
)
def test_epochs_complete(epochs: int, lost: int, state: State) -> None:
    stream = base_stream(epochs, numbers=(1074, 1084), extras=()) if epochs else []
    gone = set(range(2, 2 + 2 * lost, 2))
    stream = without(stream, lambda s: s.number == 1084 and s.epoch in gone)
    finding = found("epochs_complete", state_of(stream, reference=dated()))
    assert finding.state is state
    assert is_complete(finding)
    if state is not UNKNOWN:
        assert finding.value == 100 * (epochs - lost) / epochs
        assert finding.values == {"whole": epochs - lost, "due": epochs, "came": epochs}
    assert finding.since == ("2026-03-04T06:59:44Z" if state in {WATCH, BAD} else None)


def test_missed_epochs_are_dated_on_the_clock_of_arrivals_too() -> None:
    stream = without_epochs(base_stream(100, extras=()), *range(50, 60))
    finding = found("epochs_complete", state_of_chunks(arriving(stream)))
    assert finding.since == "2026-03-04T07:00:31Z"  # arrival of epoch 49, 0.6 s late


@pytest.mark.parametrize(
    ("interval_s", "missed", "state", "limit"),
    [
        (1, 0, OK, 3.0),
        (1, 2, OK, 3.0),
        (1, 3, WATCH, 3.0),
        (1, 9, WATCH, 3.0),
        (1, 10, BAD, 10.0),
        (5, 2, OK, 15.0),  # 3 intervals
        (5, 3, WATCH, 15.0),
        (5, 4, BAD, 20.0),  # 4 intervals
        (0.2, 14, OK, 3.0),
        (0.2, 15, WATCH, 3.0),
    ],
)
def test_longest_gap(interval_s: float, missed: int, state: State, limit: float) -> None:
    stream = base_stream(60, numbers=(1074,), extras=(), interval_ms=round(1000 * interval_s))
    stream = without_epochs(stream, *range(30, 30 + missed))
    finding = found("longest_gap", state_of(stream, reference=dated()))
    assert (finding.state, finding.limit) == (state, limit)
    assert finding.value == pytest.approx((missed + 1) * interval_s)
    assert (finding.since is None) is (state is OK)
    assert is_complete(finding)


def test_a_gap_begins_with_the_last_whole_epoch() -> None:
    stream = without_epochs(base_stream(60, extras=()), *range(30, 50))
    assert found("longest_gap", state_of(stream, reference=dated())).since == "2026-03-04T07:00:11Z"


def test_a_gap_needs_epochs() -> None:
    assert found("longest_gap", base_stream(19)).state is UNKNOWN
    assert found("longest_gap", every(position(), 60, 1)).state is UNKNOWN
    never = without(base_stream(60), lambda s: s.number == 1124)
    assert found("longest_gap", never).state is UNKNOWN  # all say that more follow


def test_a_file_without_arrivals_tells_no_delay() -> None:
    assert found("delay", base_stream(60)).state is UNKNOWN


@pytest.mark.parametrize(
    ("still_open", "state"), [(0, OK), (1, OK), (2, WATCH), (5, WATCH), (6, BAD)]
)
def test_epochs_closed(still_open: int, state: State) -> None:
    closed, never = observed(1074, 100), observed(1074, 100, more_follow=1)
    chosen = [never[i] if 2 <= i < 2 + still_open else closed[i] for i in range(100)]
    finding = found("epoch_closed", chosen)
    assert (finding.state, finding.value) == (state, 100 - still_open)
    assert is_complete(finding)


def test_closing_needs_epochs() -> None:
    assert found("epoch_closed", base_stream(19)).state is UNKNOWN


@pytest.mark.parametrize(
    ("epochs", "twice", "state"),
    [
        (100, 0, OK),
        (101, 1, OK),
        (100, 1, WATCH),
        (100, 10, WATCH),
        (100, 11, BAD),
        (19, 0, UNKNOWN),
    ],
)
def test_epochs_once(epochs: int, twice: int, state: State) -> None:
    once = base_stream(epochs, numbers=(1074, 1084), extras=())
    again = [Sent(sent.epoch + 1, sent.number, sent.data) for sent in once if sent.epoch < twice]
    finding = found("epochs_single", merged(once, again))
    assert finding.state is state
    assert is_complete(finding)
    if state is not UNKNOWN:
        assert finding.value == 100 * twice / epochs


def test_without_a_radio_rate_air_time_means_nothing() -> None:
    assert found("air_time", base_stream(60)).state is APART


@pytest.mark.parametrize(
    ("share", "state"), [(59.9, OK), (60.1, WATCH), (84.9, WATCH), (85.1, BAD)]
)
@pytest.mark.parametrize("overhead", [1.0, 1.3])
def test_air_time(share: float, state: State, overhead: float) -> None:
    stream = base_stream(60)
    bytes_per_s = len(data_of(stream)) / 60
    rate = 100 * bytes_per_s * 8 * overhead / share
    finding = found("air_time", stream, radio_rate_bit_s=rate, overhead=overhead)
    assert finding.state is state
    assert finding.value == pytest.approx(share)
    assert is_complete(finding)


def test_air_time_says_whether_it_counts_what_was_sent_or_heard() -> None:
    told = {"radio_rate_bit_s": 9600.0}
    assert found("air_time", base_stream(60), **told).text == "60 % of 9 600 bit/s (sent)"
    assert found("air_time", base_stream(60), at="rover", **told).text.endswith("(heard)")


@pytest.mark.parametrize(("epochs", "state"), [(10, UNKNOWN), (11, OK)])
def test_air_time_needs_ten_seconds(epochs: int, state: State) -> None:
    assert found("air_time", base_stream(epochs), radio_rate_bit_s=38_400).state is state


def planned(intervals_s: dict[int, float], epochs: int = 61, biases: int = 10) -> list[Sent]:
    """Give a base that announces a plan and sends its biases at some step."""
    extras = (
        every(plan(intervals_s), epochs, 60),
        every(position(), epochs, 10),
        every(bias(), epochs, biases),
    )
    return base_stream(epochs, extras=extras)


@pytest.mark.parametrize(
    ("intervals_s", "biases", "state"),
    [
        ({1074: 1, 1006: 10, 1230: 10}, 10, OK),
        ({1230: 10}, 15, OK),
        ({1230: 10}, 16, WATCH),
        ({1074: 1, 1033: 10}, 10, BAD),
        ({1019: 100}, 10, UNKNOWN),
        ({1230: 10}, 100, WATCH),  # it came once in a minute
        ({1230: 0}, 10, OK),
    ],
)
def test_messages_as_planned(intervals_s: dict[int, float], biases: int, state: State) -> None:
    finding = found("announced_messages", planned(intervals_s, biases=biases))
    assert finding.state is state
    assert is_complete(finding)


@pytest.mark.parametrize(("epochs", "state"), [(22, UNKNOWN), (23, BAD)])
def test_a_message_is_missing_after_two_intervals(epochs: int, state: State) -> None:
    finding = found("announced_messages", planned({1033: 10}, epochs=epochs))
    assert finding.state is state


def test_what_is_missing_or_slow_is_named() -> None:
    finding = found("announced_messages", planned({1033: 10, 1019: 5, 1230: 2}))
    assert finding.text == "missing: 1033, 1019"
    assert finding.values == {"missing": [1033, 1019], "slow": [1230], "out_of_view": []}


def test_without_a_plan_there_is_nothing_to_compare() -> None:
    assert found("announced_messages", base_stream(60)).state is APART


def test_a_changed_limit_decides() -> None:
    stream = without_epochs(base_stream(60), *range(30, 33))
    assert found("longest_gap", stream, limits={"longest_gap": 4.0}).state is OK
    assert (
        found("longest_gap", stream, limits={"longest_gap_bad": 3.5}).state is WATCH
    )  # 4 intervals
    finding = found("frames_whole", damage(1, 99), limits={"frames_whole": 2.0})
    assert (finding.state, finding.limit, finding.limit_text) == (OK, 2.0, "2 %")
    assert finding.rule.basis.startswith("site sheet")


def test_made_streams_begin_when_they_say() -> None:
    """Guard the dates that the tests of this file rest on."""
    assert np.datetime64("1980-01-06") + np.timedelta64(START_MS, "ms") == np.datetime64(
        "2026-03-04T07:00:00"
    )


def test_advice_on_the_radio_path_carries_its_cautions_and_other_advice_does_not() -> None:
    stream = damaged(base_stream(40), *range(0, 80, 4))
    at_rover = frames_whole(Context(state_of(stream), at="rover"))
    assert at_rover.state is State.BAD
    assert at_rover.cautions == (Caution.POWER, Caution.MASTS)
    assert frames_whole(Context(state_of(stream), at="base")).cautions == ()
    assert frames_whole(Context(state_of(base_stream(40)), at="rover")).cautions == ()
