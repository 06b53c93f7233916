"""Arcs of phase: slips, code multipath, code noise, steps and jumps, epoch by epoch.

An arc is a stretch of one signal with the same ambiguity. It ends at a gap, at evidence of a slip,
at a change of the half-cycle bit, and for the multipath also where the other phase breaks. All is
computed on columns, a batch at once; what is kept does not grow with the stream.
"""

from collections import deque
from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from rtcmtool.gnss.combinations import melbourne_wuebbena_cycles, multipath_m
from rtcmtool.monitor.arc_sums import ArcSums
from rtcmtool.monitor.cell_slots import CellSlots
from rtcmtool.monitor.ionosphere import IonosphereRates
from rtcmtool.monitor.observed_epochs import (
    PLACES,
    Booleans,
    Floats,
    Integers,
    Rows,
    satellite_at,
)
from rtcmtool.monitor.phase_pairs import (
    NO_PARTNER,
    Pairs,
    PhaseAdjustments,
    carriers_hz,
    pair,
    satellite_signal,
)
from rtcmtool.monitor.phase_samples import (
    Samples,
    behind,
    context_of,
    samples_of,
    without_repeats,
)
from rtcmtool.monitor.phase_steps import ClockJump, StepFinder, Steps
from rtcmtool.monitor.wide_lane import WideLane
from rtcmtool.wire.decoding import NONE

MULTIPATH_MASK_DEG = 10.0  # where elevations are known
SLIP_MASK_DEG = 15.0
MOST_EVENTS = 500  # of a kind, the latest
RESTART_SHARE = 0.8  # of the signals: all lock times fall together
FEWEST_FOR_RESTART = 8  # signals
_STEPS_WINDOW = 60  # epochs over which the interval is taken
_LARGEST_NOISE_M = 10.0  # a second difference beyond is a step, not noise
_LONGEST_NOISE_STEP_S = 2.0  # farther apart the ionosphere joins in
_FEWEST_FOR_NOISE = 30


@dataclass(frozen=True, slots=True)
class Slip:
    """A slip of a satellite: when, and what shows it ("lock", "phase", "wide lane")."""

    time_ms: int
    satellite: str
    evidence: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CodeStep:
    """A step of one code while its phase went on."""

    time_ms: int
    satellite: str
    signal: str
    size_m: float


