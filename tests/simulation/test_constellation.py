"""The invented sky looks like the real one, and broadcast and truth agree."""

from collections import Counter
from itertools import pairwise

import numpy as np
import pytest

from rtcmtool.gnss.ephemerides import FIT_S, KeplerEphemeris, group_by_satellite
from rtcmtool.gnss.geodesy import degrees_from_ecef, distance_m, ecef_from_degrees
from rtcmtool.gnss.satellites import SatelliteTable, satellite_states
from rtcmtool.gnss.time import gps_ms_from_date
from rtcmtool.simulation.broadcast import ephemeris_message, message_number
from rtcmtool.simulation.constellation import SCHEDULES, make_constellation
from rtcmtool.wire.catalogue import LAYOUTS
from rtcmtool.wire.decoding import Message
from rtcmtool.wire.ephemeris_records import ephemeris_from_message
from rtcmtool.wire.records import read_record
from tests.simulation.skies import START_MS, elevations_deg, sky

ALL = "GRECJ"
HOURS = 4.0


@pytest.fixture(scope="module")
def day():
    return make_constellation(START_MS, HOURS * 3600.0, 3, ALL)


def states(records, gps_ms):
    ordered = sorted(records, key=lambda record: record.satellite)
    return satellite_states(SatelliteTable.stack(ordered), gps_ms)


def test_every_system_has_the_satellites_it_should_have():
    counts = Counter(name[0] for name in sky(ALL, 60.0).satellites)
    assert counts == {"G": 31, "R": 24, "E": 25, "C": 30, "J": 4}


def test_antipodal_glonass_satellites_share_a_channel_from_minus_seven_to_six():
    """GLONASS ICD 5.1: opposite satellites of a plane may use one channel."""
    channels = sky(ALL, 60.0).channels
    assert set(channels.values()) <= set(range(-7, 7))
    for slot in (*range(1, 5), *range(9, 13), *range(17, 21)):
        assert channels[f"R{slot:02d}"] == channels[f"R{slot + 4:02d}"]
    table = {one.number: one for one in sky("R", 60.0).truth(START_MS)}
    here = np.array([table[1].x_m, table[1].y_m, table[1].z_m])
    opposite = np.array([table[5].x_m, table[5].y_m, table[5].z_m])
    assert np.linalg.norm(here + opposite) < 0.03 * np.linalg.norm(here)


@pytest.mark.parametrize("latitude", [-35.0, 0.0, 52.0])
def test_a_site_sees_as_many_satellites_as_sites_do(latitude):
    """Above 10 degrees a site sees 6 to 14 of GPS and 5 to 12 of Galileo and GLONASS (practice)."""
    place = ecef_from_degrees(latitude, 20.0, 100.0)
    for gps_ms in START_MS + 600_000 * np.arange(3):
        seen = Counter(
            name[0]
            for name, elevation in elevations_deg(sky(), int(gps_ms), place).items()
            if elevation > 10.0
        )
        assert 6 <= seen["G"] <= 14
        assert 5 <= seen["R"] <= 12
        assert 5 <= seen["E"] <= 12
        assert 5 <= seen["C"] <= 18


def test_synchronous_satellites_stay_above_their_longitudes(day):
    for gps_ms in (START_MS, START_MS + 3 * 3_600_000):
        table = SatelliteTable.stack(day.truth(gps_ms))
        places = dict(
            zip(table.satellites, satellite_states(table, gps_ms).position_m, strict=True)
        )
        for name, longitude in (("C59", 140.0), ("C60", 80.0), ("C61", 110.5), ("J07", 127.0)):
            latitude_deg, longitude_deg, height_m = degrees_from_ecef(places[name])
            assert longitude_deg == pytest.approx(longitude, abs=0.7)
            assert abs(latitude_deg) < 2.0
            assert height_m == pytest.approx(35_786e3, abs=60e3)
        assert degrees_from_ecef(places["C38"])[1] == pytest.approx(118.0, abs=25.0)


def test_every_satellite_always_has_a_record_in_force_within_its_fit(day):
    for gps_ms in range(START_MS - 1_800_000, day.end_gps_ms + 1, 431_000):
        in_force = day.in_force(gps_ms)
        assert len(in_force) == len(day.satellites)
        for record in in_force.values():
            assert record.transmitted_gps_s * 1000 <= gps_ms
            assert abs(record.reference_gps_s - gps_ms / 1000) <= FIT_S[record.system]


def test_records_are_sent_a_little_after_they_are_due(day):
    for record in day.ephemerides:
        schedule = SCHEDULES[record.system]
        due_s = record.reference_gps_s - schedule.lead_s
        assert 0.0 < record.transmitted_gps_s - due_s <= schedule.longest_lag_s


