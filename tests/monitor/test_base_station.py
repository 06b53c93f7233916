"""What a base says of itself: positions and their changes, antennas, biases, plan, texts."""

import pytest

from rtcmtool.monitor.base_station import MOST_CHANGES, MOST_STATIONS
from tests.strategies import STATION_POSITION, TEXT
from tests.streams import (
    ANTENNA,
    ARP_M,
    STATION,
    Sent,
    antenna,
    base_stream,
    bias,
    data_of,
    every,
    merged,
    observed,
    plan,
    position,
    state_of,
    text,
)


def moved(x_m: float = 0.0, y_m: float = 0.0, z_m: float = 0.0) -> tuple[float, float, float]:
    """Give the position of the made base, moved."""
    return ARP_M[0] + x_m, ARP_M[1] + y_m, ARP_M[2] + z_m


def test_the_published_position_is_read() -> None:
    (station,) = state_of(STATION_POSITION).base.stations.values()
    assert station.latest_position is not None
    # The standard's own example of 1005 (RTCM 10403.x, from memory).
    assert station.latest_position.arp_ecef_m == (1114104.5999, -4850729.7108, 3975521.4643)
    assert station.latest_position.station == 2003
    assert station.latest_position.antenna_height_m is None
    assert station.latest_position.number == 1005


def test_a_position_that_stays_is_kept_once() -> None:
    base = state_of(base_stream(60)).base
    station = base.stations[STATION]
    assert (station.position_count, len(station.positions), station.largest_change_m) == (6, 1, 0)
    assert station.positions[0].antenna_height_m == 1.652
    assert station.messages == 6 * 3 + 60 * 4


@pytest.mark.parametrize(
    ("change", "size_m", "positions"),
    [
        ((0.0001, 0, 0), 0.0001, 1),  # one step of 1005: not more than 0.1 mm
        ((0, 0.0001, 0), 0.0001, 1),
        ((0.0001, 0.0001, 0), 0.000141, 2),
        ((0.0002, 0, 0), 0.0002, 2),
        ((3.0, 4.0, 0), 5.0, 2),
    ],
)
def test_a_position_that_moves_by_more_than_a_step_is_a_new_one(
    change: tuple[float, float, float], size_m: float, positions: int
) -> None:
    stream = position() * 3 + position(moved(*change)) * 2
    station = state_of(stream).base.stations[STATION]
    assert station.largest_change_m == size_m
    assert len(station.positions) == positions
    assert station.position_count == 5


def test_a_creeping_position_is_seen_against_the_first() -> None:
    stream = b"".join(position(moved(0.0001 * step)) for step in range(11))
    station = state_of(stream).base.stations[STATION]
    assert station.largest_change_m == pytest.approx(0.001)


def test_positions_that_jump_to_and_fro_are_kept_up_to_a_limit() -> None:
    stream = (position() + position(moved(1.0))) * (MOST_CHANGES + 20)
    station = state_of(stream).base.stations[STATION]
    assert len(station.positions) == MOST_CHANGES
    assert station.largest_change_m == 1.0


def test_the_height_is_that_of_the_latest_message() -> None:
    station = state_of(position(height_m=1.5) + position(height_m=None)).base.stations[STATION]
    assert station.latest_position is not None
    assert station.latest_position.antenna_height_m is None
    assert station.positions[0].antenna_height_m == 1.5


def test_two_stations_are_kept_apart() -> None:
    stream = merged(base_stream(20), base_stream(20, station=12, numbers=(1074,)))
    state = state_of(stream)
    assert set(state.base.stations) == {STATION, 12}
    assert state.base.stations[12].messages == 3 * 2 + 20
    assert state.main_station == STATION
    assert set(state.trackers) == {STATION, 12}


def test_the_number_of_stations_is_limited() -> None:
    data = b"".join(antenna(station=number) for number in range(MOST_STATIONS + 10))
    state = state_of(data)
    assert len(state.base.stations) == MOST_STATIONS


def test_hostile_positions_of_many_stations_do_not_pass_the_limit() -> None:
    data = b"".join(position(station=number) for number in range(MOST_STATIONS + 10))
    assert len(state_of(data).base.stations) == MOST_STATIONS


def test_without_observations_the_station_heard_most_is_the_main_one() -> None:
    assert state_of(position() + position(station=9) * 2).main_station == 9
    assert state_of(b"").main_station is None


def test_descriptions_of_the_antenna_are_kept_once_each() -> None:
    base = state_of(antenna() * 3 + antenna("OTHER-2") + antenna()).base
    assert [described.antenna for described in base.antennas] == [ANTENNA, "OTHER-2"]
    assert base.antennas[0].receiver == "BASE-1"
    assert base.antennas[0].station == STATION


def test_biases_are_those_sent_last() -> None:
    base = state_of(bias((0.0,) * 4, aligned=True) + bias((0.02, None, -0.04, 0.0))).base
    assert base.bias is not None
    assert base.bias.biases_m == (0.02, None, -0.04, 0.0)
    assert not base.bias.aligned
    assert not base.bias.all_zero


@pytest.mark.parametrize(
    ("biases_m", "all_zero"),
    [((0.0, 0.0, 0.0, 0.0), True), ((None,) * 4, True), ((0.0, None, 0.02, None), False)],
)
def test_biases_that_say_nothing_are_all_zero(
    biases_m: tuple[float | None, ...], all_zero: bool
) -> None:
    told = state_of(bias(biases_m)).base.bias
    assert told is not None
    assert told.all_zero is all_zero


def test_the_plan_is_the_one_announced() -> None:
    assert state_of(plan({1074: 1.0, 1006: 10.0, 1230: 0.5})).base.plan == {
        1074: 1.0, 1006: 10.0, 1230: 0.5,
    }  # fmt: skip


def test_texts_are_kept_with_their_time_and_the_latest_hundred_only() -> None:
    # The standard's own example of 1029 (RTCM 10403.x, from memory).
    ((time_ms, words),) = state_of(TEXT).base.texts
    assert words == "UTF-8 проверка wörter"
    assert time_ms == -1  # nothing tells when it came
    many = [Sent(0, 1029, text(f"note {index}")) for index in range(150)]
    texts = state_of(merged(observed(1074, 1), many)).base.texts
    assert len(texts) == MOST_CHANGES
    assert texts[-1][1] == "note 149"
    assert texts[-1][0] > 0


def test_a_position_in_each_epoch_is_dated_by_it() -> None:
    state = state_of(data_of(merged(base_stream(5, extras=()), every(position(), 5, 1))))
    (kept,) = state.base.stations[STATION].positions
    assert kept.time_ms == state.clock.first_ms
