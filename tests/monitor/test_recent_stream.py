"""The last half minute, against the same bytes decoded anew."""

from collections.abc import Callable, Iterable

import numpy as np
import pytest

from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.finding import Finding
from rtcmtool.diagnosis.live_verdict import ABOUT_NOW
from rtcmtool.diagnosis.verdict import RULE_FUNCTIONS
from rtcmtool.monitor import recent_stream
from rtcmtool.monitor.epochs import EpochTracker
from rtcmtool.monitor.recent_stream import SPAN_S, RecentStream
from rtcmtool.monitor.stream_state import StreamState
from rtcmtool.monitor.traffic import Traffic
from rtcmtool.wire.stream import Chunk, StreamDecoder
from tests.monitor.following import UTC_NS
from tests.streams import (
    Sent,
    base_stream,
    damaged,
    data_of,
    merged,
    position,
    without,
    without_epochs,
)

S = 10**9
SMALL = {"numbers": (1074, 1084), "satellites": {"GPS": 4, "GLO": 3}}
Pieces = list[tuple[int, bytes]]  # arrival in ns, data


class Kept:
    """A stream fed piece by piece, with everything that came kept beside."""

    def __init__(self, pieces: Iterable[tuple[int, bytes]]) -> None:
        self.recent, self.state, self._decoder = RecentStream(), StreamState(), StreamDecoder()
        self.now = UTC_NS
        self.edges: Pieces = []  # what was decided in each piece
        data, decided = b"", 0
        for now, piece in pieces:
            self.now = now
            data += piece
            batch = self._decoder.feed_now(piece, now)
            self.state.update(batch)
            self.recent.add(batch, self.state.traffic, now)
            self.edges.append((now, data[decided : batch.block.decided]))
            decided = batch.block.decided

    def decoded_anew(self) -> StreamState:
        """Decode what was decided in the last half minute, as if the stream began then."""
        state, whole = StreamState(self.state.main_station), self.state.epochs
        assert whole is not None
        assert self.state.main_station is not None
        tracker = state.trackers[self.state.main_station] = EpochTracker()
        tracker.types = set(whole.types)
        begin = self.now - round(SPAN_S * S)
        late = [(now, data) for now, data in self.edges[1:] if now > begin and data]
        offsets = np.cumsum([0, *(len(data) for _, data in late)])[:-1]
        times = np.array([now for now, _ in late], np.int64)
        chunk = Chunk(b"".join(data for _, data in late), times, offsets.astype(np.int64))
        state.update(StreamDecoder().feed(chunk))
        return state


def each_epoch(stream: Iterable[Sent], size: int = 10_000) -> Pieces:
    """Let each epoch come at its second, in pieces of a size."""
    by_epoch: dict[int, bytes] = {}
    for sent in stream:
        by_epoch[sent.epoch] = by_epoch.get(sent.epoch, b"") + sent.data
    return [
        (UTC_NS + epoch * S + at * 1000, data[at : at + size])
        for epoch, data in by_epoch.items()
        for at in range(0, len(data), size)
    ]


def two_stations() -> list[Sent]:
    other = base_stream(90, numbers=(1074,), station=9, satellites={"GPS": 4}, extras=())
    return merged(base_stream(90, **SMALL), other)  # type: ignore[arg-type]


STREAMS: dict[str, Callable[[], list[Sent]]] = {
    "whole": lambda: base_stream(90, **SMALL),  # type: ignore[arg-type]
    "gaps": lambda: without_epochs(base_stream(90, **SMALL), 20, 64, 65, 66, 67, 80),  # type: ignore[arg-type]
    "damaged": lambda: damaged(base_stream(90, **SMALL), 30, 170, 171, 180),  # type: ignore[arg-type]
    "a type lost": lambda: without(
        base_stream(90, **SMALL),  # type: ignore[arg-type]
        lambda sent: sent.number == 1084 and sent.epoch > 70,
    ),
    "two stations": two_stations,
    "moved": lambda: [
        *base_stream(80, **SMALL),  # type: ignore[arg-type]
        Sent(81, 1006, position((1.0, 2.0, 6_370_000.0))),
        Sent(82, 1006, position((1.0, 9.0, 6_370_000.0))),
    ],
}


def findings(state: StreamState) -> list[Finding]:
    context = Context(state, live=True, radio_rate_bit_s=9600.0)
    return [RULE_FUNCTIONS[name](context) for name in sorted(ABOUT_NOW)]


@pytest.mark.slow
@pytest.mark.parametrize("size", [10_000, 97])
@pytest.mark.parametrize("name", STREAMS)
def test_the_rules_find_what_they_find_in_the_bytes_decoded_anew(name: str, size: int) -> None:
    kept = Kept(each_epoch(STREAMS[name](), size))
    light, anew = kept.recent.state(kept.now, kept.state), kept.decoded_anew()
    assert findings(light) == findings(anew)
    assert np.array_equal(light.signals.cells, anew.signals.cells)


def test_when_nothing_comes_it_empties() -> None:
    kept = Kept(each_epoch(base_stream(20, **SMALL)))  # type: ignore[arg-type]
    assert kept.recent.state(kept.now, kept.state).traffic.frames > 20
    assert kept.recent.state(kept.now + 31 * S, kept.state).traffic.frames == 0


def test_the_end_of_a_frame_at_the_start_is_no_fault() -> None:
    data = data_of(base_stream(30, **SMALL))[40:]  # type: ignore[arg-type]
    kept = Kept((UTC_NS + at * S // 100, data[at : at + 100]) for at in range(0, len(data), 100))
    assert kept.state.traffic.foreign_bytes > 0
    assert kept.recent.state(kept.now, kept.state).traffic.foreign_bytes == 0


def test_noise_alone_is_seen_though_no_frame_ever_comes() -> None:
    kept = Kept((UTC_NS + turn * S, b"\x55" * 500) for turn in range(20))
    assert kept.recent.state(kept.now, kept.state).traffic.foreign_bytes > 5000


def test_a_burst_does_not_fill_the_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    most_bytes = recent_stream.MOST_BYTES // 8
    monkeypatch.setattr(recent_stream, "MOST_BYTES", most_bytes)
    data = data_of(base_stream(200, **SMALL))[:20_000]  # type: ignore[arg-type]
    pieces = 2 * most_bytes // len(data)
    kept = Kept((UTC_NS, data) for _ in range(pieces))
    assert most_bytes / 2 < kept.recent.size_bytes <= most_bytes


def test_a_storm_of_small_pieces_does_not_fill_the_memory(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    most_parts = recent_stream.MOST_PARTS // 8
    monkeypatch.setattr(recent_stream, "MOST_PARTS", most_parts)
    frame = data_of(base_stream(1, numbers=(1074,), satellites={"GPS": 1}, extras=()))
    recent, decoder, traffic = RecentStream(), StreamDecoder(), Traffic()
    for turn in range(most_parts + 500):
        batch = decoder.feed_now(frame, UTC_NS + turn * S // 1000)
        traffic.update(batch)
        recent.add(batch, traffic, UTC_NS + turn * S // 1000)
    assert most_parts / 2 < len(recent._parts) <= most_parts + 1
    assert recent.state(UTC_NS + 7 * S, StreamState()).traffic.frames == most_parts + 499


def test_a_slow_stream_is_kept_for_longer() -> None:
    recent = RecentStream()
    assert recent.span_s == 30
    recent.interval_s = 10.0
    assert recent.span_s == 300
    recent.interval_s = 100.0
    assert recent.span_s == 600
