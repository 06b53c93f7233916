from rtcmtool.monitor.recent_bytes import MOST_BYTES, RecentBytes
from rtcmtool.monitor.stream_state import StreamState
from rtcmtool.wire.stream import StreamDecoder
from tests.monitor.following import UTC_NS
from tests.streams import base_stream, data_of

S = 10**9


def kept(size: int, step_ns: int) -> tuple[RecentBytes, StreamState, int]:
    """Feed a stream in pieces of a size, one each step."""
    data = data_of(base_stream(60, numbers=(1074, 1084), satellites={"GPS": 4, "GLO": 3}))
    recent, decoder, state = RecentBytes(), StreamDecoder(), StreamState()
    now = UTC_NS
    for at in range(0, len(data), size):
        piece = data[at : at + size]
        now += step_ns
        batch = decoder.feed_now(piece, now)
        state.update(batch)
        recent.add(piece, at, batch.block.decided, now)
    return recent, state, now


def test_it_begins_where_no_frame_is_cut() -> None:
    recent, state, now = kept(50, S // 5)
    found = recent.state(now, state)
    assert found.traffic.outside_bytes == 0
    assert found.traffic.damaged == 0
    assert 0 < found.traffic.frames < state.traffic.frames


def test_when_nothing_comes_it_empties() -> None:
    recent, state, now = kept(50, S // 5)
    assert recent.state(now + 60 * S, state).traffic.frames <= 1


def test_a_burst_does_not_fill_the_memory() -> None:
    recent = RecentBytes()
    for turn in range(200):
        recent.add(bytes(65_536), turn * 65_536, (turn + 1) * 65_536, UTC_NS)
    assert recent._size <= MOST_BYTES + 2 * 65_536


def test_a_slow_stream_is_kept_for_longer() -> None:
    recent = RecentBytes()
    assert recent.span_s == 30
    recent.interval_s = 10.0
    assert recent.span_s == 300
    recent.interval_s = 100.0
    assert recent.span_s == 600
