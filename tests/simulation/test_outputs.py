"""Where simulated bytes go, at what pace, and what is written about them."""

import io
import os
import socket
import sys
import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rtcmtool.captures import open_capture
from rtcmtool.captures.pacing import MAX_SPEED
from rtcmtool.errors import SourceError, UsageError
from rtcmtool.simulation.faults import make_fault
from rtcmtool.simulation.outputs import (
    PseudoTerminal,
    SerialPort,
    StandardOutput,
    Target,
    TcpListen,
    target_of,
)
from rtcmtool.simulation.playing import Clock, play, starting_now
from rtcmtool.simulation.recording import Recorder, truth_of
from rtcmtool.simulation.run import simulate
from rtcmtool.simulation.scenario import Rover, Scenario
from rtcmtool.wire.stream import decode_stream
from tests.simulation.heard import SMALL

SAFETY_S = 120.0
SHORT = replace(SMALL, duration_s=4.0)


class HandMovedClock:
    """A clock that moves only when somebody waits."""

    def __init__(self) -> None:
        self.now_s = 1000.0
        self.waited: list[float] = []

    def sleep(self, seconds: float) -> None:
        self.waited.append(seconds)
        self.now_s += seconds

    def clock(self) -> Clock:
        return Clock(
            time_ns=lambda: 1_790_000_000_000_000_000 + round((self.now_s - 1000.0) * 1e9),
            monotonic=lambda: self.now_s,
            sleep=self.sleep,
        )


class Memory(Target):
    """A target that notes what comes when."""

    def __init__(self, now: Callable[[], float] = lambda: 0.0) -> None:
        self.now = now
        self.pieces: list[tuple[float, bytes]] = []

    def open(self, tell: Callable[[str], None]) -> None:
        tell("open")

    def write(self, data: bytes) -> None:
        self.pieces.append((self.now(), data))

    def close(self) -> None:
        pass

    @property
    def data(self) -> bytes:
        return b"".join(data for _, data in self.pieces)


