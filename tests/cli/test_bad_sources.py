"""Sources that refuse: `check`, `watch` and `record`, some of each kind as the real program.

Each refusal is clear at once: exit 3, what happened, why, what to do; nothing is left behind.
"""

import contextlib
import ctypes
import os
import shutil
import socket
import ssl
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.cli.conftest import Run, Runner
from tests.cli.live_runs import (
    SAFETY_S,
    USER,
    WORD,
    Environment,
    Start,
    open_line,
    size_of,
    starter,
    with_secrets,
)
from tests.cli.servers import ANSWER, TABLE_HEAD, address, answers, chunked, free_port, sends
from tests.sources.conftest import Server, read_request, until_closed
from tests.sources.localhost_certificate import CERTIFICATE, EXPIRED, KEY, OTHER_NAME
from tests.streams import base_stream, data_of

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform == "win32", reason="signals and terminals of Unix"),
]
Serve = Callable[..., Server]
STREAM = data_of(base_stream(60))
TABLE = b"STR;MARSH;Marsh;RTCM 3.3;1006(10);2;GPS;CREW;ISL;0.0;0.0;0;0;x;none;B;N;9600;\r\n"


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Start]:
    """Give a function that runs a command on a source; a recording goes to `job`."""
    with starter(tmp_path) as of:
        yield of


COMMANDS = ("check", "watch", "record")


def are_refused(start: Start, tmp_path: Path, source: str, words: str, **settings: object) -> str:
    """Check that all three programs end with 3 and say why; give what `check` said."""
    runs = [start(command, source, **settings) for command in COMMANDS]
    for run in runs:
        code = run.process.wait(SAFETY_S)
        is_refusal(Run(code, run.out, run.err), words)
    assert not list(tmp_path.glob("job*"))
    return runs[0].err


def are_refused_here(run: Runner, tmp_path: Path, source: str, words: str) -> str:
    """Check the same of the three commands in this process: no program has to start."""
    more = {"watch": ("--plain",), "record": (tmp_path / "job",)}
    runs = [run(command, source, *more.get(command, ())) for command in COMMANDS]
    for done in runs:
        is_refusal(done, words)
    assert not list(tmp_path.glob("job*"))
    return runs[0].err


def is_refusal(done: Run, words: str) -> None:
    assert done.code == 3, done.out + done.err
    told = done.err[done.err.index("rtcmtool: ") :].splitlines()
    assert words in "\n".join(told)
    assert told[-1].startswith("  do    ")
    assert done.out == ""


# ---- refused at once


@pytest.mark.parametrize(
    ("source", "words"),
    [
        ("tcp://no-such-host.invalid:5015", "the name no-such-host.invalid cannot be found."),
        ("ntrip://no-such-host.invalid/MARSH", "the name no-such-host.invalid cannot be found."),
        ("rfc2217://no-such-host.invalid:4000", "the name no-such-host.invalid cannot be found."),
    ],
)
def test_what_is_not_there_is_told_at_once(
    run: Runner, tmp_path: Path, source: str, words: str
) -> None:
    are_refused_here(run, tmp_path, source, words)


def test_a_port_that_is_not_there_is_told_by_the_program(start: Start, tmp_path: Path) -> None:
    are_refused(start, tmp_path, "/dev/ttyNOWHERE", "there is no port /dev/ttyNOWHERE.")


def test_a_busy_port_names_who_has_it(start: Start, run: Runner, tmp_path: Path) -> None:
    line = open_line()
    try:
        first = start("watch", line.device, "--baud", "9600").until_told("opened: ")
        words = f"(process {first.process.pid}) is using it"
        are_refused_here(run, tmp_path, line.device, words)
    finally:
        line.close()


def test_a_port_that_may_not_be_opened_names_its_group(start: Start, tmp_path: Path) -> None:
    import grp

    line = open_line()
    group = grp.getgrgid(Path(line.device).stat().st_gid).gr_name
    Path(line.device).chmod(0o060)

    def give_up_privileges() -> None:
        for capability in (1, 2):  # to pass over permissions: numbers of Linux, from memory
            ctypes.CDLL(None).prctl(24, capability, 0, 0, 0)

    try:
        told = are_refused(
            start, tmp_path, line.device, f"group {group}", preexec_fn=give_up_privileges
        )
    finally:
        line.close()
    assert "may not be opened by this user" in told
    if group != "root":  # nobody is told to join that one
        assert f"sudo usermod -aG {group} $USER" in told


@pytest.mark.parametrize("port_kind", ["tcp-listen", "udp"])
def test_a_port_of_this_computer_that_is_taken_is_told(
    run: Runner, tmp_path: Path, port_kind: str
) -> None:
    kind = socket.SOCK_STREAM if port_kind == "tcp-listen" else socket.SOCK_DGRAM
    with socket.socket(socket.AF_INET, kind) as other:
        other.bind(("127.0.0.1", 0))
        if kind == socket.SOCK_STREAM:
            other.listen()
        port = other.getsockname()[1]
        words = "another program is using it"
        are_refused_here(run, tmp_path, f"{port_kind}://127.0.0.1:{port}", words)


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (b"HTTP/1.1 401 Unauthorized\r\nWWW-Authenticate: Basic\r\n\r\n", "asks for a user and"),
        (b"HTTP/1.1 403 Forbidden\r\n\r\n", "it says: 403 Forbidden"),
        (b"HTTP/1.1 404 Not Found\r\n\r\n", "has no stream MARCH"),
        (TABLE_HEAD + TABLE + b"ENDSOURCETABLE\r\n", "did you mean MARSH?"),
        (b"SOURCETABLE 200 OK\r\n\r\n" + TABLE + b"ENDSOURCETABLE\r\n", "did you mean MARSH?"),
        (b"HTTP/1.1 200 OK\r\nContent-Type: text/html\r\n\r\n<html>", "web page"),
        (b"ERROR - Bad Password\r\n", "it says: ERROR - Bad Password"),
        (STREAM[:500], "is no caster"),
    ],
)
def test_a_caster_that_says_no_is_asked_once(
    run: Runner, tmp_path: Path, serve: Serve, answer: bytes, words: str
) -> None:
    server = serve(answers(answer))
    are_refused_here(run, tmp_path, address(server, "ntrip", "/MARCH"), words)
    assert server.connections == 3  # once for each command


