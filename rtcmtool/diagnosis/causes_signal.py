"""Causes 11 to 14 and 23: is it clean? Site, antenna, and the ionosphere."""

from rtcmtool.diagnosis.causes import Case, cause
from rtcmtool.diagnosis.evidence import Evidence, names
from rtcmtool.diagnosis.evidence_link import RESTART_TAKES_S
from rtcmtool.diagnosis.evidence_stream import MAKES_DIFFER_DB
from rtcmtool.diagnosis.finding import State
from rtcmtool.diagnosis.problem import ProblemKind
from rtcmtool.diagnosis.wording import number, seconds
from rtcmtool.gnss.signals import SYSTEMS
from rtcmtool.monitor.cnr_normals import band_name

_STALE_S = 5.0  # a usual day: 10 to 30 s (computed from recordings)
_ALL_BANDS = 0.7  # share of the bands that fell: more than one transmitter does
_LONG_LINE_M = 5_000.0  # below, the ionosphere may mostly be neglected: GPS Solutions 2015
_ROTI_STRONG = 0.5  # TECU/min
_LASTS_S = 10.0  # a drop that is no chance


@cause(
    "reflections at the base",
    do=(
        "move or raise the base antenna; clear vehicles, fences, walls and water around it",
        "ask the other rovers: all of them suffer, everywhere",
    ),
    proves_it="multipath below 0.5 m and a fix after the base was moved",
    basis="code multipath over 5 minutes: common practice; IGS help desk",
    limits=("rules multipath, slips",),
)
def base_multipath(evidence: Evidence, case: Case) -> None:
    """Look for reflections at the base.

    For it: code multipath above its limits; slips with it; all rovers in float; a float that ages
    and satellites do not explain. Against it: the other rovers fix. Ruled out by clean codes.
    """
    found = evidence.findings.get("multipath")
    wrong = evidence.wrong("multipath")
    if wrong is not None:
        case.sign("multipath", f"code multipath: {wrong.text}", wrong.since)
        slips = evidence.slipping
        if slips is not None and not slips_explained(evidence):
            case.sign("slips", f"slips: {slips.text}")
        _suffering(evidence, case)
        if evidence.weak_signals is not None:
            case.doubt("signals are weak: the noise of their codes looks the same")
    elif found is not None and found.state is State.OK:
        case.absent(f"code multipath: {found.text}")
    else:
        case.lack(_missing(evidence, "multipath", "the base's stream, 5 minutes of it"))


def _suffering(evidence: Evidence, case: Case) -> None:
    """Note what the rovers show of a fault at the base that all of them share."""
    if evidence.answers.all_rovers:
        case.sign("others", "all rovers suffer")
    elif evidence.answers.all_rovers is False:
        case.doubt("the other rovers fix on the same base")
    if evidence.problem.kind is ProblemKind.FLOAT and evidence.is_fresh:
        case.sign("rover", "the rover floats although corrections are fresh")


def _missing(evidence: Evidence, rule: str, otherwise: str) -> str:
    """Say what a rule lacks."""
    finding = evidence.findings.get(rule)
    unknown = finding is not None and finding.state is State.UNKNOWN
    return finding.text.removeprefix("needs ") if finding and unknown else otherwise


def slips_explained(evidence: Evidence) -> bool:
    """Tell whether restarts, the ionosphere or the clock make the slips."""
    restarts = evidence.link is not None and evidence.link.restarts > 0
    iono = evidence.bad("ionosphere") or _stale_by_ionosphere(evidence)
    return restarts or bool(iono or evidence.bad("clock_jumps"))


def dropped_bands(evidence: Evidence) -> tuple[list[str], list[str]]:
    """Give the bands that fell, and all that are known."""
    finding = evidence.wrong("band_drop")
    if finding is None or finding.values is None:
        return [], []
    limit = finding.rule.ok or 0.0
    levels: dict[str, float] = finding.values
    dropped = [name for name, depth in levels.items() if depth > limit]
    return [name for name in dropped if not _gone_by_restarts(evidence, name)], list(levels)


def _gone_by_restarts(evidence: Evidence, name: str) -> bool:
    """Tell whether a band was never weak, and gone only for as long as restarts take."""
    base, link = evidence.base, evidence.link
    level = None if base is None else base.state.quality.strengths.bands.get(name)
    if base is None or link is None or level is None or level.dropped_epochs:
        return False
    return level.gone_epochs * base.interval_s <= link.restarts * RESTART_TAKES_S


def lasts(evidence: Evidence, names_: list[str]) -> bool:
    """Tell whether a drop lasted longer than a chance low."""
    base = evidence.base
    if base is None:
        return False
    levels = base.state.quality.strengths.bands
    known = [levels[name] for name in names_ if name in levels]
    lasted = sum(level.dropped_epochs + level.gone_epochs for level in known)
    return lasted * base.interval_s >= _LASTS_S


