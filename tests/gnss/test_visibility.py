"""Checks of dilution of precision and of expected satellites against computed recordings."""

import numpy as np
import pytest

from rtcmtool.gnss.code_measurements import code_measurements
from rtcmtool.gnss.ephemerides import select_all
from rtcmtool.gnss.positioning import solve_point
from rtcmtool.gnss.satellites import SatelliteTable, sight
from rtcmtool.gnss.visibility import dops, visible_satellites


@pytest.mark.open_data
@pytest.mark.parametrize(
    ("file", "systems", "count", "expected"),
    [
        # computations.md 4: G, P, H, V, T; its T is of the clock that comes first by letter
        ("static", "G", 10, (2.215, 1.926, 0.948, 1.677, 1.094)),
        ("static", "EG", 19, (1.547, 1.225, 0.588, 1.074, 0.631)),
        ("static", "EGJ", 23, (1.713, 1.135, 0.582, 0.974, 0.592)),
        ("pair", "G", 8, (2.386, 2.055, 1.049, 1.767, 1.213)),
        ("pair", "EG", 13, (2.316, 1.759, 0.779, 1.577, 1.064)),
    ],
)
def test_dilutions_of_the_recordings(request, file, systems, count, expected):
    navigation = request.getfixturevalue(f"{file}_navigation")
    observations = request.getfixturevalue(f"{file}_observations")
    gps_ms, seen_now = observations.epochs[0]
    chosen = select_all(navigation.ephemerides, gps_ms)
    records = [chosen[name] for name in sorted(seen_now) if name[0] in systems]
    seen = sight(SatelliteTable.stack(records), gps_ms, observations.position_m)
    used = np.flatnonzero(np.degrees(seen.elevation_rad) >= 10.0)
    got = dops(
        seen.azimuth_rad[used],
        seen.elevation_rad[used],
        [records[row].system for row in used],
    )
    assert got is not None
    assert (got.satellites, got.clocks) == (count, len(systems))
    assert (got.gdop, got.pdop, got.hdop, got.vdop, got.tdop) == pytest.approx(expected, abs=5e-3)


def test_a_textbook_geometry_has_its_textbook_dilution():
    # one satellite overhead and three on the horizon 120 degrees apart: H'H by hand gives
    # HDOP^2 = 4/3, VDOP^2 = 4/3, TDOP^2 = 1/3
    # Parkinson and Spilker 1996, Global Positioning System: Theory and Applications I, chapter 5,
    # from memory: GDOP 1.732
    got = dops(np.radians([0, 0, 120, 240]), np.radians([90, 0, 0, 0]))
    assert got is not None
    assert got.hdop**2 == pytest.approx(4 / 3)
    assert got.vdop**2 == pytest.approx(4 / 3)
    assert got.tdop**2 == pytest.approx(1 / 3)
    assert got.gdop**2 == pytest.approx(3.0)
    assert got.gdop == pytest.approx(1.732, abs=5e-4)


def test_a_regular_tetrahedron_has_the_least_dilution_of_four_satellites():
    # Parkinson and Spilker 1996, chapter 5, from memory: GDOP 1.581 = sqrt(5/2), PDOP 1.5
    low = -np.degrees(np.arcsin(1 / 3))
    got = dops(np.radians([0, 0, 120, 240]), np.radians([90, low, low, low]))
    assert got is not None
    assert (got.gdop, got.pdop, got.tdop) == pytest.approx((np.sqrt(2.5), 1.5, 0.5))


@pytest.mark.parametrize("count", [5, 8, 13])
def test_a_ring_of_satellites_and_one_overhead_dilute_as_by_hand(count):
    # n on the horizon, one overhead: east and north 2/n each, up (n+1)/n, clock 1/n
    azimuth = [*(2 * np.pi * np.arange(count) / count), 0.0]
    got = dops(azimuth, [*([0.0] * count), np.pi / 2])
    assert got is not None
    assert got.hdop**2 == pytest.approx(4 / count)
    assert got.vdop**2 == pytest.approx((count + 1) / count)
    assert got.tdop**2 == pytest.approx(1 / count)


def test_too_few_satellites_or_all_on_one_cone_have_no_dilution():
    assert dops([0.0, 1.0, 2.0], [0.5, 0.5, 0.5]) is None
    assert dops(np.radians([0, 90, 180, 270, 45]), np.radians([40.0] * 5)) is None
    assert dops([0.0, 1.0, 2.0, 3.0], [0.5, 0.9, 0.2, 1.0], ["G", "G", "G", "E"]) is None


@pytest.mark.open_data
def test_all_expected_satellites_of_the_static_recording_were_observed(
    static_navigation, static_observations
):
    gps_ms, seen_now = static_observations.epochs[0]
    expected = visible_satellites(
        static_navigation.ephemerides, gps_ms, static_observations.position_m
    )
    assert set(expected.satellites) <= set(seen_now)
    assert len(expected.satellites) == 23  # computations.md 4
    assert expected.elevation_deg.min() >= 12.0


@pytest.mark.open_data
def test_two_expected_satellites_are_missing_at_the_base_of_the_pair(
    pair_navigation, pair_observations
):
    # computations.md 4: E12 at 11.2 and E19 at 16.4 degrees are missing, GPS and QZSS complete
    gps_ms, seen_now = pair_observations.epochs[0]
    expected = visible_satellites(
        pair_navigation.ephemerides, gps_ms, pair_observations.position_m, above_deg=10.0
    )
    missing = {
        name: elevation
        for name, elevation in zip(expected.satellites, expected.elevation_deg, strict=True)
        if name not in seen_now
    }
    assert missing == pytest.approx({"E12": 11.2, "E19": 16.4}, abs=0.06)
    low = visible_satellites(
        pair_navigation.ephemerides, gps_ms, pair_observations.position_m, above_deg=0.0
    )
    elevation = dict(zip(low.satellites, low.elevation_deg, strict=True))
    assert "E08" in seen_now
    assert elevation["E08"] == pytest.approx(7.0, abs=0.06)
    only_gps = visible_satellites(
        pair_navigation.ephemerides, gps_ms, pair_observations.position_m, systems={"G"}
    )
    assert {name[0] for name in only_gps.satellites} == {"G"}


@pytest.mark.open_data
def test_a_position_carries_the_dilution_of_the_satellites_it_used(
    static_navigation, static_observations
):
    gps_ms, _ = static_observations.epochs[0]
    code = code_measurements(
        static_observations.pseudoranges(0),
        select_all(static_navigation.ephemerides, gps_ms, sources={"lnav"}),
        {"G": ["1C"]},
    )
    position = solve_point(code, gps_ms)
    assert position is not None
    assert position.dops is not None
    assert position.dops.pdop == pytest.approx(1.926, abs=5e-3)
