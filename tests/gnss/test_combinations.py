"""Combinations against the published factors of L1 and L2, and against made signals."""

import numpy as np
import pytest

from rtcmtool.gnss.code_measurements import ionosphere_free_coefficients
from rtcmtool.gnss.combinations import (
    IONOSPHERE_M_HZ2,
    circular_mean_cycles,
    ionosphere_delay_m,
    melbourne_wuebbena_cycles,
    multipath_factors,
    multipath_m,
    tecu_from_delay,
)
from rtcmtool.gnss.signals import C_M_S, carrier_hz

L1, L2, L5 = (carrier_hz("G", digit) for digit in "125")
E5B = carrier_hz("E", "7")
B1I, B3I = carrier_hz("C", "2"), carrier_hz("C", "6")

# Estey and Meertens 1999 for L1 and L2 (4.0915, 3.0915, 5.0915, 4.0915); the others by the same
# algebra, computed apart from this code.
TABLE = {
    (L1, L2): (-4.091456, 3.091456, -5.091456, 4.091456, 2.545728, -1.545728, 0.861918, 0.105067),
    (L1, L5): (-3.521209, 2.521209, -4.521209, 3.521209, 2.260604, -1.260604, 0.751416, 0.128831),
    (L1, E5B): (-3.843954, 2.843954, -4.843954, 3.843954, 2.421977, -1.421977, 0.814034, 0.114210),
    (L2, L5): (
        *(-23.510638, 22.510638, -24.510638, 23.510638),
        *(12.255319, -11.255319, 5.861045, 0.023764),
    ),
    (B1I, B3I): (
        *(-4.887364, 3.887364, -5.887364, 4.887364),
        *(2.943682, -1.943682, 1.024658, 0.085095),
    ),
}


@pytest.mark.parametrize("carriers", TABLE)
def test_coefficients_are_those_of_the_table(carriers):
    first_hz, second_hz = carriers
    own, other = multipath_factors(first_hz / second_hz)
    own_j, other_j = multipath_factors(second_hz / first_hz)
    # a metre of both codes is so many cycles of the wide lane
    cycles = melbourne_wuebbena_cycles((0.0, 0.0), (-1.0, -1.0), carriers)
    delay_m = ionosphere_delay_m(1.0, 0.0, first_hz / second_hz)
    told = (
        *(-own, other),
        *(other_j, -own_j),  # the table has L1 before L2 in both
        *ionosphere_free_coefficients(*carriers),
        1.0 / cycles,
        1.0 / tecu_from_delay(delay_m, first_hz),  # of L_i - L_j
    )
    assert [float(value) for value in told] == pytest.approx(TABLE[carriers], abs=6e-7)


def signals(first_hz, second_hz, *, range_m, delay_m, cycles, multipath=(0.0, 0.0)):
    """Make code and phase of two bands: `delay_m` is that of code on the first."""
    ratio = (first_hz / second_hz) ** 2
    codes = (range_m + delay_m + multipath[0], range_m + ratio * delay_m + multipath[1])
    phases = (
        range_m - delay_m + cycles[0] * C_M_S / first_hz,
        range_m - ratio * delay_m + cycles[1] * C_M_S / second_hz,
    )
    return codes, phases


def test_multipath_is_left_and_neither_range_nor_ionosphere():
    multipath = np.array([0.3, -0.2, 0.0])
    codes, phases = signals(
        L1, L2, range_m=np.array([2.1e7, 2.2e7, 2.3e7]), delay_m=np.array([5.0, 6.0, 9.0]),
        cycles=(1000, -400), multipath=(multipath, -multipath),
    )  # fmt: skip
    first = multipath_m(codes[0], phases[0], phases[1], L1 / L2)
    second = multipath_m(codes[1], phases[1], phases[0], L2 / L1)
    assert np.diff(first) == pytest.approx(np.diff(multipath), abs=1e-6)
    assert np.diff(second) == pytest.approx(-np.diff(multipath), abs=1e-6)


@pytest.mark.parametrize(("slip", "step"), [((1, 0), 1), ((4, 3), 1), ((9, 7), 2), ((77, 60), 17)])
def test_a_slip_steps_the_wide_lane_by_the_difference_of_its_cycles(slip, step):
    before = signals(L1, L2, range_m=2.2e7, delay_m=4.0, cycles=(100, 50))
    after = signals(L1, L2, range_m=2.3e7, delay_m=4.5, cycles=(100 + slip[0], 50 + slip[1]))
    wide = [melbourne_wuebbena_cycles(p, c, (L1, L2)) for c, p in (before, after)]
    assert float(wide[1] - wide[0]) == pytest.approx(step, abs=1e-6)


def test_the_delay_and_the_electron_content_come_back():
    _, phases = signals(L1, L5, range_m=2.2e7, delay_m=np.array([4.0, 4.25]), cycles=(7, 9))
    delay = ionosphere_delay_m(phases[0], phases[1], L1 / L5)
    assert float(np.diff(delay)[0]) == pytest.approx(0.25, abs=1e-6)
    assert float(tecu_from_delay(IONOSPHERE_M_HZ2 / L1**2, L1)) == pytest.approx(1.0)


def test_glonass_needs_no_channel_for_ratios():
    ratios = {carrier_hz("R", "1", k) / carrier_hz("R", "2", k) for k in range(-7, 7)}
    assert max(ratios) - min(ratios) < 1e-12


@pytest.mark.parametrize(
    ("fractions", "mean", "agreement"),
    [
        ([0.1, 0.3], 0.2, np.cos(0.2 * np.pi)),
        ([4.75, -7.25], -0.25, 1.0),
        ([0.0, 0.25, 0.5, 0.75], None, 0.0),
    ],
)
def test_parts_of_a_cycle_are_averaged_around_it(fractions, mean, agreement):
    found, length = circular_mean_cycles(fractions)
    assert float(length) == pytest.approx(agreement, abs=1e-12)
    if mean is not None:
        assert float(found) == pytest.approx(mean, abs=1e-12)


def test_neighbours_of_half_a_cycle_do_not_cancel():
    found, length = circular_mean_cycles([[0.49, -0.49], [0.01, -0.01]], axis=1)
    assert np.abs(found) == pytest.approx([0.5, 0.0], abs=1e-12)
    assert length == pytest.approx(np.cos(0.02 * np.pi))


# The base of the pair lists -0.25000 for L2X (SYS / PHASE SHIFT) beside 0 for L2W; reference: parts
# of -0.246 to -0.250 on each of its six satellites with both.
@pytest.mark.open_data
def test_quarter_cycles_of_a_real_base(pair_observations):
    by_satellite: dict[str, list[float]] = {}
    for _, seen in pair_observations.epochs:
        for name, values in seen.items():
            if name[0] == "G" and {"L2X", "L2W"} <= values.keys():
                by_satellite.setdefault(name, []).append(values["L2X"] - values["L2W"])
    means = [float(circular_mean_cycles(each)[0]) for each in by_satellite.values()]
    assert len(means) == 6
    assert means == pytest.approx([-0.248] * 6, abs=0.005)
