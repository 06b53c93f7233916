"""Checks of code positions: made measurements come back, recordings reach their known errors."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rtcmtool.gnss.atmosphere import Klobuchar, klobuchar_m, saastamoinen_m
from rtcmtool.gnss.code_measurements import CodeMeasurements, code_measurements
from rtcmtool.gnss.ephemerides import group_by_satellite, select_all
from rtcmtool.gnss.geodesy import ecef_from_degrees, enu_from_ecef, geodetic_from_ecef
from rtcmtool.gnss.positioning import (
    PointOptions,
    Troposphere,
    average_positions,
    solve_point,
)
from rtcmtool.gnss.satellites import SatelliteTable, sight
from tests.gnss.synthetic import glonass, kepler

LIGHT_M_S = 299_792_458.0
RECEIVER = ecef_from_degrees(35.0, 139.0, 120.0)
IONOSPHERE = Klobuchar((1.1e-8, 7.4e-9, -6e-8, -6e-8), (9e4, 0.0, -1.9e5, -6.5e4))
MEDIUM_ORBIT = {"sqrt_a_sqrt_m": 5153.6, "i0_rad": 0.96, "eccentricity": 0.01}


def sky(systems="GE", above_deg=12.0):
    """Give made records of satellites spread over the sky and what the receiver sees of them."""
    records = [
        kepler(
            system,
            1 + plane * 6 + place,
            **MEDIUM_ORBIT | {"omega0_rad": plane * 1.05 + shift, "m0_rad": place * 1.05 + plane},
        )
        for shift, system in enumerate(systems)
        for plane in range(6)
        for place in range(6)
    ]
    now = int(records[0].toe_gps_s) * 1000 + 600_000
    high = np.degrees(sight(SatelliteTable.stack(records), now, RECEIVER).elevation_rad)
    seen = [record for record, degrees in zip(records, high, strict=True) if degrees > above_deg]
    return SatelliteTable.stack(seen), now


def measured(table, gps_ms, offsets_m=None, *, models=False, clock_s=1e-4):
    """Make noise-free pseudoranges of a receiver whose clock is off by clock_s."""
    seen = sight(table, gps_ms, RECEIVER, -clock_s)
    ranges = seen.range_m + LIGHT_M_S * (clock_s - seen.clock_s)
    if models:
        latitude, longitude, height = geodetic_from_ecef(RECEIVER)
        ranges += saastamoinen_m(latitude, height, seen.elevation_rad)
        ranges += klobuchar_m(
            IONOSPHERE,
            latitude,
            longitude,
            seen.azimuth_rad,
            seen.elevation_rad,
            gps_second_of_day=gps_ms % 86_400_000 / 1000,
        )
    for row, record in enumerate(table.ephemerides):
        ranges[row] += (offsets_m or {}).get(record.system, 0.0)
    count = table.size
    return CodeMeasurements(
        table, ranges, np.zeros(count), np.full(count, 1575.42e6), np.ones(count)
    )


PLAIN = PointOptions(troposphere=Troposphere.NONE)


@pytest.mark.parametrize("clock_s", [0.0, 3.8e-4, -0.02])
def test_made_measurements_lead_back_to_place_and_clock(clock_s):
    table, now = sky()
    position = solve_point(measured(table, now, {"E": 7.5}, clock_s=clock_s), now, PLAIN)
    assert position is not None
    np.testing.assert_allclose(position.ecef_m, RECEIVER, atol=1e-4)
    assert position.clock_system == "G"
    assert position.clock_m == pytest.approx(clock_s * LIGHT_M_S, abs=1e-3)
    assert position.offsets_m == pytest.approx({"E": 7.5}, abs=1e-3)
    assert position.rejected == ()
    assert position.variance_factor < 1e-6


def test_models_are_applied_where_they_belong():
    table, now = sky()
    options = PointOptions(ionosphere=IONOSPHERE)
    position = solve_point(measured(table, now, models=True), now, options)
    assert position is not None
    np.testing.assert_allclose(position.ecef_m, RECEIVER, atol=1e-3)
    without = solve_point(measured(table, now, models=True), now, PLAIN)
    assert without is not None
    assert np.linalg.norm(without.ecef_m - RECEIVER) > 2.0


@pytest.mark.parametrize("error_m", [15.0, -300.0, 1e6])
def test_a_wrong_pseudorange_is_rejected_and_named(error_m):
    table, now = sky()
    code = measured(table, now)
    code.pseudorange_m[4] += error_m
    position = solve_point(code, now, PLAIN)
    assert position is not None
    assert table.satellites[4] in position.rejected
    np.testing.assert_allclose(position.ecef_m, RECEIVER, atol=0.05)


def test_satellites_below_the_mask_are_left_out():
    table, now = sky(above_deg=5.0)
    position = solve_point(
        measured(table, now), now, PointOptions(troposphere=Troposphere.NONE, mask_deg=25.0)
    )
    assert position is not None
    high = np.degrees(sight(table, now, RECEIVER).elevation_rad)
    below = {name for name, degrees in zip(table.satellites, high, strict=True) if degrees < 25.0}
    assert set(position.masked) == below
    assert set(position.used) == set(table.satellites) - below


def test_a_single_satellite_of_a_further_system_is_of_no_use():
    table, now = sky("G")
    alone = kepler("E", 30, **MEDIUM_ORBIT | {"omega0_rad": 2.1, "m0_rad": 0.3})
    for candidate in np.arange(0.0, 6.28, 0.5):
        alone = kepler("E", 30, **MEDIUM_ORBIT | {"omega0_rad": 2.1, "m0_rad": candidate})
        if sight(SatelliteTable.stack([alone]), now, RECEIVER).elevation_rad[0] > 0.3:
            break
    both = SatelliteTable.stack([*table.ephemerides, alone])
    position = solve_point(measured(both, now, {"E": 50.0}), now, PLAIN)
    assert position is not None
    assert position.masked == ("E30",)
    np.testing.assert_allclose(position.ecef_m, RECEIVER, atol=1e-4)


@pytest.mark.parametrize(("count", "offsets"), [(1, {}), (2, {"J": 3.0})])
def test_qzss_has_its_own_offset_from_two_satellites_on(count, offsets):
    table, now = sky("G")
    extra = [record for record in sky("J")[0].ephemerides if record.system == "J"][:count]
    both = SatelliteTable.stack([*table.ephemerides, *extra])
    position = solve_point(measured(both, now, offsets), now, PLAIN)
    assert position is not None
    assert position.offsets_m == pytest.approx(offsets, abs=1e-3)
    assert {record.satellite for record in extra} <= set(position.used)
    np.testing.assert_allclose(position.ecef_m, RECEIVER, atol=1e-4)


def test_too_few_satellites_give_no_position():
    table, now = sky("G")
    few = SatelliteTable.stack(table.ephemerides[:3])
    assert solve_point(measured(few, now), now, PLAIN) is None
    nothing = code_measurements({}, {}, {})
    assert solve_point(nothing, now) is None


@given(st.lists(st.one_of(st.floats(), st.floats(1.5e7, 4.5e7)), min_size=12, max_size=12))
def test_no_pseudoranges_whatever_raise_or_warn(values):
    table, now = sky()
    few = SatelliteTable.stack(table.ephemerides[:12])
    code = CodeMeasurements(
        few, np.array(values), np.zeros(12), np.full(12, 1575.42e6), np.ones(12)
    )
    position = solve_point(code, now, PointOptions(ionosphere=IONOSPHERE))
    assert position is None or np.isfinite(position.ecef_m).all()


def test_glonass_takes_part():
    table, now = sky("G")
    record = glonass(tb_gps_s=now / 1000, transmitted_gps_s=now / 1000)
    both = SatelliteTable.stack(
        [
            *table.ephemerides,
            record,
            glonass(number=6, tb_gps_s=now / 1000 - 900, transmitted_gps_s=now / 1000),
        ]
    )
    options = PointOptions(troposphere=Troposphere.NONE, mask_deg=-90.0)
    position = solve_point(measured(both, now, {"R": -12.0}), now, options)
    assert position is not None
    assert position.offsets_m["R"] == pytest.approx(-12.0, abs=1e-3)


def test_averaging_counts_rejections_and_scatter():
    table, now = sky()
    positions = []
    for step in range(4):
        code = measured(table, now)
        if step:
            code.pseudorange_m[2] += 100.0
        position = solve_point(code, now, PLAIN)
        assert position is not None
        positions.append(position)
    average = average_positions(positions)
    assert average is not None
    assert average.rejections == {table.satellites[2]: 3}
    assert average.epochs == 4
    assert (average.scatter_enu_m < 1e-3).all()
    np.testing.assert_allclose(average.ecef_m, RECEIVER, atol=1e-3)
    assert average_positions([]) is None


def run(observations, navigation, signals, *, sources=("lnav", "fnav"), **options):
    """Solve all epochs; give the average and the errors east, north, up against the header."""
    records = group_by_satellite(navigation.ephemerides)
    positions = []
    for index, (gps_ms, _) in enumerate(observations.epochs):
        chosen = select_all(records, gps_ms, sources=sources)
        code = code_measurements(observations.pseudoranges(index), chosen, signals)
        position = solve_point(code, gps_ms, PointOptions(**options))
        assert position is not None
        positions.append(position)
    average = average_positions(positions)
    assert average is not None
    error = enu_from_ecef(average.ecef_m - observations.position_m, observations.position_m)
    return average, error, positions


G1, E1 = {"G": ["1C"]}, {"E": ["1C"]}
NO_TROPOSPHERE = {"troposphere": Troposphere.NONE}


@pytest.mark.open_data
@pytest.mark.parametrize(
    ("signals", "has_ionosphere", "options", "satellites", "mean", "scatter"),
    [
        # computations.md 3.2: mean within 0.3 m, scatter within 30 %, here of 30 epochs
        (G1, True, {}, 10.6, (-0.01, 0.05, -0.44), (0.16, 0.18, 0.41)),
        (G1, False, {}, 10.6, (-0.01, 0.06, 2.17), (0.15, 0.17, 0.37)),
        (G1, True, NO_TROPOSPHERE, 10.6, (0.07, -0.35, 7.06), (0.24, 0.18, 0.59)),
        (G1, True, {"troposphere": Troposphere.DO229}, 10.6, (-0.01, 0.05, -0.44),
         (0.16, 0.18, 0.41)),
        (E1, True, {}, 9.0, (-0.48, 0.42, -1.01), (0.12, 0.13, 0.27)),
        (E1, True, {"sources": ("inav",)}, 9.0, (-0.42, 0.43, -1.11), (0.12, 0.13, 0.27)),
        (G1 | E1, True, {}, 19.6, (-0.28, 0.24, -0.88), (0.10, 0.13, 0.25)),
        (G1 | E1 | {"J": ["1C"]}, True, {}, 23.6, (-0.26, 0.30, -0.95), (0.09, 0.13, 0.22)),
        ({"G": ["1W", "2W"]}, True, {}, 10.4, (-0.17, -0.18, 1.95), (0.48, 0.64, 0.96)),
        ({"G": ["1C", "2L"]}, True, {}, 7.0, (-0.54, 0.73, 0.19), (0.63, 0.74, 1.46)),
        ({"E": ["1C", "5Q"]}, True, {}, 9.0, (-0.42, 0.28, 0.71), (0.26, 0.35, 0.67)),
        ({"G": ["1W", "2W"], "E": ["1C", "5Q"]}, True, {}, 19.4, (-0.38, 0.05, 1.35),
         (0.25, 0.44, 0.63)),
    ],
)  # fmt: skip
def test_the_static_recording_is_found_as_well_as_code_can(
    static_observations, static_navigation, signals, has_ionosphere, options,
    satellites, mean, scatter,
):  # fmt: skip
    ionosphere = static_navigation.klobuchar["G"] if has_ionosphere else None
    average, error, _ = run(
        static_observations, static_navigation, signals, ionosphere=ionosphere, **options
    )
    np.testing.assert_allclose(error, mean, atol=0.3)
    np.testing.assert_allclose(average.scatter_enu_m, scatter, rtol=0.3)
    assert average.satellites == pytest.approx(satellites, abs=0.1)
    assert not average.rejections


@pytest.mark.open_data
@pytest.mark.parametrize(
    ("signals", "has_ionosphere", "mean", "scatter"),
    [
        # computations.md 3.3
        (G1, True, (-1.66, 1.28, -4.36), (0.20, 0.19, 0.44)),
        (G1, False, (-1.54, 1.31, 2.68), (0.20, 0.19, 0.44)),
        (G1 | {"E": ["1X"]}, True, (-1.43, 1.38, -4.37), (0.12, 0.13, 0.37)),
        (G1 | {"E": ["1X"], "J": ["1C"]}, True, (-1.38, 1.40, -3.52), (0.12, 0.13, 0.37)),
        ({"G": ["1C", "2W"]}, False, (-1.57, -0.38, 0.86), (0.53, 0.57, 1.42)),
        ({"G": ["1C", "2W"], "E": ["1X", "5X"]}, False, (-1.33, -0.58, 0.33),
         (0.31, 0.39, 1.04)),
    ],
)  # fmt: skip
def test_the_base_of_the_pair_is_found_as_well_as_code_can(
    pair_observations, pair_navigation, signals, has_ionosphere, mean, scatter
):
    ionosphere = pair_navigation.klobuchar["G"] if has_ionosphere else None
    average, error, _ = run(pair_observations, pair_navigation, signals, ionosphere=ionosphere)
    np.testing.assert_allclose(error, mean, atol=0.3)
    np.testing.assert_allclose(average.scatter_enu_m, scatter, rtol=0.3)
    assert not average.rejections


@pytest.mark.open_data
def test_offsets_between_systems_are_those_of_the_recording(static_observations, static_navigation):
    signals = {"G": ["1C"], "E": ["1C"], "J": ["1C"]}
    _, _, positions = run(
        static_observations,
        static_navigation,
        signals,
        ionosphere=static_navigation.klobuchar["G"],
    )
    # computations.md 3.2: Galileo -0.05 m, QZSS -0.25 m
    assert np.mean([position.offsets_m["E"] for position in positions]) == pytest.approx(
        -0.05, abs=0.15
    )
    assert np.mean([position.offsets_m["J"] for position in positions]) == pytest.approx(
        -0.25, abs=0.3
    )
    sigma = positions[0].sigma_enu_m
    assert (sigma > 0.05).all()
    assert (sigma < 1.5).all()


@pytest.mark.open_data
def test_the_nearest_record_instead_of_the_last_shows_as_a_rejected_satellite(
    static_observations, static_navigation
):
    # computations.md 2.5: with the old set of G28 (IODE 57) alone the GPS+Galileo solution
    # rejects it in most epochs; the engine must name it.
    old = [
        record
        for record in static_navigation.ephemerides
        if not (record.satellite == "G28" and record.issue_of_data in {2, 3})
    ]
    records = group_by_satellite(old)
    rejected = 0
    for index, (gps_ms, _) in enumerate(static_observations.epochs):
        chosen = select_all(records, gps_ms, sources=("lnav", "fnav"))
        code = code_measurements(static_observations.pseudoranges(index), chosen, G1 | E1)
        position = solve_point(
            code, gps_ms, PointOptions(ionosphere=static_navigation.klobuchar["G"])
        )
        assert position is not None
        rejected += "G28" in position.rejected
    assert rejected > len(static_observations.epochs) / 2
