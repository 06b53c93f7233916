"""Where simulated bytes go: standard output, a network client, a serial line.

False corrections steer real machines. A serial target is opened only after a typed yes, which the
command asks for; `CAUTION` is the sentence beside it.
"""

import contextlib
import os
import socket
import sys
from abc import ABC, abstractmethod
from collections.abc import Callable
from typing import BinaryIO

from rtcmtool.errors import SourceError, UsageError

CAUTION = (
    "Corrections steer machines: never feed simulated ones to a live radio or a machine. "
    "People may be hurt."
)
STANDARD_OUTPUT = "-"
PSEUDO_TERMINAL = "pty"
_LISTEN = "tcp-listen://"
_ACCEPT_WAIT_S = 0.2  # so often a waiting listener looks up: Ctrl-C works on every system
_SEND_WAIT_S = 5.0  # a client that takes nothing for so long is dropped: judgement

Tell = Callable[[str], None]


class Target(ABC):
    """A place that takes bytes."""

    needs_yes = False
    is_live = True

    @property
    def is_heard(self) -> bool:
        """Whether anybody takes what is written, as far as that can be told."""
        return True

    @abstractmethod
    def open(self, tell: Tell) -> None:
        """Make ready; `tell` takes a line for the user.

        Raises
        ------
        SourceError
            If it cannot be opened.
        """

    @abstractmethod
    def write(self, data: bytes) -> None:
        """Send bytes at once."""

    @abstractmethod
    def close(self) -> None:
        """Close; may be called without `open`."""


def target_of(text: str, baud: int) -> Target:
    """Make the target that a user names.

    Parameters
    ----------
    text : str
        `-`, `tcp-listen://host:port`, `pty` or the name of a serial port.
    baud : int
        Rate of a serial port.

    Raises
    ------
    UsageError
        If it is none of them.
    """
    if text == STANDARD_OUTPUT:
        return StandardOutput()
    if text == PSEUDO_TERMINAL:
        return PseudoTerminal()
    if text.startswith(_LISTEN):
        return TcpListen(*_address(text))
    if "://" in text and not text.startswith(("rfc2217://", "socket://", "loop://")):
        raise UsageError(
            f"nothing can be sent to {text.split('://', maxsplit=1)[0]}://.",
            do="targets: -, pty, tcp-listen://host:port, or a serial port",
        )
    if text.endswith(".rtcm3") or os.path.isfile(text):  # noqa: PTH113  # a name, not yet a path
        raise UsageError(f"{text} is a file, no target.", do=f"use --record {text}")
    return SerialPort(text, baud)


def _address(text: str) -> tuple[str, int]:
    host, colon, port = text.removeprefix(_LISTEN).rstrip("/").rpartition(":")
    if not colon or not port.isdecimal() or int(port) > 65_535:
        raise UsageError(f"{text} has no port.", do="write tcp-listen://127.0.0.1:5015")
    return host.strip("[]"), int(port)


class StandardOutput(Target):
    """Standard output, as bytes; refused when it is a terminal."""

    def __init__(self, stream: BinaryIO | None = None) -> None:
        self._stream = stream

    def open(self, tell: Tell) -> None:
        """Refuse a terminal."""
        if self._stream is None:
            if sys.stdout.isatty():
                raise UsageError(
                    "the stream is bytes, not text for a screen.",
                    do="send it on (| rtcmtool check -), or write it: --record NAME",
                )
            self._stream = sys.stdout.buffer

    def write(self, data: bytes) -> None:
        """Send bytes at once."""
        assert self._stream is not None
        self._stream.write(data)
        self._stream.flush()

    def close(self) -> None:
        """Leave standard output open."""


