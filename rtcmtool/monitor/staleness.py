"""How fast the corrections of a base go stale: blocks of five minutes, summed up by satellite.

Phases are thinned to one epoch a second and kept until their block is over; then what range,
satellite clock and air explain is taken off with one record a satellite, and sums of squared
changes by age are all that is left of it.
"""

from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields
from typing import Self

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss.ephemerides import Ephemeris, select_all
from rtcmtool.gnss.satellites import SatelliteTable
from rtcmtool.gnss.signals import band, carrier_hz
from rtcmtool.gnss.staleness import (
    AGES_S,
    HARD_M,
    HELD_M,
    LEAST_SATELLITES,
    MASK_DEG,
    age_reaching_s,
    ageing_rate_m_s,
    changes_m,
    explained_m,
    ionosphere_free_m,
    stretches,
)
from rtcmtool.monitor.base_fix import BaseFix
from rtcmtool.monitor.observed_epochs import (
    PLACES,
    SATELLITES,
    Booleans,
    Floats,
    Integers,
    Rows,
    place_of,
    satellite_at,
)
from rtcmtool.wire.observations import SYSTEM_LETTERS
from rtcmtool.wire.signal_ids import SIGNALS

BLOCK_MS = 300_000
MOST_BLOCKS = 12  # an hour
LEAST_SPAN_S = 60  # of a block: shorter ones hold too few changes over 30 s
LEAST_CHANGES = 100  # satellites times epochs, below which an age was not measured: judgement
SENT_WITHIN_M = 500.0  # of the own code solution; a rover does not fix on what is farther off
STANDS_OUT = 1.5  # times what all satellites together are off: judgement
MOST_WORST = 3
_OFTEN = 0.5  # of the phases of a system's most frequent signal
_OTHER_BAND = 0.9  # the second carrier over the first, at most


@dataclass(frozen=True, eq=False, slots=True)
class _Thin:
    """Columns of phases, one epoch a second; shapes (n,)."""

    time_ms: Integers
    place: npt.NDArray[np.int16]
    signal: npt.NDArray[np.int16]
    pseudorange_m: Floats
    phase_range_m: Floats

    @property
    def second(self) -> Integers:
        """Whole seconds of the timeline."""
        return self.time_ms // 1000

    def take(self, rows: Booleans) -> Self:
        """Give some of the rows."""
        return type(self)(*(getattr(self, column.name)[rows] for column in fields(self)))


@dataclass(frozen=True, eq=False, slots=True)
class Ageing:
    """What corrections of some age are off, over the last hour at most.

    Attributes
    ----------
    ages_s : tuple of int
        Of the tuples below; None there where an age was not measured.
    rms_m : tuple of float or None
        On the first band, of all satellites above 15 degrees.
    ionosphere_free_m : tuple of float or None
        Without the ionosphere: orbits, clocks, and three times the noise.
    by_system_m : dict of str to tuple
        As `rms_m`, by RINEX letter.
    by_satellite_m : dict of str to float
        At the oldest age measured, largest first.
    oldest_s : int
        That age.
    satellites : int
    seconds : float
        That were measured.
    """

    rms_m: tuple[float | None, ...]
    ionosphere_free_m: tuple[float | None, ...]
    by_system_m: dict[str, tuple[float | None, ...]]
    by_satellite_m: dict[str, float]
    oldest_s: int
    seconds: float
    ages_s: tuple[int, ...] = AGES_S

    @property
    def satellites(self) -> int:
        """How many were measured."""
        return len(self.by_satellite_m)

    @property
    def hard_s(self) -> float | None:
        """Age at which a new fix gets hard; None if not by the oldest age."""
        return age_reaching_s(self.ages_s, self.rms_m, HARD_M)

    @property
    def held_s(self) -> float | None:
        """Age at which a held fix suffers; None if not by the oldest age."""
        return age_reaching_s(self.ages_s, self.rms_m, HELD_M)

    @property
    def rate_m_s(self) -> float | None:
        """What each second of age adds on the first band."""
        return ageing_rate_m_s(self.ages_s, self.rms_m)

    @property
    def worst(self) -> list[str]:
        """Satellites that stand out at the oldest age: best left out of old corrections."""
        usual_m = self.rms_m[self.ages_s.index(self.oldest_s)] or 0.0
        limit = max(STANDS_OUT * usual_m, HARD_M)
        return [name for name, rms in self.by_satellite_m.items() if rms > limit][:MOST_WORST]

    def off_m(self, age_s: float) -> float | None:
        """Give what corrections of an age are off; None beyond the oldest age."""
        known = [(a, r) for a, r in zip(self.ages_s, self.rms_m, strict=True) if r is not None]
        if not known or age_s > known[-1][0]:
            return None
        ages, rms = np.array(known, dtype=np.float64).T
        return float(np.interp(age_s, ages, rms))


