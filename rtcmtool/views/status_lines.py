"""The stream as lines: for people without a terminal, and as JSON Lines for programs."""

from collections.abc import Iterable
from typing import Any

from rtcmtool.captures.companions import Event, OutageRow
from rtcmtool.diagnosis.finding import State
from rtcmtool.diagnosis.verdict import Verdict
from rtcmtool.gnss import time as gnss_time
from rtcmtool.monitor.live_state import LiveState
from rtcmtool.monitor.outage_kinds import OutageChange
from rtcmtool.views import dashboard_facts as facts
from rtcmtool.views.headline import Mood, headline, length_text

JsonObject = dict[str, Any]

STATUS_EVERY_S = 60.0


class StatusLines:
    """Plain mode: one line a change of state, and one status line a minute."""

    def __init__(self) -> None:
        self._mood: Mood | None = None
        self._told_ns: int | None = None

    def lines(self, live: LiveState, verdict: Verdict) -> list[str]:
        """Give the lines that are due now."""
        head = headline(live, verdict)
        now = live.now
        if head.mood is not self._mood:
            self._mood = head.mood
            return [f"{stamp(now.utc_ns)}  {head.text}"]
        if self._told_ns is None:
            self._told_ns = now.steady_ns
        if now.steady_ns - self._told_ns < STATUS_EVERY_S * 1e9:
            return []
        self._told_ns = now.steady_ns
        return [f"{stamp(now.utc_ns)}  {head.text}; {status_text(live)}"]


def status_text(live: LiveState) -> str:
    """Give the numbers of a status line."""
    gaps, lost = facts.gaps_fact(live)
    parts = [
        f"last epoch {facts.epoch_fact(live)}",
        f"satellites {facts.satellites_fact(live)}",
        f"gaps {gaps}",
        lost,
        f"delay {facts.delay_fact(live)[0]}",
    ]
    return "; ".join(" ".join(part.split()) for part in parts if part)


def stamp(utc_ns: int) -> str:
    """Give date and time of a line, UTC."""
    return f"{gnss_time.iso_utc(utc_ns, decimals=0)[:19].replace('T', ' ')} UTC"


def event_text(event: Event) -> str:
    """Give an event as a line for people."""
    state = event.values.get("state")
    if event.values.get("known_over") is False:
        state = "not watched any more"
    length = event.values.get("seconds")
    text = f"{event.text.rstrip('.')}, {state}" if state else event.text
    if isinstance(length, float):
        text += f" after {length:.1f} s"
    return f"{stamp(event.utc_ns)}  {event.kind}: {text}"


def summary_lines(live: LiveState) -> list[str]:
    """Give what is left on the screen after watching."""
    gaps, lost = facts.gaps_fact(live)
    positions = [s.positions for s in live.state.base.stations.values() if s.positions]
    if not positions:
        moved = "No position was sent."
    elif any(len(each) > 1 for each in positions):
        moved = "Position CHANGED."
    else:
        moved = "Position unchanged."
    watched = length_text(live.seconds)
    if not live.gaps.due:
        return [f"Watched {watched}. No epoch was judged. {moved}"]
    return [f"Watched {watched}. Gaps: {gaps}. {lost[:1].upper()}{lost[1:]}. {moved}"]


# ---- JSON Lines


def status_object(live: LiveState, verdict: Verdict) -> JsonObject:
    """Give the state as a JSON object; what is not known is null."""
    head = headline(live, verdict)
    counts = live.windows.over(60)
    mean_s, least_s = live.mean_delay_s, live.delays.least_s
    tracker = live.state.epochs
    gps_ms = None
    if tracker is not None and tracker.latest_ms is not None:
        gps_ms = live.state.clock.gps_ms_of_epoch(tracker.latest_ms)
    at = live.position_at
    traffic = live.state.traffic
    return {
        "type": "status",
        "utc": gnss_time.iso_utc(live.now.utc_ns),
        "state": head.mood.value,
        "headline": head.text,
        "verdict": verdict.word,
        "bad": _names(verdict, State.BAD),
        "watch": _names(verdict, State.WATCH),
        "unknown": _names(verdict, State.UNKNOWN),
        "station": live.state.main_station,
        "last_epoch_gps": None if gps_ms is None else gnss_time.iso(gps_ms),
        "epoch_age_s": None if tracker is None else round(facts.observed_age_s(live), 3),
        "interval_s": live.interval_s,
        "silent_s": round(live.outages.silent_s(live.now), 3),
        "satellites": live.satellites.counts(live.old_s),
        "position_age_s": None if at is None else round(live.ago_s(at), 3),
        "delay_s": _rounded(mean_s),
        "delay_over_least_s": None
        if mean_s is None or least_s is None
        else round(mean_s - least_s, 3),
        "clock_trusted": live.clock_trusted,
        "outage": live.outages.open_kind,
        "gaps": live.gaps.count,
        "longest_gap_s": live.gaps.longest_s,
        "epochs_due": live.gaps.due,
        "epochs_whole": live.gaps.whole,
        "air_time_percent": _rounded(_value(verdict, "air_time")),
        "frames": traffic.frames,
        "frames_damaged": traffic.damaged,
        "bytes": traffic.total_bytes,
        "foreign_bytes": traffic.foreign_so_far,
        "bytes_per_s": round(counts.bytes_per_s, 1),
        "frames_per_s": round(counts.frames_per_s, 2),
        "seconds": round(live.seconds, 3),
    }


def event_object(event: Event) -> JsonObject:
    """Give an event as a JSON object."""
    head = {"utc": gnss_time.iso_utc(event.utc_ns), "event": event.kind, "text": event.text}
    return {"type": "event", **event.values, **head}


def outage_object(change: OutageChange) -> JsonObject:
    """Give an outage that opened or closed as a JSON object."""
    row = change.row
    return {
        "type": "outage",
        "state": "open" if change.is_open else "ended",
        **_row_object(row, is_open=change.is_open),
    }


def _row_object(row: OutageRow, *, is_open: bool) -> JsonObject:
    epoch = row.last_good_epoch_gps_ms
    return {
        "start_utc": gnss_time.iso_utc(row.start_utc_ns),
        "end_utc": None if is_open else gnss_time.iso_utc(row.end_utc_ns),
        "duration_s": round(row.duration_s, 3),
        "kind": row.kind,
        "last_good_epoch_gps": None if epoch is None else gnss_time.iso(epoch),
        "epochs_missed": row.epochs_missed,
        "bytes_received": row.bytes_received,
        "crc_failures": row.crc_failures,
        "stations_heard": list(row.stations_heard),
        "note": row.note,
    }


def _names(verdict: Verdict, state: State) -> list[str]:
    return [finding.rule.name for finding in verdict.of(state)]


def _value(verdict: Verdict, rule: str) -> float | None:
    return next((f.value for f in verdict.findings if f.rule.name == rule), None)


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 3)


def json_objects(
    live: LiveState, verdict: Verdict, events: Iterable[Event], outages: Iterable[OutageChange]
) -> list[JsonObject]:
    """Give everything that is due for JSON Lines: events and outages first, then the status."""
    return [
        *(event_object(event) for event in events),
        *(outage_object(change) for change in outages),
        status_object(live, verdict),
    ]
