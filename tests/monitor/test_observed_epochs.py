"""Rows wait until their epoch is over, and come out once, in order."""

import numpy as np
import pytest

import rtcmtool.monitor.observed_epochs as module
from rtcmtool.monitor.observed_epochs import EpochBuffer, place_of, rows_of, satellite_at
from rtcmtool.wire.stream import Chunk, StreamDecoder
from tests.monitor.made_rows import START_MS, made
from tests.monitor.rinex_rows import pieces
from tests.streams import STATION, base_stream, data_of, dated, merged, observed


def decoded(stream):
    decoder = StreamDecoder(dated())
    yield decoder.feed(Chunk(data_of(stream)))
    yield decoder.finish()


def given(buffer, parts):
    """Give the seconds that come out, part by part, and at the end."""
    found = [[rows for _, rows in buffer.add_rows(part)] for part in parts]
    last = buffer.finish()
    found.append([] if last is None else [last])
    return [
        [[(time - START_MS) // 1000 for time in np.unique(rows.time_ms).tolist()] for rows in one]
        for one in found
    ]


def seconds(begin, end):
    return list(range(begin, end))


def test_rows_come_out_when_their_half_minute_is_over():
    rows = made(epochs=70)
    whole = [seconds(0, 30), seconds(30, 60), seconds(60, 70)]
    assert given(EpochBuffer(), [rows]) == [whole[:2], whole[2:]]
    parts = pieces(rows, *(START_MS + 1000 * k for k in range(1, 70)))
    found = given(EpochBuffer(), parts)
    assert [one for out in found for one in out] == whole
    assert found[29:31] == [[], [whole[0]]]


def test_the_row_that_shows_that_a_half_minute_is_over_is_told():
    rows = made(epochs=70)
    assert [at for at, _ in EpochBuffer().add_rows(rows)] == [30 * 12, 60 * 12]


def test_satellites_of_different_parts_stay_apart():
    rows = made(epochs=31)
    buffer = EpochBuffer()
    parts = [rows.take(slice(0, 4)), rows.take(slice(4, None))]
    over = [out for part in parts for _, out in buffer.add_rows(part)]
    assert len(over) == 1
    assert len(np.unique(over[0].group)) == 30 * 6


def test_a_clock_that_stands_still_fills_no_memory(monkeypatch):
    rows = made(epochs=70)
    still, later = rows.take(slice(0, 60)), rows.take(slice(30 * 12, None))
    monkeypatch.setattr(module, "MOST_WAITING", 607)
    buffer = EpochBuffer()
    for _ in range(50):
        assert list(buffer.add_rows(still)) == []
    # The next half minute is taken whole again.
    assert [len(over) for _, over in buffer.add_rows(later)] == [607, 30 * 12]


def test_what_comes_late_or_twice_is_left_out():
    rows = made(epochs=40)
    early = rows.take(rows.time_ms == START_MS + 1000)
    assert given(EpochBuffer(), [rows, early]) == [[seconds(0, 30)], [], [seconds(30, 40)]]


def test_a_stream_that_falls_far_back_begins_anew():
    def later(columns):
        columns["epoch"] += 3600

    found = given(EpochBuffer(), [made(epochs=3, edit=later), made(epochs=31)])
    assert found == [[], [seconds(3600, 3603), seconds(0, 30)], [[30]]]


def test_messages_become_rows_with_their_locks():
    msm, legacy = (next(decoded(observed(number, 2))) for number in (1074, 1004))
    rows = rows_of(msm)
    assert len(rows) == 2 * 9 * 2
    assert satellite_at(int(rows.place[0])) == "G01"
    assert not rows.is_legacy.any()
    # 100 s of lock: the classes of MSM4 begin at 65 536 and 131 072 ms, of 1004 at 100 and 104 s
    assert (rows.lock_ms[0], rows.lock_upper_ms[0]) == (65_536, 131_072)
    rows = rows_of(legacy)
    assert rows.is_legacy.all()
    assert (rows.lock_ms[0], rows.lock_upper_ms[0]) == (100_000, 104_000)


def test_only_the_station_wanted_or_the_first_is_followed():
    stream = merged(observed(1074, 3), observed(1074, 3, satellites=4, station=STATION + 1))
    for wanted, satellites in ((None, 9), (STATION + 1, 4)):
        buffer = EpochBuffer(wanted)
        for batch in decoded(stream):
            assert not list(buffer.add(batch))
        rows = buffer.finish()
        assert rows is not None
        assert len(np.unique(rows.place)) == satellites


def test_batches_without_observations_give_nothing():
    buffer = EpochBuffer()
    for batch in decoded(base_stream(0, extras=())):
        assert not list(buffer.add(batch))
    assert buffer.finish() is None


@pytest.mark.parametrize("name", ["G01", "G63", "R24", "E36", "S38", "J07", "C62", "I14"])
def test_every_satellite_has_its_place(name):
    assert satellite_at(place_of(name)) == name
