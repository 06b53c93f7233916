"""How fast corrections go stale, from the phases of the base alone.

What a phase shows beyond the way of its signal, the satellite's clock and the air changes with
time: satellite clocks wander off their polynomials and orbits off their ellipses, the ionosphere
moves, phases are noisy. A rover that uses corrections of some age suffers just that change, so the
base can measure it without any rover: differences over the age, less what all satellites share.

Computed on a real pair of base and rover 5 km apart: new fixes became rare when the change on the
first band reached about 10 mm, and held fixes suffered past 25 mm. Limits by judgement on that.
"""

import math
from collections.abc import Callable, Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss import atmosphere
from rtcmtool.gnss.geodesy import azimuth_elevation, distance_m, geodetic_from_ecef
from rtcmtool.gnss.orbits import rotate_for_travel
from rtcmtool.gnss.satellites import SatelliteTable, emission_states
from rtcmtool.gnss.signals import C_M_S

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
Middle = Callable[[FloatArray, IntArray], FloatArray]

AGES_S: Final = (1, 5, 10, 15, 30)
HARD_M: Final = 0.010  # on the first band: a new fix gets hard
HELD_M: Final = 0.025  # on the first band: a held fix suffers
MASK_DEG: Final = 15.0
LEAST_SATELLITES: Final = 4  # of a system: of fewer, too much goes with their mean

# A step of the phase that no age explains, by judgement: a slip of one cycle is 190 mm, of half a
# cycle 95 mm; the fastest satellite of a real and moderately active day made 3 mm in a second.
_BREAK_M, _BREAK_M_S = 0.05, 0.01
_LONGEST_GAP_S = 5
_RATE_UP_TO_S = 15


