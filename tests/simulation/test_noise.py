"""The noise has the moments it should have and does not depend on how it is asked for."""

import numpy as np
import pytest

from rtcmtool.simulation import noise

TIMES = 1_456_000_000_000 + 1000 * np.arange(20_000)


def test_normal_numbers_have_mean_zero_variance_one_and_normal_tails():
    """Normal law: 4.55 % beyond two standard deviations, 0.27 % beyond three."""
    drawn = noise.normals(noise.keys(1, "a", np.arange(5)), TIMES)
    assert drawn.shape == (20_000, 5)
    assert drawn.mean() == pytest.approx(0.0, abs=0.01)
    assert drawn.var() == pytest.approx(1.0, abs=0.02)
    assert np.mean(np.abs(drawn) > 2.0) == pytest.approx(0.0455, abs=0.003)
    assert np.mean(np.abs(drawn) > 3.0) == pytest.approx(0.0027, abs=0.0008)


def test_uniform_numbers_fill_the_unit_interval_evenly():
    counts, _ = np.histogram(noise.uniforms(noise.keys(3), TIMES), bins=20, range=(0.0, 1.0))
    assert counts.sum() == 20_000
    assert np.abs(counts - 1000).max() < 150  # five standard deviations


@pytest.mark.parametrize("other", [noise.keys(1, "b"), noise.keys(2, "a"), noise.keys(1, "a", 0)])
def test_streams_with_other_keys_and_neighbouring_numbers_are_independent(other):
    first = noise.normals(noise.keys(1, "a"), TIMES)[:, 0]
    second = noise.normals(other, TIMES)[:, 0]
    for lag in (0, 1):
        assert abs(np.corrcoef(first[lag:], second[: len(second) - lag])[0, 1]) < 0.03
    assert abs(np.corrcoef(first[1:], first[:-1])[0, 1]) < 0.03


def test_names_longer_than_eight_letters_are_told_apart_by_their_ends():
    assert noise.keys(1, "multipath-a") != noise.keys(1, "multipath-b")


def test_both_numbers_of_a_pair_are_normal_and_independent():
    first, second = noise.normal_pairs(noise.keys(5), TIMES)
    assert second.var() == pytest.approx(1.0, abs=0.04)
    assert abs(np.corrcoef(first[:, 0], second[:, 0])[0, 1]) < 0.03


def test_a_piece_of_a_series_is_that_piece_of_the_whole():
    keys = noise.keys(1, "x", np.arange(7))
    for draw in (noise.normals, noise.uniforms, lambda k, t: noise.smooth(k, t, 60.0)[0]):
        whole = draw(keys, TIMES[:200])
        np.testing.assert_array_equal(draw(keys, TIMES[50:53]), whole[50:53])
        np.testing.assert_array_equal(draw(keys[3:4], TIMES[50:51]), whole[50:51, 3:4])


def test_smooth_noise_has_unit_variance_and_forgets_after_four_spacings():
    """Theory of the cubic B-spline: 0.49 alike after one spacing, 0.05 after two, 0 after four."""
    value, _ = noise.smooth(noise.keys(1, "s", np.arange(40)), TIMES[:10_000:5], 60.0)
    assert value.var() == pytest.approx(1.0, abs=0.06)
    step = 60 // 5
    for spacings, alike in ((1, 0.49), (2, 0.05), (4, 0.0)):
        lag = spacings * step
        product = np.mean(value[lag:] * value[:-lag]) / value.var()
        assert product == pytest.approx(alike, abs=0.05)


def test_the_rate_of_smooth_noise_is_its_derivative():
    times = TIMES[0] + np.arange(0, 200_000, 10)
    value, rate = noise.smooth(noise.keys(1, "s"), times, 30.0)
    np.testing.assert_allclose(np.gradient(value[:, 0], 0.01)[1:-1], rate[1:-1, 0], atol=1e-4)
