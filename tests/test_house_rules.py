"""What no single module can promise: sizes, rooms, names at the top, no traces of a machine."""

import ast
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

PROJECT = Path(__file__).resolve().parent.parent

TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml"} | {
    "rtcmtool",
    "tests",
    "captures",
    "scripts",
}

MODULE_LINES = 450
FUNCTION_LINES = 60  # aimed at: 40; the docstring is not counted
TABLES = ("rtcmtool/wire/fields.py", "rtcmtool/wire/messages/")  # data, as long as the standard


@cache
def project_files() -> tuple[Path, ...]:
    """List what belongs to the project: tracked, or new and not ignored; relative paths."""
    command = ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"]
    try:
        listed = subprocess.run(command, cwd=PROJECT, capture_output=True, text=True, check=True)
    except (OSError, subprocess.CalledProcessError):
        return tuple(sorted(files_without_git()))
    paths = {Path(name) for name in listed.stdout.split("\0") if name}
    return tuple(sorted(path for path in paths if (PROJECT / path).is_file()))


def files_without_git() -> Iterator[Path]:
    """Walk the folder where there is no git: leave out what .gitignore would."""
    left_out = {"__pycache__", "build", "dist"}
    for path in PROJECT.rglob("*"):
        parts = path.relative_to(PROJECT).parts
        hidden = any(part.startswith(".") and part != ".ci" for part in parts[:-1])
        made = any(part in left_out or part.endswith(".egg-info") for part in parts)
        if path.is_file() and not hidden and not made:
            yield path.relative_to(PROJECT)


@cache
def sources(top: str = "") -> dict[Path, ast.Module]:
    """Parse the Python files below a folder of the project."""
    return {
        path: ast.parse((PROJECT / path).read_text(encoding="utf-8"), filename=str(path))
        for path in project_files()
        if path.suffix == ".py" and path.as_posix().startswith(top)
    }


def is_table(path: Path) -> bool:
    return path.as_posix().startswith(TABLES)


