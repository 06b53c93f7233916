"""Does everything arrive, whole and on time? What the link does to the stream."""

from rtcmtool.diagnosis.cautions import Caution
from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.finding import (
    Finding,
    Rule,
    State,
    judged_above,
    judged_below,
    not_applicable,
    unknown,
)
from rtcmtool.diagnosis.regional_systems import out_of_view
from rtcmtool.diagnosis.site_sheet import SiteMessages
from rtcmtool.diagnosis.wording import grouped, number, seconds, share
from rtcmtool.gnss import time as gnss_time
from rtcmtool.monitor.epochs import EpochTracker

FEWEST_FRAMES = 20
FEWEST_EPOCHS = 20
SLOW = 1.5  # times the announced interval
FAR_OFF_S = 10.0  # with an untrusted clock: no link is so late, the clock is wrong
EARLY_S = 1.0  # no epoch arrives so long before its own time

_DAMAGE_ADVICE = {
    "base": "damage at the base means cable or port: push the plugs home, change the cable, check "
    "that the baud rate is the same at both ends.",
    "rover": "damage at the rover means the radio path: raise both radio antennas, clear the path, "
    "use a repeater; more power last, the lowest that works and within your licence.",
    "net": "damage on the network means the sender's own line: compare with a recording at the "
    "base's port.",
}


def _cautions(context: Context, state: State) -> tuple[Caution, ...]:
    """Give what belongs beside advice on the radio path: antennas and power."""
    if state is State.OK or context.at != "rover":
        return ()
    return (Caution.POWER, Caution.MASTS)


def bytes_arrive(context: Context) -> Finding:
    """Find out whether messages still come.

    Bad when nothing came for 15 s: until now, or until a recording ended that tells it. Other files
    are judged to their last byte. Limits by judgement.
    """
    rule = context.rule("bytes_arrive")
    count = context.state.traffic.frames
    advice = "look at the power light, the cable and the base's output; then at the radio."
    if not context.live:
        if not context.state.finished:
            return unknown(rule, "nothing could be read")
        if not count:
            return Finding(rule, State.BAD, "no message came", limit=rule.bad, action=advice)
        if not context.state.silent_s:
            text = f"{grouped(count)} messages to the file's end"
            return Finding(rule, State.OK, text, 0.0, limit=rule.bad, limit_text="")
    silent = context.silent_s if context.live else context.state.silent_s
    if silent is None:
        return unknown(rule, "nothing received yet")
    ok = 3 * context.interval_s
    assert rule.bad is not None
    text = f"last one {seconds(silent)} {'ago' if context.live else 'before the end'}"
    limit_text = seconds(ok)
    if silent <= ok:
        return Finding(rule, State.OK, text, silent, limit=ok, limit_text=limit_text)
    if silent < rule.bad:
        return Finding(rule, State.WATCH, text, silent, limit=ok, limit_text=limit_text)
    return Finding(
        rule,
        State.BAD,
        text,
        silent,
        limit=rule.bad,
        limit_text=seconds(rule.bad),
        action=advice,
    )


def frames_whole(context: Context) -> Finding:
    """Find out how many frames are damaged.

    Damaged is what stands where a frame was due: a known number behind a preamble, and a CRC that
    fails. Limits from the loss of frames at given bit error rates, and judgement.
    """
    rule = context.rule("frames_whole")
    traffic = context.state.traffic
    all_frames = traffic.frames + traffic.damaged
    if all_frames < FEWEST_FRAMES:
        return unknown(rule, f"only {all_frames} frames came, {FEWEST_FRAMES} are needed")
    value = 100 * traffic.damaged / all_frames
    state, limit = judged_below(rule, value)
    text = f"{grouped(traffic.damaged)} of {grouped(all_frames)}"
    if traffic.damaged:
        text += f" ({share(traffic.damaged, all_frames)})"
    return Finding(
        rule,
        state,
        text,
        value,
        {"damaged": traffic.damaged, "frames": all_frames, "layout": traffic.layout_rejects},
        limit,
        f"{number(limit or 0)} %",
        action=None if state is State.OK else _DAMAGE_ADVICE[context.at],
        cautions=_cautions(context, state),
    )


