"""SOURCE, as the user writes it, to a source."""

import difflib
import re
import ssl
import stat
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import SplitResult, unquote, urlsplit

from rtcmtool.errors import UsageError
from rtcmtool.sources.base import Clocks, Source
from rtcmtool.sources.credentials import Credentials
from rtcmtool.sources.files import FileSource, PipeSource
from rtcmtool.sources.network import TcpListenSource, TcpSource, UdpSource
from rtcmtool.sources.ntrip import NtripSource
from rtcmtool.sources.ntrip_request import DEFAULT_PORT, DEFAULT_TLS_PORT, CasterAddress
from rtcmtool.sources.position_line import Position
from rtcmtool.sources.serial_port import SerialSource

SERIAL_URLS = ("rfc2217", "socket", "loop", "hwgrep", "spy", "alt", "cp2110")  # of pyserial
OWN_URLS = ("tcp", "tcp-listen", "udp", "ntrip", "ntrips")

_WINDOWS_PORT = re.compile(r"(\\\\\.\\)?com\d{1,3}", re.IGNORECASE)
_HOST_AND_PORT = re.compile(r"[A-Za-z0-9.-]+:\d{1,5}")
_CREDENTIALS_WITHOUT_SCHEME = re.compile(r"[^/\\@]*:[^@]*@")


@dataclass(frozen=True, slots=True)
class SourceOptions:
    """What else is known about a source.

    Attributes
    ----------
    baud : int or None
        Bit/s of a serial port; None finds out.
    credentials : Credentials or None
        For a caster.
    position : Position or None
        Sent to a caster that asks for it.
    revision : int or None
        Of NTRIP; None finds out.
    tls : ssl.SSLContext or None
        In place of the system's trust; for tests and own authorities.
    give_up_after_s : float or None
        How long it is tried to open the source; None: for ever.
    clocks : Clocks or None
        For tests.
    """

    baud: int | None = None
    credentials: Credentials | None = None
    position: Position | None = None
    revision: int | None = None
    tls: ssl.SSLContext | None = None
    give_up_after_s: float | None = None
    clocks: Clocks | None = None


def parse_source(text: str, options: SourceOptions | None = None) -> Source:
    """Make the source that a text stands for; nothing is opened yet.

    Parameters
    ----------
    text : str
        A path; `-`; a serial device or pyserial URL; `tcp://host:port`, `tcp-listen://host:port`,
        `udp://host:port`, `ntrip://host[:port]/MOUNTPOINT` or `ntrips://` the same.
    options : SourceOptions, optional
        What else is known.

    Returns
    -------
    Source
        To be iterated.

    Raises
    ------
    UsageError
        If the text cannot stand for a source, or holds a password; that is not repeated.
    """
    options = options or SourceOptions()
    refuse_credentials(text)
    source = _make(text, options)
    if options.baud is not None and not isinstance(source, SerialSource):
        raise UsageError(
            f"{text} is no serial port, so it has no baud rate.", do="leave out --baud."
        )
    return source


def parse_caster(text: str, options: SourceOptions | None = None) -> CasterAddress:
    """Read the address of a caster; the mountpoint may be missing.

    Raises
    ------
    UsageError
        If it is none, or holds a password.
    """
    options = options or SourceOptions()
    refuse_credentials(text)
    parts = _split(text if "://" in text else f"ntrip://{text}")
    if parts.scheme not in {"ntrip", "ntrips"}:
        raise UsageError(f"{text} is no caster.", do="write ntrip://HOST:PORT or ntrips://HOST.")
    if parts.query or parts.fragment:  # not repeated: such a place is where passwords are put
        raise UsageError(
            "the address of the caster goes on behind the name of the stream.",
            do="end it there; add --user NAME, and the password is asked for.",
        )
    tls = None
    if parts.scheme == "ntrips":
        tls = options.tls or ssl.create_default_context()
    port = parts.port or (DEFAULT_PORT if tls is None else DEFAULT_TLS_PORT)
    mountpoint = unquote(parts.path.strip("/"))
    host = (parts.hostname or "").encode("idna").decode("ascii")
    return CasterAddress(host, port, mountpoint, tls, options.credentials)


def refuse_credentials(text: str) -> None:
    """Refuse a text with a user or password in it, without repeating it.

    Raises
    ------
    UsageError
        If there is one.
    """
    is_url = "://" in text
    if (is_url and "@" in text) or (
        not is_url and _CREDENTIALS_WITHOUT_SCHEME.match(text) and not Path(text).exists()
    ):
        raise UsageError(
            "SOURCE holds a user or a password.",
            why="what stands on the command line can be seen by others and is kept by the shell.",
            do="leave out everything up to the @, and add --user NAME; the password is asked for.",
        )


