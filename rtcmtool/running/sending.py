"""A capture sent on at its recorded pace: to a network address, a serial port, standard output.

False corrections steer real machines. A serial target is opened only after a typed yes, which the
command asks for; `CAUTION` is the sentence beside it.
"""

import socket
import time
from collections.abc import Callable
from dataclasses import dataclass
from urllib.parse import urlsplit

from rtcmtool.captures.pacing import Pace, arrival_of, paced
from rtcmtool.captures.reading import Capture
from rtcmtool.errors import SourceError, UsageError
from rtcmtool.simulation.outputs import Target, Tell, target_of

CAUTION = (
    "Corrections steer machines: never feed replayed ones to a live radio or a machine. "
    "People may be hurt."
)
CONNECT_S = 10.0
SEND_S = 30.0  # a peer that takes nothing for so long is lost
DATAGRAM_BYTES = 1400  # fits the usual links whole: common practice, no source
TELL_EVERY_S = 60.0


class TcpConnect(Target):
    """Connects to a listening address and sends to it."""

    def __init__(self, text: str, host: str, port: int) -> None:
        self._text, self._host, self._port = text, host, port
        self._connection: socket.socket | None = None

    def open(self, tell: Tell) -> None:
        """Connect.

        Raises
        ------
        SourceError
            If nobody answers.
        """
        try:
            self._connection = socket.create_connection((self._host, self._port), CONNECT_S)
        except OSError as error:
            raise SourceError(
                f"{self._text} cannot be reached.",
                why=f"{error.strerror or error}.",
                do="check the address, and that the other program listens there.",
            ) from error
        self._connection.settimeout(SEND_S)
        self._connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        tell(f"connected to {self._host} port {self._port}")

    def write(self, data: bytes) -> None:
        """Send bytes at once.

        Raises
        ------
        SourceError
            If the other side has gone.
        """
        assert self._connection is not None
        try:
            self._connection.sendall(data)
        except OSError as error:
            raise SourceError(
                f"{self._text} was lost.", why=f"{error.strerror or error}."
            ) from error

    def close(self) -> None:
        """Close the connection."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None


class UdpSend(Target):
    """Sends datagrams; nobody says whether they arrive."""

    def __init__(self, text: str, host: str, port: int) -> None:
        self._text, self._host, self._port = text, host, port
        self._socket: socket.socket | None = None

    def open(self, tell: Tell) -> None:
        """Look the host up.

        Raises
        ------
        SourceError
            If there is no such host.
        """
        try:
            family, kind, _, _, address = socket.getaddrinfo(
                self._host, self._port, type=socket.SOCK_DGRAM
            )[0]
            self._socket = socket.socket(family, kind)
            self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
            self._socket.connect(address)
        except OSError as error:
            raise SourceError(
                f"{self._text} cannot be sent to.", why=f"{error.strerror or error}."
            ) from error
        tell(f"sending to {self._host} port {self._port}")

    def write(self, data: bytes) -> None:
        """Send bytes, in datagrams that no link has to cut."""
        assert self._socket is not None
        for at in range(0, len(data), DATAGRAM_BYTES):
            try:
                self._socket.send(data[at : at + DATAGRAM_BYTES])
            except ConnectionRefusedError:
                continue  # nobody listens yet: as with any datagram

    def close(self) -> None:
        """Close the socket."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None


def sending_target(text: str, baud: int) -> Target:
    """Make the target that a user names.

    Parameters
    ----------
    text : str
        `-`, `tcp://host:port`, `tcp-listen://host:port`, `udp://host:port`, `pty`, or a serial
        port.
    baud : int
        Rate of a serial port.

    Raises
    ------
    UsageError
        If it is none of them.
    """
    for scheme, kind in (("tcp://", TcpConnect), ("udp://", UdpSend)):
        if text.lower().startswith(scheme):
            return kind(text, *_address(text, scheme))
    return target_of(text, baud)


def _address(text: str, scheme: str) -> tuple[str, int]:
    try:
        parts = urlsplit(text)
        host, port = parts.hostname, parts.port
    except ValueError:
        host = port = None
    if not host or not port or "@" in text or parts.path.strip("/"):
        raise UsageError(f"{scheme} needs a host and a port.", do=f"write {scheme}127.0.0.1:5015")
    return host, port


@dataclass(frozen=True, slots=True)
class Sent:
    """What has gone out: bytes, chunks, and whether all of it."""

    size_bytes: int
    chunks: int
    is_whole: bool


def send(
    capture: Capture,
    target: Target,
    pace: Pace,
    *,
    since: int | None,
    until: int | None,
    tell: Tell,
    monotonic: Callable[[], float] = time.monotonic,
    sleep: Callable[[float], None] = time.sleep,
) -> Sent:
    """Send a capture with the times between its arrivals.

    Parameters
    ----------
    capture : Capture
        With arrival times; what has none goes out with what came before.
    target : Target
        Open.
    pace : Pace
        Its `stop` ends the sending.
    since, until : int or None
        UTC, ns.
    tell : callable
        Takes a line a minute.
    monotonic, sleep : callable
        For tests.

    Raises
    ------
    SourceError
        If the target is lost.
    """
    begin, end = capture.byte_range(since, until)
    size = count = 0
    told_s = monotonic()
    chunks = capture.arrival_chunks(since=since, until=until)
    for chunk in paced(chunks, pace, monotonic, sleep, arrival_of):
        target.write(chunk.data)
        size, count = size + len(chunk.data), count + 1
        if monotonic() - told_s >= TELL_EVERY_S:
            told_s = monotonic()
            tell(f"sent {size} of {end - begin} bytes")
    return Sent(size, count, is_whole=size == end - begin)
