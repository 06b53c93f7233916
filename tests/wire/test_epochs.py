"""Weeks and days of epochs: checks from published calendars, and all at once as one by one.

Check table: weeks and leap seconds by IS-GPS-200 and the IANA list, from memory; leap 18 s.
"""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rtcmtool.gnss.time import (
    MS_PER_DAY,
    MS_PER_WEEK,
    gps_ms_from_date,
    gps_ms_from_mjd,
    gps_ms_from_week,
    iso,
)
from rtcmtool.wire.catalogue import LAYOUTS
from rtcmtool.wire.epochs import (
    Origin,
    Scale,
    Timeline,
    TimeReference,
    scale_of,
    time_of_day_message,
    time_of_ephemeris,
)

NS = 10**9
SCALES = list(Scale)
GPS, BDT, GLONASS = SCALES


@pytest.mark.parametrize(
    ("number", "system", "subtype", "scale"),
    [
        (1077, "G", None, GPS),
        (1097, "E", None, GPS),
        (1107, "S", None, GPS),
        (1117, "J", None, GPS),
        (1137, "I", None, GPS),
        (1127, "C", None, BDT),
        (1087, "R", None, GLONASS),
        (1012, "R", None, GLONASS),
        (1066, "R", None, GLONASS),
        (4076, "R", 41, GPS),
        (4076, "C", 101, GPS),
    ],
)
def test_every_system_has_its_time_scale(
    number: int, system: str, subtype: int | None, scale: Scale
) -> None:
    assert scale_of(number, system, subtype) is scale


