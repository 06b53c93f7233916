"""Whether the phases of signals on one carrier agree: the quarter cycle between trackings.

Two signals of a satellite on one carrier differ by whole cycles, and by a part of one that is the
same for all satellites. In MSM it should be none (RTCM 10403.x, from memory); receivers that do not
align their trackings leave a quarter (L2C against L2P) or a half. A rover that puts such signals
into one group, or compares them with an aligned one of its own, finds no integers.

Legacy messages carry one signal a band, so they are not asked; GLONASS needs the channel.
"""

from dataclasses import dataclass

import numpy as np

from rtcmtool.gnss.combinations import circular_mean_cycles
from rtcmtool.gnss.signals import C_M_S
from rtcmtool.monitor.cell_slots import CellSlots
from rtcmtool.monitor.observed_epochs import SATELLITES, Booleans, Rows
from rtcmtool.monitor.phase_pairs import bands_of, carriers_hz, satellite_signal
from rtcmtool.wire.observations import SYSTEM_LETTERS
from rtcmtool.wire.signal_ids import SIGNALS

MASK_DEG = 10.0  # where elevations are known
FEWEST_EPOCHS = 60  # of a satellite: a minute takes the multipath down to a hundredth of a cycle
FEWEST_SATELLITES = 3  # judgement: two may agree by chance
LEAST_AGREEMENT = 0.95  # of the satellites: a scatter of 0.05 cycle
FEWEST_STEADY = 0.8  # agreement of the epochs of one satellite, else it is not followed
OFF_CYCLES = 0.1  # judgement: real aligned signals differ by up to 0.02, others by 0.25 or 0.5

# The aligned signal of each band comes first (RINEX 3.05, table A23, from memory): C/A on the first
# band, P on the second; the rest in any order that stays.
_ATTRIBUTE_ORDER = "WPYCIDSBALQXMZN"
_FIRST_OF = {"1": "C"}
_GLONASS = SYSTEM_LETTERS.index("R")
_RANK = np.array(
    [
        -1 if _FIRST_OF.get(signal[0]) == signal[1] else _ATTRIBUTE_ORDER.find(signal[1])
        for signal in SIGNALS
    ],
    np.int64,
)


@dataclass(frozen=True, slots=True)
class PhaseOffset:
    """How far a signal stands off another on its carrier.

    Attributes
    ----------
    system, signal, reference : str
        RINEX letter and signals.
    cycles : float
        Phase of the signal minus that of the reference, from -0.5 to 0.5.
    satellites : int
        That agree on it.
    """

    system: str
    signal: str
    reference: str
    cycles: float
    satellites: int

    @property
    def is_aligned(self) -> bool:
        """Whether they may stand for each other."""
        return abs(self.cycles) < OFF_CYCLES


class PhaseAlignment:
    """Follows the phases of signals on one carrier; its size does not grow with the stream."""

    def __init__(self) -> None:
        # By satellite, signal and reference: the sum of the unit vectors of the differences.
        self._sums = CellSlots({"count": 0, "cos": 0.0, "sin": 0.0})

    def update(self, rows: Rows, channels: dict[int, int]) -> None:
        """Take whole epochs.

        Parameters
        ----------
        rows : Rows
            Observations.
        channels : dict of int to int
            GLONASS frequency channel by slot.
        """
        bands = bands_of(rows)
        usable = np.isfinite(rows.phase_range_m) & (bands >= 0) & _has_carrier(rows, channels)
        usable &= ~rows.is_legacy & (rows.half_cycle != 1) & ~(rows.elevation_deg < MASK_DEG)
        rows, bands = rows.take(usable), bands[usable]
        if not len(rows):
            return
        order = np.lexsort((_RANK[rows.signal], bands, rows.group))
        group, bands = rows.group[order], bands[order]
        leads = np.ones(len(order), np.bool_)
        leads[1:] = (group[1:] != group[:-1]) | (bands[1:] != bands[:-1])
        if leads.all():
            return
        place = order[~leads]
        reference = order[leads][np.cumsum(leads) - 1][~leads]
        carrier_hz = carriers_hz(rows, channels)[place]
        difference_m = rows.phase_range_m[place] - rows.phase_range_m[reference]
        angle_rad = 2 * np.pi * difference_m * carrier_hz / C_M_S
        self._add(rows.cell[place] * len(SIGNALS) + rows.signal[reference], angle_rad)

    def _add(self, key: np.ndarray, angle_rad: np.ndarray) -> None:
        order = np.argsort(key, kind="stable")
        slot = self._sums.of(key[order])
        columns, size = self._sums.columns, len(self._sums)
        columns["count"][:size] += np.bincount(slot, minlength=size)
        for name, values in (("cos", np.cos(angle_rad)), ("sin", np.sin(angle_rad))):
            columns[name][:size] += np.bincount(slot, weights=values[order], minlength=size)

    @property
    def offsets(self) -> list[PhaseOffset]:
        """How signals stand to the reference of their carrier, where satellites agree on it."""
        sums = self._sums
        count = np.maximum(sums.known("count"), 1)
        cos, sin = sums.known("cos"), sums.known("sin")
        steady = np.hypot(cos, sin) / count >= FEWEST_STEADY
        steady &= sums.known("count") >= FEWEST_EPOCHS
        cycles = np.arctan2(sin, cos) / (2 * np.pi)
        by_pair: dict[tuple[str, str, str], list[float]] = {}
        for row in np.flatnonzero(steady).tolist():
            cell, reference = divmod(int(sums.cells[row]), len(SIGNALS))
            satellite, signal = satellite_signal(cell)
            pair = (satellite[0], signal, SIGNALS[reference])
            by_pair.setdefault(pair, []).append(float(cycles[row]))
        found = []
        for (system, signal, reference_name), each in sorted(by_pair.items()):
            mean_cycles, agreement = circular_mean_cycles(each)
            if len(each) >= FEWEST_SATELLITES and float(agreement) >= LEAST_AGREEMENT:
                found.append(
                    PhaseOffset(system, signal, reference_name, float(mean_cycles), len(each))
                )
        return found


def _has_carrier(rows: Rows, channels: dict[int, int]) -> Booleans:
    """Tell whose carrier is known exactly: all but GLONASS without its channel."""
    slots = np.fromiter(channels, np.int64, len(channels))
    has: Booleans = (rows.place // SATELLITES != _GLONASS) | np.isin(rows.place % SATELLITES, slots)
    return has
