"""Scatter about the means of arcs, against sums done one by one."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rtcmtool.monitor.arc_sums import LONG_ARC_S, SHORT_ARC_S, ArcSums

CELLS = 4


def one_by_one(rows, least_s):
    """Give count and squared deviations by cell, arc by arc."""
    count, squares = np.zeros(CELLS, int), np.zeros(CELLS)
    arcs: dict[int, list[list[tuple[int, float]]]] = {}
    for cell, time_ms, value, starts in rows:
        own = arcs.setdefault(cell, [[]])
        if starts:
            own.append([])
        if np.isfinite(value):
            own[-1].append((time_ms, value))
    for cell, own in arcs.items():
        for arc in own:
            if arc and arc[-1][0] - arc[0][0] >= 1000 * least_s:
                values = np.array([value for _, value in arc])
                count[cell] += len(values)
                squares[cell] += ((values - values.mean()) ** 2).sum()
    return count, squares


def in_batches(rows, cuts):
    sums = ArcSums()
    times = [row[1] for row in rows]
    edges = [-1, *sorted(cuts), max(times, default=0)]
    for begin, end in pairwise(edges):
        batch = sorted(row for row in rows if begin < row[1] <= end)
        columns = [np.array([row[place] for row in batch]) for place in range(4)]
        if batch:
            sums.add(
                columns[0].astype(np.int64), columns[1].astype(np.int64),
                columns[2].astype(float), columns[3].astype(bool),
            )  # fmt: skip
    return sums


values = st.one_of(st.just(np.nan), st.floats(-5, 5), st.just(1e7))
row = st.tuples(st.integers(0, CELLS - 1), st.integers(0, 60), values, st.sampled_from([0, 0, 1]))


@given(st.lists(row, max_size=60, unique_by=lambda r: r[:2]), st.sets(st.integers(0, 600_000)))
def test_sums_are_those_of_each_arc_whatever_the_batches(rows, cuts):
    rows = sorted((cell, 10_000 * time, value, starts) for cell, time, value, starts in rows)
    sums = in_batches(rows, cuts)
    for least_s in (SHORT_ARC_S, LONG_ARC_S):
        count, squares = one_by_one(rows, least_s)
        scatter = sums.scatter(least_s)
        assert scatter.count.tolist() == count[scatter.cells].tolist()
        assert scatter.squares == pytest.approx(squares[scatter.cells], rel=1e-6, abs=1e-2)
        assert set(scatter.cells.tolist()) == {row[0] for row in rows}


def test_large_constants_take_no_digits():
    sums = ArcSums()
    time_ms = np.arange(0, 400_000, 1000)
    values = 2.3e7 + np.where(np.arange(400) % 2, 0.25, -0.25)
    for part in (slice(0, 150), slice(150, 400)):
        sums.add(
            np.zeros(len(time_ms[part]), np.int64), time_ms[part], values[part],
            np.zeros(len(time_ms[part]), bool),
        )  # fmt: skip
    assert sums.scatter(LONG_ARC_S).rms(np.array([0])) == pytest.approx(0.25, abs=1e-6)
    assert sums.scatter().longest_s.tolist() == [399.0]


def test_short_arcs_are_left_out():
    sums = ArcSums()
    time_ms = np.arange(0, 120_000, 1000)
    starts = np.arange(120) % 50 == 0
    sums.add(np.zeros(120, np.int64), time_ms, np.arange(120.0), starts)
    assert not sums.scatter().count.any()
    assert np.isnan(sums.scatter().rms(np.array([0])))
    assert sums.scatter().longest_s.tolist() == [49.0]
