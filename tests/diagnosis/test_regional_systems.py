"""Systems of a region are missed only where their satellites must be in view."""

import math

import numpy as np
import pytest

from rtcmtool.diagnosis.announced_stream import compare_announced
from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.finding import Finding, State
from rtcmtool.diagnosis.regional_systems import (
    LOWEST_DEG,
    highest_standing_deg,
    may_be_away,
    out_of_view,
)
from rtcmtool.diagnosis.site_sheet import SiteMessages, SiteSheet
from rtcmtool.diagnosis.verdict import RULE_FUNCTIONS
from rtcmtool.gnss.geodesy import ecef_from_degrees
from rtcmtool.gnss.visibility import Visible
from rtcmtool.monitor.stream_state import StreamState
from rtcmtool.sources.sourcetable import Stream
from tests.streams import base_stream, every, position, state_of

NEAR = (35.0, 140.0, 20.0)  # under the region's satellites
FAR = (45.0, 10.0, 200.0)
PLANNED = {1074: 1.0, 1114: 1.0}


def heard(place: tuple[float, float, float]) -> StreamState:
    x, y, z = ecef_from_degrees(*place).round(4).tolist()
    return state_of(base_stream(30, numbers=(1074,), extras=[every(position((x, y, z)), 30, 10)]))


def judged(state: StreamState) -> Finding:
    sheet = SiteSheet(messages=SiteMessages(intervals_s=PLANNED))
    return RULE_FUNCTIONS["announced_messages"](Context(state, sheet=sheet))


@pytest.mark.parametrize(
    ("latitude_deg", "away_deg"),
    [(0.0, 0.0), (0.0, 60.0), (35.0, 13.0), (-33.0, 24.0), (60.0, 90.0)],
)
def test_elevations_agree_with_the_textbook_on_geostationary_satellites(
    latitude_deg: float, away_deg: float
) -> None:
    # On a sphere: tan e = (cos g - R / r) / sin g, g the angle at the centre of the Earth
    # (satellite communication textbooks, from memory). The ellipsoid changes less than 0.3 degrees.
    place = ecef_from_degrees(latitude_deg, 127.0 + away_deg, 0.0).tolist()
    at_centre = math.acos(math.cos(math.radians(latitude_deg)) * math.cos(math.radians(away_deg)))
    if at_centre:
        tangent = (math.cos(at_centre) - 6378.137 / 42_164.0) / math.sin(at_centre)
        expected_deg = math.degrees(math.atan(tangent))
    else:
        expected_deg = 90.0
    assert highest_standing_deg("J", place) == pytest.approx(expected_deg, abs=0.3)


def test_a_base_in_the_region_must_send_what_was_announced() -> None:
    finding = judged(heard(NEAR))
    assert finding.state is State.BAD
    assert finding.text == "missing: 1114"


def test_a_base_far_from_the_region_is_not_blamed() -> None:
    finding = judged(heard(FAR))
    assert finding.state is State.OK
    assert finding.text == "1 of 2 come; 1114: no satellite need be in view"
    assert finding.values is not None
    assert finding.values["out_of_view"] == [1114]


@pytest.mark.parametrize(("elevation_deg", "state"), [(40.0, State.BAD), (5.0, State.OK)])
def test_orbits_that_are_known_tell_it_for_any_place(elevation_deg: float, state: State) -> None:
    made = heard(FAR)
    made.quality.fix.sky.latest = Visible(
        ("G05", "J02"), np.array([10.0, 80.0]), np.array([50.0, elevation_deg])
    )
    assert judged(made).state is state


def test_world_wide_systems_are_always_missed() -> None:
    state = heard(FAR)
    numbers = (1074, 1084, 1094, 1124, 1005, 1114, 1104, 1134)
    assert out_of_view(state, numbers) == [1114, 1104]  # NavIC stands over the Indian Ocean
    assert out_of_view(heard((45.0, -120.0, 20.0)), numbers) == [1114, 1104, 1134]
    assert not may_be_away(state, None)


def test_without_a_position_nothing_of_a_region_is_missed() -> None:
    assert may_be_away(state_of(base_stream(30, extras=[])), "J")


def test_satellites_of_sbas_are_known_by_orbits_alone() -> None:
    assert may_be_away(heard(NEAR), "S")
    assert highest_standing_deg("S", ecef_from_degrees(*NEAR)) < LOWEST_DEG


def test_what_a_caster_announces_is_compared_likewise() -> None:
    announced = Stream("HILL", details="1074(1),1114(1)", systems=("GPS", "QZS"))

    def states(place: tuple[float, float, float]) -> tuple[State, State]:
        found = {f.rule.name: f.state for f in compare_announced(announced, heard(place), 30.0)}
        return found["stream_messages"], found["stream_systems"]

    assert states(NEAR) == (State.BAD, State.BAD)
    assert states(FAR) == (State.OK, State.OK)
    galileo = Stream("HILL", details="1074(1),1094(1)", systems=("GPS", "GAL"))
    found = {f.rule.name: f.state for f in compare_announced(galileo, heard(FAR), 30.0)}
    assert found["stream_systems"] is State.BAD
