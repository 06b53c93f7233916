"""Observations in stretches of half a minute: a row a satellite and signal, held back until over.

What is computed from phases compares whole epochs, many at once. So rows wait until their half
minute is over: results then do not depend, to the last digit, on how the stream was cut.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, replace
from typing import Self

import numpy as np
import numpy.typing as npt

from rtcmtool.wire.decoding import NONE, Batch
from rtcmtool.wire.lock_times import (
    LEGACY_LOCK_MS,
    MSM_EXTENDED_LOCK_MS,
    MSM_LOCK_MS,
    upper_bounds_ms,
)
from rtcmtool.wire.observations import SYSTEM_LETTERS, Observations
from rtcmtool.wire.signal_ids import SIGNALS

Integers = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Booleans = npt.NDArray[np.bool_]

SATELLITES = 128  # places of a system: RINEX numbers fit
PLACES = len(SYSTEM_LETTERS) * SATELLITES  # satellites of all systems

_FIRST_MSM = 1070
SLOT_MS = 30_000  # rows wait until so much of the timeline is over
_SET_BACK_MS = 60_000
MOST_WAITING = 500_000  # rows; half a minute at 20 Hz of 800 signals
_LOCK_TABLES = (LEGACY_LOCK_MS, MSM_LOCK_MS, MSM_EXTENDED_LOCK_MS)


@dataclass(frozen=True, eq=False, slots=True)
class Rows:
    """Observations with their epochs; columns of shape (n,), in order of time.

    Attributes
    ----------
    time_ms : ndarray of int64
        Epoch on the timeline.
    group : ndarray of int64
        Rising number of each satellite in each message: the rows of one stand together.
    place, signal : ndarray of int64
        Satellite (`place_of`) and index in `SIGNALS`.
    pseudorange_m, phase_range_m, phase_range_rate_m_s, cnr_dbhz : ndarray of float64
        As observed; NaN where invalid.
    lock_ms, lock_upper_ms : ndarray of int64
        Least time of lock, and a time that it has not reached; -1 where not told.
    half_cycle : ndarray of int64
        1 unresolved, 0 resolved, -1 not told.
    is_legacy : ndarray of bool
        Whether the row is of 1001-1004 or 1009-1012.
    elevation_deg : ndarray of float64
        Of the satellite; NaN while unknown.
    gps_ms : ndarray of int64
        Epoch as GPS time; -1 while the date is unknown.
    """

    time_ms: Integers
    group: Integers
    place: Integers
    signal: Integers
    pseudorange_m: Floats
    phase_range_m: Floats
    phase_range_rate_m_s: Floats
    cnr_dbhz: Floats
    lock_ms: Integers
    lock_upper_ms: Integers
    half_cycle: Integers
    is_legacy: Booleans
    elevation_deg: Floats
    gps_ms: Integers

    def __len__(self) -> int:
        return len(self.time_ms)

    @property
    def cell(self) -> Integers:
        """Satellite and signal in one number."""
        return self.place * len(SIGNALS) + self.signal

    def take(self, rows: Integers | Booleans | slice) -> Self:
        """Give some of the rows."""
        return type(self)(*(getattr(self, column.name)[rows] for column in fields(self)))

    def with_elevations(self, elevation_deg: Floats) -> Self:
        """Give the same rows with elevations, shape (n,)."""
        return replace(self, elevation_deg=elevation_deg)


def place_of(satellite: str) -> int:
    """Give the place of a satellite from its RINEX name.

    Examples
    --------
    >>> place_of("G05"), satellite_at(place_of("E33"))
    (5, 'E33')
    """
    return SYSTEM_LETTERS.index(satellite[0]) * SATELLITES + int(satellite[1:])


def satellite_at(place: int) -> str:
    """Give the RINEX name of a satellite from its place."""
    system, number = divmod(place, SATELLITES)
    return f"{SYSTEM_LETTERS[system]}{number:02d}"


def rows_of(batch: Batch, observed: Observations | None = None) -> Rows:
    """Give the observations of a batch, in its order.

    Parameters
    ----------
    batch : Batch
        Decoded frames.
    observed : Observations, optional
        Some of its observations; by default all.
    """
    observed = batch.observations if observed is None else observed
    frame = observed.frame
    place = observed.system.astype(np.int64) * SATELLITES + observed.satellite
    begins = np.ones(len(frame), np.bool_)
    begins[1:] = (frame[1:] != frame[:-1]) | (place[1:] != place[:-1])
    number = batch.number[frame]
    lock = observed.lock_time_ms.astype(np.int64)
    return Rows(
        batch.timeline_ms[frame],
        np.cumsum(begins),
        place,
        observed.signal.astype(np.int64),
        observed.pseudorange_m.astype(np.float64),
        observed.phase_range_m.astype(np.float64),
        observed.phase_range_rate_m_s.astype(np.float64),
        observed.cnr_dbhz.astype(np.float64),
        lock,
        _lock_upper_ms(number, lock),
        observed.half_cycle.astype(np.int64),
        number < _FIRST_MSM,
        np.full(len(frame), np.nan),
        batch.gps_ms[frame],
    )


def _lock_upper_ms(number: Integers, lock_ms: Integers) -> Integers:
    """Give the times that locks have not reached yet, by the kind of their message."""
    kind = np.where(number < _FIRST_MSM, 0, np.where(number % 10 < 6, 1, 2))
    upper = np.full(len(lock_ms), NONE, np.int64)
    for index, table in enumerate(_LOCK_TABLES):
        rows = np.flatnonzero((kind == index) & (lock_ms != NONE))
        if len(rows):
            upper[rows] = upper_bounds_ms(table, lock_ms[rows].astype(np.int32))
    return upper


class EpochBuffer:
    """Holds rows back until their half minute is over.

    Parameters
    ----------
    station : int, optional
        The station followed; by default the first that sends observations.
    """

    def __init__(self, station: int | None = None) -> None:
        self.station = station
        self._waiting: list[Rows] = []
        self._held = 0  # rows that wait
        self._latest_ms = self._done_ms = NONE

    def add(self, batch: Batch) -> Iterator[tuple[int, Rows]]:
        """Take a batch; give what is over.

        Yields
        ------
        frame : int
            The frame of the batch that showed that a half minute is over.
        rows : Rows
            Its rows, in order of time.
        """
        observed = batch.observations
        if not len(observed):
            return
        if self.station is None:
            self.station = int(batch.station[observed.frame[0]])
        here = (batch.station[observed.frame] == self.station) & (
            batch.timeline_ms[observed.frame] >= 0
        )
        observed = observed if here.all() else observed.take(here)
        rows = rows_of(batch, observed)
        for first, over in self.add_rows(rows):
            yield int(observed.frame[first]), over

    def add_rows(self, rows: Rows) -> Iterator[tuple[int, Rows]]:
        """Take rows as `rows_of` gives them; yield as `add`, with rows for frames."""
        if not len(rows):
            return
        # A stream that falls back by more than a minute begins anew.
        latest = np.maximum.accumulate(np.concatenate(([self._latest_ms], rows.time_ms)))
        back = np.flatnonzero(rows.time_ms < latest[:-1] - _SET_BACK_MS)
        end = int(back[0]) if len(back) else len(rows)
        slots = latest // SLOT_MS
        begin = 0
        for at in np.flatnonzero(slots[1 : end + 1] > slots[:end]).tolist():
            self._wait(rows, begin, at)
            begin = at
            yield from ((at, over) for over in self._over())
        self._wait(rows, begin, end)
        self._latest_ms = int(latest[end])
        if end < len(rows):
            yield from ((end, over) for over in self._over())
            self._latest_ms = self._done_ms = NONE
            for at, over in self.add_rows(rows.take(slice(end, None))):
                yield end + at, over

    def finish(self) -> Rows | None:
        """Give what still waits: nothing more comes."""
        return next(self._over(), None)

    def _wait(self, rows: Rows, begin: int, end: int) -> None:
        # A base whose clock stands still would send its half minute for ever.
        end = min(end, begin + MOST_WAITING - self._held)
        if end > begin:
            self._held += end - begin
            self._waiting.append(rows.take(slice(begin, end)))

    def _over(self) -> Iterator[Rows]:
        """Give what waits, but for rows that come late: their time is told already."""
        waiting, self._waiting, self._held = self._waiting, [], 0
        if not waiting:
            return
        rows = waiting[0] if len(waiting) == 1 else joined(waiting)
        rows = rows.take(rows.time_ms > self._done_ms)
        if not len(rows):
            return
        if np.any(rows.time_ms[1:] < rows.time_ms[:-1]):
            rows = rows.take(np.argsort(rows.time_ms, kind="stable"))
        self._done_ms = int(rows.time_ms[-1])
        yield rows


def joined(parts: Sequence[Rows]) -> Rows:
    """Put rows behind each other; groups are counted on."""
    columns = [
        np.concatenate([getattr(part, column.name) for part in parts]) for column in fields(Rows)
    ]
    lengths = [len(part) for part in parts]
    counts = [int(part.group.max()) + 1 if len(part) else 0 for part in parts]
    columns[1] = columns[1] + np.repeat(np.cumsum([0, *counts[:-1]]), lengths)
    return Rows(*columns)
