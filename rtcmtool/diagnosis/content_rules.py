"""Is it enough to fix with, and is it clean? What the stream alone shows."""

from collections.abc import Set as AbstractSet

import numpy as np

from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.finding import (
    Finding,
    State,
    judged_above,
    judged_below,
    not_applicable,
    unknown,
)
from rtcmtool.diagnosis.link_rules import FEWEST_EPOCHS, FEWEST_FRAMES
from rtcmtool.diagnosis.site_sheet import SiteRover
from rtcmtool.diagnosis.wording import grouped, number, share
from rtcmtool.gnss.signals import SYSTEMS, band_label
from rtcmtool.monitor.epochs import typical
from rtcmtool.wire.catalogue import MSM_NUMBERS, OBSERVATION_NUMBERS, system_of, title
from rtcmtool.wire.observations import SYSTEM_LETTERS
from rtcmtool.wire.signal_ids import SIGNALS

USABLE_LEGACY = frozenset({1002, 1004, 1010, 1012})
USABLE_NUMBERS = USABLE_LEGACY | {n for n in MSM_NUMBERS if n % 10 >= 4}
CODE_ALONE = frozenset({n for n in MSM_NUMBERS if n % 10 == 1})  # no lock times, no half cycles
NONE_JUDGED = "no epoch judged yet"
_MOST_NAMES = 6


def heard_observations(context: Context) -> set[int]:
    """Give the observation message numbers that came."""
    return {n for n in context.state.messages.by_number if n in OBSERVATION_NUMBERS}


def why_none(context: Context) -> str | None:
    """Say that no observations came yet, or that none of them is judged; None where some are."""
    if not heard_observations(context):
        return "no observations came"
    epochs = context.state.epochs
    return NONE_JUDGED if epochs is None or not epochs.came else None


def why_unusable(context: Context) -> str:
    """Say why there are no observations that a rover can use, nor anything made of them."""
    heard = heard_observations(context)
    if heard and not heard & USABLE_NUMBERS:
        return "no usable observations"
    signals = context.state.signals
    if signals.cells.any():
        return NONE_JUDGED if signals.phase_cells.any() else "no usable observations"
    return why_none(context) or "no satellite in the observations"


def why_untold(context: Context, carriers: AbstractSet[int], otherwise: str) -> str:
    """Say why what some messages carry is not known.

    Parameters
    ----------
    context : Context
        In which nothing of it was found.
    carriers : set of int
        The messages that carry it.
    otherwise : str
        What is said where none of them came, but other observations did.
    """
    heard = heard_observations(context)
    if heard and not heard & carriers:
        return otherwise
    return why_none(context) or "no satellite in the observations"


def kind_of(numbers: set[int]) -> str:
    """Name the kinds of observation messages: MSM4, or legacy 1004 and 1012."""
    msm = sorted({n % 10 for n in numbers & MSM_NUMBERS})
    legacy = sorted(numbers - MSM_NUMBERS)
    names = [f"MSM{kind}" for kind in msm]
    if legacy:
        names.append("legacy " + ", ".join(map(str, legacy)))
    return " and ".join(names)


def observations_usable(context: Context) -> Finding:
    """Find out whether code and phase with whole ranges are sent.

    Only 1002, 1004, 1010, 1012 and MSM4 to MSM7 carry them (RTCM 10403.x, from memory).
    """
    rule = context.rule("observations_usable")
    numbers = heard_observations(context)
    frames = context.state.traffic.frames
    advice = (
        "switch on observations with code and phase at the base: MSM4 to MSM7, or 1004 and 1012."
    )
    if not numbers:
        if frames < FEWEST_FRAMES:
            return unknown(rule, f"only {frames} frames came, {FEWEST_FRAMES} are needed")
        return Finding(rule, State.BAD, "no observation message came", action=advice)
    usable = numbers & USABLE_NUMBERS
    signals = context.state.signals
    has_both = bool(signals.code_cells.sum()) and bool(signals.phase_cells.sum())
    kind = kind_of(usable or numbers)
    values = {"messages": sorted(numbers)}
    if not usable:
        text = f"{kind}: no whole ranges, or no phase"
        return Finding(rule, State.BAD, text, values=values, action=advice)
    if not has_both:
        if not signals.cells.sum() and context.seconds < 60:
            return unknown(rule, f"{kind}, no satellite in it yet", values=values)
        text = f"{kind}, but no valid code and phase"
        return Finding(rule, State.BAD, text, values=values, action=advice)
    epochs = context.state.epochs
    text = f"{kind}, code and phase"
    if epochs is not None and epochs.interval_ms:
        text += f", every {number(epochs.interval_ms / 1000)} s"
    return Finding(rule, State.OK, text, values=values, limit_text="code, phase")


