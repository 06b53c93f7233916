"""Single-point positions from code: one epoch, and the average of many.

A code position is good to a metre or two horizontally and a few metres in height, however long it
is averaged: broadcast orbits, ionosphere and multipath change over tens of minutes. It finds
swapped signs, a wrong zone, a wrong datum or a missing geoid height, not centimetres.
"""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import Enum
from functools import cached_property

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss import atmosphere
from rtcmtool.gnss.atmosphere import Klobuchar
from rtcmtool.gnss.code_measurements import CodeMeasurements
from rtcmtool.gnss.geodesy import (
    azimuth_elevation,
    distance_m,
    enu_from_ecef,
    enu_rotation,
    geodetic_from_ecef,
)
from rtcmtool.gnss.orbits import SatelliteStates, rotate_for_travel
from rtcmtool.gnss.satellites import emission_states
from rtcmtool.gnss.signals import C_M_S
from rtcmtool.gnss.time import MS_PER_DAY, MS_PER_SECOND
from rtcmtool.gnss.visibility import MASK_DEG, Dops, dops

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

_ROUNDS = 12
_CLOCK_ORDER = "GERCJIS"  # the receiver clock refers to the first of these that is used
_CONVERGED_M = 1e-4
_COARSELY_CONVERGED_M = 10.0
_FARTHEST_M = 1e9  # no pseudorange, whatever the receiver's clock
_ALONE_FACTOR = 3.0  # a single QZSS satellite on the clock of GPS: offsets of 0.3 to 2 m were seen
_LEAST_SPARE = 1e-9  # a satellite that fixes an unknown alone has no residual to judge


class Troposphere(Enum):
    """Model of the troposphere."""

    NONE = "none"
    SAASTAMOINEN = "saastamoinen"
    DO229 = "do229"


@dataclass(frozen=True, slots=True)
class PointOptions:
    """How a position is computed.

    Attributes
    ----------
    mask_deg : float
        Least elevation of the satellites used.
    ionosphere : Klobuchar, optional
        Model for one-band measurements; None: no correction.
    troposphere : Troposphere
        Saastamoinen with a standard atmosphere, RTCA DO-229, or none.
    sigma_m : float
        Noise of one band is sigma * sqrt(1 + 1 / sin^2(elevation)).
    rejection_limit : float
        Largest normalised residual that is let pass.
    """

    mask_deg: float = MASK_DEG
    ionosphere: Klobuchar | None = None
    troposphere: Troposphere = Troposphere.SAASTAMOINEN
    sigma_m: float = 0.3
    rejection_limit: float = 4.0


@dataclass(frozen=True, eq=False)
class PointPosition:
    """A code position of one epoch.

    Attributes
    ----------
    gps_ms : int
        Epoch label.
    ecef_m : ndarray, shape (3,)
    covariance_m2 : ndarray, shape (3, 3)
        Formal, of `ecef_m`, times the variance factor where that is above 1.
    clock_m : float
        Receiver clock on the scale of `clock_system`, times the speed of light.
    clock_system : str
        Letter of the system the clock refers to.
    offsets_m : dict of str to float
        Clock of each further system minus `clock_m`.
    used, rejected, masked : tuple of str
        Satellites used; left out for their residual; below the mask or of no use for the solution.
    residual_m : dict of str to float
        Measured minus computed, of the satellites used.
    variance_factor : float
        Weighted squared residuals over redundancy; NaN without redundancy.
    dops : Dops or None
        Of the satellites used, with a clock for each system.
    """

    gps_ms: int
    ecef_m: FloatArray
    covariance_m2: FloatArray
    clock_m: float
    clock_system: str
    offsets_m: dict[str, float]
    used: tuple[str, ...]
    rejected: tuple[str, ...]
    masked: tuple[str, ...]
    residual_m: dict[str, float]
    variance_factor: float
    dops: Dops | None

    @cached_property
    def sigma_enu_m(self) -> FloatArray:
        """Formal standard deviations east, north, up, m, shape (3,)."""
        latitude, longitude, _ = geodetic_from_ecef(self.ecef_m)
        rotation = enu_rotation(latitude, longitude)
        sigma: FloatArray = np.sqrt(np.diag(rotation @ self.covariance_m2 @ rotation.T))
        return sigma


