"""The rules asked about now: what changes with time is judged over the last half minute.

What is summed over time, such as slips, is judged over the last half hour to hour, and what a base
says of itself over the whole session, as `check` does. A gap of an hour ago is history, not a fault
of now: it stays in the events.
"""

from dataclasses import replace
from math import ceil

from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.finding import (
    RANK,
    Finding,
    State,
    Weight,
    judged_above,
    judged_below,
    unknown,
)
from rtcmtool.diagnosis.link_rules import EARLY_S, FAR_OFF_S, FEWEST_EPOCHS, later_than_before
from rtcmtool.diagnosis.verdict import RULE_FUNCTIONS, Verdict
from rtcmtool.diagnosis.wording import grouped, number, seconds, share
from rtcmtool.monitor.events import WATCH_CLEARS_S, Condition, Rank
from rtcmtool.monitor.live_state import LiveState
from rtcmtool.monitor.steady_clock import NS_PER_S
from rtcmtool.monitor.windows import BUCKET_S

# Judged over the last half minute; all others over the session.
ABOUT_NOW = frozenset(
    {
        "frames_whole", "foreign_bytes", "longest_gap", "epoch_closed",
        "epochs_single", "observations_usable", "two_bands", "satellites_enough", "one_base",
        "half_cycles", "air_time",
    }
)  # fmt: skip
# Sums over time: judged over the last half hour to hour, so that a long day does not hide them.
ABOUT_LATELY = frozenset(
    {
        "band_drop", "clock_jumps", "ionosphere", "lock_restart", "multipath", "signal_strength",
        "slips", "systems_steady",
    }
)  # fmt: skip
_LOST_ADVICE = {
    "base": "look at the cable and the baud rate first: at the base nothing should be lost.",
    "rover": "see which messages are lost: long ones - weak path; whole seconds - busy channel.",
    "net": "compare with a recording at the base; then look at the base's internet link.",
}
_LOST = "epochs_lost"
LATER = "later"  # no part of an outage: the silence before the first late epoch is over
# Rules that show the same cause: one event.
_CAUSES = {
    "epochs_complete": _LOST,
    "epoch_closed": _LOST,
    "longest_gap": _LOST,
    "satellites_enough": "satellites",
    "two_bands": "satellites",
}
_FRESH = ABOUT_NOW | {"bytes_arrive", "epochs_complete", "position_sent", "delay"}
_OTHERS = _FRESH | ABOUT_LATELY
# What one message, or the delay of some seconds, proves to be over.
_ENDED_AT_ONCE = frozenset({"position_sent", "bytes_arrive", LATER})
SESSION_EVERY_S = 5  # some rules of the session are heavy
SILENT_S = 60.0  # a minute is no more lost in half an hour


class LiveJudge:
    """Applies all rules to a stream that runs.

    Parameters
    ----------
    context : Context
        What the crew told; its state is replaced.
    """

    def __init__(self, context: Context) -> None:
        self._context = context
        self._session: dict[str, Finding] = {}
        self._judged_ns: int | None = None
        self._told: tuple[int | None, ...] = ()

    def judge(self, live: LiveState) -> Verdict:
        """Give the verdict about now.

        Rules about now are asked each time, those of the session every `SESSION_EVERY_S` and when
        the base says something new of itself.
        """
        silent_s = live.outages.silent_s(live.now) if live.first_byte else None
        session = replace(self._context, state=live.state, live=True, silent_s=silent_s)
        now = replace(session, state=live.recent_state())
        since_ns, told = self._judged_ns, _told(live)
        is_due = since_ns is None or live.now.steady_ns - since_ns >= SESSION_EVERY_S * NS_PER_S
        if is_due or told != self._told:
            rules = RULE_FUNCTIONS.items()
            self._session = {name: rule(session) for name, rule in rules if name not in _OTHERS}
            self._session |= _lately(live, session)
            self._told = told
        if is_due:
            self._judged_ns = live.now.steady_ns
        fresh = {name: RULE_FUNCTIONS[name](now) for name in ABOUT_NOW}
        fresh["bytes_arrive"] = RULE_FUNCTIONS["bytes_arrive"](session)
        fresh["epochs_complete"] = _epochs_complete(live, session)
        fresh["position_sent"] = _position_sent(live, session)
        fresh["delay"] = _delay(live, session)
        by_name = {**self._session, **fresh}
        findings = [by_name[name] for name in RULE_FUNCTIONS]
        findings.sort(key=lambda finding: (RANK[finding.state], not finding.rule.essential))
        return Verdict(_word(findings), tuple(findings))


