"""The radio path, where both of its ends were listened to at once."""

from dataclasses import replace

from rtcmtool.diagnosis.cautions import Caution
from rtcmtool.diagnosis.finding import RANK, Finding, Rule, State, Weight, judged_below, unknown
from rtcmtool.diagnosis.verdict import Verdict
from rtcmtool.diagnosis.wording import grouped, number, share
from rtcmtool.monitor.air_loss import AirLoss
from rtcmtool.monitor.stream_state import StreamState

FEWEST_SENT = 20
PRINTED = "radio path to rover"
RULE = Rule(
    "radio_path",
    PRINTED,
    Weight.BLOCKS,
    "%",
    5.0,
    20.0,
    "EPN availability 90 and 80 % of epochs, the good one raised to 95 % by judgement",
    below=True,
)


def radio_path(air: AirLoss, near: StreamState, far: StreamState, far_name: str) -> Finding:
    """Find out what the air loses between base and rover.

    Loss that grows with the length of the frames is a weak path; loss that does not is a busy
    channel.

    Parameters
    ----------
    air : AirLoss
        Frames of both ends, matched.
    near, far : StreamState
        What was heard at the base and at the other end.
    far_name : str
        Name of the other end, for people.
    """
    sent, heard = air.sent, air.heard
    values = {
        "sent": sent,
        "heard": heard,
        "only_heard": air.foreign,
        "delay_s": air.mean_delay_s,
        "by_length": {each.label: {"sent": each.sent, "heard": each.heard} for each in air.classes},
    }
    strangers = sorted(set(far.base.stations) - set(near.base.stations))
    if strangers and air.foreign:
        return Finding(
            RULE, State.BAD, f"base {', '.join(map(str, strangers))} is heard too", None, values,
            action="one channel, one base: change the channel or agree with the other crew.",
        )  # fmt: skip
    if sent < FEWEST_SENT:
        text = f"only {sent} frames were sent meanwhile, {FEWEST_SENT} are needed"
        return unknown(RULE, text, values=values)
    value = 100 * (sent - heard) / sent
    state, limit = judged_below(RULE, value)
    if not heard:
        text = f"nothing of {grouped(sent)} frames heard at {far_name}"
        if far.traffic.frames:
            text += ", but other frames"
    else:
        text = f"{grouped(heard)} of {grouped(sent)} frames heard at {far_name}"
    if air.mean_delay_s is not None:
        text += f", {air.mean_delay_s:.1f} s later"
    lost = [
        f"{each.label}: {share(each.lost, each.sent)} lost" for each in air.classes if each.sent
    ]
    if 0 < heard < sent:
        text += f"; {'; '.join(lost)}"
    action = (
        "raise both radio antennas, clear the path; look at channel and over-air rate at both "
        "ends; more power last, the lowest that works and within your licence."
    )
    return Finding(
        RULE, state, text, value, values, limit, f"{number(limit or 0)} % lost",
        action=None if state is State.OK else action,
        cautions=() if state is State.OK else (Caution.POWER, Caution.MASTS),
    )  # fmt: skip


def with_finding(verdict: Verdict, finding: Finding, *, strict: bool = False) -> Verdict:
    """Give a verdict with one finding more."""
    findings = sorted(
        [*verdict.findings, finding],
        key=lambda each: (RANK[each.state], not each.rule.essential),
    )
    blocks = finding.state is State.BAD or (strict and finding.state is State.WATCH)
    word = "no-go" if blocks and finding.rule.essential else verdict.word
    return replace(verdict, word=word, findings=tuple(findings))