@dataclass(frozen=True, eq=False)
class AveragedPosition:
    """The mean of many code positions.

    Attributes
    ----------
    ecef_m : ndarray, shape (3,)
    scatter_enu_m : ndarray, shape (3,)
        Standard deviation of the single positions; says little about the error of the mean.
    epochs : int
    first_gps_ms, last_gps_ms : int
    rejections : Counter of str
        How many epochs each satellite was rejected in: most of them is a sick satellite or a wrong
        ephemeris.
    satellites : float
        Mean number used.
    offsets_m : dict of str to float
        Mean clock of each further system minus the first one's, where most epochs share that.
    """

    ecef_m: FloatArray
    scatter_enu_m: FloatArray
    epochs: int
    first_gps_ms: int
    last_gps_ms: int
    rejections: Counter[str]
    satellites: float
    offsets_m: dict[str, float]


@dataclass
class _Rows:
    """The rows of one solution while it is sought."""

    code: CodeMeasurements
    states: SatelliteStates
    clock_of: list[str]  # letter of the clock of each row
    noise_factor: FloatArray
    usable: BoolArray
    active: BoolArray
    rejected: list[int] = field(default_factory=list)


@dataclass(frozen=True, eq=False)
class _Linear:
    """Residuals and design at one place; shapes (n,), (n, 3), (n,)."""

    residual_m: FloatArray
    direction: FloatArray
    sigma_m: FloatArray
    azimuth_rad: FloatArray
    elevation_rad: FloatArray


def solve_point(
    code: CodeMeasurements, gps_ms: int, options: PointOptions | None = None
) -> PointPosition | None:
    """Compute the position of one epoch from nothing but code and ephemerides.

    Parameters
    ----------
    code : CodeMeasurements
        Measurements of n satellites.
    gps_ms : int
        Epoch label, GPS ms, of the receiver's clock.
    options : PointOptions, optional

    Returns
    -------
    PointPosition or None
        None if the satellites do not determine a position, or it does not come to rest on Earth.

    Notes
    -----
    Unknown are the place, one receiver clock and an offset for each further system. QZSS has an
    offset of its own from two satellites on; one alone goes with GPS, at a third of its weight. A
    single satellite of another system determines nothing and is left out. The largest normalised
    residual above the limit is rejected, one at a time, while something is left to judge by.
    """
    chosen = options or PointOptions()
    rows = _prepare(code, gps_ms)
    place = np.zeros(3)
    while True:
        found = _iterate(rows, place, gps_ms, chosen)
        if found is None:
            return None
        place, unknowns, linear, clocks = found
        worst = _worst(rows, linear, clocks, chosen.rejection_limit)
        if worst is None:
            is_on_earth = _is_near_ground(place)
            return _result(rows, gps_ms, place, unknowns, linear, clocks) if is_on_earth else None
        rows.rejected.append(worst)
        rows.usable[worst] = False


def _prepare(code: CodeMeasurements, gps_ms: int) -> _Rows:
    letters = [record.system for record in code.table.ephemerides]
    with np.errstate(invalid="ignore"):
        usable = np.abs(code.pseudorange_m) < _FARTHEST_M  # not so for NaN
    measured = np.where(usable, code.pseudorange_m, np.nan)
    states = emission_states(code.table, gps_ms, measured)
    return _Rows(code, states, letters, code.noise_factor.copy(), usable, usable.copy())


def _assign_clocks(rows: _Rows) -> None:
    """Decide which clock each active row is on, and drop rows that only fix their own clock."""
    systems = [record.system for record in rows.code.table.ephemerides]
    counts = Counter(system for system, active in zip(systems, rows.active, strict=True) if active)
    for row, system in enumerate(systems):
        rows.clock_of[row] = system
        rows.noise_factor[row] = rows.code.noise_factor[row]
        if rows.active[row] and counts[system] == 1:
            if system == "J" and counts["G"] > 1:
                rows.clock_of[row] = "G"
                rows.noise_factor[row] *= _ALONE_FACTOR
            else:
                rows.active[row] = False


def _is_near_ground(place: FloatArray) -> bool:
    height = geodetic_from_ecef(place)[2]
    return bool(atmosphere.LOWEST_M < height < atmosphere.HIGHEST_M)


