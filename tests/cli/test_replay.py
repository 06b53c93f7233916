"""The command `replay`: on recorded time, as lines, as JSON Lines, and sent on."""

import argparse
import os
import re
import select
import signal
import socket
import subprocess
import sys
import threading
import time
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from rtcmtool.captures import CaptureWriter, Description, Event, Split
from rtcmtool.cli.moments import moment
from rtcmtool.cli.replay import ask
from rtcmtool.errors import UsageError
from rtcmtool.running import sending
from rtcmtool.simulation.outputs import TcpListen
from tests.cli.conftest import Runner
from tests.cli.servers import free_port
from tests.conftest import PROJECT
from tests.running.driving import T0_NS, timed, utc_ns
from tests.sources.conftest import SAFETY_S
from tests.streams import DAY, base_stream, data_of, without

STREAM = without(base_stream(60, numbers=(1074,)), lambda sent: 30 <= sent.epoch < 42)
TOOL = (sys.executable, "-m", "rtcmtool", "replay")


@pytest.fixture
def job(tmp_path: Path) -> Path:
    """Give a capture with a silence of 12 s from second 30 on."""
    description = Description("COM5", "0", T0_NS, site="Marsh Lane")
    writer = CaptureWriter(tmp_path / "job", description, monotonic_s=0.0)
    for at_s, data in timed(STREAM):
        writer.write(data, utc_ns(at_s))
    writer.event(Event(utc_ns(29.3), "outage", "silent", {"state": "open"}))
    writer.event(Event(utc_ns(50), "note", "moved the truck"))
    writer.close(utc_ns(60))
    return writer.path


def test_lines_tell_what_happened_at_its_recorded_time(run: Runner, job: Path) -> None:
    done = run("replay", job, "--speed", "max")
    assert done.code == 0
    assert "2026-03-04 07:00:11 UTC  outage: silent, open" in done.lines
    assert "2026-03-04 07:00:32 UTC  note: moved the truck" in done.lines
    assert "longest 13 s. 12 of 60 epochs not whole" in done.err


def test_json_lines_are_those_of_watch(run: Runner, job: Path) -> None:
    documents = run("replay", job, "--speed", "max", "--json").json_lines
    kinds = {document["type"] for document in documents}
    assert kinds == {"event", "outage", "status", "windows"}
    states = [d["state"] for d in documents if d["type"] == "outage"]
    assert states == ["open", "ended"]


def test_a_range_of_time_is_played(run: Runner, job: Path) -> None:
    done = run("replay", job, "--speed", "max", "--since", "07:00:30", "--until", "07:00:35")
    assert done.code == 0
    assert "Watched 4 s" in done.err or "Watched 5 s" in done.err


def test_events_are_listed_and_gone_to(run: Runner, job: Path) -> None:
    listed = run("replay", job, "--event", "0")
    assert listed.lines == [
        "   1  2026-03-04 07:00:11 UTC  outage: silent",
        "   2  2026-03-04 07:00:32 UTC  note: moved the truck",
    ]
    done = run("replay", job, "--event", "2", "--speed", "max")
    assert "event 2 of 2: note: moved the truck" in done.err
    done = run("replay", job, "--event", "3")
    assert done.code == 2
    assert "only 2 are in this capture" in done.err


def test_a_capture_without_arrivals_is_timed_by_its_epochs(run: Runner, tmp_path: Path) -> None:
    raw = tmp_path / "raw.rtcm3"
    raw.write_bytes(data_of(STREAM))
    done = run("replay", raw, "--speed", "max", "--json")
    assert "no arrival times in this capture: its epochs drive the time" in done.err
    assert "its date is not known" in done.err
    assert done.json_lines[-1]["delay_s"] is None
    told = [item.get(name) for item in done.json_lines for name in ("utc", "last_epoch_gps")]
    assert set(told) == {None}  # no day is made up
    plain = run("replay", raw, "--speed", "max", "--plain")
    assert plain.lines
    assert all(re.match(r"\d\d:\d\d:\d\d UTC  ", line) for line in plain.lines)
    dated = run("replay", raw, "--speed", "max", "--date", DAY)
    assert "2026-03-04 07:00:1" in dated.out
    assert "its date is not known" not in dated.err


