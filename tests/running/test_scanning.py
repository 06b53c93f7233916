"""Events found in the bytes of a capture are those that a recording would have kept."""

import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from rtcmtool.captures import open_capture
from rtcmtool.captures.reading import Capture
from rtcmtool.diagnosis.context import Context
from rtcmtool.errors import SourceError
from rtcmtool.monitor.live_state import LiveState
from rtcmtool.monitor.stream_state import StreamState
from rtcmtool.running.judging import Judging
from rtcmtool.running.recording import JUDGE_EVERY_S
from rtcmtool.running.replay_keys import ReplayKeys
from rtcmtool.running.replaying import PlayClocks, Replay
from rtcmtool.running.scanning import EventScan
from rtcmtool.running.session import Session
from rtcmtool.running.timeline import Timeline, place_of
from tests.running.driving import (
    T0_NS,
    Timed,
    by_epoch,
    damaged_between,
    drive,
    stream_of,
    utc_ns,
)
from tests.streams import Sent, without

EPOCHS = 150
SAFETY_S = 120.0


def silent_and_garbled() -> list[Sent]:
    stream = damaged_between(stream_of(EPOCHS), 110, 122)
    return without(stream, lambda sent: 70 <= sent.epoch < 84)


def without_position() -> list[Sent]:
    return without(stream_of(EPOCHS), lambda sent: sent.number == 1006 and 20 <= sent.epoch < 120)


def judging() -> Judging:
    return Judging(Context.for_site(StreamState(), None, live=True), JUDGE_EVERY_S)


def record(folder: Path, stream: list[Timed]) -> Capture:
    """Record as `record` does, in virtual time."""
    driven = drive(folder)
    driven.session.listeners.insert(0, judging())
    path = driven.play(stream, EPOCHS).close().path
    return open_capture(path)


def scan_of(capture: Capture) -> EventScan:
    def make() -> Session:
        return Session(LiveState(T0_NS, 0.0), None, [judging()])

    return EventScan(Timeline(capture), make)


def bare(capture: Capture) -> Capture:
    """Leave nothing but bytes and arrivals."""
    for suffix in (".events.jsonl", ".json", ".outages.csv"):
        capture.path.with_suffix(suffix).unlink()
    return open_capture(capture.path)


def places(capture: Capture) -> list[tuple[float, str]]:
    found = (place_of(event) for event in capture.events)
    return [((place[0] - T0_NS) / 1e9, place[1]) for place in found if place is not None]


def found(scan: EventScan) -> list[tuple[float, str]]:
    return [((mark.utc_ns - T0_NS) / 1e9, mark.text) for mark in scan.marks]


@pytest.mark.slow
@pytest.mark.parametrize("fault", [silent_and_garbled, without_position])
def test_a_scan_finds_what_a_recording_has_told(
    tmp_path: Path, fault: Callable[[], list[Sent]]
) -> None:
    recorded = record(tmp_path, by_epoch(fault()))
    told = places(recorded)
    assert [text for _, text in told if text.startswith("outage")]
    scan = scan_of(bare(recorded))
    scan.run()
    again = found(scan)
    assert [text for _, text in again] == [text for _, text in told]
    # Both tick five times a second from the same start: the same moments, but for rounding.
    assert [at for at, _ in again] == pytest.approx([at for at, _ in told], abs=0.001)
    assert scan.is_done
    assert scan.share == 1.0


@pytest.mark.slow
def test_a_scan_ends_when_it_has_found_enough(tmp_path: Path) -> None:
    scan = scan_of(record(tmp_path, by_epoch(silent_and_garbled())))
    scan.run(lambda scan: any("silent" in mark.text for mark in scan.marks))
    assert scan.marks[-1].text == "outage: silent"
    assert not scan.is_done
    assert 0.4 < scan.share < 0.6
    assert scan.covers(utc_ns(50))
    assert not scan.covers(utc_ns(70))
    before = scan.marks
    scan.run()  # goes on
    assert scan.marks[: len(before)] == before
    assert [mark.text for mark in scan.marks].count("outage: silent") == 1
    assert "outage: damaged, no whole message" in [mark.text for mark in scan.marks]


def wait_for(scan: EventScan) -> None:
    assert scan._thread is not None
    scan._thread.join(SAFETY_S)
    assert scan.is_done


class HandClock:
    """Time that passes only by sleeping."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def sleep(self, length_s: float) -> None:
        self.now_s += length_s + 0.0001

    def clocks(self) -> PlayClocks:
        return PlayClocks(lambda: self.now_s, self.sleep)


@pytest.mark.slow
def test_the_keys_find_events_in_bare_bytes(tmp_path: Path) -> None:
    capture = bare(record(tmp_path, by_epoch(silent_and_garbled())))
    may_begin = threading.Event()

    def make() -> Session:
        assert may_begin.wait(SAFETY_S)
        return Session(LiveState(T0_NS, 0.0), None, [judging()])

    scan = EventScan(Timeline(capture), make)
    replay = Replay(Timeline(capture), HandClock().clocks(), 1.0, scan)
    keys = ReplayKeys(replay, lambda _: None)
    said: list[str] = []
    keys.say = said.append
    items = replay.items()
    next(items)
    keys.press("]")
    assert said[-1] == "looking for the next event ... 0 %"
    may_begin.set()
    wait_for(scan)
    assert scan.failure is None
    for _ in range(2000):
        next(items)
        if replay.title == "REPLAY x1":
            break
    assert "outage: silent" in [mark.text for mark in scan.marks]
    first = min(scan.marks, key=lambda mark: mark.utc_ns)
    assert replay.message == f"event 1 of {len(scan.marks)}: {first.text}"
    assert (replay.utc_ns - first.utc_ns) / 1e9 == pytest.approx(-10, abs=1.5)
    replay.stop()
    assert [type(item).__name__ for item in items] == ["Ended"]


@pytest.mark.slow
def test_a_search_that_fails_is_told_by_the_key(tmp_path: Path) -> None:
    capture = bare(record(tmp_path, by_epoch(stream_of(20))))

    def fail() -> Session:
        raise SourceError("the card was pulled")

    scan = EventScan(Timeline(capture), fail)
    replay = Replay(Timeline(capture), HandClock().clocks(), 1.0, scan)
    replay.next_event()
    wait_for(scan)
    replay.next_event()
    assert replay.message == "no event after this; the search failed: the card was pulled"


def test_a_recording_that_kept_events_is_not_looked_through(tmp_path: Path) -> None:
    driven = drive(tmp_path)
    driven.session.live.note("moved the truck")
    path = driven.play(by_epoch(stream_of(5)), 5).close().path
    timeline = Timeline(open_capture(path))
    assert timeline.has_marks
    assert [mark.text for mark in timeline.marks] == ["note: moved the truck"]
    (tmp_path / "job.events.jsonl").unlink()
    assert not Timeline(open_capture(path)).has_marks
