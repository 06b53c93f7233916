"""The service unit in the README: a service manager takes it, and the tool takes its command."""

import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from rtcmtool.cli.main import build_parser
from tests.conftest import PROJECT

README = (PROJECT / "README.md").read_text(encoding="utf-8")


@pytest.fixture
def unit() -> str:
    (found,) = re.findall(r"```ini\n(\[Unit\].*?)```", README, re.DOTALL)
    return str(found)


def command_of(unit: str) -> list[str]:
    (line,) = re.findall(r"^ExecStart=(.*)$", unit.replace("\\\n", " "), re.MULTILINE)
    return [word.replace("$$", "$") for word in shlex.split(line)]


def test_the_command_of_the_unit_is_one_that_the_tool_takes(unit: str) -> None:
    program, *arguments = command_of(unit)
    assert Path(program).name == "rtcmtool"
    options = build_parser().parse_args(arguments)
    assert (options.command, options.name) == ("record", "base")
    assert options.split == (3600.0, None)
    assert options.keep == (30 * 86_400.0, 20_000_000_000)
    assert '"base: $RTCMTOOL_KIND since $RTCMTOOL_START_UTC"' in options.on_outage


def test_the_unit_starts_again_and_stops_by_a_signal_that_closes_the_capture(unit: str) -> None:
    for line in ("Restart=always", "KillSignal=SIGTERM", "KillMode=mixed", "ProtectSystem=strict"):
        assert line in unit.splitlines()
    # This filter forbids to ask the kernel whether the clock is right.
    assert "ProtectClock" not in unit


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="there is no systemd-analyze")
def test_a_service_manager_takes_the_unit(unit: str, tmp_path: Path) -> None:
    path = tmp_path / "rtcmtool-base.service"
    path.write_text(unit.replace(command_of(unit)[0], sys.executable), encoding="utf-8")
    done = subprocess.run(
        ["systemd-analyze", "verify", str(path)], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout + done.stderr) == (0, "")


@pytest.mark.parametrize("name", sorted(set(re.findall(r"`(RTCMTOOL_[A-Z_]+)`", README))))
def test_every_variable_that_the_readme_names_is_one_that_the_tool_knows(name: str) -> None:
    room = PROJECT / "rtcmtool"
    assert any(name in path.read_text(encoding="utf-8") for path in room.rglob("*.py"))
