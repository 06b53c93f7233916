"""The antenna height that the base used against the taped one."""

from rtcmtool.diagnosis.finding import RANK, Finding, Rule, State, judged_below, unknown
from rtcmtool.diagnosis.lengths import FOOT_M, distance, height
from rtcmtool.diagnosis.site_sheet import SiteSheet
from rtcmtool.diagnosis.wording import number
from rtcmtool.gnss.geodesy import degrees_from_ecef, enu_from_ecef
from rtcmtool.monitor.base_station import Position

# ARP minus mark is an antenna height only while the position itself is about right: judgement.
_PLAN_RIGHT_M = 0.5
_POSSIBLE_M = (-0.5, 10.0)
_SAME_M = 0.005


def used_height_m(position: Position, sheet: SiteSheet) -> float | None:
    """Give the antenna height that the base used.

    Parameters
    ----------
    position : Position
        As sent.
    sheet : SiteSheet
        With a known mark, if the message tells no height.

    Returns
    -------
    float or None
        The height field of 1006; where that is 0 or not there, ARP minus mark along the normal.
        None where neither tells it.
    """
    if position.antenna_height_m:
        return position.antenna_height_m
    mark = sheet.known_mark
    if mark is None:
        return None
    up_m = degrees_from_ecef(position.arp_ecef_m)[2] - mark.ellipsoidal_height_m
    local = enu_from_ecef(position.arp_ecef_m - mark.ecef_m, mark.ecef_m)
    plan_m = float((local[0] ** 2 + local[1] ** 2) ** 0.5)
    low_m, high_m = _POSSIBLE_M
    return up_m if plan_m <= _PLAN_RIGHT_M and low_m <= up_m <= high_m else None


def judged_against_tape(rule: Rule, position: Position, sheet: SiteSheet) -> Finding:
    """Judge the height that the base used by the taped one.

    Parameters
    ----------
    rule : Rule
        With its limits, mm.
    position : Position
        As sent.
    sheet : SiteSheet
        With a taped height.

    Returns
    -------
    Finding
        Sent minus taped. A second taped height that disagrees counts as much.
    """
    taped_m = sheet.antenna.vertical_height_m
    assert taped_m is not None
    sent_m = used_height_m(position, sheet)
    told = f"{height(taped_m)}"
    values = {"sent_m": sent_m, "taped_m": taped_m, "message_m": position.antenna_height_m}
    if sent_m is None:
        text = f"not told by the base, taped {told}"
        if sheet.known_mark is not None:
            text = f"the position itself is wrong, taped {told}"
        return unknown(rule, text, values=values)
    difference_mm = round(1000 * (sent_m - taped_m), 3)  # the step of 1006 is 0.1 mm
    state, limit = judged_below(rule, abs(difference_mm))
    source = "sent" if position.antenna_height_m else "ARP minus mark"
    text = f"{source} {height(sent_m)}, taped {told}"
    action = None if state is State.OK else _action(sent_m, taped_m)
    second_m = sheet.antenna.second_vertical_height_m
    if second_m is not None:
        apart_mm = round(1000 * abs(second_m - taped_m), 3)
        values |= {"second_m": second_m}
        second_state, second_limit = judged_below(rule, apart_mm)
        if second_state is not State.OK:
            text += f"; second height {height(second_m)}, {apart_mm:.0f} mm off"
            again = "tape the height again: the two on the site sheet disagree."
            action = f"{again} {action}" if action else again
        if RANK[second_state] < RANK[state]:
            state, limit = second_state, second_limit
    limit_text = f"{number(limit or 0)} mm"
    return Finding(rule, state, text, difference_mm, values, limit, limit_text, action=action)


def _action(sent_m: float, taped_m: float) -> str:
    """Say what to do about a wrong height, and what it does to the rover's points."""
    off_m = sent_m - taped_m
    why = ""
    if abs(sent_m - taped_m / FOOT_M) < 10 * _SAME_M:
        why = " The height was typed in feet."
    elif abs(sent_m) < _SAME_M < taped_m:
        why = " The height was left out."
    elif abs(sent_m - 2 * taped_m) < _SAME_M:
        why = " The height was added twice."
    way = "high" if off_m > 0 else "low"
    return (
        f"tape it once more, enter {height(taped_m)} in the base and check again.{why} Every point "
        f"would be {distance(abs(off_m))} too {way}."
    )
