"""A simulated capture has the companions of a recorded one, and they tell the injected truth."""

from dataclasses import replace
from pathlib import Path

import pytest

from rtcmtool.captures import open_capture
from rtcmtool.captures.pacing import MAX_SPEED
from rtcmtool.captures.reading import Capture
from rtcmtool.diagnosis.context import Context
from rtcmtool.monitor.live_state import LiveState
from rtcmtool.monitor.stream_state import StreamState
from rtcmtool.running.judging import Judging
from rtcmtool.running.recording import JUDGE_EVERY_S
from rtcmtool.running.scanning import EventScan
from rtcmtool.running.session import Session
from rtcmtool.running.simulated_recording import FollowedRecorder
from rtcmtool.running.timeline import Timeline, place_of
from rtcmtool.simulation.builtin_scenarios import builtin_scenario
from rtcmtool.simulation.faults import Fault, make_fault, parse_fault
from rtcmtool.simulation.playing import Clock, play
from rtcmtool.simulation.scenario import Rover, Scenario

HEALTHY = builtin_scenario("healthy")
INTERVAL_S = 1.0
STILL = Clock(lambda: 0, lambda: 0.0, lambda _: None)


def recorded(folder: Path, duration_s: float, *faults: Fault, clock: Clock = STILL) -> Capture:
    scenario = replace(HEALTHY, duration_s=duration_s, faults=faults)
    return open_capture(played(folder, scenario, clock)[0])


def played(folder: Path, scenario: Scenario, clock: Clock = STILL) -> list[Path]:
    recorder = FollowedRecorder(folder / "ours", scenario, clock.monotonic())
    play(scenario, clock, speed=MAX_SPEED, recorder=recorder)
    return recorder.paths


def seconds(utc_ns: int) -> float:
    return (utc_ns - HEALTHY.start_utc_ns) / 1e9


@pytest.mark.slow
def test_a_silence_stands_in_the_outages_and_in_the_events_as_it_was_injected(
    tmp_path: Path,
) -> None:
    capture = recorded(tmp_path, 60.0, parse_fault("silence@30s+14s"))
    (row,) = capture.outages
    assert row.kind == "silence"
    assert seconds(row.start_utc_ns) == pytest.approx(30, abs=INTERVAL_S)
    assert seconds(row.end_utc_ns) == pytest.approx(44, abs=INTERVAL_S)
    start, *rest = capture.events
    assert (start.kind, start.values) == (
        "start",
        {"simulated": True, "clock_trusted": True, "monitored": True},
    )
    states = [event.values["state"] for event in rest if event.kind == "outage"]
    assert states == ["open", "ended"]
    assert capture.description is not None
    assert capture.description.simulated


@pytest.mark.slow
def test_a_silence_at_the_end_lasts_to_the_end(tmp_path: Path) -> None:
    capture = recorded(tmp_path, 50.0, parse_fault("silence@30s+40s"))
    (row,) = capture.outages
    assert row.note == "open at end of recording"
    assert seconds(row.end_utc_ns) == pytest.approx(50, abs=0.01)


@pytest.mark.slow
def test_the_times_are_those_of_a_computer_whose_clock_is_wrong(tmp_path: Path) -> None:
    capture = recorded(tmp_path, 12.0, make_fault("clock-off"))
    description = capture.description
    assert description is not None
    assert description.start_utc_ns == HEALTHY.start_utc_ns + 71 * 10**9
    assert description.end_utc_ns == description.start_utc_ns + 12 * 10**9
    assert capture.events[0].values["clock_trusted"] is False
    assert 0 < seconds(int(capture.arrivals.utc_ns[0])) - 71 < 1
    assert not capture.outages


@pytest.mark.slow
def test_a_clock_that_is_set_meanwhile_is_an_event_and_no_outage(tmp_path: Path) -> None:
    capture = recorded(tmp_path, 50.0, parse_fault("clock-off@30s+60s:600"))
    assert not capture.outages
    (step,) = [event for event in capture.events if event.kind == "clock-step"]
    assert step.values["step_s"] == pytest.approx(600, abs=0.01)


@pytest.mark.slow
def test_the_clock_of_the_machine_changes_nothing(tmp_path: Path) -> None:
    faults = (parse_fault("silence@20s+8s"),)
    now = iter(range(10_000))
    moving = Clock(lambda: 0, lambda: 7.0 * next(now), lambda _: None)
    for name, clock in (("a", STILL), ("b", moving)):
        (tmp_path / name).mkdir()
        recorded(tmp_path / name, 40.0, *faults, clock=clock)
    for path in (tmp_path / "a").iterdir():
        assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes()


@pytest.mark.slow
def test_a_scan_of_the_bytes_finds_what_was_written(tmp_path: Path) -> None:
    faults = (parse_fault("silence@30s+14s"), parse_fault("two-bases@60s+60s"))
    capture = recorded(tmp_path, 100.0, *faults)
    told = [place_of(event) for event in capture.events if place_of(event)]
    assert {"outage: silent", "finding: one base only: 88, 417"} <= {t[1] for t in told if t}

    def make() -> Session:
        live = LiveState(HEALTHY.start_utc_ns, 0.0, clock_trusted=True)
        context = Context.for_site(StreamState(), None, at="rover", live=True, clock_trusted=True)
        return Session(live, None, [Judging(context, JUDGE_EVERY_S)])

    scan = EventScan(Timeline(capture), make)
    scan.run()
    assert [(mark.utc_ns // 1000, mark.text) for mark in scan.marks] == [
        (place[0] // 1000, place[1]) for place in told if place
    ]


@pytest.mark.slow
def test_the_rovers_own_capture_is_followed_too(tmp_path: Path) -> None:
    scenario = replace(HEALTHY, duration_s=70.0, rover=Rover())
    base, raw, _ = played(tmp_path, scenario)
    assert not open_capture(base).outages
    (row,) = open_capture(raw).outages  # raw measurements hold no position of a base
    assert row.kind == "no-position"