@pytest.mark.slow
def test_events_of_bare_bytes_are_looked_for(run: Runner, tmp_path: Path) -> None:
    raw = tmp_path / "raw.rtcm3"
    raw.write_bytes(data_of(STREAM))
    listed = run("replay", raw, "--event", "0")
    # No day is made up, and the silence of the recorded job is found at the epoch before it.
    assert "07:00:11 UTC  outage: silent" in "\n".join(listed.lines)
    assert all(re.match(r" +\d+  \d\d:\d\d:\d\d UTC  ", line) for line in listed.lines)
    number = next(line.split()[0] for line in listed.lines if "outage: silent" in line)
    done = run("replay", raw, "--event", number, "--speed", "max", "--plain")
    assert f"event {number} of {number} so far: outage: silent" in done.err
    dated = run("replay", raw, "--event", "0", "--date", DAY)
    assert "2026-03-04 07:00:11 UTC  outage: silent" in dated.out
    assert run("replay", raw, "--since", "09:00").err.count("1980") == 0


@pytest.mark.slow
def test_an_event_outside_the_range_is_told(run: Runner, job: Path) -> None:
    done = run("replay", job, "--event", "2", "--until", "07:00:20")
    assert done.code == 2
    assert "event 2 lies outside --since and --until" in done.err


@pytest.mark.slow
def test_parts_are_played_and_sent_as_one(run: Runner, tmp_path: Path) -> None:
    description = Description("COM5", "0", T0_NS)
    split = Split(size_bytes=len(data_of(STREAM)) // 3)
    writer = CaptureWriter(tmp_path / "job", description, monotonic_s=0.0, split=split)
    for at_s, data in timed(STREAM):
        writer.write(data, utc_ns(at_s))
    writer.close(utc_ns(60))
    assert len(writer.paths) >= 3
    done = run("replay", tmp_path / "job", "--speed", "max", "--plain")
    assert "longest 13 s. 12 of 60 epochs not whole" in done.err
    sent = subprocess.run(
        [*TOOL, str(tmp_path / "job"), "--to", "-", "--speed", "1000"],
        cwd=PROJECT, capture_output=True, check=True, timeout=SAFETY_S,
    )  # fmt: skip
    assert sent.stdout == data_of(STREAM)


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="signals of other systems")
@pytest.mark.parametrize(
    ("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, -signal.SIGTERM)]
)
def test_a_signal_ends_the_sending(job: Path, number: signal.Signals, code: int) -> None:
    with subprocess.Popen(
        [*TOOL, str(job), "--to", "-"],
        cwd=PROJECT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, bufsize=0,
    ) as process:  # fmt: skip
        assert process.stdout is not None
        assert process.stdout.read(10)
        process.send_signal(number)
        _, said = process.communicate(timeout=SAFETY_S)
    assert process.returncode == code
    assert b"Traceback" not in said


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="signals of other systems")
def test_a_signal_ends_the_waiting_for_a_client(job: Path) -> None:
    with subprocess.Popen(
        [*TOOL, str(job), "--to", "tcp-listen://127.0.0.1:0"], cwd=PROJECT, stderr=subprocess.PIPE
    ) as process:
        assert process.stderr is not None
        assert b"waiting for somebody" in process.stderr.readline()
        process.send_signal(signal.SIGTERM)
        process.communicate(timeout=SAFETY_S)
    assert process.returncode == -signal.SIGTERM


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="pipes of other systems")
def test_a_reader_that_goes_away_is_a_quiet_end(job: Path) -> None:
    with subprocess.Popen(
        [*TOOL, str(job), "--to", "-", "--speed", "30"],
        cwd=PROJECT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, bufsize=0,
    ) as process:  # fmt: skip
        assert process.stdout is not None
        assert process.stderr is not None
        assert process.stdout.read(10)
        process.stdout.close()
        assert process.stderr.read() == b""
    assert process.returncode == 0