def test_successive_records_have_other_issues_and_belong_together(day):
    for records in group_by_satellite(day.ephemerides).values():
        for before, after in pairwise(records):
            assert after.reference_gps_s > before.reference_gps_s
            if after.system != "C":
                assert after.issue_of_data != before.issue_of_data
        assert all(record.is_whole and record.is_healthy for record in records)


def test_records_decode_from_their_messages_to_the_last_bit(day):
    for record in day.ephemerides[::17]:
        layout = LAYOUTS[message_number(record)]
        message = Message(0, layout, read_record(layout, ephemeris_message(record)))
        sent_ms = round(record.transmitted_gps_s * 1000)
        assert repr(ephemeris_from_message(message, sent_ms)) == repr(record)


def test_truth_and_broadcast_are_one_at_the_start(day):
    here = states(day.in_force(START_MS).values(), START_MS)
    truth = states(day.truth(START_MS), START_MS)
    np.testing.assert_array_equal(here.position_m, truth.position_m)
    np.testing.assert_array_equal(here.clock_s, truth.clock_s)


@pytest.mark.parametrize("after_s", [2_000, 9_000, 14_400])
def test_truth_and_broadcast_stay_within_the_rounding_of_the_messages(day, after_s):
    """Half a step of GLONASS velocity is 0.5 mm/s, in 15 minutes 0.4 m an axis."""
    gps_ms = START_MS + after_s * 1000
    in_force = day.in_force(gps_ms)
    here, truth = states(in_force.values(), gps_ms), states(day.truth(gps_ms), gps_ms)
    off_m = distance_m(here.position_m, truth.position_m)
    clock_m = np.abs(here.clock_s - truth.clock_s) * 299_792_458.0
    glonass = np.array([name[0] == "R" for name in sorted(in_force)])
    assert off_m[~glonass].max() < 0.10
    assert off_m[glonass].max() < 1.5
    assert clock_m.max() < 0.16


def test_neighbouring_records_agree_better_than_recorded_ones_do(day):
    """Recorded: GPS 0.2 m in the median, Galileo 0.07 m, GLONASS 1 m half way between."""
    for records in group_by_satellite(day.ephemerides).values():
        first, second = records[1], records[2]
        middle_ms = round(500.0 * (first.reference_gps_s + second.reference_gps_s))
        apart = distance_m(
            states([first], middle_ms).position_m, states([second], middle_ms).position_m
        )
        assert float(apart[0]) < (1.8 if first.system == "R" else 0.15), first.satellite


def test_courses_meet_where_one_half_hour_ends(day):
    border_ms = START_MS + 18_000 + 1_800_000
    before, after = day.truth(border_ms - 1), day.truth(border_ms)
    apart = distance_m(states(before, border_ms).position_m, states(after, border_ms).position_m)
    assert apart.max() < 1e-3
    clocks = states(before, border_ms).clock_s - states(after, border_ms).clock_s
    assert np.abs(clocks).max() * 299_792_458.0 < 1e-4


def test_the_turn_of_the_week_changes_nothing():
    """Saturday 23:50 to Sunday 00:20 GPS time."""
    turn_ms = gps_ms_from_date(2026, 3, 8)
    weekend = make_constellation(turn_ms - 600_000, 1800.0, 5, "GECJ")
    for gps_ms in (turn_ms + 1000, turn_ms + 1_200_000):
        here = states(weekend.in_force(gps_ms).values(), gps_ms)
        truth = states(weekend.truth(gps_ms), gps_ms)
        assert distance_m(here.position_m, truth.position_m).max() < 0.10
    for record in weekend.ephemerides[::11]:
        layout = LAYOUTS[message_number(record)]
        message = Message(0, layout, read_record(layout, ephemeris_message(record)))
        decoded = ephemeris_from_message(message, round(record.transmitted_gps_s * 1000))
        assert repr(decoded) == repr(record)


def test_orbits_have_the_sizes_of_the_systems(day):
    """ICDs and the systems' descriptions: semi-major axes in km."""
    axes = {"G": 26_560.0, "E": 29_600.0, "R": 25_508.0}
    for record in day.truth(START_MS):
        if isinstance(record, KeplerEphemeris) and record.system in axes:
            axis_km = record.sqrt_a_sqrt_m**2 / 1000.0
            assert axis_km == pytest.approx(axes[record.system], abs=2.0)
            assert record.eccentricity < 0.02
            assert abs(record.af0_s) < 1e-3


def test_one_seed_is_one_sky_and_another_is_another():
    first, again, other = (make_constellation(START_MS, 60.0, seed, "G") for seed in (1, 1, 2))
    assert first.ephemerides == again.ephemerides
    assert not set(first.ephemerides) & set(other.ephemerides)


def test_a_system_that_cannot_be_invented_is_refused():
    with pytest.raises(KeyError):
        make_constellation(START_MS, 60.0, 1, "GS")
