"""Cause 24: the base's receiver, its clock, and its own port."""

from rtcmtool.diagnosis.causes import Case, cause
from rtcmtool.diagnosis.causes_load import is_slow
from rtcmtool.diagnosis.causes_signal import (
    dropped_bands,
    fell_together,
    lasts,
    slips_explained,
)
from rtcmtool.diagnosis.evidence import Evidence, names
from rtcmtool.diagnosis.evidence_link import LinkPattern
from rtcmtool.diagnosis.wording import grouped, seconds, share

_NEVER_CLOSED = 0.05
_JUMPS = 3
_DAMAGED = 0.01  # limit ok of the rule frames_whole
_LATE_SHARE = 0.05  # of updates at the rover: judgement


@cause(
    "clock, receiver or port of the base",
    do=("restart the base receiver; if it stays, update it or change it",),
    proves_it="clean after a restart, or with another receiver",
    basis="jumps of 1 ms, half cycles, epochs that never close: common practice; RTCM 10403.x",
    limits=(
        f"rule clock_jumps; proven from {_JUMPS} jumps on",
        "rules half_cycles, systems_steady, slips",
        f"epoch_closed under {100 * _NEVER_CLOSED:g} % while 95 % of the epochs arrive",
        "the last message of 5 % of the epochs missing, and no other",
        f"at the base's own port: {100 * _DAMAGED:g} % of the frames damaged, or no message at all",
        "rules epochs_single, foreign_bytes",
    ),
)
def base_receiver(evidence: Evidence, case: Case) -> None:
    """Look for a receiver that misbehaves.

    For it: clock jumps; unresolved half cycles without restarts; an 'end of epoch' flag that never
    comes while nothing else is lost; a last message that is missing now and then; slips that
    nothing else explains; a system that left; at the base's own port damaged frames, foreign bytes,
    epochs sent twice, or bytes without a message. Against it: nothing. Ruled out by a stream
    without any of these.
    """
    _own_port(evidence, case)
    if not evidence.has_frames:
        if not case.signs:
            case.lack("the base's stream")
        return
    _clock_and_phases(evidence, case)
    _epochs(evidence, case)
    link = evidence.link
    left = evidence.bad("systems_steady")
    if left is not None and not (link is not None and (link.loses or link.restarts)):
        case.sign("systems", left.text, left.since)
    if not case.signs and not case.proofs:
        case.absent("no clock jumps, no half cycles, epochs closed")


def _clock_and_phases(evidence: Evidence, case: Case) -> None:
    jumps = evidence.bad("clock_jumps")
    if jumps is not None and (jumps.value or 0.0) >= _JUMPS:
        case.proof(f"the base's clock jumps: {jumps.text}", jumps.since)
    elif jumps is not None:
        case.sign("clock", f"the base's clock jumps: {jumps.text}", jumps.since)
    half = evidence.bad("half_cycles")
    restarted = evidence.link is not None and evidence.link.restarts > 0
    if half is not None and not restarted:
        case.proof(f"half cycles unresolved: {half.text}")
    slips = evidence.slipping
    if slips is None or slips_explained(evidence) or evidence.wrong("multipath") is not None:
        return
    one_band = lasts(evidence, dropped_bands(evidence)[0])
    if evidence.weak_signals is None and not one_band and not fell_together(evidence):
        case.sign("slips", f"slips of strong signals: {slips.text}", slips.since)


def _epochs(evidence: Evidence, case: Case) -> None:
    """Look at how epochs end."""
    if never_closed(evidence):
        text = f"epochs never end: {evidence.findings['epoch_closed'].text} closed by their flag"
        if evidence.may_be_lost:
            missing = names(evidence.missing_observations)
            case.sign("last", f"{text}; {missing} planned, never came")
        else:
            case.proof(text)
        case.first("see whether the last message of the epoch is switched off or does not pass")
    elif evidence.link is not None and evidence.link.loses_last and not is_slow(evidence):
        case.sign("last", last_text(evidence.link))
        case.first("see whether the last message of the epoch is cut off: port, buffer, radio")
        ages = evidence.ages
        if ages is not None and ages.late_share >= _LATE_SHARE:
            text = f"updates missing {100 * ages.late_share:.0f} % of the time"
            case.sign("rover", f"{text} at the rover, up to {seconds(ages.longest_s)} on end")


def last_text(link: LinkPattern) -> str:
    """Say how often the last message alone was missing."""
    return (
        f"the last message is missing in {share(link.last_missing, link.came)} of the epochs, "
        "hardly any other"
    )


def never_closed(evidence: Evidence) -> bool:
    """Tell whether the flag stays set although everything else arrives."""
    closed, link = evidence.bad("epoch_closed"), evidence.link
    if closed is None or link is None:
        return False
    arrives = link.came >= 0.95 * link.due and link.damaged_share < _DAMAGED
    paced = link.lag_growth_s is None or link.lag_growth_s < 2.0
    return (closed.value or 0.0) < 100 * _NEVER_CLOSED and arrives and paced


def _own_port(evidence: Evidence, case: Case) -> None:
    """Look at what is wrong at the base's own port: no radio lies between."""
    link, stream = evidence.link, evidence.stream
    if evidence.heard_at != "base" or link is None or stream is None:
        return
    rates = "change the cable of the port; compare the baud rates at both ends"
    came = stream.state.traffic.total_bytes
    if not evidence.has_frames:
        if came:
            case.sign("port", f"{grouped(came)} bytes at the base's own port, no message in them")
            case.first(rates)
        return
    if link.damaged_share >= _DAMAGED:
        total = link.frames + link.damaged
        text = f"{grouped(link.damaged)} of {grouped(total)} frames damaged at the base's own port"
        case.sign("port", f"{text} ({share(link.damaged, total)})")
        case.first(rates)
    twice = evidence.stream_finding("epochs_single")
    if twice is not None and not evidence.bad("one_base"):
        case.sign("twice", f"epochs sent twice at the base's own port: {twice.text}")
        case.first("see whether two outputs of messages are switched on at this port")
    foreign = evidence.stream_finding("foreign_bytes")
    if foreign is not None and link.damaged_share < _DAMAGED:
        case.sign("foreign", f"other bytes at the base's own port: {foreign.text}")
        case.first("switch off what else is put out at this port: they load the radio")


CAUSES = (base_receiver,)