def test_a_target_that_refuses_or_is_taken_is_exit_3(
    run: Runner, job: Path, refusing_port: int
) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        done = run("replay", job, "--to", f"tcp-listen://127.0.0.1:{port}")
        assert (done.code, "cannot listen on" in done.err) == (3, True)
    done = run("replay", job, "--to", f"tcp://127.0.0.1:{refusing_port}")
    assert (done.code, "cannot be reached" in done.err) == (3, True)


def test_a_capture_that_tells_that_its_clock_was_right_is_trusted(
    run: Runner, tmp_path: Path
) -> None:
    for is_right in (True, False):
        writer = CaptureWriter(tmp_path / f"{is_right}", Description("x", "0"), monotonic_s=0.0)
        for at_s, data in timed(STREAM[:20]):
            writer.write(data, utc_ns(at_s))
        writer.event(Event(utc_ns(0), "start", "", {"clock_trusted": is_right}))
        writer.close(utc_ns(20))
        done = run("replay", writer.path, "--speed", "max", "--json")
        told = [line["clock_trusted"] for line in done.json_lines if line["type"] == "status"]
        assert set(told) == {is_right}


@pytest.mark.parametrize(
    ("content", "code", "words"),
    [(b"", 4, "is empty"), (b"plain text", 4, "no RTCM 3 frame"), (None, 3, "there is no file")],
)
def test_what_cannot_be_played_is_told(
    run: Runner, tmp_path: Path, content: bytes | None, code: int, words: str
) -> None:
    path = tmp_path / "x.rtcm3"
    if content is not None:
        path.write_bytes(content)
    done = run("replay", path)
    assert done.code == code
    assert words in done.err


@pytest.mark.parametrize(
    "arguments",
    [["--speed", "0.01"], ["--speed", "fast"], ["--since", "noon"], ["--since", "23:00"]],
)
def test_wrong_use_is_exit_2(run: Runner, job: Path, arguments: list[str]) -> None:
    assert run("replay", job, *arguments).code == 2


@pytest.mark.slow
def test_bytes_are_sent_on_as_they_were_recorded(job: Path) -> None:
    arguments = ["replay", str(job), "--to", "-", "--speed", "1000"]
    done = subprocess.run(
        [sys.executable, "-m", "rtcmtool", *arguments],
        cwd=PROJECT, capture_output=True, check=True, timeout=SAFETY_S,
    )  # fmt: skip
    assert done.stdout == data_of(STREAM)
    assert f"sent {len(done.stdout)} bytes" in done.stderr.decode()


