"""Values to messages: the inverse of reading, and what does not fit is refused by name."""

import math
from fractions import Fraction
from random import Random
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rtcmtool.errors import EncodeError
from rtcmtool.wire.catalogue import LAYOUTS
from rtcmtool.wire.encoding import encode_record, encode_values, frame_message, raw_of, record_of
from rtcmtool.wire.framing import FrameScanner
from rtcmtool.wire.layout import (
    Count,
    Field,
    Group,
    Kind,
    Layout,
    Mask,
    Optional,
    Part,
    Record,
    Role,
    Text,
)
from rtcmtool.wire.records import read_record, value_of, values_of
from tests.strategies import ALL_LAYOUTS, STATION_POSITION, TEXT, layout_id, made_record

POSITION = {
    "station": 2003,
    "itrf_year": 0,
    "gps": True,
    "glonass": False,
    "galileo": False,
    "virtual_station": False,
    "x_m": 1114104.5999,
    "single_oscillator": False,
    "y_m": -4850729.7108,
    "quarter_cycle": 0,
    "z_m": 3975521.4643,
}


def without_loss(parts: tuple[Part, ...], record: Record) -> None:
    """Set reserved bits to zero and minus zeros to zero: values cannot tell them."""
    for part in parts:
        match part:
            case Field():
                minus_zero = part.kind is Kind.SIGN_MAGNITUDE and record[part.name] == part.lowest
                if part.role is Role.RESERVED or minus_zero:
                    record[part.name] = 0
            case Group():
                for row in record[part.name]:
                    without_loss(part.parts, row)


def to_encode(parts: tuple[Part, ...], record: Record) -> dict[str, Any]:
    """Give what `encode_values` wants of a record: no counters, no reserved bits."""
    counters = {p.length.field for p in parts if isinstance(p, Text)}
    counters |= {
        p.times.field for p in parts if isinstance(p, Group) and isinstance(p.times, Count)
    }
    counters |= {p.mask for p in parts if isinstance(p, Optional)}
    values: dict[str, Any] = {}
    for part in parts:
        match part:
            case Field():
                if part not in counters and part.role is not Role.RESERVED:
                    raw = record[part.name]
                    values[part.name] = raw if part.convert else value_of(part, raw)
            case Mask() | Text():
                values[part.name] = record[part.name]
            case Optional():
                raw = record.get(part.name)
                values[part.name] = None if raw is None else value_of(part.field, raw)
            case Group():
                values[part.name] = [to_encode(part.parts, row) for row in record[part.name]]
    return values


def with_options_told(layout: Layout, record: Record) -> None:
    """Drop options whose value is "not available": as a value it means they are absent."""
    for part in layout.parts:
        if isinstance(part, Optional) and record.get(part.name) == part.field.invalid:
            record.pop(part.name, None)
            record[part.mask.name] &= ~(1 << part.bit)


@pytest.mark.parametrize("layout", ALL_LAYOUTS, ids=layout_id)
def test_values_come_back_through_their_message(layout: Layout) -> None:
    for seed in range(8):
        record = made_record(layout, Random(seed), most=6)
        without_loss(layout.parts, record)
        with_options_told(layout, record)
        message = encode_values(layout, to_encode(layout.parts, record))
        assert read_record(layout, message) == record
        assert message == encode_record(layout, record)


def test_the_published_station_position_is_written() -> None:
    # RTCM 10403.x, from memory; its reserved bit is zero.
    assert frame_message(encode_values(LAYOUTS[1005], POSITION)) == STATION_POSITION


def test_the_published_text_is_written() -> None:
    values = {"station": 23, "mjd": 132, "utc_s": 59100, "characters": 21}
    text = {"text": "UTF-8 проверка wörter"}
    assert frame_message(encode_values(LAYOUTS[1029], values | text)) == TEXT


def test_a_frame_holds_up_to_1023_bytes() -> None:
    frame = frame_message(b"\xd3" * 1023)
    (found,) = FrameScanner().feed(frame).frames()
    assert (len(frame), found.message) == (1029, b"\xd3" * 1023)
    with pytest.raises(EncodeError, match="1024 bytes is longer than 1023"):
        frame_message(bytes(1024))


@pytest.mark.parametrize("name", [name for name in POSITION if name != "station"])
def test_a_missing_value_is_refused_by_name(name: str) -> None:
    values = {key: value for key, value in POSITION.items() if key != name}
    with pytest.raises(EncodeError, match=f"{name} is missing"):
        encode_values(LAYOUTS[1005], values)


