"""Phases sorted by satellite and signal, with the samples before them: the ground arcs stand on."""

from dataclasses import dataclass, fields
from typing import Self

import numpy as np

from rtcmtool.monitor.observed_epochs import Booleans, Floats, Integers, Rows
from rtcmtool.monitor.phase_pairs import NO_PARTNER, Pairs, bands_of
from rtcmtool.wire.signal_ids import SIGNALS

CONTEXT = 4  # samples kept of each signal: three differences before the next one
_FORGOTTEN_MS = 600_000  # a signal that was away longer has no samples before it


@dataclass(frozen=True, eq=False, slots=True)
class Samples:
    """Samples sorted by cell, then time; columns of shape (n,).

    Attributes
    ----------
    cell : ndarray of int64
        Satellite and signal, see `observed_epochs`.
    time_ms : ndarray of int64
    code_m, phase_m, rate_m_s, carrier_hz : ndarray of float64
        Of the signal; legacy adjustments undone.
    hub_cell, hub_code_m, hub_phase_m, hub_hz
        Of the satellite's hub; -1 and NaN where there is none.
    partner_cell, partner_phase_m, partner_hz
        Of the signal of another band.
    lock_ms, lock_upper_ms, half_cycle : ndarray of int64
    is_second, is_two_bands, is_new : ndarray of bool
        Whether the pair with the hub stands for the satellite; whether the hub is on another band;
        whether the sample is not one from before.
    elevation_deg : ndarray of float64
        NaN where unknown.
    """

    cell: Integers
    time_ms: Integers
    code_m: Floats
    phase_m: Floats
    rate_m_s: Floats
    carrier_hz: Floats
    hub_cell: Integers
    hub_code_m: Floats
    hub_phase_m: Floats
    hub_hz: Floats
    partner_cell: Integers
    partner_phase_m: Floats
    partner_hz: Floats
    lock_ms: Integers
    lock_upper_ms: Integers
    half_cycle: Integers
    is_second: Booleans
    is_two_bands: Booleans
    is_new: Booleans
    elevation_deg: Floats

    def __len__(self) -> int:
        return len(self.cell)

    @property
    def place(self) -> Integers:
        """Satellites, see `observed_epochs`."""
        return self.cell // len(SIGNALS)

    def take(self, rows: Integers | Booleans) -> Self:
        """Give some of the samples."""
        return type(self)(*(getattr(self, column.name)[rows] for column in fields(self)))

    def before(self, values: Floats | Integers, steps: int = 1) -> Floats:
        """Give the values of the same signal some samples before; NaN where there are none."""
        result = np.full(len(self), np.nan)
        if len(self) > steps:
            same = self.cell[steps:] == self.cell[:-steps]
            result[steps:] = np.where(same, values[:-steps], np.nan)
        return result


def without_repeats(rows: Rows) -> Rows:
    """Leave out signals that came twice in an epoch, as in 1004 and 1074: the first is kept."""
    order = np.lexsort((rows.time_ms, rows.cell))
    cell, time_ms = rows.cell[order], rows.time_ms[order]
    repeated = (cell[1:] == cell[:-1]) & (time_ms[1:] == time_ms[:-1])
    if not repeated.any():
        return rows
    keep = np.ones(len(rows), np.bool_)
    keep[order[1:][repeated]] = False
    return rows.take(keep)


def samples_of(rows: Rows, phase_m: Floats, carrier_hz: Floats, pairs: Pairs) -> Samples:
    """Put together what belongs to each row; still in order of time."""
    cell = rows.cell
    has_hub, has_partner = pairs.hub != NO_PARTNER, pairs.partner != NO_PARTNER
    bands = bands_of(rows)

    def of(values: Floats, partner: Integers, has: Booleans) -> Floats:
        return np.where(has, values[partner], np.nan)

    return Samples(
        cell,
        rows.time_ms,
        rows.pseudorange_m,
        phase_m,
        rows.phase_range_rate_m_s,
        carrier_hz,
        np.where(has_hub, cell[pairs.hub], NO_PARTNER),
        of(rows.pseudorange_m, pairs.hub, has_hub),
        of(phase_m, pairs.hub, has_hub),
        of(carrier_hz, pairs.hub, has_hub),
        np.where(has_partner, cell[pairs.partner], NO_PARTNER),
        of(phase_m, pairs.partner, has_partner),
        of(carrier_hz, pairs.partner, has_partner),
        rows.lock_ms,
        rows.lock_upper_ms,
        rows.half_cycle,
        pairs.is_second,
        has_hub & (bands != bands[pairs.hub]),
        np.ones(len(rows), np.bool_),
        rows.elevation_deg,
    )


def behind(context: Samples | None, new: Samples) -> tuple[Samples, Integers]:
    """Sort new samples behind those from before.

    Returns
    -------
    samples : Samples
        Sorted by cell, then time.
    position : ndarray of int64, shape (n_new,)
        Where each new sample went.
    """
    kept = 0
    joined = new
    if context is not None and len(context):
        kept = len(context)
        joined = Samples(
            *(
                np.concatenate((getattr(context, column.name), getattr(new, column.name)))
                for column in fields(Samples)
            )
        )
    order = np.argsort(joined.cell, kind="stable")
    position = np.empty(len(order), np.int64)
    position[order] = np.arange(len(order))
    return joined.take(order), position[kept:]


def context_of(samples: Samples) -> Samples:
    """Give the last samples of each signal, marked as seen."""
    cell = samples.cell
    size = len(cell)
    recent = np.ones(size, np.bool_)
    if size > CONTEXT:
        recent[:-CONTEXT] = cell[CONTEXT:] != cell[:-CONTEXT]
    recent &= samples.time_ms >= int(samples.time_ms.max()) - _FORGOTTEN_MS
    kept = samples.take(recent)
    kept.is_new[:] = False
    return kept
