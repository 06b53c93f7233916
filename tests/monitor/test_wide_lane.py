"""Steps of a running mean: found once, confirmed by the next sample, whatever the batches."""

from itertools import pairwise

import numpy as np
import pytest

from rtcmtool.monitor.wide_lane import WideLane


def series(steps, *, noise=0.1, count=200, seed=3, level=4e6):
    rng = np.random.default_rng(seed)
    values = level + rng.normal(0.0, noise, count)
    for at, size in steps:
        values[at:] += size
    return values


def find(values, cut=None, breaks=()):
    lane = WideLane()
    slips: list[int] = []
    suspects: list[int] = []
    broken = np.zeros(len(values), bool)
    broken[0] = True
    broken[list(breaks)] = True
    edges = [0, *(cut or []), len(values)]
    for begin, end in pairwise(edges):
        back = max(begin - 4, 0)  # a few samples from before come again
        rows = slice(back, end)
        new = np.arange(back, end) >= begin
        slip, suspect = lane.find(np.zeros(end - back, np.int64), values[rows], broken[rows], new)
        slips.extend((back + np.flatnonzero(slip)).tolist())
        suspects.extend((back + np.flatnonzero(suspect)).tolist())
    return slips, suspects


def test_a_step_of_five_cycles_is_a_slip_and_one_cycle_is_suspect():
    assert find(series([(80, 5.0)])) == ([81], [])
    assert find(series([(80, 1.0)])) == ([], [81])


def test_several_steps_are_all_found():
    assert find(series([(50, 5.0), (90, -3.0), (130, 8.0)]))[0] == [51, 91, 131]


def test_one_wild_sample_is_no_step():
    values = series([])
    values[100] += 30.0
    assert find(values) == ([], [])


def test_ten_samples_are_needed_and_noise_widens_the_limit():
    assert find(series([(8, 5.0)]))[0] == []
    assert find(series([(80, 1.0)], noise=0.6)) == ([], [])


def test_a_known_break_is_not_found_again():
    assert find(series([(80, 5.0)]), breaks=[80]) == ([], [])


def test_samples_without_a_wide_lane_do_not_hide_a_break():
    values = series([(80, 5.0)])
    values[78:82] = np.nan
    assert find(values, breaks=[80]) == ([], [])


@pytest.mark.parametrize(
    "cut", [[40], [80], [81], [82], list(range(5, 200, 5)), list(range(1, 200))]
)
def test_batches_change_nothing(cut):
    values = series([(80, 5.0), (140, 1.2)])
    assert find(values, cut) == find(values)
