"""The base's own code solution: a position now and then, and the mean of the last ten minutes.

Ephemerides come from the stream or from a navigation file. Epochs that came before the ephemerides
they need are kept for a while and solved later.
"""

import math
from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from rtcmtool.gnss.atmosphere import Klobuchar
from rtcmtool.gnss.code_measurements import choose_signals, code_measurements
from rtcmtool.gnss.ephemerides import FNAV, INAV, Ephemeris, select_all
from rtcmtool.gnss.geodesy import enu_from_ecef
from rtcmtool.gnss.positioning import (
    AveragedPosition,
    PointOptions,
    PointPosition,
    average_positions,
    solve_point,
)
from rtcmtool.gnss.visibility import MASK_DEG, Dops, dops
from rtcmtool.monitor.observed_epochs import Floats, Rows, satellite_at
from rtcmtool.monitor.sky import SkyMap
from rtcmtool.wire.signal_ids import SIGNALS

OFTEN_MS, SELDOM_MS = 10_000, 60_000  # between solutions, in the first ten minutes and later
OFTEN_FOR_MS = 600_000
WINDOW_MS = 600_000  # of the average
MOST_WAITING = 60
MOST_RECORDS = 6  # of a satellite

# What a right base shows after ten minutes, 95 %: code solutions of real bases against their known
# places were off by 1.5 m horizontally and 2 m (two bands) to over 4 m (one band) in height.
TWO_BAND_ERROR_M = (1.5, 3.0)
ONE_BAND_ERROR_M = (2.5, 6.0)

Pseudoranges = dict[str, dict[str, float]]


@dataclass(frozen=True, slots=True)
class Epoch:
    """Pseudoranges of one epoch (satellite -> signal -> m), on the timeline."""

    time_ms: int
    pseudoranges: Pseudoranges


@dataclass(frozen=True, eq=False, slots=True)
class CodeSolution:
    """The base's own place.

    Attributes
    ----------
    average : AveragedPosition
        Mean of the last ten minutes.
    two_bands : bool
        Whether the ionosphere was measured.
    seconds : float
        From the first to the last epoch of the mean.
    plan_error_m, height_error_m : float
        What it may be off, 95 %: by experience with right bases, by its own scatter, and by what
        its geometry makes of errors that last.
    """

    average: AveragedPosition
    two_bands: bool
    seconds: float
    plan_error_m: float
    height_error_m: float


class EphemerisStore:
    """The latest records of every satellite."""

    def __init__(self, given: Iterable[Ephemeris] = ()) -> None:
        self.by_satellite: dict[str, list[Ephemeris]] = {}
        self.given = self.heard = 0
        self.give(given)

    def give(self, records: Iterable[Ephemeris]) -> None:
        """Take the records of a navigation file: all of them are kept."""
        for record in records:
            self.by_satellite.setdefault(record.satellite, []).append(record)
            self.given += 1

    def hear(self, record: Ephemeris) -> None:
        """Take a record from the stream; a repetition changes nothing."""
        records = self.by_satellite.setdefault(record.satellite, [])
        self.heard += 1
        if any(_is_same(known, record) for known in records[-MOST_RECORDS:]):
            return
        records.append(record)
        if not self.given:
            del records[:-MOST_RECORDS]


def _is_same(one: Ephemeris, other: Ephemeris) -> bool:
    """Tell whether two records are the same but for the time they were sent."""
    return (one.source, one.reference_gps_s, one.issue_of_data, one.health) == (
        other.source,
        other.reference_gps_s,
        other.issue_of_data,
        other.health,
    )


