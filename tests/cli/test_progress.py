"""Progress on long files: a line every tenth where there is no terminal, nothing on short ones."""

import argparse

import pytest

from rtcmtool.cli import progress as progress_module
from rtcmtool.cli.progress import LONG_BYTES, Tally, progress


class Clock:
    """A clock that is moved by hand."""

    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    """Put a clock in place that is moved by hand."""
    moved = Clock()
    monkeypatch.setattr(progress_module, "monotonic", moved)
    return moved


def went(clock: Clock, total_bytes: int | None, steps: int, step_s: float, *, quiet: bool) -> None:
    """Go through a file in even steps."""
    options = argparse.Namespace(quiet=quiet, color="never")
    tally = Tally(total_bytes or 0)
    with progress(options, total_bytes) as shown:
        for step in range(steps):
            clock.now_s += step_s
            tally.done_bytes = (total_bytes or 0) * (step + 1) // steps
            tally.frames += 1000
            shown.move(tally)


def test_a_long_file_gets_a_line_every_tenth(
    clock: Clock, capsys: pytest.CaptureFixture[str]
) -> None:
    went(clock, 10 * LONG_BYTES, 40, 0.5, quiet=False)
    lines = capsys.readouterr().err.splitlines()
    assert [line.split(",")[0] for line in lines] == [f"{share} %" for share in range(10, 100, 10)]
    assert lines[0] == "10 %, 10 MB/s, frames 4 000, damaged 0"


@pytest.mark.parametrize(
    ("total_bytes", "step_s", "quiet"),
    [
        (LONG_BYTES - 1, 0.5, False),
        (None, 0.5, False),
        (10 * LONG_BYTES, 0.5, True),
        (10 * LONG_BYTES, 0.01, False),  # over before a second has gone
    ],
)
def test_what_is_short_or_told_to_be_quiet_shows_nothing(
    clock: Clock,
    capsys: pytest.CaptureFixture[str],
    total_bytes: int | None,
    step_s: float,
    quiet: bool,
) -> None:
    went(clock, total_bytes, 40, step_s, quiet=quiet)
    captured = capsys.readouterr()
    assert (captured.out, captured.err) == ("", "")


def test_a_terminal_gets_a_bar_that_goes_away(
    clock: Clock, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stderr.isatty", lambda: True)
    went(clock, 10 * LONG_BYTES, 4, 0.5, quiet=False)
    assert capsys.readouterr().out == ""
