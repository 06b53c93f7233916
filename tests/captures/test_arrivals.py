import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from rtcmtool.captures.arrivals import pack, read

NOW = 1_772_600_767_000_000_000


def records(*offsets: int) -> bytes:
    return b"".join(pack(NOW + index, offset) for index, offset in enumerate(offsets))


def test_a_record_is_sixteen_little_endian_bytes() -> None:
    # design 4.4: int64 UTC nanoseconds, uint64 byte offset
    assert pack(1, 2) == bytes([1, 0, 0, 0, 0, 0, 0, 0, 2, 0, 0, 0, 0, 0, 0, 0])


def test_whole_records_are_read_as_written() -> None:
    arrivals = read(records(0, 10, 25), 30)
    assert arrivals.offsets.tolist() == [0, 10, 25]
    assert arrivals.utc_ns.tolist() == [NOW, NOW + 1, NOW + 2]
    assert arrivals.notes() == []


def test_a_torn_last_record_is_dropped_and_told() -> None:
    arrivals = read(records(0, 10)[:-3], 30)
    assert arrivals.offsets.tolist() == [0]
    assert arrivals.torn_bytes == 13
    assert "13 bytes" in arrivals.notes()[0]


def test_records_past_the_end_are_ignored_and_told() -> None:
    arrivals = read(records(0, 10, 30, 2**63 + 5), 30)
    assert arrivals.offsets.tolist() == [0, 10]
    assert arrivals.past_end == 2


def test_a_record_that_points_too_low_spoils_no_other() -> None:
    arrivals = read(records(0, 10, 3, 20, 25), 30)
    assert arrivals.offsets.tolist() == [0, 10, 20, 25]
    assert arrivals.backwards == 1


def test_a_record_that_points_too_high_spoils_no_other() -> None:
    arrivals = read(records(0, 29, 10, 20, 25), 30)
    assert arrivals.offsets.tolist() == [0, 10, 20, 25]
    assert arrivals.backwards == 1


def test_of_two_records_for_one_byte_the_later_counts() -> None:
    arrivals = read(records(0, 10, 10, 20), 30)
    assert arrivals.utc_ns.tolist() == [NOW, NOW + 2, NOW + 3]
    assert arrivals.backwards == 0


def test_zeros_at_the_end_are_no_records() -> None:
    arrivals = read(records(0, 10) + bytes(4096), 30)
    assert arrivals.offsets.tolist() == [0, 10]
    assert arrivals.without_time == 256


def test_a_clock_that_stepped_back_is_told_and_the_records_stay() -> None:
    content = pack(NOW, 0) + pack(NOW - 3600 * 10**9, 10) + pack(NOW - 3599 * 10**9, 20)
    arrivals = read(content, 30)
    assert len(arrivals) == 3
    assert arrivals.clock_steps_back == 1


@given(st.binary(max_size=400), st.integers(0, 2**40))
def test_any_bytes_give_rising_offsets_within_the_capture(content: bytes, size: int) -> None:
    arrivals = read(content, size)
    assert (np.diff(arrivals.offsets) > 0).all()
    assert ((arrivals.offsets >= 0) & (arrivals.offsets < size)).all()
    total = len(arrivals) + arrivals.past_end + arrivals.backwards + arrivals.without_time
    assert total <= len(content) // 16
