import os
import signal
import socket
import threading
import time
from pathlib import Path

import pytest

from rtcmtool.captures import CaptureWriter, Description, Event, open_capture
from rtcmtool.captures.pacing import MAX_SPEED, Pace
from rtcmtool.captures.reading import Capture
from rtcmtool.errors import SourceError, UsageError
from rtcmtool.running.sending import (
    DATAGRAM_BYTES,
    Interruptible,
    Interruption,
    Stopped,
    TcpConnect,
    UdpSend,
    send,
    sending_target,
)
from rtcmtool.running.timeline import Timeline
from rtcmtool.simulation.outputs import SerialPort, StandardOutput, Target, TcpListen, Tell
from tests.running.driving import utc_ns

CHUNKS = [(0.0, b"abc"), (1.0, b"de"), (5.0, b"f")]


@pytest.fixture
def capture(tmp_path: Path) -> Capture:
    writer = CaptureWriter(tmp_path / "job", Description("test", "0"), monotonic_s=0.0)
    for at_s, data in CHUNKS:
        writer.write(data, utc_ns(at_s))
    writer.close(utc_ns(6))
    return open_capture(writer.path)


class Kept(Target):
    def __init__(self, clock: list[float]) -> None:
        self.clock, self.got = clock, list[tuple[float, bytes]]()

    def open(self, tell: Tell) -> None: ...

    def write(self, data: bytes) -> None:
        self.got.append((round(self.clock[0], 2), data))

    def close(self) -> None: ...


def ignore(_: str) -> None: ...


@pytest.mark.parametrize("speed", [1.0, 10.0])
def test_chunks_go_out_at_their_recorded_pace(capture: Capture, speed: float) -> None:
    clock = [0.0]

    def sleep(length_s: float) -> None:
        clock[0] += length_s

    target = Kept(clock)
    sent = send(
        Timeline(capture), target, Pace(speed), tell=ignore,
        monotonic=lambda: clock[0], sleep=sleep,
    )  # fmt: skip
    assert target.got == [(round(at_s / speed, 2), data) for at_s, data in CHUNKS]
    assert (sent.size_bytes, sent.chunks, sent.is_whole) == (6, 3, True)


def test_a_range_of_time_is_sent(capture: Capture) -> None:
    target = Kept([0.0])
    pace = Pace(MAX_SPEED)
    sent = send(Timeline(capture, since=utc_ns(0.5), until=utc_ns(2)), target, pace, tell=ignore)
    assert [data for _, data in target.got] == [b"de"]
    assert sent.is_whole


@pytest.mark.parametrize("step_s", [3600.0, -3600.0])
def test_a_step_of_the_recording_clock_is_not_waited_for(tmp_path: Path, step_s: float) -> None:
    writer = CaptureWriter(tmp_path / "job", Description("test", "0"), monotonic_s=0.0)
    for at_s, data in [(0.0, b"a"), (1.0, b"b"), (2.0 + step_s, b"c"), (3.0 + step_s, b"d")]:
        writer.write(data, utc_ns(at_s))
    writer.event(Event(utc_ns(2.0 + step_s), "clock-step", "set", {"step_s": step_s}))
    writer.close(utc_ns(4 + step_s))
    clock = [0.0]

    def sleep(length_s: float) -> None:
        clock[0] += length_s

    target = Kept(clock)
    timeline = Timeline(open_capture(writer.path))
    sent = send(
        timeline, target, Pace(), tell=ignore, monotonic=lambda: clock[0], sleep=sleep
    )  # fmt: skip
    assert b"".join(data for _, data in target.got) == b"abcd"
    assert target.got[-1][0] <= 3.0
    assert sent.is_whole


BOUND_S = 0.1  # of each arrival; idle machines keep 1 ms