@dataclass(slots=True)
class _Sums:
    """Squared changes and their number by age, shapes (ages,), of one satellite."""

    squares: Floats = field(default_factory=lambda: np.zeros(len(AGES_S)))
    counts: Floats = field(default_factory=lambda: np.zeros(len(AGES_S)))

    def add(self, other: "_Sums") -> None:
        self.squares += other.squares
        self.counts += other.counts

    def rms_m(self, least: int) -> tuple[float | None, ...]:
        return tuple(
            float(np.sqrt(square / count)) if count >= least else None
            for square, count in zip(self.squares.tolist(), self.counts.tolist(), strict=True)
        )


@dataclass(slots=True)
class _Block:
    """The sums of five minutes, by satellite."""

    seconds: float
    first: dict[str, _Sums] = field(default_factory=dict)
    free: dict[str, _Sums] = field(default_factory=dict)


class Staleness:
    """Measures how fast corrections go stale; its size does not grow with the stream."""

    def __init__(self) -> None:
        self._open: list[_Thin] = []
        self._block = self._latest_ms = -1
        self._waiting: list[_Thin] = []  # a block that could not be measured
        self._done: deque[_Block] = deque(maxlen=MOST_BLOCKS)
        self.sent_m: tuple[float, float, float] | None = None  # position as the base sent it last

    def update(self, rows: Rows, fix: BaseFix) -> None:
        """Take whole epochs, in order of time, and where the base stands by its own code."""
        block = int(rows.time_ms[-1]) // BLOCK_MS
        if block != self._block or rows.time_ms[0] < self._latest_ms:
            self._close(fix)
        self._block, self._latest_ms = block, int(rows.time_ms[-1])
        self._open.append(_thinned(rows))

    def finish(self, fix: BaseFix) -> None:
        """Tell that the stream ends."""
        self._close(fix)

    def solve_waiting(self, fix: BaseFix) -> None:
        """Measure what could not be measured before, with records that were given late."""
        if self._waiting and not self._done:
            self._open, self._waiting = self._waiting, []
            self._close(fix)

    def _close(self, fix: BaseFix) -> None:
        parts, self._open = [part for part in self._open if len(part.time_ms)], []
        if not parts:
            return
        measured = None
        solution, shift_ms = fix.solution, fix.gps_minus_timeline_ms
        if solution is not None and shift_ms is not None:
            place_m = self._place(solution.average.ecef_m)
            measured = _measured(_joined(parts), fix.store.by_satellite, shift_ms, place_m)
        if measured is None:  # of those that wait, the fullest and latest is worth most
            if sum(len(p.time_ms) for p in parts) >= sum(len(p.time_ms) for p in self._waiting):
                self._waiting = parts
        else:
            self._done.append(measured)

    def _place(self, own_m: Floats) -> Floats:
        """Give the position sent, as the rover uses it, unless it is far from the own one."""
        if self.sent_m is None:
            return own_m
        sent = np.array(self.sent_m)
        return sent if float(np.linalg.norm(sent - own_m)) < SENT_WITHIN_M else own_m

    @property
    def ageing(self) -> Ageing | None:
        """What was measured; None if nothing was."""
        first = _summed(block.first for block in self._done)
        free = _summed(block.free for block in self._done)
        total = _total(first.values()).rms_m(LEAST_CHANGES)
        measured = [at for at, rms in enumerate(total) if rms is not None]
        if not measured:
            return None
        oldest = measured[-1]
        single = {name: sums.rms_m(LEAST_CHANGES)[oldest] for name, sums in first.items()}
        told = {name: rms for name, rms in single.items() if rms is not None}
        letters = sorted({name[0] for name in first}, key=SYSTEM_LETTERS.index)
        return Ageing(
            total,
            _total(free.values()).rms_m(LEAST_CHANGES),
            {
                letter: _total(s for name, s in first.items() if name[0] == letter).rms_m(
                    LEAST_CHANGES
                )
                for letter in letters
            },
            dict(sorted(told.items(), key=lambda item: -item[1])),
            AGES_S[oldest],
            sum(block.seconds for block in self._done),
        )


def _total(sums: Iterable[_Sums]) -> _Sums:
    total = _Sums()
    for one in sums:
        total.add(one)
    return total


def _summed(blocks: Iterable[dict[str, _Sums]]) -> dict[str, _Sums]:
    result: dict[str, _Sums] = {}
    for block in blocks:
        for name, sums in block.items():
            result.setdefault(name, _Sums()).add(sums)
    return result


def _thinned(rows: Rows) -> _Thin:
    """Keep whole phases of dated rows, of the first epoch of every second."""
    second = rows.time_ms // 1000
    begins = np.ones(len(rows), np.bool_)
    begins[1:] = second[1:] != second[:-1]
    first_ms = rows.time_ms[begins][np.cumsum(begins) - 1]
    kept = (rows.time_ms == first_ms) & np.isfinite(rows.pseudorange_m)
    kept &= np.isfinite(rows.phase_range_m)
    return _Thin(
        rows.time_ms[kept], rows.place[kept].astype(np.int16),
        rows.signal[kept].astype(np.int16), rows.pseudorange_m[kept], rows.phase_range_m[kept],
    )  # fmt: skip


