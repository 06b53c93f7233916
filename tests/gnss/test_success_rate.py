"""Decorrelation, bootstrapping and prediction against a published example and a real pair."""

import itertools

import numpy as np
import pytest

from rtcmtool.gnss.signals import carrier_hz
from rtcmtool.gnss.success_rate import (
    CommonSignals,
    Noise,
    adop_cycles,
    bootstrapped_success,
    chance_words,
    decorrelate,
    epochs_to_fix,
    factorise,
    fix_chance,
    success_by_adop,
)
from rtcmtool.gnss.visibility import visible_satellites
from tests.gnss.rinex_observations import read_observations

# de Jonge and Tiberius 1996, the three-dimensional example; values computed apart from this code
EXAMPLE = [[6.290, 5.978, 0.544], [5.978, 6.292, 2.340], [0.544, 2.340, 6.288]]


def test_the_published_example_is_factorised():
    lower, diagonal = factorise(EXAMPLE)
    assert diagonal == pytest.approx([0.089858, 5.421198, 6.288000], abs=1e-6)
    assert diagonal.prod() == pytest.approx(3.063109, abs=1e-6)
    assert lower.T @ np.diag(diagonal) @ lower == pytest.approx(np.array(EXAMPLE))
    assert bootstrapped_success(diagonal) == pytest.approx(0.0243, abs=5e-5)


def test_the_published_example_is_decorrelated():
    transformation, lower, diagonal = decorrelate(EXAMPLE)
    assert diagonal == pytest.approx([4.310158, 1.135259, 0.626000], abs=1e-6)
    expected = [[4.476, 0.334, 0.230], [0.334, 1.146, 0.082], [0.230, 0.082, 0.626]]
    turned = transformation.T @ np.array(EXAMPLE) @ transformation
    assert np.abs(turned) == pytest.approx(np.array(expected), abs=5e-4)
    assert lower.T @ np.diag(diagonal) @ lower == pytest.approx(turned)
    assert bootstrapped_success(diagonal) == pytest.approx(0.0325, abs=5e-5)
    assert adop_cycles(diagonal) == pytest.approx(1.205111, abs=1e-6)


@pytest.mark.parametrize("seed", range(40))
def test_decorrelation_is_unimodular_and_never_lowers_the_success_rate(seed):
    rng = np.random.default_rng(seed)
    size = int(rng.integers(2, 9))
    root = rng.normal(size=(size, size)) * 10 ** rng.uniform(-1, 0.5, size)
    covariance = root @ root.T + 1e-4 * np.eye(size)
    transformation, lower, diagonal = decorrelate(covariance)
    assert abs(round(float(np.linalg.det(transformation)))) == 1
    turned = transformation.T @ covariance @ transformation
    assert lower.T @ np.diag(diagonal) @ lower == pytest.approx(turned, rel=1e-6, abs=1e-8)
    assert np.abs(np.tril(lower, -1)).max() <= 0.5 + 1e-9
    _, before = factorise(covariance)
    assert bootstrapped_success(diagonal) >= bootstrapped_success(before) - 1e-12
    assert adop_cycles(diagonal) == pytest.approx(adop_cycles(before), rel=1e-6)


def test_what_is_no_covariance_is_refused():
    with pytest.raises(ValueError, match="positive definite"):
        factorise([[1.0, 2.0], [2.0, 1.0]])


# Values of the normal distribution, computed apart from this code.
@pytest.mark.parametrize(
    ("sigma", "rate"),
    [(0.10, 0.999999), (0.15, 0.999142), (0.20, 0.987581), (0.25, 0.954500), (0.30, 0.904419)],
)
def test_one_ambiguity_is_fixed_as_often_as_the_normal_distribution_says(sigma, rate):
    assert bootstrapped_success([sigma**2]) == pytest.approx(rate, abs=1e-6)


@pytest.mark.parametrize(
    ("adop", "rates"),
    [
        (0.10, (1.0, 1.0, 1.0, 1.0)),
        (0.12, (0.9998, 0.9997, 0.9994, 0.9991)),
        (0.14, (0.9982, 0.9965, 0.9929, 0.9894)),
        (0.16, (0.9911, 0.9824, 0.9650, 0.9480)),
        (0.20, (0.9394, 0.8825, 0.7788, 0.6873)),
        (0.30, (0.6051, 0.3662, 0.1341, 0.0491)),
    ],
)
def test_the_table_of_adop_comes_out(adop, rates):
    told = [success_by_adop(adop, count) for count in (5, 10, 20, 30)]
    assert told == pytest.approx(rates, abs=6e-5)


def test_a_chance_is_told_in_three_words():
    told = [chance_words(rate) for rate in (1.0, 0.99, 0.98, 0.5, 0.49, 0.0)]
    assert [len(list(group)) for _, group in itertools.groupby(told)] == [2, 2, 2]
    assert told[-1] == "float likely"


def sky(count, *, system="G", carrier=None, turn=0.0):
    """Give a signal on satellites spread over the sky."""
    place = np.arange(count)
    return CommonSignals(
        carrier or carrier_hz(system, "1"),
        tuple(f"{system}{number + 1:02d}" for number in place),
        2.4 * place + turn,
        np.radians(20.0 + 60.0 * ((0.618 * place) % 1.0)),
    )


