"""The base's own place: means, waiting epochs, geometry, and errors on real recordings."""

from dataclasses import replace

import numpy as np
import pytest

from rtcmtool.gnss.visibility import visible_satellites
from rtcmtool.monitor.base_fix import (
    MOST_RECORDS,
    MOST_WAITING,
    OFTEN_MS,
    SELDOM_MS,
    BaseFix,
    EphemerisStore,
    Epoch,
    offset_enu_m,
    pseudoranges_of,
)
from tests.gnss.rinex_observations import read_observations
from tests.gnss.synthetic import kepler
from tests.monitor.made_rows import START_MS, made


def test_solutions_are_often_at_first_and_seldom_later():
    fix = BaseFix()
    due = [second for second in range(3600) if fix.is_due(START_MS + 1000 * second)]
    assert due[:3] == [0, 10, 20]
    steps = np.diff(due) * 1000
    assert set(steps[:59].tolist()) == {OFTEN_MS}
    assert set(steps[62:].tolist()) == {SELDOM_MS}


def test_a_record_that_comes_again_is_kept_once_and_with_its_first_time():
    store = EphemerisStore()
    first = kepler("G", 3)
    store.hear(first)
    store.hear(replace(first, transmitted_gps_s=first.transmitted_gps_s + 30.0))
    assert store.by_satellite == {"G03": [first]}
    for number in range(1, 12):
        store.hear(replace(first, issue_of_data=number, issue_of_clock=number))
    assert len(store.by_satellite["G03"]) == MOST_RECORDS
    assert store.heard == 13


def test_records_of_a_file_are_all_kept():
    records = [replace(kepler("G", 3), issue_of_data=number) for number in range(20)]
    store = EphemerisStore(records)
    store.hear(replace(kepler("G", 3), issue_of_data=99))
    assert len(store.by_satellite["G03"]) == 21


def test_epochs_wait_for_date_and_records_and_no_more_than_some():
    fix = BaseFix()
    for second in range(100):
        assert not fix.take(Epoch(1000 * second, {"G01": {"1C": 2e7}}))
    assert len(fix.unsolved) == MOST_WAITING
    assert fix.solution is None
    assert not fix.is_dated


def test_pseudoranges_are_sorted_by_satellite_and_signal():
    rows = made(("G01", "G02"), epochs=1)
    found = pseudoranges_of(rows)
    assert set(found) == {"G01", "G02"}
    assert set(found["G01"]) == {"1C", "2W"}
    assert found["G02"]["2W"] == rows.pseudorange_m[3]
    invalid = replace(rows, pseudorange_m=np.full(len(rows), np.nan))
    assert pseudoranges_of(invalid) == {}


def solved(observed, navigation, *, signals=None, systems="GEJ", late=False):
    """Solve the epochs of a file; `late`: the records come after half of the epochs."""
    fix = BaseFix(() if late else navigation.ephemerides, navigation.klobuchar.get("G"))
    for index, (gps_ms, _) in enumerate(observed.epochs):
        fix.learn_date(gps_ms, gps_ms)
        if late and index == len(observed.epochs) // 2:
            fix.store.give(navigation.ephemerides)
        pseudoranges = {
            name: {one: value for one, value in values.items() if signals is None or one in signals}
            for name, values in observed.pseudoranges(index).items()
            if name[0] in systems
        }
        fix.take(Epoch(gps_ms, pseudoranges))
    return fix


def error(observed, fix):
    solution = fix.solution
    assert solution is not None
    return -offset_enu_m(tuple(observed.position_m.tolist()), solution)


# Errors against the headers' positions, east, north, up: GPS and Galileo with two bands -0.38,
# 0.05, 1.35 and -1.33, -0.58, 0.33 m; with one band and QZSS -0.26, 0.30, -0.95 and -1.38, 1.40,
# -3.52 m. Computed apart from this code.
@pytest.mark.open_data
@pytest.mark.slow
def test_the_static_antenna_is_found(static_observations, static_navigation):
    two = solved(static_observations, static_navigation, systems="GE")
    assert two.solution is not None
    assert two.solution.two_bands
    assert error(static_observations, two) == pytest.approx([-0.38, 0.05, 1.35], abs=0.4)
    one = solved(static_observations, static_navigation, signals={"1C"})
    assert one.solution is not None
    assert not one.solution.two_bands
    assert error(static_observations, one) == pytest.approx([-0.26, 0.30, -0.95], abs=0.3)
    for fix in (one, two):
        solution = fix.solution
        assert solution is not None
        east, north, up = error(static_observations, fix)
        assert np.hypot(east, north) < solution.plan_error_m
        assert abs(up) < solution.height_error_m
        assert solution.seconds <= 600


