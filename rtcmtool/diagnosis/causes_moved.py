"""Causes 19 and 20, and the averaged base: one base, that stands still."""

from typing import Any

from rtcmtool.diagnosis.base_rules import main_station
from rtcmtool.diagnosis.causes import Case, cause
from rtcmtool.diagnosis.evidence import Evidence, names
from rtcmtool.diagnosis.finding import Finding, State
from rtcmtool.diagnosis.lengths import distance
from rtcmtool.diagnosis.problem import CHECK_LIMITS
from rtcmtool.monitor.base_station import Station
from rtcmtool.monitor.rover_statistics import LEAST_STEP_M, STEP_SIGMAS, PlaceStep, place_step

_AVERAGES_M = (0.05, 50.0)  # by which two averages of one place differ: common practice metres
_TIED_MS = 60_000  # a position follows a restart within the interval of its message


def first_blunder(finding: Finding | None) -> dict[str, Any] | None:
    """Give the first blunder behind an offset from the mark."""
    blunders = (finding.values or {}).get("blunders") if finding is not None else None
    return blunders[0] if blunders else None


def _station(evidence: Evidence) -> Station | None:
    return None if evidence.base is None else main_station(evidence.base)


@cause(
    "two bases on the channel, or a changed number",
    do=(
        "one channel, one base: change the channel or agree with the other crew",
        "lock the rover to one station number",
    ),
    proves_it="one station number alone in the stream and at the rover",
    basis="two numbers, or two positions under one: common practice; RTCM 10403.x",
    limits=("rule one_base: two numbers, or two positions under one, in turn",),
)
def two_bases(evidence: Evidence, case: Case) -> None:
    """Look for a second base.

    For it: two station numbers; one number with two positions in turn; a station number that
    changes at the rover. Ruled out by one number in the stream, and at the rover.
    """
    bad = evidence.bad("one_base")
    far = evidence.far
    stations = set() if evidence.stream is None else set(evidence.stream.state.base.stations)
    strangers = (set(far.state.base.stations) - stations) if far is not None else set()
    if strangers:
        case.proof(f"base {names(sorted(strangers))} is heard at the rover too")
    if bad is not None and (bad.value or 0.0) > 1:
        case.proof(f"stations heard: {bad.text}", bad.since)
    elif bad is not None and alternates(evidence):
        case.proof(f"station {bad.text}, in turn", bad.since)
    log = evidence.log
    if log is not None and len(log.stations) > 1:
        numbers = names(sorted(log.stations))
        text = f"the rover's corrections change between stations {numbers}"
        times = "once" if log.station_changes == 1 else f"{log.station_changes} times"
        case.sign("rover", f"{text}, {times}")
    if case.proofs or case.signs:
        return
    if evidence.state("one_base") is State.OK:
        case.absent(f"one station: {evidence.findings['one_base'].text}")
    elif log is not None and len(log.stations) == 1:
        case.absent(f"one station at the rover: {names(log.stations)}")
    elif bad is not None:
        case.absent("the position changed once: no second base")
    else:
        case.lack("the stream, or a rover's log with station numbers")


def alternates(evidence: Evidence) -> bool:
    """Tell whether positions under one number come in turn."""
    heard = evidence.far or evidence.base
    station = None if heard is None else main_station(heard)
    if station is None or len(station.positions) < 2:
        return False
    distinct = len({position.arp_ecef_m for position in station.positions})
    return len(station.positions) > distinct or bool(evidence.bad("epochs_single"))


def new_average(evidence: Evidence) -> float | None:
    """Give by how much the position changed once, if a restart went before; m."""
    station, link = _station(evidence), evidence.link
    if station is None or len(station.positions) < 2 or alternates(evidence) or link is None:
        return None
    change_m = station.largest_change_m
    is_like = _AVERAGES_M[0] <= change_m <= _AVERAGES_M[1]
    return change_m if is_like and _follows_restart(evidence, station) else None


def _follows_restart(evidence: Evidence, station: Station) -> bool:
    """Tell whether the new position came within a minute behind a restart or a gap."""
    assert evidence.base is not None
    state = evidence.base.state
    moved_ms = station.positions[1].time_ms
    moved_ns = state.clock.utc_ns(moved_ms)
    for restart in state.signals.locks.restarts:
        restart_ns = state.clock.utc_ns_of_epoch(restart)
        if moved_ns is None or restart_ns is None:
            continue
        if -_TIED_MS <= (moved_ns - restart_ns) / 1e6 <= _TIED_MS:
            return True
    return False


