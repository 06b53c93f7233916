"""`watch`: lines, JSON Lines and the dashboard in a real pseudo-terminal."""

import argparse
import os
import queue
import re
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import orjson
import pytest

from rtcmtool.cli import main, replay, watch
from rtcmtool.running.feed import Bytes, Feed
from rtcmtool.running.rover_ear import FIXES_TO_TRUST, RoverEar
from rtcmtool.running.session import Session
from rtcmtool.sources import Position
from rtcmtool.sources.ntrip import NtripSource
from rtcmtool.sources.ntrip_request import CasterAddress
from rtcmtool.sources.serial_port import SerialSource
from tests.cli.conftest import Runner
from tests.cli.servers import address, sends, sends_for_ever
from tests.conftest import PROJECT
from tests.running.driving import MONOTONIC_S, T0_NS, drive
from tests.sources.conftest import Server
from tests.streams import base_stream, data_of

Serve = Callable[..., Server]
ENTERS, LEAVES = b"\x1b[?1049h", b"\x1b[?1049l"
LAST = b"<the end>"
SAFETY_S = 120.0
STREAM = data_of(base_stream(30))


@pytest.mark.slow
def test_a_pipe_is_watched_to_its_end_in_lines(run_process: Runner) -> None:
    done = run_process("watch", "-", input=STREAM)
    assert done.code == 0
    assert "\x1b" not in done.out
    watched = re.match(r"Watched (\d+) s\.", done.lines[-1])
    assert watched is not None
    assert int(watched[1]) < 30  # the stream says 30 s, the pipe is read at once
    assert "Position unchanged." in done.lines[-1]
    assert done.err.splitlines()[0] == "Opening - ..."


@pytest.mark.slow
def test_json_lines_hold_nothing_else(run_process: Runner) -> None:
    done = run_process("watch", "-", "--json", input=STREAM)
    assert done.code == 0
    kinds = [line["type"] for line in done.json_lines]
    assert "status" in kinds
    assert "event" in kinds
    last = [line for line in done.json_lines if line["type"] == "status"][-1]
    assert last["source"] == "-"


@pytest.mark.slow
def test_a_pipe_without_a_frame_ends_with_4(run_process: Runner) -> None:
    done = run_process("watch", "-", "--plain", input=b"nothing of the kind\r\n" * 20)
    assert done.code == 4
    assert "held no RTCM 3 frame" in done.err


@pytest.mark.slow
def test_the_log_is_kept_at_the_same_time(run_process: Runner, tmp_path: Path) -> None:
    done = run_process("watch", "-", "--record", tmp_path / "job", input=STREAM)
    assert done.code == 0
    assert (tmp_path / "job.rtcm3").read_bytes() == STREAM
    assert f"Log: {tmp_path / 'job.rtcm3'}" in done.out


def test_a_port_that_is_not_there_ends_with_3(run: Runner) -> None:
    done = run("watch", "/dev/ttyNOWHERE", "--plain")
    assert done.code == 3
    assert "there is no port /dev/ttyNOWHERE" in done.err


def test_only_files_are_followed(run: Runner) -> None:
    done = run("watch", "tcp://127.0.0.1:1", "--follow")
    assert done.code == 2


def test_a_file_alone_takes_no_rover(run: Runner, healthy: Path) -> None:
    done = run("watch", healthy, "--rover", "COM8")
    assert done.code == 2
    assert "--follow" in done.err


@pytest.mark.parametrize(
    ("option", "value"),
    [("--user", "crew"), ("--password-file", "w"), ("--position", "1,2,3")],
)
def test_a_file_takes_nothing_that_is_for_live_sources(
    run: Runner, healthy: Path, option: str, value: str
) -> None:
    done = run("watch", healthy, option, value)
    assert done.code == 2
    assert f"{option} goes with a live source" in done.err


