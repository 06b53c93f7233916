"""What follows a stream message by message, or is asked all the time, tells the same."""

import numpy as np
import pytest

from rtcmtool.monitor.delays import Delays
from rtcmtool.monitor.message_stats import MessageTable
from rtcmtool.monitor.recent_stream import RecentStream
from rtcmtool.monitor.stream_clock import StreamClock
from rtcmtool.monitor.stream_state import StreamState
from rtcmtool.wire.decoding import Batch
from rtcmtool.wire.stream import Chunk, StreamDecoder
from tests.running.driving import stream_of, utc_ns
from tests.streams import data_of, without

S = 10**9
EPOCHS = 45
# Some are lost, and one epoch comes twice.
STREAM = without(stream_of(EPOCHS), lambda sent: sent.epoch in {7, 8, 20})
STREAM = [*STREAM[:40], *STREAM[36:]]


def batches(*, has_arrivals: bool = True) -> list[Batch]:
    decoder = StreamDecoder()
    if not has_arrivals:
        return [decoder.feed(Chunk(sent.data)) for sent in STREAM]
    return [decoder.feed_now(sent.data, utc_ns(sent.epoch + 0.4)) for sent in STREAM]


def whole(*, has_arrivals: bool = True) -> Batch:
    data = data_of(STREAM)
    if not has_arrivals:
        return StreamDecoder().feed(Chunk(data))
    begins = np.cumsum([0, *(len(sent.data) for sent in STREAM[:-1])])
    times = np.array([utc_ns(sent.epoch + 0.4) for sent in STREAM], np.int64)
    return StreamDecoder().feed(Chunk(data, times, begins))


@pytest.mark.parametrize("has_arrivals", [True, False])
def test_messages_one_by_one_count_as_those_of_a_file(has_arrivals: bool) -> None:
    one_by_one, at_once = MessageTable(), MessageTable()
    clock = StreamClock()
    for batch in batches(has_arrivals=has_arrivals):
        one_by_one.update(batch, clock.times(batch))
    batch = whole(has_arrivals=has_arrivals)
    at_once.update(batch, StreamClock().times(batch))
    assert one_by_one.by_number == at_once.by_number
    assert one_by_one.by_number[1074].missed == 3
    for number, stats in one_by_one.by_number.items():
        assert stats.interval_s == at_once.by_number[number].interval_s
    assert one_by_one.by_number[1006].interval_s == 5.0


def test_the_usual_interval_follows_the_messages_also_when_it_was_asked_before() -> None:
    table, clock = MessageTable(), StreamClock()
    for batch in batches()[:4]:
        table.update(batch, clock.times(batch))
    assert table.by_number[1074].interval_s is None
    for batch in batches()[4:9]:
        table.update(batch, clock.times(batch))
    assert table.by_number[1074].interval_s == 1.0


def test_delays_one_by_one_are_those_of_a_file() -> None:
    one_by_one, at_once = Delays(), Delays()
    for batch in batches():
        one_by_one.update(batch)
    at_once.update(whole())
    one_by_one.finish()
    at_once.finish()
    told = ("epochs", "latest_s", "least_s", "most_s", "worst_mean_s", "mean_s")
    assert [getattr(one_by_one, name) for name in told] == [getattr(at_once, name) for name in told]
    assert one_by_one.epochs == EPOCHS - 3


def test_the_last_half_minute_is_the_same_however_often_it_is_asked() -> None:
    often, once = RecentStream(), RecentStream()
    state = StreamState()
    for sent, batch in zip(STREAM, batches(), strict=True):
        now_ns = utc_ns(sent.epoch + 0.4)
        state.update(batch)
        often.add(batch, state.traffic, now_ns)
        once.add(batch, state.traffic, now_ns)
        asked = often.state(now_ns, state)
    wanted = once.state(now_ns, state)
    assert asked.messages.by_number == wanted.messages.by_number
    assert vars(asked.traffic) == vars(wanted.traffic)
    assert asked.signals.cells.tolist() == wanted.signals.cells.tolist()
    assert asked.signals.cells.sum() > 0
    (station,) = wanted.trackers
    for name in ("due", "came", "whole", "repeated", "total", "by_type", "two_bands"):
        told = getattr(asked.trackers[station], name)
        assert told == getattr(wanted.trackers[station], name), name
    assert asked.trackers[station].came < EPOCHS - 10  # what is older was forgotten
    often.clear()
    assert not often.state(now_ns, state).trackers[station].came
