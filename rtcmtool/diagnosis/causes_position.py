"""Causes 15 to 20, and the averaged base: a right position, and one base that stands still."""

from typing import Any

from rtcmtool.diagnosis.base_rules import main_station
from rtcmtool.diagnosis.causes import Case, cause
from rtcmtool.diagnosis.evidence import Evidence, names
from rtcmtool.diagnosis.finding import Finding, State
from rtcmtool.diagnosis.lengths import distance
from rtcmtool.diagnosis.problem import CHECK_HEIGHT_M, CHECK_PLAN_M
from rtcmtool.monitor.base_station import Station
from rtcmtool.monitor.rover_statistics import LEAST_STEP_M, STEP_SIGMAS, PlaceStep, place_step

FAR_M = 500.0  # up to it a rover still fixes: contract of `diagnose`, computed for usual lines
_FAR_FROM_ROVER_M = 100_000.0
_AVERAGES_M = (0.05, 50.0)  # by which two averages of one place differ: common practice metres
_MODEL_M = (0.02, 0.12)  # what antenna models differ by in height: EUREF, 5 to 10 cm
_HEIGHT_BLUNDERS = frozenset(
    {"height_left_out", "height_twice", "height_in_feet", "slant_as_vertical", "phase_centre"}
)
_CODE_IS_RIGHT_M = 50.0  # a short code solution is good enough to rule hundreds of metres out
CHECK_LIMITS = (
    f"check shot off by {1000 * CHECK_PLAN_M:g} mm plan, {1000 * CHECK_HEIGHT_M:g} mm height, and "
    "1 mm a km"
)
_TIED_MS = 60_000  # a position follows a restart within the interval of its message


def _mark_offset_m(finding: Finding | None) -> tuple[float, float] | None:
    """Give how far off plan and height are from the mark, m."""
    values = finding.values if finding is not None else None
    if not values or "plan" not in values:
        return None
    return abs(values["plan"]) / 1000, abs(values["height"] or 0.0) / 1000


def _blunder(finding: Finding | None) -> dict[str, Any] | None:
    """Give the first blunder behind an offset from the mark."""
    blunders = (finding.values or {}).get("blunders") if finding is not None else None
    return blunders[0] if blunders else None


def _station(evidence: Evidence) -> Station | None:
    return None if evidence.base is None else main_station(evidence.base)


@cause(
    "the base's coordinates are far wrong",
    do=("type the right coordinates into the base; check degrees, sign, order, zone, datum",),
    proves_it="the sent position agrees with the base's own measurement to metres",
    basis="errors over 500 m bend the line by a quarter of a wave: computed; common practice",
    limits=(
        f"over {FAR_M:g} m by mark or by the base's own measurement",
        f"over {distance(_FAR_FROM_ROVER_M)} from the rover",
        "rule position_on_earth",
    ),
)
def base_far_wrong(evidence: Evidence, case: Case) -> None:
    """Look for coordinates that are hundreds of metres to thousands of kilometres wrong.

    For it: the sent position against the base's own code solution, against the mark, against the
    rover's stand-alone place. Against it: two positions under one number. Ruled out by a position
    that agrees with code or mark.
    """
    code, mark = evidence.bad("position_matches_code"), evidence.bad("position_matches_mark")
    nowhere = evidence.bad("position_on_earth")
    plan_m = float((code.values or {}).get("plan", 0.0)) if code is not None else 0.0
    height_m = abs(float((code.values or {}).get("height", 0.0))) if code is not None else 0.0
    offset = _mark_offset_m(mark)
    if nowhere is not None:
        case.proof(f"no base stands there: {nowhere.text}")
    if code is not None and max(plan_m, height_m) > FAR_M:
        case.proof(f"position {code.text} (its own measurement)")
    if mark is not None and offset is not None and max(offset) > FAR_M:
        case.proof(f"position against the mark: {mark.text}")
    line_m = evidence.measured_line_m
    if line_m is not None and line_m > _FAR_FROM_ROVER_M:
        case.sign("rover", f"the sent position lies {distance(line_m)} from the rover")
    if (case.proofs or case.signs) and _alternates(evidence):
        case.doubt("two positions come under one number: it may be another base's")
    if case.proofs or case.signs:
        return
    _right_so_far(evidence, case)


