"""What a blunder does to the rover's points, and what to do about it, in the crew's words."""

from rtcmtool.diagnosis.blunders import Blunder
from rtcmtool.diagnosis.lengths import compass, difference, distance, height
from rtcmtool.diagnosis.site_sheet import SiteSheet

# Base errors up to this size leave the rover fixed: 320 m of error bend 5 km by a quarter of a
# wavelength (computed for usual geometries); beyond, it floats.
STILL_FIXED_M = 500.0
_STRETCH_PER_M = 1e-7  # 10 m of base error stretch or tilt by 1 ppm: the more cautious of two rules
_STRETCH_TOLD_M = 20.0
_ONE_AXIS_M = 0.005
_LOCAL_M = 10_000.0  # farther away east, north, up of one place say little
_LIKELY = 0.9
_ALIKE = 3.0  # two guesses within this factor are told as alternatives

CALIBRATE = (
    "tie the rover to at least three control marks (site calibration) before the first point, or "
    "set the base on a known mark"
)
_TYPE_MARK = "type the coordinates of the mark into the base again, digit by digit, and check again"
_TYPE_HEIGHT = "type the ellipsoidal height {ellipsoidal} m of the mark into the base"
_TYPE_GRID = "type easting and northing with the signs that the site sheet has into the base"
_REMEDIES = {
    "height_left_out": "enter {antenna} in the base and check again",
    "height_twice": "give the base the mark's own height and {antenna} of antenna, once each",
    "height_in_feet": "enter {antenna} in the base, in the unit that it asks for",
    "slant_as_vertical": "enter {antenna} as vertical, or the slant height with the right antenna "
    "model",
    "phase_centre": "enter {antenna} to the ARP, and let the antenna model do the rest",
    "levelled_height": _TYPE_HEIGHT,
    "separation_twice": _TYPE_HEIGHT,
    "separation_sign": _TYPE_HEIGHT,
    "height_kind_untold": 'write height_kind = "levelled" with geoid_separation_m, or '
    '"ellipsoidal", on the site sheet and check again',
    "mark_height_in_feet": _TYPE_HEIGHT,
    "datum": "find out in which datum and epoch the marks are given{frame}: a second mark shows "
    "the same shift if it is this. Then type coordinates of that datum into the base",
    "averaged": f"type the coordinates of the mark into the base; or {CALIBRATE}",
    "neighbouring_mark": "see which mark the tripod stands on; choose that one in the base",
    "survey_foot": "set the base to the foot of the coordinates (survey or international)",
    "easting_sign": _TYPE_GRID,
    "northing_sign": _TYPE_GRID,
    "wrong_zone": "set the right zone in the base, or type latitude and longitude",
    "wrong_hemisphere": "set the right zone in the base, or type latitude and longitude",
}


def cause_and_remedy(blunders: tuple[Blunder, ...], sheet: SiteSheet) -> str:
    """Say what it is, or could be, and what to do.

    Parameters
    ----------
    blunders : tuple of Blunder
        Best first.
    sheet : SiteSheet
        With a mark.

    Returns
    -------
    str
        Sentences. A guess that others come close to is not told as the only one.
    """
    if not blunders:
        return _sentence("no usual slip explains it: see which mark this is; " + _TYPE_MARK)
    best = blunders[0]
    cause = best.text
    if not best.is_exact or best.probability < _LIKELY:
        others = [
            other.text for other in blunders[1:] if other.probability * _ALIKE >= best.probability
        ]
        if others:
            cause = ("; or " if best.unexplained else ", or ").join([cause, *others])
        elif best.is_exact:
            cause = "probably " + cause
    elif best.is_exact:
        cause += _fit(best)
    remedies = list(dict.fromkeys(_remedy(name, sheet) for name in best.names))
    return f"{_sentence(cause)} {' '.join(_sentence(remedy) for remedy in remedies)}"


def _fit(blunder: Blunder) -> str:
    """Say how well the numbers fit."""
    assert blunder.plan_misfit_m is not None
    assert blunder.height_misfit_m is not None
    worst_m = max(blunder.plan_misfit_m, abs(blunder.height_misfit_m))
    return f" (the numbers fit to {distance(max(worst_m, 0.001))})"


def _sentence(words: str) -> str:
    return f"{words[0].upper()}{words[1:]}."


def _remedy(name: str, sheet: SiteSheet) -> str:
    mark, antenna_m = sheet.position.mark, sheet.antenna.vertical_height_m
    assert mark is not None
    return _REMEDIES.get(name, _TYPE_MARK).format(
        antenna="the antenna height" if antenna_m is None else height(antenna_m),
        ellipsoidal=f"{mark.ellipsoidal_height_m:.3f}",
        frame=f" (the sheet says {sheet.position.frame})" if sheet.position.frame else "",
    )


def effect(east_m: float, north_m: float, up_m: float | None, plan_m: float, high_m: float) -> str:
    """Say what a wrong base does to the rover's points.

    Parameters
    ----------
    east_m, north_m, up_m : float
        Sent minus right, at the right place; None where the antenna height is not known.
    plan_m, high_m : float
        Distance in plan, and difference of ellipsoidal heights.

    Returns
    -------
    str
        One or two sentences, with east, north and up unless the base is half a world away.
    """
    shift = f"E {difference(east_m)}, N {difference(north_m)}, U "
    shift += "not known" if up_m is None else difference(up_m)
    if max(plan_m, abs(high_m)) > STILL_FIXED_M:
        where = f"{distance(plan_m)} to the {compass(east_m, north_m)}"
        if plan_m <= _ONE_AXIS_M:
            where = f"{distance(abs(high_m))} too {_way(high_m)}"
        vector = f" ({shift})" if max(plan_m, abs(high_m)) <= _LOCAL_M else ""
        return f"Rovers would not fix, or put every point {where}{vector}."
    told = f"shifted by {shift}"
    if plan_m <= _ONE_AXIS_M:
        told = f"{distance(abs(high_m))} too {_way(high_m)} ({shift})"
    told = f"Rovers would fix normally and every point would be {told}."
    size_m = max(plan_m, abs(high_m))
    if size_m > _STRETCH_TOLD_M:
        bend = distance(size_m * _STRETCH_PER_M * 1000)
        told += f" Points 1 km away would be bent by up to {bend} more."
    return told


def _way(high_m: float) -> str:
    return "high" if high_m > 0 else "low"
