"""The evidence: how a stream lost what it lost, both ends, log and stream together."""

import numpy as np
import pytest

from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.evidence import Answers, Evidence
from rtcmtool.diagnosis.evidence_gathering import gather, is_rovers_own
from rtcmtool.diagnosis.evidence_link import LinkRecord, link_pattern, matched
from rtcmtool.diagnosis.evidence_stream import STALE_S
from rtcmtool.monitor.rover_log import RoverLog
from rtcmtool.monitor.staleness import Ageing
from rtcmtool.monitor.stream_state import StreamState
from rtcmtool.simulation.faults import make_fault
from rtcmtool.simulation.run import Piece, Port, Simulation
from tests.diagnosis.simulated_faults import (
    Shown,
    evidence_of,
    heard,
    playing,
    rover_log,
)


@pytest.mark.slow
def test_a_weak_path_damages_frames_and_loses_long_ones_first() -> None:
    link = evidence_of(playing(make_fault("weak-radio", severity=3e-4)), Shown()).link
    assert link is not None
    assert link.damaged_share > 0.05
    assert link.long_lost_first
    assert link.lost_part > 2 * link.lost_whole
    short, long = link.classes[0], link.classes[-1]
    # (1-p)^n: a frame of 33 bytes at 3e-4 is lost with 8 %, one of 175 bytes with 34 %.
    assert short.share == pytest.approx(0.06, abs=0.06)
    assert long.share == pytest.approx(0.34, abs=0.06)


@pytest.mark.slow
def test_a_busy_channel_loses_whole_seconds_in_bursts_without_damage() -> None:
    link = evidence_of(playing(make_fault("busy-channel")), Shown()).link
    assert link is not None
    assert link.damaged == 0
    assert link.lost_whole > 3 * link.lost_part
    assert link.bunching > 1.5
    assert not link.long_lost_first


@pytest.mark.slow
def test_gaps_are_tied_to_the_restarts_behind_them() -> None:
    link = evidence_of(playing(make_fault("dead-battery", 40.0)), Shown()).link
    assert link is not None
    assert link.restarts == link.tied_restarts == 3
    assert link.silence_s < 2


@pytest.mark.slow
def test_a_slow_radio_falls_behind_and_a_good_one_keeps_its_pace() -> None:
    slow = evidence_of(playing(make_fault("too-much")), Shown()).link
    good = evidence_of(playing(), Shown()).link
    assert slow is not None
    assert good is not None
    assert slow.lag_growth_s is not None
    assert good.lag_growth_s is not None
    assert slow.lag_growth_s > 2.0
    assert good.lag_growth_s < 0.2
    assert not good.loses


@pytest.mark.slow
def test_both_ends_are_matched_by_content_over_the_time_that_both_were_heard() -> None:
    pieces = list(Simulation(playing(make_fault("long-lost", severity=150.0))).pieces())
    base, rover = (heard(pieces, port)[1] for port in (Port.BASE, Port.ROVER))
    air = matched(base, rover)
    assert air.heard == sum(len(data) <= 150 for data in base.frames)
    assert air.classes[-1].heard == 0
    assert air.classes[-1].lost == air.classes[-1].sent > 100
    assert matched(base, LinkRecord(keeps_frames=True)).sent == 0


def test_an_empty_record_tells_nothing() -> None:
    state = StreamState()
    state.finish()
    link = link_pattern(LinkRecord(), state)
    assert (link.due, link.frames, link.loses, link.long_lost_first) == (0, 0, False, False)
    assert link.lag_growth_s is None


@pytest.mark.slow
def test_a_clean_stream_of_an_untold_place_stands_for_the_rover_only_where_its_log_agrees() -> None:
    pieces = list(Simulation(playing(make_fault("weak-radio", severity=1e-3))).pieces())
    untold = gather_of(pieces, Port.BASE)
    assert untold.link is not None
    assert not untold.link.loses
    assert untold.rover_link is None
    told = gather_of(pieces, Port.BASE, heard_at="rover")
    assert told.rover_link is told.link
    lossy = gather_of(pieces, Port.ROVER)
    assert lossy.rover_link is lossy.link


def gather_of(pieces: list[Piece], port: Port, heard_at: str | None = None) -> Evidence:
    state, record = heard(pieces, port)
    return gather(Context.for_site(state, None), record, heard_at=heard_at, log=rover_log(pieces))


@pytest.mark.slow
def test_the_rovers_own_measurements_are_known_from_the_bases_stream() -> None:
    pieces = list(Simulation(playing()).pieces())
    assert is_rovers_own(gather_of(pieces, Port.RAW))
    assert not is_rovers_own(gather_of(pieces, Port.ROVER))


@pytest.mark.slow
def test_distance_and_height_difference_are_measured_unless_told() -> None:
    scenario = playing()
    found = evidence_of(scenario, Shown())
    assert scenario.rover is not None
    line_m = float(np.hypot(np.hypot(scenario.rover.east_m, scenario.rover.north_m), 34.0))
    assert found.line_m == pytest.approx(line_m, abs=0.5)
    # The earth falls off by d^2 / 2R, 0.24 m at 1.7 km.
    assert found.height_difference_m == pytest.approx(-34.0 + 0.24, abs=0.1)
    told = evidence_of(scenario, Shown(answers=Answers(distance_km=7.5)))
    assert told.line_m == 7500.0


def test_a_log_alone_tells_what_was_never_used() -> None:
    log = RoverLog()
    log.finish()
    empty = Evidence(log=log)
    assert empty.columns is None
    assert not empty.never_used
    assert empty.problem.text == "no rover log"


@pytest.mark.slow
def test_corrections_are_fresh_for_as_long_as_this_bases_measured_ageing_bears_them() -> None:
    # The reference computations: fixing gets hard when the change passes about 10 mm on L1.
    late = playing(make_fault("late", severity=7.0))
    measured = evidence_of(late, Shown())
    assert measured.ages is not None
    assert measured.ageing is not None
    assert STALE_S < measured.ages.median_s < measured.stale_s == measured.ageing.hard_s
    assert measured.is_fresh
    alone = evidence_of(late, Shown("none"))
    assert alone.stale_s == STALE_S
    assert not alone.is_fresh


@pytest.mark.parametrize(
    ("rms_m", "oldest_s", "stale_s"),
    [
        ((0.002, 0.012, None, None, None), 5, 1 + 4 * 8 / 10),  # 10 mm between 1 and 5 s
        ((0.001, 0.002, 0.003, None, None), 10, 10.0),  # never hard as far as it was measured
        ((0.001, None, None, None, None), 1, STALE_S),  # of a second nothing follows
        (None, 0, STALE_S),
    ],
)
def test_stale_is_what_was_measured_else_what_is_assumed(
    rms_m: tuple[float | None, ...] | None, oldest_s: int, stale_s: float
) -> None:
    evidence = Evidence()
    ageing = None if rms_m is None else Ageing(rms_m, rms_m, {}, {}, oldest_s, 60.0)
    evidence.__dict__["ageing"] = ageing  # as measured
    assert evidence.stale_s == pytest.approx(stale_s, abs=0.01)


@pytest.mark.slow
def test_a_storm_makes_corrections_stale_before_the_assumed_age() -> None:
    evidence = evidence_of(playing(make_fault("storm", severity=25.0), duration_s=200.0), Shown())
    assert 0 < evidence.stale_s < STALE_S
