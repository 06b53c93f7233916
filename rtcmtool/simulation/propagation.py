"""Ionosphere and troposphere of an invented sky: the same for every receiver under it.

Both are fields in space and time, so two receivers some kilometres apart feel nearly the same, and
the rest grows with their distance as on an ordinary day: about a millimetre a kilometre.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss.atmosphere import cosecant_mapping, metres_per_tecu, saastamoinen_zenith_m
from rtcmtool.gnss.geodesy import geodetic_from_ecef
from rtcmtool.gnss.signals import carrier_hz
from rtcmtool.gnss.time import MS_PER_DAY
from rtcmtool.simulation import noise

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

_SHELL_M = 350e3  # usual height of a thin ionosphere: common practice, no source
_EARTH_M = 6_371e3
_NIGHT_TECU, _NOON_TECU, _PEAK_HOUR, _SHARPNESS = 5.0, 22.0, 14.0, 1.5
_L1_HZ = carrier_hz("G", "1C")

# Waves in a field: how many, their length (m), speed (m/s) and size together. Large-scale and
# medium-scale travelling disturbances of a quiet day, sizes from memory of the literature on them.
_LARGE: Final = (4, 3.0e6, 250.0, 1.5)  # TECU
_MEDIUM: Final = (5, 3.0e5, 150.0, 0.12)  # TECU
_WET: Final = (4, 5.0e5, 10.0, 0.020)  # m towards the zenith
# A storm's waves have these length and speed; their size follows from the rate asked for.
_STORM_WAVES, _STORM_LENGTH_M, _STORM_SPEED_M_S = 5, 1.2e5, 700.0


class Waves:
    """Plane waves through space that add up to a field of given size.

    Parameters
    ----------
    seed : int
    name : str
        Of the field.
    count : int
        Number of waves.
    length_m, speed_m_s : float
        Typical; each wave has its own, between 0.6 and 1.6 of it.
    size : float
        Root mean square of the field.
    """

    def __init__(
        self, seed: int, name: str, count: int, length_m: float, speed_m_s: float, size: float
    ) -> None:
        drawn = noise.uniforms(noise.keys(seed, name), np.arange(6 * count)).reshape(count, 6)
        lift = 2.0 * drawn[:, 0] - 1.0
        turn = 2.0 * np.pi * drawn[:, 1]
        flat = np.sqrt(1.0 - lift * lift)
        direction = np.stack((flat * np.cos(turn), flat * np.sin(turn), lift), axis=-1)
        number = 2.0 * np.pi / (length_m * (0.6 + drawn[:, 2]))
        self.vectors_rad_m = direction * number[:, np.newaxis]
        self.rates_rad_s = number * speed_m_s * (0.6 + drawn[:, 3])
        self.phases_rad = 2.0 * np.pi * drawn[:, 4]
        self.size = size * (2.0 / count) ** 0.5

    def at(self, place_m: FloatArray, time_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Give the field and its rate.

        Parameters
        ----------
        place_m : ndarray, shape (..., 3)
            Earth-fixed.
        time_s : ndarray, shape that broadcasts with (...)
            Since the start: days, not decades.

        Returns
        -------
        value, rate : ndarray of float64, shape (...)
        """
        value = np.zeros(np.broadcast_shapes(place_m.shape[:-1], time_s.shape))
        rate = np.zeros_like(value)
        for vector, turn, phase in zip(
            self.vectors_rad_m, self.rates_rad_s, self.phases_rad, strict=True
        ):
            angle = (
                place_m[..., 0] * vector[0]
                + place_m[..., 1] * vector[1]
                + place_m[..., 2] * vector[2]
                + (phase - turn * time_s)
            )
            value += np.cos(angle)
            rate += turn * np.sin(angle)
        return value * self.size, rate * self.size


@dataclass(frozen=True, eq=False)
class Delays:
    """Delays of m epochs and s satellites, shape (m, s).

    `ionosphere_m` is that of the code on L1 (it falls with 1/f^2 and advances the phase).
    """

    troposphere_m: FloatArray
    troposphere_rate_m_s: FloatArray
    ionosphere_m: FloatArray
    ionosphere_rate_m_s: FloatArray


