"""What the base says of itself: each limit on and beside it, through streams."""

from dataclasses import replace

import pytest

from rtcmtool.diagnosis.finding import State
from rtcmtool.gnss.geodesy import ecef_from_degrees
from tests.diagnosis.judging import APART, BAD, OK, UNKNOWN, WATCH, found, is_complete
from tests.monitor.test_base_station import moved
from tests.strategies import STATION_POSITION
from tests.streams import (
    START_MS,
    STATION,
    Sent,
    antenna,
    arriving,
    base_stream,
    bias,
    dated,
    every,
    merged,
    observed,
    position,
    state_of,
    state_of_chunks,
)


def sending(
    *extras: list[Sent], epochs: int = 60, numbers: tuple[int, ...] = (1074,)
) -> list[Sent]:
    """Give observations, and what else the base sends."""
    return base_stream(epochs, numbers=numbers, extras=extras)


@pytest.mark.parametrize(
    ("step", "epochs", "state"),
    [
        (1, 60, OK),
        (10, 60, OK),
        (15, 61, OK),
        (16, 65, WATCH),
        (60, 121, WATCH),
        (61, 123, BAD),
    ],
)
def test_position_message_by_its_interval(step: int, epochs: int, state: State) -> None:
    finding = found("position_sent", sending(every(position(), epochs, step, 1), epochs=epochs))
    assert finding.state is state
    assert is_complete(finding)
    if state is OK and step > 1:
        assert finding.value == step
        assert finding.text == f"1006 every {step} s"


@pytest.mark.parametrize(("epochs", "state"), [(60, UNKNOWN), (61, BAD)])
def test_a_position_message_is_missed_after_a_minute(epochs: int, state: State) -> None:
    finding = found("position_sent", state_of(sending(epochs=epochs), reference=dated()))
    assert finding.state is state
    assert finding.action
    assert finding.since == (None if state is UNKNOWN else "2026-03-04T06:59:42Z")


@pytest.mark.parametrize(
    ("first", "epochs", "state"),
    [(0, 16, OK), (0, 18, WATCH), (0, 100, BAD), (59, 60, WATCH), (80, 90, BAD)],
)
def test_a_position_sent_once_is_judged_by_the_time_around_it(
    first: int, epochs: int, state: State
) -> None:
    finding = found(
        "position_sent", sending(every(position(), epochs, epochs, first), epochs=epochs)
    )
    assert finding.state is state
    assert "once in" in finding.text


def test_a_position_before_the_first_epoch_counts_without_arrivals() -> None:
    finding = found("position_sent", merged(every(position(), 10, 10), observed(1074, 10)))
    assert (finding.state, finding.value) == (OK, 9.0)


def test_either_position_message_will_do() -> None:
    short = every(position(height_m=None), 60, 5, 1)
    finding = found("position_sent", sending(short, every(position(), 60, 30, 1)))
    assert (finding.state, finding.text) == (OK, "1005 every 5 s")


@pytest.mark.parametrize(("frames", "state"), [(19, UNKNOWN), (20, BAD)])
def test_without_any_time_the_number_of_frames_decides(frames: int, state: State) -> None:
    assert found("position_sent", antenna() * frames).state is state
    assert found("position_sent", position() * frames).state is UNKNOWN  # how often is not known


def test_with_arrivals_a_stream_of_positions_alone_can_be_judged() -> None:
    state = state_of_chunks(arriving(every(position(), 61, 10)))
    finding = found("position_sent", state)
    assert (finding.state, finding.value) == (OK, 10.0)


@pytest.mark.parametrize(
    ("height_m", "state"),
    [(-500.01, BAD), (-499.99, OK), (0.0, OK), (8999.99, OK), (9000.01, BAD), (5_000_000.0, BAD)],
)
def test_position_possible(height_m: float, state: State) -> None:
    arp_m = ecef_from_degrees(12.0, -34.0, height_m).tolist()
    finding = found("position_on_earth", position(arp_m))
    assert finding.state is state
    assert finding.value == pytest.approx(height_m, abs=2e-4)
    assert is_complete(finding)


def test_the_published_position_is_where_it_should_be() -> None:
    finding = found("position_on_earth", STATION_POSITION)
    # Computed for the published 1005 on WGS 84.
    assert finding.text == "38.804759430 N 77.064773600 W 114.561 m"


def test_coordinates_that_are_all_zero_are_no_place() -> None:
    finding = found("position_on_earth", position((0.0, 0.0, 0.0)))
    assert (finding.state, finding.value, finding.text) == (BAD, 0.0, "all coordinates are zero")
    assert is_complete(finding)


def test_a_position_near_the_centre_of_the_earth_is_no_place() -> None:
    assert found("position_on_earth", position((0.0001, 0.0, 0.0))).state is BAD


def test_without_a_position_there_is_nothing_to_judge() -> None:
    for rule in ("position_on_earth", "position_steady", "antenna_height"):
        assert found(rule, sending()).state is UNKNOWN


@pytest.mark.parametrize(
    ("change_m", "state", "size"),
    [
        (0.0, OK, None),
        (0.0001, OK, None),
        (0.0002, BAD, "0.2 mm"),
        (0.35, BAD, "350 mm"),
        (12.5, BAD, "12.500 m"),
    ],
)
@pytest.mark.parametrize("axis", [0, 1, 2])
def test_position_steady(change_m: float, state: State, size: str | None, axis: int) -> None:
    change = [0.0, 0.0, 0.0]
    change[axis] = change_m
    stream = sending(every(position(), 60, 10), [Sent(45, 1006, position(moved(*change)))])
    finding = found("position_steady", state_of(stream, reference=dated()))
    assert finding.state is state
    assert is_complete(finding)
    if size:
        assert finding.text == f"moved by {size}"
        assert finding.since == "2026-03-04T07:00:26Z"  # when the epoch before had come


