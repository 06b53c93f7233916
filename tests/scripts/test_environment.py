"""The virtual environment of the scripts: stamp, lock, failures; pip itself is not started here."""

import ast
import os
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import environment as subject
import pytest
from environment import Environment, SetupError

PYPROJECT = """\
[project]
name = "small"
version = "1"
dependencies = ["one"]

[tool.checker]
line-length = 100
"""

Installation = Callable[[Environment, tuple[str, ...], int], None]


@pytest.fixture
def made(tmp_path: Path) -> Environment:
    """Give a project without an environment."""
    (tmp_path / "pyproject.toml").write_text(PYPROJECT, encoding="utf-8")
    return Environment(tmp_path)


@pytest.fixture
def installed(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, ...]]:
    """Put a quick venv and a quick pip in place of the real ones; give the extras asked for."""
    calls: list[tuple[str, ...]] = []

    def create(environment: Environment, lock: int) -> None:
        environment.programs.mkdir(parents=True)
        environment.python.write_text("", encoding="utf-8")

    def install(environment: Environment, extras: tuple[str, ...], lock: int) -> None:
        assert not environment.stamp.exists(), "an unfinished environment must not look complete"
        calls.append(extras)

    monkeypatch.setattr(subject, "create", create)
    monkeypatch.setattr(subject, "install", install)
    return calls


def fail_with(error: BaseException) -> Installation:
    def install(environment: Environment, extras: tuple[str, ...], lock: int) -> None:
        (environment.folder / "half-made").write_text("", encoding="utf-8")
        raise error

    return install


def network_failure() -> SetupError:
    return SetupError("it failed", why="no network", do="connect")


def names(environment: Environment) -> set[str]:
    return {path.name for path in environment.folder.iterdir()}


def test_an_environment_is_made_once(made: Environment, installed: list[tuple[str, ...]]) -> None:
    assert not subject.is_ready(made)
    subject.prepare(made)
    subject.prepare(made)
    assert subject.is_ready(made)
    assert installed == [()]
    assert names(made) == {made.programs.name, "setup-stamp", "setup-lock"}


def test_a_start_with_a_good_stamp_writes_nothing_and_asks_for_nothing(
    made: Environment, installed: list[tuple[str, ...]], monkeypatch: pytest.MonkeyPatch
) -> None:
    subject.prepare(made)
    before = {path: path.stat().st_mtime_ns for path in made.folder.rglob("*")}

    def refuse(*arguments: object) -> None:
        raise AssertionError("nothing of a set-up may run")

    for name in ("check_tools", "bring_up_to_date", "SetupLock", "needs_hash", "write_stamp"):
        monkeypatch.setattr(subject, name, refuse)
    subject.prepare(made)
    assert {path: path.stat().st_mtime_ns for path in made.folder.rglob("*")} == before


def test_extras_are_added_and_stay(made: Environment, installed: list[tuple[str, ...]]) -> None:
    subject.prepare(made)
    assert not subject.is_ready(made, ("dev",))
    subject.prepare(made, ("dev",))
    subject.prepare(made)
    assert installed == [(), ("dev",)]
    made.settings.write_text(PYPROJECT.replace("one", "two"), encoding="utf-8")
    subject.prepare(made)
    assert installed[2:] == [("dev",)]


def test_a_changed_dependency_is_installed_into_the_same_environment(
    made: Environment, installed: list[tuple[str, ...]]
) -> None:
    subject.prepare(made)
    (made.folder / "kept").write_text("", encoding="utf-8")
    made.settings.write_text(PYPROJECT.replace("one", "two"), encoding="utf-8")
    subject.prepare(made)
    assert len(installed) == 2
    assert "kept" in names(made)


def test_a_changed_setting_of_a_checker_installs_nothing(
    made: Environment, installed: list[tuple[str, ...]]
) -> None:
    subject.prepare(made)
    made.settings.write_text(PYPROJECT.replace("100", "90"), encoding="utf-8")
    assert not subject.is_ready(made)
    subject.prepare(made)
    assert subject.is_ready(made)
    assert len(installed) == 1


