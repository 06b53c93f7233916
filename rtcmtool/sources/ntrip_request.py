"""Ask a caster for something and read the head of its answer; what can go wrong, in words."""

import difflib
import socket
import ssl
from collections.abc import Generator
from dataclasses import dataclass, replace
from typing import TypeVar
from urllib.parse import quote

from rtcmtool import __version__
from rtcmtool.errors import SourceError
from rtcmtool.sources.base import TICK_S, Clocks, RefusedError, one_sentence
from rtcmtool.sources.connecting import connect, start_tls
from rtcmtool.sources.credentials import Credentials
from rtcmtool.sources.http_answer import Answer, AnswerError, AnswerReader
from rtcmtool.sources.network import receive
from rtcmtool.sources.sourcetable import END, SourceTable, parse_sourcetable
from rtcmtool.sources.waker import Waker

DEFAULT_PORT = 2101  # NTRIP revision 1, from memory
DEFAULT_TLS_PORT = 443  # common practice, no source
ANSWER_S = 10.0  # until the head of the answer is complete
QUIET_HEAD_S = 1.0  # a head of revision 1 without a blank line ends when nothing follows
TABLE_S = 15.0
LARGEST_TABLE_BYTES = 8 * 1024 * 1024
LONGEST_SAID_BYTES = 2048
TLS_ALERT = b"\x15\x03"  # content type and version of a record (RFC 8446, 5.1)
WANTS_REVISION_1 = (400, 405, 501, 505)  # what casters of revision 1 say to a request of 2