def fell_together(evidence: Evidence) -> bool:
    """Tell whether most bands fell at once."""
    dropped, known = dropped_bands(evidence)
    many = len(known) > 1 and len(dropped) >= _ALL_BANDS * len(known)
    return many and lasts(evidence, dropped)


def _lost_signals(evidence: Evidence) -> dict[str, list[str]]:
    """Give the signals that left while their satellites went on, by the name of their band."""
    base = evidence.base
    gone: dict[str, list[str]] = {}
    for change in base.state.quality.signals.changes if base is not None else ():
        name = band_name(change.system, change.signal)
        if change.left and name is not None:
            known = gone.setdefault(name, [])
            text = f"{SYSTEMS[change.system].short_name} {change.signal}"
            known.extend([text] if text not in known else [])
    return gone


@cause(
    "interference on one band",
    do=(
        "see whether it goes with the keying of the radio: unplug the radio for a minute",
        "move the radio antenna several metres from the GNSS antenna; change the channel",
        "else look for another transmitter or a jammer near by",
    ),
    proves_it="the band comes back while the radio or the other transmitter is off",
    basis="one band falls on all satellites at once: common practice; judgement",
    limits=(
        f"rule band_drop, for {seconds(_LASTS_S)} and more",
        f"under {100 * _ALL_BANDS:g} % of the bands: more is the antenna or its cable",
    ),
)
def interference(evidence: Evidence, case: Case) -> None:
    """Look for a band that is jammed.

    For it: the strength of one band falls on all satellites at once, while others stay; slips with
    it, signals of that band that leave. Against it: the first band is weak too, which is the cable.
    Ruled out by steady bands, and by all bands that fall together.
    """
    finding = evidence.findings.get("band_drop")
    wrong = evidence.wrong("band_drop")
    dropped, _ = dropped_bands(evidence)
    if wrong is not None and not dropped:
        case.absent("bands were gone only while the base started again")
    elif wrong is not None and not lasts(evidence, dropped):
        case.absent(f"no band fell for long: {wrong.text}")
    elif wrong is not None:
        if fell_together(evidence):
            case.absent("all bands fell together: that is the antenna or its cable")
            return
        case.sign("drop", f"strength fell on all satellites of {names(dropped)}: {wrong.text}",
                  wrong.since)  # fmt: skip
        slips = evidence.slipping
        if slips is not None and not slips_explained(evidence):
            case.sign("slips", f"slips: {slips.text}")
        lost = _lost_signals(evidence)
        if lost and lost.keys() <= set(dropped):
            text = names([signal for band in lost.values() for signal in band])
            case.sign("signals", f"signals of that band left: {text}")
        if evidence.weak_signals is not None:
            case.doubt("signals of the first band are weak too: antenna or cable")
    elif finding is not None and finding.state is State.OK:
        case.absent(f"no band fell: {finding.text}")
    else:
        case.lack(_missing(evidence, "band_drop", "the base's stream, with signal strengths"))


@cause(
    "antenna cable, plug or amplifier of the base",
    do=(
        "swap the antenna cable; dry and tighten the plugs at both ends",
        "then swap the antenna",
    ),
    proves_it="signals 5 dB and more stronger with another cable",
    basis="weak on all bands, frequent slips: common practice; receiver guides",
    limits=(
        f"rule signal_strength, and {MAKES_DIFFER_DB:g} dB more: makes differ",
        "rules band_drop (all bands together), slips",
    ),
)
def antenna_cable(evidence: Evidence, case: Case) -> None:
    """Look for a weak antenna chain at the base.

    For it: strengths below the guide for their elevation; all bands that fall together, signals
    that leave with them; slips that nothing else explains. Against it: strong signals. Ruled out by
    strong signals without slips.
    """
    strength = evidence.findings.get("signal_strength")
    weak = evidence.weak_signals
    if weak is not None:
        case.sign("strength", f"signals are weak: {weak.text}")
    if fell_together(evidence):
        drop = evidence.findings["band_drop"]
        case.sign("drop", f"all bands fell together: {drop.text}", drop.since)
    lost = _lost_signals(evidence)
    if case.signs and lost:
        text = names([signal for band in lost.values() for signal in band])
        case.sign("signals", f"signals left while their satellites went on: {text}")
    slips = evidence.slipping
    dropped, _ = dropped_bands(evidence)
    one_band = lasts(evidence, dropped) and not fell_together(evidence)
    reflected = weak is None and evidence.wrong("multipath") is not None
    explained = slips_explained(evidence) or reflected
    if slips is not None and not explained and (case.signs or not one_band):
        case.sign("slips", f"slips: {slips.text}", slips.since)
    if strength is None or strength.state is State.UNKNOWN:
        case.lack(_missing(evidence, "signal_strength", "the base's stream"))
    elif not case.signs:
        case.absent(f"signals are strong: {strength.text}")
    elif weak is None and "drop" not in case.signs:
        case.doubt(f"signals are strong: {strength.text}")