def test_a_client_gets_every_byte_at_the_recorded_pace(
    run: Runner, job: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    port = free_port()
    got: list[bytes] = []
    sent: list[tuple[float, int]] = []  # when, by a clock that only waiting moves
    now_s, write = [1000.0], TcpListen.write

    def wait(seconds: float) -> None:
        now_s[0] += seconds

    def noted(target: TcpListen, data: bytes) -> None:
        sent.append((now_s[0], len(data)))
        write(target, data)

    def listen() -> None:
        due_s = time.monotonic() + SAFETY_S
        while time.monotonic() < due_s:
            try:
                connection = socket.create_connection(("127.0.0.1", port), SAFETY_S)
            except OSError:
                time.sleep(0.02)
                continue
            with connection:
                while data := connection.recv(65_536):
                    got.append(data)
            return

    monkeypatch.setattr(TcpListen, "write", noted)
    defaults: dict[str, Any] = sending.send.__kwdefaults__ or {}
    monkeypatch.setitem(defaults, "monotonic", lambda: now_s[0])
    monkeypatch.setitem(defaults, "sleep", wait)
    thread = threading.Thread(target=listen)
    thread.start()
    done = run("replay", job, "--to", f"tcp-listen://127.0.0.1:{port}", "--speed", "30")
    thread.join(SAFETY_S)
    assert done.code == 0
    assert b"".join(got) == data_of(STREAM)
    assert sum(size for _, size in sent) == len(data_of(STREAM))
    assert sent[-1][0] - sent[0][0] == pytest.approx(59 / 30, abs=0.02)
    pauses = [after - before for (before, _), (after, _) in pairwise(sent)]
    assert max(pauses) == pytest.approx(13 / 30, abs=0.02)


@pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals")
@pytest.mark.slow
def test_a_serial_port_needs_a_yes_and_tells_the_danger(run: Runner, job: Path) -> None:
    ours, theirs = os.openpty()
    device = os.ttyname(theirs)
    refused = run("replay", job, "--to", device, "--speed", "max")
    assert refused.code == 2
    assert "Corrections steer machines" in refused.err
    assert not select.select([ours], [], [], 0.05)[0]
    got: list[bytes] = []

    def read() -> None:
        while sum(map(len, got)) < len(data_of(STREAM)):
            got.append(os.read(ours, 4096))

    thread = threading.Thread(target=read, daemon=True)
    thread.start()
    done = run("replay", job, "--to", device, "--speed", "1000", "--yes")
    thread.join(SAFETY_S)
    os.close(ours)
    os.close(theirs)
    assert done.code == 0
    assert b"".join(got) == data_of(STREAM)
    assert "Corrections steer machines" in done.err


class Terminal:
    """Standard input at which somebody types."""

    def __init__(self, answer: str) -> None:
        self.answer = answer

    def isatty(self) -> bool:
        return True

    def readline(self) -> str:
        return self.answer


@pytest.mark.parametrize(("answer", "is_sent"), [("yes\n", True), ("y\n", False), ("", False)])
def test_only_a_typed_yes_is_a_yes(
    monkeypatch: pytest.MonkeyPatch, answer: str, is_sent: bool
) -> None:
    monkeypatch.setattr(sys, "stdin", Terminal(answer))
    options = argparse.Namespace(to="COM5", yes=False)
    if is_sent:
        ask(options)
    else:
        with pytest.raises(UsageError, match="nothing was sent"):
            ask(options)


def test_a_time_of_day_is_the_first_of_its_kind_in_the_capture() -> None:
    start = utc_ns(0)  # 06:59:42
    assert moment("07:00").after(start) == start + 18 * 10**9
    assert moment("06:59").after(start) == start - 42 * 10**9
    assert moment("06:58").after(start) == start - 102 * 10**9 + 86_400 * 10**9
    assert moment("2026-03-04T08:00:00+01:00").after(0) == start + 18 * 10**9


@pytest.mark.parametrize(
    "given",
    [
        ("--station", "417"),
        ("--refresh", "2s"),
        ("--bell",),
        ("--plain",),
        ("--json",),
        ("--at", "rover"),
        ("--clock", "trusted"),
        ("--radio-rate", "9600"),
        ("--overhead", "1.5"),
        ("--site", "site.toml"),
        ("--navigation", "day.rnx"),
    ],
)
def test_what_is_shown_alone_does_not_go_with_sending(
    run: Runner, job: Path, given: tuple[str, ...]
) -> None:
    done = run("replay", job, "--to", "-", *given)
    assert done.code == 2
    assert f"{given[0]} does not go with --to" in done.err


@pytest.mark.parametrize("given", [("--baud", "9600"), ("--yes",)])
def test_what_is_for_sending_needs_a_target(run: Runner, job: Path, given: tuple[str, ...]) -> None:
    done = run("replay", job, *given)
    assert done.code == 2
    assert f"{given[0]} goes with --to" in done.err