def code_lines(function: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Count the lines of a function from its `def` on, but for the docstring."""
    lines = (function.end_lineno or function.lineno) - function.lineno + 1
    first = function.body[0]
    if ast.get_docstring(function, clean=False) is not None:
        lines -= (first.end_lineno or first.lineno) - first.lineno + 1
    return lines


def prints(tree: ast.Module) -> list[int]:
    """Find the lines that call print."""
    return [
        node.lineno
        for node in ast.walk(tree)
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id == "print"
    ]


def test_the_top_level_holds_what_the_design_says_and_no_more() -> None:
    names = {path.parts[0] for path in project_files()}
    assert {name for name in names if not name.startswith(".")} == TOP_LEVEL


def test_no_module_is_longer_than_the_ceiling() -> None:
    lengths = {
        str(path): len((PROJECT / path).read_text(encoding="utf-8").splitlines())
        for path in sources()
        if not is_table(path)
    }
    assert not {path: lines for path, lines in lengths.items() if lines > MODULE_LINES}


def test_no_function_is_longer_than_the_ceiling() -> None:
    too_long = {
        f"{path}:{node.lineno} {node.name}": code_lines(node)
        for path, tree in sources().items()
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        and code_lines(node) > FUNCTION_LINES
    }
    assert not too_long


def test_the_lines_of_a_function_are_counted_without_its_docstring() -> None:
    text = '@cache\ndef two(\n    number,\n):\n    """Say.\n\n    More.\n    """\n    return 2\n'
    function = ast.parse(text).body[0]
    assert isinstance(function, ast.FunctionDef)
    assert code_lines(function) == 4


def test_only_commands_and_scripts_print() -> None:
    printing = {
        str(path): prints(tree)
        for path, tree in sources().items()
        if not path.as_posix().startswith(("rtcmtool/cli/", "scripts/")) and prints(tree)
    }
    assert not printing


def test_a_call_of_print_is_seen_and_the_word_alone_is_not() -> None:
    assert prints(ast.parse("x = 'print(1)'\nif x:\n    print(x)\n")) == [3]


# Put together from pieces, or this file would find itself.
MACHINE_PATHS = re.compile(
    r"(?<![\w.<~/-])/(?:" + "|".join(("wo" + "rk", "ro" + "ot", "t" + "mp")) + r")(?![\w-])"
    r"|(?<![\w.<~/-])/(?:" + "|".join(("ho" + "me", "Us" + "ers")) + r")/\w"
    r"|\b[A-Z]:\\+Us" + r"ers\\"
)
REGISTRIES = re.compile(
    "|".join(
        re.escape(".".join(host))
        for host in (
            ("pypi", "org"),
            ("python" + "hosted", "org"),
            ("npm" + "js", "org"),
            ("crates", "io"),
            ("proxy", "golang", "org"),
            ("anaconda", "org"),
            ("docker", "io"),
            ("deb", "debian", "org"),
        )
    )
)


def traces(text: str) -> list[str]:
    """Find paths of a machine and hosts of package registries."""
    return [
        f"line {number}: {found.group()}"
        for number, line in enumerate(text.splitlines(), start=1)
        for pattern in (MACHINE_PATHS, REGISTRIES)
        for found in pattern.finditer(line)
    ]


def test_no_file_names_a_path_of_a_machine_or_a_registry() -> None:
    found = {}
    for path in project_files():
        content = (PROJECT / path).read_bytes()
        if b"\0" in content:
            continue  # a recording, no text
        if lines := traces(content.decode("utf-8", errors="replace")):
            found[str(path)] = lines
    assert not found


@pytest.mark.parametrize(
    "text",
    [
        "see /" + "work/notes.md",
        '"/' + 'tmp/x"',
        "cd /" + "root",
        "in /" + "home/somebody/x",
        "C:" + "\\Users" + "\\somebody",
        "https://files.python" + "hosted.org/packages",
        "--index-url https://py" + "pi.org/simple",
    ],
)
def test_a_trace_of_a_machine_is_seen(text: str) -> None:
    assert traces(text)


@pytest.mark.parametrize(
    "text",
    ["</" + "root>", "frame/" + "work", "~/" + "work", "./" + "tmp", "/dev/ttyUSB0", "/workshop"],
)
def test_what_only_looks_like_a_path_of_a_machine_is_let_be(text: str) -> None:
    assert not traces(text)


def test_the_machine_runs_the_same_check_as_a_person() -> None:
    script = PROJECT / ".ci" / "run"
    text = script.read_text(encoding="utf-8")
    assert text.startswith("#!/usr/bin/env bash\n")
    assert "\nset -euo pipefail\n" in text
    called = [line for line in text.splitlines() if not line.lstrip().startswith("#")]
    assert any("scripts/test.py" in line for line in called)
    assert sys.platform == "win32" or script.stat().st_mode & 0o111 == 0o111


def test_every_folder_of_tests_is_a_package() -> None:
    folders = {path.parent for path in sources("tests/")}
    assert not [str(path) for path in folders if path / "__init__.py" not in project_files()]


def test_every_room_says_what_it_is_for() -> None:
    packages = {path.parent for path in sources("rtcmtool/")}
    silent = [
        str(folder)
        for folder in packages
        if not (
            (tree := sources("rtcmtool/").get(folder / "__init__.py")) and ast.get_docstring(tree)
        )
    ]
    assert not silent


def settings() -> dict[str, list[dict[str, list[str]]]]:
    """Read the contracts of import-linter."""
    tables = tomllib.loads((PROJECT / "pyproject.toml").read_text(encoding="utf-8"))
    contracts: dict[str, list[dict[str, list[str]]]] = tables["tool"]["importlinter"]
    return contracts


def test_every_room_stands_in_the_contract() -> None:
    rooms = {path.parts[1] for path in sources("rtcmtool/") if len(path.parts) > 2}
    (layers,) = (c["layers"] for c in settings()["contracts"] if "layers" in c)
    assert rooms == set(layers)


@pytest.fixture
def dummy(tmp_path: Path) -> Path:
    """Give empty rooms of the same names under our own contracts."""
    (tmp_path / "pyproject.toml").write_bytes((PROJECT / "pyproject.toml").read_bytes())
    (layers,) = (c["layers"] for c in settings()["contracts"] if "layers" in c)
    for room in layers:
        folder = tmp_path / "rtcmtool" / room
        folder.mkdir(parents=True)
        (folder / "__init__.py").touch()
    (tmp_path / "rtcmtool" / "__init__.py").touch()
    return tmp_path


def lint_imports(folder: Path) -> subprocess.CompletedProcess[str]:
    """Run import-linter on the package that stands in a folder."""
    run = "from importlinter.cli import lint_imports_command; lint_imports_command()"
    return subprocess.run(
        [sys.executable, "-c", run, "--no-cache"],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize(
    ("room", "line", "broken"),
    [
        ("wire", "from rtcmtool import gnss", ""),
        ("cli", "import socket", ""),
        ("gnss", "from rtcmtool import wire", "a room imports only from rooms above it"),
        ("wire", "from rtcmtool.diagnosis import rules", "a room imports only from rooms above it"),
        ("monitor", "import socket", "sans-I/O rooms know no clock"),
        ("diagnosis", "from time import monotonic", "sans-I/O rooms know no clock"),
    ],
)
def test_a_forbidden_import_is_caught(dummy: Path, room: str, line: str, broken: str) -> None:
    (dummy / "rtcmtool" / "diagnosis" / "rules.py").touch()
    (dummy / "rtcmtool" / room / "module.py").write_text(f"{line}\n", encoding="utf-8")
    result = lint_imports(dummy)
    assert result.returncode == (1 if broken else 0), result.stdout + result.stderr
    verdicts = [text for text in result.stdout.splitlines() if text.endswith(("KEPT", "BROKEN"))]
    assert len(verdicts) == len(settings()["contracts"])
    assert [text for text in verdicts if text.endswith("BROKEN")] == [
        text for text in verdicts if broken and text.startswith(broken)
    ]


@pytest.mark.slow
def test_our_own_rooms_keep_the_contracts() -> None:
    result = lint_imports(PROJECT)
    assert result.returncode == 0, result.stdout + result.stderr