def _joined(parts: list[_Thin]) -> _Thin:
    return _Thin(
        *(
            np.concatenate([getattr(part, column.name) for part in parts])
            for column in fields(_Thin)
        )
    )


def _measured(
    thin: _Thin, ephemerides: Mapping[str, list[Ephemeris]], shift_ms: int, place_m: Floats
) -> _Block | None:
    """Measure a block; None where it is too short or the records do not reach."""
    begin, end = int(thin.second.min()), int(thin.second.max())
    if end - begin < LEAST_SPAN_S:
        return None
    offset_ms = int(thin.time_ms[0]) - 1000 * int(thin.second[0])  # epochs off the full second
    gps_ms = 1000 * np.arange(begin, end + 1) + offset_ms + shift_ms
    chosen = select_all(ephemerides, int(gps_ms[len(gps_ms) // 2]))
    block = _Block(float(end - begin))
    system = thin.place // SATELLITES
    for number in np.unique(system).tolist():
        own = thin.take(system == number)
        names = [satellite_at(place) for place in np.unique(own.place).tolist()]
        known = [chosen[name] for name in names if name in chosen]
        if len(known) >= LEAST_SATELLITES:
            _measure_system(block, own, begin, SatelliteTable.stack(known), gps_ms, place_m)
    return block if block.first else None


def _measure_system(
    block: _Block,
    thin: _Thin,
    begin_s: int,
    table: SatelliteTable,
    gps_ms: Integers,
    place_m: Floats,
) -> None:
    """Add the satellites of a table, all of one system, to a block."""
    names = list(table.satellites)
    letter, systems = names[0][0], [name[0] for name in names]
    column = np.full(PLACES, -1)
    column[[place_of(name) for name in names]] = np.arange(len(names))
    thin = thin.take(column[thin.place] >= 0)
    signals = first_and_second(letter, np.bincount(thin.signal, minlength=len(SIGNALS)))
    if not signals:
        return
    row, place = thin.second - begin_s, column[thin.place]

    def matrix(signal: str, values: Floats) -> Floats:
        here = thin.signal == SIGNALS.index(signal)
        result = np.full((len(gps_ms), len(names)), np.nan)
        result[row[here], place[here]] = values[here]
        return result

    code = matrix(signals[0], thin.pseudorange_m)
    explained, elevation = explained_m(table, gps_ms, place_m, code)
    residuals = [matrix(signal, thin.phase_range_m) - explained for signal in signals]
    whole = [stretches(residual, systems) for residual in residuals]
    low = ~(elevation >= np.radians(MASK_DEG))
    for residual in residuals:
        residual[low] = np.nan
    _add(block.first, names, residuals[0], whole[0])
    if len(signals) == 2:
        ratio = carrier_hz(letter, signals[0], 0) / carrier_hz(letter, signals[1], 0)
        free = ionosphere_free_m(residuals[0], residuals[1], ratio)
        _add(block.free, names, free, whole[0] + whole[1])


def _add(sums: dict[str, _Sums], names: list[str], residual_m: Floats, whole: Integers) -> None:
    """Add the changes of one system's satellites to sums."""
    systems = [name[0] for name in names]
    for row, age_s in enumerate(AGES_S):
        change = changes_m(residual_m, whole, systems, age_s)
        told = np.isfinite(change)
        counts = told.sum(axis=0)
        squares = np.where(told, change, 0.0) ** 2
        for name, square, count in zip(
            names, squares.sum(axis=0).tolist(), counts.tolist(), strict=True
        ):
            if count:
                own = sums.setdefault(name, _Sums())
                own.squares[row] += square
                own.counts[row] += count


def first_and_second(letter: str, counts: Integers) -> list[str]:
    """Choose the signals of a system.

    Parameters
    ----------
    letter : str
        RINEX letter.
    counts : ndarray of int, shape (signals,)
        Phases by signal, in the order of `SIGNALS`.

    Returns
    -------
    list of str
        The frequent signal with the highest carrier, and the most frequent one of a carrier clearly
        below it; one where there is no second, none without phases.
    """
    order = np.argsort(-counts, kind="stable").tolist()
    frequent = [
        SIGNALS[row]
        for row in order
        if counts[row]
        and counts[row] >= _OFTEN * counts[order[0]]
        and band(letter, SIGNALS[row]) != "?"
    ]
    if not frequent:
        return []
    carriers = {signal: carrier_hz(letter, signal, 0) for signal in frequent}
    first = max(frequent, key=lambda signal: carriers[signal])
    others = [s for s in frequent if carriers[s] <= _OTHER_BAND * carriers[first]]
    return [first, *others[:1]]