def two_bands(context: Context) -> Finding:
    """Find out how many satellites have code and phase on two bands.

    Five satellites in common are needed for a fix; on one band a fix takes minutes or never comes.
    """
    rule = context.rule("two_bands")
    if context.sheet is not None and context.sheet.rover.bands == 1:
        return not_applicable(rule, "the rover has one band (site sheet)")
    epochs = context.state.epochs
    value = typical(epochs.two_bands) if epochs else None
    if value is None or not heard_observations(context) & USABLE_NUMBERS:
        return unknown(rule, why_unusable(context))
    state, limit = judged_above(rule, value)
    text = f"{value:.0f} {'satellite' if value == 1 else 'satellites'} with two bands"
    values = {"bands": _bands(context)}
    action = (
        "switch on the second band at the base (L2 or L5), for each system that the rover uses."
    )
    return Finding(
        rule, state, text, value, values, limit, number(limit or 0),
        action=None if state is State.OK else action,
    )  # fmt: skip


def _bands(context: Context) -> dict[str, list[str]]:
    """Give the bands heard by system, in the trade's names."""
    cells = context.state.signals.cells
    found: dict[str, list[str]] = {}
    for row, letter in enumerate(SYSTEM_LETTERS):
        labels = {band_label(letter, SIGNALS[column]) for column in np.flatnonzero(cells[row])}
        if labels:
            found[SYSTEMS[letter].short_name] = sorted(labels - {"?"})
    return found


def satellites_enough(context: Context) -> Finding:
    """Find out how many satellites the base usually sends.

    12 and 7 by judgement; the National Geodetic Survey asks for 5 to 7 of two systems.
    """
    rule = context.rule("satellites_enough")
    epochs = context.state.epochs
    value = typical(epochs.total) if epochs else None
    if epochs is None or value is None:
        return unknown(rule, why_none(context) or NONE_JUDGED)
    state, limit = judged_above(rule, value)
    by_system: dict[str, int] = {}
    for message, counts in epochs.by_type.items():
        letter = system_of(message)
        usual = typical(counts)
        if letter and usual:
            name = SYSTEMS[letter].short_name
            by_system[name] = max(by_system.get(name, 0), int(usual))
    text = f"{value:.0f}"
    if len(by_system) > 1:
        text += ": " + "  ".join(f"{name} {count}" for name, count in by_system.items())
    action = (
        "switch on more systems at the base, lower its mask to 10 degrees, move it into the open."
    )
    return Finding(
        rule, state, text, value, dict(by_system), limit, number(limit or 0),
        action=None if state is State.OK else action,
    )  # fmt: skip


