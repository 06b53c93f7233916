import errno
import os
import queue
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

from rtcmtool.captures import CaptureWriter, Split, open_capture
from rtcmtool.captures.retention import Keep
from rtcmtool.diagnosis.context import Context
from rtcmtool.errors import SourceError
from rtcmtool.monitor.stream_state import StreamState
from rtcmtool.running.feed import Ended
from rtcmtool.running.recording import Order, Recording, default_series, names_for, word_for
from rtcmtool.running.sessions import run_all
from rtcmtool.sources import Arrival, SourceState
from rtcmtool.views.recording_text import account_lines, account_object
from tests.running.driving import MONOTONIC_S, item, status, timed, utc_ns, with_ticks
from tests.running.test_session import ListSource
from tests.streams import base_stream, text

ORDER = Order(Context(StreamState()))


def recording(
    folder: Path, order: Order = ORDER, told: list[str] | None = None, name: str = "job"
) -> Recording:
    return Recording(
        ListSource([]),
        folder / name,
        order,
        queue.SimpleQueue(),
        utc_ns=utc_ns(0),
        monotonic_s=MONOTONIC_S,
        tell=(told if told is not None else []).append,
    )


def play(made: Recording, seconds: int, lost: range = range(0)) -> None:
    made.session.take(status(0, SourceState.OPENED, "the port is open"))
    stream = [s for s in base_stream(seconds, numbers=(1074,)) if s.epoch not in lost]
    for at_s, data in with_ticks(timed(stream), seconds):
        made.session.take(item(at_s, data))


def test_the_account_tells_what_came_and_what_did_not(tmp_path: Path) -> None:
    made = recording(tmp_path)
    play(made, 60, lost=range(30, 40))
    made.session.close()
    document = account_object(made.account())
    assert document["outages"] == {"silence": 1}
    assert (document["epochs_due"], document["epochs_whole"]) == (60, 50)
    assert document["bytes"] == made.product.stat().st_size
    text = "\n".join(account_lines(made.account()))
    assert "Recorded 59 s of a list" in text
    assert "1, 11 s in all, 18 % of the time: silence 1" in text
    assert "epochs      10 of 60 not whole, 17 %" in text
    assert f"files       {tmp_path / 'job.rtcm3'}" in text
    assert all(len(line) <= 80 or str(tmp_path) in line for line in text.splitlines())


def test_the_description_tells_site_and_sheet(tmp_path: Path) -> None:
    order = Order(Context(StreamState()), site="Marsh Lane", sheet_text="[site]\n")
    made = recording(tmp_path, order)
    made.session.close()
    description = open_capture(made.product).description
    assert description is not None
    assert (description.site, description.site_sheet) == ("Marsh Lane", "[site]\n")
    assert description.source == "a list"


def test_parts_are_split_and_old_ones_deleted(tmp_path: Path) -> None:
    order = Order(Context(StreamState()), split=Split(duration_s=10), keep=Keep(age_s=20))
    made = recording(tmp_path, order)
    play(made, 60)
    made.session.close()
    names = sorted(path.name for path in tmp_path.glob("*.rtcm3"))
    assert names[-1] == "job-006.rtcm3"
    # The account names the parts that can be opened.
    document = account_object(made.account())
    assert document["paths"] == [str(tmp_path / name) for name in names]
    assert document["path"] == str(tmp_path / names[0])
    assert document["parts_deleted"] == 6 - len(names) > 0
    files = account_lines(made.account())[-1]
    assert f"{names[0]} to job-006.rtcm3, {len(names)} parts of five files" in files
    assert files.endswith(f"; {6 - len(names)} older deleted")
    assert "job-001.rtcm3" not in names
    assert made.product == tmp_path / "job"
    joined = open_capture(made.product)
    assert [event for event in joined.events if event.kind == "deleted"]


