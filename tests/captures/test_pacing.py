import numpy as np
import pytest

from rtcmtool.captures.pacing import MAX_SPEED, Pace, paced
from rtcmtool.wire.stream import Chunk

NOW = 1_772_600_767_000_000_000


class Clock:
    """A clock that only sleeping moves."""

    def __init__(self) -> None:
        self.now_s = 50.0
        self.on_sleep = lambda: None

    def __call__(self) -> float:
        return self.now_s

    def sleep(self, seconds: float) -> None:
        assert seconds > 0
        self.now_s += seconds
        self.on_sleep()


def chunk_at(second: float) -> Chunk:
    return Chunk(b"x", np.array([NOW + round(second * 1e9)]), np.array([0]))


def given_out(seconds, speed, clock) -> list[float]:
    """Give the clock's time, from the start, at which each chunk came."""
    chunks = [chunk_at(second) for second in seconds]
    return [round(clock() - 50.0, 6) for _ in paced(chunks, speed, clock, clock.sleep)]


@pytest.mark.parametrize(
    ("speed", "expected"),
    [
        (1.0, [0.0, 1.0, 3.5]),
        (10.0, [0.0, 0.1, 0.35]),
        (0.1, [0.0, 10.0, 35.0]),
        (1000.0, [0.0, 0.001, 0.0035]),
        (MAX_SPEED, [0.0, 0.0, 0.0]),
    ],
)
def test_chunks_come_at_the_recorded_pace(speed: float, expected: list[float]) -> None:
    assert given_out([7.0, 8.0, 10.5], speed, Clock()) == pytest.approx(expected, abs=1e-5)


@pytest.mark.parametrize("speed", [0.0, 0.09, 1001.0, -1.0, float("nan")])
def test_an_impossible_speed_is_refused(speed: float) -> None:
    with pytest.raises(ValueError):
        Pace(speed)


def test_waits_are_short_so_that_keys_are_heard() -> None:
    clock, waits = Clock(), 0

    def count() -> None:
        nonlocal waits
        waits += 1

    clock.on_sleep = count
    given_out([0.0, 10.0], 1.0, clock)
    assert waits >= 50


def test_a_slow_reader_is_caught_up_with() -> None:
    clock = Clock()
    seen = []
    for _ in paced([chunk_at(second) for second in range(5)], 1.0, clock, clock.sleep):
        seen.append(round(clock() - 50.0, 6))
        clock.now_s += 1.5 if len(seen) < 3 else 0.0
    assert seen == pytest.approx([0.0, 1.5, 3.0, 3.0, 4.0], abs=1e-5)


def test_a_recorded_clock_that_steps_back_starts_the_pace_anew() -> None:
    assert given_out([100.0, 101.0, 5.0, 6.0], 1.0, Clock()) == pytest.approx([0, 1, 1, 2])


def test_chunks_without_a_time_come_with_the_one_before() -> None:
    clock = Clock()
    chunks = [chunk_at(0.0), Chunk(b"y"), chunk_at(1.0)]
    times = [round(clock() - 50.0, 6) for _ in paced(chunks, 1.0, clock, clock.sleep)]
    assert times == pytest.approx([0.0, 0.0, 1.0])


def test_the_caller_can_give_the_time_of_a_chunk() -> None:
    clock = Clock()
    chunks = [Chunk(b"2"), Chunk(b"4")]
    pace = paced(chunks, 1.0, clock, clock.sleep, lambda chunk: int(chunk.data) * 10**9)
    assert [round(clock() - 50.0, 6) for _ in pace] == pytest.approx([0.0, 2.0])


def test_a_change_of_speed_counts_from_when_it_is_made() -> None:
    clock, pace = Clock(), Pace(1.0)

    def faster() -> None:
        if clock.now_s >= 52.0:
            pace.speed = 10.0

    clock.on_sleep = faster
    # Two seconds at normal speed, the other ten in one.
    assert given_out([0.0, 12.0], pace, clock) == pytest.approx([0.0, 3.0], abs=0.21)


def test_a_pause_holds_and_a_step_gives_one_chunk() -> None:
    clock, pace = Clock(), Pace(1.0)
    pace.pause()
    polls = 0

    def press() -> None:
        nonlocal polls
        polls += 1
        if polls == 10:
            pace.step()
        if polls == 20:
            pace.resume()

    clock.on_sleep = press
    assert given_out([0.0, 1.0, 2.0], pace, clock) == pytest.approx([2.0, 5.0, 6.0], abs=1e-5)
    assert pace.position_utc_ns == NOW + 2 * 10**9


def test_a_stop_ends_the_replay_while_it_waits() -> None:
    clock, pace = Clock(), Pace(1.0)
    clock.on_sleep = pace.stop
    assert given_out([0.0, 1000.0], pace, clock) == [0.0]
    assert clock() < 51.0
