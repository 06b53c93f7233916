"""Checks of what a receiver sees: consistency with exact evaluation, directions, ranges."""

import numpy as np
import pytest

from rtcmtool.gnss.ephemerides import select_all
from rtcmtool.gnss.geodesy import ecef_from_degrees, ecef_from_enu, enu_from_ecef
from rtcmtool.gnss.glonass_orbits import glonass_states
from rtcmtool.gnss.orbits import kepler_states, rotate_for_travel
from rtcmtool.gnss.satellites import (
    SatelliteTable,
    emission_states,
    satellite_states,
    sight,
)
from tests.gnss.synthetic import glonass, kepler

LIGHT_M_S = 299_792_458.0
RECEIVER = ecef_from_degrees(35.0, 139.0, 50.0)
RECORDS = [
    kepler("C", 3),
    glonass(),
    kepler("G", 9, sqrt_a_sqrt_m=5153.6, i0_rad=0.96),
    kepler("E", 9, sqrt_a_sqrt_m=5440.6, i0_rad=0.98, eccentricity=3e-4),
]
NOW_MS = int(RECORDS[0].toe_gps_s) * 1000 + 300_000


def test_a_mixed_table_keeps_the_order_of_its_records():
    table = SatelliteTable.stack(RECORDS)
    assert table.satellites == ("C03", "R05", "G09", "E09")
    times = NOW_MS + np.arange(3)[:, np.newaxis] * 1000
    states = satellite_states(table, times)
    assert states.position_m.shape == (3, 4, 3)
    np.testing.assert_array_equal(
        states.position_m[:, 1], glonass_states(table.glonass, times).position_m[:, 0]
    )
    np.testing.assert_array_equal(
        states.clock_s[:, [0, 2, 3]], kepler_states(table.kepler, times).clock_s
    )
    assert SatelliteTable.stack([]).size == 0
    assert satellite_states(SatelliteTable.stack([]), NOW_MS).position_m.shape == (0, 3)


@pytest.mark.parametrize("offset_s", [0.0, 0.25])
def test_the_range_closes_with_an_exact_evaluation_at_emission(offset_s):
    table = SatelliteTable.stack(RECORDS)
    seen = sight(table, NOW_MS, RECEIVER, offset_s)
    travel = seen.range_m / LIGHT_M_S
    exact = satellite_states(table, NOW_MS, offset_s - travel)
    rotated = rotate_for_travel(exact.position_m, travel, table.earth_rate_rad_s)
    np.testing.assert_allclose(np.linalg.norm(rotated - RECEIVER, axis=1), seen.range_m, atol=1e-6)
    np.testing.assert_allclose(
        RECEIVER + seen.direction * seen.range_m[:, np.newaxis], rotated, atol=1e-6
    )
    np.testing.assert_allclose(seen.clock_s, exact.clock_s, atol=1e-17)


def test_the_range_rate_is_the_change_of_the_range():
    table = SatelliteTable.stack(RECORDS)
    before, after = (sight(table, NOW_MS, RECEIVER, half).range_m for half in (-0.05, 0.05))
    np.testing.assert_allclose(
        sight(table, NOW_MS, RECEIVER).range_rate_m_s, (after - before) / 0.1, atol=2e-6
    )


def test_emission_is_found_from_a_pseudorange_however_wrong_the_receiver_clock():
    # computations.md 3.4: a receiver clock off by 0.38 ms does no harm
    table = SatelliteTable.stack(RECORDS)
    seen = sight(table, NOW_MS, RECEIVER)
    for clock_ms in (0, 1):
        pseudorange = seen.range_m + LIGHT_M_S * (clock_ms * 1e-3 - seen.clock_s)
        states = emission_states(table, NOW_MS + clock_ms, pseudorange)
        exact = satellite_states(table, NOW_MS, -seen.range_m / LIGHT_M_S)
        np.testing.assert_allclose(states.position_m, exact.position_m, atol=1e-6)
        np.testing.assert_allclose(states.clock_s, seen.clock_s, atol=1e-16)


def test_many_times_and_a_moving_receiver_take_one_call():
    table = SatelliteTable.stack(RECORDS)
    times = NOW_MS + np.arange(5)[:, np.newaxis] * 1000
    track = RECEIVER + np.arange(5)[:, np.newaxis, np.newaxis] * np.array([1.0, 2.0, 3.0])
    seen = sight(table, times, track)
    assert seen.range_m.shape == (5, 4)
    alone = sight(table, int(times[4, 0]), track[4, 0])
    np.testing.assert_allclose(seen.range_m[4], alone.range_m, atol=1e-6)
    np.testing.assert_allclose(seen.elevation_rad[4], alone.elevation_rad, atol=1e-12)