def _told(live: LiveState) -> tuple[int | None, ...]:
    """Tell what a base has said of itself so far, so that news are noticed."""
    base = live.state.base
    positions = sum(len(station.positions) for station in base.stations.values())
    return live.state.main_station, len(base.stations), positions, len(base.antennas)


def _word(findings: list[Finding]) -> str:
    if any(f.state is State.BAD and f.rule.essential for f in findings):
        return "no-go"
    if any(f.state is State.UNKNOWN and f.rule.weight is Weight.KNOWN for f in findings):
        return "cannot-tell"
    return "go"


def _lately(live: LiveState, session: Context) -> dict[str, Finding]:
    """Judge what is summed over time; the text says over how much, where it is not the session.

    While nothing comes, nothing is forgotten: then the text says that it is of the time before.
    """
    context, length_s = replace(session, state=live.lately.state()), live.lately.seconds
    found = {name: RULE_FUNCTIONS[name](context) for name in ABOUT_LATELY}
    if length_s is None:
        return found
    is_silent = (session.silent_s or 0.0) >= SILENT_S
    span = f"last {length_s / 60:.0f} min{' before the silence' if is_silent else ''}"
    return {
        name: finding
        if finding.state is State.UNKNOWN
        else replace(finding, text=f"{span}: {finding.text}")
        for name, finding in found.items()
    }


