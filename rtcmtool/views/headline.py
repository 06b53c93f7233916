"""The sentence that never lies: one line that says how the stream is now."""

from dataclasses import dataclass
from enum import Enum

from rtcmtool.diagnosis.finding import Finding, State
from rtcmtool.diagnosis.live_verdict import event_key, is_later
from rtcmtool.diagnosis.verdict import Verdict
from rtcmtool.diagnosis.wording import grouped, seconds, share
from rtcmtool.gnss import time as gnss_time
from rtcmtool.monitor.events import WATCH_APPEARS_S, WATCH_CLEARS_S
from rtcmtool.monitor.live_state import LATE_S, OLD_INTERVALS, Blindness, LiveState
from rtcmtool.monitor.outage_kinds import (
    FIRST_S,
    LEAST_S,
    NO_POSITION_S,
    OUTAGE_WORDS,
    PARTS_OF_AN_OUTAGE,
    WHOLE_IN_A_ROW,
    Kind,
)
from rtcmtool.monitor.steady_clock import Moment

RATES_KNOWN_S = 60.0  # until then "not known yet" is said of all rules at once
_OF_POSITION = frozenset({"position_sent", "position_matches_mark"})
_LEAST_POSITION_S = 15.0  # the good limit of the rule position_sent


class Mood(Enum):
    """States of the headline; the words of JSON."""

    WAITING = "waiting"
    SENDING = "sending"
    BUT = "sending-but"
    NO_POSITION = "no-position"
    NO_OBSERVATIONS = "no-observations"
    DAMAGED = "damaged"
    SILENT = "silent"
    CANNOT_TELL = "cannot-tell"
    NOT_WATCHING = "not-watching"


_STYLES = {
    Mood.WAITING: "state.unknown",
    Mood.SENDING: "none",
    Mood.BUT: "state.watch",
    Mood.CANNOT_TELL: "state.unknown",
    Mood.NOT_WATCHING: "state.unknown",
}


@dataclass(frozen=True, slots=True)
class Headline:
    """The headline.

    Attributes
    ----------
    mood : Mood
        Its state.
    text : str
        The sentence.
    detail : str
        More, where there is room.
    style : str
        Name in the theme; it only repeats the word.
    short : str
        The sentence without its reasons, for where the whole does not fit.
    """

    mood: Mood
    text: str
    detail: str = ""
    style: str = "none"
    short: str = ""

    def fitting(self, room: int) -> str:
        """Give the sentence, or the short one where the whole is longer than `room`."""
        return self.short if self.short and len(self.text) > room else self.text


def headline(live: LiveState, verdict: Verdict) -> Headline:
    """Choose the sentence: our own blindness first, then the worst state of the stream.

    Parameters
    ----------
    live : LiveState
        The stream at its latest time.
    verdict : Verdict
        What the rules say about now.
    """
    mood, text, detail = _choose(live, verdict)
    style = _STYLES.get(mood, "state.bad")
    if mood is Mood.BUT and (_worst(verdict, State.BAD) or _is_late(live)):
        style = "state.bad"
    short = text.partition(": ")[0] if mood is Mood.NOT_WATCHING else ""
    return Headline(mood, text, detail, style, short)


def _choose(live: LiveState, verdict: Verdict) -> tuple[Mood, str, str]:
    if live.blind is not None:
        return (
            Mood.NOT_WATCHING,
            f"NOT WATCHING - {live.blind.reason}",
            _next_try(live.now, live.blind),
        )
    if live.first_byte is None and live.seconds < FIRST_S:
        return Mood.WAITING, f"WAITING {int(live.seconds)} s - nothing yet", ""
    lacking = live.lacking
    if lacking in {Kind.SILENCE, Kind.GARBLED, Kind.NO_OBSERVATIONS}:
        return _lacking(live, lacking)
    missing_s = position_missing_s(live)
    if missing_s is not None:
        text = f"NO POSITION for {length_text(missing_s)} - rovers get no RTK"
        return Mood.NO_POSITION, text, ""
    back = _back(live)
    if back:
        return Mood.BUT, f"SENDING, BUT {back}", ""
    worst = _worst(verdict, State.BAD) or _worst(verdict, State.WATCH)
    if worst is not None:
        return Mood.BUT, f"SENDING, BUT {_trouble(live, worst)}", _not_yet(live, worst)
    if verdict.missing:
        return Mood.CANNOT_TELL, f"CANNOT TELL - {_not_known(live, verdict)}", ""
    over = f"an event ends after {seconds(WATCH_CLEARS_S)} of this" if live.events.are_going else ""
    delay = next(f for f in verdict.findings if f.rule.name == "delay")
    if delay.state is State.UNKNOWN:
        return Mood.SENDING, "SENDING - whole; on time not known", over or delay.text
    return Mood.SENDING, "SENDING - whole and on time", over


def _is_late(live: LiveState) -> bool:
    """Tell whether epochs come that are too late by a trusted clock, or did a moment ago."""
    return live.lacking is Kind.LATE or live.outages.open_kind is Kind.LATE