@pytest.mark.slow
def test_a_client_gets_each_chunk_at_the_time_of_its_arrival(tmp_path: Path) -> None:
    """In real time, over a socket, against the arrivals file."""
    gaps_s = [0.0, 0.01, 0.3, 0.02, 1.1, 0.005, 0.45, 0.7, 0.15, 0.25]
    writer = CaptureWriter(tmp_path / "job", Description("test", "0"), monotonic_s=0.0)
    at_s = 0.0
    for number, gap_s in enumerate(gaps_s):
        at_s += gap_s
        writer.write(bytes([number]) * 100, utc_ns(at_s))
    writer.close(utc_ns(at_s))
    capture = open_capture(writer.path)
    came_s: dict[int, float] = {}
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def take() -> None:
            connection, _ = listener.accept()
            with connection:
                while data := connection.recv(100):
                    came_s.setdefault(data[0], time.monotonic())

        thread = threading.Thread(target=take)
        thread.start()
        target = sending_target(f"tcp://127.0.0.1:{listener.getsockname()[1]}", 38_400)
        target.open(ignore)
        send(Timeline(capture), target, Pace(1.0), tell=ignore)
        target.close()
        thread.join(10)
    told_s = (capture.arrivals.utc_ns - capture.arrivals.utc_ns[0]) / 1e9
    errors_s = [came_s[number] - came_s[0] - told for number, told in enumerate(told_s)]
    assert max(abs(error) for error in errors_s) < BOUND_S
    assert at_s > 2.9


class Stuck(Target):
    """Nobody comes, and nobody takes anything."""

    def open(self, tell: Tell) -> None:
        time.sleep(20)

    def write(self, data: bytes) -> None:
        time.sleep(20)

    def close(self) -> None: ...


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="signals to oneself")
def test_waiting_for_the_other_side_ends_when_a_signal_asks_for_it() -> None:
    interruption = Interruption()
    before = signal.signal(signal.SIGALRM, lambda *_: interruption.ask())
    began_s = time.monotonic()
    try:
        signal.setitimer(signal.ITIMER_REAL, 0.1)
        with pytest.raises(Stopped):
            Interruptible(Stuck(), interruption).write(b"a")
    finally:
        signal.signal(signal.SIGALRM, before)
    assert time.monotonic() - began_s < 5
    with pytest.raises(Stopped):
        Interruptible(Stuck(), interruption).open(ignore)


def test_a_signal_breaks_nothing_where_nothing_waits() -> None:
    interruption = Interruption()
    interruption.ask()
    with pytest.raises(Stopped):
        interruption.look()


def test_a_listening_program_gets_every_byte(capture: Capture) -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
        got: list[bytes] = []

        def take() -> None:
            connection, _ = listener.accept()
            with connection:
                while data := connection.recv(100):
                    got.append(data)

        thread = threading.Thread(target=take)
        thread.start()
        target = sending_target(f"tcp://127.0.0.1:{port}", 38_400)
        target.open(ignore)
        send(Timeline(capture), target, Pace(MAX_SPEED), tell=ignore)
        target.close()
        thread.join(10)
    assert b"".join(got) == b"abcdef"


def test_datagrams_are_small_and_whole() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as receiver:
        receiver.bind(("127.0.0.1", 0))
        receiver.settimeout(10)
        target = sending_target(f"udp://127.0.0.1:{receiver.getsockname()[1]}", 38_400)
        target.open(ignore)
        data = bytes(range(256)) * 12
        target.write(data)
        target.close()
        got = [receiver.recv(65_535) for _ in range(3)]
    assert b"".join(got) == data
    assert max(map(len, got)) == DATAGRAM_BYTES


def test_nobody_there_is_told() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    with pytest.raises(SourceError, match="cannot be reached"):
        sending_target(f"tcp://127.0.0.1:{port}", 38_400).open(ignore)


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("tcp://host:1", TcpConnect),
        ("udp://host:1", UdpSend),
        ("tcp-listen://:1", TcpListen),
        ("-", StandardOutput),
        ("COM5", SerialPort),
    ],
)
def test_targets_are_what_they_are_called(text: str, kind: type[Target]) -> None:
    target = sending_target(text, 38_400)
    assert isinstance(target, kind)
    assert target.needs_yes == (kind is SerialPort)


@pytest.mark.parametrize("text", ["tcp://host", "udp://:5", "tcp://a:b@host:5", "tcp://host:5/x"])
def test_an_address_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(UsageError, match="needs a host and a port"):
        sending_target(text, 38_400)


@pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals")
def test_a_serial_line_gets_every_byte(capture: Capture) -> None:
    ours, theirs = os.openpty()
    try:
        target = sending_target(os.ttyname(theirs), 38_400)
        target.open(ignore)
        send(Timeline(capture), target, Pace(MAX_SPEED), tell=ignore)
        got = b""
        while len(got) < 6:
            got += os.read(ours, 100)
        assert got == b"abcdef"
        target.close()
    finally:
        os.close(ours)
        os.close(theirs)
