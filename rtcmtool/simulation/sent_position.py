"""Where the base believes it stands: what the crew typed, and every way to type it wrong."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss import geodesy
from rtcmtool.simulation.faults import Fault
from rtcmtool.simulation.scenario import Scenario

Floats = npt.NDArray[np.float64]

FOOT_M = 0.3048  # international foot, exact
_TAG_AVERAGE = 11  # of random numbers: every use has its own
# From the base's mark to that of the second base, east, north, up: judgement, some way off.
SECOND_BASE_ENU_M = (1910.0, -655.0, 11.0)
_SECOND_HEIGHT_M = 1.804


@dataclass(frozen=True, eq=False, slots=True)
class SentPosition:
    """What 1005 and 1006 say: earth-fixed ARP, shape (3,), and antenna height, m."""

    arp_ecef_m: Floats
    antenna_height_m: float


def mark_ecef_m(scenario: Scenario) -> Floats:
    """Give the true mark of the base, earth-fixed, shape (3,), m."""
    base = scenario.base
    return geodesy.ecef_from_degrees(
        base.latitude_deg, base.longitude_deg, base.ellipsoidal_height_m
    )


def true_arp_ecef_m(scenario: Scenario) -> Floats:
    """Give the true ARP of the base before any bump, earth-fixed, shape (3,), m."""
    return geodesy.arp_from_mark(mark_ecef_m(scenario), scenario.base.antenna_height_m)


def sent_position(scenario: Scenario, active: Mapping[str, Fault]) -> SentPosition:
    """Give the position that the base sends while some faults act.

    Parameters
    ----------
    scenario : Scenario
        True and typed coordinates.
    active : mapping
        Faults by kind.
    """
    base, typed = scenario.base, scenario.typed
    latitude_deg = base.latitude_deg if typed.latitude_deg is None else typed.latitude_deg
    longitude_deg = base.longitude_deg if typed.longitude_deg is None else typed.longitude_deg
    height_m = typed.ellipsoidal_height_m
    height_m = base.ellipsoidal_height_m if height_m is None else height_m
    if "degree-off" in active:
        latitude_deg = max(-90.0, min(90.0, latitude_deg + active["degree-off"].number))
    if "sign-swapped" in active:
        longitude_deg = -longitude_deg
    mark_m = geodesy.ecef_from_degrees(latitude_deg, longitude_deg, height_m)
    if "wrong-mark" in active:
        mark_m = mark_m + geodesy.ecef_from_enu(np.array(active["wrong-mark"].vector_m), mark_m)
    if "new-average" in active:
        mark_m = mark_m + geodesy.ecef_from_enu(
            _average_enu_m(scenario.seed, active["new-average"]), mark_m
        )
    antenna_m = _typed_antenna_m(scenario, active)
    return SentPosition(geodesy.arp_from_mark(mark_m, antenna_m), antenna_m)


def second_position(scenario: Scenario) -> SentPosition:
    """Give the true position of the second base, which it sends."""
    first_m = mark_ecef_m(scenario)
    mark_m = first_m + geodesy.ecef_from_enu(np.array(SECOND_BASE_ENU_M), first_m)
    return SentPosition(geodesy.arp_from_mark(mark_m, _SECOND_HEIGHT_M), _SECOND_HEIGHT_M)


def _typed_antenna_m(scenario: Scenario, active: Mapping[str, Fault]) -> float:
    base = scenario.base
    given_m = scenario.typed.antenna_height_m
    antenna_m = base.antenna_height_m if given_m is None else given_m
    if "wrong-height" in active:
        return active["wrong-height"].number
    if "height-in-feet" in active:
        return antenna_m / FOOT_M
    if "slant-as-vertical" in active:
        return math.hypot(antenna_m + base.slant_mark_above_arp_m, base.slant_radius_m)
    return antenna_m


def _average_enu_m(seed: int, fault: Fault) -> Floats:
    """Give how far a newly averaged position is off; most of it in height, as it is."""
    random = np.random.default_rng([seed, _TAG_AVERAGE, round(fault.start_s * 1000)])
    direction = random.normal(size=3) * (0.5, 0.5, 1.0)
    offset: Floats = direction / np.linalg.norm(direction) * fault.number
    return offset
