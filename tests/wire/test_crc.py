"""CRC-24Q against published check values and a division bit by bit."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rtcmtool.wire.crc import crc24q
from tests.strategies import EMPTY_FRAME, STATION_POSITION, TEXT


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (b"123456789", 0xCDE703),  # the usual check value of a CRC
        (b"", 0x000000),
        (b"\xff", 0xDD8538),
        (b"\xd3\x00\x00", 0x47EA4B),
        (STATION_POSITION[:-3], 0x360B98),  # published example, RTCM 10403.x, from memory
        (TEXT[:-3], 0xEDA33B),
    ],
)
def test_check_values_hold(data: bytes, expected: int) -> None:
    assert crc24q(data) == expected


@pytest.mark.parametrize("frame", [EMPTY_FRAME, STATION_POSITION, TEXT])
def test_a_whole_frame_gives_zero(frame: bytes) -> None:
    assert crc24q(frame) == 0


@given(st.binary(max_size=200))
def test_the_library_divides_as_paper_does(data: bytes) -> None:
    register = 0
    for bit in "".join(f"{byte:08b}" for byte in data + b"\0\0\0"):
        register = register << 1 | int(bit)
        if register & 0x1000000:
            register ^= 0x1864CFB  # RTCM 10403.x, transport layer, from memory
    assert crc24q(data) == register


@given(st.binary(min_size=1, max_size=60), st.data())
def test_every_flipped_bit_is_seen(data: bytes, draw: st.DataObject) -> None:
    bit = draw.draw(st.integers(0, 8 * len(data) - 1))
    other = bytearray(data)
    other[bit >> 3] ^= 0x80 >> (bit & 7)
    assert crc24q(bytes(other)) != crc24q(data)
