"""Servers on this computer for the commands that listen; scripts say what a connection gets."""

import contextlib
import socket
import time
from collections.abc import Callable

from tests.sources.conftest import Server, read_request, until_closed

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


def address(server: Server, scheme: str = "tcp", path: str = "") -> str:
    return f"{scheme}://127.0.0.1:{server.port}{path}"
