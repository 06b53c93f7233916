"""Causes 6 to 10: is it enough? What the stream holds, and what the rover sees of the sky."""

import math

from rtcmtool.diagnosis.base_rules import main_station
from rtcmtool.diagnosis.causes import Case, cause
from rtcmtool.diagnosis.causes_receiver import never_closed
from rtcmtool.diagnosis.content_rules import heard_observations, kind_of
from rtcmtool.diagnosis.evidence import Evidence, names, observed_names
from rtcmtool.diagnosis.finding import Finding, State
from rtcmtool.diagnosis.lengths import compass
from rtcmtool.diagnosis.problem import ProblemKind
from rtcmtool.diagnosis.wording import number, seconds

_FEW_USED, _ENOUGH_USED = 7, 10  # satellites; NGS asks for 5 to 7 of two systems
_LEAST_COMMON = 5  # four for the place and one to check; one more for each further system
_HDOP_HIGH = 2.0  # in the open 0.5 to 1 with several systems: judgement
_FEW_OF_BASE = 0.7  # share of the base's satellites
MASKED = 1.5  # satellites tracked to satellites used
_MISSING, _MISSING_SHARE = 4, 0.2  # satellites that should be in the stream
_SELDOM_WHOLE = 0.5  # of the epochs: below, a usual epoch tells nothing of the base; judgement
_WEAK_HIGH_DBHZ = 38.0  # limit bad of the rule signal_strength
_FLICKER_PER_HOUR = 20.0  # comings anew, a satellite and hour: judgement
_LONG_FLOAT_S = 60.0
_SURE_OF_NONE_S = 60.0  # limit bad of the rule position_sent
_LOW_MASK_DEG = 15.0  # both sides see what is higher


@cause(
    "the base sends no position",
    do=("switch on 1005 or 1006 at the base, every 5 to 10 s",),
    proves_it="float within seconds, then a fix, once 1005 or 1006 comes",
    basis="no 1005 or 1006 for 60 s: common practice; RTCM 10403.x",
    limits=("rule position_sent",),
)
def no_position(evidence: Evidence, case: Case) -> None:
    """Look for observations without a position.

    For it: no 1005 or 1006 for 60 s; a rover that never gets beyond quality 2. Against it: no
    observations come either; the rover uses RTK. Ruled out by position messages.
    """
    bad = evidence.bad("position_sent") or _position_of_others(evidence)
    if bad is not None:
        if evidence.bad("observations_usable") and not _observed(evidence):
            case.sign("stream", f"position message: {bad.text}", bad.since)
            case.doubt("no observations come either: the whole output is another")
        else:
            case.proof(f"position message: {bad.text}", bad.since)
        if evidence.uses_rtk:
            case.doubt("the rover was fixed or in float: it has had a position")
    elif evidence.state("position_sent") in {State.OK, State.WATCH}:
        case.absent(f"position message comes: {evidence.findings['position_sent'].text}")
    elif evidence.uses_rtk:
        case.absent("the rover was fixed or in float: it has a position")
    elif evidence.has_frames:
        case.lack("a longer recording: at least 60 s")
    else:
        case.lack("the base's stream")
        if evidence.never_used and evidence.problem.kind is ProblemKind.NO_RTK:
            case.sign("rover", "the rover stays without RTK, and is never in float")


def _position_of_others(evidence: Evidence) -> Finding | None:
    """Find out whether positions come, but none of the base that sends the observations."""
    if evidence.stream is None or evidence.base is None:
        return None
    station = main_station(evidence.base)
    finding = evidence.findings.get("position_sent")
    if station is None or finding is None or station.position_count:
        return None
    others = evidence.stream.state.base.stations.values()
    if evidence.stream.seconds < _SURE_OF_NONE_S or not any(s.position_count for s in others):
        return None
    return finding.with_(text="none of this base, only of others")


def _observed(evidence: Evidence) -> set[int]:
    return heard_observations(evidence.stream) if evidence.stream is not None else set()


