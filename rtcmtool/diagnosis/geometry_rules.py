"""What needs orbits: the geometry of the satellites, and the base's own code solution."""

import math

import numpy as np

from rtcmtool.diagnosis.base_rules import sent_position
from rtcmtool.diagnosis.content_rules import USABLE_NUMBERS, heard_observations, why_unusable
from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.finding import Finding, Rule, State, judged_below, unknown
from rtcmtool.diagnosis.wording import number, seconds
from rtcmtool.gnss.ephemerides import FIT_S
from rtcmtool.monitor.base_fix import BaseFix, CodeSolution, offset_enu_m
from rtcmtool.monitor.sky import AZIMUTH_STEP_DEG
from rtcmtool.monitor.staleness import Ageing

AVERAGED_S = 300.0  # an average that may say ok or watch
HEIGHT_OK, HEIGHT_BAD = 8.0 / 3.0, 1.5  # 8 and 15 m beside 3 and 10 m
_SURE_OF_NONE_S = 60.0  # bases send the ephemerides of all satellites in turn within it: judgement
FAR = 3.0  # times the bad limits: no short average is that wrong
KNOWN_SHARE = 0.8  # of the satellites with an ephemeris, below which a PDOP is not the true one


def base_fix(context: Context) -> BaseFix:
    """Give the base's fixes; what waits is solved with a navigation file given late."""
    fix = context.state.quality.fix
    if context.navigation and not fix.store.by_satellite:
        fix.solve_waiting(context.navigation)
    return fix


def ageing_of(context: Context) -> Ageing | None:
    """Tell how fast the base's corrections go stale; None where that was not measured."""
    fix, staleness = base_fix(context), context.state.quality.staleness
    staleness.solve_waiting(fix)
    return staleness.ageing


def why_unsolved(context: Context, fix: BaseFix) -> str:
    """Say what a code solution lacks."""
    if not heard_observations(context) & USABLE_NUMBERS:
        return why_unusable(context)
    if context.state.quality.arcs.first_ms is None:  # a date, too, is known from epochs alone
        return why_unusable(context)
    if not fix.store.by_satellite:
        is_early = context.live and context.seconds < _SURE_OF_NONE_S
        where = "came so far" if is_early else "in the stream"
        return f"no ephemerides {where} (1019, 1020, 1042, 1045, 1046); give --navigation FILE"
    if not fix.is_dated:
        return "the date is not known: give --date"
    known = sum(name in fix.store.by_satellite for name in fix.observed)
    if known < len(fix.observed) and not fix.store.given:
        return f"ephemerides of {known} of {len(fix.observed)} satellites so far; listen longer"
    gps_ms = context.state.clock.gps_ms_of_epoch(fix.unsolved[-1].time_ms) if fix.unsolved else None
    if gps_ms is not None and not _any_fits(fix, gps_ms / 1000):
        return "the ephemerides are of another time than the observations"
    return "the satellites with ephemerides do not determine a position"


def _any_fits(fix: BaseFix, gps_s: float) -> bool:
    return any(
        abs(record.reference_gps_s - gps_s) <= FIT_S[record.system]
        for name in fix.observed
        for record in fix.store.by_satellite.get(name, [])
    )