def _right_so_far(evidence: Evidence, case: Case) -> None:
    """Rule it out by what agrees."""
    code = evidence.findings.get("position_matches_code")
    values = (code.values or {}) if code is not None else {}
    if evidence.state("position_matches_mark") in {State.OK, State.WATCH}:
        case.absent(f"position = mark: {evidence.findings['position_matches_mark'].text}")
    elif code is not None and values.get("plan", FAR_M) < _CODE_IS_RIGHT_M:
        case.absent(f"position: {code.text}")
    elif evidence.bad("position_matches_code") or evidence.bad("position_matches_mark"):
        case.absent("less than 500 m off")
    elif evidence.uses_rtk and evidence.measured_line_m is not None:
        case.absent("the rover uses it")
    else:
        case.lack("ephemerides (--navigation FILE) or a site sheet with the mark")


@cause(
    "the base's coordinates are slightly wrong: every point is shifted",
    do=(
        "stop storing points; type the coordinates of the mark again, digit by digit",
        "measure the check mark again; correct the points stored so far (rtcmtool shift)",
    ),
    proves_it="the check shot agrees once the coordinates are right",
    basis="2 m of base error shift every point by 2 m, and the rover fixes: common practice",
    limits=(
        "rules position_matches_mark, position_matches_code, position_matches_earlier",
        f"up to {FAR_M:g} m",
        CHECK_LIMITS,
    ),
)
def base_slightly_wrong(evidence: Evidence, case: Case) -> None:
    """Look for coordinates that are wrong by up to 500 m.

    For it: the sent position against the mark; against the code solution; against earlier
    captures; a check shot that is off in plan. Against it: a position that changed with a restart,
    as averages do. Ruled out by a position that is the mark's.
    """
    mark = evidence.findings.get("position_matches_mark")
    bad_mark, code = evidence.bad("position_matches_mark"), evidence.bad("position_matches_code")
    offset = _mark_offset_m(bad_mark)
    if bad_mark is not None and offset is not None and max(offset) <= FAR_M:
        blunder = _blunder(bad_mark)
        other_names = set(blunder["names"]) - _HEIGHT_BLUNDERS if blunder else set()
        if blunder is None or other_names or offset[0] > 0.02:
            case.proof(f"position against the mark: {bad_mark.text}")
            if blunder is not None:
                case.first(f"look first at this: {blunder['text']}")
    elif code is not None:
        values = code.values or {}
        if max(values.get("plan", 0.0), abs(values.get("height", 0.0))) <= FAR_M:
            case.proof(f"position {code.text} (its own measurement)")
    earlier = evidence.bad("position_matches_earlier")
    if earlier is not None:
        case.sign("earlier", f"position against earlier captures: {earlier.text}")
    shot = evidence.check_shot
    mark_agrees = mark is not None and mark.state is State.OK
    if shot is not None and shot.plan_fails and not mark_agrees:
        case.sign("check", shot.text)
    if (case.proofs or case.signs) and _new_average(evidence) is not None:
        case.doubt("the position changed when the base restarted, as averages do")
    if (case.proofs or case.signs) and _alternates(evidence):
        case.doubt("two positions come under one number: it may be another base's")
    if mark_agrees and not case.signs:
        case.absent(f"position = mark: {mark.text if mark else ''}")
    elif mark is None or mark.state in {State.NOT_APPLICABLE, State.UNKNOWN}:
        case.lack("a site sheet with the known mark, or a check shot (--check-shot PLAN,HEIGHT)")
    elif not case.proofs and not case.signs:
        case.absent(f"in plan as the mark: {mark.text}")


