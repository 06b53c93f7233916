"""Satellite positions, velocities and clocks from Kepler ephemerides, and group delays.

A time is a pair: `gps_ms` (GPS time, whole milliseconds) and `offset_s` (what is to be added,
seconds), so that no digit is lost: seconds since 1980 in one double step by 0.2 microseconds, in
which a satellite moves half a millimetre.
"""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss.ephemerides import (
    FNAV,
    Ephemeris,
    GlonassEphemeris,
    KeplerColumns,
    KeplerEphemeris,
)
from rtcmtool.gnss.signals import C_M_S, carrier_hz
from rtcmtool.gnss.time import MS_PER_SECOND

FloatArray = npt.NDArray[np.float64]

_NEWTON_STEPS = 5  # reach 1e-14 rad for the eccentricities of navigation satellites
_GEO_TILT_RAD = math.radians(-5.0)  # BDS-SIS-ICD 5.2.4.12, from memory
_L1_HZ = carrier_hz("G", "1C")
_S_HZ = carrier_hz("I", "9A")


@dataclass(frozen=True, eq=False)
class SatelliteStates:
    """Positions, velocities and clocks of satellites, leading axes as the call broadcasts them.

    `position_m` and `velocity_m_s` have shape (..., 3), in the earth-fixed frame of that instant;
    `clock_s` (satellite clock minus system time, relativity included, no group delay) and
    `clock_rate_s_s` have shape (...).
    """

    position_m: FloatArray
    velocity_m_s: FloatArray
    clock_s: FloatArray
    clock_rate_s_s: FloatArray


@dataclass(frozen=True, eq=False)
class _Ellipse:
    """Where a satellite stands on its orbit, and how fast it goes there; shapes (...)."""

    eccentric_anomaly_rad: FloatArray
    eccentric_rate_rad_s: FloatArray
    latitude_argument_rad: FloatArray
    latitude_argument_rate_rad_s: FloatArray
    radius_m: FloatArray
    radius_rate_m_s: FloatArray
    inclination_rad: FloatArray
    inclination_rate_rad_s: FloatArray


def elapsed_s(
    gps_ms: npt.ArrayLike, offset_s: npt.ArrayLike, reference_gps_s: FloatArray
) -> FloatArray:
    """Give the time since a reference without loss of digits.

    Parameters
    ----------
    gps_ms, offset_s : array_like
        GPS time, ms, and seconds to be added to it.
    reference_gps_s : ndarray
        Reference times, s of GPS time.

    Returns
    -------
    ndarray of float64
        Seconds, of the shape to which all three broadcast.
    """
    whole_ms = np.asarray(gps_ms, dtype=np.float64) - reference_gps_s * MS_PER_SECOND
    elapsed: FloatArray = whole_ms / MS_PER_SECOND + np.asarray(offset_s, dtype=np.float64)
    return elapsed


def kepler_states(
    columns: KeplerColumns, gps_ms: npt.ArrayLike, offset_s: npt.ArrayLike = 0.0
) -> SatelliteStates:
    """Evaluate Kepler ephemerides.

    Parameters
    ----------
    columns : KeplerColumns
        Records of n satellites.
    gps_ms, offset_s : array_like, shapes that broadcast with (n,)
        Time of each satellite; shape (m, 1) gives m times of all satellites.

    Returns
    -------
    SatelliteStates
        Leading axes (n,) or (m, n).

    Notes
    -----
    No limit of age is applied. BeiDou geostationary satellites take their own form. The velocity is
    the derivative of the position formulas.

    References
    ----------
    IS-GPS-200 table 20-IV; Galileo OS SIS ICD 5.1.1; BDS-SIS-ICD 5.2.4.12; all from memory.
    """
    since_toe_s = elapsed_s(gps_ms, offset_s, columns.toe_gps_s)
    ellipse = _ellipse(columns, since_toe_s)
    position, velocity = _earth_fixed(columns, since_toe_s, ellipse)
    if columns.is_geostationary.any():
        _tilt_geostationary(columns, since_toe_s, position, velocity)
    clock, rate = _clock(columns, elapsed_s(gps_ms, offset_s, columns.toc_gps_s), ellipse)
    return SatelliteStates(position, velocity, clock, rate)


