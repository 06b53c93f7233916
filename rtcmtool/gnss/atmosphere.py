"""Delays in troposphere and ionosphere, as models for code positions and simulations.

All functions take arrays that broadcast. They give NaN, and never a wild number, for a receiver
that is nowhere near the ground, so that the first round of a position from nothing does no harm.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss.signals import C_M_S, carrier_hz
from rtcmtool.gnss.time import SECONDS_PER_DAY

FloatArray = npt.NDArray[np.float64]

LOWEST_M, HIGHEST_M = -1_000.0, 20_000.0  # heights for which the models are used
_LOWEST_ELEVATION_RAD = np.radians(2.0)  # below, mappings with 1 / sin mean nothing
_L1_HZ = carrier_hz("G", "1C")

# RTCA DO-229 appendix A tables A-2 and A-3 (from memory): by latitude 15, 30, 45, 60, 75 deg
# pressure hPa, temperature K, water vapour pressure hPa, temperature lapse K/m, vapour lapse.
_DO229_LATITUDES_DEG = np.array([15.0, 30.0, 45.0, 60.0, 75.0])
_DO229_AVERAGE = np.array(
    [
        [1013.25, 299.65, 26.31, 6.30e-3, 2.77],
        [1017.25, 294.15, 21.79, 6.05e-3, 3.15],
        [1015.75, 283.15, 11.66, 5.58e-3, 2.57],
        [1011.75, 272.15, 6.78, 5.39e-3, 1.81],
        [1013.00, 263.65, 4.11, 4.53e-3, 1.55],
    ]
)
_DO229_SEASON = np.array(
    [
        [0.00, 0.00, 0.00, 0.00e-3, 0.00],
        [-3.75, 7.00, 8.85, 0.25e-3, 0.33],
        [-2.25, 11.00, 7.24, 0.32e-3, 0.46],
        [-1.75, 15.00, 5.36, 0.81e-3, 0.74],
        [-0.50, 14.50, 3.39, 0.62e-3, 0.30],
    ]
)
_DO229_COLDEST_DAY_NORTH, _DO229_COLDEST_DAY_SOUTH = 28.0, 211.0
_DO229_K1, _DO229_K2 = 77.604, 382_000.0  # K/hPa, K^2/hPa
_DO229_GAS, _DO229_MEAN_GRAVITY, _DO229_GRAVITY = 287.054, 9.784, 9.80665  # J/(kg K), m/s^2


@dataclass(frozen=True, slots=True)
class Klobuchar:
    """The eight broadcast coefficients of the GPS (QZSS, BeiDou) ionosphere model.

    `alpha` in s, s/semicircle ...; `beta` in s, s/semicircle ... .
    """

    alpha: tuple[float, float, float, float]
    beta: tuple[float, float, float, float]


def hydrostatic_zenith_m(
    pressure_hpa: npt.ArrayLike, latitude_rad: npt.ArrayLike, height_m: npt.ArrayLike
) -> FloatArray:
    """Give the hydrostatic delay towards the zenith from the air pressure at the antenna.

    References
    ----------
    Saastamoinen 1972 in the form of Davis et al. 1985.
    """
    pressure = np.asarray(pressure_hpa, dtype=np.float64)
    latitude = np.asarray(latitude_rad, dtype=np.float64)
    height_km = np.asarray(height_m, dtype=np.float64) / 1000.0
    delay: FloatArray = (
        0.0022768 * pressure / (1.0 - 0.00266 * np.cos(2.0 * latitude) - 0.00028 * height_km)
    )
    return delay


def wet_zenith_m(temperature_k: npt.ArrayLike, vapour_pressure_hpa: npt.ArrayLike) -> FloatArray:
    """Give the wet delay towards the zenith (Saastamoinen 1972)."""
    temperature = np.asarray(temperature_k, dtype=np.float64)
    vapour = np.asarray(vapour_pressure_hpa, dtype=np.float64)
    delay: FloatArray = 0.0022768 * (1255.0 / temperature + 0.05) * vapour
    return delay


def saastamoinen_zenith_m(
    latitude_rad: npt.ArrayLike, height_m: npt.ArrayLike, humidity: float = 0.7
) -> FloatArray:
    """Give the whole zenith delay in a standard atmosphere.

    Parameters
    ----------
    latitude_rad, height_m : array_like, shapes that broadcast
        Receiver; the ellipsoidal height stands for the one above the sea.
    humidity : float
        Relative humidity, 0 to 1.

    Returns
    -------
    ndarray of float64
        Metres; NaN outside -1 to 20 km.
    """
    height = np.asarray(height_m, dtype=np.float64)
    height = np.where((height > LOWEST_M) & (height < HIGHEST_M), height, np.nan)
    pressure = 1013.25 * (1.0 - 2.2557e-5 * height) ** 5.2568
    temperature = 288.15 - 0.0065 * height
    vapour = 6.108 * humidity * np.exp((17.15 * temperature - 4684.0) / (temperature - 38.45))
    return hydrostatic_zenith_m(pressure, latitude_rad, height) + wet_zenith_m(temperature, vapour)


def saastamoinen_m(
    latitude_rad: npt.ArrayLike,
    height_m: npt.ArrayLike,
    elevation_rad: npt.ArrayLike,
    humidity: float = 0.7,
) -> FloatArray:
    """Give the slant delay of the standard atmosphere: zenith delay over the sine of elevation."""
    return saastamoinen_zenith_m(latitude_rad, height_m, humidity) * cosecant_mapping(elevation_rad)


def cosecant_mapping(elevation_rad: npt.ArrayLike) -> FloatArray:
    """Give 1 / sin(elevation), held at its value for 2 degrees below that."""
    elevation = np.asarray(elevation_rad, dtype=np.float64)
    mapping: FloatArray = 1.0 / np.sin(np.maximum(elevation, _LOWEST_ELEVATION_RAD))
    return mapping


def do229_mapping(elevation_rad: npt.ArrayLike) -> FloatArray:
    """Give the mapping function of RTCA DO-229 (Black and Eisner 1984), good down to 2 degrees."""
    elevation = np.asarray(elevation_rad, dtype=np.float64)
    sine = np.sin(np.maximum(elevation, _LOWEST_ELEVATION_RAD))
    mapping: FloatArray = 1.001 / np.sqrt(0.002001 + sine * sine)
    return mapping


def do229_zenith_m(
    latitude_rad: npt.ArrayLike, height_m: npt.ArrayLike, day_of_year: npt.ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Give dry and wet zenith delay by latitude, height and season.

    Parameters
    ----------
    latitude_rad, height_m, day_of_year : array_like, shapes that broadcast
        Receiver and day, 1 to 366.

    Returns
    -------
    dry_m, wet_m : ndarray of float64
        NaN outside -1 to 20 km.

    References
    ----------
    RTCA DO-229 appendix A.4.2.4 (from memory).
    """
    latitude, height, day = np.broadcast_arrays(
        np.asarray(latitude_rad, dtype=np.float64),
        np.asarray(height_m, dtype=np.float64),
        np.asarray(day_of_year, dtype=np.float64),
    )
    height = np.where((height > LOWEST_M) & (height < HIGHEST_M), height, np.nan)
    coldest = np.where(latitude >= 0.0, _DO229_COLDEST_DAY_NORTH, _DO229_COLDEST_DAY_SOUTH)
    season = np.cos(2.0 * np.pi * (day - coldest) / 365.25)
    degrees = np.abs(np.degrees(latitude))
    pressure, temperature, vapour, lapse, vapour_lapse = (
        np.interp(degrees, _DO229_LATITUDES_DEG, _DO229_AVERAGE[:, column])
        - np.interp(degrees, _DO229_LATITUDES_DEG, _DO229_SEASON[:, column]) * season
        for column in range(5)
    )
    cooling = 1.0 - lapse * height / temperature
    exponent = _DO229_GRAVITY / (_DO229_GAS * lapse)
    dry_sea = 1e-6 * _DO229_K1 * _DO229_GAS * pressure / _DO229_MEAN_GRAVITY
    wet_sea = (
        1e-6 * _DO229_K2 * _DO229_GAS
        / (_DO229_MEAN_GRAVITY * (vapour_lapse + 1.0) - lapse * _DO229_GAS)
        * vapour / temperature
    )  # fmt: skip
    dry: FloatArray = dry_sea * cooling**exponent
    wet: FloatArray = wet_sea * cooling ** ((vapour_lapse + 1.0) * exponent - 1.0)
    return dry, wet