def test_a_wrong_password_is_told_and_not_shown(start: Start, tmp_path: Path, serve: Serve) -> None:
    server = serve(answers(b"HTTP/1.1 401 Unauthorized\r\n\r\n"))
    told = are_refused(
        start, tmp_path, address(server, "ntrip", "/MARSH"), "refuses user and password",
        env=with_secrets(),
    )  # fmt: skip
    assert WORD not in told
    assert USER not in told
    assert server.connections == 3


# ---- TLS


class Encrypted:
    """Makes servers with TLS, and environments that trust a certificate."""

    def __init__(self, serve: Serve, folder: Path) -> None:
        self._serve, self._folder = serve, folder
        (folder / "key").write_text(KEY)

    def server(self, certificate: str) -> Server:
        (self._folder / "certificate").write_text(certificate)
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(self._folder / "certificate", self._folder / "key")

        def script(connection: socket.socket) -> None:
            with (
                contextlib.suppress(ssl.SSLError),
                context.wrap_socket(connection, server_side=True) as secured,
            ):
                read_request(secured)
                secured.sendall(ANSWER + chunked(STREAM))
                until_closed(secured)

        return self._serve(script)

    def trusting(self, certificate: str) -> Environment:
        (self._folder / "trusted").write_text(certificate)
        return {**os.environ, "SSL_CERT_FILE": str(self._folder / "trusted")}


@pytest.fixture
def encrypted(serve: Serve, tmp_path: Path) -> Encrypted:
    return Encrypted(serve, tmp_path)


@pytest.mark.parametrize(
    ("certificate", "is_trusted", "words"),
    [
        (EXPIRED, True, "certificate has expired."),
        (OTHER_NAME, True, "not valid for 'localhost'."),
        (CERTIFICATE, False, "self-signed certificate."),
    ],
)
def test_a_certificate_that_does_not_hold_is_refused(
    run: Runner,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    encrypted: Encrypted,
    certificate: str,
    is_trusted: bool,
    words: str,
) -> None:
    source = f"ntrips://localhost:{encrypted.server(certificate).port}/MARSH"
    if is_trusted:
        monkeypatch.setenv("SSL_CERT_FILE", encrypted.trusting(certificate)["SSL_CERT_FILE"])
    are_refused_here(run, tmp_path, source, words)


def test_a_certificate_is_looked_at_by_the_program(
    start: Start, tmp_path: Path, encrypted: Encrypted
) -> None:
    source = f"ntrips://localhost:{encrypted.server(EXPIRED).port}/MARSH"
    env = encrypted.trusting(EXPIRED)
    are_refused(start, tmp_path, source, "certificate has expired.", env=env)


def test_a_port_without_tls_is_told(run: Runner, tmp_path: Path, serve: Serve) -> None:
    server = serve(sends(b"HTTP/1.1 400 Bad Request\r\n\r\n"))
    source = address(server, "ntrips", "/MARSH")
    told = are_refused_here(run, tmp_path, source, "does not speak TLS at this port")
    assert "write ntrip:// instead" in told


def test_a_port_that_wants_tls_is_told(run: Runner, tmp_path: Path, serve: Serve) -> None:
    server = serve(answers(b"\x15\x03\x01\x00\x02\x02\x46"))
    told = are_refused_here(run, tmp_path, address(server, "ntrip", "/MARSH"), "wants TLS")
    assert "write ntrips://" in told


def test_a_stream_through_tls_is_judged(start: Start, encrypted: Encrypted) -> None:
    source = f"ntrips://localhost:{encrypted.server(CERTIFICATE).port}/MARSH"
    run = start("check", source, "--duration", "4", env=encrypted.trusting(CERTIFICATE))
    assert run.process.wait(SAFETY_S) == 0
    assert run.out.startswith("GO - ")


@pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not here")
def test_a_general_tool_can_be_the_caster(
    start: Start, tmp_path: Path, encrypted: Encrypted
) -> None:
    port = free_port()
    env = encrypted.trusting(CERTIFICATE)
    command = ["openssl", "s_server", "-quiet", "-accept", f"127.0.0.1:{port}",
               "-cert", str(tmp_path / "trusted"), "-key", str(tmp_path / "key")]  # fmt: skip
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    ) as tool:
        try:
            assert tool.stdin is not None
            assert tool.stdout is not None
            run = start("record", f"ntrips://localhost:{port}/MARSH", env=env)
            assert tool.stdout.readline().startswith(b"GET /MARSH HTTP/1.1")
            tool.stdin.write(b"ICY 200 OK\r\n\r\n" + STREAM)
            tool.stdin.flush()
            run.until(lambda: size_of(tmp_path / "job.rtcm3") >= len(STREAM))
            assert run.stop() == 130
        finally:
            tool.kill()
    assert (tmp_path / "job.rtcm3").read_bytes() == STREAM