def explained_m(
    table: SatelliteTable,
    gps_ms: IntArray,
    receiver_m: npt.ArrayLike,
    pseudorange_m: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Give what range, satellite clock and troposphere explain of a measured range.

    Parameters
    ----------
    table : SatelliteTable
        One record of each of n satellites, for all epochs: another one would step the clock.
    gps_ms : ndarray, shape (m,)
        Epoch labels.
    receiver_m : array_like, shape (3,)
        Earth-fixed place of the base.
    pseudorange_m : ndarray, shape (m, n)
        As measured; NaN where there is none.

    Returns
    -------
    explained_m : ndarray, shape (m, n)
        rho - c dt_s + T; a phase less it is an ambiguity, the receiver's clock, and what changes
        with age.
    elevation_rad : ndarray, shape (m, n)
    """
    place = np.asarray(receiver_m, dtype=np.float64)
    states = emission_states(table, gps_ms[:, np.newaxis], pseudorange_m)
    rotated = states.position_m
    for _ in range(2):
        travel = distance_m(rotated, place) / C_M_S
        rotated = rotate_for_travel(states.position_m, travel, table.earth_rate_rad_s)
    latitude, _, height = geodetic_from_ecef(place)
    _, elevation = azimuth_elevation(place, rotated)
    explained = distance_m(rotated, place) - C_M_S * states.clock_s
    return explained + atmosphere.saastamoinen_m(latitude, height, elevation), elevation


def stretches(residual_m: FloatArray, systems: Sequence[str]) -> IntArray:
    """Count the unbroken stretches of every satellite's phase.

    Parameters
    ----------
    residual_m : ndarray, shape (m, n)
        Phase less what `explained_m` gives, a row a second; NaN where there is none.
    systems : sequence of str, shape (n,)
        Letter of each satellite's system. A receiver's clock, however it jumps, goes with the
        median step of a system.

    Returns
    -------
    ndarray of int64, shape (m, n)
        Rises where a phase steps, or comes back after more than five seconds.
    """
    seconds = np.arange(len(residual_m))[:, np.newaxis]
    latest = np.maximum.accumulate(np.where(np.isfinite(residual_m), seconds, -1), axis=0)
    before = np.vstack((np.full((1, residual_m.shape[1]), -1), latest[:-1]))
    gap = np.where(np.isfinite(residual_m) & (before >= 0), seconds - before, 0)
    broken = gap > _LONGEST_GAP_S
    for step_s in np.unique(gap[(gap > 0) & ~broken]).tolist():
        step = _less_common(residual_m[step_s:] - residual_m[:-step_s], systems, _median, 1)
        limit = _BREAK_M + _BREAK_M_S * (step_s - 1)
        broken[step_s:] |= (gap[step_s:] == step_s) & (np.abs(step) > limit)
    numbered: IntArray = np.cumsum(broken, axis=0)
    return numbered


def changes_m(
    residual_m: FloatArray, stretch: IntArray, systems: Sequence[str], age_s: int
) -> FloatArray:
    """Give what corrections of an age are off, the mean of each system and epoch taken off.

    Parameters
    ----------
    residual_m : ndarray, shape (m, n)
        As for `stretches`, or of a combination of bands; NaN also where not wanted (low).
    stretch : ndarray of int64, shape (m, n)
        From `stretches`.
    systems : sequence of str, shape (n,)
    age_s : int
        Rows between the two.

    Returns
    -------
    ndarray, shape (max(m - age_s, 0), n)
        NaN across breaks, and where a system has fewer than four satellites.
    """
    if len(residual_m) <= age_s:
        return np.zeros((0, residual_m.shape[1]))
    change = residual_m[age_s:] - residual_m[:-age_s]
    change[stretch[age_s:] != stretch[:-age_s]] = np.nan
    return _less_common(change, systems, _mean, LEAST_SATELLITES)


def _less_common(
    values: FloatArray, systems: Sequence[str], middle: Middle, least: int
) -> FloatArray:
    """Take the middle of each system off every row; NaN where it has too few."""
    letters = np.array(list(systems))
    result = np.full_like(values, np.nan)
    for letter in dict.fromkeys(systems):
        own = letters == letter
        part = values[:, own]
        count = np.isfinite(part).sum(axis=1)
        common = np.where(count >= least, middle(part, np.maximum(count, 1)), np.nan)
        result[:, own] = part - common[:, np.newaxis]
    return result


def _mean(part: FloatArray, count: IntArray) -> FloatArray:
    mean: FloatArray = np.nansum(part, axis=1) / count
    return mean


def _median(part: FloatArray, count: IntArray) -> FloatArray:
    ordered = np.sort(part, axis=1)  # NaN behind all numbers
    rows = np.arange(len(part))
    median: FloatArray = (ordered[rows, (count - 1) // 2] + ordered[rows, count // 2]) / 2.0
    return median


def ionosphere_free_m(
    first_m: FloatArray, second_m: FloatArray, ratio: npt.ArrayLike
) -> FloatArray:
    """Combine residuals of two bands so that no ionosphere is left.

    Parameters
    ----------
    first_m, second_m : ndarray, shape (m, n)
        Residuals of the bands.
    ratio : array_like, shape (n,)
        First carrier over the second.
    """
    squared = np.asarray(ratio, dtype=np.float64) ** 2
    combined: FloatArray = (squared * first_m - second_m) / (squared - 1.0)
    return combined


def age_reaching_s(
    ages_s: Sequence[float], rms_m: Sequence[float | None], limit_m: float
) -> float | None:
    """Give the age at which corrections are off by as much as a limit.

    Parameters
    ----------
    ages_s : sequence of float
        Rising.
    rms_m : sequence of float or None
        What corrections of these ages are off; None where it was not measured.
    limit_m : float
        On the same band.

    Returns
    -------
    float or None
        Between measured ages on a straight line, the first age if it is over the limit already;
        None if no measured age reaches the limit.

    Examples
    --------
    >>> age_reaching_s((1, 5, 10), (0.003, 0.0086, 0.0163), 0.010)
    5.909090909090909
    >>> age_reaching_s((1, 5, 10), (0.003, None, 0.009), 0.010) is None
    True
    """
    measured = [(age, rms) for age, rms in zip(ages_s, rms_m, strict=True) if rms is not None]
    younger = None
    for age_s, rms in measured:
        if rms >= limit_m:
            if younger is None or younger[1] == rms:
                return float(age_s)
            share = (limit_m - younger[1]) / (rms - younger[1])
            return float(younger[0] + share * (age_s - younger[0]))
        younger = age_s, rms
    return None


def ageing_rate_m_s(ages_s: Sequence[float], rms_m: Sequence[float | None]) -> float | None:
    """Give what each second of age adds, the noise of the phases taken off.

    Parameters
    ----------
    ages_s, rms_m
        As for `age_reaching_s`. The youngest and the oldest up to 15 s count: corrections off by
        n (noise) and a t (age) are off by sqrt(n^2 + a^2 t^2).

    Returns
    -------
    float or None
        m/s; None without two ages.

    Examples
    --------
    >>> round(1000 * ageing_rate_m_s((1, 10), (0.003, 0.0163)), 2)
    1.61
    """
    measured = [
        (age, rms)
        for age, rms in zip(ages_s, rms_m, strict=True)
        if rms is not None and age <= _RATE_UP_TO_S
    ]
    if len(measured) < 2:
        return None
    (young_s, young_m), (old_s, old_m) = measured[0], measured[-1]
    return math.sqrt(max(old_m**2 - young_m**2, 0.0) / (old_s**2 - young_s**2))
