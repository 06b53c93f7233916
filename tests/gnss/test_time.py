"""Checks of the time scales against published calendars, the IANA list and a recorded stream."""

import calendar
from datetime import date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rtcmtool.gnss import time as gnss_time
from rtcmtool.gnss.time import (
    MS_PER_DAY,
    MS_PER_WEEK,
    glonass_day_and_ms,
    gps_ms_from_date,
    gps_ms_from_mjd,
    gps_ms_from_utc_ns,
    gps_ms_from_week,
    iso,
    iso_utc,
    leap_seconds_at_gps,
    leap_seconds_at_utc,
    nearest,
    resolve_bdt_week,
    resolve_glonass_day,
    resolve_gps_week,
    resolve_week_number,
    utc_ns_from_gps_ms,
    week_and_seconds,
)

YEARS_1981_TO_2035_MS = st.integers(gps_ms_from_date(1981, 1, 1), gps_ms_from_date(2035, 1, 1))


TAI_MINUS_GPS_S = 19


def gps_ms_from_bdt(week, ms_of_week):
    """Give GPS time of a full BeiDou week number and the milliseconds of that week."""
    return (
        gps_ms_from_week(week + gnss_time.BDT_WEEK_OFFSET, ms_of_week) + gnss_time.BDT_BEHIND_GPS_MS
    )


def utc_ns(*label):
    """Give the nanoseconds of a UTC calendar label, through the standard library."""
    return calendar.timegm((*label, 0, 0, 0)[:6]) * 10**9


def reference(*label):
    return gps_ms_from_utc_ns(utc_ns(*label))


@pytest.mark.parametrize(
    ("label", "week", "second", "bdt", "galileo_week"),
    [
        ((2017, 1, 1), 1930, 18.0, (574, 4_000), 906),
        ((2019, 4, 7), 2048, 18.0, None, None),
        ((2024, 1, 1), 2295, 86_418.0, (939, 86_404_000), 1271),
        ((2026, 1, 1), 2399, 345_618.0, None, None),
    ],
)
def test_utc_midnights_have_the_known_weeks_of_all_scales(label, week, second, bdt, galileo_week):
    # trade-facts 5.4, computed there from the published epochs of the scales
    gps_ms = reference(*label)
    assert week_and_seconds(gps_ms) == (week, second)
    if bdt is not None:
        assert gps_ms_from_bdt(*bdt) == resolve_bdt_week(bdt[1], gps_ms) == gps_ms
        assert week - gnss_time.GALILEO_WEEK_OFFSET == galileo_week


@pytest.mark.parametrize(
    ("label", "week", "second", "bdt", "glonass_s"),
    [
        ((2021, 3, 19, 12), 2149, 475_200.0, (793, 475_186_000), 53_982),
        ((2021, 9, 22, 6, 30), 2176, 282_600.0, (820, 282_586_000), 34_182),
    ],
)
def test_calendar_labels_of_gps_time_give_every_scale(label, week, second, bdt, glonass_s):
    gps_ms = gps_ms_from_date(*label)
    assert week_and_seconds(gps_ms) == (week, second)
    assert gps_ms_from_bdt(*bdt) == resolve_bdt_week(bdt[1], gps_ms) == gps_ms
    assert glonass_day_and_ms(gps_ms)[1] == glonass_s * 1000
    galileo_week = {2149: 1125, 2176: 1152}[week]
    assert week - gnss_time.GALILEO_WEEK_OFFSET == galileo_week


def test_the_scales_start_where_their_documents_say():
    assert gps_ms_from_utc_ns(utc_ns(1980, 1, 6)) == 0
    assert gps_ms_from_mjd(44_244, 0) == 0
    # BDT week 0 starts 2006-01-01 00:00:00 UTC, 14 s after that GPS label (BDS-SIS-ICD)
    assert gps_ms_from_bdt(0, 0) == reference(2006, 1, 1)
    # Galileo time starts 1999-08-22 00:00:00 GPS time, that is week 1024 (Galileo OS SIS ICD)
    assert week_and_seconds(gps_ms_from_date(1999, 8, 22)) == (1024, 0.0)


@pytest.mark.parametrize(
    ("gps_second", "glonass_second"), [(0, 10_782), (18, 10_800), (75_618, 0), (86_399, 10_781)]
)
def test_seconds_of_day_become_glonass_seconds(gps_second, glonass_second):
    gps_ms = gps_ms_from_date(2026, 3, 4) + gps_second * 1000
    assert glonass_day_and_ms(gps_ms)[1] == glonass_second * 1000


