"""The ways of the live table: listeners come and go, and what went to them is noted."""

import os
import socket
import time
from pathlib import Path

import pytest
from live_ways import CasterWay, SerialWay, TcpWay, Way

FRAME = bytes(range(40))
SAFETY_S = 120.0


def attended(way: Way, *, is_heard: bool) -> bool:
    """Attend to a way until somebody listens, or nobody."""
    due_s = time.monotonic() + SAFETY_S
    while time.monotonic() < due_s:
        way.attend()
        if (len(way.returns) > len(way.losses)) is is_heard:
            return True
        time.sleep(0.005)
    return False


def test_what_goes_to_nobody_is_not_noted() -> None:
    way = TcpWay()
    way.open(lambda _: None)
    way.write(b"early")
    with socket.create_connection(("127.0.0.1", int(way.source.rpartition(":")[2]))) as client:
        client.settimeout(SAFETY_S)
        assert attended(way, is_heard=True)
        way.write(b"now")
        assert client.recv(100) == b"now"
    assert [sent.data for sent in way.sent] == [b"now"]
    way.close()


@pytest.mark.parametrize("make", [TcpWay, lambda: CasterWay(2, 1)])
def test_a_cut_ends_the_connection_and_the_port_is_the_same_afterwards(make) -> None:
    way: Way = make()
    way.open(lambda _: None)
    address = way.source
    port = int(address.removesuffix("/BASE").rpartition(":")[2])
    request = b"GET /BASE HTTP/1.0\r\n\r\n"
    with socket.create_connection(("127.0.0.1", port), timeout=SAFETY_S) as client:
        client.sendall(request)
        assert attended(way, is_heard=True)
        way.cut_ns = (time.time_ns(), 2**63)  # it stays so until we have looked
        assert attended(way, is_heard=False)
        client.recv(100)
        assert client.recv(100) == b""
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", port), timeout=SAFETY_S)
    way.cut_ns = (0, time.time_ns())
    way.attend()
    assert way.source == address
    with socket.create_connection(("127.0.0.1", port), timeout=SAFETY_S) as client:
        client.sendall(request)
        assert attended(way, is_heard=True)
    assert (len(way.losses), len(way.returns)) == (1, 2)
    way.close()


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals here")
@pytest.mark.slow
def test_a_port_that_is_plugged_in_again_has_its_old_name(tmp_path: Path) -> None:
    way = SerialWay(tmp_path)
    way.open(lambda _: None)
    for _ in range(2):
        ours = os.open(way.source, os.O_RDONLY | os.O_NOCTTY)
        assert attended(way, is_heard=True)
        way.write(FRAME)
        assert os.read(ours, 100) == FRAME
        os.close(ours)
        assert attended(way, is_heard=False)
        way.close()
        assert not Path(way.source).exists()
        way.open(lambda _: None)
    way.close()
