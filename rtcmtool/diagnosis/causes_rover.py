"""Causes 21, 22, 25 and 26: far or high, and what rover and clocks themselves do wrong."""

from rtcmtool.diagnosis.causes import Case, cause
from rtcmtool.diagnosis.causes_satellites import MASKED, is_masked, unexplained_float
from rtcmtool.diagnosis.evidence import Evidence
from rtcmtool.diagnosis.finding import State
from rtcmtool.diagnosis.lengths import distance
from rtcmtool.diagnosis.problem import ProblemKind
from rtcmtool.diagnosis.wording import number, seconds, share
from rtcmtool.monitor.rover_log import FIXED

_USUAL_M, _LONG_M = 10_000.0, 20_000.0  # NGS single-base classes
_SLOW_FIX_S = 30.0  # common practice in the open, under 10 km
_HIGH_M, _LITTLE_M = 300.0, 200.0  # 100 m of height change the zenith delay by 35 mm
_CODE_ONLY = 2  # quality
_CLOCK_S = 10.0  # no link is so late, or only a broken one
_EARLY_S = -1.0
_KNOWN_OFFSETS_S = {
    18.0: "GPS time taken for UTC",
    14.0: "BeiDou time taken for GPS time",
    4.0: "BeiDou time taken for UTC",
    10_800.0: "GLONASS time taken for UTC",
}


@cause(
    "the line is long",
    do=("move the base nearer: under 10 km",),
    proves_it="fixes in seconds on a shorter line",
    basis="10 and 20 km: NGS single-base classes; common practice",
    limits=(
        f"over {distance(_LONG_M)}; with trouble over {distance(_USUAL_M)}",
        f"slow: the first fix after {seconds(_SLOW_FIX_S)} or never",
    ),
)
def long_baseline(evidence: Evidence, case: Case) -> None:
    """Look for a long line.

    For it: more than 20 km, or more than 10 km with trouble; a slow fix on it. Against it: other
    rovers fix as far away. Ruled out by less than 10 km.
    """
    line_m = evidence.line_m
    if line_m is None:
        case.lack("the distance (--distance KM, or a rover's log with the base's stream)")
        return
    text = f"the rover is {number(round(line_m / 1000, 1))} km from the base"
    troubled = evidence.is_troubled or _fixes_slowly(evidence)
    if not (line_m > _LONG_M or (line_m > _USUAL_M and troubled)):
        case.absent(text)
        return
    case.sign("distance", text)
    if _fixes_slowly(evidence):
        case.sign("rover", f"slow to fix: {_slow_text(evidence)}")


def _fixes_slowly(evidence: Evidence) -> bool:
    if evidence.columns is None or evidence.never_used:
        return False
    fixed_after_s = evidence.time_to_fix_s
    return fixed_after_s is None or fixed_after_s > _SLOW_FIX_S


def _slow_text(evidence: Evidence) -> str:
    fixed_after_s = evidence.time_to_fix_s
    return "never fixed" if fixed_after_s is None else f"first after {seconds(fixed_after_s)}"


@cause(
    "a large difference of height between base and rover",
    do=("put the base at a middle height of the site", "check heights at a mark near the rover"),
    proves_it="the height agrees at a mark near the base's own height",
    basis="100 m change the zenith delay by 35 mm, computed: common practice",
    limits=(f"over {_HIGH_M:g} m; under {_LITTLE_M:g} m it is ruled out",),
)
def height_difference(evidence: Evidence, case: Case) -> None:
    """Look for a rover far above or below the base.

    For it: more than 300 m of difference; a check shot off in height alone. Ruled out by less than
    200 m.
    """
    difference_m = evidence.height_difference_m
    if difference_m is None:
        case.lack("heights of both (a rover's log with the base's stream, or the site sheet)")
        return
    side = "above" if difference_m > 0 else "below"
    text = f"the rover is {abs(difference_m):.0f} m {side} the base"
    if abs(difference_m) <= _HIGH_M:
        if abs(difference_m) <= _LITTLE_M:
            case.absent(text)
        else:
            case.lack(f"a check shot at the rover's height: {text}")
        return
    case.sign("height", text)
    shot = evidence.check_shot
    if shot is not None and shot.height_fails and not shot.plan_fails:
        case.sign("check", shot.text)


