"""What `diagnose` prints of the demo captures: one screen of 80 columns and 24 lines."""

from pathlib import Path

import pytest

from tests.cli.conftest import Runner
from tests.conftest import PROJECT

pytestmark = pytest.mark.slow
CAPTURES = PROJECT / "captures"
STREAMS = sorted(
    path for path in CAPTURES.glob("*.rtcm3") if not path.stem.endswith("-rover")
)  # what rovers measured is no base's stream


@pytest.fixture(autouse=True)
def eighty_columns(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")


@pytest.mark.parametrize("capture", STREAMS, ids=lambda path: path.stem)
def test_each_demo_capture_has_its_answer_on_one_screen(run: Runner, capture: Path) -> None:
    log = capture.with_name(f"{capture.stem}-rover.nmea")
    rover = ("--rover", log) if log.exists() else ()
    sheet = ("--site", CAPTURES / "hillcrest.toml")
    lines = run("diagnose", capture, *rover, *sheet).lines
    assert len(lines) <= 22  # the command and the prompt take two, at least
    assert max(map(len, lines)) <= 80
    told = [line.strip() for line in lines if line.strip()]
    assert len(set(told)) == len(told)
    assert any(line.startswith("More        --all: ") for line in lines)


def test_the_whole_text_says_more_and_the_document_says_the_same(run: Runner) -> None:
    weak = (CAPTURES / "weak-radio.rtcm3", "--rover", CAPTURES / "weak-radio-rover.nmea")
    brief, whole = run("diagnose", *weak), run("diagnose", *weak, "--all")
    assert len(whole.lines) > len(brief.lines)
    assert run("diagnose", *weak, "--json", "--all").json == run("diagnose", *weak, "--json").json
    assert any(line == "Ruled out" for line in whole.lines)
