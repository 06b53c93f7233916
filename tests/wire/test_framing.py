"""The frame scanner against published frames, the definitions, and the simplest scanner there is.

Definitions of rejects: message-layouts reference, section 11.2 (crc, noise, truncated).
"""

from collections.abc import Iterable
from dataclasses import dataclass
from random import Random

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from rtcmtool.wire.encoding import frame_message
from rtcmtool.wire.framing import LONGEST_FRAME, FrameScanner, RejectReason
from tests.strategies import (
    EMPTY_FRAME,
    STATION_POSITION,
    TEXT,
    cuts,
    frames,
    pieces,
    streams,
)


@dataclass(frozen=True)
class Found:
    """A frame or a reject, in a form that compares."""

    offset: int
    length: int
    what: str
    number: int | None


def scan(chunks: Iterable[bytes]) -> list[Found]:
    """Scan a stream that comes in chunks; frames and rejects in the order of their offsets."""
    scanner = FrameScanner()
    blocks = [scanner.feed(chunk) for chunk in chunks]
    blocks.append(scanner.finish())
    found = []
    for block in blocks:
        mine = [Found(f.offset, len(f.data), "frame", f.number) for f in block.frames()]
        mine += [Found(r.offset, r.length, r.reason.value, r.number) for r in block.rejects]
        found += sorted(mine, key=lambda item: item.offset)
    return found


def crc24q_bit_by_bit(data: bytes) -> int:
    """Divide by the polynomial, bit by bit: RTCM 10403.x, transport layer, from memory."""
    register = 0
    for byte in data:
        register ^= byte << 16
        for _ in range(8):
            register <<= 1
            if register & 0x1000000:
                register ^= 0x1864CFB
    return register


def simplest_scan(data: bytes) -> list[Found]:
    """Scan a whole stream by the definitions, without a thought of speed or of pieces."""
    size = len(data)

    def end_of(at: int) -> int | None:
        """Give the end of the candidate at a place; past the input where it is cut; else None."""
        if data[at] != 0xD3 or (at + 1 < size and data[at + 1] > 3):
            return None
        return at + 6 + (data[at + 1] << 8 | data[at + 2]) if at + 2 < size else size + 1

    def number_of(at: int) -> int | None:
        long_enough = at + 5 <= size and (data[at + 1] << 8 | data[at + 2]) >= 2
        return data[at + 3] << 4 | data[at + 4] >> 4 if long_enough else None

    frames_found, at = [], 0
    while at < size:
        end = end_of(at)
        if end is not None and end <= size and crc24q_bit_by_bit(data[at:end]) == 0:
            frames_found.append((at, end))
            at = end
        else:
            at += 1
    found, done = [], 0
    for begin, stop in [*frames_found, (size, size)]:
        at = done
        while at < begin:
            end = end_of(at)
            if end is None or (end > size and begin < size):
                at += 1
                continue
            if done < at:
                found.append(Found(done, at - done, "noise", None))
            what = "crc" if end <= size else "truncated"
            number = number_of(at)
            at, offset = min(end, begin), at
            found.append(Found(offset, at - offset, what, number))
            done = at
        if done < begin:
            found.append(Found(done, begin - done, "noise", None))
        if begin < stop:
            found.append(Found(begin, stop - begin, "frame", number_of(begin)))
        done = stop
    return found


def whats(data: bytes) -> list[tuple[str, int, int]]:
    """Scan and give what was found, where and how long."""
    return [(item.what, item.offset, item.length) for item in scan([data])]


def damaged(frame: bytes, at: int = 5) -> bytes:
    """Flip a bit of a frame."""
    return frame[:at] + bytes([frame[at] ^ 1]) + frame[at + 1 :]


# ---- published frames --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("frame", "number"), [(STATION_POSITION, 1005), (TEXT, 1029), (EMPTY_FRAME, None)]
)
def test_published_frames_are_found(frame: bytes, number: int | None) -> None:
    assert scan([b"\r\n" + frame]) == [
        Found(0, 2, "noise", None),
        Found(2, len(frame), "frame", number),
    ]


def test_a_frame_gives_its_message_and_number() -> None:
    (frame,) = FrameScanner().feed(STATION_POSITION).frames()
    assert frame.message == STATION_POSITION[3:-3]
    assert frame.number == 1005


@pytest.mark.parametrize("length", [0, 1])
def test_a_message_too_short_for_a_number_has_none(length: int) -> None:
    (frame,) = FrameScanner().feed(frame_message(b"\xff" * length)).frames()
    assert frame.number is None


def test_a_message_of_two_bytes_has_a_number() -> None:
    (frame,) = FrameScanner().feed(frame_message(b"\xff\xff")).frames()
    assert frame.number == 4095


# ---- the definitions, case by case -------------------------------------------------------------


def test_a_failed_check_sum_covers_the_claimed_frame() -> None:
    bad = damaged(STATION_POSITION)
    assert whats(STATION_POSITION + bad + TEXT) == [
        ("frame", 0, 25),
        ("crc", 25, 25),
        ("frame", 50, len(TEXT)),
    ]


