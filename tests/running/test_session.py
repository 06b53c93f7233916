import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from rtcmtool.captures import Event, open_capture
from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.live_verdict import LiveJudge
from rtcmtool.monitor.live_state import LiveState
from rtcmtool.monitor.outage_kinds import OutageChange
from rtcmtool.running.feed import Bytes, Changed, Ended, Feed
from rtcmtool.running.session import Session
from rtcmtool.sources import Arrival, Source, SourceState, Status
from rtcmtool.views.headline import Headline, headline
from rtcmtool.wire.stream import Chunk
from tests.running.driving import MONOTONIC_S, Kept, drive, item, status, timed, utc_ns
from tests.streams import base_stream

SAFETY_S = 120.0


class ListSource(Source):
    """Gives what it was given, then waits for its end if it shall."""

    def __init__(self, pieces: list[bytes], *, stays: bool = False) -> None:
        super().__init__("a list")
        self._pieces, self._stays = pieces, stays
        self._stopped = threading.Event()

    def arrivals(self) -> Iterator[Arrival]:
        self._say(SourceState.OPENED)
        for place, data in enumerate(self._pieces):
            yield Arrival(utc_ns(place), data)
        while self._stays and not self._stopped.is_set():
            time.sleep(0.01)
            yield Arrival(utc_ns(len(self._pieces)), b"")

    def _say(self, state: SourceState) -> None:
        if self.on_status is not None:
            self.on_status(Status(utc_ns(0), state, "text"))

    def chunks(self) -> Iterator[Chunk]:
        raise NotImplementedError

    def stop(self) -> None:
        self._stopped.set()


class Failing(Kept):
    def on_tick(self, session: Session) -> None:
        raise ValueError("the screen broke")


def test_bytes_are_on_disk_while_whoever_looks_is_stuck(tmp_path: Path) -> None:
    pieces = [sent.data for sent in base_stream(3, numbers=(1074,))]
    driven = drive(tmp_path)
    release = threading.Event()

    class Stuck(Kept):
        def on_tick(self, session: Session) -> None:
            release.wait(SAFETY_S)

    driven.session.listeners.append(Stuck())
    feed = Feed(ListSource(pieces))
    running = threading.Thread(target=driven.session.run, args=(feed,))
    running.start()
    due_s = time.monotonic() + SAFETY_S
    while driven.path.stat().st_size < len(b"".join(pieces)) and time.monotonic() < due_s:
        time.sleep(0.01)
    written = driven.path.read_bytes()
    release.set()
    running.join(SAFETY_S)
    assert written == b"".join(pieces)
    assert driven.session.received_bytes == len(written)


def test_a_view_that_fails_is_dropped_and_told_and_the_recording_goes_on(tmp_path: Path) -> None:
    driven = drive(tmp_path)
    failing = Failing()
    driven.session.listeners.insert(0, failing)
    driven.take(item(1, b"abc"), item(2, b"def")).close()
    assert driven.path.read_bytes() == b"abcdef"
    assert failing not in driven.session.listeners
    (failure,) = driven.session.failures
    assert "the screen broke" in failure
    (event,) = driven.kept.of("failure")
    assert event.text == "Failing failed; recording goes on: ValueError: the screen broke"


def test_a_monitor_that_fails_is_told_and_the_recording_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    driven = drive(tmp_path)

    def fail(*_: object) -> None:
        raise ZeroDivisionError("a fault of ours")

    monkeypatch.setattr(type(driven.session.live), "feed", fail)
    driven.take(item(1, b"abc"), item(2, b"def")).close()
    assert driven.path.read_bytes() == b"abcdef"
    assert len(driven.session.failures) == 1
    assert "a fault of ours" in [e.text for e in open_capture(driven.path).events][-1]


def test_without_a_recording_a_failing_view_shows_at_once() -> None:
    driven = Session(LiveState(utc_ns(0), 0.0), None, [Failing()])
    with pytest.raises(ValueError, match="broke"):
        driven.take(item(1, b"abc"))


def test_a_slow_loop_gets_all_bytes_but_no_heap_of_ticks() -> None:
    feed = Feed(ListSource([b"", b"x"] * 500))
    feed.start()
    feed._thread.join(SAFETY_S)  # nobody takes anything before all is there
    items = list(feed.items())
    data = [i.data for i in items if isinstance(i, Bytes)]
    assert b"".join(data) == b"x" * 500
    assert data.count(b"") < 100
    assert isinstance(items[-1], Ended)


def test_a_pause_of_the_program_is_seen_where_the_bytes_are_read() -> None:
    moments = iter([0.0, 1.0, 2.0, 30.0, 31.0, 32.0])
    feed = Feed(ListSource([b"a", b"b", b"c", b"d"]), monotonic=lambda: next(moments))
    feed.start()
    kinds = [type(i).__name__ for i in feed.items()]
    assert kinds == ["Changed", "Bytes", "Bytes", "Paused", "Bytes", "Bytes", "Ended"]


