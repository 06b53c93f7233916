import os
import socket
import threading
from pathlib import Path

import pytest

from rtcmtool.captures import CaptureWriter, Description, open_capture
from rtcmtool.captures.pacing import MAX_SPEED, Pace
from rtcmtool.captures.reading import Capture
from rtcmtool.errors import SourceError, UsageError
from rtcmtool.running.sending import DATAGRAM_BYTES, TcpConnect, UdpSend, send, sending_target
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
        capture, target, Pace(speed), since=None, until=None, tell=ignore,
        monotonic=lambda: clock[0], sleep=sleep,
    )  # fmt: skip
    assert target.got == [(round(at_s / speed, 2), data) for at_s, data in CHUNKS]
    assert (sent.size_bytes, sent.chunks, sent.is_whole) == (6, 3, True)


def test_a_range_of_time_is_sent(capture: Capture) -> None:
    target = Kept([0.0])
    pace = Pace(MAX_SPEED)
    sent = send(capture, target, pace, since=utc_ns(0.5), until=utc_ns(2), tell=ignore)
    assert [data for _, data in target.got] == [b"de"]
    assert sent.is_whole


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
        send(capture, target, Pace(MAX_SPEED), since=None, until=None, tell=ignore)
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
        send(capture, target, Pace(MAX_SPEED), since=None, until=None, tell=ignore)
        got = b""
        while len(got) < 6:
            got += os.read(ours, 100)
        assert got == b"abcdef"
        target.close()
    finally:
        os.close(ours)
        os.close(theirs)
