"""Combinations of code and phase of two bands of one satellite: what each shows, what each hides.

All phases and codes are in metres. `ratio` is the carrier of the band a combination speaks of over
the carrier of the other band; only ratios matter for most of them, so that GLONASS needs no channel
there (both bands of a satellite share it, and their ratio is 9/7).

References: Estey and Meertens 1999, GPS Solutions 3(1), for the multipath combination of L1 and L2
(from memory; the general form follows by algebra); Blewitt 1990, Geophysical Research Letters 17,
for the wide lane (from memory).
"""

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss.signals import C_M_S

FloatArray = npt.NDArray[np.float64]

# First-order delay of code, m Hz^2 per TECU (1e16 electrons a square metre): IS-GPS-200, from
# memory.
IONOSPHERE_M_HZ2 = 40.308e16


def multipath_factors(ratio: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Give a and b of MP = P - a L + b L_other.

    Parameters
    ----------
    ratio : array_like
        Own carrier over the other one.

    Returns
    -------
    tuple of ndarray
        (r^2 + 1) / (r^2 - 1) and 2 / (r^2 - 1); infinite for bands of one carrier.
    """
    squared = np.asarray(ratio, dtype=np.float64) ** 2
    with np.errstate(divide="ignore"):
        other: FloatArray = 2.0 / (squared - 1.0)
        own: FloatArray = (squared + 1.0) / (squared - 1.0)
    return own, other


def multipath_m(
    code_m: npt.ArrayLike,
    phase_m: npt.ArrayLike,
    other_phase_m: npt.ArrayLike,
    ratio: npt.ArrayLike,
) -> FloatArray:
    """Combine code and two phases so that code multipath and noise are left.

    Parameters
    ----------
    code_m, phase_m : array_like
        Of the band judged.
    other_phase_m : array_like
        Phase of the other band.
    ratio : array_like
        Carrier judged over the other carrier.

    Returns
    -------
    ndarray of float64
        Multipath, noise and a constant made of both ambiguities and biases: take the mean of an
        unbroken arc off. Multipath slower than the arc goes with the mean.
    """
    own, other = multipath_factors(ratio)
    code, phase, other_phase = (
        np.asarray(values, dtype=np.float64) for values in (code_m, phase_m, other_phase_m)
    )
    combined: FloatArray = code - own * phase + other * other_phase
    return combined


def ionosphere_delay_m(
    phase_m: npt.ArrayLike, other_phase_m: npt.ArrayLike, ratio: npt.ArrayLike
) -> FloatArray:
    """Give the ionospheric delay of code on the first band, but for a constant.

    `ratio` is the carrier of `phase_m` over that of `other_phase_m`.
    """
    difference = np.asarray(phase_m, dtype=np.float64) - np.asarray(other_phase_m, np.float64)
    delay: FloatArray = difference / (np.asarray(ratio, dtype=np.float64) ** 2 - 1.0)
    return delay


def tecu_from_delay(delay_m: npt.ArrayLike, carrier_hz: npt.ArrayLike) -> FloatArray:
    """Turn a delay on a carrier into electron content along the way, TECU."""
    content: FloatArray = (
        np.asarray(delay_m, dtype=np.float64)
        * np.asarray(carrier_hz, dtype=np.float64) ** 2
        / IONOSPHERE_M_HZ2
    )
    return content


def melbourne_wuebbena_cycles(
    phase_m: tuple[npt.ArrayLike, npt.ArrayLike],
    code_m: tuple[npt.ArrayLike, npt.ArrayLike],
    carriers_hz: tuple[npt.ArrayLike, npt.ArrayLike],
) -> FloatArray:
    """Combine code and phase of two bands so that the wide-lane ambiguity is left.

    Parameters
    ----------
    phase_m, code_m : tuple of two array_like
        Of both bands.
    carriers_hz : tuple of two array_like
        Their carriers.

    Returns
    -------
    ndarray of float64
        Cycles of the wide lane; a slip of (n1, n2) cycles steps it by n1 - n2.
    """
    first_hz, second_hz = (np.asarray(carrier, dtype=np.float64) for carrier in carriers_hz)
    first_phase, second_phase = (np.asarray(phase, dtype=np.float64) for phase in phase_m)
    first_code, second_code = (np.asarray(code, dtype=np.float64) for code in code_m)
    wide_phase = (first_hz * first_phase - second_hz * second_phase) / (first_hz - second_hz)
    narrow_code = (first_hz * first_code + second_hz * second_code) / (first_hz + second_hz)
    cycles: FloatArray = (wide_phase - narrow_code) * (first_hz - second_hz) / C_M_S
    return cycles


def circular_mean_cycles(
    fractions_cycles: npt.ArrayLike, axis: int | None = None
) -> tuple[FloatArray, FloatArray]:
    """Average parts of a cycle, of which 0.49 and -0.49 are neighbours.

    Phases of two signals on one carrier differ by whole cycles, and by a part of one that all
    satellites share: none where the signals are aligned, a quarter or a half where they are as they
    left the satellite.

    Parameters
    ----------
    fractions_cycles : array_like
        Cycles; whole ones do not count.
    axis : int, optional
        Along which to average; by default over all.

    Returns
    -------
    mean_cycles : ndarray of float64
        From -0.5 to 0.5.
    agreement : ndarray of float64
        Length of the mean vector: 1 where all are alike, 0 where they cancel.

    Examples
    --------
    >>> mean_cycles, agreement = circular_mean_cycles([7.45, -3.45])
    >>> round(abs(float(mean_cycles)), 3), round(float(agreement), 3)
    (0.5, 0.951)
    """
    turns = np.exp(2j * np.pi * np.asarray(fractions_cycles, dtype=np.float64))
    mean = np.asarray(turns.mean(axis=axis))
    mean_cycles: FloatArray = np.angle(mean) / (2 * np.pi)
    agreement: FloatArray = np.abs(mean)
    return mean_cycles, agreement