@cause(
    "a format that the rover cannot use",
    do=(
        "choose a format that base and rover both know: MSM4 to MSM7, or 1004 and 1012",
        "try a second rover on the same stream; update this rover",
    ),
    proves_it="the rover uses the corrections in the other format",
    basis="quality 1 or 2 on a whole and fresh stream: common practice",
    limits=(
        "rules rover_can_use, observations_usable",
        "quality 1 or 2, no age and no station, for most of the time on a whole stream",
    ),
)
def unusable_format(evidence: Evidence, case: Case) -> None:
    """Look for messages that the rover cannot read.

    Claimed only where the sheet's rover cannot use what is sent, or where the rover shows quality 1
    or 2 on a whole and fresh stream. For it: the sheet's families; proprietary messages alone.
    Against it: the rover uses corrections. Ruled out by a rover in float or fixed.
    """
    if evidence.uses_rtk:
        case.absent("the rover was fixed or in float on these messages")
        return
    if not evidence.has_frames:
        case.lack("the base's stream")
        return
    refused = evidence.bad("rover_can_use")
    kinds = _observed(evidence)
    what = kind_of(kinds) if kinds else _foreign_types(evidence)
    if refused is not None:
        case.proof(refused.text)
    elif not kinds and evidence.may_be_lost:
        case.sign("stream", f"no observations come, only {what}: not sent, or lost on the way")
        return
    elif evidence.bad("observations_usable") and evidence.sheet.rover.families:
        case.proof(f"{what}: nothing that the sheet's rover reads")
    if not _stays_without(evidence):
        if not case.proofs:
            if evidence.columns is None:
                case.lack("the rover's log (--rover), or what it reads (families in the sheet)")
            else:
                case.absent("the rover is not without RTK")
        return
    if evidence.bad("observations_usable"):
        case.sign("stream", f"no message that any rover could use: {what}")
        case.sign("rover", "the rover uses nothing of a stream that arrives")
    elif evidence.is_fit and evidence.is_whole:
        case.sign("rover", f"the rover uses nothing of a whole and fresh stream of {what}")
    elif not case.proofs:
        case.absent("the stream has other faults that explain it")


def _stays_without(evidence: Evidence) -> bool:
    return evidence.problem.kind is ProblemKind.NO_RTK and evidence.never_used


def _foreign_types(evidence: Evidence) -> str:
    table = evidence.stream.state.messages.by_number if evidence.stream is not None else {}
    return names(sorted(n for n in table if n > 0)[:6]) or "nothing known"


@cause(
    "the base sends one frequency",
    do=("switch on the second band at the base (L2 or L5), for each system that the rover uses",),
    proves_it="the rover fixes in seconds once both bands come",
    basis="fewer than five satellites with two bands: common practice; NGS",
    limits=(
        "rules two_bands, systems_steady",
        f"a float of {seconds(_LONG_FLOAT_S)} before the first fix",
    ),
)
def one_frequency(evidence: Evidence, case: Case) -> None:
    """Look for a base, or a rover, with one band.

    For it: fewer than five satellites with two bands; a second band that left all systems; a float
    of minutes that ends in a fix; a rover of one band on the sheet. Ruled out by two bands in the
    stream.
    """
    bad = evidence.bad("two_bands")
    sent = evidence.findings.get("satellites_enough")
    if bad is not None and sent is not None and (sent.value or 0.0) < _LEAST_COMMON:
        case.lack("five satellites or more")
    elif bad is not None and not evidence.bad("observations_usable"):
        case.proof(bad.text)
        fixed_after_s = _float_before_fix_s(evidence)
        if fixed_after_s is not None:
            case.sign("rover", f"{seconds(fixed_after_s)} of float before the first fix")
    elif evidence.sheet.rover.bands == 1:
        if evidence.is_troubled or _float_before_fix_s(evidence) is not None:
            case.sign("sheet", "the rover has one band (site sheet)")
        elif evidence.columns is None:
            case.lack("the rover's log: its one band (site sheet) makes it slow, or does not")
        else:
            case.absent("the rover has one band (site sheet), and fixes all the same")
    elif evidence.state("two_bands") is State.OK:
        _second_band_that_left(evidence, case)
    else:
        case.lack("usable observations of the base")


def _second_band_that_left(evidence: Evidence, case: Case) -> None:
    """Look whether two bands came for long, and only one comes now."""
    usual, steady = evidence.findings["two_bands"], evidence.wrong("systems_steady")
    signals = evidence.base.state.quality.signals if evidence.base is not None else None
    if steady is None or signals is None or not signals.gone:
        case.absent(usual.text)
        return
    bands: dict[str, set[str]] = {}
    for letter, signal in signals.present:
        bands.setdefault(letter, set()).add(signal[0])
    lost = {change.system for change in signals.gone}
    if not bands or any(len(digits) > 1 for digits in bands.values()) or not lost & bands.keys():
        case.absent(usual.text)
        return
    case.sign("signals", f"the second band left: {steady.text}", steady.since)
    if evidence.problem.kind is ProblemKind.FLOAT:
        case.sign("rover", "the rover is in float")


def _float_before_fix_s(evidence: Evidence) -> float | None:
    if evidence.columns is None:
        return None
    fixed_after_s = evidence.time_to_fix_s
    long = fixed_after_s is not None and fixed_after_s >= _LONG_FLOAT_S
    return fixed_after_s if long else None


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
        f"in common: {_LEAST_COMMON}, and one more for each further system",
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
        needed = _LEAST_COMMON + max(len({name[0] for name in common}) - 1, 0)
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
        case.absent(f"the base sends {evidence.findings['satellites_enough'].text}")


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
    if missing and not values.get("missing") and _observed(evidence):
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


CAUSES = (no_position, unusable_format, one_frequency, few_satellites, rover_sky)
