"""scripts/run.py from a bare folder: a small project that needs no network stands in for ours."""

import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPTS = Path(__file__).resolve().parents[2] / "scripts"

# A project whose build needs nothing from an index: it brings its own build backend.
PYPROJECT = """\
[build-system]
requires = []
build-backend = "backend"
backend-path = ["."]

[project]
name = "rtcmtool"
version = "1"
"""

BACKEND = '''\
"""Build an editable wheel by hand (PEP 660): a path file and an entry point."""

import zipfile
from pathlib import Path

INFO = "rtcmtool-1.dist-info"


def build_editable(wheel_directory, config_settings=None, metadata_directory=None):
    name = "rtcmtool-1-py3-none-any.whl"
    with zipfile.ZipFile(Path(wheel_directory) / name, "w") as wheel:
        wheel.writestr("rtcmtool.pth", str(Path.cwd()))
        wheel.writestr(f"{INFO}/METADATA", "Metadata-Version: 2.1\\nName: rtcmtool\\nVersion: 1\\n")
        wheel.writestr(
            f"{INFO}/WHEEL", "Wheel-Version: 1.0\\nRoot-Is-Purelib: true\\nTag: py3-none-any\\n"
        )
        wheel.writestr(f"{INFO}/entry_points.txt", "[console_scripts]\\nrtcmtool = small:entry\\n")
        wheel.writestr(f"{INFO}/RECORD", "")
    return name
'''

PROGRAM = '''\
"""Show what came in."""

import sys
import time


def entry():
    if sys.argv[1:] == ["wait"]:
        try:
            print("waiting", flush=True)
            time.sleep(600)
        except KeyboardInterrupt:
            print("closed")
            return 130
    if sys.argv[1:] == ["copy"]:
        sys.stdout.buffer.write(sys.stdin.buffer.read())
        return 0
    print(sys.argv[1:])
    print("a word on standard error", file=sys.stderr)
    return 4
'''


def bare_project(folder: Path) -> Path:
    folder.mkdir()
    shutil.copytree(SCRIPTS, folder / "scripts", ignore=shutil.ignore_patterns("__pycache__"))
    for name, text in (
        ("pyproject.toml", PYPROJECT),
        ("backend.py", BACKEND),
        ("small.py", PROGRAM),
    ):
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def variables(**further: str) -> dict[str, str]:
    """Give an environment in which pip knows no index but what is asked for."""
    inherited = {name: value for name, value in os.environ.items() if not name.startswith("PIP_")}
    return {**inherited, "PIP_CONFIG_FILE": os.devnull, "PIP_RETRIES": "0", **further}


def start(
    project: Path, *arguments: str, given: bytes = b"", **further: str
) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        [sys.executable, str(project / "scripts" / "run.py"), *arguments],
        input=given,
        capture_output=True,
        env=variables(**further),
        cwd=project.parent,
        timeout=120,
        check=False,
    )


@pytest.fixture(scope="module")
def project(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a project that was started once; its folder has a blank in its name."""
    project = bare_project(tmp_path_factory.mktemp("newcomer") / "the project")
    first = start(project, "first", "a b", "*", "", PIP_NO_INDEX="1")
    assert first.returncode == 4, first.stderr.decode()
    assert first.stdout.split() == b"['first', 'a b', '*', '']".split()
    assert b"the environment is ready" in first.stderr
    return project


@pytest.mark.slow
def test_the_second_start_says_only_what_the_program_says(project: Path) -> None:
    second = start(project, "second", PIP_INDEX_URL="http://127.0.0.1:9/")
    assert second.returncode == 4
    assert second.stdout.splitlines() == [b"['second']"]
    assert second.stderr.splitlines() == [b"a word on standard error"]


@pytest.mark.slow
def test_bytes_pass_through_unchanged(project: Path) -> None:
    given = bytes(range(256)) * 500
    result = start(project, "copy", given=given)
    assert (result.returncode, result.stdout, result.stderr) == (0, given, b"")


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="there the console sends Ctrl-C to both processes")
@pytest.mark.parametrize(
    ("sent", "code", "last"),
    [(signal.SIGINT, 130, "closed\n"), (signal.SIGTERM, -signal.SIGTERM, "")],
)
def test_a_signal_reaches_the_program_itself(
    project: Path, sent: signal.Signals, code: int, last: str
) -> None:
    command = [sys.executable, str(project / "scripts" / "run.py"), "wait"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=variables()) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "waiting\n"
        process.send_signal(sent)
        rest = process.stdout.read()
        assert process.wait(timeout=120) == code
    assert rest == last


@pytest.mark.slow
def test_without_a_network_it_says_so_and_leaves_no_environment(tmp_path: Path) -> None:
    project = bare_project(tmp_path / "project")
    settings = project / "pyproject.toml"
    needy = PYPROJECT + 'dependencies = ["a-package-that-is-nowhere-about"]\n'
    settings.write_text(needy.replace("requires = []", 'requires = ["nowhere-about"]'))
    result = start(project, PIP_INDEX_URL="http://127.0.0.1:9/")
    assert result.returncode == 69
    assert result.stdout == b""
    said = result.stderr.decode()
    assert "rtcmtool: the environment in .venv could not be made: pip ended with 1\n" in said
    assert "\n  why: " in said
    assert "network" in said
    assert "\n  do:  " in said
    assert "| ERROR: No matching distribution found for nowhere-about" in said.replace("  ", "")
    assert "Traceback" not in said
    assert [path.name for path in (project / ".venv").iterdir()] == ["setup-lock"]


@pytest.mark.parametrize("script", ["run.py", "test.py"])
def test_an_old_python_is_refused_with_what_is_needed(script: str) -> None:
    pretend = (
        "import runpy, sys\n"
        "sys.version_info = (3, 9, 2, 'final', 0)\n"
        "sys.version = '3.9.2 (default)'\n"
        f"sys.path.insert(0, {str(SCRIPTS)!r})\n"
        f"runpy.run_path({str(SCRIPTS / script)!r}, run_name='__main__')\n"
    )
    result = subprocess.run(
        [sys.executable, "-B", "-c", pretend], capture_output=True, text=True, check=False
    )
    assert result.returncode == 69
    assert result.stdout == ""
    what, why, do, example = result.stderr.splitlines()
    assert what.startswith("rtcmtool: this Python is too old: 3.9.2 (")
    assert why == "  why: Python 3.11 or newer is needed"
    assert do.startswith("  do:  install a newer Python")
    assert example.endswith(f"for example: python3.11 {SCRIPTS / script}")
