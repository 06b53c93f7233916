"""GLONASS positions and clocks: numerical integration of the broadcast state.

Costly when called time by time (some fifteen steps of four evaluations each): call it for many
times at once, or take one result and go on from it with `propagate`.
"""

import math

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss.ephemerides import ORBIT_CONSTANTS, GlonassColumns
from rtcmtool.gnss.orbits import SatelliteStates, elapsed_s

FloatArray = npt.NDArray[np.float64]

GM_M3_S2, EARTH_RATE_RAD_S = ORBIT_CONSTANTS["R"]
EARTH_RADIUS_M = 6_378_136.0  # PZ-90: GLONASS ICD 5.1, from memory
J2 = 1.08262575e-3  # the same
STEP_S = 60.0  # agrees with steps of 1 s to a millimetre over 15 minutes


def propagate(
    position_m: FloatArray,
    velocity_m_s: FloatArray,
    acceleration_m_s2: FloatArray,
    duration_s: npt.ArrayLike,
) -> tuple[FloatArray, FloatArray]:
    """Carry states along the orbit, forward or back.

    Parameters
    ----------
    position_m, velocity_m_s, acceleration_m_s2 : ndarray, shapes that broadcast to (..., 3)
        Earth-fixed state and the constant acceleration by Moon and Sun.
    duration_s : array_like, shape (...)
        How far, seconds; each row its own.

    Returns
    -------
    position_m, velocity_m_s : ndarray of float64, shape (..., 3)

    Notes
    -----
    Fourth-order Runge-Kutta, steps of 60 s, the last one shortened. Central force, flattening and
    the rotation of the frame as in the simplified equations of the GLONASS ICD A.3.1.2 (from
    memory).
    """
    remaining = np.asarray(duration_s, dtype=np.float64)
    shape = np.broadcast_shapes(
        np.shape(position_m)[:-1], np.shape(acceleration_m_s2)[:-1], remaining.shape
    )
    # Components first: every operation then runs over whole contiguous rows.
    state = np.empty((6, *shape))
    state[:3] = np.moveaxis(np.broadcast_to(position_m, (*shape, 3)), -1, 0)
    state[3:] = np.moveaxis(np.broadcast_to(velocity_m_s, (*shape, 3)), -1, 0)
    pull = np.moveaxis(np.broadcast_to(acceleration_m_s2, (*shape, 3)), -1, 0)
    remaining = np.broadcast_to(remaining, shape).copy()
    longest = np.abs(remaining).max(initial=0.0, where=np.isfinite(remaining))
    steps = math.ceil(longest / STEP_S)
    remaining[~np.isfinite(remaining)] = np.nan
    for _ in range(steps):
        step = np.clip(remaining, -STEP_S, STEP_S)
        first = _derivative(state, pull)
        second = _derivative(state + first * (step / 2.0), pull)
        third = _derivative(state + second * (step / 2.0), pull)
        fourth = _derivative(state + third * step, pull)
        state += (first + 2.0 * (second + third) + fourth) * (step / 6.0)
        remaining -= step
    return np.moveaxis(state[:3], 0, -1).copy(), np.moveaxis(state[3:], 0, -1).copy()


def acceleration_m_s2(position_m: FloatArray, velocity_m_s: FloatArray) -> FloatArray:
    """Give the acceleration in the rotating frame, Moon and Sun left out.

    It holds for any satellite of the Earth: in a tenth of a second the rest is a nanometre.

    Parameters
    ----------
    position_m, velocity_m_s : ndarray, shape (..., 3)

    Returns
    -------
    ndarray of float64, shape (..., 3)
    """
    state = np.concatenate((np.moveaxis(position_m, -1, 0), np.moveaxis(velocity_m_s, -1, 0)))
    return np.moveaxis(_derivative(state, np.zeros(3))[3:], 0, -1)


def _derivative(state: FloatArray, pull: FloatArray) -> FloatArray:
    """Give velocity and acceleration of states of shape (6, ...)."""
    x, y, z, vx, vy, _ = state
    radius_squared = x * x + y * y + z * z
    central = GM_M3_S2 / (radius_squared * np.sqrt(radius_squared))
    flattening = 1.5 * J2 * EARTH_RADIUS_M**2 / radius_squared
    z_share = 5.0 * z * z / radius_squared
    equatorial = EARTH_RATE_RAD_S**2 - central * (1.0 + flattening * (1.0 - z_share))
    result = np.empty_like(state)
    result[:3] = state[3:]
    result[3] = equatorial * x + 2.0 * EARTH_RATE_RAD_S * vy + pull[0]
    result[4] = equatorial * y - 2.0 * EARTH_RATE_RAD_S * vx + pull[1]
    result[5] = -central * (1.0 + flattening * (3.0 - z_share)) * z + pull[2]
    return result


def glonass_states(
    columns: GlonassColumns, gps_ms: npt.ArrayLike, offset_s: npt.ArrayLike = 0.0
) -> SatelliteStates:
    """Evaluate GLONASS ephemerides.

    Parameters
    ----------
    columns : GlonassColumns
        Records of n satellites.
    gps_ms, offset_s : array_like, shapes that broadcast with (n,)
        Time of each satellite; shape (m, 1) gives m times of all satellites.

    Returns
    -------
    SatelliteStates
        Leading axes (n,) or (m, n). PZ-90 is taken for WGS 84 (they differ by centimetres). The
        clock needs no relativity term of its own: it is in the broadcast values.
    """
    since_tb_s = elapsed_s(gps_ms, offset_s, columns.tb_gps_s)
    position, velocity = propagate(
        columns.position_m, columns.velocity_m_s, columns.acceleration_m_s2, since_tb_s
    )
    clock = columns.gamma_n * since_tb_s - columns.tau_n_s
    return SatelliteStates(position, velocity, clock, np.broadcast_to(columns.gamma_n, clock.shape))
