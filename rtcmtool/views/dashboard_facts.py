"""The facts of the dashboard as texts: alive, right place, enough, what was lost, late, too much.

A value that is old is replaced by `--` and told as `was ..., N s ago`; one that is not known is `?`
with the reason.
"""

from typing import TYPE_CHECKING

from rtcmtool.diagnosis.finding import State
from rtcmtool.diagnosis.rule_table import RULES
from rtcmtool.diagnosis.wording import grouped, seconds, share
from rtcmtool.gnss.geodesy import degrees_from_ecef
from rtcmtool.gnss.signals import SYSTEMS
from rtcmtool.gnss.time import week_and_seconds
from rtcmtool.monitor.live_state import LiveState
from rtcmtool.monitor.outage_kinds import Kind
from rtcmtool.monitor.steady_clock import Moment
from rtcmtool.monitor.windows import Counts
from rtcmtool.views.dashboard_parts import Screen
from rtcmtool.views.headline import clock_time, length_text

if TYPE_CHECKING:
    from rtcmtool.monitor.rover_state import RoverState

_NOT_COMPARED = "not compared: no known mark"
CHANGED_S = 2.0  # what has become so much later is told as it is now; judgement
FAR_OFF_S = 10.0  # a clock or stream that is so far off is told by its size


def age_text(age_s: float) -> str:
    """Write an age: tenths while it is young."""
    return f"{age_s:.1f} s" if age_s < 3 else length_text(age_s)


def old(value: str, age_s: float) -> str:
    """Say that a value is old; it never looks new."""
    return f"-- was {value}, {length_text(age_s)} ago"


def is_cut_off(live: LiveState) -> bool:
    """Tell whether nothing that is known can be about now."""
    return live.blind is not None or live.lacking in {Kind.SILENCE, Kind.GARBLED}


def observed_age_s(live: LiveState) -> float:
    """Seconds since the last observation message."""
    return live.outages.age_s(live.now, Kind.NO_OBSERVATIONS)


def epoch_fact(live: LiveState) -> str:
    """Tell the last epoch and its age, by a trusted clock; by another one when it arrived."""
    tracker = live.state.epochs
    if tracker is None or tracker.latest_ms is None:
        return "? none yet"
    utc_ns = live.state.clock.utc_ns_of_epoch(tracker.latest_ms)
    when = "? date not known" if utc_ns is None else f"{clock_time(utc_ns)} UTC"
    return f"{when}, {epoch_age_text(live)}"


def epoch_age_text(live: LiveState) -> str:
    """Tell the age of the last epoch, `6.4 s ago`, or `arrived 0.4 s ago` where it is not known."""
    tracker = live.state.epochs
    utc_ns = None
    if tracker is not None and tracker.latest_ms is not None and live.clock_trusted:
        utc_ns = live.state.clock.utc_ns_of_epoch(tracker.latest_ms)
    if not live.has_arrivals:  # timed by its epochs
        return f"{age_text(observed_age_s(live))} ago"
    if utc_ns is None or utc_ns > live.now.utc_ns:
        return f"arrived {age_text(observed_age_s(live))} ago"
    return f"{age_text((live.now.utc_ns - utc_ns) / 1e9)} ago"


def interval_fact(live: LiveState) -> str:
    """Tell the usual interval."""
    every = live.interval_s
    return f"usual every {seconds(every)}" if every else "? interval not known yet"


def gps_fact(live: LiveState, *, is_dated: bool = True) -> str:
    """Tell the last epoch as GPS week and seconds; the week only where it is known."""
    tracker = live.state.epochs
    if tracker is None or tracker.latest_ms is None:
        return ""
    gps_ms = live.state.clock.gps_ms_of_epoch(tracker.latest_ms)
    if gps_ms is None:
        return ""
    week, second = week_and_seconds(gps_ms)
    return f"GPS week {week if is_dated else '?'}, {second:.1f} s"


def position_fact(screen: Screen, *, wide: bool = False) -> str:
    """Tell what the position sent is worth."""
    live = screen.live
    if live.position_at is None:
        return f"? none in {length_text(live.seconds)}"
    text = position_worth(screen, has_place=wide)
    age = live.ago_s(live.position_at)
    every = live.position_interval_s or 20.0
    if is_cut_off(live) or age > 3 * every:
        return f"-- last one {length_text(age)} ago" if text == _NOT_COMPARED else old(text, age)
    return text


