"""Bytes in, batches out: slicing, arrival times and the end."""

from collections.abc import Iterable

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from rtcmtool.gnss.time import gps_ms_from_week
from rtcmtool.wire.decoding import Batch
from rtcmtool.wire.epochs import Origin, TimeReference
from rtcmtool.wire.framing import RejectReason
from rtcmtool.wire.stream import Chunk, StreamDecoder, decode_stream
from tests.strategies import STATION_POSITION, TEXT, cuts, pieces, streams
from tests.wire.test_decoding import frame

SECOND = 10**9
START = 1_772_600_767 * SECOND  # 2026-03-04 05:06:07 UTC
EPOCH = 277_585_000  # the same instant, ms of the GPS week 2408


def found(batches: Iterable[Batch]) -> list[tuple[int, int, str]]:
    """List frames and rejects of a stream by offset."""
    items = []
    for batch in batches:
        mine = [(f.offset, len(f.data), "frame") for f in batch.block.frames()]
        mine += [(r.offset, r.length, r.reason.value) for r in batch.rejects]
        items += sorted(mine)
    return items


@given(streams(), cuts)
def test_the_end_of_the_stream_is_told_and_all_bytes_accounted_for(
    stream: bytes, at: list[int]
) -> None:
    whole = found(decode_stream([Chunk(stream)]))
    assert sum(length for _, length, _ in whole) == len(stream)
    assert found(decode_stream(Chunk(piece) for piece in pieces(stream, at))) == whole


def test_a_batch_comes_for_each_chunk_and_one_for_the_end() -> None:
    batches = list(decode_stream([Chunk(STATION_POSITION), Chunk(TEXT[:9])]))
    assert [len(batch) for batch in batches] == [1, 0, 0]
    (reject,) = batches[-1].rejects
    assert (reject.offset, reject.reason) == (25, RejectReason.TRUNCATED)


def test_a_frame_arrives_with_its_last_byte() -> None:
    stream = StreamDecoder()
    first = frame(1074, epoch_ms=EPOCH)
    assert len(stream.feed_now(first[:10], START)) == 0
    assert len(stream.feed_now(b"", START + SECOND)) == 0
    batch = stream.feed_now(first[10:] + TEXT[:5], START + 2 * SECOND)
    assert batch.arrival_utc_ns.tolist() == [START + 2 * SECOND]
    assert batch.gps_ms.tolist() == [gps_ms_from_week(2408, EPOCH)]
    batch = stream.feed_now(TEXT[5:], START + 3 * SECOND)
    assert batch.arrival_utc_ns.tolist() == [START + 3 * SECOND]


def test_arrivals_of_a_file_go_with_the_bytes_they_came_with() -> None:
    data = STATION_POSITION * 4
    offsets = np.array([0, 20, 60], np.int64)
    times = START + SECOND * np.arange(3, dtype=np.int64)
    (batch, _) = decode_stream([Chunk(data, times, offsets)])
    # The last bytes of the frames are 24, 49, 74 and 99.
    assert batch.arrival_utc_ns.tolist() == [times[1], times[1], times[2], times[2]]


def test_frames_before_the_first_known_arrival_have_none() -> None:
    chunk = Chunk(STATION_POSITION * 2, np.array([START]), np.array([30]))
    (batch, _) = decode_stream([chunk])
    assert batch.arrival_utc_ns.tolist() == [-1, START]


def test_without_arrivals_none_is_told() -> None:
    (batch, _) = decode_stream([Chunk(STATION_POSITION)])
    assert batch.arrival_utc_ns.tolist() == [-1]


@given(st.lists(st.integers(1, 60), min_size=1, max_size=40))
def test_a_long_run_of_small_chunks_keeps_its_arrivals(sizes: list[int]) -> None:
    data = STATION_POSITION * (sum(sizes) // 25 + 1)
    stream = StreamDecoder()
    at, arrivals, expected = 0, [], []
    for index, size in enumerate(sizes):
        batch = stream.feed_now(data[at : at + size], START + index)
        arrivals += batch.arrival_utc_ns.tolist()
        expected += [START + index for end in range(at, at + size) if end % 25 == 24]
        at += size
    assert arrivals == expected


def test_a_date_given_stands_against_arrivals() -> None:
    stream = StreamDecoder(TimeReference(gps_ms_from_week(2100, EPOCH), Origin.DATE))
    batch = stream.feed_now(frame(1074, epoch_ms=EPOCH), START)
    assert batch.gps_ms.tolist() == [gps_ms_from_week(2100, EPOCH)]
