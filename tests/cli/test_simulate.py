"""The command: its options, what it refuses, and what it says."""

import argparse
import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from rtcmtool.captures import open_capture
from rtcmtool.cli import simulate
from rtcmtool.errors import SourceError, UsageError
from rtcmtool.simulation.builtin_scenarios import SCENARIOS
from rtcmtool.simulation.fault_kinds import KINDS, Level
from rtcmtool.wire.stream import Chunk, decode_stream
from tests.sources.conftest import SAFETY_S


def run(*arguments: str) -> int:
    parser = argparse.ArgumentParser(prog="rtcmtool simulate", exit_on_error=False)
    simulate.add_arguments(parser)
    return simulate.run(parser.parse_args(arguments))


def numbers(data: bytes) -> set[int]:
    return {int(n) for batch in decode_stream([Chunk(data)]) for n in batch.number}


def test_the_list_names_every_scenario_and_every_fault_in_80_columns(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert run("--list") == 0
    out = capsys.readouterr().out
    lines = out.splitlines()
    names = [line.split()[0] for line in lines if line[:2] == "  " and line[2:3] != " "]
    by_level = [kind.name for level in Level for kind in KINDS.values() if kind.level is level]
    assert names == [*SCENARIOS, *by_level]
    assert max(len(line) for line in lines) <= 80


def test_a_recording_is_made_as_fast_as_it_goes_and_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    name = tmp_path / "ours"
    assert run("no-position", "--record", str(name), "--duration", "5s", "--seed", "3") == 0
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.startswith("SIMULATED: no-position, seed 3, no-position@0s")
    assert f"written: {name}.rtcm3" in captured.err
    assert {1029, 1074} <= numbers(Path(f"{name}.rtcm3").read_bytes())
    assert 1006 not in numbers(Path(f"{name}.rtcm3").read_bytes())


@pytest.mark.slow
def test_faults_of_the_command_line_come_to_those_of_the_scenario(tmp_path: Path) -> None:
    name = str(tmp_path / "ours")
    run("no-position", "--record", name, "--duration", "12", "--fault", "no-bias",
        "--fault", "silence@3s+4s", "-q")  # fmt: skip
    found = numbers(Path(f"{name}.rtcm3").read_bytes())
    assert not {1006, 1230} & found


@pytest.mark.slow
def test_a_rover_is_logged_beside_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    name = str(tmp_path / "ours")
    run("--record", name, "--duration", "3", "--rover", "100,200,3")
    assert f"written: {name}-rover.nmea" in capsys.readouterr().err
    assert 1077 in numbers(Path(f"{name}-rover.rtcm3").read_bytes())


def test_a_scenario_file_is_played(tmp_path: Path) -> None:
    path = tmp_path / "yard.toml"
    path.write_text('duration_s = 3\nlisten_at = "base"\n[stream.messages]\n"1077" = 1\n')
    run(str(path), "--record", str(tmp_path / "ours"), "-q")
    assert numbers((tmp_path / "ours.rtcm3").read_bytes()) == {1029, 1077}


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["helthy"], "Did you mean 'healthy'"),
        (["--fault", "silense"], "Did you mean 'silence'"),
        (["--rover", "1,2,3"], "--rover needs a place"),
        (["--to", "ftp://127.0.0.1:5"], "nothing can be sent to ftp"),
        (["--to", "COM77"], "needs a yes"),
    ],
)
def test_wrong_use_is_told_in_words(arguments: list[str], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        run(*arguments)


@pytest.mark.parametrize("option", [["--speed", "fast"], ["--rover", "1,2"], ["--duration", "x"]])
def test_an_impossible_value_is_refused(option: list[str]) -> None:
    with pytest.raises(argparse.ArgumentError):
        run(*option)


def test_a_scenario_file_that_is_not_there_is_told() -> None:
    with pytest.raises(SourceError, match="cannot be read"):
        run("nowhere.toml")


def test_the_caution_stands_beside_a_serial_port_even_with_yes(
    capsys: pytest.CaptureFixture[str],
) -> None:
    with pytest.raises(SourceError, match="cannot be opened"):
        run("--to", "no-such-port", "--yes")
    assert "never feed simulated ones to a live radio or a machine" in capsys.readouterr().err


@pytest.mark.parametrize(("answer", "is_sent"), [("yes\n", True), ("y\n", False), ("", False)])
def test_a_serial_port_is_opened_after_a_typed_yes_only(
    answer: str, is_sent: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Typed:
        def isatty(self) -> bool:
            return True

        def readline(self) -> str:
            return answer

    monkeypatch.setattr(sys, "stdin", Typed())
    with pytest.raises(SourceError if is_sent else UsageError):
        run("--to", "no-such-port")


SNIPPET = (
    "import argparse, sys\n"
    "from rtcmtool.cli import simulate\n"
    "parser = argparse.ArgumentParser()\n"
    "simulate.add_arguments(parser)\n"
    "sys.exit(simulate.run(parser.parse_args(sys.argv[1:])))\n"
)
PROJECT = Path(__file__).resolve().parents[2]


@pytest.mark.slow
def test_standard_output_holds_the_stream_and_nothing_else() -> None:
    command = [sys.executable, "-c", SNIPPET, "--speed", "max", "--duration", "4"]
    environment = {**os.environ, "PYTHONPATH": str(PROJECT)}
    result = subprocess.run(command, capture_output=True, check=True, env=environment)
    batches = list(decode_stream([Chunk(result.stdout)]))
    assert not [reject for batch in batches for reject in batch.rejects]
    assert sum(len(batch) for batch in batches) > 15
    assert result.stderr.decode().startswith("SIMULATED: healthy, seed 1, no fault")


TOOL = [sys.executable, "-m", "rtcmtool", "simulate"]


def started(*arguments: str, **more: Any) -> subprocess.Popen[bytes]:
    """Start the command as a process, and wait until it plays."""
    process = subprocess.Popen(
        [*TOOL, *arguments], cwd=PROJECT, stderr=subprocess.PIPE, bufsize=0, **more
    )
    assert process.stderr is not None
    while not (line := process.stderr.readline()).startswith(b"SIMULATED"):
        assert line, "it has ended"
    return process


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="signals of other systems")
@pytest.mark.parametrize(
    ("number", "code"),
    [(signal.SIGINT, 130), (signal.SIGTERM, -signal.SIGTERM), (signal.SIGHUP, -signal.SIGHUP)],
)
def test_a_signal_closes_the_capture_and_ends_it(
    tmp_path: Path, number: signal.Signals, code: int
) -> None:
    name = tmp_path / "ours"
    process = started("--record", str(name), "--to", "-", stdout=subprocess.PIPE)
    assert process.stdout is not None
    got = b""
    while len(got) < 200:
        part = process.stdout.read(200)  # a part may come alone: the pipe is not buffered
        assert part, "it has ended"
        got += part
    process.send_signal(number)
    rest, said = process.communicate(timeout=SAFETY_S)
    assert process.returncode == code
    assert b"stopped before the end of the scenario" in said
    assert b"Traceback" not in said
    capture = open_capture(f"{name}.rtcm3")
    assert capture.description is not None
    assert capture.description.is_complete
    assert not capture.notes
    written = Path(f"{name}.rtcm3").read_bytes()
    sent = got + rest
    assert written.startswith(sent)  # what is written first may stay unsent
    assert len(written) - len(sent) < 2000


def until_full(process: subprocess.Popen[bytes]) -> None:
    """Wait until nothing more goes into the pipe: nobody reads."""
    import fcntl
    import struct
    import termios

    assert process.stdout is not None
    due_s, before = time.monotonic() + SAFETY_S, -1
    while time.monotonic() < due_s:
        answer = fcntl.ioctl(process.stdout.fileno(), termios.FIONREAD, bytes(4))
        (waiting,) = struct.unpack("i", answer)
        if waiting == before and waiting > 30_000:
            return
        before = waiting
        time.sleep(0.2)


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="signals of other systems")
def test_a_signal_ends_it_though_the_reader_is_stuck() -> None:
    process = started("--to", "-", "--speed", "max", "--duration", "1h", stdout=subprocess.PIPE)
    until_full(process)
    process.send_signal(signal.SIGTERM)
    assert process.wait(SAFETY_S) == -signal.SIGTERM
    process.communicate()


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="signals of other systems")
def test_a_signal_ends_the_waiting_for_a_client() -> None:
    process = subprocess.Popen(
        [*TOOL, "--to", "tcp-listen://127.0.0.1:0"], cwd=PROJECT, stderr=subprocess.PIPE
    )
    assert process.stderr is not None
    assert b"waiting for somebody" in process.stderr.readline()
    process.send_signal(signal.SIGINT)
    process.communicate(timeout=SAFETY_S)
    assert process.returncode == 130


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="pipes of other systems")
def test_a_reader_that_goes_away_is_a_quiet_end(tmp_path: Path) -> None:
    name = tmp_path / "ours"
    arguments = ["--to", "-", "--record", str(name), "--speed", "max", "--duration", "10m"]
    process = started(*arguments, "--seed", "1", stdout=subprocess.PIPE)
    assert process.stdout is not None
    process.stdout.read(10)
    process.stdout.close()
    assert process.stderr is not None
    assert process.stderr.read() == b""
    assert process.wait(SAFETY_S) == 0
    process.stderr.close()
    description = open_capture(f"{name}.rtcm3").description
    assert description is not None
    assert description.is_complete


def test_a_port_that_is_taken_is_told() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(SourceError, match="cannot listen on"):
            run("--to", f"tcp-listen://127.0.0.1:{port}", "-q")


def test_a_target_that_refuses_is_told(refusing_port: int) -> None:
    with pytest.raises(SourceError, match="cannot be reached"):
        run("--to", f"tcp://127.0.0.1:{refusing_port}", "-q")
