"""The stations of a stream followed apart: as if each alone were heard, without reading twice."""

import pytest

from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.verdict import judge
from rtcmtool.monitor.one_station import MOST_STATIONS, StationStates, only_station
from rtcmtool.monitor.stream_state import StreamState
from rtcmtool.wire.stream import Chunk, StreamDecoder
from tests.streams import base_stream, data_of, dated, merged, position

OURS, OTHER = 417, 88


def two_bases(other_from: int = 20) -> bytes:
    """Give our base for 90 s, and another one from some epoch on."""
    other = [sent for sent in base_stream(90, station=OTHER) if sent.epoch >= other_from]
    return data_of(merged(base_stream(90, station=OURS), other))


def followed(data: bytes, size: int) -> tuple[StreamState, StationStates]:
    decoder, whole, apart = StreamDecoder(dated()), StreamState(), StationStates()
    pieces = [data[at : at + size] for at in range(0, len(data), size)]
    for batch in (*(decoder.feed(Chunk(piece)) for piece in pieces), decoder.finish()):
        apart.update(batch, whole)
        whole.update(batch)
    whole.finish()
    apart.finish()
    return whole, apart


def alone(data: bytes, station: int) -> StreamState:
    decoder, state = StreamDecoder(dated()), StreamState()
    for batch in (decoder.feed(Chunk(data)), decoder.finish()):
        state.update(only_station(batch, station))
    state.finish()
    return state


def told(state: StreamState) -> dict[str, object]:
    return {f.rule.name: (f.state, f.value) for f in judge(Context(state)).findings}


@pytest.mark.parametrize("size", [700, 5000, 1 << 20])
def test_each_station_is_judged_as_if_it_alone_were_heard(size: int) -> None:
    data = two_bases()
    whole, apart = followed(data, size)
    assert set(whole.base.stations) == {OURS, OTHER}
    for station in (OURS, OTHER):
        state = apart.of(station)
        assert state is not None
        assert set(state.base.stations) == {station}
        ours, expected = told(state), told(alone(data, station))
        ours.pop("foreign_bytes"), expected.pop("foreign_bytes")  # of all stations
        assert ours == expected


def test_one_station_alone_costs_nothing() -> None:
    _, apart = followed(data_of(base_stream(30, station=OURS)), 700)
    assert apart.of(OURS) is None
    assert apart.of(None) is None


def test_a_hostile_stream_of_many_stations_is_followed_in_part() -> None:
    data = b"".join(position(station=number) for number in range(50))
    whole, apart = followed(data, 300)
    assert len(whole.base.stations) == 50
    assert sum(apart.of(number) is not None for number in range(50)) == MOST_STATIONS