@dataclass(frozen=True, slots=True)
class CasterAddress:
    """Where a caster is, and what is asked of it.

    Attributes
    ----------
    mountpoint : str
        Empty for the source table.
    tls : ssl.SSLContext or None
        Encrypted where there is one.
    """

    host: str
    port: int
    mountpoint: str = ""
    tls: ssl.SSLContext | None = None
    credentials: Credentials | None = None

    @property
    def name(self) -> str:
        """Host and port for messages, without secrets."""
        return f"{self.host} port {self.port}"

    @property
    def url(self) -> str:
        """The address of the caster without mountpoint."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{'ntrip' if self.tls is None else 'ntrips'}://{host}:{self.port}"


def request(address: CasterAddress, revision: int, gga: str | None = None) -> bytes:
    """Write a request (NTRIP revisions 1 and 2, from memory).

    Parameters
    ----------
    address : CasterAddress
        What is asked for.
    revision : int
        1 or 2.
    gga : str, optional
        Position line; revision 2 carries it in the head as well.
    """
    lines = [f"GET /{quote(address.mountpoint)} HTTP/1.{revision - 1}"]
    if revision == 2:
        host = f"[{address.host}]" if ":" in address.host else address.host
        lines += [f"Host: {host}:{address.port}", "Ntrip-Version: Ntrip/2.0"]
    lines += [f"User-Agent: NTRIP rtcmtool/{__version__}"]
    if revision == 2 and gga is not None:
        lines.append(f"Ntrip-GGA: {gga}")
    if address.credentials is not None:
        lines.append(f"Authorization: Basic {address.credentials.encoded()}")
    if revision == 2:
        lines.append("Connection: close")
    return "\r\n".join([*lines, "", ""]).encode("ascii")


@dataclass(slots=True)
class Exchange:
    """An open connection whose head is read: the reader, and the first bytes of the body."""

    connection: socket.socket
    reader: AnswerReader
    body: bytes
    revision: int


def ask(
    address: CasterAddress,
    waker: Waker,
    clocks: Clocks,
    *,
    revision: int | None = None,
    gga: str | None = None,
) -> Generator[None, None, Exchange]:
    """Connect, ask, and read the head of the answer; yields while it waits.

    Parameters
    ----------
    address : CasterAddress
        What is asked for.
    waker, clocks
        How it is waited.
    revision : int, optional
        1 or 2; None: 2, and 1 for a caster that does not understand it.
    gga : str, optional
        Position line.

    Raises
    ------
    RefusedError
        If it makes no sense to ask again soon.
    SourceError
        If the connection fails.
    """
    tried = revision or 2
    try:
        exchange = yield from _ask_once(address, tried, waker, clocks, gga)
    except _NoAnswerError as error:
        if revision is not None or tried == 1:
            raise SourceError(str(error), why=error.why, do=error.do) from error
    else:
        answer = exchange.reader.answer
        is_understood = answer is None or answer.code not in WANTS_REVISION_1
        if revision is not None or is_understood:
            return exchange
        exchange.connection.close()
    return (yield from _ask_once(address, 1, waker, clocks, gga))


class _NoAnswerError(SourceError):
    """The caster closed the connection without a word, as old ones do with a newer request."""


def _ask_once(
    address: CasterAddress, revision: int, waker: Waker, clocks: Clocks, gga: str | None
) -> Generator[None, None, Exchange]:
    connection = yield from connect(address.host, address.port, waker, clocks)
    if address.tls is not None:
        connection = yield from start_tls(connection, address.host, address.tls, waker, clocks)
    try:
        yield from send(connection, request(address, revision, gga), address.name, waker, clocks)
        reader = AnswerReader()
        body = yield from _read_head(connection, reader, address, waker, clocks)
    except BaseException:
        connection.close()
        raise
    return Exchange(connection, reader, body, revision)


def send(
    connection: socket.socket, data: bytes, name: str, waker: Waker, clocks: Clocks
) -> Generator[None, None, None]:
    """Send all bytes; yields while the connection takes none.

    Raises
    ------
    SourceError
        If it breaks, or takes nothing for `ANSWER_S`.
    """
    due_s = clocks.monotonic() + ANSWER_S
    while data:
        try:
            data = data[connection.send(data) :]
        except (BlockingIOError, ssl.SSLWantWriteError, ssl.SSLWantReadError):
            if not waker.wait(TICK_S, (), [connection]):
                yield
        except OSError as error:
            reason = error.strerror or str(error)
            raise SourceError(f"the connection to {name} broke.", why=f"{reason}.") from error
        if clocks.monotonic() > due_s:
            raise SourceError(f"{name} does not take what is sent.")


def is_ready(connection: socket.socket, wait_s: float, waker: Waker) -> bool:
    """Wait for bytes; those that TLS has decrypted already count."""
    if isinstance(connection, ssl.SSLSocket) and connection.pending():
        return waker.wait(0.0, [connection]) or True
    return waker.wait(wait_s, [connection])


def _read_head(
    connection: socket.socket,
    reader: AnswerReader,
    address: CasterAddress,
    waker: Waker,
    clocks: Clocks,
) -> Generator[None, None, bytes]:
    """Read until the head is complete; give the bytes behind it."""
    began_s = heard_s = clocks.monotonic()
    head = b""
    while reader.answer is None:
        now_s = clocks.monotonic()
        if now_s - began_s > ANSWER_S and not reader.is_acknowledged:
            raise SourceError(
                f"{address.name} does not answer within {ANSWER_S:.0f} s.",
                why="it takes the connection, and says nothing whole.",
                do=f"check the port ({DEFAULT_PORT} is usual for ntrip://).",
            )
        if reader.is_acknowledged and now_s - heard_s > QUIET_HEAD_S:
            return reader.finish()
        if not is_ready(connection, TICK_S, waker):
            yield
            continue
        try:
            data = receive(connection, address.name) or b""
        except SourceError as error:
            if head.startswith(b"ERROR"):
                raise no_caster(address, head) from error
            if head:
                raise
            raise _no_answer(address, error) from error
        head += data[:LONGEST_SAID_BYTES]
        if head.startswith(TLS_ALERT):
            raise no_caster(address, head)
        heard_s = clocks.monotonic()
        try:
            body = reader.feed(data)
        except AnswerError as error:
            raise no_caster(address, head) from error
    return body


def _no_answer(address: CasterAddress, error: SourceError) -> _NoAnswerError:
    """Say that the connection was closed or broken before a word came."""
    do = f"check the port ({DEFAULT_PORT} is usual)."
    if address.tls is None:
        do = f"check the port ({DEFAULT_PORT} is usual); where TLS is wanted write ntrips://."
    return _NoAnswerError(f"{address.name} gives no answer.", why=one_sentence(error), do=do)


def _said(address: CasterAddress, text: str) -> str:
    """Give what a caster says, fit to be shown: some give back what they were sent."""
    shown = "".join(c if c.isprintable() else " " for c in text).strip()
    return shown if address.credentials is None else address.credentials.hide(shown)


def no_caster(address: CasterAddress, head: bytes) -> SourceError:
    """Say that the answer is not that of a caster, with what it says."""
    if head.startswith(TLS_ALERT):
        return RefusedError(
            f"{address.name} wants TLS.",
            why="it answers with an alert of TLS.",
            do="write ntrips:// instead of ntrip://.",
        )
    said = _said(address, head.decode("latin-1").partition("\n")[0])[:80]
    if said.upper().startswith("ERROR"):
        return RefusedError(
            f"{address.name} refuses.",
            why=f"it says: {said}",
            do="check the mountpoint, the user and the password.",
        )
    return RefusedError(
        f"{address.name} is no caster.",
        why=f"its answer begins with: {said}",
        do=f"check the port ({DEFAULT_PORT} is usual); raw corrections are heard with tcp://.",
    )


def refusal(address: CasterAddress, answer: Answer) -> SourceError | None:
    """Say why the caster does not send the stream; None if it does."""
    name = address.name
    if answer.code in {401, 403}:
        return _not_allowed(address, answer)
    if answer.code == 404:
        return no_mountpoint(address, None)
    if answer.is_web_page or 300 <= answer.code < 400:
        return RefusedError(
            f"{name} answers with a web page.",
            why="it is no caster, or the network shows a log-in page first.",
            do="check host and port; open any page in a browser to see whether a log-in is asked.",
        )
    if answer.code != 200:
        said = _said(address, answer.reason)
        return SourceError(
            f"{name} refuses.",
            why=f"it says: {answer.code} {said}",
            do="ask the caster's operator, if it stays so.",
        )
    return None


def _not_allowed(address: CasterAddress, answer: Answer) -> RefusedError:
    scheme = answer.headers.get("www-authenticate", "Basic").partition(" ")[0]
    if scheme.lower() not in {"basic", ""}:
        return RefusedError(
            f"{address.name} asks for a log-in of the kind {_said(address, scheme)}.",
            why="only Basic is spoken here.",
            do="ask the caster's operator for Basic authentication.",
        )
    if address.credentials is None and answer.code == 403:  # RFC 9110: a log-in may not help
        return RefusedError(
            f"{address.name} does not give {address.mountpoint} to everybody.",
            why=f"it says: 403 {_said(address, answer.reason)}",
            do="add --user NAME if you have an account there; else ask the caster's operator.",
        )
    if address.credentials is None:
        return RefusedError(
            f"{address.name} asks for a user and a password.",
            do="add --user NAME; the password is asked for, or read from --password-file.",
        )
    return RefusedError(
        f"{address.name} refuses user and password for {address.mountpoint}.",
        why="the password is wrong, the subscription does not hold this stream, "
        "or the account is in use elsewhere.",
        do="check user and password; end other connections of this account.",
    )


def no_mountpoint(address: CasterAddress, table: SourceTable | None) -> RefusedError:
    """Say that there is no such stream, and which are named like it."""
    names = [stream.mountpoint for stream in table.streams] if table is not None else []
    near = difflib.get_close_matches(address.mountpoint, names, n=3, cutoff=0.6)
    if not near:
        wanted = address.mountpoint.lower()
        near = [name for name in names if name.lower() == wanted]
    listing = f"list them: rtcmtool streams {address.url}"
    do = f"did you mean {', '.join(near)}? Or {listing}" if near else listing
    return RefusedError(
        f"{address.name} has no stream {address.mountpoint}.",
        why="the name is another, or its base is not connected to the caster now.",
        do=do,
    )


def collect_table(
    exchange: Exchange, address: CasterAddress, waker: Waker, clocks: Clocks
) -> Generator[None, None, SourceTable]:
    """Read the body of a source table, as far as it comes; yields while it waits."""
    content = bytearray(exchange.body)
    due_s = clocks.monotonic() + TABLE_S
    reader = exchange.reader
    while not (reader.has_ended or reader.is_broken) and len(content) < LARGEST_TABLE_BYTES:
        if f"\n{END}".encode() in b"\n" + content[-200:] or clocks.monotonic() > due_s:
            break
        if not is_ready(exchange.connection, TICK_S, waker):
            yield
            continue
        try:
            content += reader.feed(receive(exchange.connection, address.name) or b"")
        except SourceError:  # cut off: what came is shown as not complete
            break
    return parse_sourcetable(bytes(content))


def read_sourcetable(address: CasterAddress, clocks: Clocks | None = None) -> SourceTable:
    """Ask a caster for its source table.

    Parameters
    ----------
    address : CasterAddress
        Its mountpoint does not matter.
    clocks : Clocks, optional
        For tests.

    Raises
    ------
    SourceError
        If the caster cannot be reached or does not send one.
    """
    clocks = clocks or Clocks()
    whole = replace(address, mountpoint="")
    waker = Waker()
    try:
        exchange = _finish(ask(whole, waker, clocks))
        with exchange.connection:
            answer = exchange.reader.answer
            if answer is not None and (error := refusal(whole, answer)):
                raise error
            return _finish(collect_table(exchange, whole, waker, clocks))
    finally:
        waker.close()


Result = TypeVar("Result")


def _finish(steps: Generator[None, None, Result]) -> Result:
    """Run steps to their end, for callers that have nothing to do meanwhile."""
    while True:
        try:
            next(steps)
        except StopIteration as end:
            result: Result = end.value
            return result
