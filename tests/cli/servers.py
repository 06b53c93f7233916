"""Servers on this computer for the commands that listen; scripts say what a connection gets."""

import contextlib
import random
import socket
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from tests.sources.conftest import SAFETY_S, Server, read_request, until_closed

ANSWER = b"HTTP/1.1 200 OK\r\nContent-Type: gnss/data\r\nTransfer-Encoding: chunked\r\n\r\n"
TABLE_HEAD = b"HTTP/1.1 200 OK\r\nContent-Type: gnss/sourcetable\r\n\r\n"

ScriptOf = Callable[[socket.socket], None]


def sends(*pieces: bytes, every_s: float = 0.0, stays: bool = True) -> ScriptOf:
    """Send pieces, one after the other, then wait until the listener goes."""

    def script(connection: socket.socket) -> None:
        for piece in pieces:
            connection.sendall(piece)
            time.sleep(every_s)
        if stays:
            until_closed(connection)

    return script


def sends_for_ever(data: bytes, every_s: float) -> ScriptOf:
    """Send the same again and again, until the listener goes."""

    def script(connection: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while True:
                connection.sendall(data)
                time.sleep(every_s)

    return script


def answers(*pieces: bytes, every_s: float = 0.0, stays: bool = True) -> ScriptOf:
    """Read a request, then send."""

    def script(connection: socket.socket) -> None:
        read_request(connection)
        sends(*pieces, every_s=every_s, stays=stays)(connection)

    return script


def chunked(data: bytes) -> bytes:
    """Put data into one chunk of the second revision."""
    return b"%x\r\n%b\r\n" % (len(data), data)


def free_port(kind: socket.SocketKind = socket.SOCK_STREAM) -> int:
    """Give a port for another program: below those that systems give away by themselves."""
    while True:
        port = random.randrange(20_000, 30_000)
        with socket.socket(socket.AF_INET, kind) as probe, contextlib.suppress(OSError):
            probe.bind(("127.0.0.1", port))
            return port


def until_read(connection: socket.socket) -> None:
    """Wait until all that was sent has been read by the program at the other end."""
    here, there = connection.getsockname()[1], connection.getpeername()[1]
    due_s = time.monotonic() + SAFETY_S
    while time.monotonic() < due_s:
        waiting = [
            queues for local, remote, queues in _tcp_queues() if {local, remote} == {here, there}
        ]
        if not any(waiting):
            return
        time.sleep(0.02)


def _tcp_queues() -> Iterator[tuple[int, int, int]]:
    """Give ports and waiting bytes of all connections, as Linux tells them (proc_net_tcp)."""
    table = Path("/proc/net/tcp")
    if not table.exists():
        time.sleep(2.0)  # elsewhere there is nothing better than to wait
        return
    for line in table.read_text(encoding="ascii").splitlines()[1:]:
        _, local, remote, _, queues, *_ = line.split()
        sent, received = (int(size, 16) for size in queues.split(":"))
        yield int(local[-4:], 16), int(remote[-4:], 16), sent + received


def address(server: Server, scheme: str = "tcp", path: str = "") -> str:
    return f"{scheme}://127.0.0.1:{server.port}{path}"