@pytest.mark.parametrize(
    ("utc", "tow_ms", "week"),
    [
        ((2026, 3, 7, 23, 59, 50), 7_000, 2409),
        ((2026, 3, 7, 23, 59, 45), 604_799_500, 2408),
        ((2026, 3, 8, 0, 0, 2), 604_799_000, 2408),
        ((2026, 3, 4, 11, 59, 41), 0, 2408),  # 302 399 s apart
        ((2026, 3, 4, 11, 59, 42), 0, 2409),  # the tie
        ((2026, 3, 4, 12, 0, 0), 0, 2409),
        ((2026, 3, 4, 5, 6, 7), 277_585_000, 2408),
    ],
)
def test_the_arrival_time_gives_the_week(
    utc: tuple[int, int, int, int, int, int], tow_ms: int, week: int
) -> None:
    reference = TimeReference()
    # A calendar label of GPS time read as UTC is UTC; 315964800 s from 1970 to 1980-01-06.
    reference.arrive((gps_ms_from_date(*utc) // 1000 + 315_964_800) * NS)
    assert reference.origin is Origin.ARRIVAL
    assert reference.place(GPS, tow_ms) == gps_ms_from_week(week, tow_ms)


def test_nothing_is_placed_while_nothing_is_known() -> None:
    reference = TimeReference()
    assert reference.place(GPS, 5) == -1
    three = np.zeros(3, np.int64)
    assert reference.place_all(three, three, three).tolist() == [-1, -1, -1]


def test_the_first_knowledge_wins() -> None:
    reference = TimeReference()
    reference.learn(1_000_000, Origin.EPHEMERIS)
    reference.learn(2_000_000, Origin.MESSAGE)
    assert (reference.gps_ms, reference.origin) == (1_000_000, Origin.EPHEMERIS)


def test_a_date_stands_against_arrival_and_arrival_does_not_against_the_next() -> None:
    dated = TimeReference(5_000, Origin.DATE)
    dated.arrive(1_772_600_767 * NS)
    assert (dated.gps_ms, dated.origin) == (5_000, Origin.DATE)
    live = TimeReference()
    live.arrive(1_772_600_767 * NS)
    live.arrive(1_772_600_768 * NS)
    assert iso(live.gps_ms or 0) == "2026-03-04T05:06:26.000"


def test_the_reference_moves_forward_and_never_back() -> None:
    start = gps_ms_from_week(2408, 604_000_000)
    reference = TimeReference(start, Origin.DATE)
    assert reference.place(GPS, 1_000) == gps_ms_from_week(2409, 1_000)
    moved = reference.gps_ms
    assert moved == gps_ms_from_week(2409, 1_000)
    half_a_day_old = 604_800_000 - 43_200_000
    assert reference.place(GPS, half_a_day_old) == gps_ms_from_week(2408, half_a_day_old)
    assert reference.gps_ms == moved


def test_a_beidou_week_begins_at_second_14() -> None:
    reference = TimeReference(gps_ms_from_week(2409, 13_999), Origin.DATE)
    assert reference.place(BDT, 604_799_999) == gps_ms_from_week(2409, 13_999)
    assert reference.place(BDT, 0) == gps_ms_from_week(2409, 14_000)


def test_a_glonass_day_begins_at_21_utc() -> None:
    before = gps_ms_from_date(2026, 3, 4, 21, 0, 17.999)
    reference = TimeReference(before, Origin.DATE)
    assert reference.place(GLONASS, 86_399_999) == before
    assert reference.place(GLONASS, 0) == before + 1


@pytest.mark.parametrize(
    ("gps_s_of_day", "glonass_s"), [(0, 10_782), (18, 10_800), (75_618, 0), (86_399, 10_781)]
)
def test_glonass_seconds_have_their_check_values(gps_s_of_day: int, glonass_s: int) -> None:
    day = gps_ms_from_date(2024, 5, 1)
    reference = TimeReference(day + 1000 * gps_s_of_day + 5_000_000, Origin.DATE)
    assert reference.place(GLONASS, 1000 * glonass_s) == day + 1000 * gps_s_of_day


def test_a_glonass_day_of_the_week_fixes_the_day() -> None:
    wednesday = gps_ms_from_date(2026, 3, 4, 12)
    noon = 10_800_000 + 43_200_000 - 18_000  # GLONASS ms of the day at GPS noon
    for day, date in ((0, 1), (1, 2), (3, 4), (6, 7)):
        reference = TimeReference(wednesday, Origin.DATE)
        assert reference.place(GLONASS, noon, day) == gps_ms_from_date(2026, 3, date, 12)
    assert TimeReference(wednesday, Origin.DATE).place(GLONASS, noon, 7) == wednesday


def test_the_recorded_instant_agrees_in_both_scales() -> None:
    # First frames of a recording: GLONASS day 5 and 82826.000 s, Galileo 504044.000 s; leap 18.
    reference = TimeReference(gps_ms_from_date(2021, 3, 19), Origin.DATE)
    assert reference.place(GLONASS, 82_826_000, 5) == reference.place(GPS, 504_044_000)


def test_leap_seconds_of_the_stream_stand_against_the_table() -> None:
    noon = gps_ms_from_date(2026, 3, 4, 12)
    table, stream = TimeReference(noon), TimeReference(noon, leap_seconds=19)
    assert stream.place(GLONASS, 50_000_000) - table.place(GLONASS, 50_000_000) == 1000


@st.composite
def epochs_near(draw: st.DrawFn) -> tuple[int, list[tuple[int, int, int]]]:
    start = draw(
        st.one_of(
            st.integers(1100, 2500).map(lambda week: week * MS_PER_WEEK),
            st.sampled_from([gps_ms_from_date(2017, 1, 1), gps_ms_from_date(2015, 7, 1)]),
        )
    )
    start += draw(st.integers(-100_000_000, 100_000_000))
    rows = draw(
        st.lists(
            st.tuples(
                st.integers(0, 2),
                st.one_of(
                    st.integers(0, 86_400_999),
                    st.integers(-20_000_000, 60_000_000).map(
                        lambda step: (start + step) % MS_PER_WEEK
                    ),
                ),
                st.sampled_from([7, 7, 0, 3, 6]),
            ),
            min_size=1,
            max_size=12,
        )
    )
    return start, [(s, e % MS_PER_DAY if s == 2 else e, d if s == 2 else 7) for s, e, d in rows]


@given(epochs_near())
def test_all_at_once_is_one_by_one(drawn: tuple[int, list[tuple[int, int, int]]]) -> None:
    start, rows = drawn
    one, together = TimeReference(start), TimeReference(start)
    expected = [one.place(SCALES[scale], epoch, day) for scale, epoch, day in rows]
    scales, epochs, days = np.array(rows, np.int64).T
    assert together.place_all(scales, epochs, days).tolist() == expected
    assert together.gps_ms == one.gps_ms


@given(st.integers(1100, 2500), st.lists(st.integers(0, 9_000_000), min_size=1, max_size=9))
def test_epochs_near_the_reference_are_placed_at_once_and_right(
    week: int, steps: list[int]
) -> None:
    start = gps_ms_from_week(week, 300_000_000)
    true = start + np.array(steps, np.int64)
    for scale, label in ((0, true % MS_PER_WEEK), (1, (true - 14_000) % MS_PER_WEEK)):
        reference = TimeReference(start)
        scales, days = np.full(len(true), scale), np.full(len(true), 7)
        assert reference.place_all(scales, label, days).tolist() == true.tolist()
        assert reference.gps_ms == true.max()


# ---- the timeline while the week is unknown ----------------------------------------------------


def on_timeline(rows: list[tuple[int, int, int, int]], slices: list[int]) -> list[int]:
    """Place rows of scale, epoch, day and known time, in slices that end at some indices."""
    timeline, placed = Timeline(), []
    edges = [0, *slices, len(rows)]
    for begin, end in pairwise(edges):
        columns = np.array(rows[begin:end], np.int64).reshape(-1, 4).T
        placed += timeline.place_all(*columns).tolist()
    return placed


@pytest.mark.parametrize("slices", [[], [1], [2], [1, 2, 3, 4]])
@pytest.mark.parametrize("day", range(7))
def test_undated_glonass_epochs_before_all_others_stand_beside_them(
    day: int, slices: list[int]
) -> None:
    # Any day of week 2409; GLONASS 1012, then GPS, BeiDou, a dated GLONASS, 1012 once more.
    second = gps_ms_from_week(2409, day * MS_PER_DAY + 3_600_000)
    of_day = (second + 10_800_000 - 18_000) % MS_PER_DAY
    day_of_week = (day + (3_600_000 + 10_800_000 - 18_000) // MS_PER_DAY) % 7
    tow = second % MS_PER_WEEK
    rows = [
        (2, of_day, 7, -1),
        (2, of_day + 1000, 7, -1),
        (0, tow + 1000, 7, -1),
        (1, (tow - 14_000 + 1000) % MS_PER_WEEK, 7, -1),
        (2, of_day + 1000, day_of_week, -1),
        (2, of_day + 2000, 7, -1),
        (0, tow + 2000, 7, second + 2000),
    ]
    placed = on_timeline(rows, slices)
    assert [value - placed[0] for value in placed] == [0, *[1000] * 4, *[2000] * 2]


def test_the_timeline_keeps_to_the_time_of_its_first_epoch() -> None:
    known = gps_ms_from_week(2409, 5_000)
    rows = [(0, 5_000, 7, known), (0, 6_000, 7, known + 1000), (0, 4_000, 7, -1)]
    assert on_timeline(rows, [1]) == [known, known + 1000, known - 1000]


def test_the_timeline_does_not_jump_when_the_week_becomes_known() -> None:
    rows = [(0, 604_799_000, 7, -1), (0, 0, 7, gps_ms_from_week(2409, 0))]
    first, second = on_timeline(rows, [])
    assert second - first == 1000
    assert on_timeline([], []) == []


# ---- messages that tell the time ---------------------------------------------------------------


def test_a_date_in_a_message_is_utc() -> None:
    record = {"mjd": 61_103, "utc_s": 18_367}  # 2026-03-04: MJD 51544 is 2000-01-01
    assert time_of_day_message(record, None) == gps_ms_from_date(2026, 3, 4, 5, 6, 25)
    assert time_of_day_message(record, 19) == gps_ms_from_date(2026, 3, 4, 5, 6, 26)
    assert time_of_day_message(record, None) == gps_ms_from_mjd(61_103, 18_367)


@pytest.mark.parametrize(
    ("number", "sent_week", "week"),
    [
        # 2024-01-01: GPS week 2295, ten bits 247, Galileo 1271, BeiDou 939.
        (1019, 247, 2295),
        (1044, 247, 2295),
        (1041, 247, 2295),
        (1045, 1271, 2295),
        (1046, 1271, 2295),
        (1042, 939, 2295),
        (1019, 0, 2048),  # 2019-04-07
        (1019, 1023, 3071),
        (1046, 4095, 5119),
        (1042, 8191, 9547),
    ],
)
def test_the_week_of_an_ephemeris_is_restored(number: int, sent_week: int, week: int) -> None:
    assert time_of_ephemeris(LAYOUTS[number], sent_week, 7200.0) == gps_ms_from_week(
        week, 7_200_000
    )


def test_an_ephemeris_without_a_week_tells_nothing() -> None:
    assert time_of_ephemeris(LAYOUTS[1020], 0, 0.0) is None
