"""Delays of epochs: the arrival of the last message minus the time of the epoch, by hand."""

import numpy as np
import pytest

from rtcmtool.gnss import time as gnss_time
from rtcmtool.monitor.delays import Delays
from rtcmtool.wire.stream import Chunk, StreamDecoder
from tests.streams import START_MS, Sent, base_stream, dated

T0_NS = gnss_time.utc_ns_from_gps_ms(START_MS)


def delays_of(stream: list[Sent], late_s, chunked: bool = True) -> Delays:
    """Follow a stream whose messages come some time after their epoch."""
    delays, decoder = Delays(), StreamDecoder(dated())
    offset = 0
    for sent in stream:
        arrival = np.array([T0_NS + round((sent.epoch + late_s(sent)) * 1e9)], np.int64)
        delays.update(decoder.feed(Chunk(sent.data, arrival, np.array([offset], np.int64))))
        offset += len(sent.data)
    delays.update(decoder.finish())
    delays.finish()
    return delays


def test_the_last_message_of_an_epoch_decides() -> None:
    late = {1074: 0.1, 1084: 0.2, 1094: 0.3, 1124: 0.6}
    delays = delays_of(base_stream(40, extras=()), lambda sent: late[sent.number])
    assert delays.epochs == 40
    assert delays.latest_s == pytest.approx(0.6)
    assert delays.least_s == pytest.approx(0.6)
    assert delays.worst_mean_s == pytest.approx(0.6)


def test_the_mean_is_that_of_20_s_and_the_worst_is_kept() -> None:
    def late(sent: Sent) -> float:
        return 4.0 if 40 <= sent.epoch < 60 else 1.0

    delays = delays_of(base_stream(120, numbers=(1074,), extras=()), late)
    assert delays.worst_mean_s == pytest.approx(4.0, abs=0.01)
    assert delays.mean_s == pytest.approx(1.0)
    assert delays.least_s == pytest.approx(1.0)
    assert delays.most_s == pytest.approx(4.0)


def test_too_few_seconds_give_no_mean() -> None:
    delays = delays_of(base_stream(9, numbers=(1074,), extras=()), lambda sent: 1.0)
    assert delays.worst_mean_s is None
    assert delays.epochs == 9


def test_an_epoch_that_comes_again_later_is_not_counted() -> None:
    stream = base_stream(30, numbers=(1074,), extras=())
    twice = [each for sent in stream for each in (sent, stream[max(sent.epoch - 3, 0)])]
    delays = Delays()
    decoder = StreamDecoder(dated())
    offset = 0
    for place, sent in enumerate(twice):
        arrival = np.array([T0_NS + round((place / 2 + 0.5) * 1e9)], np.int64)
        delays.update(decoder.feed(Chunk(sent.data, arrival, np.array([offset], np.int64))))
        offset += len(sent.data)
    delays.finish()
    assert delays.most_s is not None
    assert delays.most_s < 1.5


def test_without_arrivals_nothing_is_known() -> None:
    delays, decoder = Delays(), StreamDecoder(dated())
    for sent in base_stream(5):
        delays.update(decoder.feed(Chunk(sent.data)))
    delays.finish()
    assert delays.epochs == 0
    assert delays.mean_s is None