def do229_m(
    latitude_rad: npt.ArrayLike,
    height_m: npt.ArrayLike,
    elevation_rad: npt.ArrayLike,
    day_of_year: npt.ArrayLike,
) -> FloatArray:
    """Give the slant delay of RTCA DO-229, m; arguments as for the zenith delay."""
    dry, wet = do229_zenith_m(latitude_rad, height_m, day_of_year)
    slant: FloatArray = (dry + wet) * do229_mapping(elevation_rad)
    return slant


def klobuchar_m(
    model: Klobuchar,
    latitude_rad: npt.ArrayLike,
    longitude_rad: npt.ArrayLike,
    azimuth_rad: npt.ArrayLike,
    elevation_rad: npt.ArrayLike,
    *,
    gps_second_of_day: npt.ArrayLike,
    frequency_hz: npt.ArrayLike = _L1_HZ,
) -> FloatArray:
    """Give the slant delay of the code by the broadcast ionosphere model.

    Parameters
    ----------
    model : Klobuchar
        Broadcast coefficients.
    latitude_rad, longitude_rad : array_like
        Geodetic place of the receiver.
    azimuth_rad, elevation_rad : array_like
        Direction of the satellite.
    gps_second_of_day : array_like
        Second of the day in GPS time (not UTC, not BDT).
    frequency_hz : array_like
        Carrier; the model is made for L1 and scaled with 1/f^2.

    Returns
    -------
    ndarray of float64
        Metres, positive: code arrives late, phase early. The model halves the effect, no more.

    References
    ----------
    IS-GPS-200 20.3.3.5.2.5 (from memory).
    """
    latitude = np.asarray(latitude_rad, dtype=np.float64) / np.pi  # semicircles from here on
    longitude = np.asarray(longitude_rad, dtype=np.float64) / np.pi
    azimuth = np.asarray(azimuth_rad, dtype=np.float64)
    elevation = np.asarray(elevation_rad, dtype=np.float64) / np.pi
    central_angle = 0.0137 / (elevation + 0.11) - 0.022
    pierce_latitude = np.clip(latitude + central_angle * np.cos(azimuth), -0.416, 0.416)
    pierce_longitude = longitude + central_angle * np.sin(azimuth) / np.cos(pierce_latitude * np.pi)
    magnetic = pierce_latitude + 0.064 * np.cos((pierce_longitude - 1.617) * np.pi)
    local_s = np.mod(
        43_200.0 * pierce_longitude + np.asarray(gps_second_of_day, dtype=np.float64),
        SECONDS_PER_DAY,
    )
    amplitude_s = np.maximum(np.polynomial.polynomial.polyval(magnetic, model.alpha), 0.0)
    period_s = np.maximum(np.polynomial.polynomial.polyval(magnetic, model.beta), 72_000.0)
    phase = 2.0 * np.pi * (local_s - 50_400.0) / period_s
    day = amplitude_s * (1.0 - phase**2 / 2.0 + phase**4 / 24.0)
    vertical_s = 5e-9 + np.where(np.abs(phase) < 1.57, day, 0.0)
    slant_factor = 1.0 + 16.0 * (0.53 - elevation) ** 3
    scale = (_L1_HZ / np.asarray(frequency_hz, dtype=np.float64)) ** 2
    delay: FloatArray = C_M_S * slant_factor * vertical_s * scale
    return delay


def metres_per_tecu(frequency_hz: npt.ArrayLike) -> FloatArray:
    """Give the code delay of one TECU (1e16 electrons/m^2) on a carrier, m."""
    delay: FloatArray = 40.308e16 / np.asarray(frequency_hz, dtype=np.float64) ** 2
    return delay
