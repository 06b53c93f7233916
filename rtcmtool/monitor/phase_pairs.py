"""Signals paired by satellite: which phase each code is compared with, and wavelengths.

The hub of a satellite is its signal on the first band, the second its best signal of another band;
the same choice at every epoch, so that arcs last. Every other signal is compared with the hub.
"""

from dataclasses import dataclass

import numpy as np

from rtcmtool.gnss.signals import C_M_S, band, carrier_hz
from rtcmtool.monitor.cell_slots import CellSlots
from rtcmtool.monitor.observed_epochs import SATELLITES, Booleans, Floats, Integers, Rows
from rtcmtool.wire.observations import SYSTEM_LETTERS
from rtcmtool.wire.signal_ids import SIGNALS

NO_PARTNER = -1

# Bands from the one most receivers track to the one fewest do, by judgement; within a band civil
# signals come before the semi-codeless ones, which break first.
_BAND_ORDER = {
    "G": "125", "R": "12346", "E": "15786", "S": "15", "J": "1256", "C": "216758", "I": "591",
}  # fmt: skip
_ATTRIBUTE_ORDER = "CXPQLIDSBAZWYMN"
_LAST = 1_000  # rank of a reserved signal: no hub, no second
_ADJUSTED_CYCLES = 1_500  # RTCM 10403.x, DF012, from memory
_MOST_ADJUSTED = 3
_ADJUSTED_WITHIN_M = 5.0  # code noise, and what the ionosphere does in an epoch


def _tables() -> tuple[Integers, Integers, Floats, Floats]:
    """Give rank, band, carrier (Hz) and carrier step (Hz a channel) by system and signal."""
    shape = (len(SYSTEM_LETTERS), len(SIGNALS))
    rank = np.full(shape, _LAST, np.int64)
    bands = np.full(shape, -1, np.int64)
    carrier = np.full(shape, np.nan)
    step = np.zeros(shape)
    for row, letter in enumerate(SYSTEM_LETTERS):
        for column, signal in enumerate(SIGNALS):
            digit = band(letter, signal)
            if not digit.isdigit():
                continue
            bands[row, column] = int(digit)
            rank[row, column] = 32 * _BAND_ORDER[letter].index(digit) + _ATTRIBUTE_ORDER.index(
                signal[1]
            )
            carrier[row, column] = carrier_hz(letter, signal, 0)
            step[row, column] = carrier_hz(letter, signal, 1) - carrier[row, column]
    return rank, bands, carrier, step


_RANK, _BANDS, _CARRIER_HZ, _CARRIER_STEP_HZ = _tables()


