from pathlib import Path

import numpy as np
import pytest

from rtcmtool.captures import Capture, CaptureWriter, Description, Event, OutageRow, open_capture
from rtcmtool.captures.pacing import MAX_SPEED
from rtcmtool.monitor.live_state import LiveState
from rtcmtool.running.feed import Bytes, Ended, FeedItem, Rewound, Told
from rtcmtool.running.replay_keys import ReplayKeys
from rtcmtool.running.replaying import PlayClocks, Replay
from rtcmtool.running.session import Session
from rtcmtool.running.timeline import Timeline, timed_by_epochs
from rtcmtool.views.dashboard_facts import gps_fact
from rtcmtool.wire.epochs import TimeReference
from tests.running.driving import T0_NS, Kept, timed, utc_ns
from tests.streams import base_stream, data_of, dated


def seconds(ns: int) -> float:
    return (ns - T0_NS) / 1e9


class HandClock:
    """Time that passes only by sleeping, a little longer than asked."""

    def __init__(self) -> None:
        self.now_s = 100.0

    def clocks(self) -> PlayClocks:
        return PlayClocks(lambda: self.now_s, self.sleep)

    def sleep(self, length_s: float) -> None:
        self.now_s += length_s + 0.0001


def capture_of(
    folder: Path, chunks: list[tuple[float, bytes]], *events: Event, end_s: float | None = None
) -> Capture:
    """Write chunks that arrive at some seconds, and events."""
    writer = CaptureWriter(
        folder / "job", Description("test", "0", utc_ns(chunks[0][0])), monotonic_s=0.0
    )
    for at_s, data in chunks:
        writer.write(data, utc_ns(at_s))
    for event in events:
        writer.event(event)
    writer.close(utc_ns(chunks[-1][0] if end_s is None else end_s))
    return open_capture(writer.path)


def replay_of(capture: Capture, speed: float = MAX_SPEED) -> tuple[Replay, HandClock]:
    clock = HandClock()
    return Replay(Timeline(capture), clock.clocks(), speed), clock


def gap(at_s: float, state: str) -> Event:
    return Event(utc_ns(at_s), "monitor-gap", "not watching: gone", {"state": state})


PLAIN = [(0.0, b"a"), (1.0, b"b"), (2.5, b"c"), (20.0, b"d")]


def test_all_bytes_come_in_order_at_their_recorded_time(tmp_path: Path) -> None:
    replay, _ = replay_of(capture_of(tmp_path, PLAIN))
    items = list(replay.items())
    came = [(seconds(i.utc_ns), i.data) for i in items if isinstance(i, Bytes) and i.data]
    assert came == PLAIN
    assert isinstance(items[-1], Ended)


def test_time_passes_between_them_however_fast(tmp_path: Path) -> None:
    replay, _ = replay_of(capture_of(tmp_path, PLAIN))
    times = [i.monotonic_s for i in replay.items() if isinstance(i, Bytes)]
    assert times == sorted(times)
    assert float(np.diff(times).max()) <= 1.0 + 1e-6


@pytest.mark.parametrize("speed", [0.1, 1.0, 10.0, 1000.0])
def test_the_pace_is_kept(tmp_path: Path, speed: float) -> None:
    replay, clock = replay_of(capture_of(tmp_path, PLAIN), speed)
    began_s, came = clock.now_s, {}
    for item in replay.items():
        if isinstance(item, Bytes) and item.data:
            came[item.data] = clock.now_s - began_s
    assert came[b"d"] == pytest.approx(20 / speed, abs=0.02)
    assert came[b"c"] == pytest.approx(2.5 / speed, abs=0.02)


def test_the_silence_behind_the_last_byte_is_played_too(tmp_path: Path) -> None:
    replay, _ = replay_of(capture_of(tmp_path, PLAIN, end_s=50.0))
    last = [item for item in replay.items() if isinstance(item, Bytes)][-1]
    assert seconds(last.utc_ns) == 50.0


def test_what_was_told_comes_at_its_time_and_findings_are_found_anew(tmp_path: Path) -> None:
    events = (
        gap(5, "open"),
        Event(utc_ns(6), "note", "moved the truck"),
        Event(utc_ns(7), "outage", "silent", {"state": "open"}),
        gap(9, "ended"),
    )
    replay, _ = replay_of(capture_of(tmp_path, PLAIN, *events))
    told = [(i.event.kind, seconds(i.event.utc_ns)) for i in replay.items() if isinstance(i, Told)]
    assert told == [("monitor-gap", 5), ("note", 6), ("monitor-gap", 9)]


def run(replay: Replay) -> tuple[Session, Kept]:
    kept = Kept()
    session = Session(LiveState(replay.utc_ns, 0.0), None, [kept])
    session.anew = LiveState
    session.run(replay)
    return session, kept