@pytest.mark.open_data
@pytest.mark.slow
def test_the_base_of_the_pair_is_found(pair_observations, pair_navigation):
    two = solved(pair_observations, pair_navigation, systems="GE")
    assert error(pair_observations, two) == pytest.approx([-1.33, -0.58, 0.33], abs=0.4)
    one = solved(pair_observations, pair_navigation, signals={"1C", "1X"})
    assert error(pair_observations, one) == pytest.approx([-1.38, 1.40, -3.52], abs=0.4)
    solution = one.solution
    assert solution is not None
    assert solution.height_error_m > 3.52


# First epoch, mask 10 degrees, a clock for each system; computed apart from this code.
@pytest.mark.open_data
@pytest.mark.parametrize(
    ("systems", "satellites", "pdop", "hdop", "vdop"),
    [
        ("G", 10, 1.926, 0.948, 1.677),
        ("GE", 19, 1.225, 0.588, 1.074),
        ("GEJ", 23, 1.135, 0.582, 0.974),
    ],
)
def test_dops_of_the_static_antenna(
    open_data, static_navigation, systems, satellites, pdop, hdop, vdop
):
    observed = read_observations(open_data / "static-1hz-observations.rnx", limit=1)
    fix = BaseFix(static_navigation.ephemerides)
    gps_ms, _ = observed.epochs[0]
    fix.learn_date(gps_ms, gps_ms)
    ranges = {k: v for k, v in observed.pseudoranges(0).items() if k[0] in systems}
    assert fix.take(Epoch(gps_ms, ranges))
    assert fix.usual_dops is not None
    assert fix.usual_dops.satellites == satellites
    assert (fix.usual_dops.pdop, fix.usual_dops.hdop, fix.usual_dops.vdop) == pytest.approx(
        (pdop, hdop, vdop), abs=0.005
    )


@pytest.mark.open_data
@pytest.mark.slow
def test_epochs_before_the_records_are_solved_when_these_come(pair_observations, pair_navigation):
    early = solved(pair_observations, pair_navigation)
    late = solved(pair_observations, pair_navigation, late=True)
    assert not late.unsolved
    assert len(late.positions) == len(early.positions) == len(pair_observations.epochs)
    assert error(pair_observations, late) == pytest.approx(
        error(pair_observations, early), abs=0.01
    )


# How far from the headers' positions ten minutes of code are, in skies whole and cut in half: the
# error stated must cover what is found, whatever the geometry (VDOP up to 23).
HALVES = {
    "whole": lambda azimuth, elevation: True,
    "high": lambda azimuth, elevation: elevation > 25.0,
    "east": lambda azimuth, elevation: azimuth < 180.0,
    "north": lambda azimuth, elevation: np.cos(np.radians(azimuth)) > -0.2,
    "south": lambda azimuth, elevation: np.cos(np.radians(azimuth)) < 0.2,
}


@pytest.mark.open_data
@pytest.mark.slow
@pytest.mark.parametrize("half", HALVES)
@pytest.mark.parametrize("systems", ["G", "E", "GE"])
@pytest.mark.parametrize("file", ["static", "pair"])
def test_the_stated_error_covers_the_real_one(request, file, systems, half):
    observed = request.getfixturevalue(f"{file}_observations")
    navigation = request.getfixturevalue(f"{file}_navigation")
    sky = visible_satellites(
        navigation.ephemerides, observed.epochs[0][0], observed.position_m, above_deg=0.0
    )
    seen = {
        name
        for name, azimuth, elevation in zip(
            sky.satellites, sky.azimuth_deg, sky.elevation_deg, strict=True
        )
        if HALVES[half](azimuth, elevation)
    }
    part = replace(
        observed,
        epochs=[
            (gps_ms, {name: values for name, values in epoch.items() if name in seen})
            for gps_ms, epoch in observed.epochs
        ],
    )
    for signals in (None, {"1C", "1X"}):
        solution = solved(part, navigation, systems=systems, signals=signals).solution
        if solution is None:  # four satellites of two systems, and the like
            continue
        east, north, up = offset_enu_m(tuple(observed.position_m.tolist()), solution)
        assert np.hypot(east, north) < solution.plan_error_m
        assert abs(up) < solution.height_error_m
        if half == "whole" and systems == "GE":  # and says something where the sky is whole
            assert solution.plan_error_m < 3.0
            assert solution.height_error_m < 7.0