def foreign_bytes(context: Context) -> Finding:
    """Find out how much on the line is neither RTCM 3 nor NMEA.

    Limits by judgement.
    """
    rule = context.rule("foreign_bytes")
    traffic = context.state.traffic
    if not traffic.total_bytes:
        return unknown(rule, "nothing received")
    value = 100 * traffic.foreign_bytes / traffic.total_bytes
    state, limit = judged_below(rule, value)
    text = f"{grouped(traffic.foreign_bytes)} of {grouped(traffic.total_bytes)}"
    if traffic.foreign_bytes:
        text += f" ({share(traffic.foreign_bytes, traffic.total_bytes)})"
    if traffic.nmea_sentences:
        text += f"; NMEA apart: {grouped(traffic.nmea_sentences)} lines"
    action = (
        "set the port to RTCM 3 alone; at a radio, look for another user of the channel."
        if state is not State.OK
        else None
    )
    values = {"foreign_bytes": traffic.foreign_bytes, "nmea_bytes": traffic.nmea_bytes}
    limit_text = f"{number(limit or 0)} %"
    return Finding(rule, state, text, value, values, limit, limit_text, action=action)


def _enough_epochs(context: Context) -> EpochTracker | str:
    epochs = context.state.epochs
    if epochs is None:
        return "no observations came"
    if epochs.due < FEWEST_EPOCHS:
        return f"only {epochs.due} epochs, {FEWEST_EPOCHS} are needed"
    return epochs


def epochs_complete(context: Context) -> Finding:
    """Find out how many of the epochs that were due came whole.

    Limits: EPN availability 90 and 80 %, the good one raised to 95 % by judgement.
    """
    rule = context.rule("epochs_complete")
    epochs = _enough_epochs(context)
    if isinstance(epochs, str):
        return unknown(rule, epochs)
    value = 100 * epochs.whole / epochs.due
    state, limit = judged_above(rule, value)
    text = f"{grouped(epochs.whole)} of {grouped(epochs.due)}"
    if epochs.whole < epochs.due:
        text += f" ({share(epochs.whole, epochs.due)})"
    return Finding(
        rule,
        state,
        text,
        value,
        {"whole": epochs.whole, "due": epochs.due, "came": epochs.came},
        limit,
        f"{number(limit or 0)} %",
        context.state.clock.since(epochs.first_bad_ms) if state is not State.OK else None,
        None if state is State.OK else _LOSS_ADVICE[context.at],
        _cautions(context, state),
    )


_LOSS_ADVICE = {
    "base": "look at the cable and the baud rate first: at the base nothing should be lost.",
    "rover": "see whether long messages are lost more (weak path: raise both antennas) or whole "
    "seconds (busy channel: change the channel; sagging battery: change it).",
    "net": "compare with a recording at the base; then look at the internet link of the base.",
}


def longest_gap(context: Context) -> Finding:
    """Find the longest time from one whole epoch to the next.

    Ok up to 3 s or 3 intervals, bad above 10 s or 4 intervals, whichever is longer; by judgement.
    """
    rule = context.rule("longest_gap")
    epochs = _enough_epochs(context)
    if isinstance(epochs, str):
        return unknown(rule, epochs)
    assert rule.ok is not None
    assert rule.bad is not None
    clock = context.state.clock
    if epochs.longest is None:
        return unknown(rule, "fewer than two whole epochs came")
    value = epochs.longest.seconds
    ok = max(rule.ok, 3 * context.interval_s)
    bad = max(rule.bad, 4 * context.interval_s)
    state = State.OK if value <= ok else State.BAD if value > bad else State.WATCH
    limit = bad if state is State.BAD else ok
    utc_ns = clock.utc_ns_of_epoch(epochs.longest.begin_ms)
    since = None
    if state is not State.OK and utc_ns is not None:
        since = clock.since_utc(utc_ns)
    return Finding(
        rule,
        state,
        seconds(value),
        value,
        None,
        limit,
        seconds(limit),
        since,
        None
        if state is State.OK
        else "find what stopped the base or the link at that time: power, cable, radio keying, "
        "a recording put together from parts.",
    )


def later_than_before(
    rule: Rule, values: dict[str, float], *, since: str | None = None, is_past: bool = False
) -> Finding:
    """Tell that a stream has become later, by a clock that may be wrong.

    That difference is known with any clock. It is never bad: how late the stream is in all is not
    known.

    Parameters
    ----------
    rule : Rule
        The rule `delay`.
    values : dict
        With `later_s`, at the good limit of the rule or above.
    since : str, optional
        When, in UTC.
    is_past : bool
        Whether it is the most of a recording, and not the state of now.
    """
    later_s, limit = values["later_s"], rule.ok
    assert limit is not None
    text = f"{'up to ' if is_past else ''}{later_s:.1f} s later than before"
    return Finding(
        rule, State.WATCH, f"{text} (computer's clock not known to be right)", later_s, values,
        limit, seconds(limit), since, "send less, or faster; look at the network.",
    )  # fmt: skip