def _ellipse(columns: KeplerColumns, since_toe_s: FloatArray) -> _Ellipse:
    """Solve Kepler's equation and apply the harmonic corrections."""
    e = columns.eccentricity
    semi_major = columns.sqrt_a_sqrt_m**2
    motion = np.sqrt(columns.gm_m3_s2) / columns.sqrt_a_sqrt_m**3 + columns.delta_n_rad_s
    mean_anomaly = columns.m0_rad + motion * since_toe_s
    anomaly = mean_anomaly + e * np.sin(mean_anomaly)
    for _ in range(_NEWTON_STEPS):
        anomaly -= (anomaly - e * np.sin(anomaly) - mean_anomaly) / (1.0 - e * np.cos(anomaly))
    sine, cosine = np.sin(anomaly), np.cos(anomaly)
    anomaly_rate = motion / (1.0 - e * cosine)
    root = np.sqrt(1.0 - e * e)
    argument = np.arctan2(root * sine, cosine - e) + columns.omega_rad
    argument_rate = root * anomaly_rate / (1.0 - e * cosine)
    sin_2u, cos_2u = np.sin(2.0 * argument), np.cos(2.0 * argument)
    return _Ellipse(
        eccentric_anomaly_rad=anomaly,
        eccentric_rate_rad_s=anomaly_rate,
        latitude_argument_rad=argument + columns.cus_rad * sin_2u + columns.cuc_rad * cos_2u,
        latitude_argument_rate_rad_s=argument_rate
        * (1.0 + 2.0 * (columns.cus_rad * cos_2u - columns.cuc_rad * sin_2u)),
        radius_m=semi_major * (1.0 - e * cosine) + columns.crs_m * sin_2u + columns.crc_m * cos_2u,
        radius_rate_m_s=semi_major * e * sine * anomaly_rate
        + 2.0 * argument_rate * (columns.crs_m * cos_2u - columns.crc_m * sin_2u),
        inclination_rad=columns.i0_rad
        + columns.idot_rad_s * since_toe_s
        + columns.cis_rad * sin_2u
        + columns.cic_rad * cos_2u,
        inclination_rate_rad_s=columns.idot_rad_s
        + 2.0 * argument_rate * (columns.cis_rad * cos_2u - columns.cic_rad * sin_2u),
    )


def _earth_fixed(
    columns: KeplerColumns, since_toe_s: FloatArray, ellipse: _Ellipse
) -> tuple[FloatArray, FloatArray]:
    """Turn the place on the orbit into earth-fixed position and velocity, shapes (..., 3)."""
    rate_from_earth = np.where(columns.is_geostationary, 0.0, columns.earth_rate_rad_s)
    node_rate = columns.omega_dot_rad_s - rate_from_earth
    node = (
        columns.omega0_rad
        + node_rate * since_toe_s
        - columns.earth_rate_rad_s * columns.toe_of_week_s
    )
    sin_u, cos_u = np.sin(ellipse.latitude_argument_rad), np.cos(ellipse.latitude_argument_rad)
    sin_i, cos_i = np.sin(ellipse.inclination_rad), np.cos(ellipse.inclination_rad)
    sin_node, cos_node = np.sin(node), np.cos(node)
    along, across = ellipse.radius_m * cos_u, ellipse.radius_m * sin_u
    turn = ellipse.latitude_argument_rate_rad_s
    along_rate = ellipse.radius_rate_m_s * cos_u - across * turn
    across_rate = ellipse.radius_rate_m_s * sin_u + along * turn
    tilt_rate = ellipse.inclination_rate_rad_s
    flat, flat_rate = across * cos_i, across_rate * cos_i - across * sin_i * tilt_rate
    x = along * cos_node - flat * sin_node
    y = along * sin_node + flat * cos_node
    position = np.stack((x, y, across * sin_i), axis=-1)
    velocity = np.stack(
        (
            along_rate * cos_node - flat_rate * sin_node - y * node_rate,
            along_rate * sin_node + flat_rate * cos_node + x * node_rate,
            across_rate * sin_i + across * cos_i * tilt_rate,
        ),
        axis=-1,
    )
    return position, velocity


def _tilt_geostationary(
    columns: KeplerColumns, since_toe_s: FloatArray, position: FloatArray, velocity: FloatArray
) -> None:
    """Apply the rotations of the BeiDou geostationary form, in place."""
    geo = columns.is_geostationary
    rate = columns.earth_rate_rad_s[geo]
    turned = _turn_geostationary(position[..., geo, :], rate * since_toe_s[..., geo])
    speed = _turn_geostationary(velocity[..., geo, :], rate * since_toe_s[..., geo])
    speed[..., 0] += rate * turned[..., 1]
    speed[..., 1] -= rate * turned[..., 0]
    position[..., geo, :] = turned
    velocity[..., geo, :] = speed


def _turn_geostationary(vector: FloatArray, angle_rad: FloatArray) -> FloatArray:
    """Give Rz(angle) Rx(-5 deg) times vectors of shape (..., 3)."""
    x, y, z = vector[..., 0], vector[..., 1], vector[..., 2]
    tilted_y = y * math.cos(_GEO_TILT_RAD) + z * math.sin(_GEO_TILT_RAD)
    tilted_z = z * math.cos(_GEO_TILT_RAD) - y * math.sin(_GEO_TILT_RAD)
    sine, cosine = np.sin(angle_rad), np.cos(angle_rad)
    return np.stack((x * cosine + tilted_y * sine, tilted_y * cosine - x * sine, tilted_z), axis=-1)