def test_another_python_version_begins_anew(
    made: Environment, installed: list[tuple[str, ...]], monkeypatch: pytest.MonkeyPatch
) -> None:
    subject.prepare(made)
    (made.folder / "of-the-old-one").write_text("", encoding="utf-8")
    monkeypatch.setattr(sys.implementation, "cache_tag", "cpython-399")
    subject.prepare(made)
    assert len(installed) == 2
    assert "of-the-old-one" not in names(made)


def test_an_environment_that_was_copied_with_its_project_is_not_used(
    made: Environment, installed: list[tuple[str, ...]], tmp_path: Path
) -> None:
    subject.prepare(made)
    copy = Environment(tmp_path / "copy")
    copy.project.mkdir()
    copy.settings.write_bytes(made.settings.read_bytes())
    copy.programs.mkdir(parents=True)
    copy.python.write_text("", encoding="utf-8")
    copy.stamp.write_bytes(made.stamp.read_bytes())
    assert not subject.is_ready(copy)


def test_an_environment_whose_python_is_gone_begins_anew(
    made: Environment, installed: list[tuple[str, ...]]
) -> None:
    subject.prepare(made)
    made.python.unlink()
    made.programs.rmdir()
    subject.prepare(made)
    assert len(installed) == 2


def test_an_unreadable_stamp_counts_as_none(made: Environment) -> None:
    made.folder.mkdir()
    made.stamp.write_bytes(b"\xff\xfe broken")
    assert subject.read_stamp(made) == {}