def test_distance_and_age_lower_the_chance_and_bands_and_time_raise_it():
    one, two = [sky(8)], [sky(8), sky(8, carrier=carrier_hz("G", "2"))]

    def rate(groups, **told):
        chance = fix_chance(groups, **told)
        assert chance is not None
        return chance.success_rate

    assert rate(one, distance_m=10_000) < rate(one) < rate(two)
    assert rate(two, distance_m=5_000, age_s=20) < rate(two, distance_m=5_000)
    assert rate(one, epochs=1) < rate(one, epochs=30)
    disturbed = Noise(ionosphere_m_per_m=4e-6)
    assert rate(two, distance_m=10_000, noise=disturbed) < rate(two, distance_m=10_000)


def test_the_epochs_until_a_fix_are_the_first_that_are_enough():
    groups = [sky(7)]
    epochs = epochs_to_fix(groups, distance_m=1_000)
    assert epochs is not None
    assert epochs > 1
    for count, good in ((epochs, True), (epochs - 1, False)):
        chance = fix_chance(groups, distance_m=1_000, epochs=count)
        assert chance is not None
        assert (chance.success_rate >= 0.99) is good
    assert epochs_to_fix([sky(9), sky(9, carrier=carrier_hz("G", "2"))]) == 1
    assert epochs_to_fix(groups, distance_m=200_000) is None
    assert epochs_to_fix([sky(3)]) is None


def test_too_few_satellites_give_no_chance_at_all():
    assert fix_chance([]) is None
    assert fix_chance([sky(3)]) is None
    assert fix_chance([sky(1), sky(1, system="E")]) is None
    assert fix_chance([sky(2), sky(2, system="E")]) is None


def test_four_satellites_of_one_system_are_enough_to_compute_with():
    chance = fix_chance([sky(4)])
    assert chance is not None
    assert chance.ambiguities == 3
    assert chance.words == "float likely"


# Share of single epochs of a real base and rover 5.3 km apart whose integers are right, and what a
# model with 3 mm and 0.3 m predicts from the geometry of the first epoch; computed apart from this
# code. Columns: ambiguities, P and ADOP at no distance, P and ADOP at 5.3 km.
PAIR = {
    "G L1": (7, 0.216, 0.386, 0.090, 0.473),
    "E E1": (4, 0.003, 1.72, 0.002, 1.90),
    "E E1+E5a": (8, 0.553, 0.265, 0.348, 0.314),
    "E E1+E5a+E5b": (12, 0.902, 0.143, 0.730, 0.164),
    "G+E L1/E1": (11, 0.907, 0.189, 0.604, 0.247),
    "G L1+L2C": (12, 0.986, 0.152, 0.892, 0.192),
    "G L1+L2W": (14, 0.998, 0.127, 0.964, 0.162),
    "G+E dual": (22, 1.000, 0.088, 0.998, 0.121),
    "G+E all": (34, 1.000, 0.068, 1.000, 0.089),
}
# P at 5.3 km with a code of 0.15 m, in the same order.
BETTER_CODE = (0.297, 0.014, 0.726, 0.891, 0.833, 0.972, 0.989, 1.000, 1.000)
_PARTS = {
    "G L1": "G1C", "E E1": "E1X", "E E1+E5a": "E1X E5X", "E E1+E5a+E5b": "E1X E5X E7X",
    "G+E L1/E1": "G1C E1X", "G L1+L2C": "G1C G2X", "G L1+L2W": "G1C G2W",
    "G+E dual": "G1C G2W E1X E5X",
    "G+E all": "G1C G2W G2X G5X E1X E5X E7X",
}  # fmt: skip


@pytest.fixture(scope="module")
def first_pair_epoch(open_data):
    return read_observations(open_data / "pair-base.rnx", limit=1)


@pytest.mark.open_data
@pytest.mark.parametrize("case", PAIR)
def test_the_prediction_for_a_real_pair_is_that_of_the_reference(
    case, first_pair_epoch, pair_navigation
):
    gps_ms, observed = first_pair_epoch.epochs[0]
    visible = visible_satellites(
        pair_navigation.ephemerides, gps_ms, first_pair_epoch.position_m, above_deg=15.0
    )
    groups = []
    for part in _PARTS[case].split():
        rows = [
            row
            for row, name in enumerate(visible.satellites)
            if name[0] == part[0] and f"L{part[1:]}" in observed.get(name, {})
        ]
        groups.append(
            CommonSignals(
                carrier_hz(part[0], part[1:]),
                tuple(visible.satellites[row] for row in rows),
                np.radians(visible.azimuth_deg[rows]),
                np.radians(visible.elevation_deg[rows]),
            )
        )
    count, rate, adop, far_rate, far_adop = PAIR[case]
    near, far = fix_chance(groups), fix_chance(groups, distance_m=5_300.0)
    assert near is not None
    assert far is not None
    assert near.ambiguities == count
    assert near.success_rate == pytest.approx(rate, abs=0.02)
    assert near.adop_cycles == pytest.approx(adop, rel=0.02)
    assert near.success_rate <= near.success_at_most == success_by_adop(near.adop_cycles, count)
    assert far.success_rate == pytest.approx(far_rate, abs=0.02)
    assert far.adop_cycles == pytest.approx(far_adop, rel=0.02)
    better = fix_chance(groups, distance_m=5_300.0, noise=Noise(code_m=0.15))
    assert better is not None
    assert better.success_rate == pytest.approx(BETTER_CODE[list(PAIR).index(case)], abs=0.02)