def test_every_other_option_reaches_the_replay_of_a_file(
    healthy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    parser = argparse.ArgumentParser()
    replay.add_arguments(parser)
    seen: list[argparse.Namespace] = []

    def take(words: list[str]) -> int:
        assert words[0] == "replay"
        seen.append(parser.parse_args(words[1:]))
        return 0

    monkeypatch.setattr(main, "main", take)
    given = (
        "--refresh 2s --bell --plain --json -q -vv --color never --site s.toml --navigation n.rnx "
        "--at rover --clock trusted --radio-rate 9600 --overhead 1.5 --station 417"
    )
    asked = argparse.ArgumentParser()
    watch.add_arguments(asked)
    options = asked.parse_args([str(healthy), *given.split()])
    assert watch.run(options) == 0
    live_only = {"record", "rover", "follow", "baud", "user", "password_file", "position"}
    wanted = {name: value for name, value in vars(options).items() if name not in live_only}
    got = vars(seen[0])
    assert {name: got[name] for name in wanted} == wanted | {"source": str(healthy)}


# ---- in a terminal


class Window:
    """A pseudo-terminal with the tool in it; everything that is drawn is kept."""

    def __init__(self, *arguments: object, columns: int = 80, lines: int = 24) -> None:
        import fcntl
        import struct
        import termios

        self.end, device = os.openpty()
        fcntl.ioctl(device, termios.TIOCSWINSZ, struct.pack("HHHH", lines, columns, 0, 0))
        self.before = termios.tcgetattr(device)
        self.device = device
        environment = {**os.environ, "TERM": "xterm-256color"}

        def take_terminal() -> None:
            os.setsid()
            fcntl.ioctl(0, termios.TIOCSCTTY, 0)

        self.process = subprocess.Popen(
            [sys.executable, "-m", "rtcmtool", *map(str, arguments)],
            cwd=PROJECT, env=environment, stdin=device, stdout=device, stderr=device,
            preexec_fn=take_terminal,  # noqa: PLW1509  # the only way to a terminal of its own
        )  # fmt: skip
        self.written = b""
        self._pieces: queue.SimpleQueue[bytes] = queue.SimpleQueue()
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        try:
            while data := os.read(self.end, 65536):
                self._pieces.put(data)
        except OSError:  # closed
            return

    def wait_for(self, words: bytes) -> None:
        due_s = time.monotonic() + SAFETY_S
        while words not in self.written and time.monotonic() < due_s:
            try:
                self.written += self._pieces.get(timeout=0.1)
            except queue.Empty:
                continue
        assert words in self.written

    def type(self, keys: bytes) -> None:
        os.write(self.end, keys)

    def ends(self) -> int:
        code = self.process.wait(SAFETY_S)
        os.write(self.device, LAST)  # what comes out behind all that was drawn
        self.wait_for(LAST)
        return code

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        os.close(self.device)
        os.close(self.end)


@pytest.fixture
def window(serve: Serve) -> Iterator[Callable[..., Window]]:
    """Give a maker of windows in which a talking base is watched."""
    windows: list[Window] = []
    server = serve(sends_for_ever(data_of(base_stream(2)), 0.3))

    def make(*more: object, **size: int) -> Window:
        windows.append(Window("watch", address(server), *more, **size))
        return windows[-1]

    yield make
    for each in windows:
        each.close()


pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals")


@pytest.mark.slow
@pytest.mark.parametrize(("key", "code"), [(b"q", 0), (b"\x03", 130)])
def test_q_and_ctrl_c_leave_and_the_summary_stays(window, key: bytes, code: int) -> None:
    import termios

    shown = window()
    shown.wait_for(b"last epoch")
    shown.type(key)
    assert shown.ends() == code
    assert termios.tcgetattr(shown.device) == shown.before
    assert shown.written.index(ENTERS) < shown.written.index(LEAVES)
    assert b"Watched " in shown.written[shown.written.rindex(LEAVES) :]


@pytest.mark.slow
def test_a_window_of_another_size_is_drawn_anew(window) -> None:
    import fcntl
    import struct
    import termios

    shown = window()
    shown.wait_for(b"last epoch")
    fcntl.ioctl(shown.end, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 120, 0, 0))
    shown.wait_for(b"since start")  # stands on the wide page alone
    shown.type(b"q")
    assert shown.ends() == 0