def test_a_failed_check_sum_tells_the_number_it_claims() -> None:
    assert scan([damaged(STATION_POSITION, at=10)])[0].number == 1005


def test_a_frame_inside_a_frame_is_not_found() -> None:
    outer = frame_message(b"\x00\x01" + STATION_POSITION + EMPTY_FRAME)
    assert whats(outer) == [("frame", 0, len(outer))]


def test_a_frame_inside_a_failed_candidate_is_found_and_ends_it() -> None:
    outer = damaged(frame_message(bytes(10) + STATION_POSITION + bytes(20)))
    assert whats(outer + TEXT) == [
        ("crc", 0, 13),
        ("frame", 13, 25),
        ("noise", 38, 23),
        ("frame", 61, len(TEXT)),
    ]


def test_a_candidate_that_fails_inside_another_is_part_of_it() -> None:
    outer = damaged(frame_message(bytes(4) + damaged(STATION_POSITION) + bytes(4)))
    assert whats(outer) == [("crc", 0, len(outer))]


def test_a_candidate_that_fails_behind_the_frame_that_ended_another_stands_alone() -> None:
    inner = STATION_POSITION + bytes(3) + damaged(EMPTY_FRAME, 4) + bytes(2)
    outer = damaged(frame_message(bytes(4) + inner), at=4)
    assert whats(outer) == [
        ("crc", 0, 7),
        ("frame", 7, 25),
        ("noise", 32, 3),
        ("crc", 35, 6),
        ("noise", 41, 5),
    ]


def test_a_candidate_that_fails_in_the_rest_of_a_cut_one_stands_alone() -> None:
    # The head at 0 holds everything back until the end; a failed candidate around the first frame
    # and a cut one behind it must not hide the failed candidate between the frames.
    wide = b"\xd3\x00\x60" + bytes(4)
    behind = b"\xd3\x03\xf0" + bytes(2) + damaged(EMPTY_FRAME, 4) + bytes(2)
    data = b"\xd3\x03\xff" + wide + STATION_POSITION + behind + TEXT + bytes(60)
    assert simplest_scan(data) == scan([data])
    assert ("crc", 40, 6) in whats(data)


def test_a_run_of_noise_is_one_reject() -> None:
    assert whats(b"$GNGGA,1*00\r\n\xd3\xff\xd3\x04" + STATION_POSITION) == [
        ("noise", 0, 17),
        ("frame", 17, 25),
    ]


@pytest.mark.parametrize("length", [1, 2, 3, 4, 24])
def test_a_frame_cut_by_the_end_is_truncated(length: int) -> None:
    data = b"\x00" + STATION_POSITION[:length]
    assert whats(data) == [("noise", 0, 1), ("truncated", 1, length)]
    assert scan([data])[1].number == (1005 if length >= 5 else None)


def test_a_head_at_the_end_with_reserved_bits_is_noise() -> None:
    assert whats(TEXT + b"\xd3\x04") == [("frame", 0, len(TEXT)), ("noise", len(TEXT), 2)]


def test_the_first_of_several_cut_heads_takes_all_to_the_end() -> None:
    assert whats(b"\xd3\x03\xff\x00\xd3\x02\x00\xd3") == [("truncated", 0, 8)]


def test_a_cut_head_before_a_whole_frame_is_noise() -> None:
    assert whats(b"\xd3\x03\xff" + STATION_POSITION) == [("noise", 0, 3), ("frame", 3, 25)]


def test_a_cut_head_inside_a_failed_candidate_is_part_of_it() -> None:
    bad = damaged(frame_message(bytes(4) + b"\xd3\x03\xff" + bytes(4)), at=4)
    assert whats(bad + b"\x00\xd3\x00") == [
        ("crc", 0, len(bad)),
        ("noise", len(bad), 1),
        ("truncated", len(bad) + 1, 2),
    ]


def test_nothing_gives_nothing() -> None:
    assert scan([]) == []
    assert scan([b"", b""]) == []


# ---- pieces ------------------------------------------------------------------------------------


@given(stream=streams(), at=cuts)
@example(stream=b"\x00\x00", at=[1])
@example(stream=b"\xd3\x00", at=[1])
@example(stream=EMPTY_FRAME * 3, at=[1, 7, 13])
def test_it_does_not_matter_how_the_bytes_arrive(stream: bytes, at: list[int]) -> None:
    whole = scan([stream])
    assert scan(pieces(stream, at)) == whole
    assert scan(bytes([byte]) for byte in stream) == whole


@given(streams())
def test_frames_and_rejects_tile_the_stream_in_order(stream: bytes) -> None:
    at = 0
    for item in scan([stream]):
        assert item.offset == at
        assert item.length > 0
        at += item.length
    assert at == len(stream)