def test_it_says_how_long_the_disk_lasts_and_when_it_is_nearly_full(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(CaptureWriter, "free_bytes", property(lambda _: 500_000))
    told: list[str] = []
    made = recording(tmp_path, told=told)
    play(made, 70)
    made.session.close()
    (line,) = told
    assert line.startswith("disk      500 kB free: 0.")
    (event,) = [e for e in open_capture(made.product).events if e.kind == "disk-low"]
    assert "nearly full" in event.text


class Disk(NamedTuple):
    """A disk with so many bytes of room."""

    room: list[int]

    def write(self, descriptor: int, data: bytes) -> int:
        if not self.room[0]:
            raise OSError(errno.ENOSPC, "No space left on device")
        size = min(len(data), self.room[0])
        self.room[0] -= size
        return REAL_WRITE(descriptor, bytes(data[:size]))


REAL_WRITE = os.write


def test_a_full_disk_is_loud_and_nothing_is_lost_once_there_is_room(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = recording(tmp_path)
    made.session.take(status(0, SourceState.OPENED))
    disk = Disk([5_000])
    monkeypatch.setattr(os, "write", disk.write)
    stream = timed(base_stream(60, numbers=(1074,)))
    for at_s, data in with_ticks(stream, 60):
        if at_s > 40:
            disk.room[0] = 10**9
        made.session.take(item(at_s, data))
    made.session.close()
    monkeypatch.undo()
    capture = open_capture(made.product)
    assert made.product.read_bytes() == b"".join(data for _, data in stream)
    kinds = [event.kind for event in capture.events]
    assert kinds.count("not-written") == kinds.count("written-again") == 1
    assert not capture.outages


def test_a_full_disk_loses_only_what_does_not_fit_and_that_is_no_outage(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rtcmtool.captures.writing.HELD_LIMIT_BYTES", 2_000)
    made = recording(tmp_path)
    made.session.take(status(0, SourceState.OPENED))
    disk = Disk([5_000])
    monkeypatch.setattr(os, "write", disk.write)
    for at_s, data in with_ticks(timed(base_stream(60, numbers=(1074,))), 60):
        if at_s > 40:
            disk.room[0] = 10**9
        made.session.take(item(at_s, data))
    made.session.close()
    monkeypatch.undo()
    capture = open_capture(made.product)
    assert made.writer.lost_bytes > 0
    assert made.session.received_bytes == capture.size_bytes + made.writer.lost_bytes
    assert [event for event in capture.events if event.kind == "monitor-gap"]
    assert not capture.outages
    assert "the disk took no more" in "\n".join(account_lines(made.account()))


def test_names_of_several_sources_differ_and_are_no_parts() -> None:
    sources = ["COM5", "tcp://gate:5015", "tcp://gate:5015", "/dev/ttyUSB1", "-"]
    names = [path.name for path in names_for(Path("job"), sources)]
    assert names == ["job", "job-gate_5015", "job-gate_5015_2", "job-ttyUSB1", "job-input"]
    assert word_for("ntrips://host/BASE-001") == "BASE_001"


class Refused(ListSource):
    def arrivals(self) -> Iterator[Arrival]:
        raise SourceError("there is no port")


def several(folder: Path, *sources: ListSource, told: list[str] | None = None) -> list[Recording]:
    out: queue.SimpleQueue = queue.SimpleQueue()  # type: ignore[type-arg]
    made = [
        Recording(
            source,
            folder / f"job{number}",
            ORDER,
            out,
            utc_ns=utc_ns(0),
            monotonic_s=MONOTONIC_S,
            tell=lambda _: None,
        )
        for number, source in enumerate(sources)
    ]
    note = (lambda _, error: told.append(str(error))) if told is not None else (lambda *_: None)
    run_all({one.feed: one.session for one in made}, out, tell_failed=note)
    return made


def test_several_sources_are_recorded_in_one_run(tmp_path: Path) -> None:
    made = several(tmp_path, ListSource([b"abc"] * 3), ListSource([b"de"] * 5))
    assert [one.product.read_bytes() for one in made] == [b"abc" * 3, b"de" * 5]


def test_a_source_that_cannot_be_opened_leaves_no_empty_capture_and_the_others_alone(
    tmp_path: Path,
) -> None:
    told: list[str] = []
    made = several(tmp_path, Refused([]), ListSource([b"abc"] * 3), told=told)
    assert isinstance(made[0].session.source_error, SourceError)
    assert [one.discard_if_empty() for one in made] == [True, False]
    assert sorted(path.name for path in tmp_path.glob("*.rtcm3")) == ["job1.rtcm3"]
    assert made[1].product.read_bytes() == b"abc" * 3
    assert told in ([], ["there is no port"])  # the other may have ended before


def test_the_clock_is_asked_again_when_it_was_set(tmp_path: Path) -> None:
    answers = iter([False, True])
    made = recording(tmp_path, Order(Context(StreamState()), is_clock_right=lambda: next(answers)))
    made.session.take(item(1))
    assert not made.session.live.clock_trusted
    made.session.take(item(2, step_s=3600))
    made.session.take(item(3, step_s=3600))
    assert made.session.live.clock_trusted


def test_an_error_of_a_source_is_kept(tmp_path: Path) -> None:
    made = recording(tmp_path)
    error = SourceError("gone for good")
    made.session.take(Ended(error))
    assert made.session.source_error is error


# ---- old parts, and what a description tells


def test_earlier_runs_of_the_same_name_are_looked_after_too(tmp_path: Path) -> None:
    order = Order(Context(StreamState()), split=Split(duration_s=10), keep=Keep(size_bytes=1))
    for _ in range(3):
        made = recording(tmp_path, order)
        play(made, 35)
        made.session.close()
        assert list(tmp_path.glob("*.rtcm3")) == [made.writer.path]


def test_names_that_are_made_go_by_site_and_source(tmp_path: Path) -> None:
    made = recording(tmp_path)
    made.session.close()
    description = open_capture(made.product).description
    assert description is not None
    assert description.series == "job"
    assert default_series("Marsh Lane", "COM5") != default_series("Marsh Lane", "COM7")
    assert default_series(None, "COM5") != default_series("Marsh Lane", "COM5")


@pytest.mark.parametrize(("is_trusted", "left"), [(False, 4), (True, 1)])
def test_a_clock_set_far_ahead_deletes_nothing_unless_it_is_known_to_be_right(
    tmp_path: Path, is_trusted: bool, left: int
) -> None:
    order = Order(
        Context(StreamState()), split=Split(duration_s=10), keep=Keep(age_s=86_400.0),
        is_clock_right=lambda: is_trusted,
    )  # fmt: skip
    made = recording(tmp_path, order)
    play(made, 35)
    for seconds in (36.0, 650.0):  # a look at the clock, and one at the disk
        made.session.take(item(seconds, step_s=9e7))
    made.session.close()
    assert len(list(tmp_path.glob("*.rtcm3"))) == left


def test_every_part_of_a_base_that_does_not_exist_says_so(tmp_path: Path) -> None:
    order = Order(Context(StreamState()), split=Split(duration_s=10))
    made = recording(tmp_path, order)
    made.session.take(status(0, SourceState.OPENED))
    made.session.take(item(0.1, text("SIMULATED: no such base")))
    play(made, 35)
    made.session.close()
    told = [open_capture(path).description for path in made.writer.paths]
    assert len(told) == 4
    assert all(description is not None and description.simulated for description in told)


def test_the_length_of_an_outage_is_right_though_the_clock_was_set_in_it(tmp_path: Path) -> None:
    for step_s in (3600.0, -3600.0):
        made = recording(tmp_path, name=f"job{step_s:.0f}")
        made.session.take(status(0, SourceState.OPENED, "the port is open"))
        stream = [s for s in base_stream(60, numbers=(1074,)) if s.epoch not in range(30, 40)]
        for at_s, data in with_ticks(timed(stream), 60):
            made.session.take(item(at_s, data, step_s=step_s if at_s > 34 else 0.0))
        made.session.close()
        capture = open_capture(made.product)
        (row,) = capture.outages
        assert row.duration_s == pytest.approx(11.0, abs=0.1)
        assert (row.kind, row.epochs_missed) == ("silence", 10)
        assert [event.kind for event in capture.events].count("clock-step") == 1


def test_a_source_that_is_gone_at_the_end_was_not_watched_until_then(tmp_path: Path) -> None:
    made = recording(tmp_path)
    play(made, 20)
    made.session.take(status(20, SourceState.LOST, "the port is gone"))
    made.session.take(item(38, b""))
    made.session.close()
    text = "\n".join(account_lines(made.account()))
    assert "not watched once, 18 s in all, still at the end: no outage, told in the events" in text
    assert account_object(made.account())["not_watched_s"] == 18.0
