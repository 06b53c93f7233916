"""Messages to records and back for every layout, and raw integers to values."""

import math
from collections.abc import Mapping
from fractions import Fraction
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rtcmtool.wire.catalogue import LAYOUTS, MSM_NUMBERS
from rtcmtool.wire.encoding import encode_record
from rtcmtool.wire.layout import Field, Group, Kind, Layout, Mask, Optional, Part, Text
from rtcmtool.wire.records import (
    ImpossibleMessageError,
    read_head,
    read_record,
    value_of,
    values_of,
    values_of_head,
)
from tests.strategies import ALL_LAYOUTS, STATION_POSITION, TEXT, layout_id, made_record, records

every_layout = pytest.mark.parametrize("layout", ALL_LAYOUTS, ids=layout_id)


def bits_of(parts: tuple[Part, ...], record: Mapping[str, object]) -> int:
    """Count the bits that a record takes, from its content alone."""
    total = 0
    for part in parts:
        match part:
            case Field():
                total += part.bits
            case Mask():
                rows, columns = record[part.rows.name], record[part.columns.name]
                assert isinstance(rows, int)
                assert isinstance(columns, int)
                total += rows.bit_count() * columns.bit_count()
            case Text():
                text = record[part.name]
                assert isinstance(text, bytes)
                total += 8 * len(text)
            case Optional():
                total += part.field.bits if part.name in record else 0
            case Group():
                rows_of_group = record[part.name]
                assert isinstance(rows_of_group, list)
                total += sum(bits_of(part.parts, row) for row in rows_of_group)
    return total


@every_layout
@settings(max_examples=10)
@given(data=st.data())
def test_a_record_comes_back_through_its_message(layout: Layout, data: st.DataObject) -> None:
    record = data.draw(records(layout))
    message = encode_record(layout, record)
    assert len(message) == (bits_of(layout.parts, record) + 7) // 8
    assert read_record(layout, message) == record
    assert encode_record(layout, read_record(layout, message)) == message


@every_layout
def test_a_longer_message_is_read_and_the_rest_ignored(layout: Layout) -> None:
    record = made_record(layout, Random(layout.number), most=5)
    message = encode_record(layout, record)
    for rest in (b"\x00", b"\xff" * 7):
        assert read_record(layout, message + rest) == record


@every_layout
def test_a_message_cut_at_any_byte_gives_no_value(layout: Layout) -> None:
    message = encode_record(layout, made_record(layout, Random(layout.number), most=3))
    for size in range(len(message)):
        with pytest.raises(ImpossibleMessageError):
            read_record(layout, message[:size])


@every_layout
def test_values_have_every_name_of_the_record_or_leave_it_out_for_a_reason(layout: Layout) -> None:
    record = made_record(layout, Random(2), most=4)
    values = values_of(layout, record)
    shown = {p.name for p in layout.parts if not isinstance(p, Field) and not isinstance(p, Mask)}
    assert shown <= set(values)
    assert not {"message_number", "station", "epoch_ms", "epoch_s", "reserved"} & set(values)
    assert values_of_head(layout, record).items() <= values.items()


@every_layout
def test_the_head_is_read_alone(layout: Layout) -> None:
    record = made_record(layout, Random(4), most=4)
    message = encode_record(layout, record)
    head = read_head(layout, message)
    assert head == {field.name: record[field.name] for field in layout.head}


def all_fields(parts: tuple[Part, ...]) -> list[Field]:
    """List the fields of a layout, those of groups and options too."""
    found: list[Field] = []
    for part in parts:
        match part:
            case Field():
                found.append(part)
            case Optional():
                found.append(part.field)
            case Group():
                found += all_fields(part.parts)
    return found


@every_layout
def test_numbers_are_the_doubles_nearest_to_the_exact_values(layout: Layout) -> None:
    random = Random(layout.number)
    for field in all_fields(layout.parts):
        raws = [random.randint(field.lowest, field.highest) for _ in range(5)]
        for raw in {*raws, field.lowest, field.highest, 0, field.invalid}:
            if raw is None:
                continue
            value = value_of(field, raw)
            if raw == field.invalid:
                assert value is None
            elif field.convert is not None or field.flag:
                assert value is None or isinstance(value, (str, int, float))
            else:
                whole = 0 if field.kind is Kind.SIGN_MAGNITUDE and raw == field.lowest else raw
                exact = whole * field.scale + field.offset
                if field.semicircles:
                    assert value == pytest.approx(float(exact) * math.pi, rel=1e-15)
                else:
                    assert value == (exact if isinstance(value, int) else float(exact))