def test_a_failed_set_up_leaves_nothing_that_looks_complete(
    made: Environment, installed: list[tuple[str, ...]], monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patch:
        patch.setattr(subject, "install", fail_with(network_failure()))
        with pytest.raises(SetupError, match="no network"):
            subject.prepare(made)
    assert names(made) == {"setup-lock"}
    subject.prepare(made)
    assert subject.is_ready(made)


def test_a_failed_update_leaves_the_environment_for_the_code_it_was_made_for(
    made: Environment, installed: list[tuple[str, ...]], monkeypatch: pytest.MonkeyPatch
) -> None:
    subject.prepare(made)
    made.settings.write_text(PYPROJECT.replace("one", "two"), encoding="utf-8")
    monkeypatch.setattr(subject, "install", fail_with(network_failure()))
    with pytest.raises(SetupError, match="no network"):
        subject.prepare(made)
    assert not subject.is_ready(made)
    made.settings.write_text(PYPROJECT, encoding="utf-8")
    assert subject.is_ready(made)


def test_an_interrupted_set_up_is_begun_anew(
    made: Environment, installed: list[tuple[str, ...]], monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patch:
        patch.setattr(subject, "install", fail_with(KeyboardInterrupt()))
        with pytest.raises(KeyboardInterrupt):
            subject.prepare(made)
    assert not subject.is_ready(made)
    assert "setup-unfinished" in names(made)
    subject.prepare(made)
    assert names(made) == {made.programs.name, "setup-stamp", "setup-lock"}


def test_a_folder_of_somebody_elses_is_left_as_it_is(
    made: Environment, installed: list[tuple[str, ...]]
) -> None:
    made.folder.mkdir()
    (made.folder / "precious").write_text("text", encoding="utf-8")
    for _ in range(2):
        with pytest.raises(SetupError, match="not made by this script"):
            subject.prepare(made)
    assert (made.folder / "precious").read_text(encoding="utf-8") == "text"
    assert installed == []


@pytest.mark.parametrize("key", ["version", "version_info"])
def test_an_environment_of_the_developers_own_is_taken_over(
    made: Environment, installed: list[tuple[str, ...]], key: str
) -> None:
    made.programs.mkdir(parents=True)
    made.python.write_text("", encoding="utf-8")
    version = ".".join(str(part) for part in sys.version_info[:3])
    (made.folder / "pyvenv.cfg").write_text(f"home = x\n{key} = {version}\n", encoding="utf-8")
    subject.prepare(made, ("dev",))
    assert installed == [("dev",)]
    assert "pyvenv.cfg" in names(made)


def test_an_environment_of_another_python_that_is_not_ours_is_refused(
    made: Environment, installed: list[tuple[str, ...]]
) -> None:
    made.programs.mkdir(parents=True)
    made.python.write_text("", encoding="utf-8")
    (made.folder / "pyvenv.cfg").write_text("version = 3.1.4\n", encoding="utf-8")
    with pytest.raises(SetupError, match="move it away"):
        subject.prepare(made)


def test_starts_at_the_same_time_make_one_environment(
    made: Environment, installed: list[tuple[str, ...]], monkeypatch: pytest.MonkeyPatch
) -> None:
    waiting = threading.Barrier(4)
    ready = subject.is_ready
    seen = threading.local()

    def meet_and_look(environment: Environment, extras: tuple[str, ...] = ()) -> bool:
        result = ready(environment, extras)
        if not getattr(seen, "once", False):
            seen.once = True
            waiting.wait(timeout=120)  # all have seen that there is none before one begins
        return result

    monkeypatch.setattr(subject, "is_ready", meet_and_look)
    starts = [threading.Thread(target=subject.prepare, args=(made,)) for _ in range(4)]
    for start in starts:
        start.start()
    for start in starts:
        start.join(timeout=120)
    assert installed == [()]
    assert ready(made)


def test_a_held_lock_is_not_given_twice(tmp_path: Path) -> None:
    with subject.SetupLock(tmp_path / "lock"):
        other = os.open(tmp_path / "lock", os.O_RDWR)
        try:
            assert not subject.try_lock(other)
        finally:
            os.close(other)
    with subject.SetupLock(tmp_path / "lock") as again:
        assert again.descriptor >= 0


def test_a_folder_that_cannot_be_written_is_named(
    made: Environment, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(path: Path, **options: object) -> None:
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr(Path, "mkdir", refuse)
    with pytest.raises(SetupError) as caught:
        subject.prepare(made)
    what, why, do = str(caught.value).splitlines()
    assert str(made.folder) in what
    assert why.startswith("  why: there is no right to write there")
    assert do.startswith("  do:  get that right, or copy the project")


def test_a_file_in_the_place_of_the_folder_is_told_without_a_traceback(made: Environment) -> None:
    made.folder.write_text("", encoding="utf-8")
    with pytest.raises(SetupError, match="could not be made"):
        subject.prepare(made)


def test_a_python_without_venv_is_told_which_package_to_install(
    made: Environment, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    with pytest.raises(SetupError) as caught:
        subject.prepare(made)
    assert "venv and ensurepip" in str(caught.value)
    assert "apt install python3-venv" in str(caught.value)
    assert not made.folder.exists()


@pytest.mark.parametrize(
    ("said", "why"),
    [
        (
            "NewConnectionError: Failed to establish a new connection: [Errno -3] Temporary "
            "failure in name resolution\nERROR: No matching distribution found for numpy",
            "index could not be reached",
        ),
        (
            "ERROR: Could not find a version that satisfies the requirement numpy (from versions: "
            "none)\nERROR: No matching distribution found for numpy",
            "out of reach, or does not have it",
        ),
        ("(from versions: 1.0, 1.1)\nERROR: No matching distribution found", "fits this Python"),
        ("OSError: [Errno 28] No space left on device", "the disk is full"),
        ("error: command 'gcc' failed: No such file or directory", "could not be compiled"),
        ("something never heard of", ""),
    ],
)
def test_what_pip_says_is_explained(said: str, why: str) -> None:
    assert why in subject.explain(said)[0]
    assert bool(subject.explain(said)[0]) == bool(why)


def test_variables_that_would_lead_pip_elsewhere_are_taken_away(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("PIP_TARGET", "elsewhere")
    monkeypatch.setenv("PYTHONPATH", "elsewhere")
    monkeypatch.setenv("PIP_USER", "1")
    monkeypatch.setenv("PIP_INDEX_URL", "http://127.0.0.1:9/")
    variables = subject.tool_variables()
    assert "elsewhere" not in variables.values()
    assert variables["PIP_USER"] == "0"
    assert variables["PIP_INDEX_URL"] == "http://127.0.0.1:9/"


def test_the_part_that_refuses_an_old_python_can_be_read_by_it() -> None:
    for name in ("environment.py", "run.py", "test.py"):
        source = (subject.PROJECT / "scripts" / name).read_text(encoding="utf-8")
        tree = ast.parse(source, feature_version=(3, 6))
        # An unknown future feature is a syntax error there, which the parser here does not tell.
        assert not [
            node
            for node in ast.walk(tree)
            if isinstance(node, ast.ImportFrom) and node.module == "__future__"
        ]
