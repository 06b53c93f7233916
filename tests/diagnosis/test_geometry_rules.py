"""Geometry, and the sent position against the base's own measurement, under a made sky."""

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest

from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.geometry_rules import position_matches_code
from rtcmtool.gnss.ephemerides import KeplerEphemeris
from rtcmtool.gnss.geodesy import ecef_from_enu
from rtcmtool.gnss.time import MS_PER_DAY
from rtcmtool.gnss.visibility import dops, visible_satellites
from tests.diagnosis.finding_values import parts, value
from tests.diagnosis.judging import BAD, OK, UNKNOWN, WATCH, found, is_complete
from tests.made_skies import above, base_under_sky, constellation, state_under_sky
from tests.streams import ARP_M, START_MS, base_stream, state_of


def place(east=0.0, north=0.0, up=0.0):
    """Give a place beside the base."""
    return tuple((np.array(ARP_M) + ecef_from_enu([east, north, up], ARP_M)).tolist())


# ---- geometry ----------------------------------------------------------------------------------


def test_a_full_sky_has_a_good_geometry():
    finding = found("geometry", state_under_sky(base_under_sky(60)))
    assert finding.state is OK
    assert 1.0 < value(finding) < 2.0
    assert parts(finding)["satellites"] == len(above(10.0))
    assert parts(finding)["missing"] == []


@pytest.mark.parametrize(
    ("limits", "state"), [((9.0, 20.0), OK), ((2.0, 20.0), WATCH), ((1.0, 1.5), BAD)]
)
def test_the_limits_of_pdop_decide(limits, state):
    state_ = state_under_sky(base_under_sky(60, satellites=above(12.0, "G")))
    told = {"geometry": limits[0], "geometry_bad": limits[1]}
    finding = found("geometry", state_, limits=told)
    assert 2.0 < value(finding) < 9.0
    assert finding.state is state
    assert is_complete(finding)


def test_satellites_that_determine_no_position_are_a_bad_geometry():
    def few(columns):
        columns["keep"][:] = (columns["epoch"] < 20) | np.isin(columns["name"], above()[:3])

    finding = found("geometry", state_under_sky(base_under_sky(120, edit=few)))
    assert (finding.state, finding.value) == (BAD, None)
    assert finding.text.startswith("the 3 satellites determine no position")
    assert is_complete(finding)


def test_satellites_that_should_be_there_are_named_with_their_direction():
    names = above()
    finding = found("geometry", state_under_sky(base_under_sky(60, satellites=names[2:])))
    assert set(parts(finding)["missing"]) == set(names[:2])
    assert f"not in the stream: {parts(finding)['missing'][0]} (azimuth" in finding.text
    assert parts(finding)["obstructed"]


def test_all_that_is_told_is_of_one_epoch():
    # Three quarters of the time four satellites alone: their PDOP, their number, their DOPs.
    names = above(12.0, "G")

    def few(columns):
        columns["keep"][:] = (columns["epoch"] < 30) | np.isin(columns["name"], names[:4])

    finding = found("geometry", state_under_sky(base_under_sky(120, satellites=names, edit=few)))
    told = parts(finding)
    assert told["satellites"] == 4
    assert " with 4 satellites above 10 degrees" in finding.text
    assert np.hypot(told["hdop"], told["vdop"]) == pytest.approx(value(finding), rel=1e-9)


def test_the_directions_in_which_the_sky_is_hidden_are_told_as_sectors():
    state = state_under_sky(base_under_sky(60))
    sky = state.quality.fix.sky
    sky._expected[:] = 20
    sky._seen[:] = 20
    sky._seen[[11, 0, 1, 5], 1] = 0
    assert "hidden" not in found("geometry", state).text  # nothing is missing
    sky.satellites[above()[0]].seen = 0
    assert found("geometry", state).text.endswith(
        "; hidden: azimuth 150 to 180 and 330 to 60, up to 30 degrees high"
    )


def test_a_system_that_is_switched_off_is_not_missing():
    state = state_under_sky(base_under_sky(60, satellites=above(12.0, "G")))
    assert parts(found("geometry", state))["missing"] == []


def test_a_poor_geometry_from_few_ephemerides_is_not_known():
    names = above(10.0, "G")
    known = [record for record in constellation() if record.satellite in names[:4]]
    state = state_under_sky(base_under_sky(60), known)
    finding = found("geometry", state, limits={"geometry": 1.0, "geometry_bad": 1.2})
    assert finding.state is UNKNOWN


@pytest.mark.parametrize(
    ("navigation", "has_date", "words"),
    [
        ((), True, "no ephemerides in the stream"),
        (None, False, "--date"),
        ("stale", True, "another time"),
        ("few", True, "do not determine"),
    ],
)
def test_what_a_solution_lacks_is_said(navigation, has_date, words):
    if navigation == "stale":
        state = _state_a_day_later()
    else:
        few = [record for record in constellation() if record.satellite in above()[:3]]
        known = few if navigation == "few" else navigation
        state = state_under_sky(base_under_sky(60), known, has_date=has_date)
    for rule in ("geometry", "position_matches_code"):
        finding = found(rule, state)
        assert finding.state is UNKNOWN
        assert words in finding.text


def _state_a_day_later():
    late = [
        replace(
            record,
            toe_gps_s=record.toe_gps_s + MS_PER_DAY / 1000,
            toc_gps_s=record.toc_gps_s + MS_PER_DAY / 1000,
        )
        for record in constellation()
        if isinstance(record, KeplerEphemeris)
    ]
    return state_under_sky(base_under_sky(60), late)