@pytest.mark.parametrize(
    ("label", "tow_s", "week", "age_s"),
    [
        ((2026, 3, 7, 23, 59, 50), 7.0, 2409, 1.0),
        ((2026, 3, 7, 23, 59, 45), 604_799.5, 2408, 3.5),
        ((2026, 3, 8, 0, 0, 2), 604_799.0, 2408, 21.0),
        ((2026, 3, 4, 11, 59, 41), 0.0, 2408, 302_399.0),
        ((2026, 3, 4, 12, 0, 0), 0.0, 2409, None),
        ((2026, 3, 4, 5, 6, 7), 277_585.0, 2408, 0.0),
    ],
)
def test_the_week_nearest_to_the_arrival_is_taken(label, tow_s, week, age_s):
    arrival = reference(*label)
    resolved = resolve_gps_week(round(tow_s * 1000), arrival)
    assert week_and_seconds(resolved) == (week, tow_s)
    if age_s is not None:
        assert (arrival - resolved) / 1000 == age_s


def test_exactly_half_a_week_away_the_later_week_is_taken():
    tie = gps_ms_from_week(2408, 302_400_000)
    assert resolve_gps_week(0, tie) == gps_ms_from_week(2409, 0)
    assert resolve_gps_week(0, tie - 1) == gps_ms_from_week(2408, 0)


def test_the_recorded_epochs_of_three_systems_are_one_instant():
    # First frames of the recorded MSM5 stream: 1085 field 753914640, 1095 field 504044000.
    day_of_week, ms_of_day = 753_914_640 >> 27, 753_914_640 & (1 << 27) - 1
    assert (day_of_week, ms_of_day) == (5, 82_826_000)
    near = gps_ms_from_week(2300, 500_000_000)
    glonass = resolve_glonass_day(ms_of_day, near, day_of_week)
    assert glonass == resolve_gps_week(504_044_000, near)
    assert glonass_day_and_ms(glonass) == (5, 82_826_000)


def test_the_beidou_week_turns_fourteen_seconds_after_the_gps_week():
    start = gps_ms_from_week(2408, 0)
    assert resolve_bdt_week(604_799_000, start + 13_000) == start + 13_000
    assert resolve_bdt_week(0, start + 14_000) == start + 14_000


def test_the_glonass_day_turns_at_21_hours_utc():
    before, after = reference(2026, 3, 4, 20, 59, 59), reference(2026, 3, 4, 21, 0, 0)
    assert resolve_glonass_day(86_399_000, after) == before
    assert resolve_glonass_day(0, before) == after
    assert resolve_glonass_day(0, before, 4) == after  # 2026-03-05 is a Thursday
    assert resolve_glonass_day(0, before, 7) == after  # 7: the day is not known


def test_a_known_day_of_the_week_forgives_a_clock_that_is_days_off():
    truth = reference(2026, 3, 4, 12, 0, 0)
    day, ms_of_day = glonass_day_and_ms(truth)
    assert resolve_glonass_day(ms_of_day, truth + 3 * MS_PER_DAY, day) == truth
    assert resolve_glonass_day(ms_of_day, truth + 3 * MS_PER_DAY) == truth + 3 * MS_PER_DAY


def test_the_end_of_a_day_with_a_leap_second_is_read_as_the_next_day():
    assert resolve_glonass_day(86_400_999, reference(2026, 3, 4, 21)) == (
        reference(2026, 3, 4, 21) + 999
    )
    saturday = resolve_glonass_day(86_400_999, reference(2026, 3, 7, 21), 6)
    assert saturday == reference(2026, 3, 7, 21) + 999


def test_the_label_that_a_leap_second_doubles_follows_the_reference():
    # 2016-12-31 23:59:60 UTC and 2017-01-01 00:00:00 UTC are both 03:00:00 GLONASS time.
    inserted = gps_ms_from_date(2017, 1, 1, 0, 0, 17)
    assert resolve_glonass_day(10_800_000, inserted) == inserted
    assert resolve_glonass_day(10_800_000, inserted + 1000) == inserted + 1000


def test_leap_seconds_of_the_stream_beat_the_table():
    near = gps_ms_from_date(2030, 1, 1)
    assert resolve_glonass_day(0, near, leap_seconds=19) == (
        resolve_glonass_day(0, near, leap_seconds=18) + 1000
    )
    assert gps_ms_from_utc_ns(utc_ns(2030, 1, 1), leap_seconds=19) == near + 19_000


