"""Causes 1 to 3: does anything arrive, and is it whole? What the way to the rover does."""

from rtcmtool.diagnosis.causes import Case, cause
from rtcmtool.diagnosis.causes_load import STEADY_AGE_S, is_behind, is_old, restarts
from rtcmtool.diagnosis.cautions import Caution
from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.evidence import Evidence
from rtcmtool.diagnosis.evidence_link import LONGER_SHARE, LONGER_SIGMAS, SILENCE_S, LinkPattern
from rtcmtool.diagnosis.finding import State
from rtcmtool.diagnosis.wording import grouped, seconds, share
from rtcmtool.monitor.rover_statistics import AgeStatistics, RoverOutage, outages

# All limits below by judgement unless a source is named.
_DAMAGED = 0.01  # share of frames: limit ok of the rule frames_whole
_LOST = 0.03  # share of whole seconds that no healthy link loses
_BURSTS = 1.8  # times as likely after a lost second
_BOUND = 0.25  # of the way from chance to certainty
_LATE_SHARE = 0.05  # of updates at the rover
_FOREIGN_PER_CENT = 0.5  # limit ok of the rule foreign_bytes
_HARDLY = 0.05  # share of the messages
_LONG_LOST = 0.1  # of long frames, with both ends
_LISTEN = "a recording at the rover's radio (--at-rover CAPTURE, or SOURCE with --at rover)"


@cause(
    "nothing reaches the rover",
    do=(
        "look at the base radio's power light and transmit lamp, and the rover's receive lamp",
        "compare channel, width, over-air rate and protocol at both ends; look at both antennas",
        "carry the rover to about 50 m from the base and try there",
    ),
    proves_it="messages arrive once channel, rate or antenna are put right",
    basis="common practice: at the base all is normal, at the rover's radio no byte comes",
    limits=(
        f"silence: {seconds(SILENCE_S)} without an epoch; {seconds(2 * SILENCE_S)} at the rover",
        f"nothing: under {100 * _HARDLY:g} % of what the base sent",
    ),
    cautions=(Caution.POWER,),
)
def no_link(evidence: Evidence, case: Case) -> None:
    """Look for a way to the rover over which nothing comes.

    For it: no frame at the rover's radio while the base sends; a stretch of 15 s without an epoch
    that no restart explains; a rover that never shows an age or a station number. Against it: the
    rover uses corrections. Ruled out by messages that arrive at the rover.
    """
    far = evidence.far_state
    link = evidence.rover_link
    if far is not None and _hardly_any(evidence, far):
        case.proof(_nothing_heard(evidence))
        if far.state.traffic.total_bytes and not far.state.traffic.frames:
            case.first("compare the baud rates of the port and of this computer")
    elif link is not None and link.frames:
        silent = _silent_after(evidence, link) if evidence.far is None else None
        if link.silence_s >= SILENCE_S:
            since = _utc(evidence, link.silence_ms)
            case.sign("stream", f"nothing came for {seconds(link.silence_s)}", since)
        elif silent is not None:
            case.sign("stream", f"the stream ends {seconds(silent)} before the rover's log")
        else:
            case.absent(f"{grouped(link.frames)} messages arrived at the rover")
    elif evidence.columns is None:
        case.lack(_LISTEN)
    elif evidence.link is not None and (silent := _silent_after(evidence, evidence.link)):
        case.sign("stream", f"the stream ends {seconds(silent)} before the rover's log")
    _unused(evidence, case, link)


def _unused(evidence: Evidence, case: Case, link: LinkPattern | None) -> None:
    """Note what the rover shows of a link over which nothing comes."""
    arrived = link is not None and link.frames > 0
    if evidence.never_used:
        if not arrived:
            case.sign("rover", "the rover shows no age and no station number: it uses nothing")
        return
    lost = _long_outages(evidence)
    if lost and not restarts(evidence):
        longest = max(outage.length_s for outage in lost)
        case.sign("rover", f"the rover was without corrections for {seconds(longest)}")
    elif evidence.ages is not None and not case.signs and not case.proofs and not case.absences:
        case.absent("the rover uses corrections: it tells their age")


