"""Run the tool in process or as a process, and files to run it on."""

import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import orjson
import pytest

from rtcmtool.cli.main import main
from tests.cli.listening_time import listening_time  # noqa: F401  (fixture)
from tests.conftest import PROJECT
from tests.sources.conftest import SAFETY_S, Server
from tests.streams import base_stream, data_of


@dataclass(frozen=True, slots=True)
class Run:
    """What a run left behind."""

    code: int
    out: str
    err: str

    @property
    def lines(self) -> list[str]:
        """Lines of standard output."""
        return self.out.splitlines()

    @property
    def json(self) -> Any:
        """The document on standard output; nothing else may stand there."""
        return orjson.loads(self.out)

    @property
    def json_lines(self) -> list[Any]:
        """The objects on standard output, one a line."""
        return [orjson.loads(line) for line in self.lines]


Runner = Callable[..., Run]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Runner:
    """Give a function that runs the tool in process; a traceback is never right."""

    def of(*arguments: object) -> Run:
        capsys.readouterr()
        try:
            code = main([str(argument) for argument in arguments])
        except SystemExit as done:  # -h and --version end by themselves
            code = int(done.code or 0)
        captured = capsys.readouterr()
        assert "Traceback" not in captured.err
        return Run(code, captured.out, captured.err)

    return of


@pytest.fixture
def run_process() -> Runner:
    """Give a function that runs the tool as a process of its own."""

    def of(*arguments: object, **more: Any) -> Run:
        done = subprocess.run(
            [sys.executable, "-m", "rtcmtool", *map(str, arguments)],
            cwd=PROJECT, capture_output=True, check=False, timeout=SAFETY_S, **more,
        )  # fmt: skip
        return Run(done.returncode, done.stdout.decode(), done.stderr.decode())

    return of


@pytest.fixture(scope="session")
def healthy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a file of a base that a rover can fix with."""
    path = tmp_path_factory.mktemp("captures") / "healthy.rtcm3"
    path.write_bytes(data_of(base_stream(60)))
    return path


@pytest.fixture
def write(tmp_path: Path) -> Callable[..., Path]:
    """Give a function that writes bytes to a file."""

    def of(data: bytes, name: str = "job.rtcm3") -> Path:
        path = tmp_path / name
        path.write_bytes(data)
        return path

    return of


@pytest.fixture
def refusing_port() -> Iterator[int]:
    """Give a port at which nobody listens, and nobody can meanwhile: it is bound."""
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        yield held.getsockname()[1]


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


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Work in an empty folder."""
    monkeypatch.chdir(tmp_path)
    return tmp_path