@pytest.mark.slow
def test_the_shell_gets_the_terminal_at_ctrl_z_and_we_get_it_back(window) -> None:
    import signal
    import termios

    shown = window()
    shown.wait_for(b"last epoch")
    shown.type(b"\x1a")
    shown.wait_for(LEAVES)
    due_s = time.monotonic() + SAFETY_S
    while shown.written.count(ENTERS) < 2 and time.monotonic() < due_s:
        shown.process.send_signal(signal.SIGCONT)
        time.sleep(0.2)
        while not shown._pieces.empty():
            shown.written += shown._pieces.get()
    assert shown.written.count(ENTERS) == 2
    shown.type(b"q")
    assert shown.ends() == 0
    assert termios.tcgetattr(shown.device) == shown.before


@pytest.mark.slow
def test_a_recording_ends_at_a_yes_and_at_ctrl_c_without(window, tmp_path: Path) -> None:
    shown = window("--record", tmp_path / "job")
    shown.wait_for(b"last epoch")
    shown.type(b"q")
    shown.wait_for(b"ends the recording")
    assert shown.process.poll() is None
    shown.type(b"y")
    assert shown.ends() == 0
    assert (tmp_path / "job.rtcm3").stat().st_size > 0
    assert b"Log: " in shown.written
    again = window("--record", tmp_path / "job")
    again.wait_for(b"last epoch")
    again.type(b"\x03")
    assert again.ends() == 130
    description = orjson.loads((tmp_path / "job-2.json").read_bytes())
    assert description["end_utc"]


@pytest.mark.slow
def test_the_rover_s_sentences_are_kept_beside_the_recording(
    window, serve: Serve, tmp_path: Path
) -> None:
    lines = b"".join(gga(second) for second in range(20))
    rover = address(serve(sends(lines)))
    shown = window("--record", tmp_path / "job", "--rover", rover)
    kept, due_s = tmp_path / "job-rover.nmea", time.monotonic() + SAFETY_S
    while not (kept.exists() and kept.read_bytes() == lines) and time.monotonic() < due_s:
        time.sleep(0.05)
    shown.type(b"\x03")
    assert shown.ends() == 130
    assert kept.read_bytes() == lines
    assert b"Rover: " in shown.written


@pytest.mark.slow
def test_sigterm_puts_the_terminal_back_and_dies_of_it(window) -> None:
    import signal
    import termios

    shown = window()
    shown.wait_for(b"last epoch")
    shown.process.send_signal(signal.SIGTERM)
    assert shown.ends() == -signal.SIGTERM
    assert termios.tcgetattr(shown.device) == shown.before
    assert LEAVES in shown.written


@pytest.mark.slow
def test_a_dumb_terminal_gets_lines(window, monkeypatch: pytest.MonkeyPatch, serve: Serve) -> None:
    shown = window("--plain")
    shown.wait_for(b"CANNOT TELL")
    shown.type(b"\x03")
    assert shown.ends() == 130
    assert ENTERS not in shown.written


@pytest.mark.slow
def test_a_source_that_is_lost_is_said_and_tried_again(serve: Serve) -> None:
    # The waits grow: at least the later ones are long enough to be drawn.
    lost = sends(STREAM, every_s=0.5, stays=False)
    server = serve(lost, lost, lost, sends_for_ever(STREAM, 0.5))
    shown = Window("watch", address(server))
    try:
        shown.wait_for(b"NOT WATCHING")
        due_s = time.monotonic() + SAFETY_S
        while server.connections < 2 and time.monotonic() < due_s:
            time.sleep(0.05)
        shown.type(b"q")
        assert shown.ends() == 0
        assert server.connections >= 2
    finally:
        shown.close()


