import numpy as np
import pytest

from rtcmtool.monitor.windows import BUCKET_S, Windows, median_strength

S = 10**9


def run(seconds: int) -> Windows:
    """Give windows over a message a second, of 100 bytes, every tenth 3 s long on its way."""
    windows = Windows(0)
    for second in range(seconds):
        windows.tick(second * S)
        windows.message(1074, 100, second * S)
        windows.current.frames += 1
        windows.current.size_bytes += 100
        windows.delay(3.0 if second % 10 == 0 else 0.62)
        windows.satellites(20 + second % 2)
    windows.tick(seconds * S)
    return windows


def test_a_window_holds_its_length_and_the_session_all() -> None:
    windows = run(700)
    assert windows.over(60).types[1074].count == 60
    assert windows.over(600).types[1074].count == 600
    assert windows.over().types[1074].count == 700
    assert windows.over().seconds == 700


def test_a_window_that_is_not_full_tells_its_true_length() -> None:
    counts = run(25).over(60)
    assert counts.seconds == 25
    assert counts.bytes_per_s == pytest.approx(100)
    assert counts.frames_per_s == pytest.approx(1)
    assert counts.air_load(1600, 1.3) == pytest.approx(0.65)


def test_steps_give_interval_jitter_and_the_longest() -> None:
    windows = Windows(0)
    for at in (0.0, 1.0, 2.0, 3.5, 4.0):
        windows.message(1006, 27, int(at * S))
    counts = windows.over().types[1006]
    assert counts.interval_s == pytest.approx(1.0)
    assert counts.jitter_s == pytest.approx(np.std([1, 1, 1.5, 0.5]))
    assert counts.longest_s == pytest.approx(1.5)
    windows.tick(9 * S)


def test_a_type_that_stays_away_is_told_before_it_comes_again() -> None:
    windows = run(30)
    windows.tick(95 * S)
    counts = windows.over(60).types[1074]
    assert (counts.count, counts.longest_s) == (0, 66)
    windows.message(1074, 100, 96 * S)
    assert windows.over(60).types[1074].longest_s == 67
    assert windows.over(60).types[1074].interval_s == 67


def test_time_that_was_not_watched_is_no_step() -> None:
    windows = run(10)
    windows.pause()
    windows.tick(50 * S)
    assert windows.over(60).types[1074].longest_s == 1
    windows.message(1074, 100, 50 * S)
    assert windows.over(60).types[1074].longest_s == 1


def test_delays_and_satellites_are_summed_up() -> None:
    counts = run(100).over()
    assert counts.mean_delay_s == pytest.approx(0.1 * 3 + 0.9 * 0.62)
    assert counts.delay_within_s(0.9) == pytest.approx(0.7)
    assert counts.delay_within_s(0.95) == pytest.approx(3.1)
    assert (counts.fewest, counts.most, counts.mean_satellites) == (20, 21, 20.5)


def test_a_week_of_silence_leaves_an_empty_hour() -> None:
    windows = run(100)
    windows.tick(7 * 86_400 * S)
    assert not windows.over(3600).size_bytes
    assert windows.over(3600).types[1074].count == 0
    assert windows.over().types[1074].count == 100
    assert windows.over(3600).seconds == pytest.approx(3600, abs=BUCKET_S)


def test_a_hostile_stream_cannot_fill_the_memory() -> None:
    windows = Windows(0)
    for number in range(4096):
        windows.message(number, 10, S)
    assert len(windows.over().types) <= 65
    assert sum(counts.count for counts in windows.over().types.values()) == 4096


def test_strengths_of_the_last_minute_are_told_apart() -> None:
    windows, total = Windows(0), np.zeros((1, 1, 64), np.int64)
    for second in range(200):
        windows.tick(second * S, total)
        total[0, 0, 45 if second < 100 else 35] += 1
    recent = windows.recent_strengths(total)[0, 0]
    assert recent[45] == 0
    assert 60 <= recent[35] <= 70
    assert median_strength(recent) == pytest.approx(35.5)


def test_no_strength_has_no_median() -> None:
    assert median_strength(np.zeros(64, np.int64)) is None


def test_a_clock_that_was_set_leaves_no_delays_of_before() -> None:
    windows = Windows(0)
    for second in range(30):
        windows.delay(0.4)
        windows.tick(second * S)
    windows.over(60)
    windows.clock_set()
    assert (windows.over(60).mean_delay_s, windows.over().mean_delay_s) == (None, None)
    windows.delay(-5.6)
    assert windows.over(60).mean_delay_s == -5.6