def rover_can_use(context: Context) -> Finding:
    """Find out whether the rover reads what is sent: its systems, bands and kinds of messages.

    A system counts as sent when it comes in a family of messages that the rover reads. A system on
    one band only, for a rover of two, is a part. By the site sheet, or `--systems`.
    """
    rule = context.rule("rover_can_use")
    rover = context.sheet.rover if context.sheet else SiteRover()
    if not (context.systems or rover.bands or rover.families):
        return not_applicable(rule, "the rover's systems are not told (no site sheet)")
    numbers = heard_observations(context) & USABLE_NUMBERS
    if not numbers:
        return unknown(rule, why_unusable(context))
    read = {n for n in numbers if not rover.families or _family(n) in rover.families}
    if not read:
        families = " and ".join(_FAMILY_NAMES[family] for family in rover.families)
        text = f"{kind_of(numbers)} is sent, the rover reads {families}"
        action = "set the base to messages that the rover reads, or update the rover."
        return Finding(rule, State.BAD, text, values={"common": []}, action=action)
    sent = {system_of(n) for n in read}
    wanted = context.systems or tuple(filter(None, sorted({system_of(n) or "" for n in numbers})))
    common = [letter for letter in wanted if letter in sent]
    names = _short_names(common)
    missing = _short_names([letter for letter in wanted if letter not in common])
    bands = _bands(context)
    single = [name for name in names if (rover.bands or 1) > 1 and len(bands.get(name, ())) < 2]
    values = {"common": names, "missing": missing, "one_band": single}
    if not common:
        action = f"switch on {' '.join(missing)} at the base, or other systems in the rover."
        text = f"none of {' '.join(missing)} is sent"
        return Finding(rule, State.BAD, text, values=values, action=action)
    if missing or single:
        text, action = f"{' '.join(names)} sent", "at the base if the rover needs it."
        if single:
            text += f", {' '.join(single)} on one band"
            action = f"the second band of {' '.join(single)} {action}"
        if missing:
            text += f", {' '.join(missing)} not"
            action = f"{' '.join(missing)}{', and ' if single else ' '}{action}"
        return Finding(rule, State.WATCH, text, values=values, action=f"switch on {action}")
    return Finding(rule, State.OK, f"{' '.join(names)} sent", values=values, limit_text="all")


_FAMILY_NAMES = {"msm": "MSM", "legacy": "legacy messages"}


def _family(number_: int) -> str:
    return "msm" if number_ in MSM_NUMBERS else "legacy"


def _short_names(letters: list[str]) -> list[str]:
    return [SYSTEMS[letter].short_name for letter in letters]


def half_cycles(context: Context) -> Finding:
    """Find out how often the half-cycle ambiguity is unresolved.

    Such phases must not be used for fixing. Limits by judgement.
    """
    rule = context.rule("half_cycles")
    signals = context.state.signals
    if not signals.half_told:
        carriers = MSM_NUMBERS - CODE_ALONE
        return unknown(rule, why_untold(context, carriers, "these messages do not tell it"))
    value = 100 * signals.half_set / signals.half_told
    state, limit = judged_below(rule, value)
    text = f"{grouped(signals.half_set)} of {grouped(signals.half_told)} observations"
    if signals.half_set:
        text += f" ({share(signals.half_set, signals.half_told)})"
    action = "restart the base receiver; if it stays, update or change it."
    return Finding(
        rule, state, text, value, None, limit, f"{number(limit or 0)} %",
        action=None if state is State.OK else action,
    )  # fmt: skip


def why_no_locks(context: Context) -> str:
    """Say why no lock times are known; all observations carry them but code alone."""
    carriers = OBSERVATION_NUMBERS - CODE_ALONE
    return why_untold(context, carriers, "these messages carry no lock times")


def lock_restart(context: Context) -> Finding:
    """Count epochs in which nearly all lock times fell together: the receiver restarted.

    By judgement: 80 % of at least eight signals.
    """
    rule = context.rule("lock_restart")
    locks, epochs = context.state.signals.locks, context.state.epochs
    if not locks.told:
        return unknown(rule, why_no_locks(context))
    if epochs is None or epochs.came < FEWEST_EPOCHS:
        return unknown(rule, f"fewer than {FEWEST_EPOCHS} epochs came")
    value = float(len(locks.restarts))
    state, limit = judged_below(rule, value)
    since = None
    if locks.restarts:
        utc_ns = context.state.clock.utc_ns_of_epoch(locks.restarts[0])
        since = None if utc_ns is None else context.state.clock.since_utc(utc_ns)
    text = f"{value:.0f}" if value else "none"
    action = (
        "check battery, fuse and lead under load: a base that restarts also makes rovers restart. "
        "Fuse the lead at the battery; cover its terminals."
    )
    return Finding(
        rule, state, text, value, None, limit, number(limit or 0), since,
        None if state is State.OK else action,
    )  # fmt: skip


