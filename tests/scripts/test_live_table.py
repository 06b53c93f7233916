"""The live table says so when a file is not the truth, and passes what is."""

import os
from dataclasses import replace
from pathlib import Path

import live_table
import pytest
from live_cells import (
    CASES,
    MONITOR_GAP,
    WAYS,
    Booked,
    Cell,
    Plan,
    differences,
    found_in,
    judge,
    scenario_of,
    truth_of,
)
from live_ways import Sent, TcpWay

from rtcmtool.captures import CaptureWriter, Description, Event, OutageRow, open_capture
from rtcmtool.simulation.run import simulate

SECOND_NS = 1_000_000_000
T0_NS = 1_790_000_000 * SECOND_NS
PLAN = Plan(before_s=20.0, length_s=10.0, after_s=10.0)
OBSERVATION = bytes.fromhex("d30008 432000 00") + bytes(8)  # number 1074
POSITION = bytes.fromhex("d30008 3ee000 00") + bytes(8)  # number 1006


def at(seconds: float) -> int:
    return T0_NS + round(seconds * SECOND_NS)


def booked(kind: str, start_s: float, end_s: float) -> Booked:
    return Booked(kind, at(start_s), at(end_s))


SILENCE = booked("silence", 19.3, 30.3)


def test_a_file_that_holds_the_truth_passes() -> None:
    assert differences((SILENCE,), (SILENCE,), 1.0) == ()
    assert differences((), (), 1.0) == ()
    assert differences((SILENCE,), (booked("silence", 20.2, 29.4),), 1.0) == ()


@pytest.mark.parametrize(
    ("found", "words"),
    [
        ((booked("garbled", 19.3, 30.3),), "garbled instead of silence"),
        ((booked("silence", 20.4, 30.3),), "start +1.10 s off"),
        ((booked("silence", 18.2, 30.3),), "start -1.10 s off"),
        ((booked("silence", 19.3, 31.4),), "end +1.10 s off"),
        ((), "0 booked instead of 1: none"),
        ((SILENCE, booked("late", 31.0, 37.0)), "2 booked instead of 1: silence, late"),
        ((booked("silence", 19.3, 26.0), booked("silence", 26.0, 30.3)), "2 booked instead of 1"),
    ],
)
def test_a_file_that_does_not_hold_the_truth_fails(found: tuple[Booked, ...], words: str) -> None:
    (fault,) = differences((SILENCE,), found, 1.0)
    assert fault.startswith(words)


def test_a_monitor_gap_that_is_booked_as_an_outage_fails() -> None:
    gap = booked(MONITOR_GAP, 20.0, 32.0)
    assert differences((gap,), (booked("silence", 20.0, 32.0),), 1.0)
    assert differences((gap,), (booked("silence", 19.3, 32.3), gap), 1.0)
    assert differences((), (gap,), 1.0)


def way_of(*left_out: range, late_s: float = 0.0) -> TcpWay:
    """Note a base that sends 0.3 s behind each second, and a position every 5 s 0.2 s behind."""
    way = TcpWay()
    for second in range(110):
        if any(second in span for span in left_out):
            continue
        if second % 5 == 0:
            way.sent.append(Sent(at(second + 0.2 + late_s), POSITION))
        way.sent.append(Sent(at(second + 0.3 + late_s), OBSERVATION))
    return way


@pytest.mark.parametrize("case", ["silence", "garbled"])
def test_truth_of_a_fault_lies_between_the_whole_epochs_around_it(case: str) -> None:
    # Garbled bytes are sent as others are: the fault itself says which.
    way = way_of(range(20, 30)) if case == "silence" else way_of()
    assert truth_of(case, PLAN, T0_NS, way) == (booked(case, 19.3, 30.3),)


def test_truth_of_a_position_that_is_missed_begins_a_minute_after_the_last_one() -> None:
    way = way_of()
    way.sent = [
        sent for sent in way.sent if sent.data is not POSITION or not at(20) < sent.utc_ns < at(90)
    ]
    assert truth_of("no-position", PLAN, T0_NS, way) == (booked("no-position", 75.2, 90.2),)


def test_truth_of_lateness_ends_where_what_waited_behind_it_comes() -> None:
    way = way_of(range(20, 110))
    way.sent += [Sent(at(second + 6.3), OBSERVATION) for second in range(20, 30)]
    way.sent += [Sent(at(max(35.3, second + 0.3)), OBSERVATION) for second in range(30, 40)]
    assert truth_of("late", PLAN, T0_NS, way) == (
        booked("silence", 19.3, 26.3),
        booked("late", 26.3, 35.3),
    )


def test_truth_of_a_healthy_base_is_nothing_and_of_a_cut_what_was_cut() -> None:
    way = way_of()
    assert truth_of("healthy", PLAN, T0_NS, way) == ()
    way.returns, way.losses = [at(-2.0), at(33.1)], [at(20.1)]
    assert truth_of("interrupted", PLAN, T0_NS, way) == (booked(MONITOR_GAP, 20.1, 33.1),)


