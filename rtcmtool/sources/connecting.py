"""Connect a socket without ever being stuck: name, address and TLS, each interruptible.

Every function is a generator that yields while it waits, so that the caller's ticks go on.
"""

import errno
import os
import socket
import ssl
import threading
from collections.abc import Generator
from dataclasses import dataclass, field

from rtcmtool.errors import SourceError
from rtcmtool.sources.base import TICK_S, Clocks, NeverThereError, RefusedError
from rtcmtool.sources.waker import Waker

CONNECT_S = 10.0  # trade-facts 7.4, a judgement
# What the name service answers where it knows that there is no such name (RFC 3493, 6.1); while
# the network is away it gives EAI_AGAIN.
UNKNOWN_NAME = {socket.EAI_NONAME, getattr(socket, "EAI_NODATA", socket.EAI_NONAME)}
# Results of checking a certificate (numbers of X509_verify_cert, OpenSSL).
_NOT_YET_VALID, _EXPIRED, _SELF_SIGNED, _SELF_SIGNED_IN_CHAIN, _NO_ISSUER = 9, 10, 18, 19, 20
_OTHER_NAME, _OTHER_ADDRESS = 62, 64
Steps = Generator[None, None, socket.socket]

# Same order and names as getaddrinfo gives.
Address = tuple[socket.AddressFamily, socket.SocketKind, int, str, object]


@dataclass(slots=True)
class _Lookup:
    """What the thread that asks for a name found."""

    addresses: list[Address] = field(default_factory=list)
    failure: OSError | None = None


def connect(host: str, port: int, waker: Waker, clocks: Clocks) -> Steps:
    """Connect to a host by TCP.

    Returns
    -------
    socket
        Connected, not blocking.

    Raises
    ------
    SourceError
        If no address of the host answers within `CONNECT_S` each.
    """
    addresses = yield from _look_up(host, port, waker, clocks)
    failure: OSError | None = None
    for family, kind, protocol, _, address in addresses:
        try:
            connection = socket.socket(family, kind, protocol)
        except OSError as error:  # a kind of address that this computer does not have
            failure = error
            continue
        try:
            failure = yield from _connect_one(connection, address, waker, clocks)
        except BaseException:  # also when the generator is closed: no socket is left open
            connection.close()
            raise
        if failure is None:
            keep_alive(connection)
            return connection
        connection.close()
    raise not_connected(host, port, failure or OSError("no address")) from failure


def start_tls(
    connection: socket.socket, host: str, context: ssl.SSLContext, waker: Waker, clocks: Clocks
) -> Steps:
    """Put TLS on a connection.

    Raises
    ------
    RefusedError
        If the certificate is not to be trusted, or the other side does not speak TLS.
    SourceError
        If the connection breaks meanwhile.
    """
    secured = context.wrap_socket(connection, server_hostname=host, do_handshake_on_connect=False)
    due_s = clocks.monotonic() + CONNECT_S
    try:
        while True:
            try:
                secured.do_handshake()
            except ssl.SSLWantReadError:
                is_ready = waker.wait(TICK_S, [secured])
            except ssl.SSLWantWriteError:
                is_ready = waker.wait(TICK_S, (), [secured])
            else:
                return secured
            if clocks.monotonic() > due_s:
                break
            if not is_ready:
                yield
    except OSError as error:
        secured.close()
        raise _not_secured(host, error) from error
    except BaseException:
        secured.close()
        raise
    secured.close()
    raise SourceError(
        f"{host} did not finish the TLS greeting in {CONNECT_S:.0f} s.",
        why="it may not speak TLS at this port.",
        do="check the port, or write ntrip:// instead of ntrips://.",
    )


def keep_alive(connection: socket.socket) -> None:
    """Let the system notice a peer that has gone without a word, within about a minute."""
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for option, value in (("TCP_KEEPIDLE", 30), ("TCP_KEEPINTVL", 10), ("TCP_KEEPCNT", 3)):
        if hasattr(socket, option):
            connection.setsockopt(socket.IPPROTO_TCP, getattr(socket, option), value)