class TcpListen(Target):
    """A listening port; everybody who connects gets the stream from then on.

    Parameters
    ----------
    host : str
        Where to listen; empty for all addresses.
    port : int
        0 takes a free one.
    """

    def __init__(self, host: str, port: int) -> None:
        self._host, self._port = host, port
        self._listener: socket.socket | None = None
        self._clients: list[socket.socket] = []
        self._tell: Tell = lambda _: None

    @property
    def port(self) -> int:
        """The port in use."""
        return self._port

    @property
    def is_heard(self) -> bool:
        """Whether anybody is connected; who waits to be is let in."""
        if self._listener is not None:
            self._accept()
        return bool(self._clients)

    def open(self, tell: Tell) -> None:
        """Listen, and wait for the first client."""
        self.listen(tell)
        assert self._listener is not None
        self._listener.settimeout(_ACCEPT_WAIT_S)
        while not self.is_heard:
            continue
        self._listener.setblocking(False)

    def listen(self, tell: Tell) -> None:
        """Listen, without waiting for anybody."""
        self._tell = tell
        family = socket.AF_INET6 if ":" in self._host else socket.AF_INET
        try:
            self._listener = socket.create_server((self._host, self._port), family=family)
        except OSError as error:
            raise SourceError(
                f"cannot listen on {self._host}:{self._port}.",
                why=f"{error.strerror or error}.",
                do="choose another port.",
            ) from error
        self._listener.setblocking(False)
        self._port = self._listener.getsockname()[1]
        tell(f"listening on {self._host or '*'}:{self._port}, waiting for somebody to connect")

    def _accept(self) -> None:
        assert self._listener is not None
        with contextlib.suppress(TimeoutError, BlockingIOError):
            client, address = self._listener.accept()
            client.settimeout(_SEND_WAIT_S)
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._clients.append(client)
            self._tell(f"connected: {address[0]}:{address[1]}")

    def write(self, data: bytes) -> None:
        """Send bytes to all; who has gone, or takes nothing, is dropped."""
        self._accept()
        for client in list(self._clients):
            try:
                client.sendall(data)
            except OSError:
                self._clients.remove(client)
                client.close()
                self._tell("a client has gone")

    def close(self) -> None:
        """Close all."""
        for client in self._clients:
            with contextlib.suppress(OSError):
                client.shutdown(socket.SHUT_WR)
            client.close()
        self._clients.clear()
        if self._listener is not None:
            self._listener.close()
            self._listener = None


class SerialPort(Target):
    """A serial port or a URL of pyserial.

    Parameters
    ----------
    name : str
        As the system names it.
    baud : int
        Its rate.
    """

    needs_yes = True

    def __init__(self, name: str, baud: int) -> None:
        self._name, self._baud = name, baud
        self._port: BinaryIO | None = None

    def open(self, tell: Tell) -> None:
        """Open the port."""
        import serial  # noqa: PLC0415  # only who sends to a port needs it

        try:
            self._port = serial.serial_for_url(self._name, baudrate=self._baud, write_timeout=5)
        except (OSError, ValueError) as error:
            raise SourceError(
                f"{self._name} cannot be opened for sending.",
                why=f"{error}.",
                do="targets: -, pty, tcp-listen://host:port, or a serial port",
            ) from error
        tell(f"sending to {self._name} at {self._baud} baud")

    def write(self, data: bytes) -> None:
        """Send bytes at once."""
        assert self._port is not None
        try:
            self._port.write(data)
            self._port.flush()
        except OSError as error:
            raise SourceError(f"{self._name} was lost.", why=f"{error}.") from error

    def close(self) -> None:
        """Close the port."""
        if self._port is not None:
            self._port.close()
            self._port = None


class PseudoTerminal(Target):
    """A serial port that does not exist: another program opens the name it is told.

    Bytes that nobody reads are thrown away, as on a real line, so who comes late gets fresh ones.
    """

    def __init__(self) -> None:
        self._ours = -1
        self.name = ""  # what to open at the other end

    def open(self, tell: Tell) -> None:
        """Make the pair."""
        try:
            import tty  # noqa: PLC0415  # not on every system
        except ImportError as error:
            raise UsageError(
                "this system has no pseudo-terminals.", do="use tcp-listen://127.0.0.1:5015"
            ) from error
        self._ours, theirs = os.openpty()
        self.name = os.ttyname(theirs)
        tty.setraw(theirs)
        os.close(theirs)  # held open by us, the device would look taken to whoever listens
        os.set_blocking(self._ours, False)
        tell(f"sending to {self.name}")

    def write(self, data: bytes) -> None:
        """Send bytes at once."""
        if not self.is_heard:
            return
        try:
            sent = os.write(self._ours, data)
        except BlockingIOError:
            sent = 0
        if sent < len(data):
            self._forget_old_bytes()

    @property
    def is_heard(self) -> bool:
        """Whether anybody has the other end open."""
        if self._ours < 0:
            return False
        import select  # noqa: PLC0415  # not all of it is on every system

        poll = select.poll()
        poll.register(self._ours, 0)
        return not any(event & select.POLLHUP for _, event in poll.poll(0))

    def _forget_old_bytes(self) -> None:
        """Throw away what a listener that does not read has let pile up, as a port does."""
        import termios  # noqa: PLC0415  # not on every system

        theirs = os.open(self.name, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        try:
            termios.tcflush(theirs, termios.TCIFLUSH)
        finally:
            os.close(theirs)

    def close(self) -> None:
        """Close both ends."""
        if self._ours >= 0:
            os.close(self._ours)
        self._ours = -1
