"""Sums over arcs: the scatter about the mean of each unbroken stretch, batch by batch."""

from dataclasses import dataclass, fields
from typing import Self

import numpy as np

from rtcmtool.monitor.cell_slots import CellSlots
from rtcmtool.monitor.observed_epochs import Booleans, Floats, Integers

SHORT_ARC_S = 60.0  # shorter ones tell nothing: their mean hides what is sought
LONG_ARC_S = 300.0


@dataclass(frozen=True, eq=False, slots=True)
class Scatter:
    """Scatter of all arcs of some length by cell; shapes (n,).

    `count` values of each of `cells` with the sum of squared deviations `squares` from the means of
    their arcs; `longest_s` is the longest arc.
    """

    cells: Integers
    count: Integers
    squares: Floats
    longest_s: Floats

    def rms(self, rows: Integers | Booleans) -> float:
        """Give the root mean square over some rows; NaN of nothing."""
        count = int(self.count[rows].sum())
        return float(np.sqrt(self.squares[rows].sum() / count)) if count else float("nan")


@dataclass(frozen=True, eq=False, slots=True)
class _Stretches:
    """Stretches of arcs; shapes (n,). Sums are of the values less `shift`."""

    slot: Integers
    count: Integers
    shift: Floats
    total: Floats
    squares: Floats
    begin_ms: Integers
    end_ms: Integers

    def take(self, rows: Booleans) -> Self:
        return type(self)(*(getattr(self, column.name)[rows] for column in fields(self)))

    @property
    def length_s(self) -> Floats:
        length: Floats = (self.end_ms - self.begin_ms) / 1000
        return length

    @property
    def about_mean(self) -> Floats:
        """Squared deviations from the mean."""
        return np.maximum(self.squares - self.total**2 / np.maximum(self.count, 1), 0.0)


class ArcSums:
    """Follows one arc a cell, and adds up those that are over."""

    def __init__(self) -> None:
        self._slots = CellSlots(
            {
                # the arc that still runs; a count of 0 where there is none
                "count": 0, "shift": 0.0, "total": 0.0, "squares": 0.0, "begin_ms": 0, "end_ms": 0,
                # arcs that are over
                "longest_s": 0.0,
                "short_count": 0, "short_squares": 0.0, "long_count": 0, "long_squares": 0.0,
            }
        )  # fmt: skip

    def add(self, cell: Integers, time_ms: Integers, values: Floats, starts: Booleans) -> None:
        """Take values.

        Parameters
        ----------
        cell, time_ms : ndarray of int64, shape (n,)
            Sorted by cell, then time; later than those of the same cell before.
        values : ndarray of float64, shape (n,)
            NaN is left out, and ends no arc.
        starts : ndarray of bool, shape (n,)
            Whether a new arc begins with the row.
        """
        if not len(cell):
            return
        slot = self._slots.of(cell)
        first = np.ones(len(slot), np.bool_)
        first[1:] = slot[1:] != slot[:-1]
        arc: Integers = np.cumsum(first | starts)
        carries_on = np.zeros(int(arc[-1]) + 1, np.bool_)  # by arc: begun in an earlier batch
        carries_on[arc[first & ~starts]] = True
        runs_on = np.zeros(int(arc[-1]) + 1, np.bool_)  # by arc: not over at the end
        runs_on[arc[np.append(first[1:], True)]] = True
        broken = np.unique(slot[starts])
        told = np.isfinite(values)
        stretches = self._sum(slot[told], time_ms[told], values[told], arc[told], carries_on)
        own = np.unique(arc[told])
        self._continue(stretches.take(carries_on[own]))
        self._close(broken)
        self._count_over(stretches.take(~carries_on[own] & ~runs_on[own]))
        self._continue(stretches.take(~carries_on[own] & runs_on[own]))

    def _sum(
        self, slot: Integers, time_ms: Integers, values: Floats, arc: Integers, carries_on: Booleans
    ) -> _Stretches:
        """Sum over each arc of the rows."""
        begins = np.ones(len(slot), np.bool_)
        begins[1:] = arc[1:] != arc[:-1]
        begin = np.flatnonzero(begins)
        end = np.append(begin[1:], len(slot)) - 1
        owner, count = slot[begin], end - begin + 1
        columns = self._slots.columns
        known = carries_on[arc[begin]] & (columns["count"][owner] > 0)
        shift = np.where(known, columns["shift"][owner], values[begin])
        shifted = values - np.repeat(shift, count)
        if not len(begin):
            return _Stretches(owner, count, shift, shifted, shifted, time_ms, time_ms)
        return _Stretches(
            owner,
            count,
            shift,
            np.add.reduceat(shifted, begin),
            np.add.reduceat(shifted * shifted, begin),
            time_ms[begin],
            time_ms[end],
        )

    def _continue(self, more: _Stretches) -> None:
        """Lengthen the running arcs, one stretch a cell; where none runs, one begins."""
        columns, slot = self._slots.columns, more.slot
        new = columns["count"][slot] == 0
        columns["shift"][slot] = np.where(new, more.shift, columns["shift"][slot])
        columns["begin_ms"][slot] = np.where(new, more.begin_ms, columns["begin_ms"][slot])
        columns["total"][slot] = np.where(new, 0.0, columns["total"][slot]) + more.total
        columns["squares"][slot] = np.where(new, 0.0, columns["squares"][slot]) + more.squares
        columns["count"][slot] += more.count
        columns["end_ms"][slot] = more.end_ms

    def _running(self) -> _Stretches:
        """Give the arcs of all cells that still run, copied."""
        names = [column.name for column in fields(_Stretches)[1:]]
        arcs = _Stretches(np.arange(len(self._slots)), *(self._slots.known(name) for name in names))
        return arcs.take(arcs.count > 0)

    def _close(self, slots: Integers) -> None:
        """End the running arcs of some cells."""
        running = self._running()
        self._count_over(running.take(np.isin(running.slot, slots)))
        self._slots.columns["count"][slots] = 0

    def _count_over(self, over: _Stretches) -> None:
        columns = self._slots.columns
        np.maximum.at(columns["longest_s"], over.slot, over.length_s)
        for name, limit_s in (("short", SHORT_ARC_S), ("long", LONG_ARC_S)):
            enough = over.take(over.length_s >= limit_s)
            np.add.at(columns[f"{name}_count"], enough.slot, enough.count)
            np.add.at(columns[f"{name}_squares"], enough.slot, enough.about_mean)

    def scatter(self, least_s: float = SHORT_ARC_S) -> Scatter:
        """Give the scatter of the arcs of at least 60 or 300 s, those not over included."""
        name = "short" if least_s == SHORT_ARC_S else "long"
        count = self._slots.known(f"{name}_count").copy()
        squares = self._slots.known(f"{name}_squares").copy()
        longest_s = self._slots.known("longest_s").copy()
        running = self._running()
        longest_s[running.slot] = np.maximum(longest_s[running.slot], running.length_s)
        running = running.take(running.length_s >= least_s)
        count[running.slot] += running.count
        squares[running.slot] += running.about_mean
        return Scatter(self._slots.cells, count, squares, longest_s)
