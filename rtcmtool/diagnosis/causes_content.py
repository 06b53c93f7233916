"""Causes 6 to 8, is it enough: what the stream holds, and in which form."""

from rtcmtool.diagnosis.base_rules import main_station
from rtcmtool.diagnosis.causes import Case, cause
from rtcmtool.diagnosis.content_rules import heard_observations, kind_of
from rtcmtool.diagnosis.evidence import Evidence, names
from rtcmtool.diagnosis.finding import Finding, State
from rtcmtool.diagnosis.problem import ProblemKind
from rtcmtool.diagnosis.wording import seconds, share
from rtcmtool.gnss.signals import SYSTEMS
from rtcmtool.wire.catalogue import MSM_NUMBERS, system_of

LEAST_COMMON = 5  # four for the place and one to check; one more for each further system
_LONG_FLOAT_S = 60.0
_POSITION_EVERY_S = 15.0  # limit ok of the rule position_sent
_BY_CHANCE = 0.01  # that not one of them came whole: judgement
_ORBITS_OF_OTHERS = frozenset({1041, 1042, 1044, 1045, 1046})  # than GPS and GLONASS
_SURE_OF_NONE_S = 60.0  # limit bad of the rule position_sent


@cause(
    "the base sends no position",
    do=("switch on 1005 or 1006 at the base, every 5 to 10 s",),
    proves_it="float within seconds, then a fix, once 1005 or 1006 comes",
    basis="no 1005 or 1006 for 60 s: common practice; RTCM 10403.x",
    limits=(
        "rule position_sent",
        f"all damaged, one each {_POSITION_EVERY_S:g} s: under {100 * _BY_CHANCE:g} % by chance",
    ),
)
def no_position(evidence: Evidence, case: Case) -> None:
    """Look for observations without a position.

    For it: no 1005 or 1006 for 60 s; a rover that never gets beyond quality 2. Against it: no
    observations come either; the rover uses RTK. Ruled out by position messages. Not tested where
    so many frames are damaged that all positions may be among them.
    """
    bad = evidence.bad("position_sent") or _position_of_others(evidence)
    damaged = _all_may_be_damaged(evidence)
    if bad is not None and damaged:
        case.lack(f"a stream in which messages get through: {damaged} of the frames are damaged")
    elif bad is not None:
        if evidence.bad("observations_usable") and not heard_kinds(evidence):
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


def _all_may_be_damaged(evidence: Evidence) -> str:
    """Give the share of damaged frames where all positions may be among them, else nothing."""
    link = evidence.link
    if link is None or evidence.stream is None or evidence.heard_at == "base":
        return ""
    due = evidence.stream.seconds / _POSITION_EVERY_S
    if link.damaged_share**due < _BY_CHANCE:
        return ""
    return share(link.damaged, link.frames + link.damaged)


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


def heard_kinds(evidence: Evidence) -> set[int]:
    """Give the observation messages that came."""
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
    or 2 on a whole and fresh stream. For it: the sheet's families; proprietary messages alone; in
    such a case also orbits of systems that the messages chosen for observations cannot carry.
    Against it: the rover uses corrections. Ruled out by a rover in float or fixed.
    """
    if evidence.uses_rtk:
        case.absent("the rover was fixed or in float on these messages")
        return
    if not evidence.has_frames:
        case.lack("the base's stream")
        return
    refused = evidence.bad("rover_can_use")
    kinds = heard_kinds(evidence)
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
        unsent = _orbits_alone(evidence, kinds)
        if unsent:
            case.sign("orbits", f"the base sends orbits of {unsent}, which {what} cannot carry")
    elif not case.proofs:
        case.absent("the stream has other faults that explain it")


def _stays_without(evidence: Evidence) -> bool:
    return evidence.problem.kind is ProblemKind.NO_RTK and evidence.never_used


def _orbits_alone(evidence: Evidence, kinds: set[int]) -> str:
    """Name systems of which orbits come, but no observations, for the legacy family has none."""
    if evidence.stream is None or kinds & MSM_NUMBERS:
        return ""
    numbers = evidence.stream.state.messages.by_number.keys() & _ORBITS_OF_OTHERS
    letters = {system_of(number) for number in numbers}
    return names(SYSTEMS[letter].short_name for letter in SYSTEMS if letter in letters)


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
    if bad is not None and sent is not None and (sent.value or 0.0) < LEAST_COMMON:
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


CAUSES = (no_position, unusable_format, one_frequency)
