"""What `check` and `diagnose` make of earlier captures of the same mark."""

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.conftest import Runner
from tests.cli.test_site import capture, rule
from tests.diagnosis.test_mark_rules import place
from tests.streams import base_stream, data_of

Write = Callable[..., Path]


def test_earlier_captures_are_compared(here: Path, run: Runner) -> None:
    today = capture(here / "tuesday.rtcm3", place(east_m=1.5), 1.652)
    capture(here / "monday.rtcm3", place())
    done = run("check", today, "--against", here / "monday.rtcm3")
    assert done.code == 1
    words = " ".join(done.out.split())
    assert "Today's points lie E +1.500 m, N 0 mm, U 0 mm from those of monday.rtcm3" in words
    found = rule(
        run("check", today, "--against", here / "monday", today, "--json").json,
        "position_matches_earlier",
    )
    assert [one["capture"] for one in found["values"]["captures"]] == [
        "monday.rtcm3",
        "tuesday.rtcm3",
    ]
    assert found["state"] == "bad"


@pytest.mark.parametrize("command", ["check", "diagnose"])
@pytest.mark.parametrize(
    ("code", "names", "told", "why"),
    [
        (2, ["silent"], "silent.rtcm3 holds no position", "neither 1005 nor 1006 came in it"),
        (4, ["notes"], "notes.rtcm3 holds no RTCM 3 message", "it is no capture of corrections"),
        (4, ["empty"], "empty.rtcm3 holds no RTCM 3 message", "it is empty"),
        (3, ["gone"], "there is no file ", "holds no such name"),
        (3, ["folder"], "is a folder", "a capture is a file"),
        (3, ["gone", "notes", "silent"], ", and 2 more cannot be used", "holds no such name"),
    ],
)
def test_without_any_earlier_capture_that_can_be_used_there_is_nothing_to_compare_with(
    here: Path,
    run: Runner,
    write: Write,
    command: str,
    code: int,
    names: list[str],
    told: str,
    why: str,
) -> None:
    today = capture(here / "tuesday.rtcm3", place())
    not_usable(here, write)
    done = run(command, today, "--against", *(here / f"{name}.rtcm3" for name in names))
    assert (done.code, done.out) == (code, "")
    assert "rtcmtool: --against gives nothing to compare with: " in done.err
    assert told in done.err
    assert why in done.err
    assert "\n  do    " in done.err


@pytest.mark.parametrize("command", ["check", "diagnose"])
def test_earlier_captures_that_cannot_be_used_are_left_out_beside_one_that_can(
    here: Path, run: Runner, write: Write, command: str
) -> None:
    today = capture(here / "tuesday.rtcm3", place())
    monday = capture(here / "monday.rtcm3", place())
    names = not_usable(here, write)
    paths = [here / f"{name}.rtcm3" for name in names]
    done = run(command, today, "--against", *paths, monday)
    assert done.code == 0
    for told in ("silent.rtcm3 holds no position", "notes.rtcm3 holds no RTCM 3 message",
                 "gone.rtcm3", "folder.rtcm3 is a folder"):  # fmt: skip
        (line,) = (line for line in done.err.splitlines() if told in line)
        assert line.startswith("note: ")
        assert line.endswith("; it is left out.")
    found = rule(
        run("check", today, "--against", *paths, monday, "--json").json, "position_matches_earlier"
    )
    assert found["state"] == "ok"
    assert [one["capture"] for one in found["values"]["captures"]] == ["monday.rtcm3"]


def not_usable(here: Path, write: Write) -> list[str]:
    """Lay down what --against cannot use; give the names, one of them of nothing."""
    write(data_of(base_stream(20, extras=())), "silent.rtcm3")
    (here / "notes.rtcm3").write_text("Windy.\n" * 40, encoding="utf-8")
    (here / "empty.rtcm3").touch()
    (here / "folder.rtcm3").mkdir()
    return ["silent", "notes", "empty", "folder", "gone"]


def test_ten_earlier_captures_are_compared_by_check_and_diagnose(here: Path, run: Runner) -> None:
    today = capture(here / "today.rtcm3", place())
    days = [capture(here / f"d{day}.rtcm3", place(0.1 * day)) for day in range(10)]
    (here / "site.toml").write_text('[position]\nkind = "averaged"\n', encoding="utf-8")
    found = rule(run("check", today, "--against", *days, "--json").json, "position_matches_earlier")
    assert found["state"] == "watch"
    assert len(found["values"]["captures"]) == 10
    assert found["values"]["east"] == pytest.approx(-900.0, abs=0.1)
    told = " ".join(run("diagnose", today, "--against", *days).out.split())
    assert "the base stands on an averaged position" in told
    assert "site calibration" in told
    assert "E -900 mm, N 0 mm, U 0 mm from d9.rtcm3" in told
