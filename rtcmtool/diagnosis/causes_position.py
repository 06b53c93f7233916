"""Causes 15 to 18: is it right? The position that is sent, antenna height and antenna."""

from rtcmtool.diagnosis.causes import Case, cause
from rtcmtool.diagnosis.causes_moved import alternates, first_blunder, new_average
from rtcmtool.diagnosis.evidence import Evidence
from rtcmtool.diagnosis.finding import Finding, State
from rtcmtool.diagnosis.guesses import KIND_UNTOLD
from rtcmtool.diagnosis.lengths import distance
from rtcmtool.diagnosis.problem import CHECK_LIMITS

FAR_M = 500.0  # up to it a rover still fixes: contract of `diagnose`, computed for usual lines
_FAR_FROM_ROVER_M = 100_000.0
_MODEL_M = (0.02, 0.12)  # what antenna models differ by in height: EUREF, 5 to 10 cm
_HEIGHT_BLUNDERS = frozenset(
    {"height_left_out", "height_twice", "height_in_feet", "slant_as_vertical", "phase_centre"}
)
_CODE_IS_RIGHT_M = 50.0  # a short code solution is good enough to rule hundreds of metres out


def _mark_offset_m(finding: Finding | None) -> tuple[float, float] | None:
    """Give how far off plan and height are from the mark, m."""
    values = finding.values if finding is not None else None
    if not values or "plan" not in values:
        return None
    return abs(values["plan"]) / 1000, abs(values["height"] or 0.0) / 1000


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
    if (case.proofs or case.signs) and alternates(evidence):
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
        blunder = first_blunder(bad_mark)
        other_names = set(blunder["names"]) - _HEIGHT_BLUNDERS if blunder else set()
        if blunder is None or other_names or offset[0] > 0.02:
            text = f"position against the mark: {bad_mark.text}"
            if blunder is not None and set(blunder["names"]) == {KIND_UNTOLD}:
                case.sign("mark", text)  # it may be the sheet that is wrong
            else:
                case.proof(text)
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
    if (case.proofs or case.signs) and new_average(evidence) is not None:
        case.doubt("the position changed when the base restarted, as averages do")
    if (case.proofs or case.signs) and alternates(evidence):
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
    blunder = first_blunder(mark)
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
        if alternates(evidence):
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


CAUSES = (base_far_wrong, base_slightly_wrong, antenna_height, antenna_model)
