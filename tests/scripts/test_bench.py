"""The benchmark's own parts: readers that agree, honest verdicts, one document; never a time."""

import json
from collections.abc import Iterator
from dataclasses import replace

import bench
import bench_measures
import bench_plan
import numpy as np
import pytest
import recorded_day
from bench_plan import QUICK, Plan, Result

from rtcmtool.wire.catalogue import LAYOUTS
from rtcmtool.wire.framing import FrameScanner
from rtcmtool.wire.layout import MOST_CELLS, Record
from rtcmtool.wire.records import read_record


@pytest.fixture(scope="module")
def stream() -> bytes:
    return recorded_day.encoded(5000, 300)[0]


def flat(record: Record) -> list[int]:
    """List the numbers of a record in the order of the message."""
    groups = [rows for rows in record.values() if isinstance(rows, list)]
    numbers = [value for value in record.values() if not isinstance(value, list)]
    return numbers + [row[name] for rows in groups if rows for name in rows[0] for row in rows]


def test_both_readers_of_single_fields_read_what_the_layouts_say(stream: bytes) -> None:
    messages = [frame.message for frame in FrameScanner().feed(stream[:20_000]).frames()]
    assert len({message[:2] for message in messages}) == 4
    for message in messages:
        number = message[0] << 4 | message[1] >> 4
        expected = flat(read_record(LAYOUTS[number], message))
        assert bench_measures.read_with_bitstring(message) == expected
        assert bench_measures.read_with_shifts(message) == expected


def test_the_pipeline_is_many_times_faster_than_a_read_a_field(stream: bytes) -> None:
    # Measured 50 and more; the machine may be busy, so far less is asked for, and no time.
    messages = [frame.message for frame in FrameScanner().feed(stream[:20_000]).frames()]
    seconds = bench_plan.best_of(
        3,
        {
            "pipeline": lambda: bench_measures.decode(stream),
            "bitstring": lambda: bench_measures.each(bench_measures.read_with_bitstring, messages),
        },
    )
    a_byte = seconds["pipeline"] / len(stream)
    assert seconds["bitstring"] / sum(map(len, messages)) >= 20 * a_byte


def test_every_observation_of_the_made_day_comes_back() -> None:
    for first in (0, 40_000, 86_000):
        data, count = recorded_day.encoded(first, 50)
        assert bench_measures.decode(data) == count
        assert 60 * 50 < count < 110 * 50


def test_the_made_day_stays_within_the_cells_of_one_message() -> None:
    for constellation in recorded_day.CONSTELLATIONS:
        epochs = np.arange(0, 86_400, 600)
        observations = recorded_day.observations_of(constellation, epochs, np.random.default_rng(1))
        cells = np.bincount(observations.frame)
        assert cells.max() <= MOST_CELLS
        assert np.isfinite(observations.pseudorange_m).all()


@pytest.mark.parametrize(
    ("value", "less_is_better", "verdict"),
    [
        (5.0, True, "good"),
        (5.5, True, "acceptable"),
        (9.0, True, "missed"),
        (9.0, False, "good"),
        (4.0, False, "missed"),
        (None, True, "skipped"),
    ],
)
def test_a_verdict_follows_the_targets(
    value: float | None, less_is_better: bool, verdict: str
) -> None:
    good, acceptable = (5.2, 8.0) if less_is_better else (8.0, 5.2)
    result = Result("", "", value, "x", good, acceptable, less_is_better=less_is_better)
    assert result.verdict == verdict
    if value is not None:
        assert Result("", "", value, "s").verdict == "no target"


@pytest.mark.slow
def test_json_is_one_document_with_machine_and_verdicts(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    small = replace(QUICK, rounds=1)
    monkeypatch.setattr(bench_plan, "QUICK", small)
    assert bench.main(["--quick", "--json", "--only", "epoch,large"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert set(document["machine"]) == {"processor", "system", "python", "numpy"}
    assert [result["unit"] for result in document["results"]] == ["ms", "ms", "MB"]
    assert document["results"][-1]["verdict"] == "skipped"


def test_the_table_names_every_measure(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def measured(plan: Plan) -> Iterator[Result]:
        yield Result("speed of a snail", "a leaf", 3.14159, "x", 2.0, 4.0, note="it rains")

    monkeypatch.setattr(bench_measures, "MEASURES", {"snail": measured})
    assert bench.main([]) == 0
    shown = capsys.readouterr().out
    for text in ("speed of a snail", "a leaf", "3.14 x", "<= 2", "<= 4", "acceptable", "it rains"):
        assert text in shown


def test_an_unknown_measure_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as error:
        bench.main(["--only", "snail"])
    assert error.value.code == 2
    assert "baselines" in capsys.readouterr().err
