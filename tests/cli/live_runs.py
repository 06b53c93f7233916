"""The tool as a process on a live source: started, waited for, stopped."""

import hashlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.conftest import PROJECT

if sys.platform != "win32":
    from tests.sources.test_serial_port import Line

Environment = dict[str, str]
SAFETY_S = 120.0
USER, WORD = "tailgate-crew", "open-sesame-42"


class Running:
    """The tool as a process; what it writes goes to files, so that nothing is held up."""

    def __init__(self, folder: Path, name: str, *arguments: str, **more: object) -> None:
        self.paths = folder / f"{name}.out", folder / f"{name}.err"
        with self.paths[0].open("wb") as out, self.paths[1].open("wb") as err:
            self.process: subprocess.Popen[bytes] = subprocess.Popen(  # type: ignore[call-overload]
                [sys.executable, "-m", "rtcmtool", *arguments],
                cwd=PROJECT, stdin=subprocess.DEVNULL, stdout=out, stderr=err, **more,
            )  # fmt: skip

    @property
    def out(self) -> str:
        return self.paths[0].read_text(encoding="utf-8")

    @property
    def err(self) -> str:
        return self.paths[1].read_text(encoding="utf-8")

    def until(self, is_true: Callable[[], bool], limit_s: float = SAFETY_S) -> "Running":
        due_s = time.monotonic() + limit_s
        while not is_true():
            assert time.monotonic() < due_s, f"{self.out}\n{self.err}"
            assert self.process.poll() is None, f"{self.out}\n{self.err}"
            time.sleep(0.02)
        return self

    def until_told(self, words: str) -> "Running":
        return self.until(lambda: words in self.out + self.err)

    def stop(self) -> int:
        """Press Ctrl-C."""
        self.process.send_signal(signal.SIGINT)
        return self.process.wait(SAFETY_S)

    def stop_and_weigh(self) -> int:
        """Press Ctrl-C; give the most that the process ever had in memory, bytes (Linux alone)."""
        self.process.send_signal(signal.SIGINT)
        due_s, most = time.monotonic() + SAFETY_S, 0
        while self.process.poll() is None:
            assert time.monotonic() < due_s
            status = Path(f"/proc/{self.process.pid}/status").read_text(encoding="ascii")
            for line in status.splitlines():
                if line.startswith("VmHWM:"):
                    most = int(line.split()[1]) * 1024
            time.sleep(0.02)
        return most


Start = Callable[..., Running]


@contextmanager
def starter(folder: Path) -> Iterator[Start]:
    """Give a function that runs a command on a source; a recording goes to `job`."""
    running: list[Running] = []

    def of(command: str, source: str, *more: str, **settings: object) -> Running:
        own = {"watch": ("--plain",), "record": (str(folder / "job"),)}.get(command, ())
        name = f"{command}-{len(running)}"
        running.append(Running(folder, name, command, source, *own, *more, **settings))
        return running[-1]

    yield of
    for each in running:
        each.process.kill()
        each.process.wait(SAFETY_S)


def open_line() -> "Line":
    """Give a line whose device nobody has open."""
    line = Line()
    line.close_device()
    return line


def size_of(path: Path) -> int:
    return path.stat().st_size if path.exists() else 0


def sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def with_secrets() -> Environment:
    return {**os.environ, "RTCMTOOL_NTRIP_USER": USER, "RTCMTOOL_NTRIP_PASSWORD": WORD}
