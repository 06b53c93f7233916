"""Lay a rover's log beside a stream: whether they overlap in time, and whether it tells UTC.

A log that was written in local time, or by a clock that is whole hours off, may still overlap with
the stream, and be joined to the wrong part of it. The sky tells: satellites move by some 7 degrees
in a quarter of an hour, so the directions of GSV fit the orbits at one time only.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss import time as gnss_time
from rtcmtool.gnss.ephemerides import Ephemeris, KeplerEphemeris, select_all
from rtcmtool.gnss.satellites import SatelliteTable, sight
from rtcmtool.monitor.rover_log import Columns, Floats, SkySample

ZONE_STEP_S, MOST_ZONE_S = 900, 14 * 3600  # zones of the world: quarters of an hour, up to 14 h
_LEAST_OVERLAP = 0.5  # of the shorter, in another zone
_SAME_ENDS_S = 60.0  # both were switched on and off together
_SAMPLES = 8
_FEWEST_SATELLITES = 5
_LOW_DEG = 10.0
# GSV tells whole degrees, up to a few seconds late: half a degree. A quarter of an hour is 3 to 8.
_FITS_DEG = 1.5
_BETTER = 2.0  # times than any other zone


@dataclass(frozen=True, slots=True)
class Joint:
    """How a log lies in time beside a stream.

    Attributes
    ----------
    kind : str
        "same" (they overlap), "zone" (they do in another time zone), "apart", "together" (heard
        live, at once), or "unknown" where a date is missing.
    shift_s : float
        Taken off the log's times: of a zone.
    overlap_s : float
        Seconds that both have.
    apart_s : float
        Log behind stream, where they are apart.
    by_sky : bool
        Whether satellites of the log's GSV stand where the orbits have them at these times.
    doubt_s : float
        A zone that begin and end of the log speak for although they overlap without it; 0 mostly.
    """

    kind: str
    shift_s: float = 0.0
    overlap_s: float = 0.0
    apart_s: float = 0.0
    by_sky: bool = False
    doubt_s: float = 0.0

    @property
    def is_overlap(self) -> bool:
        """Whether the times of the log are known to be those of the stream."""
        return self.kind in {"same", "zone"}


def join(
    columns: Columns, stream_ms: tuple[int, int] | None, sky_shift_s: float | None = None
) -> Joint:
    """Lay a log beside a stream.

    Parameters
    ----------
    columns : Columns
        The log.
    stream_ms : (int, int) or None
        First and last epoch of the stream, UTC ms; None without a date.
    sky_shift_s : float or None
        How far the log's times are ahead of UTC by its satellites; None where that is not known,
        NaN where they stand so at no zone's time: then a zone is not guessed from the clock.
    """
    told = columns.utc_ms[columns.utc_ms >= 0]
    if stream_ms is None or not len(told):
        return Joint("unknown")
    begin, end = int(told.min()), int(told.max())
    if sky_shift_s is not None and not math.isnan(sky_shift_s):
        overlap_s = _overlap_s(begin, end, stream_ms, sky_shift_s)
        if overlap_s < 0:
            apart_s = _apart_s(begin, end, stream_ms, sky_shift_s)
            return Joint("apart", sky_shift_s, apart_s=apart_s, by_sky=True)
        return Joint("zone" if sky_shift_s else "same", sky_shift_s, overlap_s, by_sky=True)
    overlap_s = _overlap_s(begin, end, stream_ms, 0.0)
    first, last = stream_ms
    zone_s = round((begin + end - first - last) / 2000 / ZONE_STEP_S) * ZONE_STEP_S
    is_zone = bool(zone_s) and abs(zone_s) <= MOST_ZONE_S
    if overlap_s >= 0:
        ends = abs(begin - first - zone_s * 1000), abs(end - last - zone_s * 1000)
        is_doubtful = is_zone and max(ends) <= _SAME_ENDS_S * 1000
        return Joint("same", 0.0, overlap_s, doubt_s=float(zone_s) if is_doubtful else 0.0)
    shorter_s = max(min(end - begin, last - first) / 1000, 1.0)
    shifted_s = _overlap_s(begin, end, stream_ms, zone_s)
    if is_zone and sky_shift_s is None and shifted_s >= _LEAST_OVERLAP * shorter_s:
        return Joint("zone", float(zone_s), shifted_s)
    return Joint("apart", apart_s=_apart_s(begin, end, stream_ms, 0.0))


def _overlap_s(begin: int, end: int, stream_ms: tuple[int, int], shift_s: float) -> float:
    """Give the seconds that both have, below zero where they have none."""
    first, last = stream_ms
    return (min(end - shift_s * 1000, last) - max(begin - shift_s * 1000, first)) / 1000


def _apart_s(begin: int, end: int, stream_ms: tuple[int, int], shift_s: float) -> float:
    first, last = stream_ms
    behind_s = (begin - last) / 1000 - shift_s
    return behind_s if behind_s > 0 else (end - first) / 1000 - shift_s


def sky_shift_s(
    samples: Sequence[SkySample],
    ephemerides: Mapping[str, Sequence[Ephemeris]],
    gps_ms: int,
    place_m: npt.ArrayLike,
) -> float | None:
    """Find how far a log's times are ahead of UTC by where its satellites stand.

    Parameters
    ----------
    samples : sequence of SkySample
        Directions that the log tells.
    ephemerides : mapping of satellite to sequence of Ephemeris
        Orbits. A few hours from their own time they are right to a hundredth of a degree; those of
        GLONASS are not, and are left out.
    gps_ms : int
        Time of the stream, for which the orbits are chosen.
    place_m : array_like, shape (3,)
        Rough earth-fixed place of the rover.

    Returns
    -------
    float or None
        A multiple of a quarter of an hour; None where too few satellites are told, or more than one
        time fits; NaN where none does. The orbits repeat each day: they tell no date.
    """
    orbits = {
        name: record
        for name, record in select_all(ephemerides, gps_ms).items()
        if isinstance(record, KeplerEphemeris)
    }
    shifts = np.arange(-MOST_ZONE_S, MOST_ZONE_S + 1, ZONE_STEP_S, dtype=np.float64)
    usable = [sample for sample in samples if len(_rows(sample, orbits)) >= _FEWEST_SATELLITES]
    step = max(-(-len(usable) // _SAMPLES), 1)
    misfits = [_misfit_deg(sample, orbits, shifts, place_m) for sample in usable[::step]]
    if not misfits:
        return None
    misfit = np.median(misfits, axis=0)
    best, second = np.argsort(misfit)[:2]
    if misfit[best] > _FITS_DEG:
        return math.nan
    if misfit[second] < _BETTER * misfit[best]:
        return None
    return float(shifts[best])


def _rows(sample: SkySample, orbits: Mapping[str, Ephemeris]) -> list[int]:
    """Give the satellites of a sample that are high and whose orbit is known."""
    return [
        row
        for row, name in enumerate(sample.names)
        if name in orbits and sample.elevation_deg[row] >= _LOW_DEG
    ]


def _misfit_deg(
    sample: SkySample, orbits: Mapping[str, Ephemeris], shifts_s: Floats, place_m: npt.ArrayLike
) -> Floats:
    """Give the median angle between told and computed directions for each shift, degrees."""
    rows = _rows(sample, orbits)
    table = SatelliteTable.stack([orbits[sample.names[row]] for row in rows])
    gps_ms = gnss_time.gps_ms_from_utc_ns(sample.utc_ms * 1_000_000)
    times_ms = gps_ms - np.rint(1000 * shifts_s).astype(np.int64)[:, np.newaxis]
    seen = sight(table, times_ms, place_m)
    told = _directions(np.radians(sample.azimuth_deg[rows]), np.radians(sample.elevation_deg[rows]))
    cosines = (told * _directions(seen.azimuth_rad, seen.elevation_rad)).sum(axis=-1)
    return np.asarray(np.median(np.degrees(np.arccos(np.clip(cosines, -1.0, 1.0))), axis=1))


def _directions(azimuth_rad: Floats, elevation_rad: Floats) -> Floats:
    level = np.cos(elevation_rad)
    parts = (level * np.sin(azimuth_rad), level * np.cos(azimuth_rad), np.sin(elevation_rad))
    return np.stack(parts, axis=-1)
