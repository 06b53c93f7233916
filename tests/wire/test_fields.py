"""What holds for every data field of every layout."""

import pytest

from rtcmtool.wire import fields
from rtcmtool.wire.catalogue import LAYOUTS, SUBTYPES
from rtcmtool.wire.layout import Group, Layout, Mask, Role
from rtcmtool.wire.lock_times import LEGACY_LOCK_MS, MSM_EXTENDED_LOCK_MS
from rtcmtool.wire.records import value_of
from tests.wire.messages.parts import fields_of

ALL = (*LAYOUTS.values(), *SUBTYPES.values())
IDS = [
    f"{layout.number}-{layout.subtype}" if layout.subtype else str(layout.number) for layout in ALL
]


@pytest.mark.parametrize("layout", ALL, ids=IDS)
def test_what_a_field_says_of_its_raw_values_fits_its_width(layout):
    for field in fields_of(layout.parts):
        assert field.source, field.name
        assert field.scale > 0, field.name
        if field.invalid is not None:
            assert field.lowest <= field.invalid <= field.highest, field.name
        for raw in field.meanings or ():
            assert field.lowest <= raw <= field.highest, field.name


@pytest.mark.parametrize("layout", ALL, ids=IDS)
def test_a_conversion_has_an_answer_for_every_raw_value(layout):
    for field in fields_of(layout.parts):
        if field.convert is not None:
            assert field.bits <= 12, field.name
            answers = [field.convert(raw) for raw in range(field.highest + 1)]
            assert all(isinstance(answer, str | int) for answer in answers), field.name


@pytest.mark.parametrize("layout", ALL, ids=IDS)
def test_units_are_in_the_names(layout):
    # Observations are exempt: their fields are parts of a value, not values.
    if layout.family in {"msm", "legacy_observations"}:
        return
    suffixes = {"m": "_m", "s": "_s", "ms": "_ms", "rad": "_rad", "deg": "_deg", "m/s": "_m_s"} | {
        "m/s2": "_m_s2", "rad/s": "_rad_s", "s/s": "_s_s", "s/s2": "_s_s2", "ppm": "_ppm",
        "arcsec": "_arcsec", "TECU": "_tecu", "sqrt(m)": "_sqrt_m",
    }  # fmt: skip
    for field in fields_of(layout.parts):
        if field.unit in suffixes and field.name != "leap_seconds":
            assert field.name.endswith(suffixes[field.unit]), field.name


@pytest.mark.parametrize("layout", ALL, ids=IDS)
def test_the_same_name_never_means_two_roles_in_a_message(layout):
    roles: dict[str, set[Role]] = {}
    for field in fields_of(layout.parts):
        roles.setdefault(field.name, set()).add(field.role)
    assert all(len(kinds) == 1 for kinds in roles.values())


def test_reserved_bits_are_named_so():
    for layout in ALL:
        for field in fields_of(layout.parts):
            assert field.name.startswith("reserved") == (field.role is Role.RESERVED)


def test_each_group_is_repeated_by_a_counter_that_is_not_shown():
    shown = {"satellite_count", "degree", "order"}
    for layout in ALL:
        for part in layout.parts:
            if isinstance(part, Group):
                for need in part.times.needs:
                    assert isinstance(need, Mask) or need.role is Role.COUNT or need.name in shown


def test_satellites_40_to_58_of_the_shared_fields_are_sbas():
    # RINEX 3.05: S = PRN - 100; the fields send PRN - 80.
    for field in (fields.GPS_SATELLITE, fields.GLONASS_SLOT):
        assert [value_of(field, raw) for raw in (40, 47, 58)] == ["S20", "S27", "S38"]
    assert value_of(fields.GPS_SATELLITE, 32) == "G32"
    assert value_of(fields.GLONASS_SLOT, 39) == "R39"
    assert fields.GLONASS_SLOT.invalid == 0


def test_lock_times_are_told_in_words():
    legacy = fields.lock_meanings(LEGACY_LOCK_MS)
    assert legacy[0] == "lock just begun or none"
    assert legacy[71] == "locked for 164.0 s or more"
    assert fields.lock_meanings(MSM_EXTENDED_LOCK_MS)[705] == "reserved"


def test_a_flag_says_what_yes_and_no_mean():
    field = fields.flag("DF000", "open", "shut", "open")
    assert field.flag
    assert field.meanings == {0: "shut", 1: "open"}


def test_layouts_of_a_family_know_it():
    assert {layout.family for layout in ALL} == {
        "station",
        "legacy_observations",
        "msm",
        "ephemerides",
        "state_space",
        "igs_state_space",
        "network",
        "transformations",
        "text",
    }
    assert all(isinstance(layout, Layout) for layout in ALL)