class BaseFix:
    """Solves for the place of a base now and then.

    Parameters
    ----------
    navigation : iterable of Ephemeris
        Records of a navigation file; empty where the stream carries them.
    klobuchar : Klobuchar, optional
        Ionosphere model for bases with one band.

    Attributes
    ----------
    store : EphemerisStore
    sky : SkyMap
    positions : deque of PointPosition
        Of the last ten minutes.
    geometries : deque of Dops or None
        Of the observed satellites above the mask, of the last hour; None where they determine no
        position.
    unsolved : deque of Epoch
        Epochs that wait for a date or for ephemerides.
    observed : set of str
        Satellites of the latest epoch taken.
    gps_minus_timeline_ms : int or None
        GPS time less that of the timeline; None while the date is not known.
    """

    def __init__(
        self,
        navigation: Iterable[Ephemeris] = (),
        klobuchar: Klobuchar | None = None,
    ) -> None:
        self.gps_minus_timeline_ms: int | None = None
        self.store = EphemerisStore(navigation)
        self.sky = SkyMap()
        self.positions: deque[tuple[PointPosition, bool]] = deque(maxlen=MOST_WAITING + 2)
        self.geometries: deque[Dops | None] = deque(maxlen=MOST_WAITING)
        self.unsolved: deque[Epoch] = deque(maxlen=MOST_WAITING)
        self.observed: set[str] = set()
        self._klobuchar = klobuchar
        self._first_ms: int | None = None
        self._next_ms = 0

    def learn_date(self, time_ms: int, gps_ms: int) -> None:
        """Take the GPS time of a time of the timeline; the first one told is kept."""
        if self.gps_minus_timeline_ms is None:
            self.gps_minus_timeline_ms = gps_ms - time_ms

    @property
    def is_dated(self) -> bool:
        """Whether the date is known."""
        return self.gps_minus_timeline_ms is not None

    def _date(self, time_ms: int) -> int | None:
        shift_ms = self.gps_minus_timeline_ms
        return None if shift_ms is None else time_ms + shift_ms

    def is_due(self, time_ms: int) -> bool:
        """Tell whether an epoch should be solved, and remember it if so."""
        if self._first_ms is None or time_ms < self._first_ms:
            self._first_ms, self._next_ms = time_ms, time_ms
        if time_ms < self._next_ms:
            return False
        early = time_ms - self._first_ms < OFTEN_FOR_MS
        self._next_ms = time_ms + (OFTEN_MS if early else SELDOM_MS)
        return True

    def take(self, epoch: Epoch) -> bool:
        """Solve an epoch; tell whether that went well."""
        self.observed = set(epoch.pseudoranges)
        gps_ms = self._date(epoch.time_ms)
        solved = self._solve(epoch)
        if solved is None:
            self.unsolved.append(epoch)
        else:
            waiting = list(self.unsolved)
            self.unsolved.clear()
            for earlier in waiting:  # with the same records, those before can be solved now
                late = self._solve(earlier)
                if late is not None:
                    self._keep(*late)
            self._keep(*solved)
        if gps_ms is not None and self.positions:
            latest, _ = self.positions[-1]
            self._look(epoch, gps_ms, latest.ecef_m)
        return solved is not None

    def solve_waiting(self, navigation: Iterable[Ephemeris]) -> None:
        """Solve what still waits with records that were given late."""
        self.store.give(navigation)
        waiting = list(self.unsolved)
        self.unsolved.clear()
        for epoch in waiting:
            self.take(epoch)

    def _solve(self, epoch: Epoch) -> tuple[PointPosition, bool] | None:
        gps_ms = self._date(epoch.time_ms)
        if gps_ms is None or not self.store.by_satellite:
            return None
        for two_bands in (True, False):
            signals = choose_signals(epoch.pseudoranges, two_bands=two_bands)
            if two_bands and not any(len(chosen) == 2 for chosen in signals.values()):
                continue
            records = self._records(gps_ms, signals)
            code = code_measurements(epoch.pseudoranges, records, signals)
            options = PointOptions(ionosphere=None if two_bands else self._klobuchar)
            position = solve_point(code, gps_ms, options)
            if position is not None:
                return position, two_bands
        return None

    def _records(self, gps_ms: int, signals: Mapping[str, list[str]]) -> dict[str, Ephemeris]:
        """Choose records; of Galileo those whose clock is made for the signals chosen."""
        records = select_all(self.store.by_satellite, gps_ms)
        galileo = signals.get("E", [])
        source = INAV if any(signal[0] == "7" for signal in galileo) else FNAV
        if galileo:
            own = {k: v for k, v in self.store.by_satellite.items() if k[0] == "E"}
            records |= select_all(own, gps_ms, sources={source})
        return records

    def _keep(self, position: PointPosition, two_bands: bool) -> None:
        self.positions.append((position, two_bands))
        oldest = max(known.gps_ms for known, _ in self.positions) - WINDOW_MS
        while self.positions and self.positions[0][0].gps_ms < oldest:
            self.positions.popleft()

    def _look(self, epoch: Epoch, gps_ms: int, place_m: Floats) -> None:
        """Compute where the satellites stand, and the geometry of those observed."""
        visible = self.sky.update(self.store.by_satellite, gps_ms, place_m, epoch.pseudoranges)
        rows = [
            row
            for row, name in enumerate(visible.satellites)
            if name in epoch.pseudoranges and visible.elevation_deg[row] >= MASK_DEG
        ]
        self.geometries.append(
            dops(
                np.radians(visible.azimuth_deg[rows]),
                np.radians(visible.elevation_deg[rows]),
                [visible.satellites[row][0] for row in rows],
            )
        )

    @property
    def usual_dops(self) -> Dops | None:
        """The geometry with the median PDOP; None where a usual epoch determines no position."""
        ranked = sorted(self.geometries, key=lambda one: math.inf if one is None else one.pdop)
        return ranked[(len(ranked) - 1) // 2] if ranked else None

    @property
    def solution(self) -> CodeSolution | None:
        """The mean of the last ten minutes; None while nothing was solved."""
        if not self.positions:
            return None
        two_bands = [one for one in self.positions if one[1]]
        chosen = two_bands if 2 * len(two_bands) >= len(self.positions) else list(self.positions)
        is_two = chosen is two_bands
        average = average_positions([position for position, _ in chosen])
        assert average is not None
        seconds = (average.last_gps_ms - average.first_gps_ms) / 1000
        plan, height = TWO_BAND_ERROR_M if is_two else ONE_BAND_ERROR_M
        east, north, up = np.nan_to_num(average.scatter_enu_m, nan=5.0)
        # Errors of code last a minute or more: so many of the solutions tell something new.
        independent = max(1.0, seconds / 60)
        # What lasts longer does not average away, and grows with the geometry as the formal error
        # of one epoch does.
        formal = np.median([position.sigma_enu_m for position, _ in chosen], axis=0)
        scatter = 2.0 * np.array([np.hypot(east, north), up]) / np.sqrt(independent)
        lasting = np.array([np.hypot(formal[0], formal[1]), formal[2]])
        errors = np.sqrt(np.array([plan, height]) ** 2 + scatter**2 + lasting**2)
        return CodeSolution(average, is_two, seconds, float(errors[0]), float(errors[1]))


def pseudoranges_of(rows: Rows) -> Pseudoranges:
    """Give the pseudoranges of the rows of one epoch."""
    told = rows.take(np.isfinite(rows.pseudorange_m))
    result: Pseudoranges = {}
    for place, signal, value in zip(
        told.place.tolist(), told.signal.tolist(), told.pseudorange_m.tolist(), strict=True
    ):
        result.setdefault(satellite_at(place), {}).setdefault(SIGNALS[signal], value)
    return result


def offset_enu_m(sent_m: tuple[float, float, float], solution: CodeSolution) -> Floats:
    """Give the sent position minus the measured one, east, north, up."""
    place = solution.average.ecef_m
    return enu_from_ecef(np.array(sent_m) - place, place)
