"""The small caster: what a client gets, read by hand."""

import socket
import time
from collections.abc import Iterator

import pytest
from small_caster import Caster

FRAME = bytes(range(40))
SAFETY_S = 120.0


class Client:
    """A client of a caster that works only when it is asked to."""

    def __init__(self, caster: Caster) -> None:
        self._caster = caster
        self._socket = socket.create_connection(("127.0.0.1", caster.port), timeout=SAFETY_S)

    def ask(self, *lines: str) -> bytes:
        """Ask, let the caster answer, and read the answer: up to the stream, or to its end."""
        self._socket.sendall("\r\n".join([*lines, "", ""]).encode())
        due_s = time.monotonic() + SAFETY_S
        while not self._caster.is_heard and time.monotonic() < due_s:
            if self._has_ended():
                return self.rest()
        received = b""
        while b"\r\n\r\n" not in received and (data := self._socket.recv(4096)):
            received += data
        return received

    def _has_ended(self) -> bool:
        self._socket.settimeout(0.01)
        try:
            return bool(self._socket.recv(1, socket.MSG_PEEK))
        except TimeoutError:
            return False
        finally:
            self._socket.settimeout(SAFETY_S)

    def rest(self) -> bytes:
        """Read all that comes before the caster closes."""
        received = b""
        while data := self._socket.recv(4096):
            received += data
        return received

    def close(self) -> None:
        self._socket.close()


@pytest.fixture(params=[1, 2])
def caster(request: pytest.FixtureRequest) -> Iterator[Caster]:
    caster = Caster(request.param, seed=5)
    caster.open(lambda _: None)
    yield caster
    caster.close()


@pytest.fixture
def client(caster: Caster) -> Iterator[Client]:
    client = Client(caster)
    yield client
    client.close()


def chunks(body: bytes) -> list[bytes]:
    """Read a chunked body (RFC 9112, section 7.1) of whole chunks."""
    found = []
    while body:
        length, _, rest = body.partition(b"\r\n")
        size = int(length, 16)
        assert rest[size : size + 2] == b"\r\n"
        found.append(rest[:size])
        body = rest[size + 2 :]
    return found


@pytest.mark.parametrize("caster", [2], indirect=True)
def test_revision_2_sends_chunks_that_end_inside_the_frames(caster: Caster, client: Client) -> None:
    head = client.ask("GET /BASE HTTP/1.1", "Host: here", "Ntrip-Version: Ntrip/2.0")
    assert head.startswith(b"HTTP/1.1 200 OK\r\n")
    assert b"\r\nTransfer-Encoding: chunked\r\n" in head
    assert b"\r\nContent-Type: gnss/data\r\n" in head
    assert head.endswith(b"\r\n\r\n")
    for _ in range(20):
        caster.write(FRAME)
    caster.close()
    pieces = chunks(client.rest())
    assert b"".join(pieces) == 20 * FRAME
    assert len(pieces) == 40
    assert all(0 < len(piece) < len(FRAME) for piece in pieces)


@pytest.mark.parametrize("request_line", ["GET /BASE HTTP/1.0", "GET /BASE HTTP/1.1"])
def test_a_client_of_revision_1_gets_the_bytes_as_they_are(
    caster: Caster, client: Client, request_line: str
) -> None:
    assert client.ask(request_line, "User-Agent: NTRIP test") == b"ICY 200 OK\r\n\r\n"
    caster.write(FRAME)
    caster.close()
    assert client.rest() == FRAME


@pytest.mark.parametrize("caster", [1], indirect=True)
def test_a_caster_of_revision_1_does_not_heed_a_newer_request(
    caster: Caster, client: Client
) -> None:
    assert client.ask("GET /BASE HTTP/1.1", "Ntrip-Version: Ntrip/2.0") == b"ICY 200 OK\r\n\r\n"


def test_without_a_mountpoint_comes_the_table(caster: Caster, client: Client) -> None:
    table = client.ask("GET / HTTP/1.0")
    assert table.startswith(b"SOURCETABLE 200 OK\r\n")
    assert b"\r\nSTR;BASE;" in table
    assert table.endswith(b"\r\nENDSOURCETABLE\r\n")
    assert not caster.is_heard


@pytest.mark.parametrize("caster", [2], indirect=True)
def test_an_unknown_mountpoint_is_not_found(caster: Caster, client: Client) -> None:
    answer = client.ask("GET /OTHER HTTP/1.1", "Ntrip-Version: Ntrip/2.0")
    assert answer.startswith(b"HTTP/1.1 404 ")
    assert not caster.is_heard


def test_a_client_that_has_gone_makes_room_for_the_next(caster: Caster, client: Client) -> None:
    client.ask("GET /BASE HTTP/1.0")
    client.close()
    due_s = time.monotonic() + SAFETY_S
    while caster.is_heard and time.monotonic() < due_s:
        caster.write(FRAME)
    another = Client(caster)
    assert another.ask("GET /BASE HTTP/1.0") == b"ICY 200 OK\r\n\r\n"
    another.close()