@pytest.mark.parametrize(
    ("number", "name"), [(1029, "text"), (1013, "announcements"), (1074, "cell_mask")]
)
def test_a_missing_text_group_or_mask_is_refused_by_name(number: int, name: str) -> None:
    layout = LAYOUTS[number]
    record = made_record(layout, Random(1), most=2)
    values = to_encode(layout.parts, record)
    del values[name], record[name]
    with pytest.raises(EncodeError, match=name):
        encode_values(layout, values)
    with pytest.raises(EncodeError, match=name):
        encode_record(layout, record)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("x_m", 13743895.3472),
        ("x_m", -13743895.3473),
        ("station", 4096),
        ("station", -1),
        ("gps", 2),
        ("x_m", None),
        ("x_m", math.nan),
        ("x_m", math.inf),
    ],
)
def test_a_value_that_does_not_fit_is_refused_by_name(name: str, value: float | None) -> None:
    with pytest.raises(EncodeError, match=name):
        encode_values(LAYOUTS[1005], POSITION | {name: value})


def test_an_angle_that_is_no_number_is_refused_by_name() -> None:
    field = Field("", "angle_rad", 16, Kind.SIGNED, Fraction(1, 32768), semicircles=True)
    with pytest.raises(EncodeError, match="angle_rad"):
        raw_of(field, math.nan)


@pytest.mark.parametrize("raw", [4096, -1, 1.0, None, "1", np.float64(1)])
def test_a_raw_number_that_does_not_fit_is_refused(raw: object) -> None:
    record = read_record(LAYOUTS[1005], STATION_POSITION[3:-3]) | {"station": raw}
    with pytest.raises(EncodeError, match=r"station: .* does not fit 0 to 4095"):
        encode_record(LAYOUTS[1005], record)


def test_counters_that_disagree_are_refused() -> None:
    text = read_record(LAYOUTS[1029], TEXT[3:-3]) | {"text_bytes": 29}
    with pytest.raises(EncodeError, match="text: 30 bytes, its counter says 29"):
        encode_record(LAYOUTS[1029], text)
    system = made_record(LAYOUTS[1013], Random(1), most=3) | {"announcement_count": 31}
    with pytest.raises(EncodeError, match=r"announcements: .* its counter says 31"):
        encode_record(LAYOUTS[1013], system)


def test_more_than_64_cells_are_refused() -> None:
    record = made_record(LAYOUTS[1074], Random(1))
    record |= {"satellite_mask": (1 << 33) - 1, "signal_mask": 3, "cell_mask": 0}
    with pytest.raises(EncodeError, match="more than 64 cells"):
        encode_record(LAYOUTS[1074], record)


def test_not_available_is_written_as_its_mark() -> None:
    cnr = Field("", "cnr", 6, invalid=0)
    assert raw_of(cnr, None) == 0
    with pytest.raises(EncodeError, match="has no way to say 'not available'"):
        raw_of(Field("", "lock", 4), None)


def test_options_set_their_bit() -> None:
    values = {"station": 1, "aligned": True, "bias_1c_m": -0.52, "bias_2p_m": 1.0}
    record = record_of(LAYOUTS[1230], values)
    assert record["bias_mask"] == 0b1001
    shown = values_of(
        LAYOUTS[1230], read_record(LAYOUTS[1230], encode_record(LAYOUTS[1230], record))
    )
    assert shown["bias_1c_m"] == -0.52
    assert shown["bias_1p_m"] is None
    assert shown["bias_2p_m"] == 1.0


@given(st.floats(-327.0, 327.0))
def test_the_nearest_step_is_taken(value: float) -> None:
    field = Field("", "value", 16, Kind.SIGNED, Fraction(1, 100))
    assert abs(Fraction(value) - Fraction(raw_of(field, value), 100)) <= Fraction(1, 200)


@pytest.mark.parametrize("value", [-15.0, -16.0, 15.0, 16.0])
def test_a_sign_and_magnitude_field_has_no_16_in_five_bits(value: float) -> None:
    field = Field("", "value", 5, Kind.SIGN_MAGNITUDE)
    if abs(value) == 15:
        assert value_of(field, raw_of(field, value)) == value
    else:
        with pytest.raises(EncodeError, match="does not fit into 5 bits"):
            raw_of(field, value)
