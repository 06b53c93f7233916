"""Pseudoranges of one epoch made ready for a position: signals chosen, bands combined."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss.ephemerides import Ephemeris, GlonassEphemeris
from rtcmtool.gnss.orbits import group_delay_s
from rtcmtool.gnss.satellites import SatelliteTable
from rtcmtool.gnss.signals import carrier_hz

FloatArray = npt.NDArray[np.float64]
Pseudoranges = Mapping[str, Mapping[str, float]]  # satellite -> signal -> m, NaN where invalid
SignalChoice = Mapping[str, Sequence[str]]  # system -> one signal, or two for ionosphere-free

LEAST_FOR_TWO_BANDS = 6  # satellites with two bands, below which one band of all is better

# Pairs by system, best first: those the broadcast clock is made for come before the others, whose
# code biases nothing in the stream corrects.
_PAIRS: Final[Mapping[str, tuple[tuple[str, str], ...]]] = {
    "G": (
        *(("1W", "2W"), ("1P", "2P"), ("1C", "2W"), ("1C", "2P")),
        *(("1C", "2L"), ("1C", "2X"), ("1C", "2S"), ("1C", "5Q"), ("1C", "5X"), ("1C", "5I")),
    ),
    "R": (("1P", "2P"), ("1C", "2P"), ("1C", "2C")),
    "E": (
        *(("1C", "5Q"), ("1X", "5X"), ("1B", "5I"), ("1C", "5X"), ("1X", "5Q"), ("1C", "5I")),
        *(("1C", "7Q"), ("1X", "7X"), ("1B", "7I"), ("1C", "7X"), ("1X", "7Q")),
    ),
    "C": (*(("2I", "6I"), ("2X", "6X"), ("2I", "7I"), ("1P", "5P"), ("1X", "5X"), ("1D", "5D")),),
    "J": (
        *(("1C", "2L"), ("1C", "2X"), ("1C", "2S"), ("1C", "5Q"), ("1C", "5X")),
        *(("1X", "2X"), ("1X", "5X"), ("1L", "2L"), ("1L", "5Q")),
    ),
    "I": (("5A", "9A"),),
    "S": (("1C", "5I"),),
}
_SINGLES: Final[Mapping[str, tuple[str, ...]]] = {
    "G": ("1C", "1W", "1P", "1X", "1L", "1S", "2W", "2L", "2X", "5Q", "5X"),
    "R": ("1C", "1P", "2C", "2P"),
    "E": ("1C", "1X", "1B", "5Q", "5X", "7Q", "7X"),
    "C": ("2I", "2X", "1P", "1X", "1D", "6I", "7I", "5P", "5X"),
    "J": ("1C", "1X", "1L", "1S", "2L", "2X", "5Q", "5X"),
    "I": ("5A", "9A"),
    "S": ("1C", "5I"),
}


@dataclass(frozen=True, eq=False)
class CodeMeasurements:
    """Pseudoranges of one epoch with what is needed to use them; columns of shape (n,).

    Attributes
    ----------
    table : SatelliteTable
        The satellites, a row each.
    pseudorange_m : ndarray
        One band, or the ionosphere-free combination.
    group_delay_s : ndarray
        To be subtracted from the satellite clock.
    frequency_hz : ndarray
        Carrier; NaN for the ionosphere-free combination.
    noise_factor : ndarray
        How many times noisier than one band: 1, or the root of the squared coefficients.
    """

    table: SatelliteTable
    pseudorange_m: FloatArray
    group_delay_s: FloatArray
    frequency_hz: FloatArray
    noise_factor: FloatArray


def ionosphere_free_coefficients(first_hz: float, second_hz: float) -> tuple[float, float]:
    """Give the factors of two bands whose sum cancels the ionosphere.

    Examples
    --------
    >>> [round(factor, 6) for factor in ionosphere_free_coefficients(1575.42e6, 1227.60e6)]
    [2.545728, -1.545728]
    """
    difference = first_hz**2 - second_hz**2
    return first_hz**2 / difference, -(second_hz**2) / difference


def choose_signals(pseudoranges: Pseudoranges, *, two_bands: bool = True) -> dict[str, list[str]]:
    """Choose for each system the signal or the pair that most satellites have.

    Parameters
    ----------
    pseudoranges : mapping of satellite to mapping of signal to float
        One epoch.
    two_bands : bool
        Whether pairs are wanted. They are taken if at least 6 satellites have one; then systems
        without a pair are left out, since their ionosphere would spoil the rest.

    Returns
    -------
    dict of system letter to list of one or two signals
    """
    have: dict[str, dict[str, int]] = {}
    best_pairs: dict[str, tuple[int, tuple[str, str]]] = {}
    for system in sorted({satellite[0] for satellite in pseudoranges}):
        rows = [
            {signal for signal, value in signals.items() if np.isfinite(value)}
            for satellite, signals in pseudoranges.items()
            if satellite[0] == system
        ]
        have[system] = {
            signal: sum(signal in row for row in rows) for signal in _SINGLES.get(system, ())
        }
        counts = [
            (sum(first in row and second in row for row in rows), (first, second))
            for first, second in _PAIRS.get(system, ())
        ]
        if counts:
            best_pairs[system] = max(counts, key=lambda pair: pair[0])  # the first of equals
    if two_bands and sum(count for count, _ in best_pairs.values()) >= LEAST_FOR_TWO_BANDS:
        return {system: list(pair) for system, (count, pair) in best_pairs.items() if count}
    return {
        system: [max(counts, key=counts.__getitem__)]
        for system, counts in have.items()
        if any(counts.values())
    }


def code_measurements(
    pseudoranges: Pseudoranges, ephemerides: Mapping[str, Ephemeris], signals: SignalChoice
) -> CodeMeasurements:
    """Make one epoch ready.

    Parameters
    ----------
    pseudoranges : mapping of satellite to mapping of signal to float
        Metres; NaN or absent where there is none.
    ephemerides : mapping of satellite to Ephemeris
        The record to use for each, as from `ephemerides.select_all`.
    signals : mapping of system letter to one signal or two
        What to use; other systems are left out.

    Returns
    -------
    CodeMeasurements
        Satellites that have an ephemeris and all the signals asked for, sorted by name.
    """
    records: list[Ephemeris] = []
    rows: list[tuple[float, float, float, float]] = []
    for satellite in sorted(pseudoranges):
        wanted = signals.get(satellite[0])
        record = ephemerides.get(satellite)
        if not wanted or record is None:
            continue
        row = _combined(record, pseudoranges[satellite], wanted)
        if all(np.isfinite((row[0], row[1], row[3]))):
            records.append(record)
            rows.append(row)
    columns = np.array(rows, dtype=np.float64).reshape(-1, 4)
    return CodeMeasurements(SatelliteTable.stack(records), *columns.T.copy())


def _combined(
    record: Ephemeris, values: Mapping[str, float], signals: Sequence[str]
) -> tuple[float, float, float, float]:
    """Give pseudorange, group delay, carrier and noise factor of one satellite."""
    channel = record.frequency_channel if isinstance(record, GlonassEphemeris) else None
    carriers = [carrier_hz(record.system, signal, channel) for signal in signals]
    ranges = [values.get(signal, np.nan) for signal in signals]
    delays = [group_delay_s(record, signal) for signal in signals]
    if len(signals) == 1:
        return ranges[0], delays[0], carriers[0], 1.0
    first, second = ionosphere_free_coefficients(carriers[0], carriers[1])
    return (
        first * ranges[0] + second * ranges[1],
        first * delays[0] + second * delays[1],
        np.nan,
        float(np.hypot(first, second)),
    )
