"""A frame taken apart: every bit once, in order, with the values of the record."""

from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rtcmtool.wire.catalogue import LAYOUTS, MSM_NUMBERS
from rtcmtool.wire.dissection import Dissection, dissect
from rtcmtool.wire.encoding import encode_record, frame_message
from rtcmtool.wire.layout import Field, Group, Layout, Optional, Order, Part, Record, Role, Text
from rtcmtool.wire.records import read_record, value_of
from tests.strategies import (
    ALL_LAYOUTS,
    EMPTY_FRAME,
    STATION_POSITION,
    TEXT,
    frames,
    layout_id,
    made_record,
    messages,
)


def tiles(found: Dissection) -> bool:
    """Tell whether the pieces cover the frame without gap or overlap."""
    at = 0
    for piece in found.pieces:
        if piece.start != at or piece.width < 0:
            return False
        at += piece.width
    return at == 8 * len(found.data)


def bits_at(data: bytes, start: int, width: int) -> int:
    return int.from_bytes(data, "big") >> (8 * len(data) - start - width) & ((1 << width) - 1)


def flat(parts: tuple[Part, ...], record: Record, path: str = "") -> list[tuple[str, str, Any]]:
    """List path, name and raw content of a record in the order of the wire."""
    found: list[tuple[str, str, Any]] = []
    for part in parts:
        if isinstance(part, Group):
            paths = [
                f"{path} {part.name} {i}".strip() for i in range(1, len(record[part.name]) + 1)
            ]
            rows = list(zip(paths, record[part.name], strict=True))
            if part.order is Order.FIELD_BY_FIELD:
                found += [(at, f.name, row[f.name]) for f in part.fields for at, row in rows]
            else:
                for at, row in rows:
                    found += flat(part.parts, row, at)
        elif not isinstance(part, Optional) or part.name in record:
            found.append((path, part.name, record[part.name]))
    return found


def fields_by_name(parts: tuple[Part, ...]) -> dict[str, list[Field]]:
    """List the fields of each name, those of groups too."""
    found: dict[str, list[Field]] = {}
    for part in parts:
        if isinstance(part, Group):
            for name, fields in fields_by_name(part.parts).items():
                found.setdefault(name, []).extend(fields)
        elif isinstance(part, (Field, Optional)):
            field = part if isinstance(part, Field) else part.field
            found.setdefault(part.name, []).append(field)
    return found


@pytest.mark.parametrize("layout", ALL_LAYOUTS, ids=layout_id)
@settings(max_examples=4)
@given(data=st.data())
def test_the_pieces_tile_the_frame_and_agree_with_the_record(
    layout: Layout, data: st.DataObject
) -> None:
    message = data.draw(messages(layout, most=12))
    frame = frame_message(message)
    found = dissect(frame)
    assert tiles(found)
    assert found.is_whole
    assert found.note == ""
    assert (found.number, found.title) == (layout.number, layout.title)
    inner = [p for p in found.pieces[3:-1] if p.name != "padding"]
    record = read_record(layout, message)
    assert [(p.path, p.name, p.raw) for p in inner] == flat(layout.parts, record)
    known = fields_by_name(layout.parts)
    for piece in inner:
        if piece.name in known and len(known[piece.name]) == 1:
            (field,) = known[piece.name]
            assert isinstance(piece.raw, int)
            assert piece.value == value_of(field, piece.raw)
            assert (piece.width, piece.unit, piece.number) == (field.bits, field.unit, field.number)
            assert bits_at(frame, piece.start, piece.width) == field.pattern_of_raw(piece.raw)
            if piece.raw == field.invalid:
                assert (piece.value, piece.meaning) == (None, "not available")


def test_the_published_station_position_is_shown() -> None:
    found = dissect(STATION_POSITION)
    by_name = {piece.name: piece for piece in found.pieces}
    assert by_name["station"].value == 2003
    assert (by_name["x_m"].start, by_name["x_m"].width) == (24 + 34, 38)
    assert by_name["x_m"].value == 1114104.5999
    assert by_name["x_m"].number == "DF025"
    assert by_name["crc"].raw == 0x360B98
    assert by_name["crc"].meaning == "holds"
    assert by_name["glonass"].meaning == "no GLONASS service"
    assert found.title == "station position"


def test_texts_are_shown_as_text_and_bytes() -> None:
    (text,) = [piece for piece in dissect(TEXT).pieces if piece.name == "text"]
    assert text.value == "UTF-8 проверка wörter"
    assert text.raw == TEXT[3 + 9 : 3 + 39]


