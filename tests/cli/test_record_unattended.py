"""`record` as a process that nobody looks after: restarts, set clocks, full disks, hooks."""

import contextlib
import os
import resource
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import orjson
import pytest

from rtcmtool.captures import Capture, open_capture
from rtcmtool.captures.naming import split_part
from tests.cli.servers import address, answers, sends_for_ever, until_read
from tests.conftest import PROJECT
from tests.sources.conftest import Server
from tests.streams import base_stream

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform != "linux", reason="signals and limits of Linux"),
]

SAFETY_S = 120.0
HELD_BYTES = 3_000  # held back at most, while the disk is full
EVERY_S = 0.1  # for what a base sends each second
# The tool with limits of time in the test's hand, and a clock that a file sets: seconds, if it is
# there.
PROGRAM = """
import sys, time
from pathlib import Path
clock, real = Path(sys.argv.pop(1)), time.time_ns
time.time_ns = lambda: real() + (int(clock.read_text() or 0) * 10**9 if clock.exists() else 0)
from rtcmtool.captures import writing
from rtcmtool.running import disk
writing.RETRY_EVERY_S, writing.HELD_LIMIT_BYTES, disk.KEEP_EVERY_S = 1.0, HELD_BYTES, 0.5
from rtcmtool.cli.main import main
sys.exit(main(sys.argv[1:]))
""".replace("HELD_BYTES", str(HELD_BYTES))
EPOCHS: list[bytes] = []
for _sent in base_stream(400, numbers=(1074,)):
    if _sent.epoch == len(EPOCHS):
        EPOCHS.append(b"")
    EPOCHS[-1] += _sent.data
STREAM = b"".join(EPOCHS)

Serve = Callable[..., Server]
Start = Callable[..., "subprocess.Popen[bytes]"]


class Base:
    """Sends faster than real bases do, until the listener goes; tells what has been read."""

    def __init__(self, every_s: float = EVERY_S) -> None:
        self._every_s = every_s
        self._mark_bytes = len(STREAM)
        self._is_read = threading.Event()

    def __call__(self, connection: socket.socket) -> None:
        size = 0
        for epoch in EPOCHS:
            connection.sendall(epoch)
            size += len(epoch)
            if size >= self._mark_bytes and not self._is_read.is_set():
                until_read(connection)
                self._is_read.set()
            time.sleep(self._every_s)

    def until_read(self, size: int) -> None:
        """Wait until the listener has taken so many bytes."""
        self._mark_bytes = size
        assert self._is_read.wait(SAFETY_S)


base = Base()


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Start]:
    """Give a function that starts `record SOURCE NAME ...` and waits for bytes in a file.

    The name of the file may be a pattern.
    """
    started: list[subprocess.Popen[bytes]] = []

    def of(source: str, path: Path, *more: str, **how: object) -> "subprocess.Popen[bytes]":
        command = [sys.executable, "-c", PROGRAM, str(tmp_path / "clock"), "record", source]
        process: subprocess.Popen[bytes]
        process = subprocess.Popen(
            [*command, str(tmp_path / "job"), *more], cwd=PROJECT, stdout=subprocess.PIPE,
            stderr=subprocess.PIPE, **how,
        )  # type: ignore[call-overload]  # fmt: skip
        started.append(process)
        wait_for(lambda: any(size_of(each) for each in tmp_path.glob(path.name)), process)
        return process

    yield of
    for process in started:
        if process.poll() is None:
            process.kill()
        process.communicate(timeout=SAFETY_S)


def wait_for(is_true: Callable[[], bool], process: "subprocess.Popen[bytes]") -> None:
    due_s = time.monotonic() + SAFETY_S
    while not is_true():
        assert process.poll() is None, process.communicate()[1].decode()
        assert time.monotonic() < due_s
        time.sleep(0.02)


def size_of(path: Path) -> int:
    """Give the size of a file that may be deleted meanwhile."""
    try:
        return path.stat().st_size
    except FileNotFoundError:
        return 0


def grows_to(path: Path, epochs: float, process: "subprocess.Popen[bytes]") -> None:
    """Wait until so many epochs more have been recorded."""
    size = path.stat().st_size + epochs * len(EPOCHS[1])
    wait_for(lambda: path.stat().st_size >= size, process)


def ended(process: "subprocess.Popen[bytes]") -> tuple[str, str]:
    """End it as a service manager does; give what it printed."""
    process.send_signal(signal.SIGTERM)
    out, err = process.communicate(timeout=SAFETY_S)
    assert process.returncode == -signal.SIGTERM, err.decode()
    return out.decode(), err.decode()


def kinds(capture: Capture) -> list[str]:
    return [event.kind for event in capture.events]


# ---- restarts