def _long_outages(evidence: Evidence) -> list[RoverOutage]:
    if evidence.ages is not None and is_old(evidence.ages):
        return []
    found = [] if evidence.columns is None else outages(evidence.columns)
    return [outage for outage in found if outage.length_s >= 2 * SILENCE_S]


def _hardly_any(evidence: Evidence, far: Context) -> bool:
    """Tell whether next to nothing arrived: less than a twentieth of what was sent."""
    arrived = far.state.traffic.frames
    sent = evidence.stream.state.traffic.frames if evidence.stream is not None else 0
    if evidence.far is not None:
        return bool(sent) and arrived < _HARDLY * sent
    return not arrived


def _nothing_heard(evidence: Evidence) -> str:
    far = evidence.far_state
    arrived = far.state.traffic.frames if far is not None else 0
    if evidence.far is None or evidence.stream is None:
        came = far.state.traffic.total_bytes if far is not None else 0
        of = f" in {grouped(came)} bytes" if came else ""
        return f"no message at the rover's radio{of}"
    sent = grouped(evidence.stream.state.traffic.frames)
    return f"{grouped(arrived) if arrived else 'none'} of {sent} messages arrived at the rover"


def _silent_after(evidence: Evidence, link: LinkPattern) -> float | None:
    """Give how long the rover's log goes on without the stream, if that is long."""
    if evidence.joint.kind not in {"same", "zone"} or evidence.columns is None:
        return None
    clock = evidence.stream.state.clock if evidence.stream is not None else None
    end = None if clock is None or link.last_ms is None else clock.utc_ns_of_epoch(link.last_ms)
    told = evidence.columns.utc_ms[evidence.columns.utc_ms >= 0]
    if end is None or not len(told):
        return None
    silent_s = int(told.max()) / 1000 - evidence.joint.shift_s - end / 1e9
    was_used = evidence.ages is not None and evidence.ages.most_s >= SILENCE_S
    return silent_s if silent_s >= SILENCE_S and was_used else None


@cause(
    "weak radio path between base and rover",
    do=(
        "carry the rover to about 50 m from the base, in the open",
        "fixes there: raise both radio antennas, clear the path, use a repeater, move the base",
        "more power last: the lowest that works, within your licence",
    ),
    proves_it="fix within 30 s at 50 m",
    basis="loss growing with frame length: (1-p)^n, computed; common practice",
    limits=(
        f"frames damaged: {100 * _DAMAGED:g} %",
        f"long frames lost more often than short: by {100 * LONGER_SHARE:g} % and {LONGER_SIGMAS} "
        f"sigma; with both ends {100 * _LONG_LOST:g} % and twice as often",
        f"updates missing at the rover: {100 * _LATE_SHARE:g} %, not in bursts",
    ),
    cautions=(Caution.POWER, Caution.MASTS),
)
def weak_path(evidence: Evidence, case: Case) -> None:
    """Look for bit errors on the radio path.

    For it: frames whose check sum fails; long frames lost more often than short ones; ages at the
    rover that jump now and then without bursts; a fix at 50 m. Proven where both ends were heard
    and long frames are lost twice as often as short ones. Against it: no fix at 50 m. Ruled out by
    a whole stream at the rover.
    """
    link = evidence.rover_link
    if link is not None and link.frames:
        _weak_stream(evidence, case, link)
    elif evidence.heard_at == "base" or evidence.columns is None:
        case.lack(_LISTEN)
    if restarts(evidence):
        case.lack("a recording without restarts of the base")
    _weak_both_ends(evidence, case)
    _missing_long(evidence, case)
    ages = evidence.ages
    if ages is not None and ages.late_share >= _LATE_SHARE and not _in_bursts(ages):
        if link is not None and link.loses_last:
            case.absent("only the last message of the epochs is lost, others of its length are not")
        elif not is_behind(evidence) and not restarts(evidence):
            case.sign(
                "rover",
                f"the age of the corrections jumps: updates missing {share_of(ages.late_share)} of "
                f"the time, up to {seconds(ages.longest_s)} on end{evidence.stale_text}",
            )
    elif is_steady(evidence) and ages is not None and not case.signs:
        case.absent(f"the corrections are fresh at the rover: {seconds(ages.median_s)} old, steady")
    _at_50m(evidence, case)