def systems_steady(context: Context) -> Finding:
    """Find out whether a system, or a signal of one, left the stream while it ran.

    A message type leaves the set when absent for 60 s, and its system with it where no other type
    carries it. A signal leaves when it is absent for 60 s and its satellites go on without it: what
    sets or is lost with its system is not counted again. Limits by judgement: of systems bad, of
    signals a watch.
    """
    rule = context.rule("systems_steady")
    epochs = context.state.epochs
    if epochs is None or not epochs.due:
        return unknown(rule, why_none(context) or NONE_JUDGED)
    if epochs.due < FEWEST_EPOCHS:
        return unknown(rule, f"only {epochs.due} epochs, {FEWEST_EPOCHS} are needed")
    types = [change for change in epochs.changes if change.left]
    signals = [change for change in context.state.quality.signals.changes if change.left]
    kept = {system_of(number_) for number_ in epochs.types}
    systems = [c for c in types if c.number in epochs.types or system_of(c.number) not in kept]
    if not types and not signals:
        if not epochs.types:
            return unknown(rule, "no message type comes steadily: none can be missed")
        limit_text = number(rule.ok or 0)
        return Finding(rule, State.OK, "none left", 0.0, limit=rule.ok, limit_text=limit_text)
    lost_systems = {system_of(change.number) for change in systems}
    parts = {change.number for change in types if change not in systems}
    lost_signals = sorted(
        {(change.system, change.signal) for change in signals},
        key=lambda one: (SYSTEM_LETTERS.index(one[0]), one[1]),
    )
    state, limit = judged_below(rule, float(len(lost_systems)))
    if state is State.OK:
        of_parts, limit = judged_below(rule, float(len(parts) + len(lost_signals)))
        state = State.OK if of_parts is State.OK else State.WATCH
    times = [context.state.clock.since(change.time_ms) for change in types]
    times += [_since_epoch(context, change.time_ms) for change in signals]
    gone = [c.number for c in types if c.number not in epochs.types]
    still = bool(gone or context.state.quality.signals.gone)
    names = [title(change.number) for change in types]
    names += [f"{SYSTEMS[letter].short_name} {signal}" for letter, signal in lost_signals]
    value = float(len(lost_systems) + len(parts) + len(lost_signals))
    values = {
        "messages": sorted({change.number for change in types}),
        "signals": [f"{letter} {signal}" for letter, signal in lost_signals],
    }
    told = f"{_listed(list(dict.fromkeys(names)))} left{'' if still else ' and came back'}"
    if state is State.OK:
        return Finding(rule, state, told, value, values, limit, number(limit or 0))
    action = (
        "see whether the system was switched off, or its message no longer fits the radio."
        if types
        else "see whether the signal was switched off at the base; look at its antenna, cable and "
        "plugs, and for a jammer near by."
    )
    return Finding(
        rule, state, told, value, values, limit, number(limit or 0),
        min(filter(None, times), default=None), action,
    )  # fmt: skip


def _listed(names: list[str]) -> str:
    """Write names in a row; of many the first ones."""
    if len(names) <= _MOST_NAMES:
        return ", ".join(names)
    return f"{', '.join(names[:_MOST_NAMES])} and {len(names) - _MOST_NAMES} more"


def _since_epoch(context: Context, timeline_ms: int) -> str | None:
    utc_ns = context.state.clock.utc_ns_of_epoch(timeline_ms)
    return None if utc_ns is None else context.state.clock.since_utc(utc_ns)