def test_the_leap_second_table_matches_the_published_list():
    # IANA leap-second list: TAI minus UTC was 20 s from 1981-07-01 and 37 s from 2017-01-01.
    assert leap_seconds_at_utc(utc_ns(1981, 6, 30, 23, 59, 59)) == 0
    assert leap_seconds_at_utc(utc_ns(1981, 7, 1)) + TAI_MINUS_GPS_S == 20
    assert leap_seconds_at_utc(utc_ns(2017, 1, 1)) + TAI_MINUS_GPS_S == 37
    assert leap_seconds_at_utc(utc_ns(2016, 12, 31, 23, 59, 59)) == 17
    assert [value for _, value in gnss_time.LEAP_SECONDS] == list(range(1, 19))


def test_the_leap_second_itself_keeps_the_old_value():
    start = gps_ms_from_date(2017, 1, 1, 0, 0, 17)  # 23:59:60 UTC
    assert leap_seconds_at_gps(start) == 17
    assert leap_seconds_at_gps(start + 999) == 17
    assert leap_seconds_at_gps(start + 1000) == 18
    assert gps_ms_from_mjd(57_753, 86_400) == start  # 2016-12-31, second 86400


def test_the_table_says_until_when_it_holds():
    # IANA time-zone data of July 2026, file `leapseconds`: "File expires on 28 June 2027".
    assert gnss_time.is_leap_table_valid(utc_ns(2027, 6, 28, 23, 59, 59))
    assert not gnss_time.is_leap_table_valid(utc_ns(2027, 6, 29))
    assert gnss_time.is_leap_table_valid(utc_ns(2027, 6, 29), until=date(2027, 12, 28))


def test_a_modified_julian_day_gives_the_calendar_day():
    # MJD 51544 is 2000-01-01 (its noon is the epoch J2000 at MJD 51544.5)
    assert gps_ms_from_mjd(51_544, 43_200) == reference(2000, 1, 1, 12)
    assert gps_ms_from_mjd(51_544, 0, leap_seconds=0) == gps_ms_from_date(2000, 1, 1)


def test_week_numbers_are_restored_with_and_without_a_reference():
    # 2019-04-07: GPS week 2048 goes out as 0; 2024-01-01: 2295 as 247 (trade-facts 5.4)
    assert resolve_week_number(0, 1024, None, 2048) == 2048
    assert resolve_week_number(1023, 1024, None, 2048) == 3071
    assert resolve_week_number(247, 1024, gps_ms_from_week(2295, 0), 2048) == 2295
    assert resolve_week_number(1023, 1024, gps_ms_from_week(2048, 0), 2048) == 2047
    assert resolve_week_number(247, 1024, gps_ms_from_week(1271, 0), 2048) == 1271
    assert resolve_week_number(1125 + 1024, 4096, None, 1024) == 2149
    assert resolve_week_number(793 + 1356, 8192, gps_ms_from_week(2149, 0), 1356) == 2149


@given(YEARS_1981_TO_2035_MS)
def test_gps_time_survives_the_way_through_utc(gps_ms):
    inserted_second = leap_seconds_at_gps(gps_ms) != leap_seconds_at_gps(gps_ms + 1000)
    if not inserted_second:
        assert gps_ms_from_utc_ns(utc_ns_from_gps_ms(gps_ms)) == gps_ms


@given(st.integers(), st.integers(0, MS_PER_WEEK - 1), st.integers(1, MS_PER_WEEK))
def test_the_nearest_value_is_congruent_and_never_more_than_half_a_period_away(near, field, period):
    value = nearest(near, field, period)
    assert (value - field) % period == 0
    assert -period < 2 * (value - near) <= period


@given(YEARS_1981_TO_2035_MS, st.integers(-MS_PER_DAY // 2 + 2000, MS_PER_DAY // 2 - 2000))
def test_every_epoch_is_found_again_from_a_reference_within_half_a_day(gps_ms, offset):
    day, ms_of_day = glonass_day_and_ms(gps_ms)
    near = gps_ms + offset
    found = resolve_glonass_day(ms_of_day, near)
    # a label that a leap second doubles may be either of the two
    assert abs(found - gps_ms) in (0, 1000)
    assert glonass_day_and_ms(found) == (day, ms_of_day)
    assert resolve_bdt_week((gps_ms - 14_000) % MS_PER_WEEK, near) == gps_ms


@given(YEARS_1981_TO_2035_MS)
def test_labels_are_those_of_the_standard_library(gps_ms):
    label = datetime.fromisoformat(iso(gps_ms))
    assert label == datetime.combine(date(1980, 1, 6), datetime.min.time()) + timedelta(
        milliseconds=gps_ms
    )
    assert iso_utc(utc_ns_from_gps_ms(gps_ms, leap_seconds=0)) == iso(gps_ms) + "Z"
