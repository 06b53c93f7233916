"""Orbits from a file for `check`: read, and refused in words that help."""

from pathlib import Path

import pytest

from tests.cli.conftest import Runner

CAPTURE = Path(__file__).parents[2] / "captures" / "healthy.rtcm3"


def test_a_file_that_is_no_navigation_file_is_refused(run: Runner, tmp_path: Path) -> None:
    other = tmp_path / "notes.txt"
    other.write_text("nothing of orbits\n", encoding="utf-8")
    done = run("check", CAPTURE, "--navigation", other)
    assert done.code == 2
    assert "cannot be used for orbits" in done.err
    assert "  do " in done.err


def test_a_missing_navigation_file_is_a_source_that_cannot_be_opened(
    run: Runner, tmp_path: Path
) -> None:
    done = run("check", CAPTURE, "--navigation", tmp_path / "none.rnx")
    assert done.code == 3
    assert "cannot be read" in done.err


def test_a_navigation_file_without_records_is_refused(run: Runner, tmp_path: Path) -> None:
    head = f"{'     3.04':20}{'N: GNSS NAV DATA':20}{'M: Mixed':20}RINEX VERSION / TYPE\n"
    empty = tmp_path / "empty.rnx"
    empty.write_text(head + " " * 60 + "END OF HEADER\n", encoding="ascii")
    done = run("check", CAPTURE, "--navigation", empty)
    assert done.code == 2
    assert "holds no orbit" in done.err


@pytest.mark.open_data
def test_orbits_of_another_day_judge_nothing(run: Runner, open_data: Path) -> None:
    done = run(
        "check", open_data / "static-msm5.rtcm3", "--date", "2021-03-19", "--json",
        "--navigation", open_data / "pair-navigation.rnx",
    )  # fmt: skip
    rules = {rule["rule"]: rule for rule in done.json["rules"]}
    assert rules["geometry"]["state"] == "unknown"
    assert rules["position_matches_code"]["state"] == "unknown"