def test_a_recorded_monitor_gap_is_no_outage_when_it_is_played(tmp_path: Path) -> None:
    stream = [one for one in timed(base_stream(60, numbers=(1074,))) if not 20 < one[0] < 40]
    blind = capture_of(tmp_path, stream, gap(20.5, "open"), gap(39.5, "ended"))
    _, kept = run(replay_of(blind)[0])
    assert not kept.outages
    (tmp_path / "job.events.jsonl").unlink()
    _, kept = run(replay_of(open_capture(tmp_path / "job.rtcm3"))[0])
    assert [change.is_open for change in kept.outages] == [True, False]


def test_bytes_that_a_full_disk_lost_are_no_outage_when_it_is_played(tmp_path: Path) -> None:
    stream = [one for one in timed(base_stream(60, numbers=(1074,))) if not 20 < one[0] < 40]
    since = "2026-03-04T07:00:02.000000Z"  # 20 s from the start: GPS is 18 s ahead
    lost = Event(utc_ns(39.9), "monitor-gap", "lost", {"since_utc": since, "bytes_lost": 7})
    _, kept = run(replay_of(capture_of(tmp_path, stream, lost))[0])
    assert not kept.outages
    assert len(kept.of("monitor-gap")) == 2


@pytest.mark.parametrize("step_s", [600.0, -600.0])
def test_a_step_of_the_clock_passes_in_no_time(tmp_path: Path, step_s: float) -> None:
    chunks = [(0.0, b"a"), (1.0, b"b"), (2.0 + step_s, b"c"), (3.0 + step_s, b"d")]
    events = (
        Event(utc_ns(0.5), "note", "before"),
        Event(utc_ns(2.0 + step_s), "clock-step", "set", {"step_s": step_s}),
        Event(utc_ns(2.5 + step_s), "note", "behind"),
    )
    capture = capture_of(tmp_path, chunks, *events)
    found = [
        (piece.data or piece.event.text if piece.event else piece.data, piece.steady_ns / 1e9)
        for piece in Timeline(capture).pieces()
    ]
    texts = [text for text, _ in found]
    assert texts == [b"a", "before", b"b", b"c", "behind", b"d"]
    times = dict(found)
    assert times[b"d"] <= 3.0
    assert times["behind"] <= times[b"d"]


def collect(replay: Replay, *keys: str) -> list[FeedItem]:
    """Play, and press a key at each tenth item."""
    pressed = ReplayKeys(replay, lambda text: utc_ns(float(text)) if text.isdecimal() else None)
    left, found = list(keys), []
    for count, item in enumerate(replay.items()):
        found.append(item)
        if left and count % 10 == 9:
            pressed.press(left.pop(0))
        assert count < 5000
    return found


def data(items: list[FeedItem]) -> bytes:
    return b"".join(item.data for item in items if isinstance(item, Bytes))


def test_a_paused_replay_stands_and_goes_on(tmp_path: Path) -> None:
    replay, _ = replay_of(capture_of(tmp_path, PLAIN), 1.0)
    items = collect(replay, "p", "p")
    assert data(items) == b"abcd"
    times = [i.monotonic_s for i in items if isinstance(i, Bytes)]
    assert max(times.count(time) for time in set(times)) >= 10


def test_a_step_goes_to_the_next_epoch(tmp_path: Path) -> None:
    replay, _ = replay_of(capture_of(tmp_path, timed(base_stream(30, numbers=(1074, 1094)))), 1.0)
    session = Session(LiveState(replay.utc_ns, 0.0))
    replay.epoch = lambda: session.live.state.epochs and session.live.state.epochs.latest_ms
    seen: list[int] = []
    replay.toggle_pause()
    for count, item in enumerate(replay.items()):
        session.take(item)
        if count % 20 == 19:
            tracker = session.live.state.epochs
            seen.append((tracker and tracker.latest_ms) or 0)
            replay.step()
        if len(seen) == 6:
            replay.stop()
    known = [epoch for epoch in seen if epoch]
    assert np.diff(known).tolist() == [1000] * (len(known) - 1)
    assert len(known) >= 4


def test_speeds_go_up_and_down_in_steps(tmp_path: Path) -> None:
    replay, _ = replay_of(capture_of(tmp_path, PLAIN), 1.0)
    titles = []
    for change in (replay.slower, replay.slower, *[replay.faster] * 5):
        change()
        titles.append(replay.title)
    speeds = ["x0.1", "x0.1", "x1", "x10", "x60", "max", "max"]
    assert titles == [f"REPLAY {speed}" for speed in speeds]
    with pytest.raises(ValueError, match=r"0\.1 to 1000"):
        replay.speed = 2000.0


LONG = [(float(at), bytes([at % 256])) for at in range(0, 3000, 5)]


def test_a_near_jump_forward_is_run_through(tmp_path: Path) -> None:
    replay, clock = replay_of(capture_of(tmp_path, LONG), 1.0)
    began_s = clock.now_s
    replay.jump(utc_ns(300))
    for item in replay.items():
        if isinstance(item, Bytes) and seconds(item.utc_ns) > 305:
            replay.stop()
        assert not isinstance(item, Rewound)
    assert clock.now_s - began_s == pytest.approx(5, abs=1.5)