def stream_of(scenario: Scenario) -> bytes:
    return b"".join(chunk.data for chunk in simulate(scenario))


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("-", StandardOutput),
        ("pty", PseudoTerminal),
        ("tcp-listen://127.0.0.1:5015", TcpListen),
        ("tcp-listen://[::1]:0/", TcpListen),
        ("/dev/ttyUSB7", SerialPort),
        ("COM5", SerialPort),
        ("socket://127.0.0.1:1", SerialPort),
    ],
)
def test_a_target_is_told_by_its_form(text: str, kind: type) -> None:
    assert isinstance(target_of(text, 9600), kind)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("tcp://127.0.0.1:5015", "nothing can be sent to tcp://"),
        ("ntrip://host/POINT", "nothing can be sent to ntrip://"),
        ("tcp-listen://127.0.0.1", "has no port"),
        ("tcp-listen://127.0.0.1:99999", "has no port"),
        ("ours.rtcm3", "is a file, no target"),
    ],
)
def test_what_is_no_target_is_refused(text: str, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        target_of(text, 9600)


def test_only_a_serial_port_asks_for_a_yes() -> None:
    asking = [target_of(t, 9600).needs_yes for t in ("-", "pty", "tcp-listen://:1", "COM1")]
    assert asking == [False, False, False, True]


def test_a_terminal_gets_no_bytes(monkeypatch: pytest.MonkeyPatch) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setattr(sys, "stdout", Terminal())
    with pytest.raises(UsageError, match="bytes, not text"):
        StandardOutput().open(lambda _: None)


def test_standard_output_gets_the_bytes_and_nothing_else() -> None:
    stream = io.BytesIO()
    target = StandardOutput(stream)
    target.open(lambda _: None)
    play(SHORT, HandMovedClock().clock(), speed=MAX_SPEED, target=target)
    target.close()
    assert stream.getvalue() == stream_of(SHORT)


@pytest.mark.parametrize(("speed", "lasts_s"), [(1.0, 4.0), (4.0, 1.0), (MAX_SPEED, 0.0)])
def test_the_pace_is_kept(speed: float, lasts_s: float) -> None:
    clock = HandMovedClock()
    target = Memory(lambda: clock.now_s)
    played = play(SHORT, clock.clock(), speed=speed, target=target)
    assert clock.now_s - 1000.0 == pytest.approx(lasts_s, abs=0.9 / min(speed, 4.0))
    assert max(clock.waited, default=0.0) <= 0.2
    assert played.size_bytes == len(target.data)
    assert played.pieces == len(target.pieces)


def test_a_computer_clock_that_is_off_does_not_change_the_pace() -> None:
    clock = HandMovedClock()
    target = Memory(lambda: clock.now_s)
    scenario = replace(SHORT, faults=(make_fault("clock-off", 2.0),))
    play(scenario, clock.clock(), speed=1.0, target=target)
    assert clock.now_s - 1000.0 == pytest.approx(4.0, abs=0.9)


def test_a_live_stream_carries_the_present() -> None:
    clock = HandMovedClock()
    scenario = starting_now(SHORT, clock.clock())
    target = Memory(lambda: clock.now_s)
    play(scenario, clock.clock(), speed=1.0, is_now=True, target=target)
    assert scenario.start_utc_ns % 10**9 == 0
    assert 1.0 <= (scenario.start_utc_ns - 1_790_000_000_000_000_000) / 1e9 < 2.0
    first_s = target.pieces[0][0] - 1000.0
    begin_s = (scenario.start_utc_ns - 1_790_000_000_000_000_000) / 1e9
    assert 0.05 < first_s - begin_s < 0.5


@pytest.mark.slow
def test_a_client_gets_the_stream_and_one_who_leaves_is_dropped() -> None:
    lines: list[str] = []
    target = TcpListen("127.0.0.1", 0)
    target.listen(lines.append)
    received = bytearray()

    def client() -> None:
        with socket.create_connection(("127.0.0.1", target.port), SAFETY_S) as connection:
            while data := connection.recv(4096):
                received.extend(data)

    def hurried() -> None:
        socket.create_connection(("127.0.0.1", target.port), SAFETY_S).close()

    threads = [threading.Thread(target=client), threading.Thread(target=hurried)]
    for thread in threads:
        thread.start()
    threads[1].join()
    assert target._listener is not None
    target._listener.settimeout(SAFETY_S)
    while len(target._clients) < 2:
        target._accept()
    target._listener.setblocking(False)
    play(SHORT, HandMovedClock().clock(), speed=MAX_SPEED, target=target)
    target.close()
    threads[0].join(SAFETY_S)
    assert bytes(received) == stream_of(SHORT)
    assert any(line.startswith("listening on 127.0.0.1:") for line in lines)


def test_a_port_that_is_taken_is_told() -> None:
    with (
        socket.create_server(("127.0.0.1", 0)) as taken,
        pytest.raises(SourceError, match="cannot listen"),
    ):
        TcpListen("127.0.0.1", taken.getsockname()[1]).listen(lambda _: None)


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals here")
def test_a_pseudo_terminal_is_read_like_a_serial_port() -> None:
    import serial

    lines: list[str] = []
    target = PseudoTerminal()
    target.open(lines.append)
    received = bytearray()
    with serial.Serial(target.name, 115_200, timeout=SAFETY_S) as port:

        class Between(Memory):
            def write(self, data: bytes) -> None:
                target.write(data)
                received.extend(port.read(len(data)))  # the system hands it on later

        play(SHORT, HandMovedClock().clock(), speed=MAX_SPEED, target=Between())
    target.close()
    assert lines == [f"sending to {lines[0].rpartition(' ')[2]}"]
    assert bytes(received) == stream_of(SHORT)


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals here")
def test_nobody_at_the_other_end_stops_nothing() -> None:
    target = PseudoTerminal()
    target.open(lambda _: None)
    for _ in range(100):
        target.write(bytes(1000))
    target.close()


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals here")
def test_a_serial_port_takes_the_bytes() -> None:
    pair = PseudoTerminal()
    pair.open(lambda _: None)
    port = SerialPort(pair.name, 38_400)
    port.open(lambda _: None)
    port.write(b"\xd3\x00\x00")
    os.set_blocking(pair._ours, True)  # the system hands it on later
    assert os.read(pair._ours, 10) == b"\xd3\x00\x00"
    port.close()
    pair.close()


def test_a_serial_port_that_is_not_there_is_told() -> None:
    with pytest.raises(SourceError, match="cannot be opened for sending"):
        SerialPort("no-such-port", 9600).open(lambda _: None)


def test_a_recording_is_a_capture_that_says_what_is_true(tmp_path: Path) -> None:
    faults = (make_fault("silence", 1.0, 2.0), make_fault("weak-radio"))
    scenario = replace(SHORT, faults=faults, rover=Rover())
    recorder = Recorder(tmp_path / "ours", scenario, 0.0)
    played = play(scenario, HandMovedClock().clock(), speed=MAX_SPEED, recorder=recorder)
    names = sorted(path.name for path in tmp_path.iterdir())
    stems = [f"ours{part}{suffix}" for part in ("", "-rover") for suffix in (
        ".arrivals", ".events.jsonl", ".json", ".outages.csv", ".rtcm3")]  # fmt: skip
    assert names == sorted([*stems, "ours-rover.nmea"])
    capture = open_capture(tmp_path / "ours.rtcm3")
    description = capture.description
    assert description is not None
    assert description.simulated
    assert description.end_utc_ns == played.end_utc_ns // 1000 * 1000  # as it is written
    note = description.note or ""
    assert note.startswith("SIMULATED: scenario test, seed 1")
    assert "silence@1s+2s (2026-03-04T07:42:01Z to 2026-03-04T07:42:03Z)" in note
    assert "weak-radio@0s:0.0002" in note
    assert (tmp_path / "ours.rtcm3").read_bytes() == stream_of(replace(scenario, rover=None))
    nmea = (tmp_path / "ours-rover.nmea").read_text(encoding="ascii")
    assert nmea.count("GGA,") == 4


def test_what_is_recorded_reads_back_with_its_arrivals(tmp_path: Path) -> None:
    recorder = Recorder(tmp_path / "a", SHORT, 0.0)
    play(SHORT, HandMovedClock().clock(), speed=MAX_SPEED, recorder=recorder)
    capture = open_capture(tmp_path / "a.rtcm3")
    heard = [batch.arrival_utc_ns for batch in decode_stream(capture.chunks())]
    sent = [batch.arrival_utc_ns for batch in decode_stream(simulate(SHORT))]
    assert np.concatenate(heard).tolist() == np.concatenate(sent).tolist()


@pytest.mark.slow
def test_nothing_is_written_over(tmp_path: Path) -> None:
    for _ in range(2):
        recorder = Recorder(tmp_path / "a", SHORT, 0.0)
        play(SHORT, HandMovedClock().clock(), speed=MAX_SPEED, recorder=recorder)
    assert (tmp_path / "a-2.rtcm3").read_bytes() == (tmp_path / "a.rtcm3").read_bytes()


def test_an_interrupted_recording_is_closed(tmp_path: Path) -> None:
    class Interrupted(Memory):
        def write(self, data: bytes) -> None:
            super().write(data)
            if len(self.pieces) == 5:
                raise KeyboardInterrupt

    recorder = Recorder(tmp_path / "a", SHORT, 0.0)
    with pytest.raises(KeyboardInterrupt):
        play(
            SHORT, HandMovedClock().clock(), speed=MAX_SPEED, target=Interrupted(),
            recorder=recorder,
        )  # fmt: skip
    description = open_capture(tmp_path / "a.rtcm3").description
    assert description is not None
    assert description.is_complete


def test_the_truth_names_the_rover_and_says_so_when_nothing_is_wrong() -> None:
    text = truth_of(replace(SHORT, rover=Rover(east_m=1.0, north_m=2.0, up_m=-3.0)))
    assert "rover at 1,2,-3 m" in text
    assert text.endswith("no fault")
