"""Sizes from memory of RTCM 10403.x."""

import pytest

from rtcmtool.wire.catalogue import LAYOUTS
from rtcmtool.wire.layout import Field
from tests.wire.messages.parts import bits_of


@pytest.mark.parametrize(
    ("number", "bits"),
    [(1021, 412), (1022, 517), (1023, 578), (1024, 590), (1025, 196), (1026, 234), (1027, 258)],
)
def test_the_size_is_that_of_the_standard(number, bits):
    assert bits_of(LAYOUTS[number]) == bits


@pytest.mark.parametrize(("number", "bits"), [(1021, 412), (1022, 517)])
def test_names_add_eight_bits_a_character(number, bits):
    names = {"source_name_bytes": 31, "target_name_bytes": 12}
    assert bits_of(LAYOUTS[number], **names) == bits + 8 * (31 + 12)


def test_wgs_84_fits_the_ellipsoid_fields():
    # Semi-axes of WGS 84, from memory of NIMA TR8350.2: 6378137 and 6356752.3142 m.
    fields = {part.name: part for part in LAYOUTS[1021].parts if isinstance(part, Field)}
    for name, metres in (("source_a_m", 6378137.0), ("source_b_m", 6356752.314)):
        field = fields[name]
        raw = round((metres - field.offset) / field.scale)
        assert 0 <= raw <= field.highest
        assert float(raw * field.scale + field.offset) == pytest.approx(metres, abs=1e-9)


@pytest.mark.parametrize("number", [1025, 1026, 1027])
def test_origins_reach_around_the_earth(number):
    for field in LAYOUTS[number].head:
        if field.name.endswith("_deg") and field.name != "skew_difference_deg":
            reach = 90 if "latitude" in field.name or "parallel" in field.name else 180
            assert field.highest * field.scale > reach
