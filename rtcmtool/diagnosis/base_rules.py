"""What the base says of itself: position, height, antenna, station number, GLONASS bias."""

import math

from rtcmtool.diagnosis.content_rules import heard_observations, why_none
from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.finding import (
    Finding,
    State,
    judged_below,
    not_applicable,
    unknown,
)
from rtcmtool.diagnosis.known_marks import HIGHEST_M, LOWEST_M
from rtcmtool.diagnosis.lengths import distance
from rtcmtool.diagnosis.lengths import height as height_text
from rtcmtool.diagnosis.link_rules import FEWEST_FRAMES
from rtcmtool.diagnosis.site_sheet import SiteAntenna
from rtcmtool.diagnosis.taped_height import judged_against_tape
from rtcmtool.diagnosis.wording import number, printable, seconds
from rtcmtool.gnss.geodesy import degrees_from_ecef
from rtcmtool.monitor.base_station import (
    POSITION_NUMBERS,
    SAME_POSITION_M,
    Position,
    Station,
)
from rtcmtool.wire.catalogue import system_of

HIGHEST_TRIPOD_M = 3.0  # judgement; roofs and pillars differ
NULL_ANTENNA = "NULLANTENNA"  # part of the name that says "already corrected to an ideal antenna"
_SURE_OF_NONE_S = 60.0
_DEEPEST_M = 100_000.0  # deeper in the Earth latitude and height lose their meaning; judgement


def main_station(context: Context) -> Station | None:
    """Give the station whose observations are judged."""
    number_ = context.state.main_station
    return None if number_ is None else context.state.base.stations.get(number_)


def sent_position(context: Context) -> Position | None:
    """Give the position sent last by the station whose observations are judged."""
    station = main_station(context)
    if station and station.latest_position:
        return station.latest_position
    others = [s.latest_position for s in context.state.base.stations.values() if s.latest_position]
    return others[0] if len(others) == 1 and not context.state.trackers else None


def position_sent(context: Context) -> Finding:
    """Find the longest time without a position message.

    Without 1005 or 1006 most rovers give no RTK at all. Common practice 5-30 s; limits
    by judgement.
    """
    rule = context.rule("position_sent")
    clock, table = context.state.clock, context.state.messages.by_number
    stats = [(n, table[n]) for n in POSITION_NUMBERS if n in table]
    advice = "switch on 1005 or 1006 at the base, every 5 to 10 s."
    if clock.first_ms is None or clock.now_ms is None:
        if stats:
            text = f"{stats[-1][0]} comes, how often cannot be told without observations"
            return unknown(rule, text)
        frames = context.state.traffic.frames
        if frames < FEWEST_FRAMES:
            text = f"none in the {frames} frames that came" if frames else "no message came"
            return unknown(rule, text)
        return Finding(
            rule, State.BAD, "none came", limit=rule.bad, limit_text="60 s", action=advice
        )
    assert rule.bad is not None
    if not stats:
        heard = clock.seconds
        if heard < rule.bad:
            what = "so far" if context.live else "of this file"
            text = f"none in the {seconds(heard)} {what}"
            do = "listen for at least 2 minutes, or set 1005 or 1006 to 10 s at the base."
            return unknown(rule, text, limit_text=seconds(rule.bad), action=do)
        text = f"none in {seconds(heard)}"
        since = clock.since(clock.first_ms)
        limit = rule.bad
        return Finding(rule, State.BAD, text, heard, None, limit, seconds(limit), since, advice)
    name, main = min(stats, key=lambda item: item[1].interval_s or 1e9)
    # What comes before the first epoch has no time of its own where epochs are the clock.
    first = clock.first_ms if main.untimed or main.first_ms is None else main.first_ms
    last = clock.first_ms if main.last_ms is None else main.last_ms
    # A station that was not heard any more, or not yet, is not missed by its position.
    station = main_station(context)
    from_ms = clock.first_ms if station is None else max(clock.first_ms, station.first_ms)
    until_ms = clock.now_ms if station is None else min(clock.now_ms, station.last_ms)
    longest = max(first - from_ms, main.longest_ms, until_ms - last) / 1000
    state, limit_ = judged_below(rule, longest)
    every = main.interval_s
    text = f"{name} every {seconds(every)}" if every else f"{name} once in {seconds(clock.seconds)}"
    if not clock.seconds:
        text = f"{name} once in the only epoch"
    elif every is None or longest > 1.5 * every:
        text += f", longest without {seconds(longest)}"
    since = clock.since(last) if state is not State.OK else None
    action = None if state is State.OK else "set 1005 or 1006 to every 5 to 10 s at the base."
    limit_text = seconds(limit_ or 0)
    return Finding(
        rule, state, text, longest, {"interval_s": every}, limit_, limit_text, since, action
    )