def bands_of(rows: Rows) -> Integers:
    """Give the RINEX band digits of rows, -1 for reserved signals; shape (n,)."""
    return _BANDS[rows.place // SATELLITES, rows.signal]


def carriers_hz(rows: Rows, channels: dict[int, int]) -> Floats:
    """Give the carriers of rows.

    Parameters
    ----------
    rows : Rows
        n observations.
    channels : dict of int to int
        GLONASS frequency channel by slot; the middle of the band stands in for unknown ones, which
        is right within 0.3 %, and leaves the ratio of the bands right.

    Returns
    -------
    ndarray of float64, shape (n,)
        Hz; NaN for reserved signals.
    """
    system = rows.place // SATELLITES
    by_place = np.zeros(len(SYSTEM_LETTERS) * SATELLITES)
    first = SYSTEM_LETTERS.index("R") * SATELLITES
    for slot, channel in channels.items():
        by_place[first + slot] = channel
    carriers: Floats = (
        _CARRIER_HZ[system, rows.signal]
        + _CARRIER_STEP_HZ[system, rows.signal] * by_place[rows.place]
    )
    return carriers


@dataclass(frozen=True, eq=False, slots=True)
class Pairs:
    """Rows of each row's partners; shapes (n,), -1 where there is none.

    `hub` is the satellite's hub. `partner` is a row of another band: the hub, or for rows on the
    hub's own band the second. `is_second` marks the one row whose pair with the hub stands for the
    satellite.
    """

    hub: Integers
    partner: Integers
    is_second: Booleans


def pair(rows: Rows) -> Pairs:
    """Pair the rows of every satellite and epoch; all rows must have a phase."""
    size = len(rows)
    if not size:
        none = np.zeros(0, np.int64)
        return Pairs(none, none, np.zeros(0, np.bool_))
    system = rows.place // SATELLITES
    bands = _BANDS[system, rows.signal]
    begins = np.ones(size, np.bool_)
    begins[1:] = rows.group[1:] != rows.group[:-1]
    starts = np.flatnonzero(begins)
    group = np.cumsum(begins) - 1
    index = np.arange(size)
    ranked = _RANK[system, rows.signal]
    hub = np.minimum.reduceat(ranked * size + index, starts)[group]
    hub = np.where(hub // size < _LAST, hub % size, NO_PARTNER)
    others = np.where((bands != bands[hub]) & (hub != NO_PARTNER), ranked, _LAST)
    second = np.minimum.reduceat(others * size + index, starts)[group]
    second = np.where(second // size < _LAST, second % size, NO_PARTNER)
    partner = np.where(bands == bands[hub], second, hub)
    partner[ranked == _LAST] = NO_PARTNER
    return Pairs(hub, partner, index == second)


class PhaseAdjustments:
    """Undoes the steps of 1500 cycles that legacy messages take to keep a field in range."""

    def __init__(self) -> None:
        self._slots = CellSlots({"last_m": 0.0, "turns": 0, "is_known": 0})

    def undo(self, rows: Rows, carrier_hz: Floats) -> Floats:
        """Give the phase ranges of rows without such steps.

        Parameters
        ----------
        rows : Rows
            n observations in order of time.
        carrier_hz : ndarray of float64, shape (n,)
            Their carriers.

        Returns
        -------
        ndarray of float64, shape (n,)
            Metres.
        """
        is_told = rows.is_legacy & np.isfinite(rows.pseudorange_m - rows.phase_range_m)
        legacy = np.flatnonzero(is_told)
        if not len(legacy):
            return rows.phase_range_m
        legacy = legacy[np.argsort(rows.cell[legacy], kind="stable")]
        slot = self._slots.of(rows.cell[legacy])
        kept = self._slots.columns
        code_minus_phase = rows.pseudorange_m[legacy] - rows.phase_range_m[legacy]
        first = np.ones(len(slot), np.bool_)
        first[1:] = slot[1:] != slot[:-1]
        last_m = np.where(kept["is_known"][slot] == 1, kept["last_m"][slot], np.nan)
        before = np.where(first, last_m, np.roll(code_minus_phase, 1))
        unit = _ADJUSTED_CYCLES * C_M_S / carrier_hz[legacy]
        with np.errstate(invalid="ignore"):
            turns = np.rint((code_minus_phase - before) / unit)
            turns[np.abs(code_minus_phase - before - turns * unit) > _ADJUSTED_WITHIN_M] = 0
        turns = np.where(np.abs(turns) <= _MOST_ADJUSTED, turns, 0).astype(np.int64)  # NaN: 0
        running = np.cumsum(turns)
        starts = np.flatnonzero(first)
        base = np.repeat(running[starts] - turns[starts], np.diff(np.append(starts, len(slot))))
        count = running - base + kept["turns"][slot]
        last = np.append(starts[1:], len(slot)) - 1
        kept["last_m"][slot[last]], kept["turns"][slot[last]] = code_minus_phase[last], count[last]
        kept["is_known"][slot[last]] = 1
        phase = rows.phase_range_m.copy()
        phase[legacy] += count * unit
        return phase


def satellite_signal(cell: int) -> tuple[str, str]:
    """Give the RINEX names of satellite and signal of a cell."""
    place, signal = divmod(cell, len(SIGNALS))
    system, number = divmod(place, SATELLITES)
    return f"{SYSTEM_LETTERS[system]}{number:02d}", SIGNALS[signal]
