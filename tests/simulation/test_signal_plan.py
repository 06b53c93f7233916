"""Which signals there are, and how strong."""

from collections import Counter

import numpy as np
import pytest

from rtcmtool.gnss.signals import carrier_hz
from rtcmtool.simulation.signal_plan import (
    DEFAULT_SIGNALS,
    is_sent,
    signal_rows,
    strength_dbhz,
)

SATELLITES = ("C23", "E05", "G02", "G31", "R07", "J02")


@pytest.fixture(scope="module")
def rows():
    return signal_rows(SATELLITES, {"R07": -4}, DEFAULT_SIGNALS, 1)


def test_rows_stand_by_system_satellite_and_signal(rows):
    """The order of SYSTEM_LETTERS: G R E S J C I."""
    keys = list(zip(rows.system, rows.number, rows.signal, strict=True))
    assert keys == sorted(keys)
    assert [rows.satellites[place][0] for place in np.unique(rows.satellite)] == list("GGREJC")


def test_carriers_of_glonass_follow_their_channel(rows):
    glonass = rows.letters == "R"
    assert rows.carrier_hz[glonass].tolist() == [
        carrier_hz("R", "1C", -4),
        carrier_hz("R", "2C", -4),
    ]
    assert set(rows.channel[~glonass]) == {0}


def test_not_all_gps_satellites_send_the_newer_signals():
    """As in the 2020s: four in five have L2C, three in five L5, and who has L5 has L2C."""
    names = [f"G{number:02d}" for number in range(1, 33)]
    for seed in range(1, 6):
        with_l2c = {name for name in names if is_sent(name, "2L", seed)}
        with_l5 = {name for name in names if is_sent(name, "5Q", seed)}
        assert with_l5 <= with_l2c
        assert 18 <= len(with_l2c) <= 32
        assert 11 <= len(with_l5) <= 26
    assert all(is_sent(name, "1C", 1) and is_sent(name, "2W", 1) for name in names)


def test_strength_by_elevation_is_that_of_a_good_site():
    """Over 35 dB-Hz at 10-20 deg, over 40 at 30-40, over 45 at 45-60: figures of a survey
    receiver's manual (1-3 dB less is usual), and a recorded receiver's 36 to 48."""
    rows = signal_rows(("G02",), {}, {"G": ("1C", "2W")}, 1)
    elevation = np.array([[15.0], [35.0], [52.0], [80.0]])
    strength = strength_dbhz(rows, elevation)
    assert strength.shape == (4, 2)
    civil = strength[:, rows.names.index("1C")]
    assert np.all(civil >= [36.0, 42.0, 45.0, 48.0])
    assert np.all(civil <= [40.0, 46.0, 49.0, 51.0])
    semi_codeless = strength[:, rows.names.index("2W")]
    drop = (semi_codeless[3] - semi_codeless[0]) / (civil[3] - civil[0])
    assert drop == pytest.approx(2.3, abs=0.5)  # recorded: about twice


def test_rows_can_be_taken_with_their_satellites(rows):
    kept = np.flatnonzero(np.isin(rows.letters, ["R", "C"]))
    taken = rows.take(kept)
    assert taken.satellites == ("R07", "C23")
    assert Counter(taken.satellite.tolist()) == {0: 2, 1: 3}
    assert taken.names == tuple(rows.names[place] for place in kept)