class Sky:
    """The air over all receivers of one simulation.

    Parameters
    ----------
    seed : int
        That of the constellation.
    start_gps_ms : int
        Any time near: waves are counted from there.
    """

    def __init__(self, seed: int, start_gps_ms: int) -> None:
        self._start_gps_ms = start_gps_ms
        self._large = Waves(seed, "large", *_LARGE)
        self._medium = Waves(seed, "medium", *_MEDIUM)
        self._wet = Waves(seed, "wet", *_WET)
        self._storm = Waves(seed, "storm", _STORM_WAVES, _STORM_LENGTH_M, _STORM_SPEED_M_S, 1.0)

    def delays(
        self,
        receiver_m: FloatArray,
        direction: FloatArray,
        elevation_rad: FloatArray,
        elevation_rate_rad_s: FloatArray,
        gps_ms: IntArray,
    ) -> Delays:
        """Give what air and ionosphere do to the signals.

        Parameters
        ----------
        receiver_m : ndarray, shape (m, 3)
            Earth-fixed.
        direction : ndarray, shape (m, s, 3)
            Unit vectors to the satellites.
        elevation_rad, elevation_rate_rad_s : ndarray, shape (m, s)
        gps_ms : ndarray of int64, shape (m,)
        """
        time_s = self._time_s(gps_ms)
        latitude, _, height = geodetic_from_ecef(receiver_m)
        wet, _ = self._wet.at(receiver_m, time_s)
        # The rest of the wet delay thins out with height like the vapour itself.
        zenith = (saastamoinen_zenith_m(latitude, height) + wet * np.exp(-height / 2000.0))[
            :, np.newaxis
        ]
        mapping = cosecant_mapping(elevation_rad)
        fall = -mapping / np.tan(np.maximum(elevation_rad, 0.03)) * elevation_rate_rad_s
        pierce, slant = _pierce(receiver_m, direction)
        vertical = _diurnal_tecu(pierce, gps_ms)
        large, large_rate = self._large.at(pierce, time_s[:, np.newaxis])
        medium, medium_rate = self._medium.at(pierce, time_s[:, np.newaxis])
        per_tecu = float(metres_per_tecu(_L1_HZ))
        tecu = np.maximum(vertical + large, 2.0) + medium
        slant_fall = _slant_fall(elevation_rad) * elevation_rate_rad_s
        return Delays(
            zenith * mapping,
            zenith * fall,
            per_tecu * tecu * slant,
            per_tecu * ((large_rate + medium_rate) * slant + tecu * slant_fall),
        )

    def storm(
        self, receiver_m: FloatArray, direction: FloatArray, gps_ms: IntArray, rate_m_s: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Give the delay of a storm on L1 and its rate, shape (m, s).

        Parameters
        ----------
        receiver_m, direction, gps_ms
            As for `delays`.
        rate_m_s : ndarray, shape that broadcasts with (m, s)
            Root mean square of the rate wanted.
        """
        pierce, _ = _pierce(receiver_m, direction)
        value, rate = self._storm.at(pierce, self._time_s(gps_ms)[:, np.newaxis])
        usual = float(np.sqrt(np.mean(self._storm.rates_rad_s**2)))
        scale = rate_m_s / usual
        return value * scale, rate * scale

    def _time_s(self, gps_ms: IntArray) -> FloatArray:
        time_s: FloatArray = (gps_ms - self._start_gps_ms) / 1000.0
        return time_s


def _pierce(receiver_m: FloatArray, direction: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Find where signals pass the thin shell, shape (m, s, 3), and how aslant, (m, s)."""
    place = receiver_m[:, np.newaxis, :]
    along = np.einsum("mi,msi->ms", receiver_m, direction)
    squared = np.einsum("mi,mi->m", receiver_m, receiver_m)[:, np.newaxis]
    way = -along + np.sqrt(along**2 - squared + (_EARTH_M + _SHELL_M) ** 2)
    pierce = place + direction * way[..., np.newaxis]
    upright = np.einsum("msi,msi->ms", pierce, direction) / (_EARTH_M + _SHELL_M)
    return pierce, 1.0 / upright


def _slant_fall(elevation_rad: FloatArray) -> FloatArray:
    """Give how the slant factor changes with elevation, 1/rad."""
    ratio = _EARTH_M / (_EARTH_M + _SHELL_M)
    sine = ratio * np.cos(elevation_rad)
    fall: FloatArray = -sine * ratio * np.sin(elevation_rad) / (1.0 - sine**2) ** 1.5
    return fall


def _diurnal_tecu(pierce_m: FloatArray, gps_ms: IntArray) -> FloatArray:
    """Give the usual vertical content by local time and latitude: smooth, highest at 14 h."""
    longitude = np.arctan2(pierce_m[..., 1], pierce_m[..., 0])
    sine = pierce_m[..., 2] / (_EARTH_M + _SHELL_M)
    day = 2.0 * np.pi * ((gps_ms % MS_PER_DAY) / MS_PER_DAY - _PEAK_HOUR / 24.0)
    swell = np.exp(_SHARPNESS * (np.cos(day[:, np.newaxis] + longitude) - 1.0))
    content: FloatArray = _NIGHT_TECU + _NOON_TECU * (1.3 - sine**2) * swell
    return content