def _linearise(
    rows: _Rows, place: FloatArray, gps_ms: int, options: PointOptions
) -> tuple[_Linear, bool]:
    """Compute residuals at a place; the second result tells whether models were applied."""
    code = rows.code
    rotated = rows.states.position_m
    travel = distance_m(rotated, place) / C_M_S
    for _ in range(2):
        rotated = rotate_for_travel(rows.states.position_m, travel, code.table.earth_rate_rad_s)
        travel = distance_m(rotated, place) / C_M_S
    distance = travel * C_M_S
    computed = distance - C_M_S * (rows.states.clock_s - code.group_delay_s)
    direction = (rotated - place) / distance[:, np.newaxis]
    if not _is_near_ground(place):
        nothing = np.zeros_like(distance)
        flat = np.full_like(distance, np.pi / 2.0)
        sigma = options.sigma_m * rows.noise_factor
        return _Linear(code.pseudorange_m - computed, direction, sigma, nothing, flat), False
    latitude, longitude, height = geodetic_from_ecef(place)
    azimuth, elevation = azimuth_elevation(place, rotated)
    if options.troposphere is Troposphere.SAASTAMOINEN:
        computed = computed + atmosphere.saastamoinen_m(latitude, height, elevation)
    elif options.troposphere is Troposphere.DO229:
        day = _day_of_year(gps_ms)
        computed = computed + atmosphere.do229_m(latitude, height, elevation, day)
    if options.ionosphere is not None:
        delay = atmosphere.klobuchar_m(
            options.ionosphere,
            latitude,
            longitude,
            azimuth,
            elevation,
            gps_second_of_day=gps_ms % MS_PER_DAY / MS_PER_SECOND,
            frequency_hz=code.frequency_hz,
        )
        computed = computed + np.where(np.isnan(code.frequency_hz), 0.0, delay)
    sine = np.sin(np.maximum(elevation, math.radians(1.0)))
    sigma = options.sigma_m * rows.noise_factor * np.sqrt(1.0 + 1.0 / sine**2)
    return _Linear(code.pseudorange_m - computed, direction, sigma, azimuth, elevation), True


def _day_of_year(gps_ms: int) -> float:
    """Give the day of the year, 1 to 366, to a day: the seasons do not ask for more."""
    days_since_1980 = gps_ms / MS_PER_DAY + 5.0
    return days_since_1980 % 365.25 + 1.0


def _design(rows: _Rows, linear: _Linear, clocks: Sequence[str]) -> FloatArray:
    """Give the design matrix of all rows: place, first clock, offsets of the others."""
    design = np.zeros((len(rows.clock_of), 3 + len(clocks)))
    design[:, :3] = -linear.direction
    design[:, 3] = 1.0
    for row, letter in enumerate(rows.clock_of):
        if letter in clocks[1:]:
            design[row, 3 + clocks.index(letter)] = 1.0
    return design


def _iterate(
    rows: _Rows, place: FloatArray, gps_ms: int, options: PointOptions
) -> tuple[FloatArray, FloatArray, _Linear, list[str]] | None:
    """Find the place where the weighted squared residuals are least."""
    for _ in range(_ROUNDS):
        linear, has_models = _linearise(rows, place, gps_ms, options)
        above = linear.elevation_rad >= math.radians(options.mask_deg)
        rows.active = rows.usable & above & np.isfinite(linear.residual_m)
        _assign_clocks(rows)
        clocks = sorted(
            {letter for letter, active in zip(rows.clock_of, rows.active, strict=True) if active},
            key=_CLOCK_ORDER.index,
        )
        if not clocks or rows.active.sum() < 3 + len(clocks):
            return None
        weighted = _design(rows, linear, clocks)[rows.active]
        weighted /= linear.sigma_m[rows.active, np.newaxis]
        target = linear.residual_m[rows.active] / linear.sigma_m[rows.active]
        solution, _, rank, _ = np.linalg.lstsq(weighted, target, rcond=1e-7)
        if rank < 3 + len(clocks):
            return None
        unknowns: FloatArray = np.asarray(solution, dtype=np.float64)
        place = place + unknowns[:3]
        # Far from the ground there are no models; at rest there, some measurement is grossly wrong
        # and must be found first.
        at_rest_m = _CONVERGED_M if has_models else _COARSELY_CONVERGED_M
        if float(np.abs(unknowns[:3]).max()) < at_rest_m and has_models is _is_near_ground(place):
            return place, unknowns, linear, clocks
    return None