def test_a_session_ends_when_it_is_told(tmp_path: Path) -> None:
    driven = drive(tmp_path)
    feed = Feed(ListSource([b"abc"], stays=True))
    driven.session.run(feed, lambda session: session.received_bytes == 3)
    description = open_capture(driven.path).description
    assert description is not None
    assert description.is_complete


def test_a_source_that_is_long_in_opening_is_no_silence_of_the_base(tmp_path: Path) -> None:
    driven = drive(tmp_path)
    driven.session.attach(Feed(ListSource([])))
    for tenth in range(300):
        driven.take(item(tenth / 10))
    assert driven.session.live.blind is not None
    driven.take(status(30, SourceState.OPENED), item(31)).close()
    assert not driven.kept.outages
    (opened, ended) = driven.kept.of("monitor-gap")
    assert ended.values["seconds"] == pytest.approx(27, abs=0.3)
    assert opened.text == "not watching: still opening the source"


REFUSED = "127.0.0.1 refuses a connection at port 5015: nothing listens there"


def retrying(seconds: float, wait_s: float) -> Changed:
    text = f"trying again in {wait_s:.0f} s"
    told = Status(utc_ns(seconds), SourceState.RETRYING, text, wait_s)
    return Changed(MONOTONIC_S + seconds, told)


def headline_of(session: Session) -> Headline:
    return headline(session.live, LiveJudge(Context(session.live.state)).judge(session.live))


def test_before_the_first_opening_the_headline_says_why_and_when_it_is_tried_again(
    tmp_path: Path,
) -> None:
    driven = drive(tmp_path)
    driven.take(status(0, SourceState.NOTE, REFUSED), retrying(0, 4.0), item(1.2))
    found = headline_of(driven.session)
    assert (found.text, found.detail) == (f"NOT WATCHING - {REFUSED}", "next try in 3 s")
    assert driven.kept.of("monitor-gap")[0].text == f"not watching: {REFUSED}"
    assert headline_of(driven.take(item(4.5)).session).detail == "trying now"
    driven.take(status(5, SourceState.NOTE, "the name gate cannot be found"), retrying(5, 60.0))
    found = headline_of(driven.session)
    assert found.text == "NOT WATCHING - the name gate cannot be found"
    assert found.detail == "next try in 1 min"
    assert len(driven.kept.of("monitor-gap")) == 1  # one gap, whatever the reasons
    driven.take(status(65, SourceState.OPENED), item(66, b"x"))
    assert driven.session.live.blind is None


def test_after_a_loss_the_headline_goes_by_the_latest_reason(tmp_path: Path) -> None:
    driven = drive(tmp_path)
    driven.take(
        status(0, SourceState.OPENED),
        status(1, SourceState.NOTE, "38400 baud"),
        status(9, SourceState.LOST, "COM5 is gone: it was unplugged"),
        retrying(9, 1.0),
    )
    assert headline_of(driven.session).text == "NOT WATCHING - COM5 is gone: it was unplugged"
    assert headline_of(driven.session).short == "NOT WATCHING - COM5 is gone"
    driven.take(status(10, SourceState.NOTE, "there is no port COM5"), retrying(10, 2.0))
    assert headline_of(driven.session).text == "NOT WATCHING - there is no port COM5"


def test_what_a_source_says_while_it_is_open_leaves_it_open(tmp_path: Path) -> None:
    driven = drive(tmp_path)
    driven.take(
        status(0, SourceState.OPENED), status(1, SourceState.NOTE, "38400 baud"), item(2, b"x")
    )
    assert driven.session.live.blind is None
    assert [event.text for event in driven.kept.of("source")] == ["38400 baud"]


def test_outages_are_in_the_file_before_anybody_is_told(tmp_path: Path) -> None:
    driven = drive(tmp_path)
    seen: list[int] = []

    class Looking(Kept):
        def on_outage(self, session: Session, change: OutageChange) -> None:
            if not change.is_open:
                seen.append(len(open_capture(driven.path).outages))

        def on_event(self, session: Session, event: Event) -> None:
            if event.kind == "outage":
                kinds = [e.kind for e in open_capture(driven.path).events]
                assert "outage" in kinds

    driven.session.listeners.append(Looking())
    stream = [at for at in timed(base_stream(40, numbers=(1074,))) if not 15 < at[0] < 25]
    driven.play(stream, 40).close()
    assert seen == [1]
    assert not driven.session.failures


def test_closing_twice_does_nothing_more(tmp_path: Path) -> None:
    driven = drive(tmp_path).take(item(1, b"abc"))
    driven.close().close()
    assert driven.path.read_bytes() == b"abc"


def test_a_session_into_which_nothing_came_can_be_closed(tmp_path: Path) -> None:
    description = open_capture(drive(tmp_path).close().path).description
    assert description is not None
    assert description.end_utc_ns == utc_ns(0)
