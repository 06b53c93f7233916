"""Decoding ahead changes nothing but the time that it takes."""

from collections.abc import Iterable
from copy import copy
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rtcmtool.captures import open_capture
from rtcmtool.diagnosis.context import Context
from rtcmtool.monitor.live_state import LiveState
from rtcmtool.monitor.stream_state import StreamState
from rtcmtool.running.decoding_ahead import AheadDecoder, LookAhead
from rtcmtool.running.judging import Judging
from rtcmtool.running.patient_state import PatientState
from rtcmtool.running.recording import JUDGE_EVERY_S
from rtcmtool.running.scanning import EventScan
from rtcmtool.running.session import Session
from rtcmtool.running.timeline import Piece, Timeline, place_of
from rtcmtool.running.virtual_time import VirtualTime
from rtcmtool.wire.decoding import Batch
from rtcmtool.wire.joined_blocks import CutBatch
from rtcmtool.wire.stream import StreamDecoder
from tests.conftest import PROJECT
from tests.running.driving import T0_NS, Kept, damaged_between, stream_of, utc_ns
from tests.strategies import cuts, pieces, streams
from tests.streams import data_of
from tests.wire.test_joined_blocks import assert_same, assert_same_block

STREAM = data_of(damaged_between(stream_of(12), 5, 7))
DAY_NS = 86_400 * 10**9


def timed_pieces(parts: Iterable[bytes], begin_ns: int = T0_NS) -> list[Piece]:
    return [
        Piece(begin_ns + number * 10**8, number * 10**8, data) for number, data in enumerate(parts)
    ]


def played(given: list[Piece], *, until: int | None = None) -> list[Batch]:
    """Decode ahead; the last batch is that of the end."""
    ahead = LookAhead()
    decoder = AheadDecoder(ahead)
    found: list[Batch] = []
    for piece in ahead.pieces(given):
        if until is not None and len(found) == until:
            break
        if piece.data:
            found.append(decoder.feed_now(piece.data, piece.utc_ns))
    return [*found, decoder.finish()]


def plain(given: list[Piece], *, until: int | None = None) -> list[Batch]:
    decoder = StreamDecoder()
    found = [decoder.feed_now(piece.data, piece.utc_ns) for piece in given if piece.data]
    if until is not None:
        decoder = StreamDecoder()
        told = [piece for piece in given if piece.data][:until]
        found = [decoder.feed_now(piece.data, piece.utc_ns) for piece in told]
    return [*found, decoder.finish()]


def assert_all_same(fast: list[Batch], slow: list[Batch]) -> None:
    for one, other in zip(fast, slow, strict=True):
        assert_same(one, other)
        assert_same_block(one, other)
        np.testing.assert_array_equal(one.arrival_utc_ns, other.arrival_utc_ns)


@pytest.mark.slow
@given(st.one_of(streams(), st.just(STREAM)), cuts, st.integers(0, 12))
def test_batches_and_their_arrivals_are_those_of_a_decoder_piece_by_piece(
    stream: bytes, at: list[int], until: int
) -> None:
    given = timed_pieces(pieces(stream, at))
    assert_all_same(played(given), plain(given))
    # A replay that is stopped has decoded more than it has handed out.
    assert_all_same(played(given, until=until), plain(given, until=until))


def test_most_pieces_are_decoded_at_once() -> None:
    given = timed_pieces(pieces(STREAM, list(range(90, len(STREAM), 90))))
    fast = played(given)
    assert all(isinstance(batch, CutBatch) for batch in fast[:-1])
    assert sum(map(len, fast)) == sum(map(len, plain(given))) > 30