def test_a_service_that_is_killed_and_started_again_keeps_its_disk_small(
    start: Start, serve: Serve, tmp_path: Path
) -> None:
    source = address(serve(Base(every_s=EVERY_S / 5)))
    # By size: four runs leave more than is kept, however slow the machine is.
    keep = ("--split", "2kB", "--keep", "14kB")
    (tmp_path / "job-001.txt").write_text("notes of the crew")
    stem, later_ns = "", 0
    for run in range(4):
        before = set(tmp_path.glob("job*.rtcm3"))

        def new_parts(before: set[Path] = before) -> list[tuple[str, int]]:
            # On a slow machine the first parts may be gone before anybody looks.
            names = [path.stem for path in tmp_path.glob("job*.rtcm3") if path not in before]
            return [part for name in names if (part := split_part(name)) is not None]

        process = start(source, tmp_path / "job*.rtcm3", *keep)
        wait_for(lambda: any(number >= 3 for _, number in new_parts()), process)
        process.kill()
        process.wait(SAFETY_S)
        stem, _ = new_parts()[0]
        later_ns = time.time_ns() if run == 0 else later_ns
    starts = [
        description.start_utc_ns or 0
        for path in tmp_path.glob("job*.rtcm3")
        if (description := open_capture(path).description) is not None
    ]
    assert min(starts) > later_ns  # nothing of the first run is left
    size = sum(path.stat().st_size for path in tmp_path.glob("job*"))
    part = max(
        sum(path.stat().st_size for path in tmp_path.glob(f"{one.stem}.*"))
        for one in tmp_path.glob(f"{stem}-0*.rtcm3")
    )
    assert size < 14_000 + 2 * part
    assert (tmp_path / "job-001.txt").exists()
    assert kinds(open_capture(tmp_path / stem)).count("deleted") >= 1


# ---- the computer's clock


def test_a_clock_that_is_set_by_an_hour_and_back_makes_no_outage(
    start: Start, serve: Serve, tmp_path: Path
) -> None:
    path = tmp_path / "job.rtcm3"
    began_s = time.monotonic()
    process = start(address(serve(base)), path, "--json")
    for seconds in ("3600", "0", "-3600"):
        grows_to(path, 12, process)
        (tmp_path / "clock").write_text(seconds)
    grows_to(path, 12, process)
    out, _ = ended(process)
    lasted_s = time.monotonic() - began_s
    capture = open_capture(path)
    steps = [event.values["step_s"] for event in capture.events if event.kind == "clock-step"]
    assert steps == pytest.approx([3600.0, -3600.0, -3600.0], abs=0.2)
    assert not capture.outages
    assert "monitor-gap" not in kinds(capture)
    account = orjson.loads(out.splitlines()[-1])
    assert 4.0 < account["seconds"] < lasted_s
    assert account["epochs_due"] == account["epochs_whole"] > 40
    assert path.read_bytes() == STREAM[: capture.size_bytes]


# ---- a full disk


def test_a_full_disk_is_told_tried_again_and_what_is_lost_is_a_monitor_gap(
    start: Start, serve: Serve, tmp_path: Path
) -> None:
    """A limit on the size of files stands for the disk; it is lifted while the recording runs."""
    limit = 8_000
    path = tmp_path / "job.rtcm3"

    def little_room() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, resource.RLIM_INFINITY))

    sender = Base(every_s=EVERY_S / 3)
    process = start(address(serve(sender)), path, preexec_fn=little_room)
    wait_for(lambda: path.stat().st_size == limit, process)
    sender.until_read(limit + HELD_BYTES + 6 * len(EPOCHS[1]))  # more than can be held back
    first = open_capture(path)
    assert b"".join(chunk.data for chunk in first.arrival_chunks()) == STREAM[:limit]
    lifted = (resource.RLIM_INFINITY, resource.RLIM_INFINITY)
    resource.prlimit(process.pid, resource.RLIMIT_FSIZE, lifted)
    grows_to(path, HELD_BYTES / len(EPOCHS[1]) + 10, process)
    _, err = ended(process)
    capture = open_capture(path)
    assert "not-written: cannot write: File too large" in err
    assert "trying again" in err
    (gap,) = [event for event in capture.events if event.kind == "monitor-gap"]
    lost = int(str(gap.values["bytes_lost"]))
    assert lost > 0
    assert not capture.outages
    recorded = path.read_bytes()
    begins = next(i for i, (ours, sent) in enumerate(zip(recorded, STREAM, strict=False))
                  if ours != sent)  # fmt: skip
    assert recorded[begins:] == STREAM[begins + lost :][: len(recorded) - begins]
    assert f"LOST        {lost:,}".replace(",", " ") in err