def position_on_earth(context: Context) -> Finding:
    """Find out whether the position is a place where a base can stand.

    Height of -500 to 9000 m, and not the centre of the Earth. By geometry.
    """
    rule = context.rule("position_on_earth")
    position = sent_position(context)
    if position is None:
        return unknown(rule, "no position was sent")
    advice = "type the mark's coordinates into the base; it sends none now."
    limit_text = "-500 to 9000 m"
    if not any(position.arp_ecef_m):
        return Finding(
            rule, State.BAD, "all coordinates are zero", 0.0, limit_text=limit_text, action=advice
        )
    latitude, longitude, height = degrees_from_ecef(position.arp_ecef_m)
    if not is_on_earth(position):
        action = "check every coordinate that was typed in: order, sign, unit, zone."
        limit = HIGHEST_M if height > HIGHEST_M else LOWEST_M
        text = f"ellipsoidal height {height:.3f} m"
        value: float | None = height
        if not height > -_DEEPEST_M:
            text = f"{distance(math.hypot(*position.arp_ecef_m))} from the centre of the Earth"
            value = None
        return Finding(rule, State.BAD, text, value, None, limit, limit_text, action=action)
    values = {"latitude_deg": latitude, "longitude_deg": longitude, "ellipsoidal_height_m": height}
    text = f"{degrees(latitude, 'NS')} {degrees(longitude, 'EW')} {height:.3f} m"
    return Finding(rule, State.OK, text, height, values, None, limit_text)


def is_on_earth(position: Position) -> bool:
    """Tell whether a position is a place where a base can stand; a limit itself is one."""
    if not any(position.arp_ecef_m):
        return False
    height_m = degrees_from_ecef(position.arp_ecef_m)[2]
    return LOWEST_M - SAME_POSITION_M <= height_m <= HIGHEST_M + SAME_POSITION_M


def degrees(value: float, letters: str) -> str:
    """Write degrees with nine decimals and a letter for the sign."""
    return f"{abs(value):.9f} {letters[0] if value >= 0 else letters[1]}"


def position_steady(context: Context) -> Finding:
    """Find out whether the position changed while we listened.

    Any change above the step of 1005 and 1006 moves every rover point by as much.
    """
    rule = context.rule("position_steady")
    station = main_station(context)
    if station is None or not station.position_count:
        return unknown(rule, "no position was sent")
    if station.position_count < 2:
        return unknown(rule, "sent once only: nothing to compare with")
    value = station.largest_change_m
    state, limit = judged_below(rule, value)
    limit_text = _size(limit or 0.0)
    if state is State.OK:
        text = f"unchanged in {station.position_count} messages"
        text = text if value <= SAME_POSITION_M else f"moved by {_size(value)}"
        return Finding(rule, state, text, value, None, limit, limit_text)
    moved_at = station.positions[1].time_ms if len(station.positions) > 1 else None
    return Finding(
        rule,
        state,
        f"moved by {_size(value)}",
        value,
        {"positions": len({position.arp_ecef_m for position in station.positions})},
        limit,
        limit_text,
        context.state.clock.since(moved_at),
        "stop storing points: two bases on the channel, or a base that restarted on a new average. "
        "Set the known coordinates again and re-measure since then.",
    )


def _size(value_m: float) -> str:
    """Write a change of the position, to the step of the messages where it is small."""
    return f"{1000 * value_m:.{int(value_m < 0.01)}f} mm" if value_m < 1 else f"{value_m:.3f} m"