@pytest.mark.open_data
@pytest.mark.parametrize(
    ("file", "expected"),
    [
        ("static", {"G17": (3.71, 85.43), "G14": (202.37, 25.25), "E13": (343.22, 60.85),
                    "E27": (206.36, 14.54), "J02": (193.86, 18.47)}),
        ("pair", {"G15": (3.94, 66.39), "G20": (133.15, 18.85), "E07": (53.56, 51.05),
                  "J01": (9.32, 82.80)}),
    ],
)  # fmt: skip
def test_recorded_satellites_stand_where_they_were_computed(request, file, expected):
    # computations.md 4
    navigation = request.getfixturevalue(f"{file}_navigation")
    observations = request.getfixturevalue(f"{file}_observations")
    gps_ms = observations.epochs[0][0]
    chosen = select_all(navigation.ephemerides, gps_ms, sources={"lnav", "fnav"})
    table = SatelliteTable.stack(chosen[name] for name in expected)
    seen = sight(table, gps_ms, observations.position_m)
    directions = np.degrees(np.stack((seen.azimuth_rad, seen.elevation_rad), axis=1))
    np.testing.assert_allclose(directions, list(expected.values()), atol=0.02)


# What a fixed vector of 5.36 km changes by when the base's position is wrong, with the same
# integers: east, north, up of the error (m), and of the change (mm). Computed apart from this code
# on a real pair; here from the geometry of its first epoch alone.
WRONG_BASE = [
    ((10.0, 0.0, 0.0), (0.1, -0.2, 2.1)),
    ((0.0, 10.0, 0.0), (0.0, 0.1, -1.3)),
    ((0.0, 0.0, 10.0), (-1.4, -0.6, 0.0)),
    ((100.0, 0.0, 0.0), (1.0, -2.2, 20.7)),
    ((0.0, 0.0, 100.0), (-13.9, -6.1, -0.2)),
    ((300.0, 0.0, 0.0), (2.9, -6.7, 62.0)),
]


# Satellites that both receivers tracked above 28 degrees, and how many signals of each.
_SIGNALS = {
    "G05": 3, "G13": 2, "G15": 3, "G18": 4, "G23": 4, "G24": 4,
    "E07": 3, "E26": 3, "E27": 3, "E30": 3, "E33": 3,
}  # fmt: skip


@pytest.mark.open_data
@pytest.mark.parametrize(("error_m", "change_mm"), WRONG_BASE)
def test_a_wrong_base_shifts_the_rover_and_hardly_bends_the_vector(
    pair_navigation, pair_observations, error_m, change_mm
):
    gps_ms, observed = pair_observations.epochs[0]
    base = pair_observations.position_m
    vector = np.array([-2552.3864, -4505.4827, 1392.3066])
    chosen = select_all(pair_navigation.ephemerides, gps_ms, sources={"lnav", "fnav"})
    table = SatelliteTable.stack(chosen[name] for name in sorted(observed) if name[0] in "GE")
    seen = sight(table, gps_ms, base)
    high = np.array([name in _SIGNALS for name in table.satellites])
    letters = np.array([name[0] for name in table.satellites])[high]
    root = 1.0 / np.sqrt(1.0 + 1.0 / np.sin(seen.elevation_rad[high]) ** 2)
    root *= np.sqrt([_SIGNALS[name] for name in np.array(table.satellites)[high].tolist()])
    clocks = (letters[:, np.newaxis] == np.unique(letters)).astype(float)

    def single_difference(first, second):
        return (sight(table, gps_ms, second).range_m - sight(table, gps_ms, first).range_m)[high]

    measured = single_difference(base, base + vector)
    wrong = base + ecef_from_enu(np.array(error_m), base)
    found = vector.copy()
    for _ in range(3):  # the vector whose single differences are those measured, clocks apart
        design = np.hstack((-sight(table, gps_ms, wrong + found).direction[high], clocks))
        target = measured - single_difference(wrong, wrong + found)
        step, *_ = np.linalg.lstsq(design * root[:, np.newaxis], target * root, rcond=None)
        found += step[:3]
    change = 1000.0 * enu_from_ecef(found - vector, base)
    assert change == pytest.approx(
        change_mm, rel=0.05, abs=max(0.1, 0.006 * max(map(abs, change_mm)))
    )
