"""Heads of messages, frames and their order in a stream."""

from datetime import UTC, datetime

import numpy as np
import pytest

from rtcmtool.gnss.time import gps_ms_from_week
from rtcmtool.wire.encoded_frames import MessageHeads, interleave
from rtcmtool.wire.epochs import Origin, TimeReference
from rtcmtool.wire.observation_encoding import encode_msm
from rtcmtool.wire.observations import EMPTY
from rtcmtool.wire.stream import Chunk, StreamDecoder

FRIDAY_MS = gps_ms_from_week(2280, 5 * 86_400_000)  # 2023-09-22 00:00:00 GPS time
NUMBERS = {"G": 1077, "R": 1087, "E": 1097, "S": 1107, "J": 1117, "C": 1127, "I": 1137}


def test_heads_name_an_epoch_in_the_time_of_their_system() -> None:
    gps_ms = np.array([FRIDAY_MS + 1500])
    assert MessageHeads.at("E", gps_ms).epoch_ms.tolist() == [432_001_500]
    assert MessageHeads.at("C", gps_ms).epoch_ms.tolist() == [432_001_500 - 14_000]
    glonass = MessageHeads.at("R", gps_ms)
    # 18 leap seconds and three hours ahead of UTC: still Friday, 02:59:43.5.
    assert (glonass.epoch_ms.tolist(), glonass.day_of_week) == ([10_783_500], 5)
    assert MessageHeads.at("R", gps_ms, leap_seconds=19).epoch_ms.tolist() == [10_782_500]
    start = datetime(1980, 1, 6, tzinfo=UTC).timestamp()
    assert datetime.fromtimestamp(start + FRIDAY_MS / 1000, UTC).isoweekday() == 5


@pytest.mark.parametrize("letter", NUMBERS)
def test_decoding_finds_the_gps_time_that_heads_were_made_of(letter: str) -> None:
    gps_ms = FRIDAY_MS + 3_600_000 * np.arange(0, 72, 7)
    frames = encode_msm(NUMBERS[letter], MessageHeads.at(letter, gps_ms), EMPTY)
    reference = TimeReference()
    reference.learn(int(gps_ms[0]), Origin.DATE)
    batch = StreamDecoder(reference).feed(Chunk(frames.data))
    assert batch.gps_ms.tolist() == gps_ms.tolist()


def test_frames_are_woven_into_the_order_of_their_epochs() -> None:
    heads = MessageHeads(np.array([0, 1000, 2000]))
    parts = [encode_msm(number, heads, EMPTY) for number in (1077, 1097, 1074)]
    batch = StreamDecoder().feed(Chunk(interleave(parts)))
    assert batch.number.tolist() == [1077, 1097, 1074] * 3
    assert batch.epoch_ms.tolist() == [0, 0, 0, 1000, 1000, 1000, 2000, 2000, 2000]
    assert interleave([]) == b""
