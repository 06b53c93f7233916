"""Slots of signals: given once, in growing columns."""

import numpy as np

from rtcmtool.monitor.cell_slots import CellSlots


def test_cells_keep_their_slots_and_new_ones_are_filled():
    slots = CellSlots({"count": 0, "level": -1.5})
    assert slots.of(np.array([70, 70, 5])).tolist() == [0, 0, 1]
    slots.columns["count"][:2] = [3, 4]
    assert slots.of(np.array([5, 9, 70])).tolist() == [1, 2, 0]
    assert slots.cells.tolist() == [70, 5, 9]
    assert slots.known("count").tolist() == [3, 4, 0]
    assert slots.known("level").tolist() == [-1.5] * 3


def test_columns_grow_with_what_they_hold():
    slots = CellSlots({"count": 0, "level": 2.0})
    slots.of(np.arange(10))
    slots.columns["count"][3] = 7
    slots.of(np.arange(1000, 3000))
    assert len(slots) == 2010
    assert slots.known("count")[3] == 7
    assert slots.known("level").tolist() == [2.0] * 2010
    assert slots.columns["count"].dtype == np.int64
    assert slots.columns["level"].dtype == np.float64


def test_no_cells_are_no_trouble():
    slots = CellSlots({"count": 0})
    assert slots.of(np.zeros(0, np.int64)).tolist() == []
    assert slots.cells.tolist() == []
