"""RINEX observations as the rows that a decoded stream gives, for tests only."""

from dataclasses import replace
from itertools import pairwise

import numpy as np

from rtcmtool.gnss.signals import wavelength_m
from rtcmtool.gnss.visibility import visible_satellites
from rtcmtool.monitor.observed_epochs import PLACES, Rows, place_of
from rtcmtool.wire.signal_ids import SIGNAL_ID

SKY_EVERY_MS = 30_000


def rows_of_file(observed, signals=None):
    """Give rows of a file of observations; `signals` keeps those alone ("1C", "2W")."""
    satellites = [
        (gps_ms, name, values)
        for gps_ms, seen in observed.epochs
        for name, values in sorted(seen.items())
    ]
    told = [
        (
            gps_ms, group, place_of(name), SIGNAL_ID[signal], values.get(f"C{signal}", np.nan),
            values.get(f"L{signal}", np.nan) * wavelength_m(name[0], signal),
            values.get(f"S{signal}", np.nan),
        )
        for group, (gps_ms, name, values) in enumerate(satellites)
        for signal in sorted({code[1:] for code in values} & SIGNAL_ID.keys())
        if signals is None or signal in signals
    ]  # fmt: skip
    return rows_of_columns(*zip(*told, strict=True))


def rows_of_columns(time_ms, group, place, signal, code_m, phase_m, cnr_dbhz, **changes):
    """Give rows of plain columns: no rate, no lock time, no half-cycle bit."""
    size = len(time_ms)
    rows = Rows(
        time_ms=np.array(time_ms, np.int64),
        group=np.array(group, np.int64),
        place=np.array(place, np.int64),
        signal=np.array(signal, np.int64),
        pseudorange_m=np.array(code_m, np.float64),
        phase_range_m=np.array(phase_m, np.float64),
        phase_range_rate_m_s=np.full(size, np.nan),
        cnr_dbhz=np.array(cnr_dbhz, np.float64),
        lock_ms=np.full(size, -1),
        lock_upper_ms=np.full(size, -1),
        half_cycle=np.full(size, -1),
        is_legacy=np.zeros(size, bool),
        elevation_deg=np.full(size, np.nan),
        gps_ms=np.array(time_ms, np.int64),
    )
    return replace(rows, **changes)


def with_elevations(rows, ephemerides, receiver_m):
    """Give the same rows with elevations, computed every half minute."""
    elevation = np.full(len(rows), np.nan)
    sky = np.full(PLACES, np.nan)
    slots = rows.time_ms // SKY_EVERY_MS
    for slot in np.unique(slots).tolist():
        here = slots == slot
        seen = visible_satellites(
            ephemerides, int(rows.time_ms[here][0]), receiver_m, above_deg=0.0
        )
        sky[:] = np.nan
        for name, degrees in zip(seen.satellites, seen.elevation_deg, strict=True):
            sky[place_of(name)] = degrees
        elevation[here] = sky[rows.place[here]]
    return rows.with_elevations(elevation)


def pieces(rows, *times):
    """Cut rows before each of some times."""
    cuts = [0, *np.searchsorted(rows.time_ms, times).tolist(), len(rows)]
    return [rows.take(slice(begin, end)) for begin, end in pairwise(cuts) if begin < end]