def test_arrivals_far_from_their_epochs_are_decoded_one_by_one() -> None:
    # A clock that is days wrong: which week or day an epoch lies in hangs on each arrival.
    given = timed_pieces(pieces(STREAM, [500, 900, 1300]), T0_NS + 3 * DAY_NS + DAY_NS // 2)
    fast = played(given)
    assert not any(isinstance(batch, CutBatch) for batch in fast)
    assert_all_same(fast, plain(given))


def test_bytes_that_were_not_announced_are_decoded_too() -> None:
    given = timed_pieces(pieces(STREAM, [500, 900, 1300]))
    ahead = LookAhead()
    decoder = AheadDecoder(ahead)
    announced = ahead.pieces(given)
    next(announced)
    batches = [decoder.feed_now(given[0].data, given[0].utc_ns)]
    assert isinstance(batches[0], CutBatch)
    other = bytes(given[1].data[:100])
    batches.append(decoder.feed_now(other, utc_ns(9)))
    slow = StreamDecoder()
    wanted = [slow.feed_now(given[0].data, given[0].utc_ns), slow.feed_now(other, utc_ns(9))]
    assert_all_same([*batches, decoder.finish()], [*wanted, slow.finish()])


# ---- a state that waits


def fed(state: StreamState, batches: Iterable[Batch]) -> StreamState:
    for batch in batches:
        state.update(batch)
    return state


def told_by(state: StreamState) -> tuple[object, ...]:
    locks = state.signals.locks
    return (
        state.signals.cells.tolist(), state.signals.cnr.tolist(), locks.slips, locks.satellite_ms,
        locks.restarts, state.signals.channels, state.quality.fix.sky.elevation_deg.tolist(),
        vars(state.traffic), state.delays.worst_mean_s, sorted(state.base.stations),
        {station: vars(tracker)["total"] for station, tracker in state.trackers.items()},
        state.messages.by_number,
    )  # fmt: skip


def test_a_state_that_waits_tells_the_same_whenever_it_is_asked() -> None:
    given = timed_pieces(pieces(STREAM, list(range(150, len(STREAM), 150))))
    fast, slow = played(given), plain(given)
    half = len(fast) // 2
    waits, plain_state = PatientState(), StreamState()
    for batches in (slice(0, half), slice(half, None)):
        fed(waits, fast[batches])
        fed(plain_state, slow[batches])
        assert repr(told_by(waits)) == repr(told_by(plain_state))
    waits.finish()
    plain_state.finish()
    assert repr(told_by(waits)) == repr(told_by(plain_state))


def test_a_copy_of_it_goes_its_own_way() -> None:
    batches = plain(timed_pieces(pieces(STREAM, [600, 1200])))
    state = fed(PatientState(), batches[:1])
    other = copy(state)
    before = int(other.signals.cells.sum())
    other.signals = StreamState().signals
    fed(state, batches[1:])
    assert int(state.signals.cells.sum()) > before > 0
    assert int(other.signals.cells.sum()) == 0


# ---- the whole


def begun(timeline: Timeline, state: StreamState) -> tuple[Session, Kept]:
    kept = Kept()
    judging = Judging(Context.for_site(StreamState(), None, live=True), JUDGE_EVERY_S)
    live = LiveState(timeline.begin_utc_ns, 0.0, state=state)
    return Session(live, None, [judging, kept]), kept


@pytest.mark.slow
@pytest.mark.parametrize("name", ["weak-radio", "dead-battery", "new-average", "too-much"])
def test_a_scan_finds_what_is_found_piece_by_piece(name: str, tmp_path: Path) -> None:
    bare = tmp_path / f"{name}.rtcm3"
    for suffix in (".rtcm3", ".arrivals"):
        source = PROJECT / "captures" / f"{name}{suffix}"
        bare.with_suffix(suffix).write_bytes(source.read_bytes())
    timeline = Timeline(open_capture(bare))
    session, kept = begun(timeline, StreamState())
    passing = VirtualTime(session, timeline.begin_utc_ns)
    for piece in timeline.pieces():
        passing.take(piece)
    session.close()
    fast, kept_fast = begun(timeline, PatientState())
    scan = EventScan(timeline, lambda: fast)
    scan.run()
    assert kept_fast.events == kept.events
    assert kept_fast.outages == kept.outages
    wanted = [place for place in map(place_of, kept.events) if place is not None]
    assert [(mark.utc_ns, mark.text) for mark in scan.marks] == wanted
    assert wanted
