"""The demo captures are those that the script makes, small enough, and marked."""

from pathlib import Path

import demo_captures
import make_captures
import numpy as np
import pytest

from rtcmtool.captures import open_capture
from rtcmtool.wire.decoding import Batch
from rtcmtool.wire.stream import Chunk, decode_stream

CAPTURES = Path(__file__).resolve().parents[2] / "captures"
REMADE = "new-average"  # one of all, and the quickest


def decoded(data: bytes) -> Batch:
    (batch, _) = decode_stream([Chunk(data)])
    return batch


@pytest.mark.slow
def test_one_of_them_comes_out_as_it_lies_there(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Bit for bit on one platform; elsewhere within one step of the last digit of each field."""
    assert make_captures.main([REMADE, "--to", str(tmp_path)]) == 0
    assert REMADE in capsys.readouterr().out
    remade = (tmp_path / f"{REMADE}.rtcm3").read_bytes()
    stored = (CAPTURES / f"{REMADE}.rtcm3").read_bytes()
    if remade != stored:
        ours, theirs = decoded(remade), decoded(stored)
        assert ours.number.tolist() == theirs.number.tolist()
        for name, step in (("pseudorange_m", 0.018), ("phase_range_m", 0.0006), ("cnr_dbhz", 1.0)):
            columns = [getattr(batch.observations, name) for batch in (ours, theirs)]
            assert np.nanmax(np.abs(columns[0] - columns[1])) <= step * 1.01
    for suffix in (".json", ".events.jsonl", ".outages.csv"):
        names = [folder / (REMADE + suffix) for folder in (tmp_path, CAPTURES)]
        assert names[0].read_bytes() == names[1].read_bytes()


def test_all_are_there_with_their_companions_and_small_enough() -> None:
    names = {name for demo in demo_captures.DEMOS for name in demo_captures.files_of(demo)}
    names |= {"README.md", demo_captures.SHEET_NAME}
    assert {path.name for path in CAPTURES.iterdir()} == names
    assert sum(path.stat().st_size for path in CAPTURES.iterdir()) <= make_captures.LIMIT_BYTES


@pytest.mark.parametrize("demo", demo_captures.DEMOS, ids=lambda demo: demo.name)
def test_each_says_that_it_is_simulated_in_its_description_and_its_first_text(
    demo: demo_captures.Demo,
) -> None:
    capture = open_capture(CAPTURES / f"{demo.name}.rtcm3")
    assert capture.description is not None
    assert capture.description.simulated
    assert f"scenario {demo.scenario.name}, seed" in (capture.description.note or "")
    batch = decoded((CAPTURES / f"{demo.name}.rtcm3").read_bytes()[:200_000])
    texts = [m.values["text"] for m in batch.messages if m.layout.number == 1029]
    assert texts
    assert texts[0].startswith("SIMULATED")


def test_the_page_has_a_line_for_each_and_is_the_one_that_the_script_writes() -> None:
    page = (CAPTURES / "README.md").read_text(encoding="utf-8")
    assert page == demo_captures.readme()
    for demo in demo_captures.DEMOS:
        assert f"| `{demo.name}.rtcm3` | {demo.find} |" in page
    sheet = (CAPTURES / demo_captures.SHEET_NAME).read_text(encoding="utf-8")
    assert sheet == demo_captures.site_sheet()


def test_a_capture_that_there_is_not_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        make_captures.main(["nothing"])
    assert "no capture nothing; there are healthy" in capsys.readouterr().err
