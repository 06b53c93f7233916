"""scripts/test.py: which steps it runs, in which order, and what it ends with."""

import importlib.util
import subprocess
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from environment import Environment

SCRIPT = Path(__file__).resolve().parents[2] / "scripts" / "test.py"


@pytest.fixture
def script() -> ModuleType:
    """Load the script by its path: the standard library has a `test` of its own."""
    specification = importlib.util.spec_from_file_location("script_test", SCRIPT)
    assert specification is not None
    assert specification.loader is not None
    module = importlib.util.module_from_spec(specification)
    specification.loader.exec_module(module)
    return module


class Commands:
    """Stand in for the tools: note what was started, answer with the exit codes set."""

    def __init__(self) -> None:
        self.started: list[str] = []
        self.codes: dict[str, int] = {}

    def run(self, command: list[str], **options: Any) -> subprocess.CompletedProcess[bytes]:
        words = [Path(word).name for word in command[1:] if word != "-m"]  # of python and pytest
        self.started.append(" ".join(words))
        output = f"words of {words[0]}\n".encode()
        return subprocess.CompletedProcess(command, self.codes.get(words[0], 0), output)


@pytest.fixture
def commands(script: ModuleType, monkeypatch: pytest.MonkeyPatch) -> Commands:
    commands = Commands()
    monkeypatch.setattr(script.subprocess, "run", commands.run)
    monkeypatch.setattr(script, "processor_count", lambda: 3)
    return commands


def test_all_steps_run_in_order_with_the_tests_last(
    script: ModuleType, commands: Commands, capsys: pytest.CaptureFixture[str]
) -> None:
    assert script.check(Environment(), ["tests/wire", "-k", "msm"]) == 0
    assert [started.removesuffix(".exe") for started in commands.started] == [
        "ruff format --check",
        "ruff check",
        "mypy",
        "lint-imports",
        "pytest -q -n 6 --dist worksteal wire -k msm",
    ]
    said = capsys.readouterr().out
    assert "mypy: ok (0.0 s)" in said
    assert "words of" not in said


def test_fast_leaves_the_slow_parts_out(script: ModuleType, commands: Commands) -> None:
    assert script.check(Environment(), ["-k", "msm", "--fast"]) == 0
    assert commands.started == [
        "ruff format --check",
        "ruff check",
        "pytest -q not slow -x -k msm",
    ]


@pytest.mark.parametrize("broken", ["ruff", "mypy", "lint-imports"])
def test_a_failed_step_does_not_stop_the_others_but_the_end_is_a_failure(
    script: ModuleType, commands: Commands, capfd: pytest.CaptureFixture[str], broken: str
) -> None:
    commands.codes[broken] = 2
    assert script.check(Environment(), []) == 1
    assert len(commands.started) == 5
    said = capfd.readouterr().out
    assert f"words of {broken}\n" in said
    assert f"{broken}" in said.split("failed so far: ")[1]
    assert "FAILED (" in said


def test_the_exit_code_of_the_tests_is_passed_on(script: ModuleType, commands: Commands) -> None:
    commands.codes["pytest"] = 5
    commands.codes["mypy"] = 1
    assert script.check(Environment(), []) == 5


@pytest.mark.parametrize("own", ["-n0", "-n", "--numprocesses=2", "--pdb", "--dist=no"])
def test_the_callers_number_of_processes_wins(script: ModuleType, own: str) -> None:
    assert script.pytest_options([own], fast=False) == ["-q", own]


def test_the_processors_are_counted(script: ModuleType) -> None:
    assert script.processor_count() >= 1


def test_help_needs_no_environment(script: ModuleType, capsys: pytest.CaptureFixture[str]) -> None:
    assert script.main(["--help"]) == 0
    assert "--fast" in capsys.readouterr().out