def _clock(
    columns: KeplerColumns, since_toc_s: FloatArray, ellipse: _Ellipse
) -> tuple[FloatArray, FloatArray]:
    """Give the satellite clock with relativity and its rate."""
    factor = (
        -2.0 * np.sqrt(columns.gm_m3_s2) * columns.eccentricity * columns.sqrt_a_sqrt_m / C_M_S**2
    )
    polynomial = columns.af0_s + since_toc_s * (columns.af1_s_s + since_toc_s * columns.af2_s_s2)
    clock = polynomial + factor * np.sin(ellipse.eccentric_anomaly_rad)
    rate = (
        columns.af1_s_s
        + 2.0 * columns.af2_s_s2 * since_toc_s
        + factor * np.cos(ellipse.eccentric_anomaly_rad) * ellipse.eccentric_rate_rad_s
    )
    return clock, rate


def rotate_for_travel(
    position_m: FloatArray, travel_s: npt.ArrayLike, earth_rate_rad_s: npt.ArrayLike
) -> FloatArray:
    """Turn vectors from the earth-fixed frame at emission into the one at reception.

    Parameters
    ----------
    position_m : ndarray, shape (..., 3)
        Positions (or velocities) at emission.
    travel_s, earth_rate_rad_s : array_like, shape (...)
        Travel time of the signal and the Earth's rotation rate of the satellite's system.

    Returns
    -------
    ndarray of float64, shape (..., 3)
    """
    angle = np.asarray(travel_s, dtype=np.float64) * np.asarray(earth_rate_rad_s, dtype=np.float64)
    sine, cosine = np.sin(angle), np.cos(angle)
    x, y, z = position_m[..., 0], position_m[..., 1], position_m[..., 2]
    return np.stack(np.broadcast_arrays(x * cosine + y * sine, y * cosine - x * sine, z), axis=-1)


def group_delay_s(ephemeris: Ephemeris, signal: str) -> float:
    """Give what to subtract from the satellite clock for one signal used alone.

    Parameters
    ----------
    ephemeris : Ephemeris
        The record whose clock is used.
    signal : str
        RINEX signal, or its band digit.

    Returns
    -------
    float
        Seconds; 0 where the record has no such delay or marks it as not available.

    Notes
    -----
    The delays grow with 1/f^2 inside a system, so they vanish in the ionosphere-free combination of
    the pair the clock is made for. Bands the documents do not name in their single-frequency
    formula (GPS L5, Galileo E5 and E6) follow the same rule here; inter-signal corrections (CNAV)
    are not in these records, so expect decimetres to a metre there.

    References
    ----------
    IS-GPS-200 20.3.3.3.3.2; Galileo OS SIS ICD 5.1.5; BDS-SIS-ICD; NavIC SIS ICD; GLONASS ICD
    (all from memory).
    """
    digit = signal[:1]
    if isinstance(ephemeris, GlonassEphemeris):
        delay = ephemeris.delta_tau_n_s if digit == "2" else 0.0
    elif ephemeris.system == "C":
        delay = {"2": ephemeris.tgd1_s, "7": ephemeris.tgd2_s}.get(digit, 0.0)
    elif ephemeris.system == "E":
        delay = _galileo_delay_s(ephemeris, digit)
    else:
        reference_hz = _S_HZ if ephemeris.system == "I" else _L1_HZ
        carrier = carrier_hz(ephemeris.system, digit)
        delay = (reference_hz / carrier) ** 2 * ephemeris.tgd_s
    return 0.0 if math.isnan(delay) else delay


def _galileo_delay_s(ephemeris: KeplerEphemeris, digit: str) -> float:
    """Give the delay of a Galileo band against the clock of the record's own pair.

    Both clocks agree on E1: F/NAV minus BGD(E1,E5a) is I/NAV minus BGD(E1,E5b). That leads from the
    one clock to the third band as well.
    """
    is_fnav = ephemeris.source == FNAV
    own = ephemeris.bgd_e5a_e1_s if is_fnav else ephemeris.bgd_e5b_e1_s
    other = {"5": ephemeris.bgd_e5a_e1_s, "7": ephemeris.bgd_e5b_e1_s}.get(digit, own)
    if is_fnav and digit == "7":  # F/NAV does not carry BGD(E1,E5b)
        other = own
    return own + ((_L1_HZ / carrier_hz("E", digit)) ** 2 - 1.0) * other
