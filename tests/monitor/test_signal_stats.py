"""Signals: strengths, half cycles, cells with code and phase, satellites with two bands."""

import numpy as np
import pytest

from rtcmtool.monitor.epochs import typical
from rtcmtool.monitor.signal_stats import CNR_BINS, SignalStats
from rtcmtool.wire.observations import SYSTEM_LETTERS
from rtcmtool.wire.signal_ids import SIGNAL_ID
from tests.streams import Columns, base_stream, observed, state_of


def signals(number: int, epochs: int = 10, **more: object) -> SignalStats:
    """Follow the observations of one number."""
    return state_of(observed(number, epochs, **more)).signals  # type: ignore[arg-type]


def cell(letter: str, signal: str) -> tuple[int, int]:
    """Give where a signal stands in the tables."""
    return SYSTEM_LETTERS.index(letter), SIGNAL_ID[signal]


def strengths(signal: str, *dbhz: float) -> dict[str, object]:
    """Give an edit that makes the strengths of a signal these, over and over."""

    def edit(columns: Columns) -> None:
        rows = columns["signal"] == SIGNAL_ID[signal]
        columns["cnr_dbhz"][rows] = np.resize(dbhz, np.count_nonzero(rows))

    return {"edit": edit}


def test_strengths_are_counted_by_whole_dbhz() -> None:
    found = signals(1077, 10, satellites=2, **strengths("1C", 45.0, 45.9375, 46.0, 30.5))
    histogram = found.cnr[cell("G", "1C")]
    assert {value: int(histogram[value]) for value in np.flatnonzero(histogram)} == {
        30: 5, 45: 10, 46: 5,
    }  # fmt: skip


def test_strengths_that_are_not_told_are_not_counted() -> None:
    assert not signals(1074, 10, **strengths("1C", np.nan)).cnr[cell("G", "1C")].any()
    assert not signals(1003, 10).cnr.any()  # carries none
    assert signals(1074, 10).cnr[cell("G", "1C")].sum() == 90


def test_the_strongest_bin_takes_all_above() -> None:
    found = signals(1077, 1, satellites=1, **strengths("1C", 63.9375))
    assert found.cnr[cell("G", "1C")][CNR_BINS - 1] == 1


def test_half_cycles_are_counted_where_they_are_told() -> None:
    def edit(columns: Columns) -> None:
        columns["half_cycle"][:3] = 1

    found = signals(1074, 10, edit=edit)
    assert (found.half_told, found.half_set) == (180, 3)
    assert signals(1004, 10).half_told == 0  # legacy messages have no such flag


def test_cells_with_a_valid_code_or_phase_are_counted() -> None:
    def edit(columns: Columns) -> None:
        columns["pseudorange_m"][:4] = np.nan
        columns["phase_range_m"][10:13] = np.nan

    found = signals(1074, 10, signals=("1C",), edit=edit)
    place = cell("G", "1C")
    assert (found.cells[place], found.code_cells[place], found.phase_cells[place]) == (90, 86, 87)


@pytest.mark.parametrize("number", [1071, 1072, 1073, 1001, 1003])
def test_messages_without_whole_ranges_give_no_code_and_phase(number: int) -> None:
    found = signals(number)
    assert found.cells.any()
    assert not (found.code_cells.any() and found.phase_cells.any())


@pytest.mark.parametrize("number", [1004, 1012, 1074, 1077, 1087, 1095, 1126, 1116])
def test_satellites_on_two_bands_are_counted(number: int) -> None:
    epochs = state_of(observed(number, 10)).epochs
    assert epochs is not None
    assert typical(epochs.two_bands) == typical(epochs.total)


def test_one_band_twice_is_one_band() -> None:
    epochs = state_of(observed(1074, 10, signals=("1C", "1W"))).epochs
    assert epochs is not None
    assert (typical(epochs.total), typical(epochs.two_bands)) == (9, 0)


def test_a_band_needs_code_and_phase_of_a_satellite() -> None:
    def edit(columns: Columns) -> None:
        second = columns["signal"] == SIGNAL_ID["2W"]
        columns["phase_range_m"][second & (columns["satellite"] <= 3)] = np.nan
        columns["pseudorange_m"][second & (columns["satellite"] == 4)] = np.nan

    epochs = state_of(observed(1074, 10, edit=edit)).epochs
    assert epochs is not None
    assert (typical(epochs.total), typical(epochs.two_bands)) == (9, 5)


def test_the_channels_of_glonass_are_known_where_they_are_told() -> None:
    assert signals(1085).channels == {slot: slot % 13 - 6 for slot in range(1, 7)}
    assert signals(1084).channels == {}


def test_a_stream_without_observations_leaves_all_empty() -> None:
    found = state_of(b"").signals
    assert not found.cells.any()
    assert (found.half_told, found.locks.told) == (0, 0)


def test_all_systems_of_a_base_have_their_place() -> None:
    found = state_of(base_stream(5, numbers=(1074, 1084, 1094, 1104, 1114, 1124, 1134))).signals
    assert (found.cells.sum(axis=1) > 0).all()