def test_a_disk_that_stays_full_leaves_a_capture_that_opens(
    start: Start, serve: Serve, tmp_path: Path
) -> None:
    path = tmp_path / "job.rtcm3"

    def little_room() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (8_000, 8_000))

    sender = Base(every_s=EVERY_S / 3)
    process = start(address(serve(sender)), path, preexec_fn=little_room)
    wait_for(lambda: path.stat().st_size == 8_000, process)
    sender.until_read(8_000 + 6 * len(EPOCHS[1]))
    out, err = ended(process)
    assert out == f"{path}\n"
    assert "LOST" in err
    assert "Traceback" not in err
    capture = open_capture(path)
    assert capture.size_bytes == 8_000
    assert path.read_bytes() == STREAM[:8_000]


# ---- commands of the user


def test_commands_learn_of_an_outage_and_of_the_recovery(
    start: Start, serve: Serve, tmp_path: Path
) -> None:
    """The first hangs and floods; the recording goes on, and the second still runs."""

    silent_s: list[float] = []

    def silent_for_a_while(connection: socket.socket) -> None:
        for epoch in EPOCHS[:8]:
            time.sleep(EVERY_S)
            connection.sendall(epoch)
        began_s = time.monotonic()
        time.sleep(6.6)
        silent_s.append(time.monotonic() - began_s)
        sends_for_ever(STREAM[: len(STREAM) // 2], 0.3)(connection)

    facts = 'echo "$RTCMTOOL_EVENT $RTCMTOOL_KIND $RTCMTOOL_DURATION_S $RTCMTOOL_CAPTURE"'
    process = start(
        address(serve(silent_for_a_while)), tmp_path / "job.rtcm3",
        "--on-outage", f"{facts} >> {tmp_path}/told; yes; sleep 60",
        "--on-recovery", f"{facts} >> {tmp_path}/told; exit 7",
    )  # fmt: skip
    told = tmp_path / "told"
    wait_for(lambda: told.exists() and told.read_text().count("\n") == 2, process)
    wait_for(lambda: b'"command"' in (tmp_path / "job.events.jsonl").read_bytes(), process)
    _, err = ended(process)
    outage, recovery = (line.split() for line in told.read_text().splitlines())
    assert outage[:2] == ["outage", "silence"]
    assert 5.0 <= float(outage[2]) < float(recovery[2])
    assert recovery[:2] == ["recovery", "silence"]
    assert 6.5 <= float(recovery[2]) < silent_s[0] + 1.4
    assert outage[3] == recovery[3] == str(tmp_path / "job.rtcm3")
    assert "command: --on-recovery failed: exit 7" in err
    for line in subprocess.run(["pgrep", "-x", "yes"], capture_output=True, text=True,
                               check=False).stdout.split():  # fmt: skip
        with contextlib.suppress(OSError):  # it has ended meanwhile
            if str(tmp_path) in Path(f"/proc/{line}/environ").read_text():
                os.kill(int(line), signal.SIGKILL)


# ---- several sources


def test_a_source_that_is_refused_leaves_the_others_alone(
    start: Start, serve: Serve, tmp_path: Path
) -> None:
    base_server = serve(base)
    unknown = serve(answers(b"HTTP/1.1 404 Not Found\r\n\r\n", b"", stays=False))
    caster = address(unknown, "ntrip", "/MARSH")
    process = start(address(base_server), tmp_path / "job.rtcm3", "--also", caster)
    wait_for(lambda: unknown.connections > 0, process)
    grows_to(tmp_path / "job.rtcm3", 20, process)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=SAFETY_S)
    assert process.returncode == 3
    assert b"has no stream MARSH" in err
    assert b"The other sources go on." in err
    assert out.decode().split() == [str(tmp_path / "job.rtcm3")]
    description = open_capture(tmp_path / "job.rtcm3").description
    assert description is not None
    assert description.is_complete


def test_several_accounts_fit_one_screen_and_a_source_that_was_never_open_is_told(
    start: Start, serve: Serve, tmp_path: Path, refusing_port: int
) -> None:
    nobody = f"tcp://127.0.0.1:{refusing_port}"
    servers = [serve(base) for _ in range(2)]
    others = [address(server) for server in servers]
    process = start(
        address(serve(base)), tmp_path / "job.rtcm3",
        "--also", others[0], "--also", others[1], "--also", nobody,
    )  # fmt: skip
    grows_to(tmp_path / "job.rtcm3", 20, process)
    for server in servers:
        also = tmp_path / f"job-127_0_0_1_{server.port}.rtcm3"
        wait_for(lambda also=also: size_of(also) > 0, process)  # type: ignore[misc]
    out, err = ended(process)
    account = err[err.index("closing the capture") :] + out
    assert len(account.splitlines()) <= 24
    assert all(len(line) <= 80 or str(tmp_path) in line for line in account.splitlines())
    assert f"{nobody}: never open, so there is no capture of it" in account
    assert len(out.splitlines()) == 3
    assert all(open_capture(line).size_bytes > 0 for line in out.splitlines())
