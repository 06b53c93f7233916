"""Arrival times on one clock, though the computer's clock was set meanwhile."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rtcmtool.captures import Event
from rtcmtool.captures.arrivals import Arrivals
from rtcmtool.captures.clock_steps import without_steps

NS = 1_000_000_000
T0_NS = 1_772_607_600 * NS


def stamped(true_s: list[float], steps: list[tuple[float, float]]) -> tuple[Arrivals, list[Event]]:
    """Give arrivals as a clock stamps them that is set at some true times, and what is told."""
    times_ns, told = [], []
    for at_s in true_s:
        error_s = sum(step_s for when_s, step_s in steps if when_s <= at_s)
        times_ns.append(T0_NS + round((at_s + error_s) * 1e9))
    error_s = 0.0
    for when_s, step_s in steps:
        error_s += step_s
        at_ns = T0_NS + round((when_s + 0.4 + error_s) * 1e9)  # found at the next tick
        told.append(Event(at_ns, "clock-step", "set", {"step_s": step_s}))
    offsets = np.arange(len(true_s), dtype=np.int64) * 100
    return Arrivals(np.array(times_ns, np.int64), offsets), told


def seconds(arrivals: Arrivals) -> list[float]:
    return [(each - T0_NS) / 1e9 for each in arrivals.utc_ns.tolist()]


TRUE_S = [round(0.7 + each, 3) for each in range(120)]


@pytest.mark.parametrize(
    "steps",
    [
        [(60.0, 71.0)],
        [(60.0, -71.0)],
        [(60.0, 31_536_000.0)],
        [(60.0, -31_536_000.0)],
        [(20.0, 5.0), (60.0, -9.0), (61.0, 3600.0)],
        [(20.0, -3600.0), (80.0, 3600.0)],
    ],
)
def test_steps_are_taken_out_whatever_way_the_clock_was_set(
    steps: list[tuple[float, float]],
) -> None:
    arrivals, told = stamped(TRUE_S, steps)
    assert seconds(without_steps(arrivals, told)) == pytest.approx(TRUE_S, abs=1e-6)


@pytest.mark.parametrize("step_s", [71.0, -71.0])
def test_a_step_within_a_silence_leaves_the_silence_as_long_as_it_was(step_s: float) -> None:
    true_s = [*TRUE_S[:40], *TRUE_S[70:]]
    arrivals, told = stamped(true_s, [(55.0, step_s)])
    assert seconds(without_steps(arrivals, told)) == pytest.approx(true_s, abs=1e-6)


def test_steps_before_the_first_and_behind_the_last_arrival_change_nothing() -> None:
    for when_s in (-30.0, 500.0):
        arrivals, told = stamped(TRUE_S, [(when_s, 71.0)])
        assert without_steps(arrivals, told) is arrivals


def test_without_an_event_the_times_stay_as_they_were_stamped() -> None:
    arrivals, _ = stamped(TRUE_S, [(60.0, 71.0)])
    other = [Event(T0_NS, "note", "x"), Event(T0_NS, "clock-step", "no number", {"step_s": "x"})]
    assert without_steps(arrivals, other) is arrivals


@given(
    st.lists(st.integers(-(2**62), 2**62), max_size=20),
    st.lists(st.tuples(st.integers(-(2**62), 2**62), st.floats(-1e9, 1e9)), max_size=5),
)
def test_no_arrivals_and_no_events_can_break_it(
    times_ns: list[int], told: list[tuple[int, float]]
) -> None:
    arrivals = Arrivals(np.array(times_ns, np.int64), np.arange(len(times_ns), dtype=np.int64))
    events = [Event(at_ns, "clock-step", "", {"step_s": step_s}) for at_ns, step_s in told]
    assert len(without_steps(arrivals, events)) == len(arrivals)