def test_a_wrong_check_sum_is_told_and_the_fields_shown_all_the_same() -> None:
    bad = STATION_POSITION[:-1] + b"\x99"
    found = dissect(bad)
    assert not found.is_whole
    assert (found.crc_found, found.crc_wanted) == (0x360B99, 0x360B98)
    assert found.pieces[-1].meaning == "computed 360B98"
    assert tiles(found)
    assert any(piece.name == "z_m" for piece in found.pieces)


@pytest.mark.parametrize("size", range(len(STATION_POSITION)))
def test_a_cut_frame_is_shown_as_far_as_it_goes(size: int) -> None:
    found = dissect(STATION_POSITION[:size])
    assert tiles(found)
    assert not found.is_whole
    assert (found.crc_found, found.crc_wanted) == (None, None)
    assert f"{size} of" in found.note


@given(frames, st.integers(0, 1100), st.binary(max_size=12))
def test_any_frame_cut_anywhere_is_tiled(frame: bytes, size: int, other: bytes) -> None:
    assert tiles(dissect(frame[: size % (len(frame) + 1)]))
    assert tiles(dissect(b"\xd3" + other))


def test_bytes_behind_a_whole_frame_are_the_rest() -> None:
    found = dissect(STATION_POSITION + b"\xab\xcd")
    assert found.is_whole
    assert tiles(found)
    assert (found.pieces[-1].name, found.pieces[-1].value) == ("rest", "abcd")


def test_an_empty_frame_has_a_head_and_a_check_sum() -> None:
    found = dissect(EMPTY_FRAME)
    assert [piece.name for piece in found.pieces] == ["preamble", "reserved", "length", "crc"]
    assert (found.number, found.title, found.is_whole) == (None, "empty frame", True)


@pytest.mark.parametrize(
    ("message", "note"),
    [
        (b"\x40\x40\x00", "the layout of this message is not known"),  # 1028
        (b"\xfe\xc0\x00", "the layout of this message is not known"),  # 4076, unknown sub-type
        (b"\xfa\x00abc", "the layout of this message is not known"),  # 4000
        (b"\x3f", "a message of one byte has no number"),
    ],
)
def test_what_has_no_layout_is_left_undecoded(message: bytes, note: str) -> None:
    found = dissect(frame_message(message))
    piece = found.pieces[-2]
    assert (piece.name, piece.width, piece.value) == ("not decoded", 8 * len(message), None)
    assert note in found.note


def test_a_message_shorter_than_its_layout_is_told() -> None:
    found = dissect(frame_message(STATION_POSITION[3:13]))
    assert "the message ends inside" in found.note
    assert tiles(found)
    assert found.pieces[-2].name == "not decoded"


def test_bytes_behind_the_layout_are_shown_as_not_decoded() -> None:
    found = dissect(frame_message(STATION_POSITION[3:-3] + b"\xaa\xbb"))
    assert (found.pieces[-2].name, found.pieces[-2].raw) == ("not decoded", 0xAABB)
    assert tiles(found)


@pytest.mark.parametrize("number", sorted(MSM_NUMBERS))
def test_more_than_64_cells_are_told(number: int) -> None:
    head = number << 157 | ((1 << 33) - 1) << 32 | 3
    found = dissect(frame_message((head << 7).to_bytes(22, "big") + bytes(300)))
    assert "more than 64 cells" in found.note
    assert tiles(found)


def test_satellites_of_nested_groups_have_paths() -> None:
    layout = LAYOUTS[1059]
    random = Random(3)
    record = made_record(layout, random, most=3)
    while not (record["satellites"] and record["satellites"][-1]["biases"]):
        record = made_record(layout, random, most=3)
    found = dissect(frame_message(encode_record(layout, record)))
    last = [piece for piece in found.pieces if piece.name == "bias_m"][-1]
    satellites, biases = len(record["satellites"]), len(record["satellites"][-1]["biases"])
    assert last.path == f"satellites {satellites} biases {biases}"


def test_reserved_bits_and_padding_are_named() -> None:
    layout = LAYOUTS[1230]
    record = made_record(layout, Random(1))
    found = dissect(frame_message(encode_record(layout, record)))
    (reserved,) = [p for p in found.pieces if p.name == "reserved" and p.start > 24]
    assert reserved.meaning == "reserved"
    text = next(p for p in LAYOUTS[1007].parts if isinstance(p, Text))
    assert text.name == "antenna_descriptor"
    padded = dissect(
        frame_message(encode_record(LAYOUTS[1042], made_record(LAYOUTS[1042], Random(1))))
    )
    assert (padded.pieces[-2].name, padded.pieces[-2].width) == ("padding", 1)  # 511 bits
    assert Role.RESERVED in {p.role for p in layout.parts if isinstance(p, Field)}
