"""Signal strength against what is usual: by elevation, and against the session's own normal.

Interference or a bad cable takes strength from all satellites of a band at once. So every signal of
every satellite is compared with its own mean of the 5 minutes before, and the median over the
satellites of a band is the band's level at that second. The level is compared with its own upper
quarter, so that a transmitter that is keyed on and off shows its full depth.

The semi-codeless signals 1W and 2W lose about twice what the band loses (computed on real data):
half of their drop is counted.
"""

from collections import deque
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from rtcmtool.monitor.band_absence import BandAbsence
from rtcmtool.monitor.cell_slots import CellSlots
from rtcmtool.monitor.observed_epochs import SATELLITES, Booleans, Floats, Integers, Rows
from rtcmtool.wire.observations import SYSTEM_LETTERS
from rtcmtool.wire.signal_ids import SIGNALS

ELEVATION_STEP_DEG = 10
ELEVATION_BINS = 9
UNKNOWN_ELEVATION = ELEVATION_BINS  # the last row of the table: elevation not known
CNR_STEP_DB = 0.25
CNR_BINS = 256
SEMI_CODELESS = frozenset({"1W", "2W"})
NORMAL_MINUTES = 5
FEWEST_SATELLITES = 4  # of a band, for a level
GONE_DB = 10.0  # the least that a receiver must lose of a usual signal to lose it: judgement
DROP_DB = 2.0  # counted as a drop: the ok limit of the rule
MOST_DROPS = 500  # seconds kept

_MINUTE_MS = 60_000
_SIDES: tuple[Literal["left"], Literal["right"]] = ("left", "right")
_FEWEST_FOR_NORMAL = 10  # values of a signal
_UPPER_SHARE = 0.75
_MIN_EPOCHS = 3  # a drop must last that many epochs of a minute
_LEVELS_KEPT = 300
_RING: tuple[tuple[str, float], ...] = (("count", 0), ("sum", 0.0))

# Bands that lie on each other, by the middle in MHz; GLONASS has its own.
BAND_NAMES = ("L1/E1/B1C", "B1I", "G1", "L2", "G2", "L5/E5a/B2a", "E5b/B2", "L6/E6/B3", "S", "G3")
_BAND_OF = {
    **dict.fromkeys(("G1", "E1", "J1", "S1", "C1", "I1"), 0),
    "C2": 1, "R1": 2, "R4": 2, "G2": 3, "J2": 3, "R2": 4, "R6": 4,
    **dict.fromkeys(("G5", "E5", "J5", "S5", "C5", "I5"), 5),
    **dict.fromkeys(("E7", "E8", "C7", "C8"), 6),
    **dict.fromkeys(("E6", "J6", "C6"), 7),
    "I9": 8, "R3": 9,
}  # fmt: skip
_NO_BAND = len(BAND_NAMES)


def _tables() -> tuple[Integers, Floats]:
    """Give the band and the share of a drop that counts, by system and signal."""
    bands = np.full((len(SYSTEM_LETTERS), len(SIGNALS)), _NO_BAND, np.int64)
    for row, letter in enumerate(SYSTEM_LETTERS):
        for column, signal in enumerate(SIGNALS):
            bands[row, column] = _BAND_OF.get(letter + signal[0], _NO_BAND)
    shares = np.array([0.5 if signal in SEMI_CODELESS else 1.0 for signal in SIGNALS])
    return bands, shares


_BANDS, _SHARES = _tables()


def band_name(letter: str, signal: str) -> str | None:
    """Give the name of the band of a signal, by RINEX letter and signal; None if it has none.

    Examples
    --------
    >>> band_name("G", "2W"), band_name("C", "6I"), band_name("G", "9Z")
    ('L2', 'L6/E6/B3', None)
    """
    band = _BAND_OF.get(letter + signal[:1])
    return None if band is None else BAND_NAMES[band]


@dataclass(frozen=True, slots=True)
class BandDrop:
    """A drop of one band at an epoch; `depth_db` below the band's own level."""

    time_ms: int
    band: str
    depth_db: float


@dataclass
class BandLevel:
    """What is known of one band.

    Attributes
    ----------
    epochs : int
        Epochs with a level.
    dropped_epochs : int
        Of these, with a drop of at least 2 dB.
    depth_db : float
        Deepest drop that lasted three epochs of a minute.
    gone_epochs : int
        Epochs in which most satellites had lost it for a moment.
    since_ms, last_ms : int or None
        First and last epoch with a drop of at least 2 dB, of minutes in which it lasted.
    levels : deque of float
        Latest levels of the minutes judged.
    minute : list of (int, float)
        Epochs and levels of the minute that still runs.
    """

    epochs: int = 0
    dropped_epochs: int = 0
    depth_db: float = 0.0
    gone_epochs: int = 0
    since_ms: int | None = None
    last_ms: int | None = None
    levels: deque[float] = field(default_factory=lambda: deque(maxlen=_LEVELS_KEPT), repr=False)
    minute: list[tuple[int, float]] = field(default_factory=list, repr=False)


