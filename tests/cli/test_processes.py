"""The tool as a process: clean streams, closed readers, full disks, colours only where wanted."""

import os
import re
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import orjson
import pytest

from tests.cli.conftest import Runner
from tests.conftest import PROJECT
from tests.sources.conftest import SAFETY_S
from tests.strategies import STATION_POSITION, TEXT

Write = Callable[..., Path]
TOOL = (sys.executable, "-m", "rtcmtool")
ESCAPE = "\x1b"
posix = pytest.mark.skipif(os.name != "posix", reason="shells and signals of Unix")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("arguments", "documents"),
    [
        (("check", "--json"), 1),
        (("decode", "--json"), 258),
        (("inspect", "--json", "--number", "1006"), 1),
    ],
)
def test_standard_output_holds_json_and_nothing_else(
    run_process: Runner, healthy: Path, arguments: tuple[str, ...], documents: int
) -> None:
    done = run_process(arguments[0], healthy, *arguments[1:])
    assert (done.code, done.err) == (0, "")
    found = [done.json] if documents == 1 else done.json_lines
    assert len(found) == documents


@pytest.mark.slow
@pytest.mark.parametrize("command", ["check", "decode", "inspect"])
def test_an_error_goes_to_standard_error_alone(
    run_process: Runner, tmp_path: Path, command: str
) -> None:
    done = run_process(command, tmp_path / "none.rtcm3")
    assert (done.code, done.out) == (3, "")
    assert done.err.startswith("rtcmtool: there is no file")


@pytest.mark.slow
def test_the_first_screen_and_the_version_come_at_once(run_process: Runner) -> None:
    assert run_process().code == 0
    assert run_process("--version").out.startswith("rtcmtool ")


@posix
@pytest.mark.slow
@pytest.mark.parametrize(
    "arguments", [("decode", "{}", "--json"), ("decode", "{}"), ("check", "{}"), ("--help",)]
)
def test_a_reader_that_has_gone_ends_it_quietly(write: Write, arguments: tuple[str, ...]) -> None:
    path = write((STATION_POSITION + TEXT) * 4000)
    command = [*TOOL, *(part.format(path) for part in arguments)]
    reader, writer = os.pipe()
    with subprocess.Popen(command, cwd=PROJECT, stdout=writer, stderr=subprocess.PIPE) as process:
        os.close(writer)
        os.close(reader)
        _, err = process.communicate(timeout=SAFETY_S)
    assert (process.returncode, err) == (0, b"")


@posix
@pytest.mark.slow
def test_the_first_line_of_many_can_be_taken(write: Write) -> None:
    path = write((STATION_POSITION + TEXT) * 4000)
    shell = f'"{sys.executable}" -m rtcmtool decode "{path}" | head -n 1'
    done = subprocess.run(
        shell,
        shell=True,
        cwd=PROJECT,
        capture_output=True,
        text=True,
        check=False,
        timeout=SAFETY_S,
    )
    assert done.stdout.startswith("-  1005  station position  2003  19 B  ")
    assert done.stderr == ""


@pytest.mark.slow
@pytest.mark.skipif(not Path("/dev/full").exists(), reason="there is no device that is always full")
@pytest.mark.parametrize("arguments", [("decode", "{}"), ("check", "{}", "--json"), ()])
def test_a_full_disk_is_told(healthy: Path, arguments: tuple[str, ...]) -> None:
    command = [*TOOL, *(part.format(healthy) for part in arguments)]
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(
            command, cwd=PROJECT, stdout=full, stderr=subprocess.PIPE, check=False, timeout=SAFETY_S
        )
    assert done.returncode == 3
    assert done.stderr.startswith(b"rtcmtool: the output cannot be written.")
    assert b"Traceback" not in done.stderr


@posix
@pytest.mark.slow
def test_ctrl_c_ends_it_with_130_and_without_a_traceback() -> None:
    with subprocess.Popen(
        [*TOOL, "decode", "-"], cwd=PROJECT, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as process:  # fmt: skip
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.write((STATION_POSITION + TEXT) * 200)
        process.stdin.flush()
        assert process.stdout.readline()  # it is at work: now interrupt it
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=SAFETY_S)
    assert process.returncode == 130
    assert b"Traceback" not in err


@pytest.mark.slow
def test_standard_input_comes_through_a_pipe(run_process: Runner, healthy: Path) -> None:
    done = run_process("check", "-", "--json", input=healthy.read_bytes())
    assert (done.code, done.json["verdict"]) == (0, "go")


@pytest.mark.slow
def test_texts_are_utf_8_whatever_the_locale(run_process: Runner, write: Write) -> None:
    plain = {**os.environ, "LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONIOENCODING": "ascii"}
    done = run_process("decode", write(TEXT), env=plain)
    assert "проверка wörter" in done.out


# ---- colours -----------------------------------------------------------------------------------


@pytest.mark.parametrize("command", ["check", "decode", "inspect"])
@pytest.mark.parametrize("color", ["auto", "never"])
def test_there_is_no_colour_where_output_is_no_terminal(
    run: Runner, healthy: Path, command: str, color: str
) -> None:
    assert ESCAPE not in run(command, healthy, "--color", color).out


def test_colours_can_be_asked_for(run: Runner, healthy: Path) -> None:
    done = run("check", healthy, "--color", "always")
    assert ESCAPE in done.out
    assert ESCAPE not in run("check", healthy, "--color", "always", "--json").out


@posix
@pytest.mark.slow
@pytest.mark.parametrize(
    ("told", "coloured"),
    [({}, True), ({"NO_COLOR": "1"}, False), ({"NO_COLOR": ""}, True), ({"TERM": "dumb"}, False)],
)
def test_a_terminal_gets_colours_unless_it_says_no(
    healthy: Path, told: dict[str, str], coloured: bool
) -> None:
    import pty

    environment = {**os.environ, "TERM": "xterm-256color", **told}
    main_end, terminal = pty.openpty()
    with subprocess.Popen(
        [*TOOL, "check", str(healthy)], cwd=PROJECT, stdout=terminal, stderr=subprocess.DEVNULL,
        env=environment,
    ) as process:  # fmt: skip
        os.close(terminal)
        shown = b""
        while True:
            try:
                piece = os.read(main_end, 65_536)
            except OSError:  # Linux tells the end of a terminal so
                break
            if not piece:
                break
            shown += piece
        process.wait(timeout=SAFETY_S)
    os.close(main_end)
    assert b"GO" in shown
    # Colour is SGR 30-49 or 90-107 (ECMA-48); bold and reverse stay without it, not when dumb.
    colours = re.findall(rb"\x1b\[[\d;]*\b(?:3[0-8]|4[0-8]|9[0-7]|10[0-7])\b", shown)
    assert bool(colours) is coloured
    if told.get("TERM") == "dumb":
        assert b"\x1b" not in shown


@pytest.mark.slow
def test_the_document_reads_back_as_what_it_was(run_process: Runner, healthy: Path) -> None:
    done = run_process("check", healthy, "--json")
    assert orjson.loads(orjson.dumps(done.json)) == done.json
