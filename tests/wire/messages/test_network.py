"""Sizes from memory of RTCM 10403.x."""

from fractions import Fraction

import pytest

from rtcmtool.wire.catalogue import LAYOUTS
from rtcmtool.wire.layout import Kind
from tests.wire.messages.parts import bits_of, fields_of

HEADS_AND_ROWS = {
    1015: (76, 28),
    1016: (76, 36),
    1017: (76, 53),
    1030: (56, 49),
    1031: (53, 49),
    1034: (49, 66),
    1035: (46, 66),
    1037: (73, 28),
    1038: (73, 36),
    1039: (73, 53),
}


def test_the_auxiliary_station_has_a_fixed_size():
    assert bits_of(LAYOUTS[1014]) == 117


@pytest.mark.parametrize("number", HEADS_AND_ROWS)
def test_each_satellite_adds_a_row(number):
    head, row = HEADS_AND_ROWS[number]
    assert bits_of(LAYOUTS[number]) == head
    assert bits_of(LAYOUTS[number], satellite_count=7) == head + 7 * row


@pytest.mark.parametrize("number", [1014, *HEADS_AND_ROWS])
def test_the_most_negative_value_of_signed_fields_is_not_available(number):
    signed = [part for part in fields_of(LAYOUTS[number].parts) if part.kind is Kind.SIGNED]
    assert all(part.invalid == part.lowest for part in signed)
    assert signed or number in {1030, 1031}


@pytest.mark.parametrize(("number", "scale_s"), [(1017, Fraction(1, 10)), (1034, 1)])
def test_epochs_are_in_seconds(number, scale_s):
    epoch = next(field for field in LAYOUTS[number].head if field.name == "epoch_s")
    assert epoch.scale == scale_s


def test_the_combined_message_sends_the_geometric_part_first():
    names = [field.name for field in LAYOUTS[1017].group("satellites").fields]
    assert names[3:] == ["geometric_m", "iode", "ionospheric_m"]
