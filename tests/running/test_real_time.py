"""Short faults in real time, over a real connection: what is in the file is what was done."""

import socket
import time
from collections.abc import Callable, Iterator
from itertools import groupby
from pathlib import Path

import pytest

from rtcmtool.captures import open_capture
from rtcmtool.cli.main import main
from rtcmtool.gnss import time as gnss_time
from tests.sources.conftest import Server
from tests.streams import base_stream

INTERVAL_S = 0.5
EPOCHS = 72
SILENT = range(20, 32)  # 6 s
GARBLED = range(46, 58)  # 6 s


@pytest.fixture
def serve() -> Iterator[Callable[..., Server]]:
    servers: list[Server] = []

    def make(script: Callable[[socket.socket], None]) -> Server:
        servers.append(Server(script))
        return servers[-1]

    yield make
    for server in servers:
        server.close()


@pytest.mark.slow
def test_a_silence_and_a_disturbance_are_booked_as_they_were(
    tmp_path: Path, serve: Callable[..., Server], capsys: pytest.CaptureFixture[str]
) -> None:
    sent_ns: dict[int, int] = {}

    def base(connection: socket.socket) -> None:
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        start_ms = gnss_time.gps_ms_from_utc_ns(time.time_ns()) // 500 * 500 + 500
        stream = base_stream(
            EPOCHS, numbers=(1074, 1094), start_ms=start_ms, interval_ms=round(1000 * INTERVAL_S)
        )
        began_s = time.monotonic()
        for epoch, messages in groupby(stream, key=lambda sent: sent.epoch):
            time.sleep(max(began_s + INTERVAL_S * epoch - time.monotonic(), 0.0))
            data = b"".join(sent.data for sent in messages)
            sent_ns[epoch] = time.time_ns()
            if epoch in GARBLED:
                data = bytes(byte ^ 0x5A for byte in data)
            if epoch not in SILENT:
                connection.sendall(data)
        connection.recv(1)

    port = serve(base).port
    arguments = ["record", f"tcp://127.0.0.1:{port}", str(tmp_path / "job"), "-q"]
    assert main([*arguments, "--duration", str(EPOCHS * INTERVAL_S)]) == 0
    silence, garbled = open_capture(tmp_path / "job").outages
    assert (silence.kind, garbled.kind) == ("silence", "garbled")
    for row, fault in ((silence, SILENT), (garbled, GARBLED)):
        assert row.start_utc_ns / 1e9 == pytest.approx(sent_ns[fault[0] - 1] / 1e9, abs=INTERVAL_S)
        assert row.end_utc_ns / 1e9 == pytest.approx(sent_ns[fault[-1] + 1] / 1e9, abs=INTERVAL_S)
        assert row.epochs_missed == pytest.approx(len(fault), abs=1)