class PhaseArcs:
    """Follows the phases of one station.

    Attributes
    ----------
    multipath : ArcSums
        Code multipath by cell.
    ionosphere : IonosphereRates
        Rates of the ionospheric delay.
    slip_counts, followed_ms : ndarray, shape (places,)
        Slips of each satellite, and the time it was followed; above 15 degrees where elevations
        are known, without restarts and without what happened in gaps of the stream.
    slips, code_steps, clock_jumps : deque
        The latest of each.
    clock_jump_count, code_step_count : int
        All of them.
    suspects : int
        Steps of the wide lane of less than two cycles without other evidence.
    half_cycle_changes : int
        Changes of half-cycle bits.
    """

    def __init__(self) -> None:
        self.multipath = ArcSums()
        self.ionosphere = IonosphereRates()
        self.slip_counts, self.followed_ms = np.zeros(PLACES, np.int64), np.zeros(PLACES, np.int64)
        self.slips: deque[Slip] = deque(maxlen=MOST_EVENTS)
        self.code_steps: deque[CodeStep] = deque(maxlen=MOST_EVENTS)
        self.clock_jumps: deque[ClockJump] = deque(maxlen=MOST_EVENTS)
        self.clock_jump_count = self.code_step_count = 0
        self.suspects = self.half_cycle_changes = 0
        self.first_ms: int | None = None
        self.last_ms: int | None = None
        self._noise = CellSlots({"count": 0, "squares": 0.0})
        self._context: Samples | None = None
        self._finder = StepFinder()
        self._wide_lane = WideLane()
        self._adjustments = PhaseAdjustments()
        self._intervals_ms: deque[int] = deque(maxlen=_STEPS_WINDOW)
        self._gap_begin_ms = NONE

    def update(self, rows: Rows, channels: dict[int, int]) -> None:
        """Take whole epochs.

        Parameters
        ----------
        rows : Rows
            Observations in order of time; later than all before, unless the base's time was set
            back.
        channels : dict of int to int
            GLONASS frequency channel by slot.
        """
        rows = rows.take(np.isfinite(rows.pseudorange_m) & np.isfinite(rows.phase_range_m))
        if not len(rows):
            return
        if self.last_ms is not None and rows.time_ms[0] <= self.last_ms:
            self._begin_anew()  # the base's time was set back
        rows = without_repeats(rows)
        epochs, gap_begin = self._learn_interval(rows.time_ms)
        carrier_hz = carriers_hz(rows, channels)
        phase_m = self._adjustments.undo(rows, carrier_hz)
        pairs = pair(rows)
        new = samples_of(rows, phase_m, carrier_hz, pairs)
        samples, position = behind(self._context, new)
        steps = self._finder.find(samples, position, self.interval_ms)
        # What broke while the stream was away broke unseen: a new arc, but no slip.
        away = (
            samples.before(samples.time_ms)
            <= gap_begin[np.searchsorted(epochs, np.maximum(samples.time_ms, epochs[0]))]
        )
        self._judge(samples, position, pairs, steps, away)
        self._context = context_of(samples)

    @property
    def interval_ms(self) -> float:
        """Epoch interval of the stream; a second while none is known."""
        return float(np.median(self._intervals_ms)) if self._intervals_ms else 1000.0

    def finish(self) -> None:
        """Tell that the stream ends."""
        self.ionosphere.finish()

    def _begin_anew(self) -> None:
        """Forget what later samples are compared with; what was counted stays."""
        self.last_ms = self._context = None
        self._gap_begin_ms = NONE
        self._finder = StepFinder()

    def _learn_interval(self, time_ms: Integers) -> tuple[Integers, Integers]:
        """Take the epochs of a batch.

        Returns
        -------
        epochs, gap_begin : ndarray of int64
            The epochs, and for each the last one before the latest gap of the stream; -1 where
            there was no gap.
        """
        epochs = np.unique(time_ms)
        if self.first_ms is None:
            self.first_ms = int(epochs[0])
        if self.last_ms is None:
            self.last_ms = int(epochs[0])
        before = np.concatenate(([self.last_ms], epochs[:-1]))
        steps = epochs - before
        self._intervals_ms.extend(steps[steps > 0][-_STEPS_WINDOW:].tolist())
        gaps = np.where(steps > 1.5 * self.interval_ms, before, NONE)
        gap_begin = np.maximum.accumulate(np.concatenate(([self._gap_begin_ms], gaps)))[1:]
        self._gap_begin_ms = int(gap_begin[-1])
        self.last_ms = int(epochs[-1])
        return epochs, gap_begin

    def _judge(
        self,
        samples: Samples,
        position: Integers,
        pairs: Pairs,
        steps: Steps,
        away: Booleans,
    ) -> None:
        """Break arcs where they must, and count what stands between."""
        hub = np.where(pairs.hub != NO_PARTNER, position[pairs.hub], position)
        partner = np.where(pairs.partner != NO_PARTNER, position[pairs.partner], position)
        # A phase that steps by half a cycle because its half-cycle bit changed has not slipped.
        halved = steps.half_changed[position] | steps.half_changed[hub]
        steps.geometry_free[position[halved]] = False
        broken = (
            ~steps.is_next | steps.lock_lost | steps.half_changed | steps.geometry_free
            | steps.phase_step | steps.code_step | steps.clock_broken
        )  # fmt: skip
        pair_broken = broken.copy()
        pair_broken[position] |= broken[hub]
        pair_broken |= samples.before(samples.hub_cell) != samples.hub_cell
        slipped, suspect = self._wide_lane.find(
            samples.cell, _wide_lane_cycles(samples), pair_broken, samples.is_new
        )
        self.suspects += int(np.count_nonzero(suspect))
        broken |= slipped
        pair_broken |= slipped
        self._count_slips(samples, position, hub, steps, slipped, away)
        self._count_multipath(samples, position, partner, broken)
        self._count_noise(samples, steps, broken)
        second = position[samples.is_second[position]]
        self.ionosphere.add(samples.take(second), pair_broken[second])

    def _count_slips(
        self,
        samples: Samples,
        position: Integers,
        hub: Integers,
        steps: Steps,
        slipped: Booleans,
        away: Booleans,
    ) -> None:
        """Count slips by satellite and epoch, and what else happened."""
        self.half_cycle_changes += int(np.count_nonzero(steps.half_changed & samples.is_new))
        self.clock_jumps.extend(steps.jumps)
        self.clock_jump_count += len(steps.jumps)
        stepped = position[steps.code_step[position]]
        self.code_step_count += len(stepped)
        for row in stepped[-MOST_EVENTS:].tolist():
            satellite, signal = satellite_signal(int(samples.cell[row]))
            size_m = float(steps.code_step_m[row])
            step = CodeStep(int(samples.time_ms[row]), satellite, signal, size_m)
            self.code_steps.append(step)
        low = samples.elevation_deg < SLIP_MASK_DEG  # not so where unknown
        leads = position[(hub == position) & steps.is_next[position] & ~low[position]]
        followed_ms = np.rint(1000 * steps.elapsed_s[leads])
        self.followed_ms += np.bincount(
            samples.place[leads], weights=followed_ms, minlength=PLACES
        ).astype(np.int64)
        evidence = np.stack((steps.lock_lost, steps.geometry_free | steps.phase_step, slipped))[
            :, position
        ]
        restarted = _restarted(samples.time_ms[position], steps, position)
        found = np.flatnonzero(evidence.any(axis=0) & ~restarted & ~low[position] & ~away[position])
        self._note_slips(samples.take(position[found]), evidence[:, found])

    def _note_slips(self, samples: Samples, evidence: Booleans) -> None:
        """Join the signals of a satellite that slipped at an epoch."""
        pairs = np.stack((samples.time_ms, samples.place))
        ones, row = np.unique(pairs, axis=1, return_inverse=True)
        if not ones.size:
            return
        self.slip_counts += np.bincount(ones[1], minlength=PLACES)
        joined = np.stack([np.bincount(row.reshape(-1), weights=shown) > 0 for shown in evidence])
        latest = slice(-MOST_EVENTS, None)
        for time_ms, place, shown in zip(
            *(column.tolist() for column in (*ones[:, latest], joined.T[latest])), strict=True
        ):
            names = tuple(
                name
                for name, seen in zip(("lock", "phase", "wide lane"), shown, strict=True)
                if seen
            )
            self.slips.append(Slip(time_ms, satellite_at(place), names))

    def _count_multipath(
        self, samples: Samples, position: Integers, partner: Integers, broken: Booleans
    ) -> None:
        starts = broken.copy()
        starts[position] |= broken[partner]
        starts |= samples.before(samples.partner_cell) != samples.partner_cell
        ratio = samples.carrier_hz / samples.partner_hz
        values = multipath_m(samples.code_m, samples.phase_m, samples.partner_phase_m, ratio)
        values[samples.elevation_deg < MULTIPATH_MASK_DEG] = np.nan
        new = np.flatnonzero(samples.is_new)
        self.multipath.add(samples.cell[new], samples.time_ms[new], values[new], starts[new])

    def _count_noise(self, samples: Samples, steps: Steps, broken: Booleans) -> None:
        """Add up second differences of code minus phase: noise, and nothing slow."""
        bend = steps.code_step_m - samples.before(steps.code_step_m)
        whole = ~broken & (samples.before(broken.astype(np.float64)) == 0.0)
        whole &= steps.elapsed_s <= _LONGEST_NOISE_STEP_S
        whole &= samples.is_new & (np.abs(bend) < _LARGEST_NOISE_M)
        whole &= ~(samples.elevation_deg < MULTIPATH_MASK_DEG)
        slot = self._noise.of(samples.cell[whole])
        columns, size = self._noise.columns, len(self._noise)
        columns["count"][:size] += np.bincount(slot, minlength=size)
        columns["squares"][:size] += np.bincount(slot, weights=bend[whole] ** 2, minlength=size)

    def code_noise_m(self, signals: Collection[tuple[str, str]]) -> float | None:
        """Give the noise of code from epoch to epoch; None while unknown.

        `signals` names system and signal of those wanted: ("G", "1C").

        A centimetre or less is only possible after smoothing with the phase, whatever flags say
        (computed on real data: 0.04 to 0.25 m without, 0.006 m with). Smoothing hides multipath.
        """
        named = [satellite_signal(cell) for cell in self._noise.cells.tolist()]
        chosen = [(satellite[0], signal) in signals for satellite, signal in named]
        count = int(self._noise.known("count")[chosen].sum())
        if count < _FEWEST_FOR_NOISE:
            return None
        return float(np.sqrt(self._noise.known("squares")[chosen].sum() / count / 6.0))

    @property
    def satellite_hours(self) -> float:
        """Satellite-hours over which slips were counted."""
        return float(self.followed_ms.sum()) / 3_600_000


def _wide_lane_cycles(samples: Samples) -> Floats:
    """Give the wide lane of the hub and each signal of another band; NaN for the rest."""
    return melbourne_wuebbena_cycles(
        (samples.hub_phase_m, np.where(samples.is_two_bands, samples.phase_m, np.nan)),
        (samples.hub_code_m, samples.code_m),
        (samples.hub_hz, np.where(samples.is_two_bands, samples.carrier_hz, np.nan)),
    )


def _restarted(time_ms: Integers, steps: Steps, position: Integers) -> Booleans:
    """Tell which new samples are of an epoch in which nearly all locks were lost."""
    known, lost = steps.is_known[position], steps.lock_lost[position]
    epochs, epoch = np.unique(time_ms, return_inverse=True)
    signals = np.bincount(epoch, weights=known, minlength=len(epochs))
    losses = np.bincount(epoch, weights=lost, minlength=len(epochs))
    restart = (signals >= FEWEST_FOR_RESTART) & (losses >= RESTART_SHARE * signals)
    result: Booleans = restart[epoch]
    return result
