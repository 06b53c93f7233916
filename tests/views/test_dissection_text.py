"""A frame with every bit in its place: what `inspect` prints."""

import re
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rtcmtool.views.dissection_text import NARROWEST, bits_text, dissection_lines
from rtcmtool.wire.dissection import dissect
from rtcmtool.wire.encoding import encode_record, frame_message
from tests.strategies import ALL_LAYOUTS, EMPTY_FRAME, STATION_POSITION, TEXT, made_record
from tests.streams import antenna, observed


def shown(data: bytes, width: int = 80, *, full: bool = False) -> list[str]:
    """Give a frame as lines."""
    return dissection_lines(dissect(data), offset=0, frame=1, width=width, full=full)


@pytest.mark.parametrize(
    ("start", "width", "text"),
    [
        (0, 8, "11010011"),
        (8, 6, "000000.."),
        (14, 10, "......00 00010011"),
        (24, 12, "00111110 1101...."),
        (36, 12, "....0111 11010011"),
        (58, 38, "..000010 10011000 ~"),
        (60, 0, "(no bits)"),
        (55, 1, ".......0"),
    ],
)
def test_bits_are_shown_in_their_bytes(start: int, width: int, text: str) -> None:
    assert bits_text(STATION_POSITION, start, width) == text


def test_all_bits_of_a_long_field_are_shown_when_asked_for() -> None:
    full = bits_text(STATION_POSITION, 58, 38, full=True)
    assert full == "..000010 10011000 00001110 11011110 11101111"
    assert int(full.replace(" ", "").replace(".", ""), 2) == 11_141_045_999


def test_the_published_position_is_shown_field_by_field() -> None:
    lines = shown(STATION_POSITION)
    assert lines[0] == ("frame 1   bytes 0-24   1005 station position   19 bytes   CRC 360B98 ok")
    assert "     3.0  00111110 1101....            1005  message number    1005" in lines
    assert any(line.endswith("x                 1 114 104.5999 m") for line in lines)


def test_all_bits_of_a_frame_are_shown_exactly_once() -> None:
    text = "\n".join(shown(STATION_POSITION, 200, full=True)[2:])
    octets = re.findall(r"(?<![\w.])[01.]{8}(?![\w.])", text)
    assert sum(octet.count("0") + octet.count("1") for octet in octets) == 8 * len(STATION_POSITION)
    ones = sum(octet.count("1") for octet in octets)
    assert ones == sum(byte.bit_count() for byte in STATION_POSITION)


def test_groups_have_a_heading_each() -> None:
    lines = shown(observed(1074, 1, satellites=2)[0].data)
    names = ("satellites 1", "satellites 2", "cells 1", "cells 4")
    for name in names:
        assert f"           {name}" in lines


def value_of(lines: list[str], name: str) -> str:
    """Give what stands behind the first field of a name."""
    return next(line[63:] for line in lines if line[45:61].strip() == name)


def test_masks_are_told_as_places() -> None:
    lines = shown(observed(1074, 1, satellites=2)[0].data)
    assert value_of(lines, "satellite mask") == "places 1 2"
    assert value_of(lines, "signal mask") == "places 2 10"  # 1C and 2W of GPS
    assert value_of(lines, "cell mask") == "places 1 2 3 4"
    empty = shown(observed(1074, 1, satellites=0)[0].data)
    assert value_of(empty, "satellite mask") == "none"


def test_numbers_below_one_are_shortened_unless_all_is_asked_for() -> None:
    data = observed(1074, 1, satellites=2)[0].data
    short, full = shown(data), shown(data, 200, full=True)
    assert value_of(short, "fine pseudorange") == "-0.00036811829 ms"
    assert value_of(full, "fine pseudorange") == "-0.0003681182861328125 ms"  # -6176 * 2^-24
    assert float("-0.0003681182861328125") == -6176 * 2.0**-24


def test_numbers_with_a_unit_are_grouped_and_others_are_not() -> None:
    lines = shown(observed(1074, 1)[0].data)
    assert value_of(lines, "epoch") == "284 400 000 ms"
    assert value_of(lines, "message number") == "1074"


def test_damage_is_shown_with_both_check_sums() -> None:
    data = bytearray(STATION_POSITION)
    data[10] ^= 1
    lines = dissection_lines(dissect(bytes(data)), offset=7, frame=None, width=80)
    assert lines[0] == "no valid frame   bytes 7-31   1005 station position   19 bytes"
    assert re.fullmatch(r" +CRC 360B98 found, [0-9A-F]{6} wanted: damaged", lines[1])


def test_a_cut_frame_is_shown_as_far_as_it_goes() -> None:
    lines = shown(STATION_POSITION[:12])
    assert lines[0].endswith("CRC missing")
    assert lines[1:3] == [
        "  note   the message ends inside single_oscillator; the frame is cut: 12 of 25",
        "         bytes are there",
    ]


@pytest.mark.parametrize("data", [b"", b"\xd3", b"abc", b"\xd3\x00", EMPTY_FRAME, EMPTY_FRAME[:4]])
def test_scraps_are_shown_too(data: bytes) -> None:
    assert shown(data)


def test_a_text_cannot_command_the_terminal() -> None:
    assert all(line.isprintable() for line in shown(antenna("\x1b[2J\x07SURVEY")))
    assert any("?[2J?SURVEY" in line for line in shown(antenna("\x1b[2J\x07SURVEY")))


def test_a_unit_stands_beside_the_value_not_in_the_name() -> None:
    names = [line[45:61].strip() for line in shown(STATION_POSITION)[2:] if line[4:8].strip()]
    assert {"x", "y", "z", "single", "quarter cycle"} <= set(names)


def test_long_texts_are_wrapped_below_their_field() -> None:
    lines = shown(TEXT, full=True)
    assert any("UTF-8" in line for line in lines)
    assert max(map(len, lines)) <= 80


@pytest.mark.parametrize("layout", ALL_LAYOUTS, ids=lambda layout: str(layout.number))
def test_no_line_of_any_message_is_wider_than_the_screen(layout) -> None:
    message = encode_record(layout, made_record(layout, Random(layout.number), 3))
    if len(message) > 1023:
        pytest.skip("longer than a frame")
    data = frame_message(message)
    for width, full in ((20, False), (78, True), (80, False), (120, True)):
        for line in shown(data, width, full=full):
            assert len(line) <= max(width, NARROWEST)
            assert line.isprintable()


@given(data=st.binary(max_size=60), head=st.sampled_from([b"", STATION_POSITION[:9], TEXT[:9]]))
def test_any_bytes_can_be_shown(data: bytes, head: bytes) -> None:
    for line in shown(head + data):
        assert len(line) <= 80