def written(folder: Path, data: bytes = b"") -> CaptureWriter:
    writer = CaptureWriter(folder / "job", Description("test", "0", T0_NS), monotonic_s=0.0)
    if data:
        writer.write(data, at(1.0))
    return writer


def test_outages_and_monitor_gaps_are_found_in_a_capture(tmp_path: Path) -> None:
    writer = written(tmp_path)
    writer.event(Event(at(40.0), "monitor-gap", "gone", {"state": "open"}))
    writer.event(Event(at(47.0), "monitor-gap", "gone", {"state": "ended"}))
    writer.event(Event(at(60.0), "monitor-gap", "gone", {"state": "open"}))
    writer.outage(OutageRow(at(50.0), at(58.0), 8.0, "late"))
    writer.close(at(70.0))
    assert found_in(open_capture(tmp_path / "job.rtcm3")) == (
        booked(MONITOR_GAP, 40.0, 47.0),
        booked("late", 50.0, 58.0),
        booked(MONITOR_GAP, 60.0, 60.0),
    )


def test_bytes_that_are_not_those_sent_fail(tmp_path: Path) -> None:
    way = way_of()
    data = b"".join(sent.data for sent in way.sent)
    written(tmp_path, data).close(at(110.0))
    path = tmp_path / "job.rtcm3"
    assert judge("healthy", PLAN, way, T0_NS, path).faults == ()
    path.write_bytes(data[:-1] + b"x")
    spoiled = judge("healthy", PLAN, way, T0_NS, path)
    assert spoiled.faults == (f"{len(data)} bytes recorded, {len(data)} sent",)
    assert not spoiled.bytes_equal


PASSED = Cell("no-position", "ntrip 2", T0_NS, (SILENCE,), (SILENCE,), True, ())
FAILED = replace(PASSED, found=(), bytes_equal=False, faults=("0 booked instead of 1: none",))


@pytest.mark.parametrize(("cells", "code"), [([PASSED, PASSED], 0), ([PASSED, FAILED], 1)])
def test_one_cell_that_fails_fails_the_table(
    cells: list[Cell],
    code: int,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr(live_table, "run_all", lambda *_: cells)
    assert live_table.main([]) == code
    out = capsys.readouterr().out
    assert f"2 cells, {code} failed" in out
    assert ("! no-position over ntrip 2: 0 booked instead of 1: none" in out) is (code == 1)
    assert all(len(line) <= 80 for line in out.splitlines())


def test_a_line_tells_truth_booking_error_and_bytes() -> None:
    near = booked("silence", 19.25, 30.5)
    cell = replace(PASSED, found=(near,))
    (line,) = live_table.lines_of(cell)
    told = " ".join(line.split())
    assert told == "silence ntrip 2 19.30 30.30 silence 19.25 30.50 -0.05 +0.20 equal"
    assert live_table.lines_of(FAILED)[0].split()[-2:] == ["none", "DIFFER"]
    both = replace(PASSED, found=(near, booked("no-position", 1000.0, 1200.0)))
    assert [len(text) <= 80 for text in live_table.lines_of(both)] == [True, True]


@pytest.mark.parametrize("arguments", [["--case", "rain"], ["--way", "udp"]])
def test_what_there_is_not_is_refused(
    arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        live_table.main(arguments)
    assert ended.value.code == 2
    assert "there is no" in capsys.readouterr().err


@pytest.mark.parametrize("interval_s", [0.5, 1.0])
def test_what_belongs_to_an_epoch_is_sent_before_the_next(interval_s: float) -> None:
    scenario = scenario_of("healthy", Plan(5.0, 5.0, 5.0, interval_s))
    delays_s = [
        (chunk.utc_ns[0] - scenario.start_utc_ns) / 1e9 % interval_s for chunk in simulate(scenario)
    ]
    # A message that came later than the next epoch would stand near its beginning.
    assert min(delays_s) > 0.05
    assert max(delays_s) < 0.9 * interval_s


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals here")
def test_a_short_healthy_base_passes_over_every_way(capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["--case", "healthy", "--before", "2", "--length", "1", "--after", "1"]
    assert live_table.main(arguments) == 0
    assert capsys.readouterr().out.count("equal") == len(WAYS)


@pytest.mark.slow
def test_a_recorder_that_does_not_start_fails_its_cell(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(TcpWay, "source", "no-scheme://here")
    (cell,) = live_table.run_all([("healthy", "tcp")], PLAN, tmp_path)
    assert not cell.bytes_equal
    assert cell.faults[0].startswith("the recorder ended with 2: rtcmtool: ")


def test_the_table_holds_every_kind_that_must_be_shown() -> None:
    assert set(CASES) >= {"healthy", "silence", "garbled", "no-position", "late"}