def _back(live: LiveState) -> str:
    """Say what epochs do while an outage is open, or opens, though they come; else nothing."""
    outages, last_s = live.outages, live.delays.last_s
    if _is_late(live) and last_s is not None and last_s >= LATE_S:
        late = f"{last_s:.1f} s late"
        return late if outages.open_kind in {None, Kind.LATE} else f"only just back, {late}"
    if outages.open_kind in {None, Kind.NO_POSITION}:
        return ""
    if outages.is_in_part:
        return "epochs come in part"
    return f"only just back: {outages.whole_in_a_row} of {WHOLE_IN_A_ROW} whole epochs"


def _trouble(live: LiveState, worst: Finding) -> str:
    """Say what is wrong; what an outage has broken is told as that outage."""
    change = live.last_outage
    is_part = worst.rule.name in PARTS_OF_AN_OUTAGE and not is_later(worst)
    if change is None or change.goes_on or not (live.is_settling and is_part):
        return complaint(worst)
    row = change.row
    words, _ = OUTAGE_WORDS[Kind(row.kind)]
    return f"{words} {length_text(row.duration_s)} until {clock_time(row.end_utc_ns)}"


def _not_yet(live: LiveState, worst: Finding) -> str:
    """Say why nothing of it is among the events yet."""
    if worst.state is State.BAD or live.events.is_open(event_key(worst)):
        return ""
    is_part = worst.rule.name in PARTS_OF_AN_OUTAGE and not is_later(worst)
    if live.is_settling and is_part:
        return ""
    return f"an event if it lasts {seconds(WATCH_APPEARS_S)}"


def _lacking(live: LiveState, kind: Kind | None) -> tuple[Mood, str, str]:
    assert kind is not None
    lasts_s = live.outages.lasts_s(live.now, kind)
    length = length_text(lasts_s)
    opens = _opens(live)
    if kind is Kind.SILENCE:
        since = "the start" if live.first_byte is None else clock_time(_ago(live.now, lasts_s))
        detail = f"nothing received since {since}{'; ' if opens else ''}{opens}"
        return Mood.SILENT, f"SILENT for {length}", detail
    if kind is Kind.GARBLED:
        return Mood.DAMAGED, f"DAMAGED for {length} - bytes, but no whole message", opens
    return Mood.NO_OBSERVATIONS, f"NO OBSERVATIONS for {length}", opens


def _opens(live: LiveState) -> str:
    """Say when what is lacking becomes an outage; nothing once it is one."""
    outages = live.outages
    if outages.open_kind not in {None, Kind.NO_POSITION}:
        return ""
    limit_s = FIRST_S if outages.last_good is None else LEAST_S
    return f"an outage from {seconds(max(limit_s, live.old_s))} on"


def _next_try(now: Moment, blind: Blindness) -> str:
    """Say when it is tried again to listen; it counts down, so that it never looks new when old."""
    if blind.next_try_ns is None:
        return ""
    left_s = (blind.next_try_ns - now.steady_ns) / 1e9
    return f"next try in {length_text(max(round(left_s), 1))}" if left_s > 0 else "trying now"


def position_missing_s(live: LiveState) -> float | None:
    """Give how long no position came, if that is past the limit.

    The limit is three of its usual intervals, 15 s at least and 60 s at most; 60 s where none was
    ever seen.
    """
    if live.position_at is None:
        return live.seconds if live.seconds >= NO_POSITION_S else None
    every = live.position_interval_s
    usual = NO_POSITION_S if every is None else OLD_INTERVALS * every
    limit = min(max(usual, _LEAST_POSITION_S), NO_POSITION_S)
    missing = live.ago_s(live.position_at)
    return missing if missing >= limit else None


def _worst(verdict: Verdict, state: State) -> Finding | None:
    found = verdict.of(state, essential=True)
    return found[0] if found else None


def _not_known(live: LiveState, verdict: Verdict) -> str:
    if live.position_at is None and {f.rule.name for f in verdict.missing} <= _OF_POSITION:
        return "no position has come yet"
    if live.seconds < RATES_KNOWN_S:
        return "rates not known yet"
    return f"{verdict.missing[0].rule.printed} not known"


def complaint(finding: Finding) -> str:
    """Say in a few words what is wrong, behind `SENDING, BUT`."""
    name, value, values = finding.rule.name, finding.value, finding.values or {}
    if name == "epochs_complete" and {"due", "whole"} <= values.keys():
        return f"epochs {share(values['due'] - values['whole'], values['due'])} lost"
    if name == "frames_whole" and {"damaged", "frames"} <= values.keys():
        return f"{share(values['damaged'], values['frames'])} of the frames damaged"
    if value is not None:
        if name == "delay":
            return (
                f"{value:.1f} s later than before" if is_later(finding) else f"{value:.1f} s late"
            )
        if name == "longest_gap":
            return f"a gap of {length_text(value)} just now"
        if name == "satellites_enough":
            return f"only {grouped(round(value))} satellites"
        if name == "two_bands":
            return f"only {grouped(round(value))} satellites on two bands"
        if name == "one_base":
            return f"stations {finding.text} heard"
    return f"{finding.rule.printed}: {finding.text}"


def length_text(value_s: float) -> str:
    """Write a length that counts up: whole seconds, later minutes and hours."""
    return seconds(int(value_s))


def _ago(now: Moment, ago_s: float) -> int:
    return now.utc_ns - round(ago_s * 1e9)


def clock_time(utc_ns: int) -> str:
    """Give the time of day of a UTC time, to the second."""
    return gnss_time.iso_utc(utc_ns, decimals=0)[11:19]