@cause(
    "GLONASS between different makes",
    do=(
        "switch GLONASS off in the rover for two minutes",
        "fixes then: set the base's own bias in 1230, or switch GLONASS off at the base",
    ),
    proves_it="fixes only without GLONASS",
    basis="1230 missing or all zero: common practice; Inside GNSS 2012, GPS Solutions 2018",
    limits=("rule glonass_bias",),
)
def glonass_bias(evidence: Evidence, case: Case) -> None:
    """Look for GLONASS biases that are missing or false.

    For it: GLONASS without 1230, or with zeros that claim to be aligned; a rover of another make;
    a rover that floats or fixes slowly. Against it: the same make at both ends. Ruled out by biases
    that are sent and not all zero, and without GLONASS.
    """
    finding = evidence.findings.get("glonass_bias")
    same_make = evidence.sheet.rover.same_make
    if finding is None or finding.state is State.UNKNOWN:
        case.lack(_missing(evidence, "glonass_bias", "the base's stream"))
    elif finding.state in {State.OK, State.NOT_APPLICABLE}:
        case.absent(f"1230: {finding.text}")
    elif _bias_is_slow(finding.values):
        case.absent(f"1230 comes, {finding.text}")
    elif evidence.rover_link is not None and evidence.rover_link.loses and finding.value is None:
        case.lack("the base's own stream: 1230 may have been lost on the way")
    else:
        case.sign("stream", f"1230: {finding.text}", finding.since)
        if same_make:
            case.doubt("base and rover are of the same make (site sheet)")
        elif same_make is False:
            case.sign("sheet", "base and rover are of different makes (site sheet)")
        if evidence.problem.kind is ProblemKind.FLOAT and evidence.is_fresh:
            case.sign("rover", "the rover floats although corrections are fresh")


def _bias_is_slow(values: dict[str, object] | None) -> bool:
    """Tell whether biases are sent that are not all zero, only seldom."""
    biases = (values or {}).get("biases_m")
    return isinstance(biases, list) and any(biases)


@cause(
    "the ionosphere is disturbed",
    do=(
        "keep lines short, use all bands; repeat shots some hours later",
        "look at a space-weather notice for the region; ask other crews",
    ),
    proves_it="all crews of the region suffer, and it passes within hours",
    basis="ionospheric rate over a minute, ROTI: common practice; judgement",
    limits=(
        "rules ionosphere, slips",
        f"ROTI over {_ROTI_STRONG} TECU/min",
        f"fixing gets hard with corrections of less than {seconds(_STALE_S)}, and half as fast "
        "without the ionosphere",
    ),
)
def ionosphere(evidence: Evidence, case: Case) -> None:
    """Look for a disturbed ionosphere.

    For it: the ionospheric delay of several satellites changes fast; ROTI is high; slips with it;
    float on longer lines; all rovers suffer; where the rate was not measured, corrections that go
    stale in seconds by the ionosphere. Against it: nothing. Ruled out by slow changes.
    """
    finding = evidence.findings.get("ionosphere")
    bad = evidence.bad("ionosphere")
    if bad is not None:
        case.sign("rate", f"ionosphere: {bad.text}", bad.since)
        roti = (bad.values or {}).get("roti_tecu_min")
        if isinstance(roti, float) and roti > _ROTI_STRONG:
            case.sign("rate", f"ROTI {number(round(roti, 1))} TECU/min")
        slips = evidence.slipping
        if slips is not None:
            case.sign("slips", f"slips: {slips.text}")
        _suffering(evidence, case)
    elif finding is not None and finding.state in {State.OK, State.WATCH}:
        case.absent(f"ionosphere: {finding.text}")
        line_m = evidence.line_m
        if finding.state is State.WATCH and line_m is not None and line_m > _LONG_LINE_M:
            case.lack("a longer recording: the ionosphere is lively on a line of this length")
    elif _stale_by_ionosphere(evidence):
        case.sign("ageing", f"corrections go stale at once, less so without the ionosphere"
                  f"{evidence.stale_text}")  # fmt: skip
        slips = evidence.slipping
        if slips is not None and evidence.weak_signals is None:
            case.sign("slips", f"slips of strong signals: {slips.text}")
    else:
        case.lack(_missing(evidence, "ionosphere", "the base's stream, 5 minutes of it"))


def _stale_by_ionosphere(evidence: Evidence) -> bool:
    """Tell whether the ionosphere makes corrections stale, where its rate was not measured."""
    ageing = evidence.ageing
    if ageing is None or ageing.hard_s is None or ageing.hard_s >= _STALE_S:
        return False
    pairs = zip(ageing.rms_m, ageing.ionosphere_free_m, strict=True)
    return any(rms is not None and free is not None and 2 * free < rms for rms, free in pairs)


CAUSES = (base_multipath, interference, antenna_cable, glonass_bias, ionosphere)