def test_an_unscaled_value_stays_an_integer() -> None:
    assert repr(value_of(Field("", "value", 8), 7)) == "7"
    assert repr(value_of(Field("", "value", 8, scale=Fraction(16)), 7)) == "112"
    assert repr(value_of(Field("", "value", 8, scale=Fraction(1, 10)), 3)) == "0.3"


def test_minus_zero_is_zero_as_a_value_and_itself_as_a_record() -> None:
    field = Field("", "value", 5, Kind.SIGN_MAGNITUDE, Fraction(1, 2))
    assert value_of(field, -16) == 0.0
    assert math.copysign(1, value_of(field, -16)) == 1
    assert value_of(field, -15) == -7.5


# ---- published examples: RTCM 10403.x, from memory ----------------------------------------------


def test_the_published_station_position_is_read() -> None:
    record = read_record(LAYOUTS[1005], STATION_POSITION[3:-3])
    values = values_of(LAYOUTS[1005], record)
    assert record["station"] == 2003
    assert (values["gps"], values["glonass"], values["galileo"]) == (True, False, False)
    assert values["arp_ecef_m"] == [1114104.5999, -4850729.7108, 3975521.4643]


def test_the_published_text_is_read() -> None:
    record = read_record(LAYOUTS[1029], TEXT[3:-3])
    values = values_of(LAYOUTS[1029], record)
    assert (record["station"], record["text_bytes"], values["characters"]) == (23, 30, 21)
    assert (values["mjd"], values["utc_s"]) == (132, 59100)
    assert values["text"] == "UTF-8 проверка wörter"


def test_bad_utf8_shows_replacement_characters() -> None:
    record = read_record(LAYOUTS[1029], TEXT[3:-3]) | {"text": b"a\xffb", "text_bytes": 3}
    assert values_of(LAYOUTS[1029], record)["text"] == "a�b"


@pytest.mark.parametrize("length", [0, 31])
def test_texts_may_be_empty_or_long(length: int) -> None:
    layout = LAYOUTS[1008]
    record = made_record(layout, Random(1), most=0)
    record |= {"antenna_descriptor": bytes(range(200, 200 + length))}
    record |= {"antenna_descriptor_bytes": length}
    read = read_record(layout, encode_record(layout, record))
    assert read == record
    # ISO 8859-1: every byte is the character of the same number.
    shown = values_of(layout, read)["antenna_descriptor"]
    assert shown == "".join(chr(c) for c in range(200, 200 + length))


# ---- MSM ---------------------------------------------------------------------------------------


def wide_message(number: int, satellites: int, signals: int, size: int = 600) -> bytes:
    """Write an MSM of zeros but for its masks, which may ask for too much."""
    head = number << 157 | ((1 << satellites) - 1) << 32 | (1 << signals) - 1
    return (head << (8 * size - 169)).to_bytes(size, "big")


@pytest.mark.parametrize("number", sorted(MSM_NUMBERS))
def test_no_message_has_more_than_64_cells(number: int) -> None:
    for satellites, signals in ((64, 1), (32, 2), (2, 32), (21, 3), (0, 32), (64, 0)):
        record = read_record(LAYOUTS[number], wide_message(number, satellites, signals))
        assert len(record["satellites"]) == satellites
    for satellites, signals in ((64, 2), (33, 2), (3, 22), (64, 32), (13, 5)):
        with pytest.raises(ImpossibleMessageError, match="more than 64 cells"):
            read_record(LAYOUTS[number], wide_message(number, satellites, signals))


@pytest.mark.parametrize("number", sorted(MSM_NUMBERS))
def test_64_cells_come_back(number: int) -> None:
    layout, random = LAYOUTS[number], Random(number)
    record = made_record(layout, random)
    while record["cell_mask"].bit_count() != 64:
        record = made_record(layout, random)
    message = encode_record(layout, record)
    assert len(record["cells"]) == 64
    assert read_record(layout, message) == record


@pytest.mark.parametrize("number", sorted(MSM_NUMBERS))
def test_an_empty_message_is_a_normal_thing(number: int) -> None:
    record = read_record(LAYOUTS[number], wide_message(number, 0, 0, size=22))
    assert record["satellites"] == []
    assert record["cells"] == []
