from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest

from rtcmtool.gnss import time as gnss_time
from rtcmtool.simulation.faults import make_fault
from rtcmtool.simulation.messages import Plan, intervals_in_force
from rtcmtool.simulation.scenario import Scenario, Stream
from rtcmtool.simulation.station_messages import text_frame
from rtcmtool.wire.framing import FRAME_OVERHEAD
from tests.simulation.heard import SMALL, SMALL_STREAM, hear


def test_the_text_message_is_the_one_of_the_standards_example() -> None:
    """RTCM 10403.x, example of 1029: station 23, day 132, 59 100 s."""
    example = (
        "D30027405017008473 6E151E55 54462D3820D0BFD180D0BED0B2D0B5D180D0BAD0B02077C3B67274"
        "6572EDA33B"
    )
    data = bytes.fromhex(example.replace(" ", ""))
    # A modified day of 16 bits: the example's day is 132; only the text and its counters count.
    gps_ms = gnss_time.gps_ms_from_mjd(60_000, 59_100.0)
    ours = text_frame(23, gps_ms, "UTF-8 проверка wörter")
    assert len(ours) == len(data)
    assert ours[3:6] == data[3:6]  # number and station
    assert ours[10:-3] == data[10:-3]  # counters and text
    assert int.from_bytes(ours[8:11], "big") >> 7 & 0x1FFFF == 59_100


def test_messages_are_due_at_their_interval_and_in_their_turn() -> None:
    plan = Plan(Scenario())
    gps_ms = Scenario().start_gps_ms + np.arange(30) * 1000
    assert np.flatnonzero(plan.is_due(10.0, 0.0, gps_ms)).tolist() == [0, 10, 20]
    assert np.flatnonzero(plan.is_due(10.0, 2.0, gps_ms)).tolist() == [2, 12, 22]
    assert plan.is_due(1.0, 0.0, gps_ms).all()


def test_what_is_due_does_not_depend_on_the_block_it_is_asked_in() -> None:
    plan = Plan(Scenario())
    gps_ms = Scenario().start_gps_ms + np.arange(90) * 1000
    whole = plan.is_due(7.0, 3.0, gps_ms)
    parts = [plan.is_due(7.0, 3.0, part) for part in (gps_ms[:13], gps_ms[13:14], gps_ms[14:])]
    assert np.concatenate(parts).tolist() == whole.tolist()


def test_messages_that_are_sent_more_slowly_leave_the_closing_to_the_others() -> None:
    stream = replace(SMALL_STREAM, messages=MappingProxyType({1074: 1.0, 1084: 5.0}))
    heard = hear(replace(SMALL, stream=stream, duration_s=12.0))
    closing = heard.seconds[heard.more_follow[heard.is_observation] == 0]
    assert closing.tolist() == list(range(12))
    assert sorted(heard.seconds[heard.number[heard.is_observation] == 1084]) == [0, 5, 10]


def test_short_messages_come_before_the_observations() -> None:
    heard = hear(replace(SMALL, duration_s=1.0))
    assert heard.number.tolist() == [1029, 1006, 1074, 1084]


def test_half_second_epochs_are_sent_twice_a_second() -> None:
    stream = replace(SMALL_STREAM, messages=MappingProxyType({1074: 0.5, 1006: 10.0}))
    heard = hear(replace(SMALL, stream=stream, duration_s=5.0))
    steps = np.diff(heard.gps_ms[heard.is_observation])
    assert steps.tolist() == [500] * 9


@pytest.mark.parametrize("kind", range(1, 8))
def test_every_type_of_msm_is_sent_and_decoded(kind: int) -> None:
    numbers = [base + kind for base in (1070, 1080, 1090, 1120)]
    stream = Stream(messages=MappingProxyType(dict.fromkeys(numbers, 1.0)))
    heard = hear(replace(SMALL, stream=stream, duration_s=2.0))
    assert heard.number[heard.is_observation].tolist() == numbers * 2
    seen = heard.observations
    has_code, has_phase = kind != 2, kind != 1
    whole = kind >= 4
    assert np.isfinite(seen.pseudorange_m).all() == (has_code and whole)
    assert np.isfinite(seen.phase_range_m).mean() > 0.95 or not (has_phase and whole)
    assert np.isfinite(seen.cnr_dbhz).all() == (kind >= 4)
    assert (np.isfinite(seen.phase_range_rate_m_s).mean() > 0.95) == (kind in {5, 7})


