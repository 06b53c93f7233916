"""Messages by number: how many, how often, how long not, how many were missed."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rtcmtool.monitor.message_stats import MOST_STEPS, MessageStats
from rtcmtool.wire.catalogue import OBSERVATION_NUMBERS
from rtcmtool.wire.stream import Chunk
from tests.monitor.following import LATE_S, Follower
from tests.streams import (
    base_stream,
    data_of,
    observed,
    state_of,
    state_of_chunks,
    without_epochs,
)


def added(*parts: list[int], epochs: bool = True) -> MessageStats:
    """Take messages at these times, a part a batch."""
    stats = MessageStats()
    for part in parts:
        times = np.array(part, np.int64)
        own = times if epochs else np.full(len(part), -1)
        stats.add(times, own, np.full(len(part), 25))
    return stats


def test_counts_sizes_and_intervals_are_those_of_the_stream() -> None:
    stream = base_stream(60)
    table = state_of(stream).messages.by_number
    assert {number: stats.count for number, stats in table.items()} == {
        1006: 6, 1033: 6, 1074: 60, 1084: 60, 1094: 60, 1124: 60, 1230: 6,
    }  # fmt: skip
    assert sum(stats.size_bytes for stats in table.values()) == len(data_of(stream))
    assert table[1074].interval_s == 1.0
    assert table[1006].interval_s == 10.0
    assert table[1074].missed == 0


def test_missed_messages_are_those_that_were_due() -> None:
    table = state_of(without_epochs(base_stream(60), 20, 21, 40)).messages.by_number
    assert table[1074].missed == 3
    assert table[1074].longest_ms == 3000
    assert table[1074].interval_s == 1.0


def test_how_often_a_message_is_sent_is_known_though_most_are_lost() -> None:
    kept = [second for second in range(120) if second % 10 in {0, 1, 4, 5, 8}]
    stats = added([1000 * second for second in kept])
    assert (stats.interval_s, stats.sent_every_s) == (2.0, 1.0)
    assert added(list(range(0, 120_000, 5000))).sent_every_s == 5.0
    assert added([0, 9900, 20_000, 30_000], epochs=False).sent_every_s == 10.0


def test_parts_of_one_epoch_are_no_interval() -> None:
    stats = state_of(observed(1094, 10, satellites=36)).messages.by_number[1094]
    assert (stats.count, stats.interval_s, stats.missed) == (20, 1.0, 0)


@pytest.mark.parametrize(("times", "interval_s"), [([5], None), ([5, 8], 0.003), ([], None)])
def test_an_interval_needs_two(times: list[int], interval_s: float | None) -> None:
    assert added(times).interval_s == interval_s


def test_messages_without_epoch_are_timed_by_the_stream_and_miss_nothing() -> None:
    stats = added([0, 10_000, 40_000, 50_000], epochs=False)
    assert (stats.interval_s, stats.longest_ms, stats.missed) == (10.0, 30_000, 0)
    assert (stats.first_epoch_ms, stats.last_epoch_ms) == (None, None)


def test_messages_at_no_known_time_are_counted_apart() -> None:
    stats = added([-1, -1, 1000], epochs=False)
    assert (stats.count, stats.untimed, stats.first_ms, stats.last_ms) == (3, 2, 1000, 1000)


@given(
    times=st.lists(st.integers(0, 40), max_size=40).map(
        lambda seconds: [1000 * s for s in sorted(seconds)]
    ),
    at=st.integers(0, 40),
)
def test_it_does_not_matter_in_how_many_batches_messages_come(times: list[int], at: int) -> None:
    assert added(times) == added(times[:at], times[at:])


def test_different_steps_are_kept_up_to_a_limit() -> None:
    stats = added(np.cumsum(np.arange(1, 2 * MOST_STEPS)).tolist())
    assert len(stats.steps_ms) == MOST_STEPS


@pytest.mark.parametrize("is_live", [True, False])
def test_what_was_held_back_and_comes_at_once_keeps_its_interval(is_live: bool) -> None:
    # A program that was stopped for 10 s: what came meanwhile is read at once behind it.
    def late_s(epoch: int) -> float:
        return max(17.0 - epoch, 0.0) + LATE_S if epoch >= 8 else LATE_S

    stream = base_stream(18)
    follower = Follower(stream, late_s=late_s)
    if is_live:
        follower.run(19.0)
        table = follower.live.state.messages.by_number
    else:
        chunks = [
            Chunk(s.data, np.array([follower.utc_ns(s.epoch + late_s(s.epoch))]), np.zeros(1, int))
            for s in stream
        ]
        table = state_of_chunks(chunks).messages.by_number
    assert table[1006].count == 2
    assert table[1006].interval_s == pytest.approx(10.0, abs=1.0)  # a message leads its epoch
    assert table[1006].longest_ms > 15_000  # so long none came, whatever the reason


def test_messages_without_observations_are_timed_by_their_arrivals() -> None:
    stream = [s for s in base_stream(60) if s.epoch < 5 or s.number not in OBSERVATION_NUMBERS]
    follower = Follower(stream)
    follower.run(60.0)
    assert follower.live.state.messages.by_number[1006].interval_s == 10.0


@pytest.mark.parametrize("epochs", [True, False])
@pytest.mark.parametrize("is_one_by_one", [True, False])
def test_no_interval_leads_over_a_time_in_which_nobody_listened(
    *, epochs: bool, is_one_by_one: bool
) -> None:
    stats = MessageStats()

    def add(times: list[int]) -> None:
        own = times if epochs else [-1] * len(times)
        if is_one_by_one:
            for time_ms, own_ms in zip(times, own, strict=True):
                stats.add_one(time_ms, own_ms, 25)
        else:
            stats.add(np.array(times), np.array(own), np.full(len(times), 25))

    add(list(range(0, 60_000, 10_000)))
    stats.pause(54_000)
    stats.resume(400_000)
    assert stats.last_ms == 400_000  # so long it is away, for whoever asks now
    add(list(range(403_000, 450_000, 10_000)))
    assert stats.longest_ms == 10_000
    assert stats.interval_s == 10.0
    assert stats.missed == 0
    assert stats.count == 11


def test_a_message_that_was_late_already_when_the_listening_ended_is_so_long_away() -> None:
    stats = added([0, 10_000, 20_000], epochs=False)
    stats.pause(65_000)
    assert stats.longest_ms == 45_000