def _weak_stream(evidence: Evidence, case: Case, link: LinkPattern) -> None:
    """Judge one stream behind the radio."""
    since = _utc_of_time(evidence)
    at_base = evidence.heard_at == "base" and evidence.far is None
    if link.damaged_share >= _DAMAGED and not at_base:
        total = link.frames + link.damaged
        text = f"{share(link.damaged, total)} of the frames damaged (check sum fails)"
        case.sign("damage", text, since)
        if link.long_lost_first:
            case.sign("length", _length_text(link), since)
        elif link.lost_part > 2 * link.lost_whole:
            text = f"single messages are lost, not whole seconds ({link.lost_part} against "
            case.sign("length", f"{text}{link.lost_whole})", since)
    elif link.whole >= 0.97 * link.due and link.due:
        if evidence.air is None or evidence.air.heard >= 0.97 * evidence.air.sent:
            case.absent(f"{share(link.whole, link.due)} of the epochs arrived whole, none damaged")
    elif (
        link.long_lost_first
        and link.lost_part > link.lost_whole
        and not (link.restarts or is_behind(evidence))
    ):
        case.sign("length", _length_text(link), since)


def _length_text(link: LinkPattern) -> str:
    short, long = link.classes[0], link.classes[-1]
    return (
        f"short frames (under 60 bytes) lost {share(short.lost, short.due)}, long (over 150) lost "
        f"{share(long.lost, long.due)}"
    )


def _weak_both_ends(evidence: Evidence, case: Case) -> None:
    """Compare what the base sent with what was heard."""
    air = evidence.air
    if air is None or air.heard < 20 or is_behind(evidence):  # a full buffer loses long ones too
        return
    short = air.classes[0]
    long = next((each for each in air.classes[:0:-1] if each.sent >= 20), None)
    if short.sent < 10 or long is None:
        return
    short_share, long_share = short.lost / short.sent, long.lost / long.sent
    if long_share >= _LONG_LOST and long_share >= 2 * short_share:
        case.proof(
            f"of what the base sent, short frames lost {share(short.lost, short.sent)}, long ones "
            f"({long.label}) {share(long.lost, long.sent)}"
        )


def _missing_long(evidence: Evidence, case: Case) -> None:
    """Look for planned observation messages that never come while shorter ones do."""
    missing = evidence.missing_observations
    link = evidence.rover_link or evidence.link
    if missing and link is not None and evidence.heard_at != "base":
        numbers = ", ".join(map(str, missing))
        longest = f"; the longest that came has {link.longest_frame} bytes"
        case.sign("plan", f"{numbers} planned, never came{longest if link.longest_frame else ''}")


def _in_bursts(ages: AgeStatistics) -> bool:
    """Tell whether missing updates come in a row more than chance has it.

    Of many missing ones the next is missing anyway: what counts is how far its chance is on the way
    from that of any update to certainty.
    """
    usual, after = ages.late_share, ages.bunching * ages.late_share
    return ages.bunching >= _BURSTS or after - usual >= _BOUND * (1 - usual)


def is_steady(evidence: Evidence) -> bool:
    """Tell whether the corrections at the rover are fresh, and none are missing."""
    ages = evidence.ages
    if ages is None:
        return False
    return ages.late_share < _LATE_SHARE / 2 and ages.median_s < STEADY_AGE_S


def share_of(value: float) -> str:
    """Write a share as a percentage."""
    return f"{100 * value:.0f} %"