def _hidden(fix: BaseFix) -> str:
    """Say in which directions the sky seems hidden; empty where no direction stands out."""
    step = AZIMUTH_STEP_DEG
    hidden = fix.sky.obstructions
    turns = {one.azimuth_deg[0] % 360 // step for one in hidden}
    if len(turns) < 2:
        return ""
    count = 360 // step
    # Each run of directions, round north too: from its first step to behind its last.
    firsts = sorted(turn for turn in turns if (turn - 1) % count not in turns)
    runs = []
    for first in firsts or [0]:
        length = next((n for n in range(count) if (first + n) % count not in turns), count)
        runs.append(f"{first * step} to {(first + length) * step % 360 or 360}")
    height = max(one.elevation_deg[1] for one in hidden)
    return f"; hidden: azimuth {' and '.join(runs)}, up to {height} degrees high"


def geometry(context: Context) -> Finding:
    """Judge the PDOP of the base's satellites above 10 degrees, with a clock for each system.

    3 and 6 after the accuracy classes of the National Geodetic Survey. Satellites that should be
    there by their ephemerides and are not are named: not tracked, switched off, masked or hidden.
    """
    rule = context.rule("geometry")
    fix = base_fix(context)
    if not fix.geometries:
        return unknown(rule, why_unsolved(context, fix))
    usual = fix.usual_dops
    value = math.inf if usual is None else usual.pdop
    state, limit = judged_below(rule, value)
    used, seen = usual.satellites if usual else 0, len(fix.observed)
    is_open = math.isinf(value)
    if state is not State.OK and seen - len(fix.sky.unknown) < KNOWN_SHARE * seen:
        known = seen - len(fix.sky.unknown)
        return unknown(
            rule, f"{value:.1f} of some satellites; ephemerides of {known} of {seen} so far"
        )
    text = f"{value:.1f} with {used} satellites above 10 degrees"
    if is_open:
        text = f"the {seen} satellites determine no position"
    missing = fix.sky.missing
    if missing:
        places = [
            f"{name} (azimuth {fix.sky.satellites[name].azimuth_deg:.0f}, "
            f"{fix.sky.satellites[name].elevation_deg:.0f} high)"
            for name in missing[:4]
        ]
        more = f" and {len(missing) - 4} more" if len(missing) > 4 else ""
        text += f"; not in the stream: {', '.join(places)}{more}"
        text += _hidden(fix)
    values = {
        "hdop": usual.hdop if usual else None,
        "vdop": usual.vdop if usual else None,
        "clocks": usual.clocks if usual else None,
        "satellites": used,
        "missing": missing,
        "obstructed": [
            {"azimuth_deg": list(one.azimuth_deg), "elevation_deg": list(one.elevation_deg)}
            for one in fix.sky.obstructions
        ],
    }
    action = (
        "move the base into the open, lower its mask to 10 degrees, switch more systems on, or "
        "wait for a better hour."
    )
    return Finding(
        rule, state, text, None if is_open else value, values, limit, number(limit or 0),
        action=None if state is State.OK else action,
    )  # fmt: skip


def position_matches_code(context: Context) -> Finding:
    """Compare the sent position with the base's own code solution, averaged over 5 to 10 minutes.

    A right base shows 1.5 m horizontally, and in height 2 m with two bands to over 4 m with one
    (computed on real data), however long it is averaged. So 3 m and 8 m are ok, more than 10 m or
    15 m is bad; by judgement. It finds swapped signs, a wrong zone or datum, a levelled height
    typed as ellipsoidal, not centimetres.
    """
    rule = context.rule("position_matches_code")
    sent = sent_position(context)
    if sent is None:
        return unknown(rule, "no position was sent")
    fix = base_fix(context)
    solution = fix.solution
    if solution is None:
        return unknown(rule, why_unsolved(context, fix))
    east, north, up = offset_enu_m(sent.arp_ecef_m, solution).tolist()
    plan = float(np.hypot(east, north))
    state, limit = _judged(rule, plan, up)
    text = _offset_text(plan, up, solution)
    values = {
        "plan": plan,
        "height": up,
        "east": east,
        "north": north,
        "two_bands": solution.two_bands,
        "seconds": solution.seconds,
        "plan_error": solution.plan_error_m,
        "height_error": solution.height_error_m,
        "satellites": solution.average.satellites,
        "system_offsets": solution.average.offsets_m,
        "rejected": dict(solution.average.rejections.most_common(3)),
    }
    assert rule.bad is not None
    if solution.plan_error_m > rule.bad or solution.height_error_m > rule.bad * HEIGHT_BAD:
        beyond = plan > solution.plan_error_m or abs(up) > solution.height_error_m
        if state is not State.BAD or not beyond:
            return unknown(rule, f"{text}: the geometry is too weak to tell", values=values)
    far = _judged(rule, plan / FAR, up / FAR)[0] is State.BAD
    if solution.seconds < AVERAGED_S and not far:
        needs = f"{text}; needs {seconds(AVERAGED_S)} of it, has {seconds(solution.seconds)}"
        return unknown(rule, needs, values=values)
    value = max(plan, abs(up))
    return Finding(
        rule, state, text, value, values, limit, f"{number(limit)} m",
        action=_advice(state, plan, up, rule),
    )  # fmt: skip


def _judged(rule: Rule, plan: float, up: float) -> tuple[State, float]:
    """Judge plan and height by their own limits; give the limit that decided."""
    assert rule.ok is not None
    assert rule.bad is not None
    plan_bad, height_bad = rule.bad, rule.bad * HEIGHT_BAD
    plan_ok, height_ok = rule.ok, rule.ok * HEIGHT_OK
    if plan > plan_bad or abs(up) > height_bad:
        return State.BAD, plan_bad if plan > plan_bad else height_bad
    if plan > plan_ok or abs(up) > height_ok:
        return State.WATCH, plan_ok if plan > plan_ok else height_ok
    # The part nearer to its limit decided.
    return State.OK, plan_ok if plan / plan_ok >= abs(up) / height_ok else height_ok


def _offset_text(plan: float, up: float, solution: CodeSolution) -> str:
    bands = "two bands" if solution.two_bands else "one band"
    size = f"{plan:.1f} m" if plan < 10_000 else f"{plan / 1000:.0f} km"
    sign = "above" if up >= 0 else "below"
    rise = f"{abs(up):.1f} m" if abs(up) < 10_000 else f"{abs(up) / 1000:.0f} km"
    return (
        f"sent {size} off and {rise} {sign} it ({bands}, {seconds(solution.seconds)}, "
        f"good to {solution.plan_error_m:.1f} and {solution.height_error_m:.1f} m)"
    )


def _advice(state: State, plan: float, up: float, rule: Rule) -> str | None:
    assert rule.ok is not None
    if state is State.OK:
        return None
    if plan <= rule.ok:
        return (
            f"check the height that was typed in: sent {abs(up):.0f} m too "
            f"{'high' if up > 0 else 'low'}. A levelled height typed as ellipsoidal is off by the "
            "geoid separation."
        )
    if state is State.BAD:
        return (
            "stop: every rover point is off by as much. Check the coordinates that were typed in: "
            "order, sign, unit, zone, datum."
        )
    return "compare with a known mark before the first real point; check datum and coordinates."