def test_streams_without_ranges_cannot_tell():
    for stream, why in (
        (b"", "no observations came"),
        (base_stream(30, numbers=(1073,)), "no usable observations"),
    ):
        finding = found("geometry", stream)
        assert (finding.state, finding.text) == (UNKNOWN, why)


# ---- own measurement ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("off", "state", "limit"),
    [
        ({}, OK, 8.0),
        ({"east": 2.0}, OK, 3.0),
        ({"up": 6.0}, OK, 8.0),
        ({"north": 5.0}, WATCH, 3.0),
        ({"up": -11.0}, WATCH, 8.0),
        ({"east": -14.0}, BAD, 10.0),
        ({"up": 18.0}, BAD, 15.0),
        ({"east": 30_000.0, "up": 40.0}, BAD, 10.0),
    ],
)
def test_plan_and_height_have_their_own_limits(off, state, limit):
    finding = found(
        "position_matches_code", state_under_sky(base_under_sky(330, sent_m=place(**off)))
    )
    assert (finding.state, finding.limit) == (state, limit)
    assert is_complete(finding)
    assert (
        parts(finding)["plan"]
        == pytest.approx(np.hypot(off.get("east", 0.0), off.get("north", 0.0)), abs=0.6)
        or off.get("east", 0.0) > 1000
    )
    if "up" in off and off["up"] < 1000 and "east" not in off:
        assert parts(finding)["height"] == pytest.approx(off["up"], abs=1.0)
    assert finding.value == max(parts(finding)["plan"], abs(parts(finding)["height"]))


def test_a_height_alone_points_to_the_geoid():
    state = state_under_sky(base_under_sky(330, sent_m=place(up=-36.0)))
    finding = found("position_matches_code", state)
    assert finding.state is BAD
    assert "geoid" in (finding.action or "")
    assert "36.0 m below" in finding.text or "35." in finding.text


@pytest.mark.parametrize(
    ("off", "state"),
    [
        ({}, UNKNOWN),
        ({"east": 14.0}, UNKNOWN),  # bad after five minutes
        ({"east": 60.0}, BAD),
        ({"up": 100.0}, BAD),
    ],
)
def test_a_short_stream_is_judged_only_when_it_is_far_off(off, state):
    stream = base_under_sky(60, sent_m=place(**off))
    finding = found("position_matches_code", state_under_sky(stream))
    assert finding.state is state
    if state is UNKNOWN:
        assert "needs 5 min" in finding.text


def test_without_a_position_there_is_nothing_to_compare():
    finding = found("position_matches_code", state_under_sky(base_under_sky(60, sent_m=None)))
    assert (finding.state, finding.text) == (UNKNOWN, "no position was sent")


def test_one_band_is_told_and_good_to_less():
    def one_band(columns):
        columns["keep"][:] = columns["signal"] == "1C"

    state = state_under_sky(base_under_sky(330, edit=one_band))
    finding = found("position_matches_code", state)
    assert "one band" in finding.text
    two = found("position_matches_code", state_under_sky(base_under_sky(330)))
    assert "two bands" in two.text
    assert parts(finding)["height_error"] > parts(two)["height_error"]


def _weakest_sky():
    """Name four satellites of GPS that determine a height badly."""
    sky = visible_satellites(constellation(), START_MS, ARP_M, above_deg=12.0, systems={"G"})
    azimuth, elevation = np.radians(sky.azimuth_deg), np.radians(sky.elevation_deg)
    fours = [list(four) for four in combinations(range(len(sky.satellites)), 4)]
    geometries = [(dops(azimuth[four], elevation[four]), four) for four in fours]
    known = [(each.vdop, four) for each, four in geometries if each is not None]
    vdop, four = max(item for item in known if item[0] < 60.0)
    assert vdop > 25.0
    return [sky.satellites[row] for row in four]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("up", "state"), [(0.0, UNKNOWN), (-12.0, UNKNOWN), (16.0, UNKNOWN), (900.0, BAD)]
)
def test_a_geometry_too_weak_to_tell_gives_no_verdict_unless_far_beyond_its_own_error(up, state):
    stream = base_under_sky(330, satellites=_weakest_sky(), sent_m=place(up=up))
    finding = found("position_matches_code", state_under_sky(stream))
    assert parts(finding)["height_error"] > 15.0
    assert finding.state is state
    if state is UNKNOWN:
        assert "too weak to tell" in finding.text


def test_a_navigation_file_given_late_is_used():
    state = state_under_sky(base_under_sky(330), ())
    assert found("position_matches_code", state).state is UNKNOWN
    finding = found("position_matches_code", state, navigation=constellation())
    assert finding.state is OK
    assert found("geometry", state, navigation=constellation()).state is OK


def test_a_satellite_with_a_wrong_range_is_left_out():
    worst = above()[3]

    def edit(columns):
        columns["code_m"][columns["name"] == worst] += 400.0

    state = state_under_sky(base_under_sky(330, edit=edit))
    finding = position_matches_code(Context(state))
    assert finding.state is OK
    assert worst in parts(finding)["rejected"]


def test_a_changed_limit_moves_both():
    state = state_under_sky(base_under_sky(330, sent_m=place(up=6.0)))
    told = {"position_matches_code": 1.5, "position_matches_code_bad": 3.0}
    finding = found("position_matches_code", state, limits=told)
    assert (finding.state, finding.limit) == (BAD, 4.5)


def test_a_stream_without_ephemerides_has_its_position_still():
    finding = found("position_matches_code", state_of(base_stream(30)))
    assert finding.state is UNKNOWN
    assert "ephemerides" in finding.text