@pytest.mark.parametrize("target_s", [2500, 10])
def test_a_far_jump_begins_anew_before_its_target(tmp_path: Path, target_s: int) -> None:
    replay, clock = replay_of(capture_of(tmp_path, LONG), 1.0)
    items = replay.items()
    while seconds(replay.utc_ns) < 20:
        next(items)
    replay.jump(utc_ns(target_s))
    while not isinstance(item := next(items), Rewound):
        pass
    assert seconds(item.utc_ns) == max(target_s - 120, 0)
    began_s = clock.now_s
    while seconds(replay.utc_ns) < target_s:
        next(items)
    assert clock.now_s - began_s < 1.5
    assert replay.title in {"REPLAY x1", "REPLAY (going there)"}


def test_keys_jump_between_events_and_to_a_typed_time(tmp_path: Path) -> None:
    events = [
        Event(utc_ns(at), "outage", f"silent {at}", {"state": "open"}) for at in (100, 200, 2000)
    ]
    replay, _ = replay_of(capture_of(tmp_path, LONG, *events), 1.0)
    keys = ReplayKeys(replay, lambda text: utc_ns(float(text)))
    items = replay.items()
    said: list[str] = []
    keys.say = said.append

    def settled() -> float:
        for _ in range(2000):
            next(items)
            if replay.title == "REPLAY x1":
                return seconds(replay.utc_ns)
        raise AssertionError

    settled()
    keys.press("]")
    assert settled() == pytest.approx(90, abs=2)
    keys.press("]")
    assert settled() == pytest.approx(190, abs=2)
    keys.press("[")
    assert settled() == pytest.approx(90, abs=2)
    for key in ("g", "1", "9", "\x7f", "5", "0", "0", "\r"):
        assert keys.press(key)
    assert settled() == pytest.approx(1500, abs=2)
    keys.press("]")
    keys.press("]")
    assert "event 3 of 3: outage: silent 2000" in said
    assert not keys.press("q")


def test_without_an_events_file_outages_are_marks(tmp_path: Path) -> None:
    writer = CaptureWriter(tmp_path / "job", Description("test", "0"), monotonic_s=0.0)
    writer.write(b"a", utc_ns(0))
    writer.outage(OutageRow(utc_ns(0), utc_ns(9), 9.0, "silence"))
    writer.close(utc_ns(20))
    (mark,) = Timeline(open_capture(writer.path)).marks
    assert (mark.number, mark.utc_ns, mark.text) == (1, utc_ns(0), "silence")


def test_the_end_may_be_stood_at(tmp_path: Path) -> None:
    replay, _ = replay_of(capture_of(tmp_path, PLAIN))
    replay.stays_at_end = True
    items: list[FeedItem] = []
    for count, item in enumerate(replay.items()):
        items.append(item)
        if replay.message == "this is the end of the capture" and count > 60:
            replay.stop()
        assert count < 500
    assert isinstance(items[-1], Ended)


def test_since_and_until_cut_the_timeline(tmp_path: Path) -> None:
    timeline = Timeline(capture_of(tmp_path, PLAIN), since=utc_ns(0.5), until=utc_ns(3))
    pieces = list(timeline.pieces())
    assert b"".join(piece.data for piece in pieces) == b"bc"
    assert seconds(pieces[-1].utc_ns) == 3


def test_a_capture_without_arrivals_is_timed_by_its_epochs(tmp_path: Path) -> None:
    stream = base_stream(30, numbers=(1074, 1094))
    path = tmp_path / "raw.rtcm3"
    path.write_bytes(data_of(stream))
    capture, is_dated = timed_by_epochs(open_capture(path), dated())
    assert is_dated
    assert np.diff(capture.arrivals.utc_ns).tolist() == [10**9] * 29
    assert int(capture.arrivals.utc_ns[0]) == T0_NS
    pieces = list(Timeline(capture).pieces())
    assert b"".join(piece.data for piece in pieces) == data_of(stream)
    _, is_dated = timed_by_epochs(open_capture(path), TimeReference())
    assert not is_dated


def test_an_assumed_week_is_not_shown(tmp_path: Path) -> None:
    path = tmp_path / "raw.rtcm3"
    path.write_bytes(data_of(base_stream(10, numbers=(1074,))))
    capture, is_dated = timed_by_epochs(open_capture(path), TimeReference())
    session, _ = run(replay_of(capture)[0])
    shown = gps_fact(session.live, is_dated=is_dated)
    assert shown.startswith("GPS week ?, ")
    assert gps_fact(session.live).replace(" ?,", " 2300,") == shown.replace(" ?,", " 2300,")


def test_a_capture_without_epochs_has_no_time(tmp_path: Path) -> None:
    path = tmp_path / "raw.rtcm3"
    path.write_bytes(b"no frame in here")
    capture, is_dated = timed_by_epochs(open_capture(path), dated())
    assert not capture.has_arrivals
    assert not is_dated
