"""Files that are no recording: each is told apart, with what to do, and never with a traceback."""

import os
from collections.abc import Callable
from pathlib import Path
from random import Random

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings

from tests.cli.conftest import Run, Runner
from tests.monitor.test_traffic import GGA, PUBLISHED
from tests.strategies import STATION_POSITION, streams

Write = Callable[..., Path]
COMMANDS = ("check", "decode", "inspect")
PICTURE = b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR\x00\x00\x01\x00\x00\x00\x01\x00\x08\x06" + bytes(
    Random(4).randbytes(3000)
)
RINEX = b"     3.04           OBSERVATION DATA    M                   RINEX VERSION / TYPE\n" * 9


def is_told(done: Run, code: int) -> None:
    """Check the form of an error: what happened, why, what to do."""
    assert done.code == code
    lines = done.err.splitlines()
    assert lines[0].startswith("rtcmtool: ")
    assert [line[:8] for line in lines[1:]] == ["  why   ", "  do    "]


@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "is empty"),
        (b"Notes of the day: windy.\r\n" * 20, "this is text"),
        ("Höhe über dem Meer: früh gemessen.\n".encode() * 200, "this is text"),
        (PUBLISHED * 10 + GGA * 10, "position output (NMEA)"),
        (b"!AIVDM,1,1,,A,15M,0*5C\r\n" + GGA, "NMEA"),
        (RINEX, "this is a RINEX file"),
        (PICTURE, "another format"),
        (bytes(5000), "another format"),
        (b"\xd3" * 3000, "another format"),
        (STATION_POSITION[:-1], "another format"),
    ],
)
def test_what_is_no_recording_is_told_apart(
    run: Runner, write: Write, command: str, content: bytes, words: str
) -> None:
    done = run(command, write(content))
    is_told(done, 4)
    assert words in done.err


@pytest.mark.parametrize("command", COMMANDS)
def test_a_folder_is_no_recording(run: Runner, tmp_path: Path, command: str) -> None:
    is_told(run(command, tmp_path), 3)
    (tmp_path / "job.rtcm3").touch()
    assert "job.rtcm3" in run(command, tmp_path).err


@pytest.mark.parametrize("command", COMMANDS)
def test_a_missing_file_gets_the_nearest_names(run: Runner, write: Write, command: str) -> None:
    path = write(STATION_POSITION, "marsh-lane.rtcm3")
    done = run(command, path.with_name("marsh-line.rtcm3"))
    is_told(done, 3)
    assert "did you mean marsh-lane.rtcm3?" in done.err
    is_told(run(command, path.parent / "nowhere" / "x.rtcm3"), 3)


@pytest.mark.parametrize("command", COMMANDS)
def test_a_name_without_its_suffix_finds_the_recording(
    run: Runner, write: Write, command: str
) -> None:
    path = write(STATION_POSITION * 30)
    assert run(command, path.with_suffix("")).code == (1 if command == "check" else 0)


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may read everything")
def test_a_file_that_may_not_be_read_is_told(run: Runner, write: Write) -> None:
    path = write(STATION_POSITION)
    path.chmod(0)
    is_told(run("check", path), 3)


@pytest.mark.skipif(os.name != "posix", reason="a device of Unix")
def test_a_device_is_no_file(run: Runner) -> None:
    done = run("decode", "/dev/null")
    assert done.code == 3
    assert "/dev/null is no" in done.err


@pytest.mark.parametrize("command", ["decode"])
def test_without_a_frame_what_was_found_is_told_before_the_reason(
    run: Runner, write: Write, command: str
) -> None:
    done = run(command, write(PICTURE))
    assert done.lines[0].startswith("-  reject  not RTCM  -  ")
    assert done.code == 4
    assert run(command, write(PICTURE), "--summary").lines[2].split()[:3] == [
        "reject",
        "not",
        "RTCM",
    ]


def test_a_cut_last_frame_is_told(run: Runner, write: Write) -> None:
    path = write(STATION_POSITION * 2 + STATION_POSITION[:10])
    done = run("decode", path)
    assert done.code == 0
    assert done.lines[-1] == "-  reject  cut at the end  -  10 B  offset 50  number 1005"
    summary = run("decode", path, "--summary").lines
    assert summary[-1].split() == ["reject", "cut", "at", "the", "end", "1", "10"]


def test_noise_around_one_frame_does_not_hide_it(run: Runner, write: Write) -> None:
    noise = Random(7).randbytes(60_000)
    path = write(noise + STATION_POSITION + noise)
    assert run("inspect", path, "--number", 1005, "--json").json["offset"] == len(noise)


@pytest.mark.slow
def test_twenty_megabytes_of_noise_are_gone_through(run: Runner, write: Write) -> None:
    noise = np.random.default_rng(3).bytes(20_000_000)
    done = run("check", write(noise))
    assert done.code == 4
    assert "holds 20000000 bytes but no RTCM 3 frame" in done.err


@pytest.mark.parametrize("day", ["0001-01-01", "1970-01-01", "1980-01-06", "9999-12-31"])
@pytest.mark.parametrize("command", ["check", "decode"])
def test_a_day_out_of_this_world_does_no_harm(
    run: Runner, healthy: Path, day: str, command: str
) -> None:
    assert run(command, healthy, "--date", day).code == (2 if day < "1980-01-06" else 0)


@settings(max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(stream=streams())
def test_any_bytes_end_in_an_exit_code(run: Runner, write: Write, stream: bytes) -> None:
    path = write(stream)
    assert run("check", path).code in {1, 4}
    assert run("check", path, "--json").json["exit_code"] in {1, 4}
    assert run("decode", path, "--summary").code in {0, 4}
    assert run("decode", path, "--fields").code in {0, 4}
    assert run("inspect", path).code in {0, 4}