@cause(
    "the base was moved, bumped or restarted",
    do=(
        "look at bubble and plummet, tape the height again",
        "measure the check mark again; repeat the points since the last good check",
    ),
    proves_it="bubble off, or a second height that differs from the first",
    basis="lock times or places that jump once: common practice; US Army survey manuals",
    limits=(
        "rule lock_restart, once; rule position_steady",
        f"a standing rover steps by {1000 * LEAST_STEP_M:g} mm and {STEP_SIGMAS:g} sigma",
        "two taped heights that differ by 5 mm",
    ),
)
def base_moved(evidence: Evidence, case: Case) -> None:
    """Look for a base that did not stand still.

    For it: one restart, behind a gap; a sent position that changed once; a standing, fixed rover
    that stepped; a check shot off although the position is the mark's; two taped heights that
    differ. Against it: restarts again and again, which is power. Ruled out by none of these.
    """
    link = evidence.link
    if link is not None and link.restarts == 1:
        since = evidence.findings["lock_restart"].since
        case.sign("locks", "all lock times fell to zero together, once", since)
        if link.tied_restarts:
            case.sign("gap", "behind a gap: the base was down")
    station = _station(evidence)
    if station is not None and len(station.positions) > 1 and not alternates(evidence):
        text = f"the sent position changed by {distance(station.largest_change_m)}"
        case.sign("position", text)
    step = _step(evidence)
    if step is not None:
        case.sign(
            "place", f"the standing rover stepped by {distance(step.plan_m)} and stayed there"
        )
    shot = evidence.check_shot
    if shot is not None and shot.fails and evidence.state("position_matches_mark") is State.OK:
        case.sign("check", f"{shot.text}, although the sent position is the mark's")
    first, second = (
        evidence.sheet.antenna.vertical_height_m,
        evidence.sheet.antenna.second_vertical_height_m,
    )
    if first is not None and second is not None and abs(first - second) > 0.005:
        case.sign("tape", f"two taped heights differ by {distance(abs(first - second))}")
    if case.signs:
        return
    if evidence.columns is None and shot is None:
        case.lack("a check shot, or a rover's log")
    elif link is not None and link.restarts == 0:
        case.absent("no restart, no step")
    else:
        case.lack("a check shot (--check-shot PLAN,HEIGHT)")


def _step(evidence: Evidence) -> PlaceStep | None:
    """Give the step of a standing rover that no change of the sent position explains."""
    station = _station(evidence)
    changed = station is not None and len(station.positions) > 1
    two = evidence.log is not None and len(evidence.log.stations) > 1
    if evidence.columns is None or changed or two:
        return None
    return place_step(evidence.columns)


@cause(
    "the base stands on an averaged position",
    do=(
        "tie the rover to at least three control marks (site calibration) before the first point",
        "or set the base on a known mark",
    ),
    proves_it="the check shot agrees after a site calibration",
    basis="averages of minutes are metres off, and others each day: common practice",
    limits=(
        f"changed once by {_AVERAGES_M[0]} to {_AVERAGES_M[1]:g} m within a minute of a restart",
        "rule position_matches_earlier",
        CHECK_LIMITS,
    ),
)
def base_averaged(evidence: Evidence, case: Case) -> None:
    """Look for a position that the base measured itself.

    For it: the site sheet says so, and a check fails; a position that changed at a restart; an
    offset from the mark that looks like an average. Against it: nothing. Ruled out by the mark.
    """
    averaged = evidence.sheet.is_averaged
    shot = evidence.check_shot
    earlier = evidence.wrong("position_matches_earlier")
    changed_m = new_average(evidence)
    if changed_m is not None:
        text = f"the position changed by {distance(changed_m)} when the base restarted"
        case.proof(text, evidence.findings["position_steady"].since)
    if averaged and shot is not None and shot.fails:
        case.proof(f"the site sheet says averaged; {shot.text}")
    elif averaged and earlier is not None:
        case.proof(f"the site sheet says averaged; against earlier captures {earlier.text}")
    blunder = first_blunder(evidence.bad("position_matches_mark"))
    if blunder is not None and "averaged" in blunder["names"]:
        case.sign("mark", "the offset from the mark is like that of an average of minutes")
    if earlier is not None and not averaged:
        case.sign("earlier", f"position against earlier captures: {earlier.text}")
    if case.proofs or case.signs:
        return
    if averaged:
        case.lack("a check shot: on an averaged position points need a site calibration")
    elif evidence.state("position_matches_mark") in {State.OK, State.WATCH}:
        case.absent("the position is that of the mark")
    elif evidence.bad("position_matches_mark") is not None:
        case.absent("the offset from the mark is not like that of an average")
    else:
        case.lack("a site sheet with the known mark, or earlier captures (--against)")


CAUSES = (two_bases, base_moved, base_averaged)
