"""A capture sent on at its recorded pace: to a network address, a serial port, standard output.

False corrections steer real machines. A serial target is opened only after a typed yes, which the
command asks for; `CAUTION` is the sentence beside it.
"""

import os
import socket
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from urllib.parse import urlsplit

import numpy as np

from rtcmtool.captures.pacing import Pace, paced
from rtcmtool.errors import SourceError, UsageError
from rtcmtool.running.timeline import Timeline
from rtcmtool.simulation.outputs import Target, Tell, target_of
from rtcmtool.wire.stream import Chunk

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


class Stopped(Exception):  # noqa: N818  (no error: somebody asked for it)
    """An end was asked for while bytes were being sent."""


class Interruption:
    """An end that may be asked for at any time: felt at once by who waits, else when one looks.

    Attributes
    ----------
    is_asked : bool
        Whether it was asked for.
    """

    def __init__(self) -> None:
        self.is_asked = False
        self._waits = False

    def ask(self) -> None:
        """Ask for the end; a signal handler may call it.

        Raises
        ------
        Stopped
            Out of the call that waits.
        """
        self.is_asked = True
        if self._waits:
            self._waits = False
            raise Stopped

    def look(self) -> None:
        """Feel it, where nothing waits.

        Raises
        ------
        Stopped
            If it was asked for.
        """
        if self.is_asked:
            raise Stopped

    @contextmanager
    def waiting(self) -> Iterator[None]:
        """Feel it while this is open: around calls that may never come back."""
        self._waits = True
        try:
            self.look()
            yield
        finally:
            self._waits = False


class Interruptible(Target):
    """A target whose waiting ends when somebody asks for it: for a client, or a reader stuck.

    Parameters
    ----------
    target : Target
        Where the bytes go.
    interruption : Interruption
        The end that may be asked for.
    """

    def __init__(self, target: Target, interruption: Interruption) -> None:
        self._target, self._interruption = target, interruption
        self.needs_yes, self.is_live = target.needs_yes, target.is_live

    @property
    def is_heard(self) -> bool:
        """Whether anybody takes what is written."""
        return self._target.is_heard

    def open(self, tell: Tell) -> None:
        """Open it."""
        with self._interruption.waiting():
            self._target.open(tell)

    def write(self, data: bytes) -> None:
        """Send bytes."""
        with self._interruption.waiting():
            self._target.write(data)

    def close(self) -> None:
        """Close it."""
        self._target.close()


def forget_output() -> None:
    """Send what standard output still holds to nowhere: a reader that is stuck would keep us."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


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
    timeline: Timeline,
    target: Target,
    pace: Pace,
    *,
    tell: Tell,
    since: int | None = None,
    monotonic: Callable[[], float] = time.monotonic,
    sleep: Callable[[float], None] = time.sleep,
) -> Sent:
    """Send a capture with the times between its arrivals; steps of its clock pass in no time.

    Parameters
    ----------
    timeline : Timeline
        With arrival times; what has none goes out with what came before.
    target : Target
        Open.
    pace : Pace
        Its `stop` ends the sending.
    tell : callable
        Takes a line a minute.
    since : int, optional
        UTC, ns: begins later than the timeline.
    monotonic, sleep : callable
        For tests.

    Raises
    ------
    SourceError
        If the target is lost.
    """
    if since is None:
        since = timeline.since
    elif timeline.since is not None:
        since = max(since, timeline.since)
    begin, end = timeline.capture.byte_range(since, timeline.until)
    size = count = 0
    told_s = monotonic()
    pieces = _chunks(timeline, since)
    for chunk in paced(pieces, pace, monotonic, sleep):
        target.write(chunk.data)
        size, count = size + len(chunk.data), count + 1
        if monotonic() - told_s >= TELL_EVERY_S:
            told_s = monotonic()
            tell(f"sent {size} of {end - begin} bytes")
    return Sent(size, count, is_whole=size == end - begin)


def _chunks(timeline: Timeline, since: int | None) -> Iterator[Chunk]:
    """Give the bytes with times on an axis that does not step."""
    offset = 0
    for piece in timeline.pieces(since):
        if piece.data:
            at = np.array([piece.steady_ns], np.int64), np.array([offset], np.int64)
            yield Chunk(piece.data, *at)
            offset += len(piece.data)
