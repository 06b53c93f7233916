"""Scripts find their packages, here or in the project's environment, and never loop."""

import environment
import measuring_environment
import pytest
from measuring_environment import STARTED_ANEW, run_where_packages_are


def test_the_work_is_done_here_when_nothing_is_missing() -> None:
    assert run_where_packages_are("x.py", [], ["json"], lambda: 7) == 7


def test_an_interrupt_is_told_by_its_code() -> None:
    def interrupted() -> int:
        raise KeyboardInterrupt

    assert run_where_packages_are("x.py", [], ["json"], interrupted) == 130


def test_the_environment_gets_the_extras_that_hold_the_packages(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked: list[tuple[str, ...]] = []
    started: list[list[str]] = []
    monkeypatch.delenv(STARTED_ANEW, raising=False)
    monkeypatch.setattr(
        measuring_environment, "prepare", lambda _where, extras: asked.append(extras)
    )

    def start(line: list[str]) -> int:
        started.append(line)
        return 0

    monkeypatch.setattr(measuring_environment, "run_instead", start)
    code = run_where_packages_are("x.py", ["--seed", "2"], ["no_such_package"], lambda: 1, ("e",))
    assert code == 0
    assert asked == [("e",)]
    assert started == [[str(environment.Environment().python), "x.py", "--seed", "2"]]


def test_a_package_missing_in_the_environment_too_ends_it(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv(STARTED_ANEW, "1")
    code = run_where_packages_are("x.py", [], ["no_such_package"], lambda: 1)
    assert code == environment.SETUP_FAILED
    assert "no_such_package missing" in capsys.readouterr().err
