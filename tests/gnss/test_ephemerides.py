"""Checks of the choice among records, of health bits and of the columns."""

import pytest

from rtcmtool.gnss.ephemerides import (
    GlonassColumns,
    KeplerColumns,
    galileo_health,
    group_by_satellite,
    select,
    select_all,
)
from tests.gnss.synthetic import glonass, kepler

STATIC_MS = (2149 * 604_800 + 475_200) * 1000
TOE_S = kepler("G", 5).toe_gps_s
TOE_MS = int(TOE_S) * 1000


def record(issue, sent_s, toe_s=0.0, **changes):
    """Give a GPS record by its issue and its times relative to a common instant."""
    return kepler(
        "G",
        5,
        issue_of_data=issue,
        issue_of_clock=issue,
        toe_gps_s=TOE_S + toe_s,
        transmitted_gps_s=TOE_S + sent_s,
        **changes,
    )


@pytest.mark.open_data
def test_the_record_sent_last_beats_the_one_nearest_in_time(static_navigation):
    # computations.md 2.5: G28 has toe 475200 (IODE 57) and toe 475184 (IODE 2, sent later)
    chosen = select(static_navigation.ephemerides, "G28", STATIC_MS)
    assert chosen is not None
    assert chosen.issue_of_data == 2
    assert chosen.reference_gps_s == 2149 * 604_800 + 475_184


def test_before_the_new_record_was_sent_the_old_one_holds():
    records = [record(1, sent_s=-7000), record(2, sent_s=-100, toe_s=-16)]
    assert select(records, "G05", TOE_MS) is records[1]
    assert select(records, "G05", TOE_MS - 200_000) is records[0]


def test_a_record_sent_later_is_better_than_none():
    records = [record(1, sent_s=900), record(2, sent_s=600)]
    assert select(records, "G05", TOE_MS) is records[1]


def test_of_records_sent_together_the_last_in_line_holds():
    records = [record(1, sent_s=-30), record(1, sent_s=-30)]
    assert select(records, "G05", TOE_MS) is records[1]


@pytest.mark.parametrize(("system", "fit_s"), [("G", 7200), ("J", 7200), ("E", 14400), ("C", 7200)])
def test_an_old_record_is_not_used(system, fit_s):
    old = kepler(system, 6, transmitted_gps_s=0.0)
    toe_ms = int(old.toe_gps_s) * 1000
    assert select([old], old.satellite, toe_ms + fit_s * 1000) is not None
    assert select([old], old.satellite, toe_ms + fit_s * 1000 + 1) is None


def test_glonass_records_hold_for_half_an_hour():
    old = glonass()
    tb_ms = int(old.tb_gps_s) * 1000
    assert select([old], "R05", tb_ms + 1_800_000) is not None
    assert select([old], "R05", tb_ms + 1_800_001) is None


def test_a_satellite_that_fell_sick_is_not_used_by_its_earlier_record():
    records = [record(1, sent_s=-600), record(2, sent_s=-60, health=63)]
    assert select(records, "G05", TOE_MS) is None
    assert select(records, "G05", TOE_MS, healthy_only=False) is records[1]
    assert select(records, "G05", TOE_MS - 120_000) is records[0]


def test_a_mixed_record_is_never_used():
    mixed = kepler("G", 5, issue_of_data=7, issue_of_clock=256 + 8)
    whole = kepler("G", 5, issue_of_data=7, issue_of_clock=256 + 7)
    assert whole.is_whole
    assert not mixed.is_whole
    assert select([mixed], "G05", TOE_MS) is None


def test_a_glonass_record_of_two_ages_is_seen_by_its_energy():
    assert glonass().is_whole
    assert not glonass(z_m=21280765.625 + 400e3).is_whole
    assert not glonass(x_m=0.0, y_m=0.0, z_m=0.0).is_whole


def test_the_source_of_a_galileo_record_can_be_asked_for():
    records = [kepler("E", 4), kepler("E", 4, source="fnav")]
    now = int(records[0].toe_gps_s) * 1000
    assert select(records, "E04", now, sources={"inav"}) is records[0]
    assert select(records, "E04", now, sources={"fnav"}) is records[1]
    assert select(records, "E04", now) is records[1]


def test_all_satellites_are_chosen_by_name():
    records = [kepler("C", 20), glonass(), record(1, 0), record(2, 0, health=1)]
    chosen = select_all(records, TOE_MS)
    assert list(chosen) == ["C20", "R05"]
    assert select_all(group_by_satellite(records), TOE_MS) == chosen


@pytest.mark.parametrize(
    ("bits", "inav", "fnav"),
    [
        ({}, True, True),
        ({"e1b": 1}, False, True),
        ({"e5b_invalid": 1}, False, True),
        ({"e5a": 2}, True, False),
        ({"e5a_invalid": 1}, True, False),
    ],
)
def test_galileo_health_counts_for_the_signals_of_the_message(bits, inav, fnav):
    health = galileo_health(**bits)
    assert kepler("E", 1, health=health).is_healthy is inav
    assert kepler("E", 1, source="fnav", health=health).is_healthy is fnav


def test_galileo_health_is_joined_as_recorded():
    # pair-navigation.rnx: a satellite out of service has 130 in I/NAV and 16 in F/NAV records
    assert galileo_health(e1b=1, e5b=1) == 130
    assert galileo_health(e5a=1) == 16


def test_a_qzss_satellite_without_the_second_l1_signal_is_healthy():
    # mixed-navigation-rinex4.rnx: health 1 on satellites in service; pair-navigation.rnx: 62 sick
    assert kepler("J", 2, health=1).is_healthy
    assert not kepler("J", 2, health=62).is_healthy


def test_columns_cannot_be_written_to():
    columns = KeplerColumns.stack([kepler(), kepler("G", 1)])
    assert columns.size == 2
    assert columns.is_geostationary.tolist() == [True, False]
    with pytest.raises(ValueError, match="read-only"):
        columns.m0_rad[0] = 1.0
    assert GlonassColumns.stack([]).size == KeplerColumns.stack([]).size == 0
