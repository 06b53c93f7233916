"""The chance of a fix ahead of time: from geometry and assumed noise alone, without data.

The covariance of the double-difference ambiguities that one epoch (or a few, standing still) would
give is computed, decorrelated, and turned into the success rate of integer bootstrapping, a lower
bound for integer least squares. It assumes an open sky at the rover.

References: Teunissen 1995, Journal of Geodesy 70 (decorrelation); de Jonge and Tiberius 1996, Delft
LGR 12; Teunissen 1998 (success of bootstrapping); Odijk and Teunissen 2008 (ADOP); all from memory.
Noise figures: undifferenced phase 3 mm, code 0.3 m, both growing with 1 / sin(elevation); double
differences of code of a real base and rover scatter by 0.2 to 0.5 m at 30 to 60 degrees.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss.signals import C_M_S

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

FIRST_BAND_HZ = 1_575.42e6  # the ionosphere is told as its delay there
_LOWEST_FOR_IONOSPHERE_RAD = math.radians(20.0)
_POSITION_SIGMA_M = 30.0  # what is known of the place before: nothing worth telling

# Least success rate of each word; by judgement.
CHANCE_WORDS: Final = ((0.99, "should fix at once"), (0.5, "will take seconds to a minute"))
POOR_CHANCE: Final = "float likely"


@dataclass(frozen=True, slots=True)
class Noise:
    """What is assumed of measurements and atmosphere.

    Attributes
    ----------
    phase_m, code_m : float
        Undifferenced standard deviations, times sqrt(1 + 1 / sin^2(elevation)).
    ionosphere_m_per_m : float
        Difference of the delay between base and rover by distance; 1e-6 (1 mm/km) on quiet days,
        2e-6 to 4e-6 in disturbed hours.
    ageing_m_s : float
        What each second of age of the corrections adds, the same on all bands.
    """

    phase_m: float = 0.003
    code_m: float = 0.3
    ionosphere_m_per_m: float = 1e-6
    ageing_m_s: float = 0.0007


@dataclass(frozen=True, eq=False)
class CommonSignals:
    """One signal that base and rover share, on n satellites of one system; shapes (n,).

    Differences are formed inside such a group only, against its highest satellite. `satellites`
    names them, so that the ionosphere of a satellite is the same on all its signals.
    """

    carrier_hz: float | FloatArray
    satellites: tuple[str, ...]
    azimuth_rad: FloatArray
    elevation_rad: FloatArray


@dataclass(frozen=True, slots=True)
class FixChance:
    """What to expect.

    Attributes
    ----------
    success_rate : float
        Of integer bootstrapping after decorrelation.
    adop_cycles : float
        Ambiguity dilution of precision.
    ambiguities : int
        Double differences of phase.
    """

    success_rate: float
    adop_cycles: float
    ambiguities: int

    @property
    def success_at_most(self) -> float:
        """What the ADOP stands for: an upper bound for bootstrapping, a fair guess for a search."""
        return success_by_adop(self.adop_cycles, self.ambiguities)

    @property
    def words(self) -> str:
        """The chance in words."""
        return chance_words(self.success_rate)


def chance_words(success_rate: float) -> str:
    """Put a success rate in words.

    Examples
    --------
    >>> chance_words(0.999), chance_words(0.7), chance_words(0.1)
    ('should fix at once', 'will take seconds to a minute', 'float likely')
    """
    return next((word for least, word in CHANCE_WORDS if success_rate >= least), POOR_CHANCE)


def factorise(covariance: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Factorise Q = L' diag(d) L, L unit lower triangular.

    Parameters
    ----------
    covariance : array_like, shape (n, n)
        Symmetric and positive definite.

    Returns
    -------
    lower : ndarray, shape (n, n)
    diagonal : ndarray, shape (n,)
        Conditional variances, each given those behind it.

    Raises
    ------
    ValueError
        If the matrix is not positive definite.
    """
    work = np.array(covariance, dtype=np.float64)
    size = len(work)
    lower = np.zeros((size, size))
    diagonal = np.zeros(size)
    for row in range(size - 1, -1, -1):
        diagonal[row] = work[row, row]
        if not diagonal[row] > 0.0:
            raise ValueError("the covariance is not positive definite")
        lower[row, : row + 1] = work[row, : row + 1] / math.sqrt(diagonal[row])
        head = lower[row, :row]
        work[:row, :row] -= np.outer(head, head)
        lower[row, : row + 1] /= lower[row, row]
    return lower, diagonal


