"""How fast corrections go stale: two recordings, made skies, any cut, and bounds."""

import numpy as np
import pytest

from rtcmtool.gnss.signals import C_M_S
from rtcmtool.monitor.base_fix import BaseFix
from rtcmtool.monitor.observed_epochs import SLOT_MS
from rtcmtool.monitor.staleness import (
    BLOCK_MS,
    MOST_BLOCKS,
    Ageing,
    Staleness,
    first_and_second,
)
from rtcmtool.wire.signal_ids import SIGNALS
from tests.made_skies import above, base_under_sky, constellation, state_under_sky
from tests.monitor.made_rows import made
from tests.monitor.rinex_rows import pieces
from tests.monitor.test_base_fix import solved
from tests.streams import ARP_M


def measured(rows, fix, sent_m=None):
    staleness = Staleness()
    staleness.sent_m = sent_m
    cuts = np.unique(rows.time_ms // SLOT_MS) * SLOT_MS
    for piece in pieces(rows, *cuts.tolist()):
        staleness.update(piece, fix)
    staleness.finish(fix)
    ageing = staleness.ageing
    assert ageing is not None
    return ageing


# RMS over the satellites above 15 degrees, mm, at 1, 5, 10, 15 and 30 s; computed apart from this
# code, with the known position and over the whole file.
@pytest.mark.open_data
@pytest.mark.slow
@pytest.mark.parametrize("is_sent", [True, False])
def test_corrections_of_a_base_age_as_computed(
    pair_rows, pair_observations, pair_navigation, is_sent
):
    sent_m = tuple(pair_observations.position_m.tolist()) if is_sent else None
    ageing = measured(pair_rows, solved(pair_observations, pair_navigation), sent_m)
    told = {letter: np.array(rms) * 1000 for letter, rms in ageing.by_system_m.items()}
    assert told["G"] == pytest.approx([3.0, 8.6, 16.3, 23.5, 42.9], rel=0.15)
    assert told["E"] == pytest.approx([2.1, 4.8, 8.9, 13.1, 26.1], rel=0.15)
    # between the systems: 10 mm at 5.9 s of GPS and 11.3 s of Galileo
    assert ageing.hard_s is not None
    assert 5.5 < ageing.hard_s < 11.5
    assert ageing.held_s is not None
    assert 15.0 < ageing.held_s < 30.0
    assert ageing.worst[0] in {"G05", "G20"}


@pytest.mark.open_data
@pytest.mark.slow
def test_corrections_of_a_static_antenna_age_as_computed(
    static_rows, static_observations, static_navigation
):
    sent_m = tuple(static_observations.position_m.tolist())
    ageing = measured(static_rows, solved(static_observations, static_navigation), sent_m)
    told = {letter: np.array(rms) * 1000 for letter, rms in ageing.by_system_m.items()}
    assert told["G"] == pytest.approx([1.4, 3.5, 6.0, 8.3, 13.9], rel=0.15)
    assert told["E"] == pytest.approx([1.4, 1.6, 2.0, 2.5, 3.8], rel=0.15)
    assert ageing.seconds == pytest.approx(897)
    assert ageing.held_s is None
    assert set(ageing.worst) <= {"G17", "G19", "G22", "G28"}


def drifting(name, rate_m_s):
    """Let the phase of a satellite run away, as a poor satellite clock does."""

    def edit(columns):
        own = columns["name"] == name
        columns["phase_m"][own] += rate_m_s * columns["epoch"][own]
        columns["code_m"][own] += rate_m_s * columns["epoch"][own]

    return edit


def ageing_under_sky(epochs=150, **told) -> Ageing | None:
    return state_under_sky(base_under_sky(epochs, **told)).quality.staleness.ageing


def test_a_sky_that_follows_its_orbits_does_not_age():
    ageing = ageing_under_sky()
    assert ageing is not None
    assert max(rms for rms in ageing.rms_m if rms is not None) < 1e-3
    assert ageing.hard_s is None
    assert ageing.held_s is None
    assert ageing.satellites == len(above(15.0))


def test_a_satellite_that_runs_away_is_named_and_ages_the_others_little():
    name = above()[0]
    ageing = ageing_under_sky(edit=drifting(name, 4e-3))
    assert ageing is not None
    assert ageing.worst == [name]
    own = len([one for one in above(15.0) if one[0] == name[0]])
    assert ageing.by_satellite_m[name] == pytest.approx(0.12 * (own - 1) / own, rel=0.02)
    assert ageing.rate_m_s == pytest.approx(
        4e-3 * np.sqrt((own - 1) / own / ageing.satellites), rel=0.05
    )


@pytest.mark.slow
def test_a_position_that_is_a_little_wrong_ages_as_at_the_rover_and_a_wild_one_is_not_used():
    right = ageing_under_sky()
    beside, away = (np.array(ARP_M) + np.array([off, 0.0, 0.0]) for off in (100.0, 50_000.0))
    wrong = ageing_under_sky(sent_m=beside.tolist())
    wild = ageing_under_sky(sent_m=away.tolist())
    assert right is not None
    assert wrong is not None
    assert wild is not None
    # 100 m times the turn of the line of sight, up to 0.15 mrad/s
    assert 1e-3 < (wrong.rate_m_s or 0.0) < 15e-3
    # without a position the own code solution stands in: off by decimetres
    assert (wild.rate_m_s or 0.0) < 1e-4


@pytest.mark.slow
@pytest.mark.parametrize("piece_bytes", [900, 7000])
def test_any_cut_gives_the_same(piece_bytes):
    stream = base_under_sky(100)
    whole, cut = (
        state_under_sky(stream, piece_bytes=size).quality.staleness.ageing
        for size in (1 << 20, piece_bytes)
    )
    assert whole is not None
    assert cut is not None
    assert whole.rms_m == cut.rms_m
    assert whole.by_satellite_m == cut.by_satellite_m


@pytest.mark.slow
def test_intervals_of_five_seconds_leave_out_what_they_cannot_show():
    ageing = ageing_under_sky(80, interval_ms=5000, edit=drifting(above()[0], 4e-3))
    assert ageing is not None
    assert [age for age, rms in zip(ageing.ages_s, ageing.rms_m, strict=True) if rms is None] == [1]


def test_fast_streams_are_thinned_to_a_second():
    ageing = ageing_under_sky(400, interval_ms=200, edit=drifting(above()[0], 4e-3))
    assert ageing is not None
    first_m, after_ten_m = ageing.rms_m[0], ageing.rms_m[2]
    assert first_m is not None
    assert after_ten_m is not None
    assert ageing.rate_m_s == pytest.approx(after_ten_m / 10, rel=0.1)


def test_what_is_too_short_or_without_records_is_not_measured():
    assert ageing_under_sky(60) is None
    state = state_under_sky(base_under_sky(100), ())
    assert state.quality.staleness.ageing is None
    fix = state.quality.fix
    fix.solve_waiting(constellation())
    state.quality.staleness.solve_waiting(fix)
    assert state.quality.staleness.ageing is not None


def test_one_satellite_or_one_band_are_no_trouble():
    assert ageing_under_sky(100, satellites=above()[:1]) is None
    alone = ageing_under_sky(100, edit=lambda columns: columns["keep"].__iand__(
        np.char.startswith(columns["signal"], "1")))  # fmt: skip
    assert alone is not None
    assert set(alone.ionosphere_free_m) == {None}


def test_a_clock_that_jumps_ages_nothing():
    def edit(columns):
        later = columns["epoch"] >= 40
        columns["code_m"][later] += 1e-3 * C_M_S / 1000
        columns["phase_m"][later] += 1e-3 * C_M_S / 1000

    ageing = ageing_under_sky(edit=edit)
    assert ageing is not None
    assert max(rms for rms in ageing.rms_m if rms is not None) < 1e-3


def test_it_does_not_grow_with_the_stream():
    staleness, fix = Staleness(), BaseFix()
    rows = made(epochs=20)
    for _ in range(50):  # the same seconds again and again
        staleness.update(rows, fix)
    assert len(staleness._open) == 1
    assert len(staleness._waiting) == 1
    assert staleness._done.maxlen == MOST_BLOCKS
    assert BLOCK_MS % SLOT_MS == 0


@pytest.mark.parametrize(
    ("letter", "counts", "expected"),
    [
        ("G", {"1C": 9, "1W": 9, "2W": 9, "5Q": 4}, ["1C", "2W"]),
        ("G", {"1C": 9, "2L": 4}, ["1C"]),
        ("C", {"2I": 9, "6I": 8, "7I": 9}, ["2I", "7I"]),
        ("C", {"1P": 8, "2I": 9, "6I": 9}, ["1P", "6I"]),
        ("E", {"5Q": 5}, ["5Q"]),
        ("E", {}, []),
    ],
)
def test_the_first_band_is_the_highest_and_the_second_clearly_below(letter, counts, expected):
    columns = np.zeros(len(SIGNALS), np.int64)
    for signal, count in counts.items():
        columns[SIGNALS.index(signal)] = count
    assert first_and_second(letter, columns) == expected
