"""The kernel against shifts of one big integer, and against bitstring."""

import numpy as np
import pytest
from bitstring import Bits, Reader
from hypothesis import given, settings
from hypothesis import strategies as st

from rtcmtool.wire.columns import BitBlock, BitCanvas


def as_unsigned(data: bytes, offset: int, width: int) -> int:
    """Read bits with shifts of the whole block as one integer."""
    return int.from_bytes(data, "big") >> (8 * len(data) - offset - width) & ((1 << width) - 1)


def as_signed(data: bytes, offset: int, width: int) -> int:
    """Read bits as two's complement."""
    value = as_unsigned(data, offset, width)
    return value - (1 << width) if value >> (width - 1) else value


@st.composite
def fields_in_a_block(draw: st.DrawFn, width: int) -> tuple[bytes, list[int]]:
    """Draw a block that ends anywhere, and places of a field in it: the last bit among them."""
    data = draw(st.binary(min_size=(width + 7) // 8, max_size=40))
    last = 8 * len(data) - width
    offsets = draw(st.lists(st.integers(0, last), max_size=6))
    return data, [*offsets, 0, last]


@pytest.mark.parametrize("width", range(1, 65))
@settings(max_examples=12)
@given(data=st.data())
def test_every_width_agrees_with_shifts_of_a_big_integer(width: int, data: st.DataObject) -> None:
    block, offsets = data.draw(fields_in_a_block(width))
    at = np.array(offsets, dtype=np.int64)
    bits = BitBlock(block)
    unsigned, signed = bits.unsigned(at, width), bits.signed(at, width)
    assert unsigned.dtype == np.uint64
    assert signed.dtype == np.int64
    assert unsigned.tolist() == [as_unsigned(block, offset, width) for offset in offsets]
    assert signed.tolist() == [as_signed(block, offset, width) for offset in offsets]


@pytest.mark.parametrize("width", [1, 2, 10, 14, 24, 30, 32, 33, 34, 38, 57, 63, 64])
@pytest.mark.parametrize("offset", range(33))
def test_every_shift_agrees_with_bitstring(width: int, offset: int) -> None:
    block = bytes((37 * i + 129) & 0xFF for i in range(13))
    reader = Reader(Bits.from_bytes(block))
    reader.pos = offset
    assert BitBlock(block).unsigned(np.array([offset]), width)[0] == reader.read_value(f"u{width}")
    reader.pos = offset
    assert BitBlock(block).signed(np.array([offset]), width)[0] == reader.read_value(f"i{width}")


@pytest.mark.parametrize("width", [1, 7, 33, 34, 64])
def test_the_ends_of_a_range_keep_their_sign(width: int) -> None:
    lowest = BitBlock((1 << 63).to_bytes(8, "big")).signed(np.array([0]), width)[0]
    minus_one = BitBlock(b"\xff" * 8).signed(np.array([0]), width)[0]
    assert (lowest, minus_one) == (-(1 << (width - 1)), -1)


def test_no_place_gives_no_value() -> None:
    nothing = np.zeros(0, dtype=np.int64)
    assert len(BitBlock(b"").unsigned(nothing, 24)) == 0
    assert len(BitBlock(b"\x01").signed(nothing, 40)) == 0


def test_reading_changes_neither_block_nor_offsets() -> None:
    data = bytes(range(40))
    block, offsets = BitBlock(data), np.arange(0, 200, 7)
    before = offsets.copy()
    first = block.unsigned(offsets, 13)
    assert np.array_equal(block.unsigned(offsets, 13), first)
    assert np.array_equal(offsets, before)


def test_a_place_past_the_block_is_refused() -> None:
    with pytest.raises(IndexError):
        BitBlock(bytes(20)).unsigned(np.array([8 * 20 + 8 * 80]), 8)


@pytest.mark.parametrize("width", range(1, 65))
@settings(max_examples=8)
@given(data=st.data())
def test_what_a_canvas_writes_a_block_reads(width: int, data: st.DataObject) -> None:
    sizes = data.draw(st.lists(st.integers(0, 20), min_size=1, max_size=5))  # gaps between values
    offsets, at = [], 0
    for gap in sizes:
        offsets.append(at + gap)
        at += gap + width
    places = np.array(offsets, dtype=np.int64)
    signed = st.integers(-(1 << (width - 1)), (1 << (width - 1)) - 1)
    values = np.array([data.draw(signed) for _ in sizes], dtype=np.int64)
    canvas = BitCanvas(at)
    canvas.put(places, width, values)
    written = canvas.tobytes()
    assert len(written) == (at + 7) // 8
    assert np.array_equal(BitBlock(written).signed(places, width), values)
    unsigned = values.astype(np.uint64) & np.uint64((1 << width) - 1)
    other = BitCanvas(at)
    other.put(places, width, unsigned)
    assert other.tobytes() == written


def test_a_canvas_leaves_the_other_bits_alone() -> None:
    canvas = BitCanvas(20)
    canvas.put(np.array([0, 17]), 3, np.array([5, -1]))
    canvas.put(np.array([5]), 8, np.array([255], dtype=np.uint64))
    assert canvas.tobytes() == bytes([0b10100111, 0b11111000, 0b01110000])