def decorrelate(covariance: npt.ArrayLike) -> tuple[IntArray, FloatArray, FloatArray]:
    """Find whole-number combinations of ambiguities that are nearly independent.

    Parameters
    ----------
    covariance : array_like, shape (n, n)
        Of the ambiguities, cycles^2.

    Returns
    -------
    transformation : ndarray of int64, shape (n, n)
        Z with determinant +-1; the new ambiguities are Z' a.
    lower, diagonal : ndarray
        Factors of Z' Q Z, as `factorise` gives them.
    """
    lower, diagonal = factorise(covariance)
    size = len(diagonal)
    transformation = np.eye(size, dtype=np.int64)
    column = cleared = size - 2
    while column >= 0:
        if column <= cleared:
            for row in range(column + 1, size):
                _clear(lower, transformation, row, column)
        swapped = diagonal[column] + lower[column + 1, column] ** 2 * diagonal[column + 1]
        if swapped + 1e-12 < diagonal[column + 1]:
            _swap(lower, diagonal, transformation, column, float(swapped))
            cleared, column = column, size - 2
        else:
            column -= 1
    return transformation, lower, diagonal


def _clear(lower: FloatArray, transformation: IntArray, row: int, column: int) -> None:
    """Take whole multiples off, so that an element below the diagonal is at most a half."""
    multiple = round(float(lower[row, column]))
    if multiple:
        lower[row:, column] -= multiple * lower[row:, row]
        transformation[:, column] -= multiple * transformation[:, row]


def _swap(
    lower: FloatArray,
    diagonal: FloatArray,
    transformation: IntArray,
    column: int,
    swapped: float,
) -> None:
    """Exchange two neighbours; `swapped` is the variance that the second then has."""
    k, size = column, len(diagonal)
    share = diagonal[k] / swapped
    turn = diagonal[k + 1] * lower[k + 1, k] / swapped
    diagonal[k], diagonal[k + 1] = share * diagonal[k + 1], swapped
    first, second = lower[k, :k].copy(), lower[k + 1, :k].copy()
    lower[k, :k] = -lower[k + 1, k] * first + second
    lower[k + 1, :k] = share * first + turn * second
    lower[k + 1, k] = turn
    lower[k + 2 : size, [k, k + 1]] = lower[k + 2 : size, [k + 1, k]]
    transformation[:, [k, k + 1]] = transformation[:, [k + 1, k]]


def bootstrapped_success(conditional_variances: npt.ArrayLike) -> float:
    """Give the success rate of integer bootstrapping.

    Parameters
    ----------
    conditional_variances : array_like, shape (n,)
        Of `factorise` or `decorrelate`, cycles^2.

    Examples
    --------
    >>> round(bootstrapped_success([0.15**2]), 6)
    0.999142
    """
    sigmas = np.sqrt(np.asarray(conditional_variances, dtype=np.float64))
    return math.prod(math.erf(1.0 / (2.0 * math.sqrt(2.0) * float(sigma))) for sigma in sigmas)


def adop_cycles(conditional_variances: npt.ArrayLike) -> float:
    """Give the ambiguity dilution of precision, cycles: det(Q)^(1/2n)."""
    variances = np.asarray(conditional_variances, dtype=np.float64)
    return float(np.exp(np.log(variances).mean() / 2.0))


def success_by_adop(adop: float, ambiguities: int) -> float:
    """Give the success rate that an ADOP stands for: an upper bound for bootstrapping.

    Examples
    --------
    >>> round(success_by_adop(0.2, 10), 4), round(success_by_adop(0.14, 20), 4)
    (0.8825, 0.9929)
    """
    return math.erf(1.0 / (2.0 * math.sqrt(2.0) * adop)) ** ambiguities


def fix_chance(
    groups: Sequence[CommonSignals],
    *,
    distance_m: float = 0.0,
    age_s: float = 0.0,
    epochs: int = 1,
    noise: Noise | None = None,
) -> FixChance | None:
    """Predict the chance that a rover fixes.

    Parameters
    ----------
    groups : sequence of CommonSignals
        The signals that base and rover share, above the rover's mask.
    distance_m : float
        From base to rover.
    age_s : float
        Age of the corrections.
    epochs : int
        Epochs that a standing rover averages: only code noise gains by them.
    noise : Noise, optional

    Returns
    -------
    FixChance or None
        None if the satellites do not determine a position.

    Notes
    -----
    Each satellite gets a difference of ionospheric delay of its own, with a standard deviation that
    grows with the distance, and one of age, the same on all its signals and bands.
    """
    assumed = noise or Noise()
    covariance = ambiguity_covariance(groups, distance_m, age_s, epochs, assumed)
    if covariance is None:
        return None
    _, _, variances = decorrelate(covariance)
    return FixChance(bootstrapped_success(variances), adop_cycles(variances), len(variances))


def epochs_to_fix(
    groups: Sequence[CommonSignals],
    *,
    distance_m: float = 0.0,
    age_s: float = 0.0,
    noise: Noise | None = None,
    success_rate: float = CHANCE_WORDS[0][0],
    most: int = 600,
) -> int | None:
    """Give the epochs that a standing rover needs until the chance is good.

    Parameters
    ----------
    groups, distance_m, age_s, noise
        As of `fix_chance`.
    success_rate : float
        What is good.
    most : int
        More are not tried.

    Returns
    -------
    int or None
        None if so many epochs do not help: the ionosphere does not average away.
    """

    def is_good(epochs: int) -> bool:
        chance = fix_chance(groups, distance_m=distance_m, age_s=age_s, epochs=epochs, noise=noise)
        return chance is not None and chance.success_rate >= success_rate

    if not is_good(most):
        return None
    low, high = 0, most  # not good, good
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if is_good(middle) else (middle, high)
    return high


