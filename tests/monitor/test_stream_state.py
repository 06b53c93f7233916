"""The state as a whole: it does not depend on how the stream is cut, and does not grow with it."""

import pickle
from collections import deque
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.verdict import judge
from rtcmtool.monitor.one_station import only_station
from rtcmtool.monitor.stream_state import MOST_TRACKERS, StreamState
from rtcmtool.views.verdict_json import verdict_object
from rtcmtool.wire.stream import Chunk, StreamDecoder
from tests.monitor.test_lock_history import relocked
from tests.monitor.test_traffic import GGA
from tests.strategies import pieces
from tests.strategies import streams as made_streams
from tests.streams import (
    ARP_M,
    STATION,
    Sent,
    arriving,
    base_stream,
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


def told(state: StreamState) -> dict[str, Any]:
    """Give everything that a state knows, in plain values."""
    return {"state": _plain(state), "verdict": _verdict(state)}


def _plain(value: Any) -> Any:
    if isinstance(value, np.ndarray):
        # as text where there are fractions, so that NaN equals NaN
        return repr(value.tolist()) if value.dtype.kind == "f" else value.tolist()
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple | deque):
        return [_plain(item) for item in value]
    if is_dataclass(value) and not isinstance(value, type):
        return {part.name: _plain(getattr(value, part.name)) for part in fields(value)}
    if hasattr(value, "__dict__") and type(value).__module__.startswith("rtcmtool"):
        return {key: _plain(item) for key, item in vars(value).items()}
    return value


def _verdict(state: StreamState) -> dict[str, Any]:
    context = Context(state, radio_rate_bit_s=9600, systems=("G", "R"))
    return verdict_object(
        judge(context), source="x", site=None, seconds=state.clock.seconds, at="net"
    )


def troubled_stream() -> bytes:
    """Give a stream with something of everything that can be wrong."""
    stream = base_stream(90, edit=relocked(50, 2, 5))
    other = observed(1074, 20, station=12, satellites=3)
    moved = [Sent(70, 1006, position((ARP_M[0] + 1, *ARP_M[1:])))]
    announced = every(plan({1074: 1, 1230: 30, 1019: 5}), 90, 90, first=33)
    stream = merged(stream, other, moved, announced, observed(1097, 5))
    stream = without(without_epochs(stream, 60, 61), lambda s: s.number == 1094 and s.epoch > 75)
    stream = damaged(stream, 40, 90)
    frames = [sent.data for sent in stream]
    frames.insert(30, GGA)
    frames.insert(100, b"\xd3\x00\x01 noise \x00\xff")
    frames.insert(200, stream[150].data * 2)
    return b"".join(frames)[:-7]


TROUBLED = troubled_stream()


@settings(max_examples=15)
@given(at=st.lists(st.integers(0, len(TROUBLED)), max_size=40))
def test_a_stream_tells_the_same_however_it_is_cut(at: list[int]) -> None:
    whole = told(state_of(TROUBLED))
    assert told(state_of(TROUBLED, pieces=pieces(TROUBLED, at))) == whole


@pytest.mark.slow
def test_a_stream_tells_the_same_frame_by_frame() -> None:
    stream = base_stream(90, edit=relocked(50))
    by_frame = state_of(stream, pieces=[sent.data for sent in stream])
    assert told(by_frame) == told(state_of(stream))
    assert len(by_frame.signals.locks.restarts) == 1


@pytest.mark.slow
def test_a_stream_tells_the_same_byte_by_byte() -> None:
    stream = base_stream(12, numbers=(1074, 1084), edit=relocked(6))
    data = data_of(damaged(stream, 7)) + GGA
    single = [data[at : at + 1] for at in range(len(data))]
    assert told(state_of(data, pieces=single)) == told(state_of(data))


@given(stream=made_streams())
def test_any_bytes_can_be_followed(stream: bytes) -> None:
    whole = told(state_of(stream))
    half = len(stream) // 2
    assert told(state_of(stream, pieces=[stream[:half], stream[half:]])) == whole


def test_arrivals_make_no_other_findings_than_epochs() -> None:
    stream = base_stream(60)
    without_times = _verdict(state_of(stream, reference=dated()))
    with_times = _verdict(state_of_chunks(arriving(stream), dated()))
    for before, after in zip(without_times["rules"], with_times["rules"], strict=True):
        assert (before["rule"], before["state"]) == (after["rule"], after["state"])


def size(stream: list[Sent]) -> int:
    """Give the bytes of a state that has followed a stream."""
    return len(pickle.dumps(state_of(stream)))


def test_a_state_does_not_grow_with_its_stream() -> None:
    short, long = (size(base_stream(epochs, numbers=(1074,))) for epochs in (1100, 2200))
    assert abs(long - short) < 200


def test_a_state_does_not_grow_with_the_damage_in_its_stream() -> None:
    def troubled(epochs: int) -> list[Sent]:
        stream = base_stream(epochs, numbers=(1074, 1084))
        stream = without(stream, lambda s: s.number == 1084 and s.epoch % 7 < 3)
        return damaged(stream, *range(0, len(stream), 11))

    assert abs(size(troubled(2600)) - size(troubled(1300))) < 1000


def test_the_epochs_of_many_stations_are_followed_up_to_a_limit() -> None:
    stream = merged(*(observed(1074, 2, station=n, satellites=1) for n in range(MOST_TRACKERS + 5)))
    assert len(state_of(stream).trackers) == MOST_TRACKERS


def test_the_main_station_is_the_one_with_most_epochs() -> None:
    stream = merged(base_stream(10, station=7), base_stream(30, station=9))
    state = state_of(stream)
    assert state.main_station == 9
    assert state.epochs is state.trackers[9]


def test_one_station_of_two_is_as_if_it_were_alone() -> None:
    ours = base_stream(30, edit=relocked(20, 3))
    both = merged(base_stream(30, station=12, satellites={"GPS": 12}), ours)
    decoder, state = StreamDecoder(), StreamState()
    data = data_of(both)
    for piece in (data[:5000], data[5000:]):
        state.update(only_station(decoder.feed(Chunk(piece)), STATION))
    state.update(only_station(decoder.finish(), STATION))
    state.finish()
    alone = state_of(ours)
    assert set(state.base.stations) == {STATION}
    assert state.messages.by_number == alone.messages.by_number
    assert vars(state.signals.locks).keys() == vars(alone.signals.locks).keys()
    assert state.signals.locks.slips == alone.signals.locks.slips == 4
    assert state.signals.cells.tolist() == alone.signals.cells.tolist()
    assert _plain(state.epochs) == _plain(alone.epochs)


def test_one_station_that_is_alone_is_given_as_it_is() -> None:
    decoder = StreamDecoder()
    batch = decoder.feed(Chunk(data_of(base_stream(5))))
    assert only_station(batch, STATION) is batch
    assert len(only_station(batch, STATION + 1)) == 0


def test_channels_of_the_wanted_station_stay() -> None:
    both = merged(observed(1085, 2, station=12, satellites=3), observed(1085, 2))
    batch = only_station(StreamDecoder().feed(Chunk(data_of(both))), STATION)
    assert sorted({row[1] for row in batch.channels.tolist()}) == [1, 2, 3, 4, 5, 6]
    assert set(batch.channels[:, 0].tolist()) == {0, 1}
