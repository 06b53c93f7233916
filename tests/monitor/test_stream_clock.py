"""The time axis of a stream: arrivals where they are known, else epochs; dates when they come."""

import pytest

from rtcmtool.gnss import time as gnss_time
from rtcmtool.monitor.stream_clock import StreamClock
from rtcmtool.wire.stream import Chunk
from tests.strategies import STATION_POSITION
from tests.streams import (
    START_MS,
    arriving,
    base_stream,
    dated,
    every,
    merged,
    plan,
    position,
    state_of,
    state_of_chunks,
)

FIRST_UTC = "2026-03-04T06:59:42Z"  # 07:00:00 GPS time, 18 leap seconds (IERS bulletins)


def test_an_empty_stream_has_no_time() -> None:
    clock = state_of(b"").clock
    assert (clock.first_ms, clock.now_ms, clock.seconds) == (None, None, 0.0)
    assert clock.has_arrivals is None
    assert clock.since(None) is None


def test_without_arrivals_epochs_are_the_axis() -> None:
    clock = state_of(base_stream(60)).clock
    assert clock.has_arrivals is False
    assert clock.seconds == 59.0
    assert clock.since(clock.first_ms) is None  # which day it is was not told


def test_a_date_makes_times_of_the_axis_utc() -> None:
    clock = state_of(base_stream(60), reference=dated()).clock
    assert clock.since(clock.first_ms) == FIRST_UTC
    assert clock.now_ms is not None
    assert clock.gps_ms_of_epoch(clock.now_ms) == START_MS + 59_000


def test_a_date_that_comes_late_holds_for_all_that_came_before() -> None:
    told = merged(base_stream(60), every(plan({1074: 1}), 60, 60, first=50))
    clock = state_of(told).clock
    assert clock.since(clock.first_ms) == FIRST_UTC
    assert clock.seconds == 59.0


def test_with_arrivals_they_are_the_axis() -> None:
    stream = base_stream(60)
    clock = state_of_chunks(arriving(stream, late_ms=600)).clock
    assert clock.has_arrivals is True
    assert clock.seconds == 59.0
    assert clock.first_ms is not None
    utc_ms = gnss_time.utc_ns_from_gps_ms(START_MS) // 1_000_000 + 600
    assert clock.first_ms == utc_ms
    assert clock.since(clock.first_ms) == FIRST_UTC
    assert clock.utc_ns(clock.first_ms) == utc_ms * 1_000_000


def test_messages_take_the_time_of_the_epoch_before_them() -> None:
    stream = merged(every(position(), 60, 10), base_stream(60, extras=()))
    stats = state_of(stream).messages.by_number[1006]
    clock = state_of(stream).clock
    assert clock.first_ms is not None
    assert stats.untimed == 1  # nothing had come before the first
    assert stats.first_ms == clock.first_ms + 9000
    assert stats.interval_s == 10.0


@pytest.mark.parametrize("time_ms", [None, -1])
def test_what_has_no_time_is_not_dated(time_ms: int | None) -> None:
    assert state_of(base_stream(10), reference=dated()).clock.since(time_ms) is None


def test_a_stream_without_observations_and_arrivals_stands_still() -> None:
    clock = state_of(STATION_POSITION * 30).clock
    assert (clock.first_ms, clock.seconds) == (None, 0.0)


def test_arrivals_alone_are_enough() -> None:
    chunks = arriving(every(position(), 21, 10))
    clock = state_of_chunks(chunks).clock
    assert clock.seconds == 20.0


def test_a_chunk_without_frames_moves_nothing() -> None:
    chunks = [*arriving(base_stream(5)), Chunk(b"")]
    assert state_of_chunks(chunks).clock.seconds == 4.0


def test_a_time_of_day_is_cut_to_seconds() -> None:
    assert StreamClock.since_utc(1_772_607_582_900_000_000) == FIRST_UTC
