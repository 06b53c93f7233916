"""Which signals stop while their satellites go on: real phases, and a simulated base."""

from dataclasses import replace

import numpy as np
import pytest

from rtcmtool.monitor.observed_epochs import SATELLITES, EpochBuffer
from rtcmtool.monitor.signal_set import SignalSet
from rtcmtool.simulation.builtin_scenarios import SCENARIOS
from rtcmtool.simulation.faults import parse_fault
from rtcmtool.simulation.run import simulate
from rtcmtool.wire.observations import SYSTEM_LETTERS
from rtcmtool.wire.signal_ids import SIGNAL_ID
from tests.monitor.rinex_rows import rows_of_columns
from tests.streams import state_of_chunks


def followed(rows):
    """Follow rows in half minutes, as a stream gives them."""
    buffer, signals = EpochBuffer(), SignalSet()
    for _, over in buffer.add_rows(rows):
        signals.update(over)
    last = buffer.finish()
    if last is not None:
        signals.update(last)
    return signals


def made(interval_ms, epochs, second_until, satellites=6):
    """Give rows of GPS satellites that carry 2W before an epoch only."""
    columns = [
        (epoch * interval_ms, epoch * satellites + satellite, satellite, SIGNAL_ID[name], 2e7, 2e7,
         45.0)
        for epoch in range(epochs)
        for satellite in range(1, satellites + 1)
        for name in (("1C", "2W") if epoch < second_until else ("1C",))
    ]  # fmt: skip
    return rows_of_columns(*zip(*columns, strict=True))


@pytest.mark.open_data
@pytest.mark.slow
def test_no_signal_of_a_real_recording_is_missed(static_rows, pair_rows):
    for rows in (static_rows, pair_rows):
        assert followed(rows).changes == []


@pytest.mark.open_data
@pytest.mark.slow
def test_a_signal_taken_out_of_a_real_recording_is_missed_and_no_other(static_rows):
    first_ms = int(static_rows.time_ms[0]) + 400_000
    is_second = static_rows.signal == SIGNAL_ID["2W"]
    is_second &= static_rows.place // SATELLITES == SYSTEM_LETTERS.index("G")
    rows = static_rows.take(~(is_second & (static_rows.time_ms >= first_ms)))
    (change,) = followed(rows).changes
    assert (change.system, change.signal, change.left) == ("G", "2W", True)
    assert change.time_ms == first_ms
    at_end = is_second & (static_rows.time_ms == first_ms - 1000)
    assert change.satellites == np.count_nonzero(at_end)


@pytest.mark.parametrize("interval_ms", [200, 1000, 5000, 30_000])
def test_a_signal_is_missed_at_any_interval(interval_ms):
    there = max(30, 45_000 // interval_ms)
    signals = followed(made(interval_ms, there + 75_000 // interval_ms + 3, there))
    assert [(c.signal, c.time_ms, c.left) for c in signals.changes] == [
        ("2W", there * interval_ms, True)
    ]
    assert signals.gone == signals.changes


def test_too_few_epochs_make_no_set():
    assert followed(made(1000, 200, 10)).changes == []


@pytest.mark.parametrize(("satellites", "changes"), [(1, 0), (2, 1)])
def test_a_single_satellite_may_lose_its_second_band(satellites, changes):
    assert len(followed(made(1000, 200, 60, satellites)).changes) == changes


def test_a_base_whose_time_is_set_back_is_followed_anew():
    rows = made(1000, 100, 100)
    buffer, signals = EpochBuffer(), SignalSet()
    late = rows_of_columns(*zip(*[(9_000_000, 0, 1, SIGNAL_ID["1C"], 2e7, 2e7, 45.0)], strict=True))
    for part in (rows, late, rows):
        for _, over in buffer.add_rows(part):
            signals.update(over)
    assert signals.changes == []


@pytest.mark.slow
@pytest.mark.parametrize(
    ("fault", "left"),
    [("one-band@60s", {"G 2W", "R 2C", "E 7Q", "C 6I"}), ("blocked-sky@60s", set()),
     ("bad-cable@60s", set()), ("restart@60s", set()), ("system-lost@60s:R", set())],
)  # fmt: skip
def test_a_simulated_base_loses_its_second_band_and_nothing_else_looks_like_it(fault, left):
    scenario = replace(SCENARIOS["healthy"], duration_s=190.0, faults=(parse_fault(fault),))
    changes = state_of_chunks(simulate(scenario)).quality.signals.changes
    assert {f"{change.system} {change.signal}" for change in changes if change.left} == left
