"""Systems that serve a region: far from it a base has none of their satellites, and sends nothing.

A message that is announced and never comes is a fault only where a satellite of its system must be
in view: by the orbits that are known, or because one that stands over the equator is.
"""

import math
from collections.abc import Iterable

import numpy as np

from rtcmtool.gnss.geodesy import azimuth_elevation
from rtcmtool.gnss.visibility import MARGIN_DEG, MASK_DEG
from rtcmtool.monitor.stream_state import StreamState
from rtcmtool.wire.catalogue import system_of

ORBIT_M = 42_164_000.0  # radius of geostationary orbits
# Longitudes, degrees east, of satellites over the equator (from memory of IS-QZSS and of the NavIC
# interface document). Those that carry SBAS depend on what the base is set to.
STANDING_DEG = {"J": (127.0,), "I": (32.5, 83.0, 129.5), "S": ()}
LOWEST_DEG = MASK_DEG + MARGIN_DEG


def out_of_view(state: StreamState, numbers: Iterable[int]) -> list[int]:
    """Give the messages whose system need not have a satellite in view.

    Parameters
    ----------
    state : StreamState
        With the position of the base, and orbits where they are known.
    numbers : iterable of int
        Message numbers.
    """
    return [number for number in numbers if may_be_away(state, system_of(number))]


def may_be_away(state: StreamState, letter: str | None) -> bool:
    """Tell whether a system, by its RINEX letter, may have no satellite over the base."""
    if letter not in STANDING_DEG:
        return False
    seen = state.quality.fix.sky.latest
    if seen is not None and any(
        name.startswith(letter) and elevation >= LOWEST_DEG
        for name, elevation in zip(seen.satellites, seen.elevation_deg.tolist(), strict=True)
    ):
        return False
    station = state.base.stations.get(-1 if state.main_station is None else state.main_station)
    sent = station.latest_position if station else None
    if sent is None or not any(sent.arp_ecef_m):
        return True
    return highest_standing_deg(letter, sent.arp_ecef_m) < LOWEST_DEG


def highest_standing_deg(letter: str, place_m: Iterable[float]) -> float:
    """Give the elevation of the highest satellite that stands over the equator, degrees.

    Parameters
    ----------
    letter : str
        RINEX letter of a system in `STANDING_DEG`.
    place_m : iterable of float
        Earth-fixed position, m.

    Returns
    -------
    float
        -90 where the system has none.
    """
    longitudes = np.radians(np.array(STANDING_DEG[letter]))
    if not len(longitudes):
        return -90.0
    satellites = ORBIT_M * np.column_stack(
        (np.cos(longitudes), np.sin(longitudes), np.zeros(len(longitudes)))
    )
    _, elevation = azimuth_elevation(list(place_m), satellites)
    return math.degrees(float(np.max(elevation)))
