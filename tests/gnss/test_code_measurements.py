"""Checks of the choice of signals and of the combination of bands."""

import math

import numpy as np
import pytest

from rtcmtool.gnss.code_measurements import (
    choose_signals,
    code_measurements,
    ionosphere_free_coefficients,
)
from rtcmtool.gnss.signals import carrier_hz
from tests.gnss.synthetic import glonass, kepler


@pytest.mark.parametrize(
    ("system", "first", "second", "expected"),
    [
        ("G", "1C", "2W", (2.545728, -1.545728)),
        ("E", "1C", "5Q", (2.260604, -1.260604)),
        ("E", "1C", "7Q", (2.421977, -1.421977)),
        ("C", "2I", "6I", (2.943682, -1.943682)),
    ],
)
def test_ionosphere_free_factors(system, first, second, expected):
    # computations.md 5.1
    factors = ionosphere_free_coefficients(carrier_hz(system, first), carrier_hz(system, second))
    assert factors == pytest.approx(expected, abs=1e-6)


def test_an_ionospheric_delay_cancels_in_the_combination():
    record = kepler("E", 9, bgd_e5b_e1_s=3e-9, bgd_e5a_e1_s=2e-9)
    carriers = {name: carrier_hz("E", name) for name in ("1C", "7Q")}
    ranges = {name: 24e6 + 5.0 * (1575.42e6 / hertz) ** 2 for name, hertz in carriers.items()}
    code = code_measurements({"E09": ranges}, {"E09": record}, {"E": ["1C", "7Q"]})
    assert code.pseudorange_m[0] == pytest.approx(24e6, abs=1e-6)
    assert code.group_delay_s[0] == pytest.approx(0.0, abs=1e-20)  # the record's own pair
    assert np.isnan(code.frequency_hz[0])
    assert code.noise_factor[0] == pytest.approx(math.hypot(2.421977, 1.421977), abs=1e-6)


def test_only_satellites_with_ephemeris_and_all_signals_are_used():
    ranges = {
        "G09": {"1C": 2.1e7, "2W": math.nan},
        "G05": {"1C": 2.2e7, "2W": 2.2e7},
        "G30": {"1C": 2.3e7, "2W": 2.3e7},
        "R05": {"1C": 2.0e7, "2W": 2.0e7},
    }
    records = {"G05": kepler("G", 5), "G09": kepler("G", 9), "R05": glonass()}
    pairs = code_measurements(ranges, records, {"G": ["1C", "2W"]})
    assert pairs.table.satellites == ("G05",)
    singles = code_measurements(ranges, records, {"G": ["1C"], "R": ["1C"]})
    assert singles.table.satellites == ("G05", "G09", "R05")
    assert singles.frequency_hz[2] == 1602.5625e6  # channel 1
    assert code_measurements({}, {}, {"G": ["1C"]}).table.size == 0


@pytest.mark.open_data
def test_signals_of_the_recordings_are_chosen(static_observations, pair_observations):
    assert choose_signals(static_observations.pseudoranges(0)) == {
        "E": ["1C", "5Q"],
        "G": ["1W", "2W"],
        "J": ["1C", "2L"],
    }
    assert choose_signals(pair_observations.pseudoranges(0), two_bands=False) == {
        "E": ["1X"],
        "G": ["1C"],
        "J": ["1C"],
    }


def test_without_enough_pairs_one_band_of_every_system_is_chosen():
    ranges = {f"G{number:02d}": {"1C": 2e7} for number in range(1, 8)}
    ranges["E01"] = {"1X": 2e7, "5X": 2e7}
    assert choose_signals(ranges) == {"E": ["1X"], "G": ["1C"]}


def test_a_system_without_pairs_is_left_out_where_pairs_are_used():
    ranges = {f"E{number:02d}": {"1C": 2e7, "7Q": 2e7} for number in range(1, 8)}
    ranges["G01"] = {"1C": 2e7, "2W": math.nan}
    assert choose_signals(ranges) == {"E": ["1C", "7Q"]}