@cause(
    "the antenna height is wrong",
    do=(
        "tape the height again, in metres and in feet; enter it in the base as it was taped",
        "correct the heights of the points stored so far",
    ),
    proves_it="the height of the check shot agrees with the new antenna height",
    basis="sent against taped height, check shot off in height alone: common practice",
    limits=(
        "rules antenna_height, position_matches_mark",
        CHECK_LIMITS,
    ),
)
def antenna_height(evidence: Evidence, case: Case) -> None:
    """Look for an antenna height that was typed wrong.

    For it: the sent height against the taped one; an offset from the mark that a height blunder
    explains; a height that no tripod has; a check shot off in height alone. Against it: a check
    shot that agrees. Ruled out by a height that agrees with the tape.
    """
    height, mark = evidence.findings.get("antenna_height"), evidence.bad("position_matches_mark")
    bad = evidence.bad("antenna_height")
    taped = evidence.sheet.antenna.vertical_height_m is not None
    blunder = _blunder(mark)
    if bad is not None and taped:
        case.proof(f"antenna height: {bad.text}")
    elif bad is not None:
        case.sign("sent", f"antenna height: {bad.text}")
    if blunder is not None and set(blunder["names"]) & _HEIGHT_BLUNDERS and mark is not None:
        note = case.proof if blunder["exact"] else lambda text: case.sign("mark", text)
        note(f"position against the mark: {mark.text}; {blunder['text']}")
    elif mark is not None and blunder is None:
        offset = _mark_offset_m(mark)
        if offset is not None and offset[0] <= 0.02 < offset[1]:
            case.sign("mark", f"position against the mark: {mark.text}")
    shot = evidence.check_shot
    if shot is not None and shot.height_fails and not shot.plan_fails:
        case.sign("check", shot.text)
    elif shot is not None and not shot.height_fails and (case.proofs or case.signs):
        case.doubt(shot.text)
    if case.proofs or case.signs:
        if _alternates(evidence):
            case.doubt("two positions come under one number: it may be another base's")
        return
    if height is not None and height.state is State.OK and taped:
        case.absent(f"antenna height: {height.text}")
    elif evidence.state("position_matches_mark") is State.OK:
        case.absent("the sent height is that of the mark and the antenna")
    else:
        case.lack("a taped height in the site sheet, or a check shot")


@cause(
    "the antenna model is wrong, or applied twice",
    do=(
        "choose the antenna that stands there, at the base and in the rover's list",
        "with a null antenna in the stream: no model of the base antenna in the rover",
    ),
    proves_it="the height of the check shot agrees with the right name at both ends",
    basis="5 to 10 cm in height when models are mixed: EUREF; common practice",
    limits=(
        "rule antenna_named",
        f"check shot off in height alone, by {1000 * _MODEL_M[0]:g} to {1000 * _MODEL_M[1]:g} mm",
    ),
)
def antenna_model(evidence: Evidence, case: Case) -> None:
    """Look for the name of another antenna.

    For it: a name that is not that of the sheet; an empty name or a null antenna; a check shot off
    by centimetres in height alone. Ruled out by the name of the sheet.
    """
    named = evidence.findings.get("antenna_named")
    if named is not None and named.state is State.BAD:
        case.proof(f"antenna name: {named.text}")
    elif named is not None and named.state is State.WATCH and _is_described(evidence):
        case.sign("name", f"antenna name: {named.text}")
    shot = evidence.check_shot
    height_alone = shot is not None and shot.height_fails and not shot.plan_fails
    if shot is not None and height_alone and _MODEL_M[0] <= abs(shot.height_m) <= _MODEL_M[1]:
        case.sign("check", shot.text)
    if case.proofs or case.signs:
        return
    if named is not None and named.state is State.OK and evidence.sheet.antenna.name:
        case.absent(f"antenna name: {named.text}")
    else:
        case.lack("the antenna's name in the site sheet")


def _is_described(evidence: Evidence) -> bool:
    return evidence.stream is not None and bool(evidence.stream.state.base.antennas)


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
    elif bad is not None and _alternates(evidence):
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


def _alternates(evidence: Evidence) -> bool:
    """Tell whether positions under one number come in turn."""
    heard = evidence.far or evidence.base
    station = None if heard is None else main_station(heard)
    if station is None or len(station.positions) < 2:
        return False
    distinct = len({position.arp_ecef_m for position in station.positions})
    return len(station.positions) > distinct or bool(evidence.bad("epochs_single"))


def _new_average(evidence: Evidence) -> float | None:
    """Give by how much the position changed once, if a restart went before; m."""
    station, link = _station(evidence), evidence.link
    if station is None or len(station.positions) < 2 or _alternates(evidence) or link is None:
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
    if station is not None and len(station.positions) > 1 and not _alternates(evidence):
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
    changed_m = _new_average(evidence)
    if changed_m is not None:
        text = f"the position changed by {distance(changed_m)} when the base restarted"
        case.proof(text, evidence.findings["position_steady"].since)
    if averaged and shot is not None and shot.fails:
        case.proof(f"the site sheet says averaged; {shot.text}")
    elif averaged and earlier is not None:
        case.proof(f"the site sheet says averaged; against earlier captures {earlier.text}")
    blunder = _blunder(evidence.bad("position_matches_mark"))
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


CAUSES = (
    base_far_wrong,
    base_slightly_wrong,
    antenna_height,
    antenna_model,
    two_bases,
    base_moved,
    base_averaged,
)