def _make(text: str, options: SourceOptions) -> Source:
    if not text.strip() or "\0" in text:
        raise UsageError("SOURCE is empty.", do="name a file, a port or an address.")
    if text == "-":
        return PipeSource("-", clocks=options.clocks)
    if "://" in text:
        return _from_url(text, options)
    path = Path(text)
    if _WINDOWS_PORT.fullmatch(text) and not path.is_file():
        return _serial(text, options)
    try:
        mode = path.stat().st_mode
    except OSError:
        return _from_missing_path(text, options)
    if stat.S_ISCHR(mode):
        return _serial(text, options)
    if stat.S_ISFIFO(mode):
        return PipeSource(text, clocks=options.clocks)
    return FileSource(text, clocks=options.clocks)


def _from_missing_path(text: str, options: SourceOptions) -> Source:
    """Decide what a path that does not exist was meant to be."""
    if text.startswith("/dev/"):
        return _serial(text, options)  # it may be plugged in later
    if _HOST_AND_PORT.fullmatch(text):
        raise UsageError(
            f"there is no file {text}.",
            why="it looks like a host and a port.",
            do=f"write tcp://{text}, or ntrip://{text}/MOUNTPOINT for a caster.",
        )
    return FileSource(text, clocks=options.clocks)  # NAME of a capture, or an error at opening


def _serial(text: str, options: SourceOptions) -> SerialSource:
    return SerialSource(
        text, baud=options.baud, clocks=options.clocks, give_up_after_s=options.give_up_after_s
    )


def _from_url(text: str, options: SourceOptions) -> Source:
    scheme = text.partition("://")[0].lower()
    if scheme in {"rfc2217", "socket"}:
        parts = _split(text)
        if parts.port is None:
            raise UsageError(f"{text} is not complete.", do=f"write {scheme}://HOST:PORT")
    if scheme in SERIAL_URLS:
        return _serial(text, options)
    if scheme == "file":
        return _make(unquote(urlsplit(text).path), options)
    if scheme not in OWN_URLS:
        raise _unknown_scheme(text, scheme)
    clocks, give_up_after_s = options.clocks, options.give_up_after_s
    if scheme in {"ntrip", "ntrips"}:
        address = parse_caster(text, options)
        if not address.mountpoint:
            raise UsageError(
                f"{text} names no stream.",
                why="a caster has many: the one that is wanted stands behind the host.",
                do=f"list them: rtcmtool streams {address.url}",
            )
        return NtripSource(
            text,
            address,
            revision=options.revision,
            position=options.position,
            clocks=clocks,
            give_up_after_s=give_up_after_s,
        )
    parts = _split(text, needs_host=scheme == "tcp")
    host, port = parts.hostname or "", parts.port
    if port is None or parts.path.strip("/"):
        raise UsageError(f"{text} is not complete.", do=f"write {scheme}://HOST:PORT")
    kinds: dict[str, type[TcpSource | TcpListenSource | UdpSource]]
    kinds = {"tcp": TcpSource, "tcp-listen": TcpListenSource, "udp": UdpSource}
    return kinds[scheme](text, host, port, clocks=clocks, give_up_after_s=give_up_after_s)


def _split(text: str, *, needs_host: bool = True) -> SplitResult:
    """Cut a URL into its parts.

    Raises
    ------
    UsageError
        If there is no host, or the port is no number.
    """
    try:
        parts = urlsplit(text)
        host, _ = parts.hostname, parts.port
        (host or "").encode("idna")  # fails where it is no possible name
    except ValueError as error:
        raise UsageError(
            f"{text} cannot be read.",
            why=f"{error}.",
            do="a port is a number from 0 to 65535; write IPv6 addresses in brackets.",
        ) from error
    if needs_host and not host:
        raise UsageError(f"{text} names no host.", do=f"write {parts.scheme}://HOST:PORT")
    return parts


def _unknown_scheme(text: str, scheme: str) -> UsageError:
    known = (*OWN_URLS, *SERIAL_URLS)
    if scheme in {"http", "https"}:
        do = "a caster is written ntrip://HOST:PORT/MOUNTPOINT (with TLS: ntrips://)."
    elif near := difflib.get_close_matches(scheme, known, n=1):
        do = f"did you mean {near[0]}://?"
    else:
        do = "SOURCE is a file, -, a port, or one of: " + " ".join(f"{k}://" for k in OWN_URLS)
    message = f"{text} cannot be listened to: {scheme}:// is not known."
    return UsageError(message, do=do)