def delay(context: Context) -> Finding:
    """Find out how late the epochs arrive, against a trusted clock.

    The worst mean of 20 s. Limits: EPN real-time latency, 3 and 5 s. A clock that may be wrong
    tells only how steady the delay is, and whether it has become longer than it was.
    """
    rule = context.rule("delay")
    delays = context.state.delays
    if not context.state.clock.has_arrivals:
        return unknown(rule, "no arrival times in this capture")
    if not delays.epochs or delays.least_s is None or delays.most_s is None:
        return unknown(rule, "no epoch with a date came")
    value = delays.worst_mean_s if delays.worst_mean_s is not None else delays.mean_s
    assert value is not None
    values = {"mean_s": value, "least_s": delays.least_s, "most_s": delays.most_s}
    assert rule.ok is not None
    if not context.clock_trusted and delays.rise.worst_s >= rule.ok:
        worst_ms = delays.rise.worst_epoch_ms
        utc_ns = None if worst_ms is None else gnss_time.utc_ns_from_gps_ms(worst_ms)
        since = None if utc_ns is None else context.state.clock.since_utc(utc_ns)
        values["later_s"] = delays.rise.worst_s
        return later_than_before(rule, values, since=since, is_past=True)
    # An epoch that arrives before its own time shows that the clock is wrong, trusted or not.
    if value <= -EARLY_S or (value >= FAR_OFF_S and not context.clock_trusted):
        text = f"clock or stream {abs(value):.0f} s off"
        action = "set this computer's clock. Gaps are judged all the same."
        return unknown(rule, text, values=values, action=action)
    if not context.clock_trusted:
        spread_s = round(delays.most_s - delays.least_s, 1)
        how = "steady within" if spread_s < rule.ok else "not steady: it changes by"
        text = f"PC clock not known to be right; delay {how} {seconds(spread_s)}"
        return unknown(rule, text, values=values)
    if delays.worst_mean_s is None:
        return unknown(rule, f"{seconds(round(value, 1))}, 10 s are needed", values=values)
    error = context.clock_error_s
    right = "" if error is None else f" (PC clock right to {max(error, 0.1):.1f} s)"
    # From the bad limit on it is bad: corrections of that age are of no use (design, late).
    assert rule.bad is not None
    state, limit = (State.BAD, rule.bad) if value >= rule.bad else judged_below(rule, value)
    action = (
        "send less, or faster: fewer systems, MSM4 instead of MSM7, a faster radio; look at the "
        "network between."
    )
    return Finding(
        rule, state, f"{max(value, 0.0):.1f} s{right}", value, values, limit, seconds(limit or 0),
        action=None if state is State.OK else action,
    )  # fmt: skip


def epoch_closed(context: Context) -> Finding:
    """Find out whether the last message of an epoch says that it is the last.

    The multiple-message bit (synchronous flag of legacy messages) must end on 0, else a rover may
    wait an interval for more. Limits by judgement.
    """
    rule = context.rule("epoch_closed")
    epochs = _enough_epochs(context)
    if isinstance(epochs, str):
        return unknown(rule, epochs)
    value = 100 * epochs.closed / epochs.came
    state, limit = judged_above(rule, value)
    text = f"{grouped(epochs.closed)} of {grouped(epochs.came)}"
    action = (
        "the last message of the epoch is lost or the base leaves the flag set: see which message "
        "is missing, then restart the base's output."
    )
    return Finding(
        rule,
        state,
        text,
        value,
        None,
        limit,
        f"{number(limit or 0)} %",
        action=None if state is State.OK else action,
    )


def epochs_single(context: Context) -> Finding:
    """Find out whether epochs are received twice: base and repeater both heard.

    Limits by judgement.
    """
    rule = context.rule("epochs_single")
    epochs = _enough_epochs(context)
    if isinstance(epochs, str):
        return unknown(rule, epochs)
    value = 100 * epochs.repeated / epochs.came
    state, limit = judged_below(rule, value)
    text = f"{grouped(epochs.repeated)} of {grouped(epochs.came)} twice"
    action = (
        "base and repeater are both heard here: switch the repeater off where the base reaches."
    )
    return Finding(
        rule,
        state,
        text,
        value,
        None,
        limit,
        f"{number(limit or 0)} %",
        action=None if state is State.OK else action,
    )


