"""Satellites of all systems together: states, states at emission, and what a receiver sees."""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss.ephemerides import (
    ORBIT_CONSTANTS,
    Ephemeris,
    GlonassColumns,
    GlonassEphemeris,
    KeplerColumns,
    KeplerEphemeris,
)
from rtcmtool.gnss.geodesy import azimuth_elevation, distance_m
from rtcmtool.gnss.glonass_orbits import acceleration_m_s2, glonass_states
from rtcmtool.gnss.orbits import SatelliteStates, kepler_states, rotate_for_travel
from rtcmtool.gnss.signals import C_M_S

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

_USUAL_TRAVEL_S = 0.075  # to a medium orbit; a start for the iteration only


@dataclass(frozen=True, eq=False)
class SatelliteTable:
    """Chosen records of n satellites, one each, ready for evaluation.

    The order of `ephemerides` is that of the last axis of all results.
    """

    ephemerides: tuple[Ephemeris, ...]
    kepler: KeplerColumns
    kepler_rows: IntArray
    glonass: GlonassColumns
    glonass_rows: IntArray
    earth_rate_rad_s: FloatArray

    @classmethod
    def stack(cls, ephemerides: Iterable[Ephemeris]) -> "SatelliteTable":
        """Stack records (one a satellite, as `ephemerides.select_all` gives them)."""
        records = tuple(ephemerides)
        kepler = [
            (row, record)
            for row, record in enumerate(records)
            if isinstance(record, KeplerEphemeris)
        ]
        glonass = [
            (row, record)
            for row, record in enumerate(records)
            if isinstance(record, GlonassEphemeris)
        ]
        return cls(
            ephemerides=records,
            kepler=KeplerColumns.stack([record for _, record in kepler]),
            kepler_rows=np.array([row for row, _ in kepler], dtype=np.int64),
            glonass=GlonassColumns.stack([record for _, record in glonass]),
            glonass_rows=np.array([row for row, _ in glonass], dtype=np.int64),
            earth_rate_rad_s=np.array([ORBIT_CONSTANTS[record.system][1] for record in records]),
        )

    @property
    def satellites(self) -> tuple[str, ...]:
        """RINEX names, in order."""
        return tuple(record.satellite for record in self.ephemerides)

    @property
    def size(self) -> int:
        """Number of satellites."""
        return len(self.ephemerides)


@dataclass(frozen=True, eq=False)
class Sight:
    """What a receiver at a known place sees; leading axes (n,) or (m, n).

    `range_m` is the geometric way of the signal from the satellite at emission to the receiver at
    reception, `range_rate_m_s` its change, `direction` the unit vector to the satellite in the
    earth-fixed frame at reception, `clock_s` the satellite clock at emission (without group delay).
    """

    range_m: FloatArray
    range_rate_m_s: FloatArray
    direction: FloatArray
    azimuth_rad: FloatArray
    elevation_rad: FloatArray
    clock_s: FloatArray
    clock_rate_s_s: FloatArray


def satellite_states(
    table: SatelliteTable, gps_ms: npt.ArrayLike, offset_s: npt.ArrayLike = 0.0
) -> SatelliteStates:
    """Evaluate all satellites of a table.

    Parameters
    ----------
    table : SatelliteTable
        Records of n satellites.
    gps_ms, offset_s : array_like, shapes that broadcast with (n,)
        Time of each satellite, ms of GPS time, and seconds to be added; shape (m, 1) gives m times
        of all satellites.

    Returns
    -------
    SatelliteStates
        Leading axes (n,) or (m, n).
    """
    whole = np.asarray(gps_ms)
    offset = np.asarray(offset_s, dtype=np.float64)
    shape = np.broadcast_shapes(whole.shape, offset.shape, (table.size,))
    if table.glonass.size == 0:
        return kepler_states(table.kepler, np.broadcast_to(whole, shape), offset)
    whole, offset = np.broadcast_to(whole, shape), np.broadcast_to(offset, shape)
    result = SatelliteStates(
        np.empty((*shape, 3)), np.empty((*shape, 3)), np.empty(shape), np.empty(shape)
    )
    for rows, states in (
        (
            table.kepler_rows,
            kepler_states(
                table.kepler, whole[..., table.kepler_rows], offset[..., table.kepler_rows]
            ),
        ),
        (
            table.glonass_rows,
            glonass_states(
                table.glonass, whole[..., table.glonass_rows], offset[..., table.glonass_rows]
            ),
        ),
    ):
        result.position_m[..., rows, :] = states.position_m
        result.velocity_m_s[..., rows, :] = states.velocity_m_s
        result.clock_s[..., rows] = states.clock_s
        result.clock_rate_s_s[..., rows] = states.clock_rate_s_s
    return result


