"""Geometry: dilution of precision, and which satellites a receiver should see."""

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss.ephemerides import Ephemeris, select_all
from rtcmtool.gnss.satellites import SatelliteTable, sight

FloatArray = npt.NDArray[np.float64]

MASK_DEG = 10.0  # common practice for receivers, no source
MARGIN_DEG = 2.0  # a satellite this little above the mask need not be tracked yet


@dataclass(frozen=True, slots=True)
class Dops:
    """Dilutions of precision, and the numbers of satellites and of clocks they hold for.

    With a clock for each system they are honest for a receiver that must find the offsets between
    the systems; with a single clock they come out smaller.
    """

    gdop: float
    pdop: float
    hdop: float
    vdop: float
    tdop: float
    satellites: int
    clocks: int


@dataclass(frozen=True, eq=False)
class Visible:
    """Satellites above the horizon by their ephemerides; arrays of shape (n,)."""

    satellites: tuple[str, ...]
    azimuth_deg: FloatArray
    elevation_deg: FloatArray


def dops(
    azimuth_rad: npt.ArrayLike, elevation_rad: npt.ArrayLike, clocks: Sequence[str] | None = None
) -> Dops | None:
    """Compute the dilutions of precision.

    Parameters
    ----------
    azimuth_rad, elevation_rad : array_like, shape (n,)
        Directions of the satellites used.
    clocks : sequence of str, shape (n,), optional
        Name of the clock of each satellite, mostly its system's letter; None: one clock for all.
        The clock of the first row is the one TDOP speaks of.

    Returns
    -------
    Dops or None
        None if the satellites do not determine a position: too few, or all in a plane.
    """
    azimuth = np.asarray(azimuth_rad, dtype=np.float64)
    elevation = np.asarray(elevation_rad, dtype=np.float64)
    names = list(clocks) if clocks is not None else [""] * len(azimuth)
    distinct = list(dict.fromkeys(names))
    unknowns = 3 + len(distinct)
    if len(azimuth) < unknowns:
        return None
    design = np.zeros((len(azimuth), unknowns))
    design[:, 0] = -np.cos(elevation) * np.sin(azimuth)
    design[:, 1] = -np.cos(elevation) * np.cos(azimuth)
    design[:, 2] = -np.sin(elevation)
    for row, name in enumerate(names):
        design[row, 3 + distinct.index(name)] = 1.0
    normal = design.T @ design
    if np.linalg.cond(normal) > 1e12:  # nothing but rounding left
        return None
    variances = np.diag(np.linalg.inv(normal))
    return Dops(
        gdop=math.sqrt(variances.sum()),
        pdop=math.sqrt(variances[:3].sum()),
        hdop=math.sqrt(variances[:2].sum()),
        vdop=math.sqrt(variances[2]),
        tdop=math.sqrt(variances[3]),
        satellites=len(azimuth),
        clocks=len(distinct),
    )


def visible_satellites(
    ephemerides: Mapping[str, Sequence[Ephemeris]] | Iterable[Ephemeris],
    gps_ms: int,
    receiver_m: npt.ArrayLike,
    *,
    above_deg: float = MASK_DEG + MARGIN_DEG,
    systems: Collection[str] | None = None,
) -> Visible:
    """List the healthy satellites with a fresh ephemeris that stand above an elevation.

    Parameters
    ----------
    ephemerides : mapping or iterable of Ephemeris
        Records, as for `ephemerides.select_all`.
    gps_ms : int
        Time, GPS ms.
    receiver_m : array_like, shape (3,)
        Earth-fixed place.
    above_deg : float
        Least elevation; by default the usual mask and a margin, so that all of them can be expected
        in a stream.
    systems : collection of str, optional
        Only these systems (letters).

    Returns
    -------
    Visible
        In the order of names. A satellite without an ephemeris is not in it: whether it should be
        seen is unknown.
    """
    chosen = select_all(ephemerides, gps_ms)
    records = [record for record in chosen.values() if systems is None or record.system in systems]
    table = SatelliteTable.stack(records)
    seen = sight(table, gps_ms, receiver_m)
    rows = np.flatnonzero(np.degrees(seen.elevation_rad) >= above_deg)
    return Visible(
        tuple(table.satellites[row] for row in rows),
        np.degrees(seen.azimuth_rad[rows]),
        np.degrees(seen.elevation_rad[rows]),
    )
