"""Causes 9 and 10, is it enough: satellites in common, and what the rover sees of the sky."""

import math

from rtcmtool.diagnosis.causes import Case, cause
from rtcmtool.diagnosis.causes_content import LEAST_COMMON, heard_kinds
from rtcmtool.diagnosis.causes_receiver import never_closed
from rtcmtool.diagnosis.evidence import Evidence, names, observed_names
from rtcmtool.diagnosis.finding import State
from rtcmtool.diagnosis.lengths import compass
from rtcmtool.diagnosis.problem import ProblemKind
from rtcmtool.diagnosis.wording import number

_FEW_USED, _ENOUGH_USED = 7, 10  # satellites; NGS asks for 5 to 7 of two systems
_HDOP_HIGH = 2.0  # in the open 0.5 to 1 with several systems: judgement
_FEW_OF_BASE = 0.7  # share of the base's satellites
MASKED = 1.5  # satellites tracked to satellites used
_MISSING, _MISSING_SHARE = 4, 0.2  # satellites that should be in the stream
_SELDOM_WHOLE = 0.5  # of the epochs: below, a usual epoch tells nothing of the base; judgement
_WEAK_HIGH_DBHZ = 38.0  # limit bad of the rule signal_strength
_FLICKER_PER_HOUR = 20.0  # comings anew, a satellite and hour: judgement
_LOW_MASK_DEG = 15.0  # both sides see what is higher


@cause(
    "too few satellites in common",
    do=(
        "lower the base's mask to 10 degrees and switch on all systems at both ends",
        "move the base into the open, or wait for a better hour",
    ),
    proves_it="a fix with twelve or more satellites in common",
    basis="five in common and one more for each further system: common practice; NGS",
    limits=(
        "rules satellites_enough, geometry, systems_steady, rover_can_use",
        f"in common: {LEAST_COMMON}, and one more for each further system",
        f"missing: {_MISSING} satellites and {100 * _MISSING_SHARE:g} % of those above the mask",
    ),
)
def few_satellites(evidence: Evidence, case: Case) -> None:
    """Look for a base with few satellites.

    For it: fewer than seven in the stream, or in common; a poor geometry; satellites that should be
    there and are not; a system that is gone. Against it: a stream that loses much, with enough
    of them in the messages that get through. Ruled out by twelve and more.
    """
    bad, watch = evidence.bad("satellites_enough"), evidence.wrong("satellites_enough")
    sent = _sent_by_thinned(evidence)
    if watch is not None and sent >= (watch.rule.ok or 0.0):
        usual = f"{watch.value or 0.0:.0f} satellites come in a usual epoch"
        case.doubt(f"{usual}, {sent} in the messages that get through: the others are lost")
        return
    if bad is not None and evidence.may_be_lost:
        case.sign("systems", f"only {bad.text} satellites come")
    elif bad is not None:
        case.proof(f"the base sends {bad.text} satellites")
    elif watch is not None:
        case.sign("count", f"the base sends only {watch.text} satellites")
    common = evidence.common_satellites
    if common is not None:
        needed = LEAST_COMMON + max(len({name[0] for name in common}) - 1, 0)
        if len(common) < needed and bad is None and not _rover_sees_few(evidence):
            case.proof(f"{len(common)} satellites in common, {needed} are needed")
    geometry = evidence.bad("geometry")
    if geometry is not None:
        case.sign("geometry", f"PDOP {geometry.text}")
    _hidden_at_base(evidence, case)
    _systems(evidence, case)
    if not evidence.has_frames:
        _by_rover_alone(evidence, case)
    elif not case.signs and not case.proofs and evidence.state("satellites_enough") is State.OK:
        enough = evidence.findings["satellites_enough"]
        text = f"{sent} in the messages that get through" if sent > (enough.value or 0.0) else ""
        case.absent(f"the base sends {text or enough.text}")