def _covariance(rows: _Rows, linear: _Linear, clocks: Sequence[str]) -> FloatArray:
    weighted = _design(rows, linear, clocks)[rows.active]
    weighted /= linear.sigma_m[rows.active, np.newaxis]
    return np.asarray(np.linalg.inv(weighted.T @ weighted), dtype=np.float64)


def _worst(rows: _Rows, linear: _Linear, clocks: list[str], limit: float) -> int | None:
    """Find the row with the largest normalised residual above the limit."""
    active = np.flatnonzero(rows.active)
    if len(active) <= 3 + len(clocks):
        return None
    weighted = _design(rows, linear, clocks)[active] / linear.sigma_m[active, np.newaxis]
    target = linear.residual_m[active] / linear.sigma_m[active]
    covariance = _covariance(rows, linear, clocks)
    left = target - weighted @ (covariance @ (weighted.T @ target))
    spare = 1.0 - np.einsum("ij,jk,ik->i", weighted, covariance, weighted)
    judged = np.where(
        spare > _LEAST_SPARE, np.abs(left) / np.sqrt(np.maximum(spare, _LEAST_SPARE)), 0.0
    )
    worst = int(np.argmax(judged))
    return int(active[worst]) if judged[worst] > limit else None


def _result(
    rows: _Rows,
    gps_ms: int,
    place: FloatArray,
    unknowns: FloatArray,
    linear: _Linear,
    clocks: list[str],
) -> PointPosition:
    names = rows.code.table.satellites
    active = np.flatnonzero(rows.active)
    left = linear.residual_m - _design(rows, linear, clocks) @ unknowns
    redundancy = len(active) - 3 - len(clocks)
    squares = float(np.sum((left[active] / linear.sigma_m[active]) ** 2))
    factor = squares / redundancy if redundancy > 0 else math.nan
    covariance = _covariance(rows, linear, clocks)[:3, :3] * max(1.0, factor)
    used_clocks = [rows.clock_of[row] for row in active]
    first_first = sorted(range(len(active)), key=lambda row: used_clocks[row] != clocks[0])
    order = active[first_first]
    return PointPosition(
        gps_ms=gps_ms,
        ecef_m=place,
        covariance_m2=covariance,
        clock_m=float(unknowns[3]),
        clock_system=clocks[0],
        offsets_m={letter: float(unknowns[3 + row]) for row, letter in enumerate(clocks) if row},
        used=tuple(names[row] for row in active),
        rejected=tuple(names[row] for row in rows.rejected),
        masked=tuple(
            name
            for row, name in enumerate(names)
            if not rows.active[row] and row not in rows.rejected
        ),
        residual_m={names[row]: float(left[row]) for row in active},
        variance_factor=factor,
        dops=dops(
            linear.azimuth_rad[order],
            linear.elevation_rad[order],
            [rows.clock_of[row] for row in order],
        ),
    )


def average_positions(positions: Sequence[PointPosition]) -> AveragedPosition | None:
    """Average code positions of many epochs; None if there are none.

    Every epoch counts the same: the errors that matter are common to all of them.
    """
    if not positions:
        return None
    places = np.stack([position.ecef_m for position in positions])
    mean = places.mean(axis=0)
    local = enu_from_ecef(places - mean, mean)
    epochs = [position.gps_ms for position in positions]
    return AveragedPosition(
        ecef_m=mean,
        scatter_enu_m=local.std(axis=0, ddof=1) if len(positions) > 1 else np.full(3, np.nan),
        epochs=len(positions),
        first_gps_ms=min(epochs),
        last_gps_ms=max(epochs),
        rejections=Counter(name for position in positions for name in position.rejected),
        satellites=float(np.mean([len(position.used) for position in positions])),
        offsets_m=_mean_offsets(positions),
    )


def _mean_offsets(positions: Sequence[PointPosition]) -> dict[str, float]:
    """Average the offsets between systems of the epochs whose clock is the commonest."""
    first = Counter(position.clock_system for position in positions).most_common(1)[0][0]
    told: dict[str, list[float]] = {}
    for position in positions:
        if position.clock_system == first:
            for letter, offset in position.offsets_m.items():
                told.setdefault(letter, []).append(offset)
    return {letter: float(np.mean(offsets)) for letter, offsets in sorted(told.items())}
