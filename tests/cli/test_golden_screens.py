"""Screens of the summary and of `inspect` as agreed; those of `check` stand beside its tests."""

from collections.abc import Callable
from pathlib import Path

import pytest

from rtcmtool.sources import ports
from rtcmtool.sources.ports import SerialPort
from tests.cli.conftest import Runner
from tests.strategies import STATION_POSITION
from tests.streams import DAY, base_stream, damaged, data_of, observed, without_epochs

Golden = Callable[[str, str], None]
Write = Callable[..., Path]


@pytest.mark.parametrize("width", [40, 80, 120])
def test_the_summary(
    run: Runner, write: Write, golden: Golden, monkeypatch: pytest.MonkeyPatch, width: int
) -> None:
    stream = damaged(without_epochs(base_stream(120), 30, 31, 32), 17, 60)
    path = write(data_of(stream) + b"left over")
    monkeypatch.setenv("COLUMNS", str(width))
    golden(f"summary-{width}.txt", run("decode", path, "--summary", "--date", DAY).out)


@pytest.mark.parametrize("width", [80, 120])
@pytest.mark.parametrize("more", [(), ("-v",)])
def test_the_published_position(
    run: Runner,
    golden: Golden,
    monkeypatch: pytest.MonkeyPatch,
    width: int,
    more: tuple[str, ...],
) -> None:
    monkeypatch.setenv("COLUMNS", str(width))
    done = run("inspect", "--hex", STATION_POSITION.hex(), *more)
    golden(f"inspect-1005{''.join(more)}-{width}.txt", done.out)


def test_an_observation(run: Runner, write: Write, golden: Golden) -> None:
    golden(
        "inspect-1074-80.txt", run("inspect", write(data_of(observed(1074, 1, satellites=1)))).out
    )


def test_a_damaged_frame(run: Runner, golden: Golden) -> None:
    broken = bytearray(STATION_POSITION)
    broken[11] ^= 0x10
    golden("inspect-damaged-80.txt", run("inspect", "--hex", broken.hex()).out)


def test_the_first_screen(run: Runner, golden: Golden, monkeypatch: pytest.MonkeyPatch) -> None:
    found = [SerialPort("COM5", "USB serial"), SerialPort("COM7", "Bluetooth")]
    monkeypatch.setattr(ports, "serial_ports", lambda: found)
    golden("first-screen.txt", run().out)


def test_lines(run: Runner, write: Write, golden: Golden) -> None:
    path = write(data_of(damaged(base_stream(3), 5)) + b"left over")
    golden("decode-lines.txt", run("decode", path, "--date", DAY).out)