@pytest.mark.parametrize("numbers", [(1001, 1009), (1002, 1010), (1003, 1011), (1004, 1012)])
def test_every_legacy_message_is_sent_and_decoded(numbers: tuple[int, int]) -> None:
    stream = Stream(messages=MappingProxyType(dict.fromkeys(numbers, 1.0)))
    heard = hear(replace(SMALL, stream=stream, duration_s=2.0))
    assert heard.number[heard.is_observation].tolist() == [*numbers, *numbers]
    assert heard.more_follow[heard.is_observation].tolist() == [1, 0, 1, 0]
    bands = 2 if numbers[0] in {1003, 1004} else 1
    assert len(set(heard.observations.signal[heard.rows("G")].tolist())) == bands


def test_all_messages_about_the_base_are_sent_with_what_the_scenario_says() -> None:
    messages = dict.fromkeys((1005, 1006, 1007, 1008, 1013, 1033, 1230), 10.0)
    stream = replace(SMALL_STREAM, messages=MappingProxyType({**messages, 1074: 1.0}))
    heard = hear(replace(SMALL, stream=stream, duration_s=10.0))
    assert set(messages) <= set(heard.number.tolist())
    (receiver,) = heard.values(1033)
    assert receiver["receiver_type"] == "OAKFIELD BASE 4"
    assert receiver["antenna_descriptor"] == "OAKFIELD R2     NONE"
    assert len(receiver["antenna_descriptor"]) == 20
    (position,) = heard.values(1006)
    assert position["antenna_height_m"] == 1.652
    assert not position["galileo"]
    (plan,) = heard.values(1013)
    assert {row["message"]: row["interval_s"] for row in plan["announcements"]} == dict(
        stream.messages
    )
    assert plan["leap_seconds"] == 18
    (biases,) = heard.values(1230)
    assert biases["bias_1c_m"] == -0.62


def test_ephemerides_of_all_systems_come_round_within_their_interval() -> None:
    numbers = {1019: "G", 1020: "R", 1042: "C", 1045: "E", 1046: "E"}
    stream = Stream(
        messages=MappingProxyType(
            {**dict.fromkeys(numbers, 20.0), **dict.fromkeys((1074, 1084, 1094, 1124), 1.0)}
        )
    )
    heard = hear(replace(SMALL, stream=stream, duration_s=20.0))
    for number, letter in numbers.items():
        count = int((heard.number == number).sum())
        seen = {name for name in heard.satellites_at(10) if name[0] == letter}
        assert count == pytest.approx(len(seen), abs=1), number
    burst = max(np.unique(heard.arrival_utc_ns // 10**9, return_counts=True)[1])
    assert burst < 14  # spread out, not all at once


def test_a_fault_takes_messages_out_of_the_set_or_changes_their_family() -> None:
    scenario = Scenario()
    assert 1006 not in intervals_in_force(scenario, {"no-position": make_fault("no-position")})
    assert 1230 not in intervals_in_force(scenario, {"no-bias": make_fault("no-bias")})
    other = intervals_in_force(scenario, {"wrong-family": make_fault("wrong-family")})
    assert {1004, 1012} <= set(other)
    assert not {1074, 1084, 1094, 1124} & set(other)


def test_frames_leave_the_port_no_faster_than_its_rate() -> None:
    heard = hear(replace(SMALL, listen_at="base", duration_s=20.0))
    byte_s = 10 / SMALL.radio.port_baud
    gaps_s = np.diff(heard.arrival_utc_ns) / 1e9
    assert (gaps_s >= heard.lengths[1:] * byte_s - 1e-6).all()
    assert heard.lengths.min() > FRAME_OVERHEAD
