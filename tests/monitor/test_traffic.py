"""Bytes: frames, damage where a frame was due, foreign bytes, and NMEA lines on the same port."""

from functools import reduce
from operator import xor

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rtcmtool.monitor.traffic import Traffic, is_known
from rtcmtool.wire.encoding import frame_message
from tests.strategies import EMPTY_FRAME, STATION_POSITION, cuts, pieces, streams
from tests.streams import base_stream, damaged, data_of, state_of


def sentence(body: str, ending: bytes = b"\r\n") -> bytes:
    """Give a sentence of NMEA 0183: the check sum is the exclusive or of all between $ and *."""
    return b"$" + body.encode() + b"*%02X" % reduce(xor, body.encode()) + ending


# A published example, its check sum as printed there (NMEA 0183 listings, from memory).
PUBLISHED = b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n"
GGA = sentence("GNGGA,074200.00,1200.0000,N,03400.0000,W,7,20,0.6,60.0,M,0.0,M,,")


def traffic(data: bytes, at: list[int] | None = None) -> Traffic:
    """Count a stream, cut at some places."""
    return state_of(data, pieces=pieces(data, at or [])).traffic


def test_a_stream_of_frames_alone_has_nothing_outside() -> None:
    data = data_of(base_stream(10))
    found = traffic(data)
    assert (found.total_bytes, found.frame_bytes, found.frames) == (len(data), len(data), 43)
    assert (found.damaged, found.outside_bytes, found.foreign_bytes) == (0, 0, 0)
    assert (found.first_damage, found.last_damage) == (None, None)


def test_damage_where_a_frame_was_due_is_counted_and_placed() -> None:
    stream = damaged(base_stream(10), 5, 20)
    found = traffic(data_of(stream))
    assert (found.frames, found.damaged, found.outside_bytes) == (41, 2, 0)
    assert found.first_damage == len(data_of(stream[:5]))
    assert found.last_damage == len(data_of(stream[:20]))
    assert found.damaged_bytes == len(stream[5].data) + len(stream[20].data)


def test_a_failed_candidate_of_an_unknown_number_is_foreign() -> None:
    strange = bytearray(frame_message(bytes.fromhex("2bc0") + bytes(8)))  # number 700
    strange[-1] ^= 1
    found = traffic(STATION_POSITION + bytes(strange) + STATION_POSITION)
    assert (found.frames, found.damaged, found.foreign_bytes) == (2, 0, len(strange))


@pytest.mark.parametrize(
    ("number", "known"),
    [
        *((number, True) for number in (1005, 1077, 1264, 4001, 4076, 4095)),
        *((number, False) for number in (None, 0, 700, 2000, 4000)),
    ],
)
def test_numbers_that_a_base_may_send_are_known(number: int | None, known: bool) -> None:
    assert is_known(number) is known


def test_a_frame_too_short_for_its_number_is_damage() -> None:
    found = traffic(STATION_POSITION + frame_message(STATION_POSITION[3:12]))
    assert (found.frames, found.damaged, found.layout_rejects) == (1, 1, 1)


def test_a_frame_without_content_is_a_frame() -> None:
    assert traffic(EMPTY_FRAME).frames == 1


def test_a_frame_cut_by_the_end_is_neither_damaged_nor_foreign() -> None:
    found = traffic(STATION_POSITION + STATION_POSITION[:20])
    assert (found.frames, found.damaged, found.foreign_bytes) == (1, 0, 0)
    assert found.truncated_bytes == 20


def test_sentences_are_told_apart_from_foreign_bytes() -> None:
    noise = b"\x00\x01\x02"
    found = traffic(STATION_POSITION + PUBLISHED + GGA + STATION_POSITION + noise)
    assert found.nmea_sentences == 2
    assert found.nmea_bytes == len(PUBLISHED) + len(GGA)
    assert found.foreign_bytes == len(noise)


@pytest.mark.parametrize("ending", [b"\r\n", b"\n", b"\r"])
def test_a_sentence_may_end_in_any_way_of_ending_a_line(ending: bytes) -> None:
    lines = sentence("GNRMC,074200.00,V,,,,,,,,,,N", ending) * 2
    found = traffic(lines + STATION_POSITION)
    assert found.nmea_sentences >= 1
    assert traffic(lines + b"X" + STATION_POSITION).nmea_sentences == 2


def test_a_sentence_with_a_wrong_check_sum_is_foreign() -> None:
    wrong = PUBLISHED.replace(b"*47", b"*46")
    found = traffic(STATION_POSITION + wrong + STATION_POSITION)
    assert (found.nmea_sentences, found.foreign_bytes) == (0, len(wrong))


def test_behind_a_torn_sentence_the_next_one_is_found() -> None:
    torn = GGA[:30]
    found = traffic(STATION_POSITION + torn + PUBLISHED + STATION_POSITION)
    assert (found.nmea_bytes, found.foreign_bytes) == (len(PUBLISHED), len(torn))


def test_a_frame_between_two_halves_of_a_sentence_keeps_them_apart() -> None:
    found = traffic(GGA[:30] + STATION_POSITION + GGA[30:])
    assert (found.nmea_sentences, found.foreign_bytes) == (0, len(GGA))


def test_a_sentence_is_found_wherever_the_stream_is_cut() -> None:
    data = STATION_POSITION + GGA + PUBLISHED + STATION_POSITION
    for cut in range(len(data)):
        found = traffic(data, [cut])
        assert (found.nmea_sentences, found.foreign_bytes) == (2, 0), cut


def test_a_damaged_head_that_covers_a_sentence_gives_no_negative_count() -> None:
    head = b"\xd3\x00\x60\x3e\xd0"  # a 1005 that claims 96 bytes
    found = traffic(STATION_POSITION + head + GGA * 3 + STATION_POSITION)
    assert found.damaged == 1
    assert found.foreign_bytes >= 0


@given(stream=streams(), at=cuts, lines=st.lists(st.sampled_from([GGA, PUBLISHED]), max_size=3))
def test_counts_do_not_depend_on_how_the_stream_is_cut(
    stream: bytes, at: list[int], lines: list[bytes]
) -> None:
    data = b"".join(lines) + stream + b"".join(lines)
    assert vars(traffic(data, at)) == vars(traffic(data))


@given(stream=streams())
def test_every_byte_is_counted_once(stream: bytes) -> None:
    found = traffic(stream)
    layout_bytes = found.damaged_bytes  # of damaged frames, by their check sum or their layout
    parts = (found.frame_bytes, layout_bytes, found.truncated_bytes, found.outside_bytes)
    assert sum(parts) == found.total_bytes == len(stream)
