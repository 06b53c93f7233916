"""Servers on this computer, clocks that only the test moves, and a way to read a source."""

import contextlib
import socket
import threading
import time
from collections.abc import Callable, Iterator

import pytest

from rtcmtool.sources import base, connecting, ntrip_request, serial_port
from rtcmtool.sources.base import Arrival, Clocks, LiveSource, Status

SAFETY_S = 120.0  # a test that waits longer for a socket has failed
SLOW_TICK_S = 120.0  # what ends much sooner has not waited for a tick
LESS_THAN_A_TICK_S = SLOW_TICK_S / 2


class HandClock:
    """Monotonic and UTC time that move only by waiting."""

    def __init__(self) -> None:
        self.now_s = 1000.0
        self.waits: list[float] = []
        self.jitter = 0.0

    def clocks(self) -> Clocks:
        return Clocks(self.time_ns, self.monotonic, self.wait, lambda: self.jitter)

    def monotonic(self) -> float:
        return self.now_s

    def time_ns(self) -> int:
        return 1_772_600_767_000_000_000 + round(self.now_s * 1e9)

    def wait(self, seconds: float) -> None:
        self.waits.append(seconds)
        self.now_s += seconds


@pytest.fixture
def hand_clock() -> HandClock:
    return HandClock()


@pytest.fixture
def quick_ticks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let silence pass quickly, where a test waits for ticks."""
    for module in (base, connecting, ntrip_request, serial_port):
        monkeypatch.setattr(module, "TICK_S", 0.005)


@pytest.fixture
def slow_ticks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let nothing but a stop end a wait."""
    monkeypatch.setattr(base, "TICK_S", SLOW_TICK_S)


@pytest.fixture
def refusing_port() -> Iterator[int]:
    """Give a port at which nobody listens, and nobody can meanwhile: it is bound."""
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        yield held.getsockname()[1]


class Server:
    """Runs a script for each connection, in threads; port 0 of this computer."""

    def __init__(self, *scripts: Callable[[socket.socket], None]) -> None:
        self.scripts = scripts
        self.requests: list[bytes] = []
        self.connections = 0
        self.failures: list[BaseException] = []
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._threads: list[threading.Thread] = []
        self._open: list[socket.socket] = []
        self.is_closing = False
        self.port = self._listener.getsockname()[1]
        self._accepting = threading.Thread(target=self._accept)
        self._accepting.start()

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            if self.is_closing:
                connection.close()
                return
            script = self.scripts[min(self.connections, len(self.scripts) - 1)]
            self.connections += 1
            self._open.append(connection)
            thread = threading.Thread(target=self._run, args=(script, connection))
            self._threads.append(thread)
            thread.start()

    def _run(self, script: Callable[[socket.socket], None], connection: socket.socket) -> None:
        with connection:
            try:
                script(connection)
            except OSError:  # the source under test has gone: many tests end so
                return

    def close(self) -> None:
        if self.is_closing:  # the port may be somebody else's now
            return
        self.is_closing = True
        with contextlib.suppress(OSError):
            socket.create_connection(("127.0.0.1", self.port), timeout=SAFETY_S).close()
        self._accepting.join(SAFETY_S)
        self._listener.close()
        for connection in self._open:
            with contextlib.suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)
        for thread in self._threads:
            thread.join(SAFETY_S)


@pytest.fixture
def serve() -> Iterator[Callable[..., Server]]:
    """Give a maker of servers: one script a connection, the last for all further ones."""
    servers: list[Server] = []

    def make(*scripts: Callable[[socket.socket], None]) -> Server:
        servers.append(Server(*scripts))
        return servers[-1]

    yield make
    for server in servers:
        server.close()


def read_request(connection: socket.socket) -> bytes:
    """Read the head of a request."""
    head = b""
    while b"\r\n\r\n" not in head:
        data = connection.recv(4096)
        if not data:
            break
        head += data
    return head


def until_closed(connection: socket.socket) -> bytes:
    """Read until the other side closes."""
    received = b""
    while data := connection.recv(65536):
        received += data
    return received


class Reader:
    """Iterates a source, keeps what it says, and ends when the test has what it wants."""

    def __init__(self, source: LiveSource) -> None:
        self.source = source
        self.statuses: list[Status] = []
        self.arrivals: list[Arrival] = []
        self.ticks = self.open_ticks = self.size_bytes = 0
        source.on_status = self.statuses.append

    @property
    def data(self) -> bytes:
        return b"".join(arrival.data for arrival in self.arrivals)

    @property
    def states(self) -> list[str]:
        return [status.state.value for status in self.statuses]

    @property
    def is_open(self) -> bool:
        """Whether the source is open now: a test moves its clock only then."""
        told = [state for state in self.states if state in {"opened", "lost", "stopped"}]
        return told[-1:] == ["opened"]

    @property
    def texts(self) -> str:
        return "\n".join(status.text for status in self.statuses)

    def read(self, is_enough: Callable[["Reader"], bool] = lambda reader: False) -> "Reader":
        due_s = time.monotonic() + SAFETY_S
        for arrival in self.source.arrivals():
            if arrival.data:
                self.arrivals.append(arrival)
                self.size_bytes += len(arrival.data)
            else:
                self.ticks += 1
                self.open_ticks += self.is_open
            if is_enough(self):
                self.source.stop()
            assert time.monotonic() < due_s, f"got only {len(self.data)} bytes; {self.texts}"
        return self


def has(count: int) -> Callable[[Reader], bool]:
    """Wait for so many bytes."""
    return lambda reader: reader.size_bytes >= count
