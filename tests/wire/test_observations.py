"""Observation columns against a reading bit by bit, in any slicing, and how columns are joined."""

import dataclasses
from collections.abc import Iterable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rtcmtool.wire.decoding import Batch, Decoder
from rtcmtool.wire.encoding import frame_message
from rtcmtool.wire.framing import FrameScanner
from rtcmtool.wire.observations import EMPTY, SYSTEM_LETTERS, Observations, join, nothing
from rtcmtool.wire.signal_ids import SIGNALS
from tests.strategies import TEXT, noise, observation_messages, pieces
from tests.wire.field_by_field import Row, is_close, rows_of

COLUMNS = [column.name for column in dataclasses.fields(Observations)]


def decoded(chunks: Iterable[bytes]) -> list[Batch]:
    """Decode a stream that comes in chunks."""
    scanner, decoder = FrameScanner(), Decoder()
    batches = [decoder.decode(scanner.feed(chunk)) for chunk in chunks]
    return [*batches, decoder.decode(scanner.finish())]


def all_columns(batches: list[Batch]) -> dict[str, np.ndarray]:
    """Put the columns of batches behind each other, frames counted through."""
    columns = {name: [getattr(b.observations, name) for b in batches] for name in COLUMNS}
    first = np.cumsum([0, *(len(b) for b in batches[:-1])])
    columns["frame"] = [b.observations.frame + at for b, at in zip(batches, first, strict=True)]
    return {name: np.concatenate(parts) for name, parts in columns.items()}


def check(observations: Observations, expected: list[Row], frames: list[int]) -> None:
    """Compare columns with rows."""
    assert observations.frame.tolist() == frames
    assert [SYSTEM_LETTERS[code] for code in observations.system] == [r.system for r in expected]
    assert observations.satellite.tolist() == [row.satellite for row in expected]
    assert [SIGNALS[code] for code in observations.signal] == [row.signal for row in expected]
    for name in (
        "pseudorange_m",
        "phase_range_m",
        "pseudorange_modulo_m",
        "phase_range_modulo_m",
        "phase_range_rate_m_s",
        "cnr_dbhz",
    ):
        values = getattr(observations, name).tolist()
        for value, row in zip(values, expected, strict=True):
            assert is_close(value, getattr(row, name)), (name, row, value)
    locks = [-1 if row.lock_time_ms is None else row.lock_time_ms for row in expected]
    assert observations.lock_time_ms.tolist() == locks
    halves = [-1 if row.half_cycle is None else int(row.half_cycle) for row in expected]
    assert observations.half_cycle.tolist() == halves


@settings(max_examples=60)
@given(rows=st.lists(observation_messages(), max_size=8))
def test_all_families_in_one_block_are_read_as_bit_by_bit(rows: list[bytes]) -> None:
    stream = b"".join(frame_message(message) for message in rows)
    (batch, rest) = decoded([stream])
    read = [rows_of(message) for message in rows]
    frames = [index for index, found in enumerate(read) for _ in found]
    check(batch.observations, [row for found in read for row in found], frames)
    assert len(rest) == 0


@settings(max_examples=40)
@given(
    rows=st.lists(st.one_of(observation_messages(), noise, st.just(TEXT[3:-3])), max_size=6),
    at=st.lists(st.integers(0, 6000), max_size=12),
)
def test_columns_do_not_depend_on_the_slicing(rows: list[bytes], at: list[int]) -> None:
    stream = b"".join(frame_message(row) + row[-2:] for row in rows)
    whole = all_columns(decoded([stream]))
    tiny = [stream[i : i + 7] for i in range(0, len(stream), 7)]
    for chunks in (pieces(stream, at), tiny):
        other = all_columns(decoded(chunks))
        for name, column in whole.items():
            np.testing.assert_array_equal(other[name], column, err_msg=name)
            assert other[name].dtype == column.dtype


@settings(max_examples=40)
@given(rows=st.lists(observation_messages(), min_size=1, max_size=3))
def test_a_batch_is_the_same_as_its_frames_one_by_one(rows: list[bytes]) -> None:
    frames = [frame_message(row) for row in rows]
    together = all_columns(decoded([b"".join(frames)]))
    alone = [all_columns(decoded([frame])) for frame in frames]
    for name in COLUMNS[1:]:
        joined = np.concatenate([columns[name] for columns in alone])
        np.testing.assert_array_equal(together[name], joined)


def made(frame: list[int], satellite: list[int]) -> Observations:
    size = len(frame)
    return Observations(
        np.array(frame, np.int32),
        np.zeros(size, np.uint8),
        np.array(satellite, np.uint8),
        np.zeros(size, np.uint8),
        nothing(size),
        nothing(size),
        nothing(size),
        nothing(size),
        nothing(size),
        np.zeros(size, np.float32),
        np.zeros(size, np.int32),
        np.zeros(size, np.int8),
    )


def test_parts_are_joined_in_the_order_of_their_frames() -> None:
    joined = join([made([0, 0, 5], [1, 2, 3]), made([1, 4, 4], [4, 5, 6]), made([0, 9], [7, 8])])
    assert joined.frame.tolist() == [0, 0, 0, 1, 4, 4, 5, 9]
    assert joined.satellite.tolist() == [1, 2, 7, 4, 5, 6, 3, 8]


def test_parts_in_order_stay_as_they_are() -> None:
    one = made([0, 1], [1, 2])
    assert join([one]) is one
    assert join([one, made([1, 2], [3, 4])]).satellite.tolist() == [1, 2, 3, 4]
    assert join([]) is EMPTY


def test_rows_can_be_taken() -> None:
    rows = made([0, 1, 2], [1, 2, 3])
    assert rows.take(np.array([2, 0])).satellite.tolist() == [3, 1]
    assert rows.take(np.array([True, False, True])).frame.tolist() == [0, 2]
    assert rows.with_frames(np.array([4, 4, 5], np.int32)).frame.tolist() == [4, 4, 5]
    assert len(rows) == 3


def test_columns_cannot_be_written() -> None:
    with pytest.raises(ValueError, match="read-only"):
        made([0], [1]).satellite[0] = 2


def test_columns_of_different_length_are_refused() -> None:
    with pytest.raises(AssertionError, match="satellite"):
        made([0, 1], [1])