def antenna_height(context: Context) -> Finding:
    """Judge the antenna height that the base used.

    With a taped height on the site sheet: the height of 1006, or ARP minus mark where that tells
    none, minus the taped one. 2 and 5 mm: tapes are read to 1 mm (US Army survey manuals). However
    unusual, a height that agrees is ok. Without a taped height only the possible range can be
    judged: 0-3 m on a tripod. A 0 proves nothing by itself: many bases put the height into the
    coordinates.
    """
    rule = context.rule("antenna_height")
    position = sent_position(context)
    if position is None:
        return unknown(rule, "no position was sent")
    if context.sheet is not None and context.sheet.antenna.vertical_height_m is not None:
        return judged_against_tape(rule, position, context.sheet)
    height = position.antenna_height_m
    if height is None:
        return not_applicable(rule, "1005 carries no antenna height")
    text = f"sent {height_text(height)}, taped height not told"
    values = {"sent_m": height, "taped_m": None}
    if height > HIGHEST_TRIPOD_M:
        action = (
            "measure the height again, in metres and in feet: a height typed in feet is 3.28 times "
            "too high. A pillar or a roof needs a site sheet that says so."
        )
        return Finding(
            rule, State.BAD, text, None, values, HIGHEST_TRIPOD_M, "0-3 m", action=action
        )
    return Finding(rule, State.OK, text, None, values, HIGHEST_TRIPOD_M, "0-3 m")


def antenna_named(context: Context) -> Finding:
    """Find out which antenna 1007, 1008 or 1033 name.

    An empty name makes the rover assume no offsets: 5-10 cm in height are possible. A null antenna
    says that the observations are already corrected to an ideal one (EUREF, 2012). A name that is
    not that of the site sheet is bad.
    """
    rule = context.rule("antenna_named")
    wanted = context.sheet.antenna if context.sheet else SiteAntenna()
    antennas = [a for a in context.state.base.antennas if a.station == context.state.main_station]
    antennas = antennas or context.state.base.antennas
    if not antennas:
        if context.seconds < _SURE_OF_NONE_S:
            return unknown(rule, f"none of 1007, 1008, 1033 in {seconds(context.seconds)}")
        action = "switch on 1033 (or 1008) at the base, every 10 to 30 s."
        return Finding(rule, State.WATCH, "no 1007, 1008 or 1033 came", action=action)
    name = printable(antennas[-1].antenna)
    if not name:
        action = "choose the antenna in the base's settings: without it heights may be 5-10 cm off."
        return Finding(rule, State.WATCH, "the name is empty", action=action)
    as_wanted = wanted.name is not None and _same_antenna(name, wanted.name)
    if NULL_ANTENNA in name.upper() and not as_wanted:
        action = (
            "tell the rover crew: the base already corrects to an ideal antenna, so the rover must "
            "not apply a model of the base antenna."
        )
        return Finding(rule, State.WATCH, f"{name}: null antenna", action=action)
    if wanted.name and not as_wanted:
        action = (
            "choose the right antenna in the base, or correct the site sheet: a wrong model shifts "
            "heights by 5-10 cm."
        )
        text = f"{name}; the site sheet says {wanted.name}"
        values = {"antenna": name, "expected": wanted.name}
        return Finding(rule, State.BAD, text, values=values, limit_text="site sheet", action=action)
    if not wanted.name:
        return Finding(rule, State.OK, name, values={"antenna": name}, limit_text="named")
    values = {"antenna": name, "expected": wanted.name}
    serial = printable(antennas[-1].antenna_serial or "").strip()
    if wanted.serial and serial and serial != wanted.serial:
        text = f"as on the sheet, but serial {serial}; the site sheet says {wanted.serial}"
        action = "see which antenna stands there, and correct the base or the site sheet."
        limit_text = "site sheet"
        return Finding(rule, State.WATCH, text, values=values, limit_text=limit_text, action=action)
    text = f"{name}: as on the sheet"
    return Finding(rule, State.OK, text, values=values, limit_text="site sheet")


