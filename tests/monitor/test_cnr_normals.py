"""Strength by elevation, and drops of a band against its own normal."""

import numpy as np
import pytest

from rtcmtool.monitor.cnr_normals import CnrNormals
from rtcmtool.monitor.observed_epochs import place_of
from rtcmtool.wire.signal_ids import SIGNAL_ID
from tests.monitor.made_rows import START_MS, made
from tests.monitor.rinex_rows import pieces


def followed(rows, *cuts):
    strengths = CnrNormals()
    for piece in pieces(rows, *cuts):
        strengths.update(piece)
    strengths.finish()
    return strengths


def dropping(depth_db, when, *, signal=None, satellite=None, epochs=240):
    """Make rows in which strength falls at the epochs for which `when` is true."""

    def edit(columns):
        here = np.array([bool(when(epoch)) for epoch in columns["epoch"].tolist()])
        if signal is not None:
            here &= columns["signal"] == signal
        if satellite is not None:
            here &= columns["satellite"] == satellite
        columns["cnr"][here] -= depth_db

    return made(signals=("1C", "2L"), epochs=epochs, edit=edit)


def test_a_steady_band_has_no_drop():
    bands = followed(made(epochs=240)).bands
    assert set(bands) == {"L1/E1/B1C", "L2"}
    for level in bands.values():
        assert level.depth_db < 0.5
        assert level.since_ms is None


@pytest.mark.parametrize("depth_db", [3.0, 8.0])
def test_a_jammed_band_shows_depth_and_begin(depth_db):
    strengths = followed(dropping(depth_db, lambda epoch: 150 <= epoch < 170, signal="1C"))
    level = strengths.bands["L1/E1/B1C"]
    assert level.depth_db == pytest.approx(depth_db, abs=0.4)
    assert level.since_ms == START_MS + 150_000
    assert level.last_ms == START_MS + 169_000
    assert level.dropped_epochs == 20
    assert strengths.bands["L2"].depth_db < 0.5
    assert {drop.band for drop in strengths.drops} == {"L1/E1/B1C"}


def test_a_transmitter_keyed_every_other_second_shows_its_full_depth():
    strengths = followed(dropping(4.0, lambda epoch: epoch % 2, signal="1C", epochs=300))
    assert strengths.bands["L1/E1/B1C"].depth_db == pytest.approx(4.0, abs=0.5)


def test_one_satellite_behind_a_tree_is_no_drop_of_the_band():
    strengths = followed(dropping(15.0, lambda epoch: epoch > 150, satellite="G03"))
    assert strengths.bands["L1/E1/B1C"].depth_db < 0.5


def test_a_single_second_is_no_drop():
    strengths = followed(dropping(9.0, lambda epoch: epoch == 150))
    assert strengths.bands["L1/E1/B1C"].depth_db < 0.5


def test_semi_codeless_signals_count_half():
    def edit(columns):
        here = (columns["epoch"] >= 150) & (columns["signal"] == "2W")
        columns["cnr"][here] -= 8.0

    level = followed(made(epochs=240, edit=edit)).bands["L2"]
    assert level.depth_db == pytest.approx(4.0, abs=0.4)


def test_without_a_minute_or_with_three_satellites_there_is_no_normal():
    assert not followed(made(epochs=59)).bands
    assert not followed(made(("G01", "G02", "G03"), epochs=240)).bands


def test_medians_are_kept_by_elevation():
    def edit(columns):
        high = columns["satellite"] < "G04"
        columns["elevation_deg"][:] = np.where(high, 65.0, 15.0)
        columns["cnr"][:] = np.where(high, 49.0, 37.0)

    strengths = followed(made(edit=edit))
    assert strengths.quantile("G", "1C", 0.5, 6) == 49.0
    assert strengths.quantile("G", "1C", 0.5, 1) == 37.0
    assert strengths.quantile("G", "1C", 0.5, 3) is None
    assert strengths.count("G", "1C", slice(4, 9)) == 3 * 120


@pytest.mark.parametrize("step", [1, 45])
def test_it_does_not_matter_how_the_epochs_arrive(step):
    rows = dropping(5.0, lambda epoch: 100 <= epoch < 130)
    whole = followed(rows)
    cut = followed(rows, *(START_MS + 1000 * k for k in range(1, 240, step)))
    rounded = [
        [(drop.time_ms, drop.band, round(drop.depth_db, 6)) for drop in one.drops]
        for one in (cut, whole)
    ]
    assert rounded[0] == rounded[1]
    assert cut.counts.keys() == whole.counts.keys()
    for signal, counts in whole.counts.items():
        assert np.array_equal(cut.counts[signal], counts)


# Medians of the static antenna at 10-20, 20-30, 30-40, 40-60 and 60-90 degrees, dB-Hz; computed
# from the recording apart from this code.
STATIC = {
    "G1C": (36.1, 39.5, 42.8, 45.2, 48.4),
    "E1C": (35.6, 39.0, 42.2, 45.9, 47.9),
    "G2L": (30.7, 34.2, 37.3, 38.8, 43.2),
    "E5Q": (37.6, 39.1, 41.7, 45.6, 47.6),
    "G2W": (13.0, 19.0, 26.3, 42.4, 44.5),
}
BINS = (1, 2, 3, slice(4, 6), slice(6, 9))


@pytest.mark.open_data
@pytest.mark.slow
def test_medians_by_elevation_are_those_of_the_reference(static_rows):
    strengths = followed(static_rows)
    for name, expected in STATIC.items():
        told = [strengths.quantile(name[0], name[1:], 0.5, bins) for bins in BINS]
        assert told == pytest.approx(expected, abs=0.35)
    assert max(level.depth_db for level in strengths.bands.values()) < 2.0


@pytest.mark.open_data
@pytest.mark.slow
def test_a_third_band_and_a_geostationary_satellite_have_their_own_normal(static_rows):
    strengths = followed(static_rows)
    told = [strengths.quantile("G", "5Q", 0.5, bins) for bins in BINS]
    assert told[:4] == pytest.approx((39.2, 41.4, 44.8, 46.2), abs=0.35)
    assert told[4] is None or np.isnan(told[4])  # no satellite with L5 stood above 60 degrees
    # J07, 1C: 38.8, about 6 dB below others of its elevation
    own = (static_rows.place == place_of("J07")) & (static_rows.signal == SIGNAL_ID["1C"])
    assert np.nanmedian(static_rows.cnr_dbhz[own]) == pytest.approx(38.8, abs=0.3)