@pytest.mark.slow
def test_a_window_that_is_held_does_not_hold_up_the_log_nor_the_end(window, tmp_path: Path) -> None:
    import signal
    import termios

    shown = window("--record", tmp_path / "job")
    shown.wait_for(b"last epoch")
    termios.tcflow(shown.device, termios.TCOOFF)  # as Ctrl-S does
    written = tmp_path / "job.rtcm3"
    size, due_s = written.stat().st_size, time.monotonic() + SAFETY_S
    while written.stat().st_size < size + 3000 and time.monotonic() < due_s:
        time.sleep(0.05)
    assert written.stat().st_size >= size + 3000
    shown.process.send_signal(signal.SIGTERM)
    assert shown.process.wait(SAFETY_S) == -signal.SIGTERM
    assert termios.tcgetattr(shown.device) == shown.before
    assert orjson.loads((tmp_path / "job.json").read_bytes())["end_utc"]


@pytest.mark.slow
def test_a_window_that_is_let_go_shows_the_present(window) -> None:
    import termios

    shown = window()
    shown.wait_for(b"last epoch")
    termios.tcflow(shown.device, termios.TCOOFF)
    time.sleep(3)
    termios.tcflow(shown.device, termios.TCOON)
    shown.written = b""
    shown.wait_for(b"last epoch")
    shown.type(b"q")
    assert shown.ends() == 0
    assert shown.written.count(LEAVES) == 1


# ---- the rover beside it


def gga(second: int, quality: int = 4) -> bytes:
    from rtcmtool.sources.position_line import checksum

    body = (
        f"GPGGA,0700{second:02d}.00,1200.0000,N,03400.0000,W,{quality},12,0.8,60.0,M,0.0,M,1.0,0417"
    )
    return f"${body}*{checksum(body):02X}\r\n".encode()


def told(session: Session, ear: RoverEar, base: Feed, late_s: float) -> None:
    """Let fixes of 07:00:00 UTC on come, each so long after its time."""
    day_ns = T0_NS - T0_NS % (86_400 * 10**9)
    for second in range(FIXES_TO_TRUST + 3):
        at_ns = day_ns + (7 * 3600 + second) * 10**9 + round(late_s * 1e9)
        ear.take(Bytes(at_ns, MONOTONIC_S + second, gga(second)), session, base)


@pytest.mark.parametrize(("late_s", "trusted"), [(0.2, True), (-30.0, False), (4.0, False)])
def test_a_rover_whose_time_agrees_makes_the_clock_trusted(
    tmp_path: Path, late_s: float, trusted: bool
) -> None:
    driven = drive(tmp_path)
    base, rover = Feed(SerialSource("COM5")), Feed(SerialSource("COM8"))
    told(driven.session, RoverEar(rover), base, late_s)
    assert driven.session.live.clock_trusted is trusted
    driven.close()


def test_a_rover_that_falls_to_float_and_back_is_kept_in_the_events(tmp_path: Path) -> None:
    driven = drive(tmp_path)
    ear, base = RoverEar(Feed(SerialSource("COM8"))), Feed(SerialSource("COM5"))
    qualities = [4] * 5 + [5] * 2 + [4] * 5 + [5] * 6 + [4] * 5  # two of float alone are no fall
    for second, quality in enumerate(qualities):
        ear.take(Bytes(T0_NS, MONOTONIC_S + second, gga(second, quality)), driven.session, base)
    driven.close()
    texts = [event.text for event in driven.kept.of("rover")]
    assert texts == [
        "rover: fixed, since 07:00:00 UTC, corrections 1 s old",
        "rover: float, was fixed, since 07:00:12 UTC, corrections 1 s old",
        "rover: fixed, was float, since 07:00:18 UTC, corrections 1 s old",
    ]


def test_the_rover_s_position_goes_to_the_caster(tmp_path: Path) -> None:
    driven = drive(tmp_path)
    caster = NtripSource("ntrip://x/B", CasterAddress("x", 2101, "B"))
    ear = RoverEar(Feed(SerialSource("COM8")), tells_position=True)
    told(driven.session, ear, Feed(caster), 0.2)
    assert caster.position == Position(12.0, -34.0, 60.0)
    assert ear.state.latest is not None
    assert ear.state.latest.quality == 4
    driven.close()