def _same_antenna(sent: str, expected: str) -> bool:
    """Compare names as the IGS writes them: spaces fill up, NONE is no radome."""
    words = [name.upper().split() for name in (sent, expected)]
    return words[0] == words[1] or sorted(words, key=len)[1] == [*min(words, key=len), "NONE"]


def one_base(context: Context) -> Finding:
    """Find out whether one base alone is heard.

    Two station numbers, or one number with two positions, make rovers jump between bases.
    """
    rule = context.rule("one_base")
    stations = context.state.base.stations
    if context.state.traffic.frames < FEWEST_FRAMES or not stations:
        few = "too few messages with a station number came"
        return unknown(rule, few if context.state.traffic.frames else "no message came")
    names = ", ".join(str(s) for s in sorted(stations))
    action = (
        "one channel, one base: change the channel or agree with the other crew; lock the rover to "
        "one station number."
    )
    count = float(len(stations))
    state, limit = judged_below(rule, count)
    limit_text = number(limit or 0)
    if state is not State.OK:
        known = min(s.first_ms for s in stations.values())
        joined = [s.first_ms for s in stations.values() if s.first_ms > known]
        since = context.state.clock.since(min(joined) if joined else known)
        return Finding(rule, state, names, count, None, limit, limit_text, since, action)
    moved = [(name, s) for name, s in sorted(stations.items()) if len(s.positions) > 1]
    if moved:
        name, station = moved[0]
        since = context.state.clock.since(station.positions[1].time_ms)
        positions = len({position.arp_ecef_m for position in station.positions})
        text = f"{name}, with {positions} positions"
        return Finding(rule, State.BAD, text, count, None, rule.bad, limit_text, since, action)
    return Finding(rule, State.OK, names, count, None, limit, limit_text)


def glonass_bias(context: Context) -> Finding:
    """Find out whether the GLONASS code-phase biases are sent and believable.

    Rovers of another make need 1230. All zero with the "aligned" flag, from a base that is not
    aligned, is worse than none (common practice; GPS Solutions 2018 on the origin of the biases).
    """
    rule = context.rule("glonass_bias")
    if not any(system_of(n) == "R" for n in heard_observations(context)):
        why = why_none(context)
        return not_applicable(rule, "no GLONASS") if why is None else unknown(rule, why)
    bias = context.state.base.bias
    stats = context.state.messages.by_number.get(1230)
    assert rule.ok is not None
    limit_text = seconds(rule.ok)
    switch = "switch 1230 on, or GLONASS off; other makes may not fix with it."
    if bias is None or stats is None:
        if context.seconds < rule.ok:
            return unknown(rule, f"none in {seconds(context.seconds)}", limit_text=limit_text)
        text = f"none in {seconds(context.seconds)}, GLONASS is sent"
        return Finding(rule, State.WATCH, text, limit=rule.ok, limit_text=limit_text, action=switch)
    every = stats.interval_s
    values = {"aligned": bias.aligned, "biases_m": list(bias.biases_m), "interval_s": every}
    if bias.all_zero:
        state = State.BAD if bias.aligned else State.WATCH
        text = "all zero" + (", said to be aligned" if bias.aligned else "")
        action = (
            "switch GLONASS off in the rover for a test; set the base's own bias, or GLONASS off."
        )
        return Finding(rule, state, text, every, values, rule.ok, limit_text, action=action)
    if every is not None and every > rule.ok:
        action = f"set 1230 to every {number(rule.ok)} s or less."
        text = f"every {seconds(every)}"
        return Finding(rule, State.WATCH, text, every, values, rule.ok, limit_text, action=action)
    if every is None and context.seconds > 2 * rule.ok:
        action = f"set 1230 to every {number(rule.ok)} s or less."
        text = f"once in {seconds(context.seconds)}"
        return Finding(rule, State.WATCH, text, every, values, rule.ok, limit_text, action=action)
    text = f"every {seconds(every)}, not all zero" if every else "sent once, not all zero"
    return Finding(rule, State.OK, text, every, values, rule.ok, limit_text)
