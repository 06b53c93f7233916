"""Checks of the ageing of corrections: two recordings, and phases made to age at a known rate."""

import numpy as np
import pytest

from rtcmtool.gnss.ephemerides import select_all
from rtcmtool.gnss.satellites import SatelliteTable
from rtcmtool.gnss.signals import carrier_hz, wavelength_m
from rtcmtool.gnss.staleness import (
    HARD_M,
    HELD_M,
    age_reaching_s,
    ageing_rate_m_s,
    changes_m,
    explained_m,
    ionosphere_free_m,
    stretches,
)
from tests.gnss.rinex_observations import read_observations

AGES_S = (1, 5, 10, 15, 30, 60)


class Recording:
    """Residuals of a file, one record a satellite: the one of the middle epoch."""

    def __init__(self, observed, navigation):
        self.observed = observed
        self.gps_ms = np.array([gps_ms for gps_ms, _ in observed.epochs])
        self.records = select_all(
            navigation.ephemerides, int(self.gps_ms[len(self.gps_ms) // 2]),
            sources={"lnav", "fnav"},
        )  # fmt: skip
        self._known: dict[tuple[str, str], tuple[list[str], np.ndarray, np.ndarray]] = {}

    def residuals(self, letter, signal):
        """Give names, residuals without those below 15 degrees, and unbroken stretches."""
        if (letter, signal) not in self._known:
            names = [
                name
                for name in self.records
                if name[0] == letter and any(name in seen for _, seen in self.observed.epochs)
            ]
            code, phase = (
                np.array(
                    [
                        [seen.get(name, {}).get(kind + signal, np.nan) for name in names]
                        for _, seen in self.observed.epochs
                    ]
                )
                for kind in "CL"
            )
            table = SatelliteTable.stack(self.records[name] for name in names)
            explained, elevation = explained_m(table, self.gps_ms, self.observed.position_m, code)
            residual = phase * wavelength_m(letter, signal) - explained
            whole = stretches(residual, [letter] * len(names))
            residual[np.degrees(elevation) < 15.0] = np.nan
            self._known[letter, signal] = names, residual, whole
        return self._known[letter, signal]

    def ionosphere_free(self, letter, first, second):
        names, one, whole = self.residuals(letter, first)
        _, other, own = self.residuals(letter, second)
        ratio = carrier_hz(letter, first) / carrier_hz(letter, second)
        return names, ionosphere_free_m(one, other, ratio), whole + own


@pytest.fixture(scope="module")
def recordings(open_data, static_navigation, pair_navigation):
    return {
        "pair": Recording(read_observations(open_data / "pair-base.rnx"), pair_navigation),
        "static": Recording(
            read_observations(open_data / "static-1hz-observations.rnx"), static_navigation
        ),
    }


def rms_mm(change_m, axis=None):
    squares = np.where(np.isfinite(change_m), change_m, 0.0) ** 2
    count = np.isfinite(change_m).sum(axis=axis)
    return 1000 * np.sqrt(squares.sum(axis=axis) / np.maximum(count, 1))


# RMS over the satellites above 15 degrees, mm, by age; computed apart from this code.
TABLE = [
    ("pair", "G", ("1C",), (3.0, 8.6, 16.3, 23.5, 42.9, 73.0)),
    ("pair", "G", ("2W",), (3.6, 10.2, 19.1, 27.8, 52.0, 94.0)),
    ("pair", "G", ("1C", "2W"), (3.9, 7.9, 13.8, 19.2, 32.6, 47.0)),
    ("pair", "E", ("1X",), (2.1, 4.8, 8.9, 13.1, 26.1, 52.0)),
    ("pair", "E", ("1X", "5X"), (4.7, 5.1, 5.5, 6.2, 8.8, 16.0)),
    ("static", "G", ("1C",), (1.4, 3.5, 6.0, 8.3, 13.9, 21.0)),
    ("static", "E", ("1C",), (1.4, 1.6, 2.0, 2.5, 3.8, 6.7)),
]


@pytest.mark.open_data
@pytest.mark.slow
@pytest.mark.parametrize(("file", "letter", "signals", "expected"), TABLE)
def test_recorded_corrections_age_as_computed(recordings, file, letter, signals, expected):
    recording = recordings[file]
    read = recording.residuals if len(signals) == 1 else recording.ionosphere_free
    names, residual, whole = read(letter, *signals)
    told = [rms_mm(changes_m(residual, whole, [letter] * len(names), age)) for age in AGES_S]
    assert told == pytest.approx(expected, rel=0.15)


@pytest.mark.open_data
@pytest.mark.slow
@pytest.mark.parametrize(
    ("file", "letter", "signals", "expected"),
    [
        ("pair", "G", ("1C", "2W"), {"G05": 65.0, "G13": 52.0, "G18": 7.0}),
        ("pair", "E", ("1X", "5X"), {"E07": 3.0}),
        ("static", "G", ("1C", "2W"), {"G17": 27.0, "G22": 23.0, "G19": 21.0, "G09": 5.5}),
    ],
)
def test_single_satellites_stand_out(recordings, file, letter, signals, expected):
    # 30 s, ionosphere-free; the mean taken off depends on who else is above the mask
    names, residual, whole = recordings[file].ionosphere_free(letter, *signals)
    change = changes_m(residual, whole, [letter] * len(names), 30)
    told = dict(zip(names, rms_mm(change, axis=0), strict=True))
    for name, millimetres in expected.items():
        assert told[name] == pytest.approx(millimetres, rel=0.15, abs=1.5)


SIX = ["G"] * 6


def made(epochs=120, rate_m_s=(0.0,) * 6, noise_m=0.0, seed=3):
    """Make residuals: ambiguities, a wandering receiver clock, and a drift of each satellite."""
    rng = np.random.default_rng(seed)
    seconds = np.arange(epochs)[:, np.newaxis]
    clock = np.cumsum(rng.normal(0.0, 5.0, (epochs, 1)), axis=0)
    residual = 1e3 * rng.normal(size=(1, 6)) + clock + np.array(rate_m_s) * seconds
    return residual + rng.normal(0.0, 1.0, (epochs, 6)) * noise_m


def test_drifts_grow_with_age_and_what_all_share_does_not():
    drift = np.array([1.0, -1.0, 1.0, -1.0, 1.0, -1.0]) * 1e-3
    residual = made(rate_m_s=drift + 0.5)
    whole = stretches(residual, SIX)
    assert not whole.any()
    for age in (1, 10, 30):
        change = changes_m(residual, whole, SIX, age)
        assert change.shape == (120 - age, 6)
        assert change == pytest.approx(np.broadcast_to(age * drift, change.shape), abs=1e-9)
    assert changes_m(residual, whole, SIX, 120).shape == (0, 6)


def test_the_noise_of_two_epochs_is_no_ageing():
    residual = made(epochs=2000, noise_m=0.002)
    whole = stretches(residual, SIX)
    told = [rms_mm(changes_m(residual, whole, SIX, age)) / 1000 for age in (1, 10)]
    # sqrt(2) for two epochs, sqrt(5/6) for the mean of six
    assert told == pytest.approx([0.002 * np.sqrt(2 * 5 / 6)] * 2, rel=0.05)
    rate = ageing_rate_m_s((1, 10), told)
    assert rate is not None
    assert rate < 1e-4


@pytest.mark.parametrize("cycles", [1.0, 0.5, -2.0])
def test_a_slip_is_not_taken_for_ageing(cycles):
    residual = made()
    residual[50:, 2] += cycles * 0.1903
    whole = stretches(residual, SIX)
    assert whole[:, 2].tolist() == [0] * 50 + [1] * 70
    assert not np.delete(whole, 2, axis=1).any()
    change = changes_m(residual, whole, SIX, 10)
    assert np.isnan(change[40:50, 2]).all()
    assert np.nanmax(np.abs(change)) < 1e-9


@pytest.mark.parametrize(("missing_s", "is_broken"), [(1, False), (4, False), (5, True)])
def test_a_short_gap_breaks_nothing_and_a_longer_one_does(missing_s, is_broken):
    residual = made()
    residual[50 : 50 + missing_s] = np.nan
    whole = stretches(residual, SIX)
    assert (whole[-1] == 1).all() if is_broken else not whole.any()


def test_a_slip_behind_a_gap_is_found():
    residual = made()
    residual[50:52] = np.nan
    residual[52:, 4] += 0.1903
    assert stretches(residual, SIX)[-1].tolist() == [0, 0, 0, 0, 1, 0]


def test_three_satellites_of_a_system_are_too_few_and_systems_keep_their_own_mean():
    residual = made()
    letters = ["G", "G", "G", "E", "E", "E"]
    assert np.isnan(changes_m(residual, stretches(residual, letters), letters, 5)).all()
    both = np.hstack((residual, residual + 7.0 * np.arange(120)[:, np.newaxis]))
    letters = ["G"] * 6 + ["E"] * 6
    change = changes_m(both, stretches(both, letters), letters, 5)
    assert np.abs(change).max() < 1e-9


def test_the_ionosphere_goes_from_the_combination():
    delay = np.linspace(0.0, 2.0, 7)[:, np.newaxis]
    ratio = carrier_hz("G", "1C") / carrier_hz("G", "2W")
    clock = np.linspace(0.0, 0.3, 7)[:, np.newaxis]
    combined = ionosphere_free_m(clock - delay, clock - ratio**2 * delay, ratio)
    assert combined == pytest.approx(clock, abs=1e-12)


@pytest.mark.parametrize(
    ("limit_m", "expected"),
    [(HARD_M, 5 + 5 * 1.4 / 7.7), (HELD_M, 15 + 15 * 1.5 / 19.4), (0.003, 1.0), (0.05, None)],
)
def test_the_age_of_a_limit_lies_between_the_measured_ages(limit_m, expected):
    # GPS of the pair
    rms_m = (0.0030, 0.0086, 0.0163, 0.0235, 0.0429)
    told = age_reaching_s((1, 5, 10, 15, 30), rms_m, limit_m)
    assert told == (None if expected is None else pytest.approx(expected))


def test_ages_that_were_not_measured_are_passed_over():
    assert age_reaching_s((1, 5, 10), (None, 0.004, 0.014), HARD_M) == pytest.approx(8.0)
    assert age_reaching_s((1, 5, 10), (None, 0.012, 0.014), HARD_M) == 5.0
    assert age_reaching_s((), (), HARD_M) is None
    assert ageing_rate_m_s((1, 5, 30), (None, 0.004, 0.014)) is None
    assert ageing_rate_m_s((1, 10), (0.002, 0.001)) == 0.0