@settings(max_examples=150)
@given(streams())
def test_the_scanner_agrees_with_the_simplest_one(stream: bytes) -> None:
    assert scan([stream]) == simplest_scan(stream)


@given(st.lists(st.sampled_from(b"\xd3\xd3\x00\x00\x01\x02\x06\x47\xea\x4b"), max_size=60))
def test_the_scanner_agrees_with_the_simplest_one_on_short_heads(stream: list[int]) -> None:
    assert scan([bytes(stream)]) == simplest_scan(bytes(stream))


def test_frames_are_given_out_as_soon_as_they_are_whole() -> None:
    scanner = FrameScanner()
    assert len(scanner.feed(STATION_POSITION[:-1])) == 0
    assert scanner.pending == 24
    assert len(scanner.feed(STATION_POSITION[-1:])) == 1
    assert scanner.pending == 0


def test_an_open_run_of_noise_is_counted_and_not_given_out() -> None:
    scanner = FrameScanner()
    assert scanner.feed(TEXT + bytes(7)).rejects == []
    assert scanner.open_bytes == 7
    assert scanner.feed(bytes(5)).rejects == []
    assert scanner.open_bytes == 12
    (reject,) = scanner.feed(STATION_POSITION).rejects
    assert (reject.offset, reject.length, reject.reason) == (len(TEXT), 12, RejectReason.NOISE)
    assert scanner.open_bytes == 0


def test_a_scanner_can_be_fed_on_after_the_end() -> None:
    scanner = FrameScanner()
    scanner.feed(STATION_POSITION + STATION_POSITION[:10])
    (cut,) = scanner.finish().rejects
    assert (cut.offset, cut.length, cut.reason) == (25, 10, RejectReason.TRUNCATED)
    (frame,) = scanner.feed(STATION_POSITION).frames()
    assert frame.offset == 35
    assert scanner.finish().rejects == []
    assert scanner.position == 60


# ---- damage ------------------------------------------------------------------------------------


@given(rows=st.lists(frames, min_size=1, max_size=5), data=st.data())
def test_a_flipped_bit_behind_the_head_is_one_reject(
    rows: list[bytes], data: st.DataObject
) -> None:
    hit = data.draw(st.integers(0, len(rows) - 1))
    bit = data.draw(st.integers(24, 8 * len(rows[hit]) - 1))
    bad = bytearray(rows[hit])
    bad[bit >> 3] ^= 0x80 >> (bit & 7)
    stream = b"".join([*rows[:hit], bytes(bad), *rows[hit + 1 :]])
    found = scan([stream])
    expected, at = [], 0
    for index, row in enumerate(rows):
        expected.append(("crc" if index == hit else "frame", at, len(row)))
        at += len(row)
    assert [(item.what, item.offset, item.length) for item in found] == expected


PLAIN = [frame_message(bytes(range(1, size))) for size in (2, 30, 90)]  # no preamble inside


@pytest.mark.parametrize("bit", range(24))
def test_a_flipped_bit_of_the_head_leaves_the_following_frames_intact(bit: int) -> None:
    bad = bytearray(PLAIN[1])
    bad[bit >> 3] ^= 0x80 >> (bit & 7)
    found = scan([PLAIN[0] + bytes(bad) + PLAIN[2] + TEXT])
    begin, end = len(PLAIN[0]), len(PLAIN[0]) + len(PLAIN[1])
    kept = [(item.offset, item.length) for item in found if item.what == "frame"]
    assert kept == [(0, begin), (end, len(PLAIN[2])), (end + len(PLAIN[2]), len(TEXT))]
    lost = [item for item in found if item.what != "frame"]
    assert sum(item.length for item in lost) == end - begin
    if bit < 14:  # no preamble, or a head with reserved bits: not even a candidate
        assert {item.what for item in lost} == {"noise"}
    else:
        assert {item.what for item in lost} <= {"crc", "noise"}


# ---- size and hostile input --------------------------------------------------------------------


def test_random_bytes_hold_back_no_more_than_one_frame() -> None:
    random = Random(5)
    scanner = FrameScanner()
    accounted = 0
    for _ in range(80):  # 5 MB in pieces of 64 KiB
        block = scanner.feed(random.randbytes(1 << 16))
        assert scanner.pending < LONGEST_FRAME
        accounted += int(block.lengths.sum()) + sum(reject.length for reject in block.rejects)
        assert accounted + scanner.pending + scanner.open_bytes == scanner.position
    accounted += sum(reject.length for reject in scanner.finish().rejects)
    assert accounted == 80 << 16


@pytest.mark.parametrize("pattern", [b"\xd3", b"\xd3\x03\xff", b"\xd3\x00\x00", b"\x00"])
def test_the_worst_patterns_are_accounted_for(pattern: bytes) -> None:
    data = pattern * (30_000 // len(pattern))
    found = scan([data[:17_001], data[17_001:]])
    assert sum(item.length for item in found) == len(data)
    assert all(item.what != "frame" for item in found)
