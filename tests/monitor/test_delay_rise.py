"""How much later a stream has become: told by differences, so that no clock need be right."""

import pytest

from rtcmtool.monitor.delay_rise import DRIFT, DelayRise


def followed(delays_s: list[float], *, every_s: float = 1.0) -> DelayRise:
    rise = DelayRise()
    for place, delay_s in enumerate(delays_s):
        rise.add(round(1000 * every_s * place), delay_s)
    return rise


@pytest.mark.parametrize("clock_error_s", [0.0, -40.0, 71.0])
def test_a_clock_that_is_wrong_does_not_matter(clock_error_s: float) -> None:
    rise = followed([clock_error_s + d for d in [0.2] * 30 + [6.2] * 3])
    assert rise.now_s == pytest.approx(6.0, abs=0.01)


def test_three_epochs_are_needed_as_for_the_end_of_an_outage() -> None:
    assert (followed([0.2] * 30 + [6.2] * 2).now_s or 0.0) < 0.1
    assert (followed([0.2] * 30 + [6.2] * 3).now_s or 0.0) > 5.9


def test_it_is_over_with_the_first_epoch_on_time_and_the_worst_is_kept() -> None:
    held_up = [6.2 - step for step in range(1, 7)]  # they come with the last late one
    rise = followed([0.2] * 30 + [6.2] * 20 + held_up)
    assert rise.now_s == pytest.approx(0.0, abs=0.01)
    assert rise.worst_s == pytest.approx(6.0, abs=0.01)


def test_what_was_held_up_and_comes_at_once_is_not_later() -> None:
    backlog = [20.2 - step for step in range(20)]
    rise = followed([0.2] * 30 + backlog + [0.2] * 30)
    assert rise.worst_s < 0.1


def test_a_stream_that_falls_behind_little_by_little_is_later() -> None:
    rise = followed([0.2] * 30 + [0.2 + 0.1 * step for step in range(60)])
    assert rise.now_s == pytest.approx(5.5, abs=0.1)  # the least of the last five seconds


def test_what_became_earlier_was_not_later() -> None:
    assert followed([6.2] * 30 + [0.2] * 30).worst_s < 0.1


def test_a_clock_that_was_set_is_not_compared_with_what_it_was() -> None:
    rise = followed([0.2] * 30)
    rise.clear()
    for epoch in range(30, 60):
        rise.add(1000 * epoch, 9.2)
    assert rise.now_s == pytest.approx(0.0, abs=0.01)
    assert rise.worst_s == pytest.approx(0.0, abs=0.01)


def test_the_drift_of_a_clock_is_not_held_against_the_stream() -> None:
    hours = 24
    rise = followed([0.2 + 0.9 * DRIFT * 30 * step for step in range(120 * hours)], every_s=30.0)
    assert rise.worst_s < 0.1


def test_arrivals_that_go_back_are_a_clock_that_was_set() -> None:
    rise = followed([50.2] * 30 + [0.2] * 30)
    assert rise.worst_s < 0.1
    assert rise.now_s == pytest.approx(0.0, abs=0.01)
