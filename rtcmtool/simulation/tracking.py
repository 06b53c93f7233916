"""Which signals a receiver tracks, since when, and how often it has lost them.

The time is cut into stretches of some minutes that begin at the same instants for everybody. Within
one, everything is settled second by second; from one to the next goes only what was tracked at the
end. So it does not matter in which pieces a simulation is asked for.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss.satellites import SatelliteTable, sight
from rtcmtool.simulation import noise
from rtcmtool.simulation.constellation import Constellation
from rtcmtool.simulation.propagation import Sky
from rtcmtool.simulation.receiver_effects import Conditions, Effect
from rtcmtool.simulation.receiver_settings import Receiver
from rtcmtool.simulation.signal_plan import SignalRows, signal_rows, strength_dbhz

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

STRETCH_S = 600
_GRID_S = 30  # elevations between two points are straight to a thousandth of a degree
_KEPT = 2  # stretches held in memory, some megabytes each
_USUAL_LEAD_MS = 1_800_000
_SATELLITE_SPREAD_DB = 0.8  # satellites differ in power: seen on recordings


@dataclass(frozen=True, eq=False)
class Stretch:
    """What is tracked over some minutes; times (m,) in seconds, s satellites, n signals.

    Attributes
    ----------
    first_s : int
        GPS time of the first second.
    table : SatelliteTable
        Courses of the s satellites of which something is tracked.
    rows : SignalRows
        The n signals of them of which something is tracked; `rows.satellites` are those of `table`.
    elevation_rate_rad_s : ndarray, shape (m, s)
    lock_start_ms : ndarray of int64, shape (m, n)
        Since when it is locked.
    arc : ndarray of int64, shape (m, n)
        How many locks there have been.
    conditions : Conditions
        Of the n rows; `tracked` is final.
    """

    first_s: int
    table: SatelliteTable
    rows: SignalRows
    elevation_rate_rad_s: FloatArray
    lock_start_ms: IntArray
    arc: IntArray
    conditions: Conditions


@dataclass(frozen=True, eq=False)
class _State:
    """What goes from one stretch to the next, shape (n,) of all rows."""

    tracked: BoolArray
    lock_start_ms: IntArray
    arc: IntArray


class Tracking:
    """The tracking of one receiver under one sky with its faults.

    Parameters
    ----------
    receiver : Receiver
    constellation : Constellation
    effects : tuple of Effect
    """

    def __init__(
        self, receiver: Receiver, constellation: Constellation, effects: tuple[Effect, ...]
    ) -> None:
        self.receiver, self.constellation, self.effects = receiver, constellation, effects
        self.sky = Sky(constellation.seed, constellation.start_gps_ms)
        names = tuple(
            record.satellite for record in constellation.truth(constellation.start_gps_ms)
        )
        self.rows = signal_rows(names, constellation.channels, receiver.signals, constellation.seed)
        started = receiver.started_gps_ms
        self.started_s = (
            constellation.start_gps_ms - _USUAL_LEAD_MS if started is None else started
        ) // 1000
        first = self.started_s // STRETCH_S
        nothing = np.zeros(self.rows.size, dtype=np.int64)
        self._states = {first: _State(nothing.astype(np.bool_), nothing, nothing)}
        self._stretches: dict[int, Stretch] = {}

    def stretch(self, number: int) -> Stretch:
        """Give a stretch by its number: GPS seconds over `STRETCH_S`, not before the first one."""
        if number not in self._stretches:
            # A stretch needs the end of the one before: begin at the last one known.
            known = max(place for place in self._states if place <= number)
            for place in range(known, number + 1):
                self._stretches[place] = self._settle(place)
        found = self._stretches[number]
        for place in list(self._stretches)[:-_KEPT]:
            if place != number:
                del self._stretches[place]
        return found

    def _settle(self, number: int) -> Stretch:
        """Decide what is tracked in a stretch, from the state at its begin."""
        before = self._states[number]
        second = number * STRETCH_S + np.arange(STRETCH_S)
        records = self.constellation.truth(int(second[STRETCH_S // 2]) * 1000)
        by_name = {record.satellite: record for record in records}
        table = SatelliteTable.stack([by_name[name] for name in self.rows.satellites])
        azimuth, elevation, rate = self._directions(table, second)
        conditions = self._conditions(second, azimuth, elevation)
        for effect in self.effects:
            effect.apply(conditions)
        tracked, cut = self._outcome(conditions)
        previous = np.vstack((before.tracked, tracked[:-1]))
        begins = tracked & (cut | ~previous)
        arc = before.arc + np.cumsum(begins, axis=0)
        starts = np.where(begins, second[:, np.newaxis] * 1000, -1)
        starts[0] = np.where(begins[0], starts[0], before.lock_start_ms)
        lock_start_ms = np.maximum.accumulate(starts, axis=0)
        self._states[number + 1] = _State(tracked[-1], lock_start_ms[-1], arc[-1])
        return _seen_only(number, table, conditions, rate, lock_start_ms, arc)

    def _directions(
        self, table: SatelliteTable, second: IntArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Give azimuth, elevation (degrees) and the latter's rate (rad/s), shape (m, s)."""
        grid_s = second[0] + np.arange(0, STRETCH_S + _GRID_S, _GRID_S)
        places = self.receiver.places_m(grid_s * 1000)[:, np.newaxis, :]
        seen = sight(table, (grid_s * 1000)[:, np.newaxis], places)
        left = np.arange(len(second)) // _GRID_S
        part = (np.arange(len(second)) % _GRID_S / _GRID_S)[:, np.newaxis]

        def between(values: FloatArray) -> FloatArray:
            result: FloatArray = values[left] + part * (values[left + 1] - values[left])
            return result

        azimuth = np.degrees(
            np.arctan2(between(np.sin(seen.azimuth_rad)), between(np.cos(seen.azimuth_rad)))
        )
        steps = np.diff(seen.elevation_rad, axis=0) / _GRID_S
        return azimuth % 360.0, np.degrees(between(seen.elevation_rad)), steps[left]

    def _conditions(
        self, second: IntArray, azimuth_deg: FloatArray, elevation_deg: FloatArray
    ) -> Conditions:
        """Give the conditions of a receiver without faults."""
        receiver, rows = self.receiver, self.rows
        visible = elevation_deg >= receiver.mask_deg
        for obstruction in receiver.obstructions:
            visible &= ~obstruction.hides(azimuth_deg, elevation_deg)
        shape = (len(second), rows.size)
        power = noise.normals(
            noise.keys(self.constellation.seed, "power", rows.satellite_identity), np.zeros(1, int)
        )
        low = np.clip((20.0 - elevation_deg) / 10.0, 0.02, 1.5)[:, rows.satellite]
        return Conditions(
            second=second,
            rows=rows,
            azimuth_deg=azimuth_deg,
            elevation_deg=elevation_deg,
            tracked=visible[:, rows.satellite] & (second >= self.started_s)[:, np.newaxis],
            strength_dbhz=strength_dbhz(rows, elevation_deg)
            + receiver.gain_db
            + _SATELLITE_SPREAD_DB * np.clip(power, -2.0, 2.0),
            strength_jitter_db=np.zeros(shape),
            slips_hz=receiver.slips_per_hour / 3600.0 * low,
            multipath=np.full(shape, receiver.multipath),
            phase_jitter_m=np.zeros(shape),
            half_cycle=np.zeros(shape, dtype=np.bool_),
            sky_seed=self.constellation.seed,
            receiver_seed=receiver.seed,
        )

    def _outcome(self, conditions: Conditions) -> tuple[BoolArray, BoolArray]:
        """Decide what is tracked and where locks break, shape (m, n)."""
        keys = noise.keys(self.receiver.seed, "tracking", self.rows.identity)
        drawn = noise.uniforms(keys, conditions.second)
        conditions.tracked &= conditions.strength_dbhz >= self.rows.loss_dbhz
        return conditions.tracked, drawn < conditions.slips_hz


