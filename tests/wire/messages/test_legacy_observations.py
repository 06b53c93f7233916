"""Sizes from memory of RTCM 10403.x; whole frames from the same, 64 + 125 N and 61 + 130 N bits."""

import pytest

from rtcmtool.wire.catalogue import LAYOUTS
from tests.wire.messages.parts import bits_of

GPS_ROWS = {1001: 58, 1002: 74, 1003: 101, 1004: 125}
GLONASS_ROWS = {1009: 64, 1010: 79, 1011: 107, 1012: 130}


@pytest.mark.parametrize(
    ("head", "number", "row"),
    [(64, *item) for item in GPS_ROWS.items()] + [(61, *item) for item in GLONASS_ROWS.items()],
)
def test_each_satellite_adds_a_row(head, number, row):
    layout = LAYOUTS[number]
    assert layout.group("satellites").bits == row
    assert [bits_of(layout, satellite_count=n) for n in (0, 1, 31)] == [
        head,
        head + row,
        head + 31 * row,
    ]


@pytest.mark.parametrize(("number", "frames"), [(1004, (139, 171, 202)), (1012, (144, 177, 209))])
def test_frames_of_8_10_and_12_satellites_have_the_published_sizes(number, frames):
    sizes = [bits_of(LAYOUTS[number], satellite_count=n) for n in (8, 10, 12)]
    assert tuple((bits + 7) // 8 + 6 for bits in sizes) == frames


def test_the_frequency_channel_stands_behind_the_code_bit():
    names = [field.name for field in LAYOUTS[1012].group("satellites").fields]
    assert names[:3] == ["satellite", "l1_code", "frequency_channel"]


def test_the_extended_fields_stand_between_l1_and_l2():
    names = [field.name for field in LAYOUTS[1004].group("satellites").fields]
    assert names == [
        "satellite",
        "l1_code",
        "l1_pseudorange",
        "l1_phase_minus_code",
        "l1_lock",
        "l1_whole_ms",
        "l1_cnr",
        "l2_code",
        "l2_minus_l1_pseudorange",
        "l2_phase_minus_code",
        "l2_lock",
        "l2_cnr",
    ]


def test_the_satellite_count_is_part_of_the_fields():
    roles = {field.name: field.role.name for field in LAYOUTS[1004].head}
    assert roles["satellite_count"] == "VALUE"
    assert {name for name, role in roles.items() if role == "HEAD"} == {
        "message_number",
        "station",
        "epoch_ms",
    }


def test_a_rounded_pseudorange_may_pass_the_light_millisecond():
    # 299792.46 m is 2 mm above one light-millisecond, yet nearest to it in steps of 0.02 m.
    field = next(f for f in LAYOUTS[1004].group("satellites").fields if f.name == "l1_pseudorange")
    assert float(14989623 * field.scale) == 299792.46
    assert field.highest >= 14989623
