"""Shared fixtures: the open recordings, golden files, the colour-free environment, profiles."""

import os
import signal
from collections.abc import Callable, Iterator
from functools import lru_cache
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from rtcmtool.simulation import world
from rtcmtool.simulation.constellation import make_constellation

settings.register_profile(
    "default", deadline=None, max_examples=60, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile(
    "ci",
    deadline=None,
    max_examples=100,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.register_profile(
    "thorough", deadline=None, max_examples=2000, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile(
    os.environ.get("HYPOTHESIS_PROFILE", "ci" if os.environ.get("CI") else "default")
)

PROJECT = Path(__file__).resolve().parent.parent

if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:  # begun in the background of a shell
    signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture(autouse=True)
def plain_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    """Keep the developer's colours and settings out of the tests."""
    for name in ("NO_COLOR", "FORCE_COLOR", "CLICOLOR", "COLUMNS", "LINES", "PYTHONUNBUFFERED"):
        monkeypatch.delenv(name, raising=False)
    for name in list(os.environ):
        if name.startswith("RTCMTOOL_"):
            monkeypatch.delenv(name, raising=False)


@pytest.fixture(scope="session", autouse=True)
def each_sky_made_once() -> Iterator[None]:
    """Make no sky of the simulation twice: it follows from its arguments, and never changes."""
    with pytest.MonkeyPatch.context() as patch:
        made_once = lru_cache(maxsize=50)(make_constellation)
        patch.setattr(world, "make_constellation", made_once)
        yield


@pytest.fixture(scope="session")
def open_data() -> Path:
    """Give the folder of real recordings, or skip; in CI its absence is a failure."""
    folder = PROJECT.parent / "shared" / "open-data"
    if not folder.is_dir():
        if os.environ.get("CI") == "true":
            pytest.fail(f"the recordings are missing: {folder}")
        pytest.skip("the folder of recordings is not beside the project")
    return folder


GOLDEN = PROJECT / "tests" / "golden"


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the option that writes the golden files anew."""
    parser.addoption(
        "--update-golden", action="store_true", help="write the golden files and skip their tests"
    )


@pytest.fixture
def golden(request: pytest.FixtureRequest) -> Callable[[str, str], None]:
    """Give a function that compares a text with a golden file; an update never counts as a pass."""

    def compare(name: str, text: str) -> None:
        path = GOLDEN / name
        if request.config.getoption("--update-golden"):
            path.parent.mkdir(exist_ok=True)
            path.write_text(text, encoding="utf-8", newline="\n")
            pytest.skip(f"wrote {name}")
        assert text == path.read_text(encoding="utf-8")

    return compare
