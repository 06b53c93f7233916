"""Bands that vanish for moments while their satellites go on."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.finding import State
from rtcmtool.diagnosis.verdict import RULE_FUNCTIONS
from rtcmtool.monitor.band_absence import REMEMBERED_MS, Absence, BandAbsence
from rtcmtool.monitor.observed_epochs import Rows
from rtcmtool.simulation.faults import Fault, make_fault
from rtcmtool.simulation.run import Port, Simulation
from rtcmtool.wire.signal_ids import SIGNAL_ID
from tests.diagnosis.simulated_faults import heard, playing
from tests.monitor.rinex_rows import rows_of_columns

FIRST, SECOND = 0, 3  # numbers of bands, as the rows below carry them


def rows_with(present: dict[int, int], epochs: int, satellites: int, interval_ms: int) -> Rows:
    """Give satellites on two bands; `present` says how many carry the second at an epoch."""
    columns = [
        (epoch * interval_ms, epoch * 100 + satellite, satellite, SIGNAL_ID[name], 2e7, 2e7, 45.0)
        for epoch in range(epochs)
        for satellite in range(1, satellites + 1)
        for name in ("1C", "2W")
        if name == "1C" or satellite <= present.get(epoch, satellites)
    ]
    rows: Rows = rows_of_columns(*zip(*columns, strict=True))
    return rows


def followed(rows: Rows, cuts: tuple[int, ...] = ()) -> dict[int, Absence]:
    """Follow rows, cut before some epochs."""
    made = BandAbsence(10)
    edges = [0, *(int(np.searchsorted(rows.time_ms, cut)) for cut in cuts), len(rows)]
    for begin, end in pairwise(edges):
        part = rows.take(slice(begin, end))
        made.update(part, np.where(part.signal == SIGNAL_ID["1C"], FIRST, SECOND))
    return made.found


def test_a_band_that_comes_back_was_away_and_the_others_were_not() -> None:
    found = followed(rows_with(dict.fromkeys(range(30, 45), 0), 80, 8, 1000))
    assert set(found) == {SECOND}
    assert (found[SECOND].epochs, found[SECOND].since_ms, found[SECOND].last_ms) == (
        15,
        30_000,
        44_000,
    )


@pytest.mark.parametrize(("length", "epochs"), [(59, 59), (61, 0), (200, 0)])
def test_what_stays_away_for_a_minute_has_left(length: int, epochs: int) -> None:
    away = dict.fromkeys(range(30, 30 + length), 0)
    found = followed(rows_with(away, 300, 8, 1000))
    assert found[SECOND].epochs == epochs


def test_a_band_that_was_switched_off_is_never_counted() -> None:
    # Two of the satellites go on with it: that is no return of the band.
    found = followed(rows_with(dict.fromkeys(range(30, 300), 2), 300, 12, 1000))
    assert found[SECOND].epochs == 0


@pytest.mark.parametrize(("left", "epochs"), [(3, 0), (2, 0), (1, 10)])
def test_a_few_satellites_are_no_band(left: int, epochs: int) -> None:
    found = followed(rows_with(dict.fromkeys(range(30, 40), left), 80, 5, 1000))
    assert (found[SECOND].epochs if found else 0) == epochs


@pytest.mark.parametrize(
    ("interval_ms", "silent", "epochs"), [(1000, 5, 6), (1000, 6, 0), (5000, 3, 6), (5000, 4, 0)]
)
@pytest.mark.parametrize("is_cut", [False, True])
def test_a_receiver_that_starts_again_has_one_band_first(
    interval_ms: int, silent: int, epochs: int, *, is_cut: bool
) -> None:
    """Behind a silence of over 5 s and three intervals; a shorter one is one of the air."""
    back = 30 + silent - 1
    rows = rows_with(dict.fromkeys(range(back, back + 6), 0), 80, 8, interval_ms)
    silence = (rows.time_ms >= 30 * interval_ms) & (rows.time_ms < back * interval_ms)
    found = followed(rows.take(~silence), (back * interval_ms,) if is_cut else ())
    assert (found[SECOND].epochs if found else 0) == epochs


def test_satellites_that_are_lost_as_a_whole_are_no_lost_band() -> None:
    rows = rows_with({}, 80, 8, 1000)
    gone = (rows.time_ms >= 30_000) & (rows.time_ms < 45_000) & (rows.place % 2 == 0)
    assert followed(rows.take(~gone)) == {}


def test_slow_epochs_are_followed_as_far_as_a_minute_reaches() -> None:
    found = followed(rows_with({10: 0}, 30, 8, 30_000))
    assert found[SECOND].epochs == 1
    assert followed(rows_with({10: 0}, 30, 8, REMEMBERED_MS + 1)) == {}


@given(
    st.dictionaries(st.integers(0, 119), st.integers(0, 8)),
    st.lists(st.integers(0, 119_999), max_size=4).map(sorted).map(tuple),
)
def test_the_result_does_not_depend_on_how_the_rows_are_cut(
    present: dict[int, int], cuts: tuple[int, ...]
) -> None:
    rows = rows_with(present, 120, 8, 1000)
    whole, parts = followed(rows), followed(rows, cuts)
    assert {k: v for k, v in whole.items() if v.epochs} == {
        k: v for k, v in parts.items() if v.epochs
    }


def test_a_time_that_is_set_back_begins_anew() -> None:
    made = BandAbsence(10)
    rows = rows_with({}, 40, 8, 1000)
    band = np.where(rows.signal == SIGNAL_ID["1C"], FIRST, SECOND)
    made.update(rows, band)
    made.update(rows, band)
    assert made.found == {}


@pytest.mark.open_data
@pytest.mark.slow
def test_no_band_of_a_real_recording_was_away(static_rows: Rows, pair_rows: Rows) -> None:
    for rows in (static_rows, pair_rows):
        made = BandAbsence(100)
        made.update(rows, rows.signal.astype(np.int64) % 100)
        assert all(absence.epochs < 3 for absence in made.found.values())


@pytest.mark.slow
@pytest.mark.parametrize(
    ("fault", "state", "words"),
    [
        (make_fault("jammed-band", 100.0, 150.0, 40.0), State.BAD, "gone for "),
        (make_fault("one-band", 200.0), State.OK, "deepest "),
        (make_fault("restart", 150.0), State.OK, "deepest "),
    ],
    ids=str,
)
def test_the_rule_tells_a_jammer_from_a_band_that_was_switched_off(
    fault: Fault, state: State, words: str
) -> None:
    pieces = list(Simulation(playing(fault, duration_s=300.0)).pieces())
    state_, _ = heard(pieces, Port.BASE)
    finding = RULE_FUNCTIONS["band_drop"](Context(state_))
    assert finding.state is state
    assert words in finding.text