def test_a_position_sent_once_cannot_be_called_steady() -> None:
    assert found("position_steady", sending(every(position(), 60, 60))).state is UNKNOWN


@pytest.mark.parametrize(
    ("height_m", "state"),
    [(None, APART), (0.0, OK), (1.652, OK), (3.0, OK), (3.0001, BAD), (5.42, BAD)],
)
def test_antenna_height_without_a_tape(height_m: float | None, state: State) -> None:
    finding = found("antenna_height", position(height_m=height_m))
    assert finding.state is state
    assert is_complete(finding)
    if height_m is not None:
        assert finding.values is not None
        assert finding.values["sent_m"] == height_m


def test_a_height_is_written_in_metres_and_feet() -> None:
    assert found("antenna_height", position()).text.startswith("sent 1.652 m (5.42 ft)")


@pytest.mark.parametrize(
    ("name", "state"),
    [
        ("SURVEYANT-1     NONE", OK),
        ("", WATCH),
        ("   ", WATCH),
        ("ADVNULLANTENNA", WATCH),
        ("NULLANTENNA     NONE", WATCH),
    ],
)
def test_antenna_name(name: str, state: State) -> None:
    finding = found("antenna_named", sending(every(antenna(name), 60, 10)))
    assert finding.state is state
    assert is_complete(finding)


@pytest.mark.parametrize(("epochs", "state"), [(60, UNKNOWN), (61, WATCH)])
def test_an_antenna_name_is_missed_after_a_minute(epochs: int, state: State) -> None:
    finding = found("antenna_named", sending(epochs=epochs))
    assert finding.state is state
    assert is_complete(finding)


def test_the_antenna_is_that_of_the_base_that_is_judged() -> None:
    other = every(antenna("", station=12), 60, 10)
    assert found("antenna_named", sending(every(antenna(), 60, 10), other)).state is OK


def test_a_name_cannot_command_the_terminal() -> None:
    finding = found("antenna_named", antenna("\x1b[2J\x07SURVEY") * 3)
    assert finding.text == "?[2J?SURVEY"
    assert finding.values == {"antenna": "?[2J?SURVEY"}


def test_one_base() -> None:
    finding = found("one_base", base_stream(60))
    assert (finding.state, finding.value, finding.text) == (OK, 1.0, str(STATION))


def test_two_station_numbers_are_two_bases() -> None:
    second = [Sent(s.epoch + 20, s.number, s.data) for s in base_stream(30, station=12)]
    finding = found("one_base", state_of(merged(base_stream(60), second), reference=dated()))
    assert (finding.state, finding.value, finding.text) == (BAD, 2.0, "12, 417")
    assert finding.since is not None
    assert finding.since.startswith("2026-03-04T07:00:0")
    assert is_complete(finding)


def test_one_number_with_two_positions_is_two_bases_and_not_steady() -> None:
    other = every(position(moved(300.0)), 60, 10, 5)
    stream = sending(every(position(), 60, 10), other)
    finding = found("one_base", stream)
    assert (finding.state, finding.text) == (BAD, "417, with 2 positions")
    assert found("position_steady", stream).state is BAD
    assert found("position_steady", stream).values == {"positions": 2}


@pytest.mark.parametrize(("frames", "state"), [(19, UNKNOWN), (20, OK)])
def test_one_base_needs_twenty_frames(frames: int, state: State) -> None:
    assert found("one_base", position() * frames).state is state


ZERO = (0.0, 0.0, 0.0, 0.0)


@pytest.mark.parametrize(
    ("sent", "epochs", "state"),
    [
        (every(bias(), 61, 10), 61, OK),
        (every(bias(), 91, 30), 91, OK),
        (every(bias(), 100, 31), 100, WATCH),
        ([], 30, UNKNOWN),
        ([], 31, WATCH),
        (every(bias(), 60, 60), 60, OK),
        (every(bias(), 62, 62), 62, WATCH),  # once in over a minute
        (every(bias(ZERO), 60, 10), 60, WATCH),
        (every(bias(ZERO, aligned=True), 60, 10), 60, BAD),
        (every(bias(aligned=True), 60, 10), 60, OK),
    ],
)
def test_glonass_bias(sent: list[Sent], epochs: int, state: State) -> None:
    finding = found("glonass_bias", sending(sent, epochs=epochs, numbers=(1074, 1084)))
    assert finding.state is state
    assert is_complete(finding)


@pytest.mark.parametrize("number", [1084, 1087, 1010, 1012])
def test_any_glonass_message_asks_for_the_bias(number: int) -> None:
    assert found("glonass_bias", sending(numbers=(number,))).state is WATCH


def test_without_glonass_its_bias_means_nothing() -> None:
    assert found("glonass_bias", sending(every(bias(), 60, 10))).state is APART


def test_the_position_is_that_of_the_base_that_is_judged() -> None:
    high_m = ecef_from_degrees(12.0, -34.0, 20_000.0).tolist()
    ours, other = every(position(), 60, 10), every(position(high_m, station=12), 60, 10, 1)
    assert found("position_on_earth", sending(ours, other)).state is OK


@pytest.mark.parametrize("length", [140, 40])
def test_a_station_that_is_heard_no_more_is_not_missed_by_its_position(length: int) -> None:
    # The base changes its number: the old one sends nothing at all from then on.
    after = base_stream(length, station=12, start_ms=START_MS + 150_000, extras=[])
    later = [replace(sent, epoch=sent.epoch + 150) for sent in after]
    assert found("position_sent", [*base_stream(150), *later]).state is OK