def position_worth(screen: Screen, *, has_place: bool = False) -> str:
    """Compare the position with the sheet; without one give the position, if no other line does."""
    matches = screen.finding("position_matches_mark")
    if matches.state in {State.OK, State.WATCH, State.BAD}:
        return f"{matches.text} from the site sheet"
    if has_place:
        return _NOT_COMPARED
    return place_text(screen.live) or "sent, not readable"


def place_text(live: LiveState) -> str:
    """Give the position sent as degrees and height."""
    position = live.position
    if position is None or not any(position.arp_ecef_m):
        return ""
    latitude, longitude, height = degrees_from_ecef(position.arp_ecef_m)
    north, east = "NS"[latitude < 0], "EW"[longitude < 0]
    return f"{abs(latitude):.9f} {north}   {abs(longitude):.9f} {east}   {height:.3f} m"


def position_habit(live: LiveState) -> str:
    """Tell how often the position comes, when last, and whether it changed."""
    position, station = live.position, live.state.base.stations.get(live.state.main_station or 0)
    if position is None or live.position_at is None or station is None:
        return ""
    every = live.position_interval_s
    parts = [f"{position.number} every {seconds(every)}" if every else f"{position.number} once"]
    parts.append(f"last {length_text(live.ago_s(live.position_at))} ago")
    changes = len(station.positions) - 1
    parts.append(f"changed {changes} times" if changes > 0 else "never changed")
    return ", ".join(parts)


def antenna_fact(screen: Screen) -> str:
    """Tell the antenna height as sent, and as taped where that is known."""
    finding = screen.finding("antenna_height")
    return finding.text if finding.state is not State.UNKNOWN else f"? {finding.text}"


def satellites_fact(live: LiveState, *, short: bool = False) -> str:
    """Tell the satellites of the last epochs by system."""
    counts = live.satellites.counts(live.old_s)
    if not counts:
        return "? none yet"
    names = [(SYSTEMS[letter].short_name, count) for letter, count in counts.items()]
    total = sum(counts.values())
    if short:
        text = f"{total}  " + " ".join(f"{name}{count}" for name, count in names)
    else:
        text = f"{total}: " + "  ".join(f"{name} {count}" for name, count in names)
    age = observed_age_s(live)
    if age >= live.old_s or live.blind:
        return old(str(total) if short else text, age)
    return text


def slips_fact(screen: Screen) -> str:
    """Tell the losses of lock, or what is missing to tell them."""
    finding = screen.finding("slips")
    text = finding.text
    return f"slips: ? {text}" if finding.state is State.UNKNOWN else f"slips: {text}"


def gaps_fact(live: LiveState, *, wide: bool = False) -> tuple[str, str]:
    """Tell the gaps so far, and the epochs that were not whole."""
    gaps = live.gaps
    open_s = gaps.open_s(live.now)
    is_open = not live.blind and open_s >= live.old_s
    count = gaps.count + is_open
    if not gaps.due:
        return "? no epoch judged yet", ""
    missed = gaps.due - gaps.whole
    missed_now = max(round(open_s / (live.interval_s or 1.0)) - 1, 0) if is_open else 0
    due, missed = gaps.due + missed_now, missed + missed_now
    lost = f"{grouped(missed)} of {grouped(due)} epochs not whole"
    if missed:
        lost += f", {share(missed, due)}"
    if not count:
        return "none", lost
    if is_open and open_s >= gaps.longest_s:
        return f"{count}, longest {length_text(open_s)} (open)", lost
    text = f"{count}, longest {seconds(gaps.longest_s)}"
    if wide and gaps.longest_at is not None and gaps.last_end is not None:
        text += f" at {clock_time(gaps.longest_at.utc_ns)}"
        text += f", last {length_text(live.ago_s(gaps.last_end))} ago"
    return text, lost


