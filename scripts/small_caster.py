"""A small caster for one stream, to listen to on this computer."""

import contextlib
import random
import socket
from collections.abc import Iterator

from rtcmtool.simulation.outputs import Target, Tell

MOUNTPOINT = "BASE"
HOST = "127.0.0.1"
_REQUEST_S = 2.0  # a client that has connected has written its request long before
_SEND_S = 5.0


class Caster(Target):
    """A caster of one stream for one client at a time.

    Written from the protocol's description (RTCM 10410.1, NTRIP revisions 1 and 2, from memory):
    revision 1 answers `ICY 200 OK` and sends the bytes as they are, revision 2 answers as HTTP 1.1
    in chunks; without a mountpoint, or of revision 1 for an unknown one, comes the source table.

    Parameters
    ----------
    revision : int
        The newest that it speaks.
    seed : int
        Of the places where chunks and packets are cut: chunks end inside the frames, and packets
        anywhere, also inside the length of a chunk.
    """

    def __init__(self, revision: int, seed: int) -> None:
        self.port = 0
        self._revision, self._chance = revision, random.Random(seed)
        self._listener: socket.socket | None = None
        self._client: socket.socket | None = None
        self._is_chunked = False

    @property
    def is_heard(self) -> bool:
        """Whether a client gets the stream; one that waits is answered."""
        if self._client is None and self._listener is not None:
            with contextlib.suppress(BlockingIOError):
                connection, _ = self._listener.accept()
                self._answer(connection)
        return self._client is not None

    def open(self, tell: Tell) -> None:
        """Listen, at the same port when it is opened again."""
        self._listener = socket.create_server((HOST, self.port))
        self._listener.setblocking(False)
        self.port = self._listener.getsockname()[1]
        tell(f"caster at port {self.port}")

    def write(self, data: bytes) -> None:
        """Send a frame."""
        if self._client is None:
            return
        wire = b"".join(self._chunks(data)) if self._is_chunked else data
        try:
            for packet in self._cut(wire):
                self._client.sendall(packet)
        except OSError:  # the client has gone
            self._client.close()
            self._client = None

    def close(self) -> None:
        """Close all."""
        for part in (self._client, self._listener):
            if part is not None:
                part.close()
        self._client = self._listener = None

    def _answer(self, connection: socket.socket) -> None:
        """Read a request and answer it; keep the connection that gets the stream."""
        connection.settimeout(_REQUEST_S)
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        try:
            answer, is_stream, is_chunked = self._answer_to(_read_head(connection))
            connection.sendall(answer)
        except OSError:  # it has gone, or says nothing
            connection.close()
            return
        if not is_stream:
            connection.close()
            return
        connection.settimeout(_SEND_S)
        self._client, self._is_chunked = connection, is_chunked

    def _answer_to(self, head: bytes) -> tuple[bytes, bool, bool]:
        """Give the answer, whether the stream follows it, and whether in chunks."""
        request, *headers = head.decode("latin-1").split("\r\n")
        method, path, *_ = [*request.split(" "), "", ""]
        wants_2 = any(line.lower().startswith("ntrip-version: ntrip/2") for line in headers)
        is_new = wants_2 and self._revision == 2
        mountpoint = path.removeprefix("/")
        if method != "GET":
            return b"HTTP/1.1 501 Not Implemented\r\n\r\n", False, False
        if mountpoint == MOUNTPOINT and is_new:
            lines = (
                "HTTP/1.1 200 OK", "Ntrip-Version: Ntrip/2.0", "Content-Type: gnss/data",
                "Cache-Control: no-store", "Connection: close", "Transfer-Encoding: chunked",
            )  # fmt: skip
            return _head(*lines), True, True
        if mountpoint == MOUNTPOINT:
            return b"ICY 200 OK\r\n\r\n", True, False
        if mountpoint and is_new:
            return _head("HTTP/1.1 404 Not Found", "Ntrip-Version: Ntrip/2.0"), False, False
        table = f"STR;{MOUNTPOINT};Yard;RTCM 3.2;;2;GPS;NONE;XXX;0;0;0;0;SIM;none;N;N;0;\r\n"
        table += "ENDSOURCETABLE\r\n"
        first = "HTTP/1.1 200 OK" if is_new else "SOURCETABLE 200 OK"
        kind = "gnss/sourcetable" if is_new else "text/plain"
        length = f"Content-Length: {len(table)}"
        return _head(first, f"Content-Type: {kind}", length) + table.encode(), False, False

    def _chunks(self, data: bytes) -> Iterator[bytes]:
        """Put a frame into two chunks."""
        for part in self._cut(data):
            yield b"%x\r\n%b\r\n" % (len(part), part)

    def _cut(self, data: bytes) -> tuple[bytes, ...]:
        """Cut in two, anywhere inside."""
        if len(data) < 2:
            return (data,)
        place = self._chance.randrange(1, len(data))
        return data[:place], data[place:]


def _read_head(connection: socket.socket) -> bytes:
    """Read a request up to its blank line, or as far as it comes."""
    head = b""
    while b"\r\n\r\n" not in head and (data := connection.recv(4096)):
        head += data
    return head


def _head(*lines: str) -> bytes:
    return "\r\n".join([*lines, "", ""]).encode("ascii")
