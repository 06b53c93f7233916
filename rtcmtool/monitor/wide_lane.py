"""Slips that the wide lane shows: Melbourne-Wuebbena against its own running mean.

A slip of (n1, n2) cycles steps the wide lane by n1 - n2, also where it leaves the geometry-free
combination alone. Code noise decides what can be seen: the limit is four times the scatter so far,
for the mean of two samples in a row (Blewitt 1990, Geophysical Research Letters 17, from memory).
"""

import numpy as np

from rtcmtool.monitor.cell_slots import CellSlots
from rtcmtool.monitor.observed_epochs import Booleans, Floats, Integers

SLIP_CYCLES = 2.0  # more is a slip; less, alone, is suspect only: by judgement
_SIGMAS = 4.0
_LEAST_SIGMA = 0.15  # cycles
_LEAST_CYCLES = 0.75
_LEAST_SAMPLES = 10
_ROUNDS = 12  # slips found in one signal and batch


class WideLane:
    """Follows the running mean of each cell."""

    def __init__(self) -> None:
        # Of the arc, all but its latest sample: that one awaits its confirmation.
        self._slots = CellSlots(
            {"count": 0, "shift": 0.0, "total": 0.0, "squares": 0.0, "is_open": 0}
        )

    def find(
        self, cell: Integers, cycles: Floats, breaks: Booleans, is_new: Booleans
    ) -> tuple[Booleans, Booleans]:
        """Look for steps.

        Parameters
        ----------
        cell : ndarray of int64, shape (n,)
            Sorted, each cell's samples in order of time; some before the new ones among them.
        cycles : ndarray of float64, shape (n,)
            Wide lane; NaN where there is none.
        breaks : ndarray of bool, shape (n,)
            Where arcs are broken already.
        is_new : ndarray of bool, shape (n,)
            Whether a sample was not given before.

        Returns
        -------
        slip, suspect : ndarray of bool, shape (n,)
            Confirmed steps above, and below, two cycles; at the sample that confirms them.
        """
        slip, suspect = np.zeros(len(cell), np.bool_), np.zeros(len(cell), np.bool_)
        told = np.flatnonzero(np.isfinite(cycles))
        if not len(told):
            return slip, suspect
        # Of the samples from before only the latest of each cell is wanted.
        late = np.ones(len(told), np.bool_)
        late[:-1] = (cell[told[1:]] != cell[told[:-1]]) | is_new[told[1:]]
        told = told[is_new[told] | late]
        owner, values, new = self._slots.of(cell)[told], cycles[told], is_new[told]
        first = np.ones(len(told), np.bool_)
        first[1:] = owner[1:] != owner[:-1]
        starts = _carried_breaks(cell, breaks & is_new, told) & new
        for _ in range(_ROUNDS):
            sums = self._sums(owner, values, first, starts)
            steps = _steps(*sums, new)
            found = np.flatnonzero(np.isfinite(steps))
            if not len(found):
                break
            arc = sums[0]
            found = found[np.unique(arc[found], return_index=True)[1]]
            starts[found] = True
            large = np.abs(steps[found]) > SLIP_CYCLES
            slip[told[found[large]]] = True
            suspect[told[found[~large]]] = True
        self._keep(owner, values, first, starts)
        return slip, suspect

    def _sums(
        self, owner: Integers, values: Floats, first: Booleans, starts: Booleans
    ) -> tuple[Integers, Integers, Integers, Floats, Floats, Floats]:
        """Give arc, place in it, samples before, shifted values, and sums up to each sample."""
        begins = first | starts
        arc = np.cumsum(begins) - 1
        begin = np.flatnonzero(begins)
        index = np.arange(len(owner)) - begin[arc]
        head = owner[begin]
        kept = {name: column[head] for name, column in self._slots.columns.items()}
        goes_on = first[begin] & ~starts[begin] & (kept["is_open"] == 1)
        shift = np.where(goes_on, kept["shift"], values[begin])
        shifted = values - shift[arc]
        total, squares = np.cumsum(shifted), np.cumsum(shifted * shifted)
        offset = total[begin] - shifted[begin]
        offset_squares = squares[begin] - shifted[begin] ** 2
        before = np.where(goes_on, kept["count"], 0)
        total = total - (offset - np.where(goes_on, kept["total"], 0.0))[arc]
        squares = squares - (offset_squares - np.where(goes_on, kept["squares"], 0.0))[arc]
        return arc, index, before[arc], shifted, total, squares

    def _keep(self, owner: Integers, values: Floats, first: Booleans, starts: Booleans) -> None:
        """Carry each cell's last arc on, without its latest sample."""
        _, index, before, shifted, total, squares = self._sums(owner, values, first, starts)
        last = np.append(first[1:], True)
        slots, columns = owner[last], self._slots.columns
        columns["count"][slots] = before[last] + index[last]
        columns["total"][slots] = total[last] - shifted[last]
        columns["squares"][slots] = squares[last] - shifted[last] ** 2
        columns["shift"][slots] = values[last] - shifted[last]
        columns["is_open"][slots] = 1


def _carried_breaks(cell: Integers, breaks: Booleans, told: Integers) -> Booleans:
    """Carry breaks at samples that are left out on to the next one that is kept."""
    running = np.cumsum(breaks)
    at = running[told]
    before = np.concatenate(([0], at[:-1]))
    same = np.concatenate(([False], cell[told[1:]] == cell[told[:-1]]))
    begin: Integers = running - breaks
    first_of_cell = np.searchsorted(cell, cell[told])
    result: Booleans = at > np.where(same, before, begin[first_of_cell])
    return result


def _steps(
    arc: Integers, index: Integers, before: Integers, shifted: Floats, total: Floats,
    squares: Floats, new: Booleans,
) -> Floats:  # fmt: skip
    """Give the step at samples that confirm one, NaN at all others."""
    del arc
    count = np.maximum(before + index - 1, 1)  # up to the sample before the one before
    previous = np.concatenate(([0.0], shifted[:-1]))
    mean = (total - shifted - previous) / count
    variance = (squares - shifted**2 - previous**2) / count - mean**2
    limit = np.maximum(_SIGMAS * np.sqrt(np.maximum(variance, _LEAST_SIGMA**2)), _LEAST_CYCLES)
    now, then = shifted - mean, previous - mean
    is_step = (
        new
        & (index >= 1)
        & (before + index - 1 >= _LEAST_SAMPLES)
        & (np.abs(now + then) / 2 > limit)
        & (np.minimum(np.abs(now), np.abs(then)) > limit / 2)  # one wild sample is no step
    )
    return np.where(is_step, (now + then) / 2, np.nan)
