import errno
import io
import os
import threading
import time

import pytest

from rtcmtool.running import printing
from rtcmtool.running.printing import PatientStream

SAFETY_S = 120.0


class Broken(io.StringIO):
    def write(self, text: str) -> int:
        raise OSError(errno.EIO, "Input/output error")


class Stuck(io.StringIO):
    def __init__(self) -> None:
        super().__init__()
        self.release = threading.Event()

    def write(self, text: str) -> int:
        self.release.wait(SAFETY_S)
        return super().write(text)


def test_lines_come_out_in_order() -> None:
    behind = io.StringIO()
    stream = PatientStream(behind)
    for number in range(100):
        stream.line(str(number))
    stream.close(SAFETY_S)
    assert behind.getvalue() == "".join(f"{number}\n" for number in range(100))
    assert not stream.dropped


def test_a_terminal_that_has_gone_is_no_error() -> None:
    stream = PatientStream(Broken())
    stream.line("one")
    stream.close(SAFETY_S)
    stream.line("two")
    assert stream.is_lost
    assert stream.dropped == 8
    assert not stream.isatty()


def test_a_terminal_that_takes_nothing_holds_nobody_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(printing, "MOST_CHARACTERS", 1000)
    behind = Stuck()
    stream = PatientStream(behind)
    began_s = time.monotonic()
    for _ in range(100):
        stream.line("x" * 99)
    stream.close(0.05)
    assert time.monotonic() - began_s < SAFETY_S / 2
    assert stream.dropped >= 89 * 100
    behind.release.set()


def test_the_reader_of_a_pipe_may_go_away() -> None:
    reading, writing = os.pipe()
    os.close(reading)
    with os.fdopen(writing, "w") as behind:
        stream = PatientStream(behind)
        stream.line("text")
        stream.close(SAFETY_S)
        assert stream.is_lost
        behind.write("what Python still holds goes nowhere")
