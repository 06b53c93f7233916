"""Is the signal clean? Slips, strength, interference, multipath, ionosphere, clock of the base."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from rtcmtool.diagnosis.content_rules import (
    NONE_JUDGED,
    USABLE_NUMBERS,
    heard_observations,
    why_no_locks,
    why_untold,
    why_unusable,
)
from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.finding import (
    RANK,
    Finding,
    Rule,
    State,
    judged_above,
    judged_below,
    unknown,
)
from rtcmtool.diagnosis.link_rules import FEWEST_EPOCHS
from rtcmtool.diagnosis.phase_offsets import offset_values, offset_words
from rtcmtool.diagnosis.wording import number, seconds
from rtcmtool.gnss.signals import SYSTEMS
from rtcmtool.monitor.arc_sums import LONG_ARC_S, Scatter
from rtcmtool.monitor.cnr_normals import GONE_DB, SEMI_CODELESS, CnrNormals
from rtcmtool.monitor.ionosphere import SEVERAL
from rtcmtool.monitor.observed_epochs import place_of, satellite_at
from rtcmtool.monitor.phase_arcs import PhaseArcs
from rtcmtool.monitor.phase_pairs import satellite_signal
from rtcmtool.wire.signal_ids import SIGNALS

SLIP_TIME_S = 300
MULTIPATH_TIME_S = 300
IONOSPHERE_TIME_S = 300
SMOOTHED_M = 0.02  # code noise on the first band below which smoothing is certain
STRONGEST_SHARE = 0.1  # stands for the satellites above 40 degrees while elevations are unknown
SECOND_BAND_OK, SECOND_BAND_BAD = 1.5, 1.2  # 0.75 and 1.2 m beside 0.5 and 1.0 m

_HOUR_MS = 3_600_000
_FIRST_BAND = {"G": "1", "R": "1", "E": "1", "S": "1", "J": "1", "C": "2", "I": "5"}
_FIRST_SIGNALS = {
    (letter, signal)
    for letter, digit in _FIRST_BAND.items()
    for signal in SIGNALS
    if signal[0] == digit and signal not in SEMI_CODELESS
}
_FEWEST_CELLS = 100
_FEWEST_NORMAL_EPOCHS = 30
_FEWEST_MINUTES = 4  # whole ones that 5 minutes hold for certain
_NORMAL_S = 60
_SLOWEST_S = 20.0  # epochs farther apart are fewer than the 3 of a minute that a drop must last
_HIGH, _LOW = slice(4, 9), slice(2, 4)  # bins of 10 degrees: above 40, and 20 to 40
_LOW_OK_DB, _LOW_BAD_DB = -7.0, -5.0  # 38 and 33 dB-Hz beside 45 and 38
# Geostationary satellites and small systems are weaker by nature: shown, not judged.
_JUDGED_BY_ELEVATION = "GRE"


def slips(context: Context) -> Finding:
    """Count slips per satellite-hour: lost locks, and jumps of the phases themselves.

    Evidence is a lock time that fell or is too short, a jump of the difference of two phases by
    more than 5 cm (2 cm above 30 degrees), or a step of the wide lane by more than two cycles.
    Above 15 degrees where elevations are known. Limits from the help desk of the International
    GNSS Service, converted from 30 s data. Losses of all signals at once are counted apart: see
    restarts. Signals whose phase stands a quarter or half a cycle off another of their carrier are
    told beside it: a rover that mixes them finds no integers.
    """
    rule = context.rule("slips")
    locks, arcs = context.state.signals.locks, context.state.quality.arcs
    if not locks.told:
        return unknown(rule, why_no_locks(context))
    if context.seconds < SLIP_TIME_S:
        return unknown(rule, f"needs {seconds(SLIP_TIME_S)}, heard {seconds(context.seconds)}")
    # Messages without whole ranges leave nothing but the lock times.
    hours = arcs.satellite_hours or locks.satellite_ms / _HOUR_MS
    if not hours:
        return unknown(rule, "no satellite was followed")
    count = int(arcs.slip_counts.sum()) if arcs.satellite_hours else locks.slips
    value = count / hours
    state, limit = judged_below(rule, value)
    text = f"{count} in {hours:.1f} satellite-hours ({value:.2f} each)"
    worst = _worst_slipping(arcs)
    if state is not State.OK and worst:
        text += f", most: {', '.join(worst)}"
    offsets = context.state.quality.alignment.offsets
    off = offset_words(offsets)
    text += f"; {off}" if off else ""
    values: dict[str, Any] = {"slips": count, "satellite_hours": hours}
    if offsets:
        values["phase_offsets_cycles"] = offset_values(offsets)
    action = (
        "look for obstructions, a loose antenna plug or cable, interference near the base antenna."
    )
    since = _since(context, arcs.slips[0].time_ms if arcs.slips else None)
    return Finding(
        rule, state, text, value, values, limit, number(limit or 0),
        None if state is State.OK else since, None if state is State.OK else action,
    )  # fmt: skip


def _worst_slipping(arcs: PhaseArcs) -> dict[str, int]:
    """Give the five satellites that slipped most."""
    places = np.argsort(-arcs.slip_counts, kind="stable")[:5].tolist()
    counts = {satellite_at(place): int(arcs.slip_counts[place]) for place in places}
    return {name: count for name, count in counts.items() if count}


def _since(context: Context, timeline_ms: int | None) -> str | None:
    """Give an epoch as UTC text, None where there is none or no date."""
    if timeline_ms is None:
        return None
    utc_ns = context.state.clock.utc_ns_of_epoch(timeline_ms)
    return None if utc_ns is None else context.state.clock.since_utc(utc_ns)


@dataclass(frozen=True, slots=True)
class _Strength:
    """One judged strength: whose, how strong, and what that means."""

    name: str
    where: str
    value: float
    state: State
    limit: float


def signal_strength(context: Context) -> Finding:
    """Judge the strength of the first band by elevation.

    Receiver guides give 45 dB-Hz above 40 degrees as good and 38 as low, 38 and 33 below (makes
    differ by 1 to 3 dB; the median of 20 to 40 degrees is judged). Without elevations the strongest
    tenth of each system stands for the satellites above 40 degrees. The semi-codeless 1W and 2W
    follow twice the drop and are exempt. By judgement.
    """
    rule = context.rule("signal_strength")
    strengths = context.state.quality.strengths
    medians = {
        f"{SYSTEMS[letter].short_name} {signal}": strengths.quantile(letter, signal, 0.5)
        for letter, signal in _signals_seen(strengths)
    }
    judged = _by_elevation(rule, strengths) or _strongest_tenths(rule, strengths)
    if not judged:
        return unknown(rule, _why_no_strengths(context, strengths))
    worst = min(judged, key=lambda one: (RANK[one.state], one.value - one.limit))
    text = f"weakest first band {worst.name}: {worst.where} {worst.value:.0f}"
    values = {
        "judged": {f"{one.name}, {one.where}": one.value for one in judged},
        "median": medians,
    }
    action = "dry and tighten the antenna plugs, change the cable; look for a transmitter near by."
    return Finding(
        rule, worst.state, text, worst.value, values, worst.limit,
        f"{number(worst.limit)} dB-Hz", action=None if worst.state is State.OK else action,
    )  # fmt: skip


def _why_no_strengths(context: Context, strengths: CnrNormals) -> str:
    if strengths.told:
        return f"fewer than {_FEWEST_CELLS} strengths of each first band so far"
    signals = context.state.signals
    if signals.cnr.any():
        return NONE_JUDGED
    not_sent = "no signal strengths are sent"
    return not_sent if signals.cells.any() else why_untold(context, USABLE_NUMBERS, not_sent)


def _signals_seen(strengths: CnrNormals) -> list[tuple[str, str]]:
    """Give system and signal of all strengths that were told often enough."""
    return [
        (letter, signal)
        for (letter, signal), counts in sorted(strengths.counts.items())
        if signal not in SEMI_CODELESS and counts.sum() >= _FEWEST_CELLS
    ]


def _by_elevation(rule: Rule, strengths: CnrNormals) -> list[_Strength]:
    """Judge medians by elevation; empty while most elevations are unknown."""
    if 2 * strengths.told_without_elevation > strengths.told:
        return []
    assert rule.ok is not None
    assert rule.bad is not None
    judged = []
    for letter, signal in _signals_seen(strengths):
        if letter not in _JUDGED_BY_ELEVATION or signal[0] != _FIRST_BAND[letter]:
            continue
        for bins, where, ok, bad in (
            (_HIGH, "above 40 degrees", rule.ok, rule.bad),
            (_LOW, "20 to 40 degrees", rule.ok + _LOW_OK_DB, rule.bad + _LOW_BAD_DB),
        ):
            value = strengths.quantile(letter, signal, 0.5, bins)
            if value is None or strengths.count(letter, signal, bins) < _FEWEST_CELLS:
                continue
            state = State.OK if value >= ok else State.BAD if value < bad else State.WATCH
            name = f"{SYSTEMS[letter].short_name} {signal}"
            judged.append(_Strength(name, where, value, state, bad if state is State.BAD else ok))
    return judged


def _strongest_tenths(rule: Rule, strengths: CnrNormals) -> list[_Strength]:
    judged = []
    for letter, signal in _signals_seen(strengths):
        value = strengths.quantile(letter, signal, 1 - STRONGEST_SHARE)
        if signal[0] != _FIRST_BAND[letter] or value is None:
            continue
        state, limit = judged_above(rule, value)
        name = f"{SYSTEMS[letter].short_name} {signal}"
        judged.append(_Strength(name, "strongest tenth", value, state, limit or 0.0))
    return judged


def band_drop(context: Context) -> Finding:
    """Look for a band that lost strength on all satellites at once.

    Each signal of each satellite is compared with its own mean of the 5 minutes before; a drop must
    last 3 seconds of a minute. A band that most satellites lose for moments, while they go on with
    others, counts as 10 dB. One band tied to place or keying is interference; all bands together
    are the antenna, its cable or its amplifier. Limits by judgement.
    """
    rule = context.rule("band_drop")
    strengths = context.state.quality.strengths
    if not strengths.told:
        return unknown(rule, _why_no_strengths(context, strengths))
    levels = {
        name: level
        for name, level in strengths.bands.items()
        if level.epochs >= _FEWEST_NORMAL_EPOCHS
    }
    if not levels:
        least = seconds(_NORMAL_S + _FEWEST_NORMAL_EPOCHS * context.interval_s)
        return unknown(
            rule, f"needs a normal of its own: {least} of 4 satellites in a band, "
            f"heard {seconds(context.seconds)}",
        )  # fmt: skip
    worst = max(levels, key=lambda name: levels[name].depth_db)
    value = levels[worst].depth_db
    state, limit = judged_below(rule, value)
    if state is State.OK and context.interval_s > _SLOWEST_S:
        every = seconds(context.interval_s)
        return unknown(rule, f"needs 3 epochs a minute, they come every {every}")
    gone_s = levels[worst].gone_epochs * context.interval_s
    at_least = "at least " if value == GONE_DB and gone_s else ""
    text = f"deepest {at_least}{value:.1f} dB on {worst}"
    dropped = [name for name, level in levels.items() if level.depth_db > (rule.ok or 0.0)]
    since = None
    if state is not State.OK:
        keyed_s = levels[worst].dropped_epochs * context.interval_s
        text += f", {seconds(keyed_s)} in all" if keyed_s else ""
        text += f", gone for {seconds(gone_s)} in all" if gone_s else ""
        since = _since(context, levels[worst].since_ms)
    values = {name: round(level.depth_db, 2) for name, level in levels.items()}
    action = (
        "all bands fell together: swap the antenna cable, dry and tighten the plugs, clear the "
        "antenna of cover."
        if len(dropped) == len(levels) and len(levels) > 1
        else "look for a transmitter or jammer near by; move the radio antenna away from the GNSS "
        "antenna, change the channel."
    )
    return Finding(
        rule, state, text, value, values, limit, f"{number(limit or 0)} dB", since,
        None if state is State.OK else action,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Multipath:
    """Multipath of one signal over all satellites."""

    name: str
    rms_m: float
    state: State
    limit_m: float


def multipath(context: Context) -> Finding:
    """Judge code multipath by signal, over arcs of at least 5 minutes.

    Code minus phase, with the ionosphere taken off by the phase of another band and the mean of the
    arc removed. 0.5 m on the first band and 0.75 m on others is what two thirds of the stations of
    the International GNSS Service stay below; watch and bad by judgement. Shorter arcs hide slow
    multipath, code that the base smooths hides it as well: then it looks better than it is.
    """
    rule = context.rule("multipath")
    arcs = context.state.quality.arcs
    if not heard_observations(context) & USABLE_NUMBERS:
        return unknown(rule, why_unusable(context))
    if context.seconds < MULTIPATH_TIME_S:
        return unknown(rule, f"needs {seconds(MULTIPATH_TIME_S)}, heard {seconds(context.seconds)}")
    scatter = arcs.multipath.scatter(LONG_ARC_S)
    judged = _multipath_by_signal(rule, scatter)
    if not judged:
        longest = float(scatter.longest_s.max(initial=0.0))
        if not longest:
            return unknown(rule, "needs phases of two bands")
        return unknown(
            rule, f"needs unbroken arcs of {seconds(LONG_ARC_S)}, the longest is {seconds(longest)}"
        )
    worst = min(judged, key=lambda one: (RANK[one.state], -one.rms_m / one.limit_m))
    text = f"largest {worst.name} {worst.rms_m:.2f} m"
    noise_m = arcs.code_noise_m(_FIRST_SIGNALS)
    if noise_m is not None and noise_m < SMOOTHED_M:
        text += ", code smoothed at the base: more than it seems"
    satellites = _worst_satellites(scatter)
    if worst.state is not State.OK:
        text += f", most on {', '.join(_with_direction(context, name) for name in satellites)}"
    values = {
        "rms_m": {one.name: one.rms_m for one in judged},
        "by_satellite_m": satellites,
        "code_noise_m": noise_m,
        "longest_arc_s": float(scatter.longest_s.max()),
    }
    action = (
        "move or raise the base antenna; keep it away from vehicles, fences, walls and water. All "
        "rovers suffer from it, everywhere."
    )
    return Finding(
        rule, worst.state, text, worst.rms_m, values, worst.limit_m,
        f"{number(worst.limit_m)} m", action=None if worst.state is State.OK else action,
    )  # fmt: skip


def _multipath_by_signal(rule: Rule, scatter: Scatter) -> list[_Multipath]:
    by_signal: dict[tuple[str, str], list[int]] = {}
    for row, cell in enumerate(scatter.cells.tolist()):
        satellite, signal = satellite_signal(cell)
        by_signal.setdefault((satellite[0], signal), []).append(row)
    assert rule.ok is not None
    assert rule.bad is not None
    judged = []
    for (letter, signal), own in sorted(by_signal.items()):
        if int(scatter.count[own].sum()) < _FEWEST_CELLS:
            continue
        is_first = signal[0] == _FIRST_BAND[letter]
        ok = rule.ok if is_first else rule.ok * SECOND_BAND_OK
        bad = rule.bad if is_first else rule.bad * SECOND_BAND_BAD
        rms_m = scatter.rms(np.array(own))
        state = State.OK if rms_m < ok else State.BAD if rms_m > bad else State.WATCH
        name = f"{SYSTEMS[letter].short_name} {signal}"
        judged.append(_Multipath(name, rms_m, state, bad if state is State.BAD else ok))
    return judged


def _worst_satellites(scatter: Scatter) -> dict[str, float]:
    """Give the three satellites with most multipath, m."""
    enough = scatter.count >= _FEWEST_CELLS
    cells, rms = scatter.cells[enough], np.sqrt(scatter.squares[enough] / scatter.count[enough])
    found: dict[str, float] = {}
    for row in np.argsort(-rms).tolist():
        satellite, _ = satellite_signal(int(cells[row]))
        found.setdefault(satellite, float(rms[row]))
        if len(found) == 3:
            break
    return found


def _with_direction(context: Context, name: str) -> str:
    """Write a satellite with its elevation where that is known."""
    elevation = float(context.state.quality.fix.sky.elevation_deg[place_of(name)])
    return f"{name} ({elevation:.0f} degrees high)" if np.isfinite(elevation) else name


def ionosphere(context: Context) -> Finding:
    """Judge how fast the ionospheric delay changes, on several satellites at once.

    Slopes over a minute of the difference of two phases; at a second receiver noise alone would
    give 2 to 9 mm/s. What three satellites reach in the same minute is judged, so that one low
    satellite is no storm. By judgement; ROTI (thinned to 30 s, over 5 minutes) is told beside it.
    """
    rule = context.rule("ionosphere")
    rates = context.state.quality.arcs.ionosphere
    if not heard_observations(context) & USABLE_NUMBERS:
        return unknown(rule, why_unusable(context))
    if context.seconds < IONOSPHERE_TIME_S:
        needed = seconds(IONOSPHERE_TIME_S)
        return unknown(rule, f"needs {needed}, heard {seconds(context.seconds)}")
    worst, fastest = rates.worst, rates.fastest
    if worst is None or fastest is None:
        return unknown(rule, f"needs {SEVERAL} satellites with phases of two bands")
    if rates.window_count < _FEWEST_MINUTES:
        minutes = "minute" if rates.window_count == 1 else "minutes"
        return unknown(
            rule, f"needs 5 minutes of {SEVERAL} satellites with phases of two bands, "
            f"{rates.window_count} whole {minutes} came",
        )  # fmt: skip
    value = worst.common_mm_s
    state, limit = judged_below(rule, value)
    text = f"up to {value:.1f} mm/s on {SEVERAL} satellites"
    if state is State.OK and rule.bad is not None and fastest.fastest_mm_s > rule.bad:
        state, limit, value = State.WATCH, rule.bad, fastest.fastest_mm_s
        text = f"up to {value:.1f} mm/s, but on one or two satellites only"
        worst = fastest
    worst_roti = rates.worst_roti
    values = {
        "median_mm_s": worst.median_mm_s,
        "fastest_mm_s": fastest.fastest_mm_s,
        "roti_tecu_min": rates.median_roti,
        "worst_roti_tecu_min": worst_roti[0] if worst_roti else None,
        "worst_roti_satellite": satellite_at(worst_roti[1]) if worst_roti else None,
    }
    action = (
        "keep lines short, use all bands, repeat shots later; look at a space-weather notice for "
        "the region."
    )
    return Finding(
        rule, state, text, value, values, limit, f"{number(limit or 0)} mm/s",
        None if state is State.OK else _since(context, worst.time_ms),
        None if state is State.OK else action,
    )  # fmt: skip


def clock_jumps(context: Context) -> Finding:
    """Count jumps of the base receiver's clock: milliseconds in code, or code and phase together.

    A jump makes rovers start anew when they do not expect it. Steps of single codes while the phase
    goes on are told beside it. By judgement.
    """
    rule = context.rule("clock_jumps")
    arcs, epochs = context.state.quality.arcs, context.state.epochs
    if not heard_observations(context) & USABLE_NUMBERS or arcs.first_ms is None:
        return unknown(rule, why_unusable(context))
    if epochs is None or epochs.came < FEWEST_EPOCHS:
        return unknown(rule, f"fewer than {FEWEST_EPOCHS} epochs came")
    value = float(arcs.clock_jump_count)
    state, limit = judged_below(rule, value)
    text = f"{value:.0f}" if value else "none"
    jumps = list(arcs.clock_jumps)
    if jumps:
        text += f", the latest of {jumps[-1].size_m / 299_792.458:+.3f} ms in {jumps[-1].kind}"
    steps = sorted({f"{step.satellite} {step.signal}" for step in arcs.code_steps})
    if steps:
        text += f"; {arcs.code_step_count} steps of single codes ({', '.join(steps[:4])})"
    values = {
        "kinds": sorted({jump.kind for jump in jumps}),
        "code_steps": [
            {"satellite": step.satellite, "signal": step.signal, "size_m": step.size_m}
            for step in list(arcs.code_steps)[-10:]
        ],
    }
    action = "restart the base receiver and update it; if it goes on, change it."
    since = _since(context, jumps[0].time_ms if jumps else None)
    return Finding(
        rule, state, text, value, values, limit, number(limit or 0), since,
        None if state is State.OK else action,
    )  # fmt: skip
