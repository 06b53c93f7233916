"""Faults in real time, over a serial line, TCP and NTRIP: what is in the file is what was done.

The recorder is a process of its own. Truth is the fault itself and the moments at which the base
sent; see `live_cells.truth_of`. What is booked may be off by an interval, and half a second is too
short for a loaded machine: a cell that fails is played again, alone and with longer ones.
"""

import os
from pathlib import Path

import live_table
import pytest
from live_cells import Plan

from rtcmtool.captures import open_capture

PLAN = Plan(before_s=6.0, length_s=6.0, after_s=4.0, interval_s=0.5)
SLOW_PLAN = Plan(before_s=20.0, length_s=20.0, after_s=16.0, interval_s=2.0)
CELLS = (
    ("garbled", "pty"),
    ("silence", "tcp"),
    ("late", "ntrip"),
    ("interrupted", "ntrip"),
    ("interrupted", "pty"),
)


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals here")
def test_a_fault_over_each_way_is_booked_as_it_was(tmp_path: Path) -> None:
    cells = live_table.run_all(CELLS, PLAN, tmp_path / "quick")
    plans = {f"{case}-{way}": (PLAN, tmp_path / "quick") for case, way in CELLS}
    for number, cell in enumerate(cells):
        if cell.faults:
            name = CELLS[number]
            (cells[number],) = live_table.run_all([name], SLOW_PLAN, tmp_path / "slow")
            plans["-".join(name)] = (SLOW_PLAN, tmp_path / "slow")
    assert [(cell.case, cell.way, *cell.faults) for cell in cells] == [
        ("garbled", "pty"),
        ("silence", "tcp"),
        ("late", "ntrip 2"),
        ("interrupted", "ntrip 1"),
        ("interrupted", "pty"),
    ]
    kinds = [[booked.kind for booked in cell.found] for cell in cells]
    assert kinds == [
        ["garbled"],
        ["silence"],
        ["silence", "late"],
        ["monitor gap"],
        ["monitor gap"],
    ]
    for place in ("garbled-pty", "silence-tcp"):
        plan, folder = plans[place]
        (row,) = open_capture(folder / place / "job").outages
        assert row.epochs_missed == pytest.approx(plan.length_s / plan.interval_s, abs=1)
