"""Options that would do nothing are refused, with what they belong to."""

import pytest

from tests.cli.conftest import Runner
from tests.conftest import PROJECT

HEALTHY = PROJECT / "captures" / "healthy.rtcm3"


@pytest.mark.parametrize(
    "given",
    [("--duration", "10s"), ("--user", "crew"), ("--position", "12,-34,60")],
)
def test_a_file_takes_no_option_of_a_live_source(run: Runner, given: tuple[str, ...]) -> None:
    done = run("check", HEALTHY, *given)
    assert (done.code, done.out) == (2, "")
    assert f"{given[0]} goes with a live source" in done.err


@pytest.mark.parametrize("command", ["check", "watch", "record"])
@pytest.mark.parametrize("given", [("--user", "crew"), ("--position", "12,-34,60")])
def test_a_source_that_is_no_caster_takes_no_log_in_and_no_position(
    run: Runner, command: str, given: tuple[str, ...], refusing_port: int
) -> None:
    done = run(command, f"tcp://127.0.0.1:{refusing_port}", *given)
    assert (done.code, done.out) == (2, "")
    assert f"{given[0]} goes to a caster, and no source is one" in done.err