def air_time(context: Context) -> Finding:
    """Find out what share of each second the radio must transmit.

    Frame bytes a second x 8 x overhead / over-air rate. Limits by judgement: above, data queue up
    and the age at the rover grows. It counts what was heard, unless the base itself was heard.
    """
    rule = context.rule("air_time")
    rate = context.radio_rate_bit_s
    if rate is None:
        return not_applicable(rule, "no radio rate given")
    traffic, clock = context.state.traffic, context.state.clock
    listened = clock.seconds + context.interval_s
    if clock.seconds < 10:
        return unknown(rule, f"only {seconds(clock.seconds)} heard, 10 s are needed")
    bytes_per_s = traffic.frame_bytes / listened
    value = 100 * bytes_per_s * 8 * context.overhead / rate
    state, limit = judged_below(rule, value)
    where = "sent" if context.at == "base" else "heard"
    text = f"{value:.0f} % of {grouped(round(rate))} bit/s ({where})"
    action = (
        "send less or faster: MSM4 instead of MSM7, fewer systems, every 2 s, a faster over-air "
        "rate at both ends, the repeater off."
    )
    values = {"bytes_per_s": bytes_per_s, "radio_rate_bit_s": rate, "overhead": context.overhead}
    limit_text = f"{number(limit or 0)} %"
    return Finding(
        rule, state, text, value, values, limit, limit_text,
        action=None if state is State.OK else action,
    )  # fmt: skip


def announced_messages(context: Context) -> Finding:
    """Compare what comes with what the site sheet or the base's own message 1013 announces.

    Missing is bad, and so is another station number than on the sheet; slower than one and a half
    times the announced interval is a watch. The sheet goes before 1013. A system that serves a
    region is not missed where none of its satellites need be in view.
    """
    rule = context.rule("announced_messages")
    sheet = SiteMessages() if context.sheet is None else context.sheet.messages
    plan = sheet.intervals_s or context.state.base.plan
    as_planned = "site sheet" if sheet.intervals_s else "as 1013"
    wrong = _wrong_station(context, rule, sheet.station)
    if wrong is not None:
        return wrong
    if not plan:
        if sheet.station in context.state.base.stations:
            text = f"station {sheet.station} as on the sheet, no intervals planned"
            return Finding(rule, State.OK, text, limit_text="site sheet")
        return not_applicable(rule, "no plan: no message 1013, no site sheet")
    table = context.state.messages.by_number
    heard = context.seconds
    away = out_of_view(context.state, (n for n in plan if n not in table))
    lacking = [n for n in plan if n not in table and n not in away]
    missing = [n for n in lacking if heard > 2 * plan[n] + 1]
    untold = [n for n in lacking if n not in missing]
    slow = []
    for name, every in plan.items():
        if name not in table or not every:
            continue
        usual = table[name].interval_s
        if usual is None and heard > 2 * every + 1:
            usual = heard  # it came once
        if usual is not None and usual > SLOW * every:
            slow.append(name)
    values = {"missing": missing, "slow": slow, "out_of_view": away}
    if missing:
        text = "missing: " + ", ".join(map(str, missing))
        action = "switch these messages on at the base, or correct the announcement."
        return Finding(rule, State.BAD, text, values=values, limit_text=as_planned, action=action)
    if slow:
        text = "slower than announced: " + ", ".join(map(str, slow))
        action = "set the intervals that were announced, or correct the announcement."
        return Finding(rule, State.WATCH, text, values=values, limit_text=as_planned, action=action)
    if untold:
        return unknown(rule, "not heard long enough for " + ", ".join(map(str, untold)))
    text = f"all {len(plan)} come"
    if away:
        names = ", ".join(map(str, away))
        text = f"{len(plan) - len(away)} of {len(plan)} come; {names}: no satellite need be in view"
    return Finding(rule, State.OK, text, values=values, limit_text=as_planned)


def _wrong_station(context: Context, rule: Rule, expected: int | None) -> Finding | None:
    """Find out whether other station numbers alone are heard than the site sheet has."""
    heard = sorted(context.state.base.stations)
    if expected is None or not heard or expected in heard:
        return None
    names = ", ".join(map(str, heard))
    return Finding(
        rule,
        State.BAD,
        f"station {names} is heard, the site sheet says {expected}",
        values={"stations": heard, "expected": expected},
        limit_text="site sheet",
        action="see whose base this is; set the station number in the base or on the site sheet.",
    )
