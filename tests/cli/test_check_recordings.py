"""`check` and `diagnose` of recordings: their end, and a clock that was set meanwhile."""

from pathlib import Path

import pytest

from rtcmtool.captures import CaptureWriter, Description, Event, OutageRow
from tests.cli.conftest import Run, Runner
from tests.running.driving import T0_NS, timed, utc_ns
from tests.streams import base_stream

EPOCHS = 60


def recorded(
    folder: Path, *, silent_s: float = 0.0, is_told: bool = True, step_s: float = 0.0
) -> Path:
    """Record a minute of a base, then silence; the clock is set by `step_s` half-way."""
    writer = CaptureWriter(folder / "job", Description("COM5", "0", T0_NS), monotonic_s=0.0)
    for at_s, data in timed(base_stream(EPOCHS)):
        writer.write(data, utc_ns(at_s + (step_s if at_s >= 30.0 else 0.0)))
    if step_s:
        writer.event(Event(utc_ns(30.5 + step_s), "clock-step", "", {"step_s": step_s}))
    end_s = EPOCHS + step_s
    if silent_s and is_told:
        row = OutageRow(
            utc_ns(end_s), utc_ns(end_s + silent_s), silent_s, "silence",
            note="open at end of recording",
        )  # fmt: skip
        writer.outage(row)
    writer.close(utc_ns(end_s + silent_s))
    return writer.path


def rules(done: Run) -> dict[str, tuple[str, str]]:
    return {rule["rule"]: (rule["state"], rule["text"]) for rule in done.json["rules"]}


@pytest.mark.parametrize("command", ["check", "diagnose"])
def test_a_silence_to_the_end_of_the_recording_is_a_fault(
    run: Runner, tmp_path: Path, command: str
) -> None:
    done = run(command, recorded(tmp_path, silent_s=300.0), "--json")
    found = rules(done)
    assert found["bytes_arrive"] == ("bad", "last one 5 min before the end")
    assert found["longest_gap"] == ("bad", "5 min")
    assert found["epochs_complete"][0] == "bad"
    assert "60 of 36" in found["epochs_complete"][1]
    if command == "check":
        assert (done.json["verdict"], done.code) == ("no-go", 1)


def test_a_time_of_not_listening_at_the_end_is_no_fault_of_the_base(
    run: Runner, tmp_path: Path
) -> None:
    found = rules(run("check", recorded(tmp_path, silent_s=300.0, is_told=False), "--json"))
    assert found["bytes_arrive"][0] == "ok"
    assert found["longest_gap"][0] == "ok"


@pytest.mark.parametrize("step_s", [71.0, -71.0, 31_536_000.0])
def test_a_clock_that_was_set_makes_no_gap_and_no_position_late(
    run: Runner, tmp_path: Path, step_s: float
) -> None:
    (tmp_path / "as it was").mkdir()
    expected = rules(run("check", recorded(tmp_path / "as it was"), "--json"))
    done = run("check", recorded(tmp_path, step_s=step_s), "--json")
    assert "clock was set while this was recorded" in done.err
    assert rules(done) == expected
    assert expected["position_sent"][0] == "ok"
