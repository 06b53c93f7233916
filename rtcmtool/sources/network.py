"""Bytes from the network: TCP both ways, and UDP."""

import errno
import ipaddress
import logging
import os
import socket
import ssl
import struct
from collections.abc import Iterator

from rtcmtool.errors import SourceError
from rtcmtool.sources.base import (
    READ_BYTES,
    Arrival,
    Clocks,
    LiveSource,
    RefusedError,
    SourceState,
)
from rtcmtool.sources.connecting import connect, keep_alive

log = logging.getLogger(__name__)

SILENT_PEER_S = 5.0  # a peer silent for so long makes room for a new one
UDP_BUFFER_BYTES = 1 << 20
LARGEST_DATAGRAM_BYTES = 65_535
MOST_DATAGRAMS = 256  # handed over at once


def receive(connection: socket.socket, peer: str) -> bytes | None:
    """Read from a connection that is ready; None if it was not after all.

    Raises
    ------
    SourceError
        If the peer has closed it, or it broke.
    """
    try:
        data = connection.recv(READ_BYTES)
    except (BlockingIOError, ssl.SSLWantReadError):
        return None
    except (ssl.SSLZeroReturnError, ssl.SSLEOFError):
        data = b""
    except OSError as error:
        reason = error.strerror or str(error)
        raise SourceError(f"the connection to {peer} broke.", why=f"{reason}.") from error
    if not data:
        raise SourceError(f"{peer} has closed the connection.")
    return data


class TcpSource(LiveSource):
    """Connects to `tcp://host:port`."""

    stall_s: float | None = 60.0

    def __init__(
        self,
        text: str,
        host: str,
        port: int,
        *,
        clocks: Clocks | None = None,
        give_up_after_s: float | None = None,
    ) -> None:
        super().__init__(text, clocks=clocks, give_up_after_s=give_up_after_s)
        self.host, self.port = host, port
        self._connection: socket.socket | None = None

    def _open(self) -> Iterator[None]:
        assert self._waker is not None
        self._connection = yield from connect(self.host, self.port, self._waker, self.clocks)

    def _read(self, wait_s: float) -> list[Arrival]:
        assert self._connection is not None
        if not self._wait(wait_s, self._connection):
            return []
        data = receive(self._connection, self.text)
        return [self._stamp(data)] if data else []

    def _close(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def _opened_text(self) -> str:
        return f"connected to {self.host} port {self.port}"


class TcpListenSource(LiveSource):
    """Waits for one sender at a time at `tcp-listen://host:port`.

    A newcomer is turned away, unless the present sender has been silent for `SILENT_PEER_S`: a
    modem that dials again leaves its old connection half open.
    """

    def __init__(
        self,
        text: str,
        host: str,
        port: int,
        *,
        clocks: Clocks | None = None,
        give_up_after_s: float | None = None,
    ) -> None:
        super().__init__(text, clocks=clocks, give_up_after_s=give_up_after_s)
        self.host, self.port = host, port
        self._listener: socket.socket | None = None
        self._peer: socket.socket | None = None
        self._peer_name = ""
        self._heard_s = 0.0

    @property
    def bound_port(self) -> int | None:
        """The port it listens at, also when 0 was asked for; None while it is closed."""
        return self._listener.getsockname()[1] if self._listener is not None else None

    def _open(self) -> Iterator[None]:
        yield from ()
        self._listener = bind(self.host, self.port, socket.SOCK_STREAM)
        self._listener.listen(4)
        self._listener.setblocking(False)

    def _read(self, wait_s: float) -> list[Arrival]:
        assert self._listener is not None
        waited_for = [self._listener] if self._peer is None else [self._listener, self._peer]
        if not self._wait(wait_s, *waited_for):
            return []
        # The present sender first: what it has sent already is not lost to a newcomer.
        arrivals = self._read_peer() if self._peer is not None else []
        self._accept()
        return arrivals

    def _read_peer(self) -> list[Arrival]:
        assert self._peer is not None
        try:
            data = receive(self._peer, self._peer_name)
        except SourceError as error:
            self._drop_peer()
            self._tell(SourceState.LOST, str(error))
            return []
        if not data:
            return []
        self._heard_s = self.clocks.monotonic()
        return [self._stamp(data)]

    def _accept(self) -> None:
        """Take a newcomer, or turn it away."""
        assert self._listener is not None
        try:
            newcomer, address = self._listener.accept()
        except OSError:  # nobody there, or gone again already
            return
        name = f"{address[0]} port {address[1]}"
        now_s = self.clocks.monotonic()
        if self._peer is not None and now_s - self._heard_s < SILENT_PEER_S:
            newcomer.close()
            self._tell(SourceState.NOTE, f"{name} was turned away: {self._peer_name} is sending")
            return
        if self._peer is not None:
            self._drop_peer()
            self._tell(SourceState.LOST, f"{self._peer_name} was silent, {name} takes its place")
        newcomer.setblocking(False)
        keep_alive(newcomer)
        self._peer, self._peer_name, self._heard_s = newcomer, name, now_s
        self._tell(SourceState.OPENED, f"{name} has connected")

    def _drop_peer(self) -> None:
        if self._peer is not None:
            self._peer.close()
            self._peer = None

    def _close(self) -> None:
        self._drop_peer()
        if self._listener is not None:
            self._listener.close()
            self._listener = None

    def _opened_text(self) -> str:
        return f"listening at {self.host or 'all addresses'} port {self.bound_port}"


class UdpSource(LiveSource):
    """Takes every datagram that comes to `udp://host:port`, also of a multicast group."""

    def __init__(
        self,
        text: str,
        host: str,
        port: int,
        *,
        clocks: Clocks | None = None,
        give_up_after_s: float | None = None,
    ) -> None:
        super().__init__(text, clocks=clocks, give_up_after_s=give_up_after_s)
        self.host, self.port = host, port
        self._socket: socket.socket | None = None

    @property
    def bound_port(self) -> int | None:
        """The port it is bound to, also when 0 was asked for; None while it is closed."""
        return self._socket.getsockname()[1] if self._socket is not None else None

    def _open(self) -> Iterator[None]:
        yield from ()
        self._socket = bind(self.host, self.port, socket.SOCK_DGRAM)
        self._socket.setblocking(False)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, UDP_BUFFER_BYTES)

    def _read(self, wait_s: float) -> list[Arrival]:
        assert self._socket is not None
        if not self._wait(wait_s, self._socket):
            return []
        arrivals = []
        for _ in range(MOST_DATAGRAMS):
            try:
                data = self._socket.recv(LARGEST_DATAGRAM_BYTES)
            except BlockingIOError:
                break
            except ConnectionResetError:  # Windows tells so of a datagram sent long ago
                continue
            except OSError as error:
                raise SourceError(f"{self.text} broke.", why=error.strerror) from error
            if data:
                arrivals.append(self._stamp(data))
        return arrivals

    def _close(self) -> None:
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _opened_text(self) -> str:
        return f"waiting for datagrams at {self.host or 'all addresses'} port {self.bound_port}"