def ambiguity_covariance(
    groups: Sequence[CommonSignals], distance_m: float, age_s: float, epochs: int, noise: Noise
) -> FloatArray | None:
    """Give the covariance of the double-difference ambiguities of one solution, cycles^2.

    Returns
    -------
    ndarray, shape (n, n), or None
        n is the sum of the satellites less the number of groups; None if the place stays open.
    """
    groups = [group for group in groups if len(group.satellites) > 1]
    size = sum(len(group.satellites) - 1 for group in groups)
    systems = {group.satellites[0][0] for group in groups}
    satellites = {name for group in groups for name in group.satellites}
    if len(satellites) - len(systems) < 3:
        return None
    directions = np.zeros((size, 3))
    wavelength_m = np.zeros((size, size))
    phase, code = np.zeros((size, size)), np.zeros((size, size))
    ionosphere = np.zeros((size, len(satellites)))
    common = np.zeros((size, len(satellites)))  # of age
    places = {name: place for place, name in enumerate(sorted(satellites))}
    at = 0
    for group in groups:
        rows = slice(at, at + len(group.satellites) - 1)
        at = rows.stop
        difference, order = _differences(group.elevation_rad)
        directions[rows] = difference @ _unit_vectors(group)[order]
        carriers = np.broadcast_to(group.carrier_hz, order.shape)[order]
        wavelength_m[rows, rows] = np.diag(C_M_S / carriers[1:])
        sines = np.sin(group.elevation_rad[order])
        variance = 2.0 * (1.0 + 1.0 / sines**2)  # of a difference between two receivers
        spread = difference @ np.diag(variance) @ difference.T
        phase[rows, rows] = noise.phase_m**2 * spread
        code[rows, rows] = noise.code_m**2 / epochs * spread
        columns = [places[group.satellites[row]] for row in order]
        low = np.sin(np.maximum(group.elevation_rad[order], _LOWEST_FOR_IONOSPHERE_RAD))
        delay = noise.ionosphere_m_per_m * distance_m / low * (FIRST_BAND_HZ / carriers) ** 2
        ionosphere[rows, columns] = difference * delay
        common[rows, columns] = difference * noise.ageing_m_s * age_s
    shared = np.block(
        [
            [ionosphere @ ionosphere.T, -ionosphere @ ionosphere.T],
            [-ionosphere @ ionosphere.T, ionosphere @ ionosphere.T],
        ]
    )
    aged = common @ common.T
    measured = np.block([[phase, np.zeros_like(phase)], [np.zeros_like(code), code]])
    measured = measured + shared + np.block([[aged, aged], [aged, aged]])
    design = np.block([[directions, wavelength_m], [directions, np.zeros_like(wavelength_m)]])
    return _solve(design, measured, wavelengths=np.diag(wavelength_m))


def _unit_vectors(group: CommonSignals) -> FloatArray:
    flat = np.cos(group.elevation_rad)
    return np.stack(
        (
            -flat * np.sin(group.azimuth_rad),
            -flat * np.cos(group.azimuth_rad),
            -np.sin(group.elevation_rad),
        ),
        axis=1,
    )


def _differences(elevation_rad: FloatArray) -> tuple[FloatArray, IntArray]:
    """Give the matrix that forms differences against the first row, and the order it wants."""
    order = np.argsort(-elevation_rad, kind="stable")
    count = len(order)
    matrix = np.zeros((count - 1, count))
    matrix[:, 0] = -1.0
    matrix[:, 1:] = np.eye(count - 1)
    return matrix, order


def _solve(
    design: FloatArray, measured: FloatArray, *, wavelengths: FloatArray
) -> FloatArray | None:
    """Give the covariance of the ambiguities of a weighted solution, or None if it is singular."""
    root = np.linalg.cholesky(measured)
    weighted = np.linalg.solve(root, design)
    # Nearly nothing is known of the place beforehand; it keeps the normal matrix regular.
    normal = weighted.T @ weighted
    normal[:3, :3] += np.eye(3) / _POSITION_SIGMA_M**2
    scale = np.concatenate((np.ones(3), wavelengths))  # unknowns in metres: better conditioned
    scaled = normal / np.outer(scale, scale)
    if np.linalg.cond(scaled) > 1e14:
        return None
    covariance: FloatArray = np.linalg.inv(scaled) / np.outer(scale, scale)
    covariance = covariance[3:, 3:]
    return (covariance + covariance.T) / 2.0