def _epochs_complete(live: LiveState, context: Context) -> Finding:
    """Judge the epochs of the last half minute; limits and advice of the rule epochs_complete.

    The epochs of a silence are counted when it ends: a stream that has just come back is not whole.
    """
    rule = context.rule("epochs_complete")
    span_s = -(-int(live.recent.span_s) // BUCKET_S) * BUCKET_S
    counts = live.windows.over(span_s)
    if counts.due < FEWEST_EPOCHS:
        return unknown(rule, f"only {counts.due} epochs, {FEWEST_EPOCHS} are needed")
    value = 100 * counts.whole / counts.due
    state, limit = judged_above(rule, value)
    text = f"{grouped(counts.whole)} of {grouped(counts.due)}"
    if counts.whole < counts.due:
        text += f" ({share(counts.whole, counts.due)})"
    values = {"whole": counts.whole, "due": counts.due}
    return Finding(
        rule, state, text, value, values, limit, f"{number(limit or 0)} %",
        action=None if state is State.OK else _LOST_ADVICE[context.at],
    )  # fmt: skip


def _position_sent(live: LiveState, context: Context) -> Finding:
    """Judge how long ago the last position message came; limits of the rule position_sent."""
    rule = context.rule("position_sent")
    assert rule.bad is not None
    advice = "switch on 1005 or 1006 at the base, every 5 to 10 s."
    if live.position_at is None:
        if live.seconds < rule.bad:
            return unknown(rule, f"none in the {seconds(int(live.seconds))} so far")
        text = f"none in {seconds(int(live.seconds))}"
        limit_text = seconds(rule.bad)
        return Finding(
            rule, State.BAD, text, live.seconds, None, rule.bad, limit_text, action=advice
        )
    value = live.ago_s(live.position_at)
    state, limit = judged_below(rule, value)
    every = live.position_interval_s
    text = f"last {seconds(int(value))} ago"
    if every:
        text = f"every {seconds(every)}, {text}"
    return Finding(
        rule, state, text, value, {"interval_s": every}, limit, seconds(limit or 0),
        action=None if state is State.OK else advice,
    )  # fmt: skip


def _delay(live: LiveState, context: Context) -> Finding:
    """Judge the mean delay of the last 20 s; only a trusted clock can tell.

    Any clock tells that it has become longer than before. EPN real-time latency: 3 and 5 s.
    """
    rule = context.rule("delay")
    if not live.has_arrivals:
        return unknown(rule, "no arrival times in this capture")
    mean = live.mean_delay_s
    if mean is None:
        return unknown(rule, "no epoch with a date came in the last 20 s")
    values = {"mean_s": mean}
    assert rule.ok is not None
    later_s = live.later_s
    if not live.clock_trusted and later_s is not None and later_s >= rule.ok:
        return later_than_before(rule, {**values, "later_s": later_s})
    # An epoch that arrives before its own time shows that the clock is wrong, trusted or not.
    if mean <= -EARLY_S or (abs(mean) >= FAR_OFF_S and not live.clock_trusted):
        text = f"clock or stream {abs(mean):.0f} s off"
        action = "set this computer's clock. Gaps are judged all the same."
        return unknown(rule, text, values=values, action=action)
    if not live.clock_trusted:
        return unknown(rule, "the computer's clock is not known to be right", values=values)
    needs_s = live.delays.needs_s(live.interval_s)
    if needs_s > 0:
        return unknown(rule, f"needs {seconds(ceil(needs_s))} more", values=values)
    assert rule.bad is not None
    # From the bad limit on it is bad: corrections of that age are of no use (design, late).
    state, limit = (State.BAD, rule.bad) if mean >= rule.bad else judged_below(rule, mean)
    return Finding(
        rule, state, f"{max(mean, 0.0):.1f} s", mean, values, limit, seconds(limit or 0),
        action=None if state is State.OK else "send less, or faster; look at the network.",
    )  # fmt: skip


def conditions(verdict: Verdict) -> list[Condition]:
    """Give what is wrong as conditions for the event list: one a cause, the worst first."""
    found: dict[str, Condition] = {}
    for finding in verdict.findings:
        if finding.state not in {State.BAD, State.WATCH}:
            continue
        key = _cause(finding)
        before = found.get(key)
        if before is None or (key == _LOST and finding.rule.name == "epochs_complete"):
            bad = finding.state is State.BAD and finding.rule.essential
            rank = Rank.BAD if bad else Rank.WATCH
            rank = rank if before is None else min(rank, before.rank)
            text, size = _words(finding)
            clears_s = 0.0 if key in _ENDED_AT_ONCE else WATCH_CLEARS_S
            found[key] = Condition(key, rank, text, finding.action or "", size, clears_s)
    return list(found.values())


def event_key(finding: Finding) -> str:
    """Give the key of the event that a finding makes."""
    return f"finding:{_cause(finding)}"


def _cause(finding: Finding) -> str:
    return LATER if is_later(finding) else _CAUSES.get(finding.rule.name, finding.rule.name)


def is_later(finding: Finding) -> bool:
    """Tell whether a finding says that the stream is later than before."""
    return finding.rule.name == "delay" and "later_s" in (finding.values or {})


def _words(finding: Finding) -> tuple[str, float]:
    """Give the words of a finding for the event list, and how bad it is."""
    values = finding.values or {}
    if is_later(finding):
        return f"{values['later_s']:.1f} s later than before", float(values["later_s"])
    if finding.rule.name == "epochs_complete" and {"due", "whole"} <= values.keys():
        lost = values["due"] - values["whole"]
        return f"{lost} of {values['due']} epochs lost", float(lost)
    return f"{finding.rule.printed}: {finding.text}", 0.0
