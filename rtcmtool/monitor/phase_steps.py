"""Steps between samples: lost locks, slips, code steps, clock jumps.

Evidence of a slip: a lock time that fell or is shorter than the time that passed; a jump of the
geometry-free combination of two phases; a phase that leaves its own rate together with code minus
phase. The wide lane is judged apart, see `wide_lane`. Limits by judgement on real recordings: one
sample of L_i - L_j scatters by 0.2 to 5 mm, clean differences reach 23 mm at 1 Hz, and one cycle on
one band steps it by 190 to 255 mm, one on both by 54 mm. Where the ionosphere makes phases rough,
five times the signal's own roughness takes the place of the limit.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from rtcmtool.monitor.cell_slots import CellSlots
from rtcmtool.monitor.observed_epochs import Booleans, Floats, Integers
from rtcmtool.monitor.phase_samples import Samples
from rtcmtool.wire.observations import LIGHT_MS_M

SLIP_STEP_MS = 60_000  # a signal that was away longer begins anew: no slip
GEOMETRY_FREE_M = 0.05
GEOMETRY_FREE_HIGH_M = 0.02
HIGH_DEG = 30.0
CODE_STEP_M = 5.0
_ROUGH_TIMES = 5.0
_FEWEST_FOR_ROUGHNESS = 10  # samples of a signal in a batch
_LONGEST_STEP_MS = 30_000  # phases farther apart are not compared
_CLOCK_STEP_M = 300.0  # a microsecond
_CLOCK_SHARE = 0.8
_FEWEST_FOR_CLOCK = 4  # signals


@dataclass(frozen=True, slots=True)
class ClockJump:
    """A jump of the receiver's clock.

    `kind` is "code" (the codes alone) or "code and phase"; `size_m` times the speed of light.
    """

    time_ms: int
    kind: str
    size_m: float


@dataclass(frozen=True, eq=False, slots=True)
class Steps:
    """What each sample shows against those before it; shapes (n,).

    Attributes
    ----------
    elapsed_s : ndarray of float64
        Since the sample before; NaN where there is none.
    is_known, is_next : ndarray of bool
        Whether there is one within a minute; whether no epoch is missing between.
    lock_lost, half_changed, geometry_free, phase_step, code_step : ndarray of bool
        Evidence.
    clock_broken : ndarray of bool
        Whether the code jumped with the receiver's clock.
    code_step_m : ndarray of float64
        Step of code minus phase.
    jumps : list of ClockJump
    """

    elapsed_s: Floats
    is_known: Booleans
    is_next: Booleans
    lock_lost: Booleans
    half_changed: Booleans
    geometry_free: Booleans
    phase_step: Booleans
    code_step: Booleans
    clock_broken: Booleans
    code_step_m: Floats
    jumps: list[ClockJump]


class StepFinder:
    """Finds steps; remembers the latest clock jump, and how rough each signal is."""

    def __init__(self) -> None:
        self._latest_jump: ClockJump | None = None
        self._roughness = CellSlots({"squares_m2": 0.0})

    def find(self, samples: Samples, position: Integers, interval_ms: float) -> Steps:
        """Compare samples with those before them.

        Parameters
        ----------
        samples : Samples
            Sorted, with context.
        position : ndarray of int64, shape (n_new,)
            Where the new samples stand, in order of time.
        interval_ms : float
            The stream's epoch interval.
        """
        elapsed_ms = samples.time_ms - samples.before(samples.time_ms)
        elapsed_s = elapsed_ms / 1000
        is_known = (elapsed_ms > 0) & (elapsed_ms <= SLIP_STEP_MS)
        is_next = is_known & (elapsed_ms <= 1.5 * interval_ms) & (elapsed_ms <= _LONGEST_STEP_MS)
        half, half_before = samples.half_cycle, samples.before(samples.half_cycle)
        half_changed = is_known & (half >= 0) & (half_before >= 0) & (half != half_before)
        code_minus_phase = samples.code_m - samples.phase_m
        steps = Steps(
            elapsed_s,
            is_known,
            is_next,
            _locks_lost(samples, is_known, elapsed_ms),
            half_changed,
            self._geometry_free_jumps(samples, is_next, elapsed_s),
            np.zeros(len(samples), np.bool_),
            np.zeros(len(samples), np.bool_),
            np.zeros(len(samples), np.bool_),
            np.where(is_next, code_minus_phase - samples.before(code_minus_phase), np.nan),
            [],
        )
        self._judge_large_steps(samples, position, steps)
        return steps

    def _geometry_free_jumps(
        self, samples: Samples, is_next: Booleans, elapsed_s: Floats
    ) -> Booleans:
        """Tell where L_hub - L leaves its own rate.

        The rate is compared with the three before it, and the nearest counts: so a slip is found
        where it happens, and not a second time when the rate comes back.
        """
        is_hub = samples.hub_cell == samples.cell
        apart = np.where(is_hub, np.nan, samples.hub_phase_m - samples.phase_m)
        same_hub = samples.before(samples.hub_cell) == samples.hub_cell
        elapsed = np.where(is_next & same_hub, elapsed_s, np.nan)
        rate = (apart - samples.before(apart)) / elapsed
        bend = np.abs(rate - samples.before(rate))
        for steps in (2, 3):
            bend = np.fmin(bend, np.abs(rate - samples.before(rate, steps)))
        bend *= elapsed
        slot = self._roughness.of(samples.cell)
        columns, size = self._roughness.columns, len(self._roughness)
        rough_m2 = columns["squares_m2"]
        high = samples.elevation_deg > HIGH_DEG
        limit = np.where(high, GEOMETRY_FREE_HIGH_M, GEOMETRY_FREE_M)
        limit = limit * np.sqrt(np.maximum(elapsed, 1.0))
        limit = np.fmax(limit, _ROUGH_TIMES * np.sqrt(rough_m2[slot]))
        jumps: Booleans = bend > limit  # not so for NaN
        told = samples.is_new & ~jumps & np.isfinite(bend)
        count = np.bincount(slot[told], minlength=size)
        squares = np.bincount(slot[told], weights=bend[told] ** 2, minlength=size)
        mean = squares / np.maximum(count, 1)
        rough_m2[:size] += np.where(count >= _FEWEST_FOR_ROUGHNESS, mean - rough_m2[:size], 0.0) / 2
        return jumps

    def _judge_large_steps(self, samples: Samples, position: Integers, steps: Steps) -> None:
        """Tell apart clock jumps, code steps and slips where code and phase part by metres."""
        elapsed_s = np.where(steps.is_next, steps.elapsed_s, np.nan)
        rate = (samples.phase_m - samples.before(samples.phase_m)) / elapsed_s
        bend = (rate - samples.before(rate)) * elapsed_s
        told = np.isfinite(samples.rate_m_s)
        bend = np.where(~np.isfinite(bend) & told, (rate - samples.rate_m_s) * elapsed_s, bend)
        step = steps.code_step_m
        with np.errstate(invalid="ignore"):
            large = (np.abs(step) > CODE_STEP_M) | (np.abs(bend) > _CLOCK_STEP_M)
        for rows in _epochs_with(large, samples.time_ms, position):
            time_ms = int(samples.time_ms[rows[0]])
            jump = self._clock_jump(time_ms, step[rows], bend[rows])
            if jump is not None:
                steps.jumps.append(jump)
            common = jump.size_m if jump and jump.kind == "code" else 0.0
            steps.clock_broken[rows] = common != 0.0
            own = rows[np.abs(np.nan_to_num(step[rows] - common)) > CODE_STEP_M]
            own = own[~steps.lock_lost[own]]
            bent = np.abs(bend[own] - (_median(bend[rows]) or 0.0))
            smooth = np.maximum(1.0, 0.5 * elapsed_s[own] ** 2)  # m; satellites bend 0.2 m/s^2
            steps.code_step[own] = bent <= smooth
            steps.phase_step[own] = bent > smooth

    def _clock_jump(self, time_ms: int, step: Floats, bend: Floats) -> ClockJump | None:
        usual = _median(step)
        if usual is not None:
            turns = round(usual / LIGHT_MS_M)
            if turns and abs(usual - turns * LIGHT_MS_M) < _CLOCK_STEP_M:
                return ClockJump(time_ms, "code", turns * LIGHT_MS_M)
        bent = _median(bend)
        previous, self._latest_jump = self._latest_jump, None
        if bent is None or abs(bent) <= _CLOCK_STEP_M:
            return None
        share = np.mean(np.abs(bend[np.isfinite(bend)] - bent) < _CLOCK_STEP_M)
        if share < _CLOCK_SHARE:
            return None
        if previous is not None and abs(previous.size_m + bent) < _CLOCK_STEP_M:
            return None  # the rate comes back from the jump before
        self._latest_jump = ClockJump(time_ms, "code and phase", bent)
        return self._latest_jump


def _median(values: Floats) -> float | None:
    told = values[np.isfinite(values)]
    return float(np.median(told)) if len(told) >= _FEWEST_FOR_CLOCK else None


def _epochs_with(large: Booleans, time_ms: Integers, position: Integers) -> Iterator[Integers]:
    """Give the new samples of every epoch that holds a large step."""
    found = large[position]
    if not found.any():
        return
    times = time_ms[position]
    for time in np.unique(times[found]).tolist():
        begin, end = np.searchsorted(times, (time, time + 1))
        yield position[begin:end]


def _locks_lost(samples: Samples, is_known: Booleans, elapsed_ms: Floats) -> Booleans:
    """Tell where the lock times prove a loss (RTCM 10403.x lock-time tables, from memory).

    A lock time that is 0 for ever is not told at all, rather than lost at every epoch.
    """
    lock, before = samples.lock_ms, samples.before(samples.lock_ms)
    told = is_known & (lock >= 0) & (before >= 0)
    short = (lock > 0) & (samples.lock_upper_ms <= elapsed_ms)
    lost: Booleans = told & ((lock < before) | short)
    return lost