def not_connected(host: str, port: int, error: OSError) -> SourceError:
    """Say why a host could not be reached."""
    message = f"{host} port {port} cannot be reached."
    if isinstance(error, ConnectionRefusedError):
        return SourceError(
            f"{host} refuses a connection at port {port}.",
            why="nothing listens there, or only one listener at a time is allowed.",
            do="check the port number, and that the output is switched on.",
        )
    if isinstance(error, TimeoutError) or error.errno in {errno.EHOSTUNREACH, errno.ENETUNREACH}:
        return SourceError(
            message,
            why=error.strerror or "no answer.",
            do="check the network of this computer, the address and any firewall between.",
        )
    return SourceError(message, why=error.strerror or str(error))


def not_found(host: str, error: OSError) -> SourceError:
    """Say why the name of a host is not known: by the name service, or by nobody just now."""
    kind = NeverThereError if error.errno in UNKNOWN_NAME else SourceError
    return kind(
        f"the name {host} cannot be found.",
        why=f"{(error.strerror or str(error)).rstrip('.')}.",
        do="check the spelling, and that this computer is on the network.",
    )


def _look_up(
    host: str, port: int, waker: Waker, clocks: Clocks
) -> Generator[None, None, list[Address]]:
    """Find the addresses of a host, in a thread: the system's look-up cannot be interrupted."""
    found = _Lookup()
    asking, answering = socket.socketpair()

    def ask() -> None:
        try:
            found.addresses = list(socket.getaddrinfo(host, port, type=socket.SOCK_STREAM))
        except OSError as error:
            found.failure = error
        except UnicodeError:
            found.failure = socket.gaierror(socket.EAI_NONAME, "the name is not a possible one.")
        finally:
            answering.close()

    threading.Thread(target=ask, daemon=True, name="look up a host").start()
    due_s = clocks.monotonic() + CONNECT_S
    with asking:
        while not waker.wait(TICK_S, [asking]):
            if clocks.monotonic() > due_s:
                found.failure = OSError("the name service does not answer.")
                break
            yield
    if found.failure is not None:
        raise not_found(host, found.failure) from found.failure
    return found.addresses


def _connect_one(
    connection: socket.socket, address: object, waker: Waker, clocks: Clocks
) -> Generator[None, None, OSError | None]:
    """Connect to one address; give the failure, or None."""
    connection.setblocking(False)
    code = connection.connect_ex(address)  # type: ignore[arg-type] # as getaddrinfo gave it
    due_s = clocks.monotonic() + CONNECT_S
    if code in {errno.EINPROGRESS, errno.EWOULDBLOCK}:
        while not waker.wait(TICK_S, (), [connection]):
            if clocks.monotonic() > due_s:
                return TimeoutError(errno.ETIMEDOUT, f"no answer within {CONNECT_S:.0f} s.")
            yield
        code = connection.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
    return OSError(code, os.strerror(code)) if code else None


def _not_secured(host: str, error: OSError) -> SourceError:
    """Say why TLS failed."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return RefusedError(
            f"the certificate of {host} cannot be trusted.",
            why=f"{error.verify_message.rstrip('.')}.",
            do=_trust_advice(error.verify_code),
        )
    if isinstance(error, ssl.SSLError):
        return RefusedError(
            f"{host} does not speak TLS at this port.",
            why=f"{(error.reason or str(error)).replace('_', ' ').lower()}.",
            do="check the port, or write ntrip:// instead of ntrips://.",
        )
    return SourceError(
        f"the connection to {host} broke during the TLS greeting.",
        why=error.strerror or str(error),
    )


def _trust_advice(verify_code: int) -> str:
    """Say what to do about a certificate that does not hold."""
    if verify_code in {_NOT_YET_VALID, _EXPIRED}:
        return "check the date of this computer; if it is right, tell the caster's operator."
    if verify_code in {_OTHER_NAME, _OTHER_ADDRESS}:
        return "write the host name that the caster's operator gave you."
    if verify_code in {_SELF_SIGNED, _SELF_SIGNED_IN_CHAIN, _NO_ISSUER}:
        return "ask the caster's operator for its certificate; name the file in SSL_CERT_FILE."
    return "check host name and date of this computer; else ask the caster's operator."