def _shift(states: SatelliteStates, acceleration: FloatArray, by_s: FloatArray) -> SatelliteStates:
    """Move states by less than a tenth of a second: to 1e-8 m what a new evaluation gives."""
    by = by_s[..., np.newaxis]
    return SatelliteStates(
        states.position_m + by * (states.velocity_m_s + by / 2.0 * acceleration),
        states.velocity_m_s + by * acceleration,
        states.clock_s + states.clock_rate_s_s * by_s,
        states.clock_rate_s_s,
    )


def emission_states(
    table: SatelliteTable,
    gps_ms: npt.ArrayLike,
    pseudorange_m: FloatArray,
) -> SatelliteStates:
    """Evaluate satellites when they sent what a receiver measured.

    Parameters
    ----------
    table : SatelliteTable
        Records of n satellites.
    gps_ms : array_like, shape () or (m, 1)
        Epoch label, ms: the receiver's clock, however wrong.
    pseudorange_m : ndarray, shape (n,) or (m, n)
        Measured with that same clock, whose error cancels therefore.

    Returns
    -------
    SatelliteStates
        In the earth-fixed frame at emission: rotate for the travel before use.
    """
    sent_by_satellite_clock = -np.asarray(pseudorange_m, dtype=np.float64) / C_M_S
    states = satellite_states(table, gps_ms, sent_by_satellite_clock)
    acceleration = acceleration_m_s2(states.position_m, states.velocity_m_s)
    return _shift(states, acceleration, -states.clock_s)


def sight(
    table: SatelliteTable,
    gps_ms: npt.ArrayLike,
    receiver_m: npt.ArrayLike,
    offset_s: npt.ArrayLike = 0.0,
) -> Sight:
    """Find range, direction and satellite clock for a receiver at a known place.

    Parameters
    ----------
    table : SatelliteTable
        Records of n satellites.
    gps_ms, offset_s : array_like, shapes that broadcast with (n,)
        True time of reception (not the receiver's label), ms, and seconds to be added.
    receiver_m : array_like, shape (3,) or (m, 1, 3)
        Earth-fixed place of the receiver at reception, m, taken as at rest.

    Returns
    -------
    Sight
        Leading axes (n,) or (m, n).
    """
    receiver = np.asarray(receiver_m, dtype=np.float64)
    offset = np.asarray(offset_s, dtype=np.float64)
    states = satellite_states(table, gps_ms, offset - _USUAL_TRAVEL_S)
    travel = np.full(states.clock_s.shape, _USUAL_TRAVEL_S)
    acceleration = acceleration_m_s2(states.position_m, states.velocity_m_s)
    now = states
    for _ in range(3):  # the travel settles to 1e-15 s: each round gains a factor of 1e5
        rotated = rotate_for_travel(now.position_m, travel, table.earth_rate_rad_s)
        travel = distance_m(rotated, receiver) / C_M_S
        now = _shift(states, acceleration, _USUAL_TRAVEL_S - travel)
    rotated = rotate_for_travel(now.position_m, travel, table.earth_rate_rad_s)
    velocity = rotate_for_travel(now.velocity_m_s, travel, table.earth_rate_rad_s)
    distance = distance_m(rotated, receiver)
    direction = (rotated - receiver) / distance[..., np.newaxis]
    azimuth, elevation = azimuth_elevation(receiver, rotated)
    # A receiver at rest in the frame of reception: the satellite's own motion towards it and the
    # lengthening of the way while the signal is under way.
    approach: FloatArray = np.einsum("...i,...i->...", direction, velocity)
    turn = table.earth_rate_rad_s * (
        direction[..., 0] * rotated[..., 1] - direction[..., 1] * rotated[..., 0]
    )
    rate = approach / (1.0 + (approach - turn) / C_M_S)
    return Sight(distance, rate, direction, azimuth, elevation, now.clock_s, now.clock_rate_s_s)