def delay_fact(live: LiveState, *, short: bool = False) -> tuple[str, str]:
    """Tell the delay, or why it is not known; and what the clock is worth."""
    if not live.has_arrivals:
        return "? no arrival times in this capture", ""
    counts = live.windows.over(60)
    mean, within = live.mean_delay_s, counts.delay_within_s(0.95)
    last, least = live.delays.last_s, live.delays.least_s
    if mean is None or within is None or least is None:
        if last is None or least is None:
            return "? no epoch with a date yet", ""
        shown = f"{last:.1f} s" if live.clock_trusted else f"{last - least:.1f} s over the least"
        return old(shown, observed_age_s(live)), ""
    is_old = observed_age_s(live) >= live.old_s
    if live.clock_trusted:
        text = f"{mean:.1f} s" if short else f"{mean:.1f} s, 95 % within {within:.1f} s"
        if last is not None and abs(last - mean) >= CHANGED_S:  # a mean of 20 s lags behind
            text = f"{last:.1f} s" if short else f"{last:.1f} s now, mean {mean:.1f} s"
        return (old(text, observed_age_s(live)) if is_old else text), "PC clock trusted"
    spread = _spread(within, least)
    later_s, limit_s = live.later_s, RULES["delay"].ok
    if later_s is not None and limit_s is not None and later_s >= limit_s and not is_old:
        return f"{later_s:.1f} s later{'' if short else ' than before'}", spread
    if abs(mean) >= FAR_OFF_S:
        return f"? clock or stream {abs(mean):.0f} s off", spread
    return "? PC clock not trusted" if short else "? PC clock not known to be right", spread


def _spread(within: float, least: float) -> str:
    """Tell how steady a delay is whose size nobody knows."""
    return f"95 % within {max(within - least, 0.1):.1f} s of the least"


def delay_of(live: LiveState, counts: Counts) -> str:
    """Tell the delay over a window, and whether it is true or relative."""
    if not live.has_arrivals:
        return "? no arrival times in this capture"
    mean, within, least = counts.mean_delay_s, counts.delay_within_s(0.95), live.delays.least_s
    if mean is None or within is None or least is None:
        return "? no epoch with a date"
    if live.clock_trusted:
        return f"{mean:.2f} s, 95 % within {within:.1f} s; PC clock trusted"
    return f"relative, {_spread(within, least)}; PC clock not trusted"


def air_fact(screen: Screen) -> tuple[str, str]:
    """Tell the share of each second that the radio transmits, and the bytes, new or old."""
    live, rate = screen.live, screen.radio_rate_bit_s
    counts = live.windows.over(60)
    load = f"{grouped(round(counts.bytes_per_s))} bytes each second"
    if live.first_byte is None:
        return "? nothing received yet", ""
    if rate is None and is_cut_off(live):
        return old(load, live.outages.silent_s(live.now)), ""
    if rate is None:
        return load, "no radio rate given"
    text = f"{100 * counts.air_load(rate, screen.overhead):.0f} % of {grouped(round(rate))} bit/s"
    if is_cut_off(live):
        return old(text, live.outages.silent_s(live.now)), ""
    return f"{text} with radio overhead", load


def frames_fact(live: LiveState) -> tuple[str, str]:
    """Tell the damaged frames and the bytes outside frames."""
    traffic = live.state.traffic
    frames = traffic.frames + traffic.damaged
    text = f"{grouped(traffic.damaged)} of {grouped(frames)} damaged"
    if traffic.damaged:
        text += f", {share(traffic.damaged, frames)}"
    foreign = traffic.foreign_so_far
    if not foreign:
        return text, "no bytes outside frames"
    part = share(foreign, traffic.total_bytes)
    return text, f"{grouped(foreign)} bytes outside frames, {part}"


def rover_fact(rover: "RoverState", now: Moment) -> str:
    """Tell the state of the rover."""
    fix = rover.latest
    if fix is None:
        return "? no sentence yet"
    parts = [fix.word]
    if fix.age_s is not None:
        parts.append(f"age {fix.age_s:.1f} s")
    if fix.station:
        parts.append(f"station {fix.station}")
    if fix.satellites is not None:
        parts.append(f"{fix.satellites} satellites")
    if fix.hdop is not None:
        parts.append(f"HDOP {fix.hdop:.1f}")
    text = ", ".join(parts)
    age = (now.steady_ns - fix.at.steady_ns) / 1e9
    return old(text, age) if age > 5 else text