def _sent_by_thinned(evidence: Evidence) -> int:
    """Give how many satellites a base sends whose epochs seldom come whole; 0 where they do.

    What comes of each system when its message comes: losses cannot make that less.
    """
    base, link = evidence.base, evidence.link
    if base is None or link is None or evidence.heard_at == "base":
        return 0
    if link.due and link.whole >= _SELDOM_WHOLE * link.due:
        return 0
    finding = evidence.findings.get("satellites_enough")
    by_system: dict[str, int] = (finding.values if finding else None) or {}
    return sum(by_system.values())


def _rover_sees_few(evidence: Evidence) -> bool:
    sky = evidence.sky
    return sky is not None and sky.in_view is not None and sky.in_view < _ENOUGH_USED


def _hidden_at_base(evidence: Evidence, case: Case) -> None:
    """Look for satellites that should be in the stream and are not: by orbits, by the rover."""
    if evidence.base is None:
        return
    sky = evidence.base.state.quality.fix.sky
    missing = sky.missing
    if len(missing) >= max(_MISSING, _MISSING_SHARE * len(sky.satellites)):
        places = [sky.satellites[name] for name in missing]
        azimuths = sorted({_side(place.azimuth_deg) for place in places})
        text = f"{len(missing)} of {len(sky.satellites)} satellites above the mask are not sent"
        case.sign("sky", f"{text}, in the {names(azimuths)}")
    observed = observed_names(evidence.base)
    systems = {name[0] for name in observed}
    log = evidence.log.seen if evidence.log is not None and evidence.is_joined else {}
    high = {
        name
        for name, seen in log.items()
        if name[0] in systems and (seen.elevation_deg or 0.0) >= _LOW_MASK_DEG
    }
    unsent = high - observed
    if observed and len(unsent) >= max(_MISSING, _MISSING_SHARE * len(high)):
        text = f"the rover tracks {len(unsent)} satellites above 15 degrees that the base misses"
        case.sign("rover", text)


def _side(azimuth_deg: float) -> str:
    return compass(math.sin(math.radians(azimuth_deg)), math.cos(math.radians(azimuth_deg)))


def _systems(evidence: Evidence, case: Case) -> None:
    """Look for systems that left, or that the rover uses and the base does not send."""
    left = evidence.bad("systems_steady")
    if left is not None:
        case.sign("systems", left.text, left.since)
    if never_closed(evidence):  # something was sent after what came
        return
    usable = evidence.findings.get("rover_can_use")
    values = (usable.values or {}) if usable is not None else {}
    if usable is not None and usable.state is State.BAD and evidence.sheet.rover.systems:
        if not values.get("common") and values.get("missing") and not evidence.may_be_lost:
            case.proof(usable.text)
    elif usable is not None and values.get("missing") and len(values.get("common", ())) < 4:
        case.sign("systems", f"{names(values['missing'])} not sent, the rover uses them")
    missing = evidence.missing_observations
    if missing and not values.get("missing") and heard_kinds(evidence):
        case.sign("systems", f"{names(missing)} planned, never came")


def _by_rover_alone(evidence: Evidence, case: Case) -> None:
    sky = evidence.sky
    if sky is None or sky.used is None:
        case.lack("the base's stream, or satellites in the rover's log")
    elif sky.used < _FEW_USED:
        case.sign("rover", f"the rover uses {sky.used:.0f} satellites")
    elif sky.used >= _ENOUGH_USED and evidence.uses_rtk:
        case.absent(f"the rover uses {sky.used:.0f} satellites")
    else:
        case.lack("the base's stream")