def bind(host: str, port: int, kind: socket.SocketKind) -> socket.socket:
    """Bind a socket of this computer.

    Raises
    ------
    RefusedError
        If the port is taken, is not allowed, or the address is not of this computer.
    """
    try:
        found = socket.getaddrinfo(host or None, port, type=kind, flags=socket.AI_PASSIVE)
    except OSError as error:
        raise _not_bound(host, port, error) from error
    family, kind, protocol, _, address = min(found, key=lambda one: one[0])
    group = _multicast_group(str(address[0]))
    opened = socket.socket(family, kind, protocol)
    try:
        if os.name == "posix" and (kind == socket.SOCK_STREAM or group is not None):
            opened.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        opened.bind(address)
        if group is not None:
            member = struct.pack("4s4s", group.packed, bytes(4))
            opened.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, member)
    except OSError as error:
        opened.close()
        raise _not_bound(host, port, error) from error
    return opened


def _multicast_group(address: str) -> ipaddress.IPv4Address | None:
    """Give the multicast group, if the address is one."""
    try:
        group = ipaddress.IPv4Address(address)
    except ValueError:
        return None
    return group if group.is_multicast else None


def _not_bound(host: str, port: int, error: OSError) -> RefusedError:
    """Say why a port of this computer cannot be used."""
    message = f"port {port} of this computer cannot be used."
    if error.errno == errno.EADDRINUSE:
        return RefusedError(
            message,
            why="another program is using it.",
            do="close the other program, or choose another port.",
        )
    if error.errno in {errno.EACCES, errno.EPERM}:
        return RefusedError(
            message, why="this user may not.", do="choose a port above 1023, such as 5015."
        )
    if error.errno == errno.EADDRNOTAVAIL or isinstance(error, socket.gaierror):
        return RefusedError(
            message,
            why=f"{host} is no address of this computer.",
            do="leave the host out to listen at all addresses, as in udp://:5015.",
        )
    return RefusedError(message, why=error.strerror or str(error))