class CnrNormals:
    """Follows the strengths of a stream.

    Attributes
    ----------
    counts : dict of (str, str) to ndarray of int64, shape (elevation bins + 1, strength bins)
        By system and signal: how often each strength (steps of 0.25 dB-Hz) was seen at each
        elevation (steps of 10 degrees; the last row for elevations not known).
    bands : dict of BandLevel
        By name of the band.
    drops : deque of BandDrop
        The latest seconds in which a band had dropped.
    """

    def __init__(self) -> None:
        self.counts: dict[tuple[str, str], Integers] = {}
        self.bands: dict[str, BandLevel] = {}
        self.drops: deque[BandDrop] = deque(maxlen=MOST_DROPS)
        self._absence = BandAbsence(len(BAND_NAMES))
        self._minute: int | None = None
        # Values and sums of each signal of each satellite in this minute and in those before it.
        before = {f"{name}{slot}": fill for slot in range(NORMAL_MINUTES) for name, fill in _RING}
        self._slots = CellSlots({"count": 0, "sum": 0.0, "normal": 0.0, "values": 0, **before})

    def update(self, rows: Rows) -> None:
        """Take whole epochs, in order of time."""
        band = _BANDS[rows.place // SATELLITES, rows.signal]
        measured = np.isfinite(rows.pseudorange_m) | np.isfinite(rows.phase_range_m)
        there = measured & (band != _NO_BAND)
        self._absence.update(rows.take(there), band[there])
        self._tell_absences()
        rows = rows.take(np.isfinite(rows.cnr_dbhz) & (rows.cnr_dbhz > 0))
        if not len(rows):
            return
        self._count_strengths(rows)
        minute = rows.time_ms // _MINUTE_MS
        begins = np.concatenate(([0], np.flatnonzero(np.diff(minute)) + 1, [len(rows)]))
        for begin, end in zip(begins[:-1].tolist(), begins[1:].tolist(), strict=True):
            self._take(rows.take(slice(begin, end)), int(minute[begin]))

    def finish(self) -> None:
        """Tell that the stream ends: judge the last minute."""
        for name, level in self.bands.items():
            self._judge_minute(name, level)

    def _tell_absences(self) -> None:
        """Take over how long bands were gone, of those that are followed."""
        for index, absence in self._absence.found.items():
            level = self.bands.get(BAND_NAMES[index])
            if level is not None and absence.epochs > level.gone_epochs:
                level.gone_epochs = absence.epochs
                since = [at_ms for at_ms in (level.since_ms, absence.since_ms) if at_ms is not None]
                level.since_ms, level.last_ms = min(since), absence.last_ms
                if level.gone_epochs >= _MIN_EPOCHS:
                    level.depth_db = max(level.depth_db, GONE_DB)

    def _count_strengths(self, rows: Rows) -> None:
        known = np.isfinite(rows.elevation_deg)
        elevation = np.where(known, rows.elevation_deg, 0.0) // ELEVATION_STEP_DEG
        elevation = np.clip(elevation, 0, ELEVATION_BINS - 1).astype(np.int64)
        elevation[~known] = UNKNOWN_ELEVATION
        strength = np.clip(np.rint(rows.cnr_dbhz / CNR_STEP_DB), 0, CNR_BINS - 1).astype(np.int64)
        table = (ELEVATION_BINS + 1) * CNR_BINS
        signal = rows.place // SATELLITES * len(SIGNALS) + rows.signal
        places, counts = np.unique(
            signal * table + elevation * CNR_BINS + strength, return_counts=True
        )
        for key in np.unique(places // table).tolist():
            begin, end = np.searchsorted(places, (key * table, (key + 1) * table))
            system, name = divmod(key, len(SIGNALS))
            own = self.counts.setdefault(
                (SYSTEM_LETTERS[system], SIGNALS[name]),
                np.zeros((ELEVATION_BINS + 1, CNR_BINS), np.int64),
            )
            own.reshape(-1)[places[begin:end] - key * table] += counts[begin:end]

    def _take(self, rows: Rows, minute: int) -> None:
        """Take rows of one minute."""
        if minute != self._minute:
            self._turn(minute)
        order = np.argsort(rows.cell, kind="stable")
        slot = np.empty(len(rows), np.int64)
        slot[order] = self._slots.of(rows.cell[order])
        columns, size = self._slots.columns, len(self._slots)
        has_normal = columns["values"][slot] >= _FEWEST_FOR_NORMAL
        change = np.where(has_normal, rows.cnr_dbhz - columns["normal"][slot], np.nan)
        self._follow_bands(rows, change * _SHARES[rows.signal])
        columns["count"][:size] += np.bincount(slot, minlength=size)
        columns["sum"][:size] += np.bincount(slot, weights=rows.cnr_dbhz, minlength=size)

    def _turn(self, minute: int) -> None:
        """Put the minute that is over into the normal."""
        columns = self._slots.columns
        if self._minute is not None:
            for name, level in self.bands.items():
                self._judge_minute(name, level)
            slot = self._minute % NORMAL_MINUTES
            for name, fill in _RING:
                columns[f"{name}{slot}"][:] = columns[name]
                for empty in range(self._minute + 1, min(minute, self._minute + NORMAL_MINUTES)):
                    columns[f"{name}{empty % NORMAL_MINUTES}"][:] = fill
                columns[name][:] = fill
            count = sum(columns[f"count{slot}"] for slot in range(NORMAL_MINUTES))
            total = sum(columns[f"sum{slot}"] for slot in range(NORMAL_MINUTES))
            columns["values"][:] = count
            columns["normal"][:] = total / np.maximum(count, 1)
        self._minute = minute

    def _follow_bands(self, rows: Rows, change: Floats) -> None:
        """Find the level of every band at every epoch: the median over its satellites."""
        band = _BANDS[rows.place // SATELLITES, rows.signal]
        told = np.isfinite(change) & (band != _NO_BAND)
        if not told.any():
            return
        time_ms, band, place, change = (
            rows.time_ms[told],
            band[told],
            rows.place[told],
            change[told],
        )
        order = np.lexsort((change, time_ms, band))
        time_ms, band, place, change = time_ms[order], band[order], place[order], change[order]
        begins = _changes(band, time_ms)
        end = np.append(begins[1:], len(band))
        middle = (begins + end) // 2
        level = np.where(
            (end - begins) % 2 == 1, change[middle], (change[middle] + change[middle - 1]) / 2
        )
        enough = _satellites(place, begins, end) >= FEWEST_SATELLITES
        for index, time, value in zip(
            band[begins][enough].tolist(), time_ms[begins][enough].tolist(),
            level[enough].tolist(), strict=True,
        ):  # fmt: skip
            known = self.bands.setdefault(BAND_NAMES[index], BandLevel())
            known.epochs += 1
            known.minute.append((time, value))

    def _judge_minute(self, name: str, level: BandLevel) -> None:
        """Compare the levels of a minute with the upper quarter of those before and now."""
        minute, level.minute = level.minute, []
        if not minute:
            return
        values = np.array([value for _, value in minute])
        level.levels.extend(values.tolist())
        usual = float(np.quantile(np.array(level.levels), _UPPER_SHARE))
        depths = usual - values
        lasting = float(np.sort(depths)[-_MIN_EPOCHS]) if len(depths) >= _MIN_EPOCHS else 0.0
        level.depth_db = max(level.depth_db, lasting)
        if lasting < DROP_DB:
            return
        dropped = np.flatnonzero(depths >= DROP_DB)
        level.dropped_epochs += len(dropped)
        for row in dropped.tolist():
            self.drops.append(BandDrop(minute[row][0], name, float(depths[row])))
        first = minute[int(dropped[0])][0]
        level.since_ms = first if level.since_ms is None else level.since_ms
        level.last_ms = minute[int(dropped[-1])][0]

    def quantile(
        self, system: str, signal: str, share: float, elevations: slice | int = slice(None)
    ) -> float | None:
        """Give a quantile of the strengths of a signal, dB-Hz; None of nothing.

        Parameters
        ----------
        system, signal : str
            RINEX letter and signal.
        share : float
            0.5 for the median.
        elevations : slice or int
            Bins of elevation, `UNKNOWN_ELEVATION` among them.
        """
        if (system, signal) not in self.counts:
            return None
        counts = self.counts[system, signal][elevations].reshape(-1, CNR_BINS).sum(axis=0)
        total = np.cumsum(counts)
        if not total[-1]:
            return None
        # Between two values that the share lies between, the middle, as a median has it.
        below, above = (np.searchsorted(total, share * total[-1], side) for side in _SIDES)
        return float(below + min(above, CNR_BINS - 1)) / 2 * CNR_STEP_DB

    def count(self, system: str, signal: str, elevations: slice | int = slice(None)) -> int:
        """Give how many strengths of a signal were seen; parameters as of `quantile`."""
        if (system, signal) not in self.counts:
            return 0
        return int(self.counts[system, signal][elevations].sum())

    @property
    def told(self) -> int:
        """Number of strengths."""
        return sum(int(counts.sum()) for counts in self.counts.values())

    @property
    def told_without_elevation(self) -> int:
        """Number of strengths whose elevation was not known."""
        return sum(int(counts[UNKNOWN_ELEVATION].sum()) for counts in self.counts.values())


def _changes(*columns: Integers) -> Integers:
    """Give where any of sorted columns changes, the begin included."""
    changed: Booleans = np.ones(len(columns[0]), np.bool_)
    changed[1:] = False
    for column in columns:
        changed[1:] |= column[1:] != column[:-1]
    return np.flatnonzero(changed)


def _satellites(place: Integers, begins: Integers, end: Integers) -> Integers:
    """Give the number of different satellites in stretches of rows."""
    stretch = np.repeat(np.arange(len(begins)), end - begins)
    pairs = np.unique(stretch * (len(SYSTEM_LETTERS) * SATELLITES) + place)
    return np.bincount(pairs // (len(SYSTEM_LETTERS) * SATELLITES), minlength=len(begins))