@cause(
    "blocked sky or reflections at the rover",
    do=(
        "move the rover 20 to 50 m into the open",
        "fixes there: measure the point with an offset or a total station, or wait longer",
    ),
    proves_it="a fix at once in the open, with the same base",
    basis="few, weak or flickering satellites at the rover alone: common practice; judgement",
    limits=(
        f"tracked: under {100 * _FEW_OF_BASE:g} % of those of the base; alone under {_FEW_USED}",
        f"HDOP over {_HDOP_HIGH:g}; above 40 degrees under {_WEAK_HIGH_DBHZ:g} dB-Hz",
        f"a satellite comes anew {_FLICKER_PER_HOUR:g} times an hour",
    ),
)
def rover_sky(evidence: Evidence, case: Case) -> None:
    """Look for a rover that sees little of the sky, or sees it in mirrors.

    For it: far fewer satellites tracked than at the base; a high HDOP; weak signals from high
    satellites; satellites that come and go; a fix in the open or of the other rovers; a float that
    nothing in a fit and fresh stream explains. Against it: all rovers float; no fix at 50 m. Ruled
    out by many satellites and a fix.
    """
    sky = evidence.sky
    if sky is None:
        case.lack("the rover's log (--rover)")
    else:
        _rover_view(evidence, case)
        if sky.in_view is None:
            case.lack("satellite lines (GSV) in the rover's log")
        elif not case.signs and evidence.problem.kind in {
            ProblemKind.FIXED,
            ProblemKind.CHECK_FAILS,
        }:
            case.absent(f"the rover tracks {sky.in_view:.0f} satellites and is fixed")
    if unexplained_float(evidence):
        case.sign("rest", "float on a fit and fresh stream: rover or its site")
    answers = evidence.answers
    if answers.fixes_at_50m and evidence.problem.kind is not ProblemKind.FIXED:
        case.sign("50 m", "the rover fixes 50 m from the base, in the open")
    if answers.all_rovers is False:
        case.sign("others", "the other rovers fix")
    if case.signs and answers.all_rovers:
        case.doubt("all rovers suffer")
    if case.signs and answers.fixes_at_50m is False:
        case.doubt("no fix 50 m from the base in the open either")


def is_masked(evidence: Evidence) -> bool:
    """Tell whether the rover tracks far more satellites than it uses."""
    sky = evidence.sky
    if sky is None or sky.in_view is None or sky.used is None or sky.in_view < _ENOUGH_USED:
        return False
    return sky.in_view >= MASKED * max(sky.used, 1.0) + 3


def _rover_view(evidence: Evidence, case: Case) -> None:
    sky = evidence.sky
    assert sky is not None
    base = evidence.findings.get("satellites_enough")
    if sky.in_view is not None and base is not None and base.value:
        if sky.in_view < _FEW_OF_BASE * base.value:
            text = f"the rover tracks {sky.in_view:.0f} satellites, the base {base.value:.0f}"
            case.sign("satellites", text)
    elif sky.in_view is not None and sky.in_view < _FEW_USED:
        case.sign("satellites", f"the rover tracks {sky.in_view:.0f} satellites")
    others = is_masked(evidence) or evidence.wrong("satellites_enough") is not None
    if sky.hdop is not None and sky.hdop > _HDOP_HIGH and not others:
        case.sign("hdop", f"HDOP up to {number(round(sky.hdop, 1))} at the rover")
    if sky.high_cnr_dbhz is not None and sky.high_cnr_dbhz < _WEAK_HIGH_DBHZ:
        text = f"satellites above 40 degrees are weak at the rover: {sky.high_cnr_dbhz:.0f} dB-Hz"
        case.sign("strength", text)
    if sky.comings_per_hour is not None and sky.comings_per_hour > _FLICKER_PER_HOUR:
        text = f"satellites come and go at the rover, {sky.comings_per_hour:.0f} times an hour each"
        case.sign("flicker", text)


def unexplained_float(evidence: Evidence) -> bool:
    """Tell whether the rover floats though stream, ages, satellites and line are all good."""
    counted = evidence.problem.counted
    if evidence.problem.kind is not ProblemKind.FLOAT or counted is None:
        return False
    line_m = evidence.line_m
    near = line_m is None or line_m < 10_000.0
    return (
        evidence.is_fit and evidence.is_fresh and near and evidence.is_whole
        and evidence.is_joined and counted.floating >= 0.05 * counted.total
    )  # fmt: skip


CAUSES = (few_satellites, rover_sky)
