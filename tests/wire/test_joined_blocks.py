"""Blocks decoded at once give the batches that they give one after the other."""

from dataclasses import fields

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rtcmtool.wire.decoding import Batch, Decoder
from rtcmtool.wire.framing import FrameScanner
from rtcmtool.wire.joined_blocks import CutBatch, JoinedBlocks, joined_cuts
from rtcmtool.wire.observations import Observations
from tests.strategies import cuts, pieces, streams
from tests.streams import base_stream, data_of

COLUMNS = ("number", "station", "epoch_ms", "gps_ms", "timeline_ms", "more_follow", "channels")
EPOCHS = data_of(base_stream(5, numbers=(1074, 1084, 1097)))


def assert_same(one: Batch, other: Batch) -> None:
    for name in COLUMNS:
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name), name)
    for column in fields(Observations):
        wanted = getattr(other.observations, column.name)
        np.testing.assert_array_equal(getattr(one.observations, column.name), wanted)
    told = [(m.frame, m.layout.number, m.record) for m in one.messages]
    assert told == [(m.frame, m.layout.number, m.record) for m in other.messages]


def assert_same_block(one: Batch, other: Batch) -> None:
    assert [(f.offset, f.data) for f in one.block.frames()] == [
        (f.offset, f.data) for f in other.block.frames()
    ]
    assert one.rejects == other.rejects
    assert one.block.decided == other.block.decided


def both(parts: list[bytes]) -> tuple[list[CutBatch], list[Batch], JoinedBlocks]:
    scanner = FrameScanner()
    blocks = [scanner.feed(part) for part in parts]
    none = np.full(sum(len(block) for block in blocks), -1, np.int64)
    joined = JoinedBlocks(blocks, Decoder(), none)
    slow = Decoder()
    return (
        [joined.batch(place) for place in range(len(joined))],
        [slow.decode(block) for block in blocks],
        joined,
    )


@pytest.mark.slow
@given(st.one_of(streams(), st.just(EPOCHS)), cuts)
def test_blocks_at_once_are_blocks_one_by_one(stream: bytes, at: list[int]) -> None:
    fast, slow, _ = both(pieces(stream, at))
    for one, other in zip(fast, slow, strict=True):
        assert_same(one, other)
        assert_same_block(one, other)


def test_what_was_cut_can_be_put_together_again() -> None:
    fast, _, joined = both(pieces(EPOCHS, [100, 700, 1100, 1500]))
    (again,) = joined_cuts(fast)
    assert len(again) == len(joined.whole) > 10
    assert_same(again, joined.whole)
    first, last = joined_cuts([*fast[:2], *fast[3:]])
    assert len(first) + len(last) == len(joined.whole) - len(fast[2])
    assert last.observations.frame[0] == 0


def test_batches_of_another_kind_stay_as_they_are() -> None:
    fast, slow, _ = both(pieces(EPOCHS, [700]))
    assert joined_cuts([slow[0], fast[1]])[0] is slow[0]
    assert joined_cuts([]) == []


def test_a_last_byte_is_told_by_its_place_in_the_stream() -> None:
    fast, _, joined = both(pieces(EPOCHS, [100, 700, 1100]))
    ends = [f.offset + len(f.data) - 1 for batch in fast for f in batch.block.frames()]
    assert joined.last_bytes.tolist() == ends
