"""The site sheet that a capture keeps is used where no other is given."""

import json
import shutil
from pathlib import Path

import pytest

from tests.cli.conftest import Runner
from tests.conftest import PROJECT

SHEET = (PROJECT / "captures" / "hillcrest.toml").read_text(encoding="utf-8")
RULE = "position_matches_mark"


def recording(folder: Path, sheet: str) -> Path:
    """Make the demo with a wrong mark one that was recorded with a sheet."""
    for path in (PROJECT / "captures").glob("wrong-mark.*"):
        shutil.copy(path, folder)
    told = folder / "wrong-mark.json"
    told.write_text(json.dumps(json.loads(told.read_text()) | {"site_sheet": sheet}))
    return folder / "wrong-mark.rtcm3"


@pytest.fixture
def kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return recording(tmp_path, SHEET)


def state_of(run: Runner, *arguments: object) -> tuple[str, str]:
    """Give the state of the position against the mark, and what was said on the side."""
    done = run(*arguments, "--json")
    (found,) = (each for each in done.json["rules"] if each["rule"] == RULE)
    return found["state"], done.err


@pytest.mark.parametrize("command", ["check", "diagnose"])
def test_a_recording_is_judged_by_the_sheet_of_its_day(
    run: Runner, kept: Path, command: str
) -> None:
    state, said = state_of(run, command, kept)
    assert state == "bad"
    assert f"Site sheet as kept in {kept.with_suffix('.json')}" in said


def test_replay_and_watch_judge_by_it_too(run: Runner, kept: Path) -> None:
    done = run("replay", kept, "--speed", "max", "--json")
    assert done.json_lines[-1]["bad"] == [RULE]
    assert done.err.count("Site sheet") == 1
    without = run("replay", PROJECT / "captures" / "wrong-mark", "--speed", "max", "--json")
    assert without.json_lines[-1]["bad"] == []


def test_a_sheet_that_lies_here_comes_first_and_the_other_is_told(run: Runner, kept: Path) -> None:
    Path("site.toml").write_text('[site]\nname = "Other"\n', encoding="utf-8")
    state, said = state_of(run, "check", kept)
    assert state == "not-applicable"
    assert "keeps another sheet" in said
    Path("site.toml").write_text(SHEET, encoding="utf-8")
    state, said = state_of(run, "check", kept)
    assert state == "bad"
    assert "keeps another sheet" not in said


def test_a_sheet_that_is_named_wins_without_a_word(run: Runner, kept: Path) -> None:
    named = kept.with_name("named.toml")
    named.write_text('[site]\nname = "Other"\n', encoding="utf-8")
    state, said = state_of(run, "check", kept, "--site", named)
    assert state == "not-applicable"
    assert "keep" not in said


@pytest.mark.parametrize("text", ["[position]\nlatitude = 4\n", "no toml = = 1"])
def test_a_kept_sheet_that_does_not_hold_is_a_note(
    run: Runner, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, text: str
) -> None:
    monkeypatch.chdir(tmp_path)
    state, said = state_of(run, "check", recording(tmp_path, text))
    assert state == "not-applicable"
    assert "does not hold: " in said


def test_marks_of_a_kept_sheet_are_taken_from_beside_the_recording(
    run: Runner, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    sheet = SHEET.replace("[position]\n", '[position]\nmarks_csv = "marks.csv"\n')
    kept = recording(tmp_path, sheet)
    assert "marks.csv, cannot be used" in run("check", kept).err
    (tmp_path / "marks.csv").write_text(
        "name,latitude_deg,longitude_deg,ellipsoidal_height_m\nM2,45.2135,24.8719,317.0\n"
    )
    assert "cannot be used" not in run("check", kept).err