@cause(
    "busy channel: others talk on it, or a repeater sends again",
    do=(
        "listen on the channel with a handset; ask the other crews on site",
        "change the channel at both ends, or agree who uses it",
        "where base and repeater are both heard: switch the repeater off",
    ),
    proves_it="no lost seconds on another channel, or the same loss close to the base",
    basis="whole seconds lost at random or in bursts: common practice",
    limits=(
        f"seconds lost whole: {100 * _LOST:g} %",
        f"bursts: a second is lost {_BURSTS} times as often after a lost one",
        f"bytes of others: {_FOREIGN_PER_CENT} %",
        f"updates missing at the rover: {100 * _LATE_SHARE:g} %, in bursts",
        "rule epochs_single",
    ),
    cautions=(Caution.POWER,),
)
def busy_channel(evidence: Evidence, case: Case) -> None:
    """Look for others on the channel.

    For it: whole seconds missing without damaged frames or restarts; lost seconds that come in
    bursts; bytes of somebody else; every epoch received twice; bursts of age at the rover. Against
    it: a fix at 50 m points to the path instead. Ruled out by a whole stream at the rover.
    """
    link = evidence.rover_link
    if link is not None and link.frames:
        _busy_stream(evidence, case, link)
    elif evidence.heard_at == "base" or evidence.columns is None:
        case.lack(_LISTEN)
    if restarts(evidence):
        case.lack("a recording without restarts of the base")
    at_base = evidence.heard_at == "base" and evidence.far is None  # no radio before it
    foreign = None if at_base else evidence.findings.get("foreign_bytes")
    damaged = link is not None and link.damaged_share >= _DAMAGED
    told = evidence.has_frames and evidence.state("frames_whole") is not State.UNKNOWN
    if foreign is not None and (foreign.value or 0.0) >= _FOREIGN_PER_CENT and told and not damaged:
        case.sign("foreign", f"bytes of somebody else between the messages: {foreign.text}")
    twice = None if at_base else evidence.wrong("epochs_single")
    if twice is not None and not evidence.bad("one_base"):
        case.sign("twice", f"epochs received twice: {twice.text}; base and repeater both heard")
        case.first("switch the repeater off where the base itself reaches")
    ages = evidence.ages
    if ages is not None and ages.late_share >= _LATE_SHARE and ages.longest_s >= 2.5:
        explained = is_behind(evidence) or restarts(evidence)
        explained = explained or (link is not None and _is_damage(link))
        if _in_bursts(ages) and not explained:
            case.sign(
                "rover",
                f"the age of the corrections climbs in bursts of up to {seconds(ages.longest_s)}"
                f"{evidence.stale_text}",
            )
    elif is_steady(evidence) and ages is not None and not case.signs:
        case.absent(f"the corrections are fresh at the rover: {seconds(ages.median_s)} old, steady")


def _is_damage(link: LinkPattern) -> bool:
    """Tell whether damaged frames make up what was lost: on a busy channel nothing comes at all."""
    most = link.lost_part > link.lost_whole or link.damaged >= link.lost_whole
    return link.damaged_share >= _DAMAGED and most


def _busy_stream(evidence: Evidence, case: Case, link: LinkPattern) -> None:
    tied = link.tied_restarts > 0
    silent = link.gaps < 3
    if link.lost_whole >= _LOST * link.due and link.due and not tied and not silent:
        if _is_damage(link):
            return
        text = f"{link.lost_whole} of {link.due} seconds lost whole, in {link.gaps} gaps"
        case.sign("seconds", text, _utc_of_time(evidence))
        if link.bunching >= _BURSTS:
            case.sign("bursts", f"lost seconds come in bursts ({link.bunching:.1f} times chance)")
    elif link.whole >= 0.97 * link.due and link.due:
        case.absent(f"{share(link.whole, link.due)} of the epochs arrived whole")


def _at_50m(evidence: Evidence, case: Case) -> None:
    fixes = evidence.answers.fixes_at_50m
    if fixes and (case.signs or evidence.is_troubled):
        case.sign("50 m", "the rover fixes 50 m from the base")
    elif fixes is False:
        case.doubt("no fix 50 m from the base either")


def _utc(evidence: Evidence, timeline_ms: int | None) -> str | None:
    context = evidence.far_state or evidence.stream
    if context is None or timeline_ms is None:
        return None
    utc_ns = context.state.clock.utc_ns_of_epoch(timeline_ms)
    return None if utc_ns is None else context.state.clock.since_utc(utc_ns)


def _utc_of_time(evidence: Evidence) -> str | None:
    """Give when the first epoch that is not whole came."""
    context = evidence.far_state or evidence.stream
    epochs = context.state.epochs if context is not None else None
    if context is None or epochs is None:
        return None
    return context.state.clock.since(epochs.first_bad_ms)


CAUSES = (no_link, weak_path, busy_channel)
