"""`check` and `diagnose` of recordings: their end, and a clock that was set meanwhile."""

import shlex
import sys
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


def with_a_pause(folder: Path, *, before_s: float = 0.0, after_s: float = 0.0) -> Path:
    """Record two minutes of a base; for 40 s in between nobody listens.

    The base is silent for `before_s` before that, and for `after_s` when we listen again.
    """
    begin_s, end_s = 50.0, 90.0
    writer = CaptureWriter(folder / "job", Description("COM5", "0", T0_NS), monotonic_s=0.0)
    told = {"state": "open"}, {"state": "ended"}
    for at_s, data in timed(base_stream(2 * EPOCHS)):
        if at_s < begin_s - before_s:
            writer.write(data, utc_ns(at_s))
    writer.event(Event(utc_ns(begin_s), "monitor-gap", "not watching: it is gone", told[0]))
    writer.event(Event(utc_ns(end_s), "monitor-gap", "not watching: it is gone", told[1]))
    for at_s, data in timed(base_stream(2 * EPOCHS)):
        if at_s >= end_s + after_s:
            writer.write(data, utc_ns(at_s))
    writer.close(utc_ns(2 * EPOCHS))
    return writer.path


@pytest.mark.parametrize("command", ["check", "diagnose"])
def test_a_time_of_not_listening_in_between_is_no_fault_of_the_base(
    run: Runner, tmp_path: Path, command: str
) -> None:
    done = run(command, with_a_pause(tmp_path), "--json")
    found = rules(done)
    assert found["longest_gap"] == ("ok", "1 s")
    assert found["epochs_complete"][0] == "ok"
    assert found["position_sent"][0] == "ok"
    if command == "diagnose":
        by_name = {cause["cause"]: cause["confidence"] for cause in done.json["causes"]}
        assert by_name["no_link"] in {"ruled-out", "not-tested"}


@pytest.mark.parametrize("beside", ["before_s", "after_s"])
def test_a_silence_beside_a_time_of_not_listening_is_a_fault(
    run: Runner, tmp_path: Path, beside: str
) -> None:
    found = rules(run("check", with_a_pause(tmp_path, **{beside: 20.0}), "--json"))
    assert found["longest_gap"][0] == "bad"
    assert found["longest_gap"][1] in {"20 s", "21 s"}
    assert found["epochs_complete"][1].split(" (")[0] in {"60 of 80", "61 of 81", "60 of 81"}


@pytest.mark.skipif(sys.platform == "win32", reason="the quotes of another shell")
def test_a_command_that_is_shown_can_be_pasted(
    run: Runner, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "300")
    folder = tmp_path / "Süd & Übung"
    folder.mkdir()
    path = recorded(folder, silent_s=300.0)
    told = run("check", path).out.partition("\nNext  ")[2].partition("\n\n")[0]
    command = " ".join(told.split()).partition("rtcmtool ")[2]
    assert shlex.split(command) == ["decode", str(path), "--summary"]