@lru_cache(maxsize=8)
def tracking_of(
    receiver: Receiver, constellation: Constellation, effects: tuple[Effect, ...]
) -> Tracking:
    """Give the tracking of a receiver, the same object for the same arguments."""
    return Tracking(receiver, constellation, effects)


def _seen_only(
    number: int,
    table: SatelliteTable,
    conditions: Conditions,
    rate: FloatArray,
    lock_start_ms: IntArray,
    arc: IntArray,
) -> Stretch:
    """Leave out rows and satellites of which nothing is tracked."""
    kept = np.flatnonzero(conditions.tracked.any(axis=0))
    rows = conditions.rows.take(kept)
    places = [conditions.rows.satellites.index(name) for name in rows.satellites]

    def seen(values: FloatArray) -> FloatArray:
        return values[:, kept]

    return Stretch(
        first_s=number * STRETCH_S,
        table=SatelliteTable.stack([table.ephemerides[place] for place in places]),
        rows=rows,
        elevation_rate_rad_s=rate[:, places],
        lock_start_ms=lock_start_ms[:, kept],
        arc=arc[:, kept],
        conditions=Conditions(
            second=conditions.second,
            rows=rows,
            azimuth_deg=conditions.azimuth_deg[:, places],
            elevation_deg=conditions.elevation_deg[:, places],
            tracked=conditions.tracked[:, kept],
            strength_dbhz=seen(conditions.strength_dbhz),
            strength_jitter_db=seen(conditions.strength_jitter_db),
            slips_hz=seen(conditions.slips_hz),
            multipath=seen(conditions.multipath),
            phase_jitter_m=seen(conditions.phase_jitter_m),
            half_cycle=conditions.half_cycle[:, kept],
            sky_seed=conditions.sky_seed,
            receiver_seed=conditions.receiver_seed,
        ),
    )
