"""Skies, receivers and views of their measurements that the tests of the truth share."""

from functools import cache

import numpy as np

from rtcmtool.gnss.geodesy import distance_m, ecef_from_degrees, ecef_from_enu
from rtcmtool.gnss.satellites import SatelliteTable, sight
from rtcmtool.gnss.signals import C_M_S, carrier_hz
from rtcmtool.gnss.time import gps_ms_from_date
from rtcmtool.simulation.constellation import make_constellation
from rtcmtool.simulation.receiver import Receiver
from rtcmtool.wire.observations import SYSTEM_LETTERS
from rtcmtool.wire.signal_ids import SIGNAL_ID, SIGNALS

START_MS = gps_ms_from_date(2026, 3, 4, 8)
BASE_M = ecef_from_degrees(52.0, 5.0, 50.0)
SILENT = {"noise": 0.0, "multipath": 0.0, "slips_per_hour": 0.0, "half_cycle_s": 0.0}
SIGNALS_OF_TWO = {"G": ("1C", "2W"), "E": ("1C", "5Q")}


@cache
def sky(systems="GREC", duration_s=1800.0, seed=1):
    return make_constellation(START_MS, duration_s, seed, systems)


def receiver(seed=7, east_m=0.0, north_m=0.0, up_m=0.0, **settings):
    """Give a receiver that stands beside the base's place."""
    place = BASE_M + ecef_from_enu([east_m, north_m, up_m], BASE_M)
    return Receiver(position_m=tuple(place.tolist()), seed=seed, **settings)


def seconds(count, first=0, step=1):
    return START_MS + 1000 * (first + step * np.arange(count))


def name_of(epochs, row):
    return f"{SYSTEM_LETTERS[epochs.system[row]]}{epochs.satellite[row]:02d}"


def by_cell(epochs, epoch):
    """Give the row of each (satellite, signal) of one epoch."""
    rows = np.flatnonzero(epochs.epoch == epoch)
    return {(name_of(epochs, row), SIGNALS[epochs.signal[row]]): int(row) for row in rows}


def pseudoranges(epochs, epoch):
    """Give one epoch as positions are computed from it."""
    found: dict[str, dict[str, float]] = {}
    for (satellite, signal), row in by_cell(epochs, epoch).items():
        found.setdefault(satellite, {})[signal] = float(epochs.pseudorange_m[row])
    return found


def series(epochs, system, signal, column):
    """Give a column by satellite, shape (n_epochs,), NaN where not measured."""
    chosen = (epochs.system == SYSTEM_LETTERS.index(system)) & (epochs.signal == SIGNAL_ID[signal])
    found = {}
    for number in np.unique(epochs.satellite[chosen]):
        rows = chosen & (epochs.satellite == number)
        values = np.full(len(epochs.gps_ms), np.nan)
        values[epochs.epoch[rows]] = getattr(epochs, column)[rows]
        found[int(number)] = values
    return found


def elevations_deg(constellation, gps_ms, place_m=BASE_M):
    """Give the elevation of each satellite at one time."""
    table = SatelliteTable.stack(constellation.truth(gps_ms))
    seen = sight(table, gps_ms, place_m)
    return dict(zip(table.satellites, np.degrees(seen.elevation_rad), strict=True))


def single_differences(constellation, epochs, places_m, epoch):
    """Give phase of the second receiver minus the first, less geometry, with its wavelength.

    The way to the satellite is computed anew here, from the true course of the satellite.
    """
    gps_ms = int(epochs[0].gps_ms[epoch])
    table = SatelliteTable.stack(constellation.truth(gps_ms))
    row_of = {name: row for row, name in enumerate(table.satellites)}
    ranges = [sight(table, gps_ms, place).range_m for place in places_m]
    cells = [by_cell(one, epoch) for one in epochs]
    found = {}
    for cell in cells[0].keys() & cells[1].keys():
        rows = [one[cell] for one in cells]
        satellite = row_of[cell[0]]
        phase, code = (
            float(getattr(epochs[1], name)[rows[1]] - getattr(epochs[0], name)[rows[0]])
            - float(ranges[1][satellite] - ranges[0][satellite])
            for name in ("phase_range_m", "pseudorange_m")
        )
        channel = int(epochs[0].channel[rows[0]])
        found[cell] = (phase, code, C_M_S / carrier_hz(cell[0][0], cell[1], channel))
    return found


def baseline_m(first_m, second_m):
    return float(distance_m(first_m, second_m))