@cause(
    "the rover's own settings",
    do=(
        "try a second rover on the same stream",
        "reset the rover's profile: mask 10 to 15 degrees, mode RTK, age limit 10 s or more",
        "see whether the RTK option is unlocked",
    ),
    proves_it="a second rover fixes on the same stream, at the same place",
    basis="no RTK or float on a clean and fresh stream, for ever: common practice",
    limits=(
        f"tracked: {MASKED} times the used satellites, and 3 more",
        "quality 2 for half of the time, or nothing used, on a whole, fresh and fit stream",
    ),
)
def rover_settings(evidence: Evidence, case: Case) -> None:
    """Look for a rover that is set up wrong.

    For it: satellites tracked and not used (mask); code differences on fresh corrections of enough
    satellites (mode); nothing used of a whole and fresh stream (age limit, option); float that
    nothing explains; the other rovers fix; no fix at 50 m. Against it: all rovers suffer. Ruled out
    by a fix.
    """
    if evidence.columns is None:
        case.lack("the rover's log (--rover)")
        return
    answers = evidence.answers
    if is_masked(evidence) and evidence.sky is not None:
        sky = evidence.sky
        case.sign(
            "mask", f"{sky.in_view:.0f} satellites tracked, only {sky.used:.0f} used: the mask?"
        )
        if evidence.is_troubled:
            case.sign("quality", "without a fix for lack of satellites that it tracks")
    _refuses(evidence, case)
    if unexplained_float(evidence):
        case.sign("rest", "float on a fit and fresh stream: rover or its site")
    if answers.all_rovers is False and evidence.is_troubled:
        case.sign("others", "the other rovers fix")
    if answers.fixes_at_50m is False and evidence.is_fit:
        case.sign("50 m", "no fix 50 m from the base either")
    if case.signs and answers.all_rovers:
        case.doubt("all rovers suffer")
    if case.signs and answers.fixes_at_50m:
        case.doubt("the rover fixes 50 m from the base")
    if case.signs:
        return
    if (evidence.columns.quality == FIXED).any():
        case.absent("the rover fixes with its settings")
    elif evidence.has_frames and not evidence.is_fit:
        case.absent("the stream has faults that explain it")
    elif not evidence.has_frames and evidence.never_used:
        case.sign("rover", "the rover uses nothing")
        case.lack("the base's stream")
    else:
        case.lack("the base's stream, whole and heard at the rover")


def _refuses(evidence: Evidence, case: Case) -> None:
    """Look for a rover that uses less than it could of a whole stream."""
    problem, columns = evidence.problem, evidence.columns
    if columns is None or problem.kind is not ProblemKind.NO_RTK or not evidence.is_fit:
        return
    if not evidence.is_whole:
        return
    code_only = int((columns.quality == _CODE_ONLY).sum())
    if evidence.never_used:
        text = "the rover uses nothing of a whole and fresh stream: age limit, mode or option?"
        case.sign("refuses", text)
    elif 2 * code_only > len(columns) and evidence.is_fresh:
        part = share(code_only, len(columns))
        case.sign("mode", f"quality 2 for {part} of the time on fresh corrections: code alone")
        if not is_masked(evidence):
            case.sign("satellites", "and with enough satellites for RTK")


@cause(
    "a wrong clock or date",
    do=("set this computer's clock and date; for a file give --date", "then look again"),
    proves_it="the delay is a second or two with the right clock",
    basis="delays of 18 s, 14 s, hours or days: common practice; GPS time is 18 s ahead of UTC",
    limits=(
        f"a delay of {seconds(_CLOCK_S)}, or {seconds(-_EARLY_S)} early",
        "a rover's log whole quarters of an hour off: by its satellites, else by begin and end",
    ),
)
def wrong_time(evidence: Evidence, case: Case) -> None:
    """Look for times that cannot be.

    For it: epochs that come before their time, or so late as no link is, while the rover's ages are
    fresh; a log in another time zone; orbits of another time. Ruled out by delays of seconds.
    """
    delay = evidence.findings.get("delay")
    mean_s = (delay.values or {}).get("mean_s") if delay is not None else None
    ages = evidence.ages
    off = mean_s is not None and (mean_s >= _CLOCK_S or mean_s <= _EARLY_S)
    if mean_s is not None and off:
        if not (ages is not None and ages.median_s > mean_s - 5.0 and mean_s > 0):
            case.sign("arrival", f"the stream seems {_offset(mean_s)}")
        if ages is not None and case.signs and ages.median_s < abs(mean_s) - 5.0:
            case.sign("rover", f"at the rover the corrections are {seconds(ages.median_s)} old")
    joint = evidence.joint
    if joint.kind == "zone":
        hours = number(joint.shift_s / 3600)
        case.sign("nmea", f"the rover's log is {hours} h ahead of the stream: another time zone")
    elif joint.kind == "apart":
        apart = seconds(abs(joint.apart_s))
        side = "after" if joint.apart_s > 0 else "before"
        case.sign("nmea", f"the rover's log is of another time: {apart} {side} the stream")
    geometry = evidence.findings.get("geometry")
    if geometry is not None and geometry.state is State.UNKNOWN and "another time" in geometry.text:
        case.sign("orbits", geometry.text)
    if case.signs:
        return
    if mean_s is not None and not off:
        case.absent(f"the stream comes {seconds(round(max(mean_s, 0.0), 1))} after its time")
    else:
        case.lack("arrival times of the stream")


def _offset(mean_s: float) -> str:
    """Put an offset in words, naming those that are known."""
    side = "late" if mean_s > 0 else "early"
    text = f"{seconds(round(abs(mean_s), 1))} {side}"
    near = [name for known, name in _KNOWN_OFFSETS_S.items() if abs(abs(mean_s) - known) < 1.0]
    return f"{text}: {near[0]}?" if near else text


CAUSES = (long_baseline, height_difference, rover_settings, wrong_time)
