"""Checks of code positions: made measurements come back, recordings reach their known errors."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rtcmtool.gnss import positioning
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
from tests.gnss.rinex_observations import read_observations
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
    average, _, positions = run(
        static_observations,
        static_navigation,
        signals,
        ionosphere=static_navigation.klobuchar["G"],
    )
    assert average.offsets_m == pytest.approx({"E": -0.05, "J": -0.25}, abs=0.15)
    # computations.md 3.2: Galileo -0.05 m, QZSS -0.25 m
    assert np.mean([position.offsets_m["E"] for position in positions]) == pytest.approx(
        -0.05, abs=0.15
    )
    assert np.mean([position.offsets_m["J"] for position in positions]) == pytest.approx(
        -0.25, abs=0.3
    )


@pytest.mark.open_data
def test_the_offset_of_two_bands_is_galileos_and_that_of_qzss_without_its_group_delays(
    static_observations, static_navigation
):
    signals = {"G": ["1W", "2W"], "E": ["1C", "5Q"], "J": ["1C", "2L"]}
    _, _, positions = run(static_observations, static_navigation, signals)
    told = {name: np.mean([each.offsets_m[name] for each in positions]) for name in "EJ"}
    # computed apart from this code: Galileo -0.54 m; QZSS +2.2 m with the form of the civil
    # messages (IS-GPS-800), which takes T_GD off 1C with 2L and adds corrections that only CNAV
    # carries. Here 1C with 2L stands for the pair that the clock is made for: less c T_GD.
    assert told["E"] == pytest.approx(-0.54, abs=0.05)
    used = {name for name in positions[0].used if name[0] == "J"}
    delays = {
        record.satellite: LIGHT_M_S * record.tgd_s
        for record in static_navigation.ephemerides
        if record.satellite in used
    }
    assert len(delays) == 4
    assert told["J"] - np.mean(list(delays.values())) == pytest.approx(2.2, abs=0.15)


@pytest.fixture(scope="module")
def denser(open_data):
    """Every 5th epoch of the static antenna: enough for a quantile."""
    return read_observations(open_data / "static-1hz-observations.rnx", every=5)


@pytest.mark.open_data
@pytest.mark.slow
@pytest.mark.parametrize(
    ("signals", "has_ionosphere", "plan_m", "height_m"),
    [
        # 95 % of distance and of height of single epochs, computed apart from this code
        (G1, True, 0.42, 1.12),
        (G1, False, 0.41, 2.77),
        (E1, True, 0.84, 1.49),
        (G1 | E1, True, 0.53, 1.28),
        (G1 | E1 | {"J": ["1C"]}, True, 0.55, 1.32),
        ({"G": ["1W", "2W"]}, False, 1.61, 3.59),
        ({"G": ["1C", "2L"]}, False, 2.19, 2.86),
        ({"E": ["1C", "5Q"]}, False, 1.04, 1.77),
        ({"G": ["1W", "2W"], "E": ["1C", "5Q"]}, False, 1.10, 2.34),
    ],
)
def test_single_epochs_are_as_good_as_computed_and_as_they_say(
    denser, static_navigation, signals, has_ionosphere, plan_m, height_m
):
    ionosphere = static_navigation.klobuchar["G"] if has_ionosphere else None
    _, _, positions = run(denser, static_navigation, signals, ionosphere=ionosphere)
    errors = np.array(
        [enu_from_ecef(p.ecef_m - denser.position_m, denser.position_m) for p in positions]
    )
    plan = np.hypot(errors[:, 0], errors[:, 1])
    assert np.quantile(plan, 0.95) == pytest.approx(plan_m, rel=0.15)
    assert np.quantile(np.abs(errors[:, 2]), 0.95) == pytest.approx(height_m, rel=0.15)
    # The formal error knows noise and geometry: it must cover the scatter about the mean.
    sigma = np.array([position.sigma_enu_m for position in positions])
    spread = np.abs(errors - errors.mean(axis=0))
    assert (spread < 2.0 * sigma).mean(axis=0) == pytest.approx(np.ones(3), abs=0.05)


@pytest.mark.open_data
def test_both_models_of_the_troposphere_lead_to_the_same_place(
    static_observations, static_navigation
):
    places = [
        run(static_observations, static_navigation, G1, troposphere=model)[1]
        for model in (Troposphere.SAASTAMOINEN, Troposphere.DO229)
    ]
    # 3 cm in height, computed apart from this code
    assert np.abs(places[0] - places[1]).max() < 0.035


@pytest.mark.open_data
def test_without_the_turn_of_the_earth_the_place_moves_east(
    static_observations, static_navigation, monkeypatch
):
    # we tau R cos(latitude): 28 m at 35 degrees
    _, right, _ = run(static_observations, static_navigation, G1)
    monkeypatch.setattr(positioning, "rotate_for_travel", lambda position, *_: position)
    _, wrong, _ = run(static_observations, static_navigation, G1)
    east, north, up = wrong - right
    assert east == pytest.approx(28.0, abs=1.0)
    assert np.hypot(north, up) < 2.0


@pytest.mark.open_data
def test_qzss_with_its_own_offset_leaves_no_residual_behind(pair_observations, pair_navigation):
    # computed apart from this code: variance factor 1.3 and nothing rejected; 3.3 and 37 of 180
    # epochs with a rejection where QZSS is taken on the clock of GPS
    signals = G1 | {"E": ["1X"], "J": ["1C"]}
    average, _, positions = run(
        pair_observations, pair_navigation, signals, ionosphere=pair_navigation.klobuchar["G"]
    )
    assert np.mean([each.variance_factor for each in positions]) == pytest.approx(1.3, rel=0.1)
    assert not average.rejections


@pytest.mark.open_data
def test_a_rover_whose_clock_is_far_off_is_found_all_the_same(open_data, pair_navigation):
    # Clock off by 0.38 ms (-114.5 km). Place in its first 35 epochs from the fixed vector to the
    # base, computed apart from this code; errors as those of the base on one band.
    observed = read_observations(open_data / "pair-rover.rnx", limit=35)
    truth = np.array([-3961956.1997, 3381200.3735, 3668918.1646])
    average, _, positions = run(
        observed, pair_navigation, G1 | E1, ionosphere=pair_navigation.klobuchar["G"]
    )
    assert positions[0].clock_m == pytest.approx(-114_500.0, abs=100.0)
    error = enu_from_ecef(average.ecef_m - truth, truth)
    assert error == pytest.approx([-1.66, 1.28, -4.36], abs=0.5)


@pytest.mark.open_data
def test_the_nearest_record_instead_of_the_last_shows_as_a_rejected_satellite(
    static_observations, static_navigation
):
    # Computed apart from this code: with the old set of G28 (IODE 57), whose reference time is
    # nearest, G28 is off by 2.9 m and rejected in 833 of 900 epochs; with the set sent last by 0.4.
    ionosphere = static_navigation.klobuchar["G"]
    old = replace(
        static_navigation,
        ephemerides=[
            record
            for record in static_navigation.ephemerides
            if not (record.satellite == "G28" and record.issue_of_data in {2, 3})
        ],
    )
    average, _, _ = run(static_observations, old, G1 | E1, ionosphere=ionosphere)
    assert average.rejections["G28"] / average.epochs == pytest.approx(833 / 900, abs=0.08)
    residuals = []
    for navigation in (old, static_navigation):
        _, _, positions = run(
            static_observations, navigation, G1 | E1, ionosphere=ionosphere, rejection_limit=99.0
        )
        residuals.append(np.mean([each.residual_m["G28"] for each in positions]))
    assert residuals == pytest.approx([2.9, 0.45], abs=0.2)
