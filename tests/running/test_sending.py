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

SAFETY_S = 120.0
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


BOUND_S = 0.001  # of each arrival


def paused_capture(folder: Path, gaps_s: list[float]) -> Capture:
    """Make a capture of chunks of 100 bytes, each of its own letter, with gaps before them."""
    writer = CaptureWriter(folder / "job", Description("test", "0"), monotonic_s=0.0)
    at_s = 0.0
    for number, gap_s in enumerate(gaps_s):
        at_s += gap_s
        writer.write(bytes([number]) * 100, utc_ns(at_s))
    writer.close(utc_ns(at_s))
    return open_capture(writer.path)


def test_a_client_gets_each_chunk_at_the_time_of_its_arrival(tmp_path: Path) -> None:
    """Over a socket, against the arrivals file; the clock waits until what was sent has come."""
    capture = paused_capture(tmp_path, [0.0, 0.01, 0.3, 0.02, 1.1, 0.005, 0.45, 0.7, 0.15, 0.25])
    clock = [0.0]
    came_s: list[float] = []  # one a byte
    sent_bytes = 0
    has_come = threading.Condition()
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def take() -> None:
            connection, _ = listener.accept()
            with connection:
                while data := connection.recv(100):
                    with has_come:
                        came_s.extend([clock[0]] * len(data))
                        has_come.notify_all()

        def sleep(length_s: float) -> None:
            with has_come:
                assert has_come.wait_for(lambda: len(came_s) == sent_bytes, SAFETY_S)
                clock[0] += length_s

        class Counted(TcpConnect):
            def write(self, data: bytes) -> None:
                nonlocal sent_bytes
                sent_bytes += len(data)
                super().write(data)

        thread = threading.Thread(target=take)
        thread.start()
        port = listener.getsockname()[1]
        target = Counted(f"tcp://127.0.0.1:{port}", "127.0.0.1", port)
        target.open(ignore)
        send(
            Timeline(capture), target, Pace(1.0), tell=ignore,
            monotonic=lambda: clock[0], sleep=sleep,
        )  # fmt: skip
        target.close()
        thread.join(SAFETY_S)
    told_s = (capture.arrivals.utc_ns - capture.arrivals.utc_ns[0]) / 1e9
    assert len(came_s) == 100 * len(told_s)
    errors_s = [came_s[100 * number] - came_s[0] - told for number, told in enumerate(told_s)]
    assert max(abs(error) for error in errors_s) < BOUND_S
    assert told_s[-1] > 2.9


@pytest.mark.slow
def test_without_a_clock_of_a_test_time_really_passes(tmp_path: Path) -> None:
    capture = paused_capture(tmp_path, [0.0, 0.05, 0.2, 0.15])
    began_s = time.monotonic()
    came_s: list[float] = []

    class Stamped(Kept):
        def write(self, data: bytes) -> None:
            came_s.append(time.monotonic() - began_s)

    send(Timeline(capture), Stamped([0.0]), Pace(1.0), tell=ignore)
    # Never early by more than a rounding; how late depends on the machine.
    assert all(
        at_s > told - 0.001 for at_s, told in zip(came_s, (0.0, 0.05, 0.25, 0.4), strict=True)
    )
    assert came_s[-1] < SAFETY_S


class Stuck(Target):
    """Nobody comes, and nobody takes anything."""

    def open(self, tell: Tell) -> None:
        time.sleep(2 * SAFETY_S)

    def write(self, data: bytes) -> None:
        time.sleep(2 * SAFETY_S)

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
    assert time.monotonic() - began_s < SAFETY_S
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
        thread.join(SAFETY_S)
    assert b"".join(got) == b"abcdef"


def test_datagrams_are_small_and_whole() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as receiver:
        receiver.bind(("127.0.0.1", 0))
        receiver.settimeout(SAFETY_S)
        target = sending_target(f"udp://127.0.0.1:{receiver.getsockname()[1]}", 38_400)
        target.open(ignore)
        data = bytes(range(256)) * 12
        target.write(data)
        target.close()
        got = [receiver.recv(65_535) for _ in range(3)]
    assert b"".join(got) == data
    assert max(map(len, got)) == DATAGRAM_BYTES


def test_nobody_there_is_told() -> None:
    with socket.socket() as held:  # bound, so that nobody else gets the port, but not listening
        held.bind(("127.0.0.1", 0))
        target = sending_target(f"tcp://127.0.0.1:{held.getsockname()[1]}", 38_400)
        with pytest.raises(SourceError, match="cannot be reached"):
            target.open(ignore)


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
