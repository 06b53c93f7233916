"""Whether the sent position is that of the mark, and the same as on other days."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from rtcmtool.diagnosis.base_rules import sent_position
from rtcmtool.diagnosis.blunder_words import CALIBRATE, cause_and_remedy, effect
from rtcmtool.diagnosis.blunders import Blunder, recognise
from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.earlier_captures import Shift, is_same_place, shift_from
from rtcmtool.diagnosis.finding import (
    Finding,
    Rule,
    State,
    judged_below,
    not_applicable,
    unknown,
)
from rtcmtool.diagnosis.guesses import KIND_UNTOLD
from rtcmtool.diagnosis.known_marks import KnownMark
from rtcmtool.diagnosis.lengths import compass, distance
from rtcmtool.diagnosis.sheet_grid import NEAR_M
from rtcmtool.diagnosis.site_sheet import SiteSheet
from rtcmtool.diagnosis.wording import number
from rtcmtool.gnss.geodesy import degrees_from_ecef, distance_m, enu_from_ecef
from rtcmtool.monitor.base_station import Position

NO_SHEET = "no site sheet"
NO_MARK = "no mark on the site sheet"
AVERAGED = "averaged position: calibrate the rover at control marks"
_CENTRING = (
    "Check bubble, plummet and tape, then the last digits of the coordinates: so little is no "
    "blunder."
)
_LOCAL_M = 10_000.0  # farther away east, north, up have no meaning at the mark
_HIGHEST_TRIPOD_M = 3.0
# Averages of one mark differ by this much from day to day; common practice metres.
_LIKE_AVERAGES_M = (0.2, 20.0)


@dataclass(frozen=True, slots=True)
class Offset:
    """The sent position against the one expected.

    Attributes
    ----------
    east_m, north_m, up_m : float
        In the local frame of the expected position.
    plan_m : float
        Distance in plan; in space where that is far.
    high_m : float or None
        Difference of ellipsoidal heights, positive = sent too high; None without antenna height.
    """

    east_m: float
    north_m: float
    up_m: float
    plan_m: float
    high_m: float | None

    @property
    def text(self) -> str:
        """The worse part first, in words."""
        if self.plan_m > _LOCAL_M:
            return f"{distance(self.plan_m)} off to the {compass(self.east_m, self.north_m)}"
        plan = f"{distance(self.plan_m)} plan"
        if self.high_m is None:
            return plan
        size = distance(abs(self.high_m))
        if abs(self.high_m) < 0.0005 or (abs(self.high_m) < 0.01 and self.plan_m < 0.01):
            return f"{plan}, {size} height"
        high = f"{size} too {'high' if self.high_m > 0 else 'low'}"
        return f"{high}, {plan}" if abs(self.high_m) > self.plan_m else f"{plan}, {high}"


def offset_from(position: Position, mark: KnownMark, antenna_m: float | None) -> Offset:
    """Compare a sent position with a mark and the antenna height above it.

    Parameters
    ----------
    position : Position
        As sent: ARP.
    mark : KnownMark
        Where it should stand.
    antenna_m : float or None
        Vertical antenna height; without it plan alone is compared.
    """
    sent = np.array(position.arp_ecef_m)
    sent_height_m = degrees_from_ecef(sent)[2]
    high_m = sent_height_m - mark.ellipsoidal_height_m - (antenna_m or 0.0)
    expected = KnownMark(
        "", mark.latitude_deg, mark.longitude_deg, mark.ellipsoidal_height_m + (antenna_m or 0.0)
    ).ecef_m
    east_m, north_m, up_m = enu_from_ecef(sent - expected, expected).tolist()
    far_m = float(distance_m(sent, expected))
    plan_m = far_m if far_m > _LOCAL_M else math.hypot(east_m, north_m)
    return Offset(east_m, north_m, up_m, plan_m, None if antenna_m is None else high_m)


def position_matches_mark(context: Context) -> Finding:
    """Compare the sent position with the known mark and the antenna height of the site sheet.

    The position of 1005 and 1006 is that of the ARP, so the taped height is added to the mark
    first. 5 and 20 mm: width of class RT1 of the National Geodetic Survey, judgement. A base that
    is metres wrong lets the rover fix and looks perfect: only this comparison finds it.
    """
    rule = context.rule("position_matches_mark")
    sheet = context.sheet
    if sheet is None:
        return _not_compared(rule, NO_SHEET, "no site sheet with a known mark")
    if sheet.is_averaged:
        return _not_compared(
            rule,
            AVERAGED,
            f"the base stands on an averaged position, metres off and another one each day: "
            f"{CALIBRATE}",
        )
    mark = sheet.known_mark
    if mark is None:
        return _not_compared(rule, NO_MARK, NO_MARK)
    position = sent_position(context)
    if position is None:
        return unknown(rule, "no position was sent")
    antenna_m = sheet.antenna.vertical_height_m
    if antenna_m is None:
        antenna_m = position.antenna_height_m or None  # a 0 there proves nothing
    offset = offset_from(position, mark, antenna_m)
    if not any(position.arp_ecef_m):
        text = "no coordinates were sent: all are zero"
        value_mm = 1000 * offset.plan_m
        limit_text = f"{number(rule.bad or 0)} mm"
        action = "type the coordinates of the mark into the base; without them rovers do not fix."
        return Finding(rule, State.BAD, text, value_mm, None, rule.bad, limit_text, action=action)
    return _judged(rule, offset, position, sheet)


def _compared(offset: Offset, sheet: SiteSheet) -> str:
    """Give the offset in words, and on what ground the height was compared."""
    if not sheet.position.is_height_kind_untold or offset.high_m is None:
        return offset.text
    return f"{offset.text}; height_kind is not on the sheet: its height was taken as ellipsoidal"


def _not_compared(rule: Rule, reason: str, text: str) -> Finding:
    return not_applicable(rule, text).with_(values={"reason": reason})


def _judged(rule: Rule, offset: Offset, position: Position, sheet: SiteSheet) -> Finding:
    """Judge an offset, and name the blunder behind it."""
    value_mm = 1000 * max(offset.plan_m, abs(offset.high_m or 0.0))
    state, limit = judged_below(rule, value_mm)
    limit_text = f"{number(limit or 0)} mm"
    values = _values(offset)
    told = _compared(offset, sheet)
    known_to_m = sheet.position.operation.accuracy_m
    if state is not State.OK and value_mm <= 1000 * known_to_m:
        text = f"{told}, but the change of datum is known to {distance(known_to_m)} only"
        action = "give the mark in degrees of the modern datum on the site sheet."
        return unknown(rule, text, values=values, limit_text=limit_text, action=action)
    if state is State.OK:
        if offset.high_m is None:
            text = f"{offset.text}; height not compared: no antenna height"
            action = "tape the antenna height and write it on the site sheet."
            return unknown(rule, text, values=values, limit_text=limit_text, action=action)
        return Finding(rule, state, told, value_mm, values, limit, limit_text)
    blunders = recognise(position.arp_ecef_m, sheet, position.antenna_height_m)
    values["blunders"] = [_blunder_object(blunder) for blunder in blunders]
    up_m = None if offset.high_m is None else offset.up_m
    shift = effect(offset.east_m, offset.north_m, up_m, offset.plan_m, offset.high_m or 0.0)
    if any(KIND_UNTOLD in blunder.names for blunder in blunders):
        shift = f"If the sheet means an ellipsoidal height: {shift[0].lower()}{shift[1:]}"
    small = state is State.WATCH and not blunders
    action = f"{_CENTRING if small else cause_and_remedy(blunders, sheet)} {shift}"
    if sheet.position.outside_m > NEAR_M:
        away = distance(sheet.position.outside_m)
        action = (
            f"See zone, order and sign of the mark on the site sheet first: it lies {away} outside "
            f"the area of {sheet.position.crs}. {action}"
        )
    return Finding(rule, state, told, value_mm, values, limit, limit_text, action=action)


def _values(offset: Offset) -> dict[str, Any]:
    high = None if offset.high_m is None else 1000 * offset.high_m
    return {
        "plan": 1000 * offset.plan_m,
        "height": high,
        "east": 1000 * offset.east_m,
        "north": 1000 * offset.north_m,
    }


def _blunder_object(blunder: Blunder) -> dict[str, Any]:
    return {
        "names": list(blunder.names),
        "text": blunder.text,
        "unexplained": blunder.unexplained,
        "probability": round(blunder.probability, 3),
        "exact": blunder.is_exact,
    }


def position_matches_earlier(context: Context) -> Finding:
    """Compare the sent position with that of earlier captures of the same mark.

    Antenna heights differ from day to day and are taken off where both are known. Captures of bases
    farther away than a kilometre are of another site. Limits as for the known mark. On an averaged
    position a difference is what is to be expected: a watch, with the shift between the averages.
    """
    rule = context.rule("position_matches_earlier")
    if not context.earlier:
        return not_applicable(rule, "no earlier capture given")
    position = sent_position(context)
    if position is None:
        return unknown(rule, "no position was sent")
    sheet = context.sheet or SiteSheet()
    today_m = position.antenna_height_m or sheet.antenna.vertical_height_m
    told = [earlier for earlier in context.earlier if earlier.position is not None]
    if not told:
        text = f"no position in {', '.join(earlier.label for earlier in context.earlier)}"
        action = "name captures in which 1005 or 1006 came."
        return unknown(rule, text, action=action)
    shifts = [shift_from(earlier, position, today_m) for earlier in told]
    near = [shift for shift in shifts if is_same_place(shift, sheet.name)]
    far = [shift for shift in shifts if shift not in near]
    if not near:
        nearest = min(far, key=lambda shift: shift.distance_m)
        text = f"{nearest.earlier.label} stands {distance(nearest.distance_m)} away: another mark?"
        action = "name captures of the same mark, or look for a degree or sign typed wrong."
        return unknown(rule, text, action=action)
    worst = max(near, key=_size_m)
    label = _label(worst, position)
    values = {
        "plan": 1000 * worst.plan_m,
        "height": 1000 * worst.up_m if worst.height_known else None,
        "east": 1000 * worst.east_m,
        "north": 1000 * worst.north_m,
        "captures": [_shift_object(shift) for shift in near],
        "elsewhere": [shift.earlier.name for shift in far],
    }
    value_mm = 1000 * _size_m(worst)
    state, limit = judged_below(rule, value_mm)
    limit_text = f"{number(limit or 0)} mm"
    of_many = f"worst of {len(near)}: " if len(near) > 1 else ""
    elsewhere = f" and {len(far) - 1} more" if len(far) > 1 else ""
    apart = f"; elsewhere: {far[0].earlier.label}{elsewhere}" if far else ""
    if state is State.OK:
        unmeasured = [shift for shift in near if not shift.height_known]
        text = f"{distance(worst.plan_m)} plan"
        if unmeasured:
            text += f"; heights not compared: {unmeasured[0].earlier.label} or today without one"
            return unknown(rule, text + apart, values=values, limit_text=limit_text)
        text += f", {distance(abs(worst.up_m))} height, {of_many}{label}{apart}"
        return Finding(rule, state, text, value_mm, values, limit, limit_text)
    text = f"{of_many}{worst.text} from {label}{apart}"
    if sheet.is_averaged and state is State.BAD:
        state, limit = State.WATCH, rule.ok
    action = _earlier_action(worst, averaged=sheet.is_averaged)
    return Finding(rule, state, text, value_mm, values, limit, limit_text, action=action)


def _label(shift: Shift, today: Position) -> str:
    """Name an earlier capture, with its station number where that is another one."""
    then = shift.earlier.position
    if then is None or then.station == today.station:
        return shift.earlier.label
    return f"{shift.earlier.label}, station {then.station}"


def _size_m(shift: Shift) -> float:
    """Give the larger of plan and height; unknown antenna heights hide what a tripod can be."""
    if shift.height_known or abs(shift.up_m) > _HIGHEST_TRIPOD_M:
        return max(shift.plan_m, abs(shift.up_m))
    return shift.plan_m


def _shift_object(shift: Shift) -> dict[str, Any]:
    return {
        "capture": shift.earlier.name,
        "day": shift.earlier.day,
        "east": 1000 * shift.east_m,
        "north": 1000 * shift.north_m,
        "up": 1000 * shift.up_m,
        "height_known": shift.height_known,
        "positions": shift.earlier.positions,
    }


def _earlier_action(shift: Shift, *, averaged: bool) -> str:
    """Say what a shift between days means."""
    then = shift.earlier.label
    moved = f"Today's points lie {shift.text} from those of {then}."
    if not shift.height_known:
        moved += " The height is that of the antennas: an antenna height is not told."
    if averaged:
        return (
            f"{moved} That is what averages do: {CALIBRATE}; or type the coordinates of {then} if "
            "the tripod stands on the same mark."
        )
    low, high = _LIKE_AVERAGES_M
    if low <= _size_m(shift) <= high:
        moved += " Two averages of one mark differ by as much."
    return (
        f"{moved} If the tripod stands on the same mark, type the same coordinates as then; if it "
        "does not, leave that capture out."
    )
