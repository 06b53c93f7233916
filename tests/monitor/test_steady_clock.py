import pytest

from rtcmtool.monitor.steady_clock import SteadyClock

START = 1_772_600_000 * 10**9


def test_a_step_of_the_computers_clock_is_kept_out_of_the_axis_and_told() -> None:
    clock = SteadyClock(START, 100.0)
    before = clock.at(START + 10**9, 101.0)
    after = clock.at(START + 73 * 10**9, 102.0)
    assert after.steady_ns - before.steady_ns == 10**9
    assert after.utc_ns == START + 73 * 10**9
    assert clock.take_step_s() == pytest.approx(71.0)
    assert clock.take_step_s() is None


def test_small_corrections_are_followed() -> None:
    clock = SteadyClock(START, 0.0)
    for second in range(1, 11):
        moment = clock.at(START + second * 1_100_000_000, float(second))
    assert moment.steady_ns == moment.utc_ns == START + 11 * 10**9
    assert clock.step_ns == 0


def test_the_axis_never_runs_back() -> None:
    clock = SteadyClock(START, 0.0)
    clock.at(START + 10**9, 1.0)
    assert clock.at(START + 900_000_000, 1.1).steady_ns == START + 10**9
