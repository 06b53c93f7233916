"""What a wrong position could be: each usual blunder as the numbers that the base would then send.

A guess has a weight, how usual it is among crews, split over its variants: the more ways a blunder
has to fit, the less a fit means. All weights are judgement; a factor of three in any leaves
the ranking of exact fits as it is.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from rtcmtool.diagnosis.known_marks import KnownMark
from rtcmtool.diagnosis.lengths import FOOT_M, height
from rtcmtool.diagnosis.projection import Grid, grid_of, neighbours, other_hemisphere
from rtcmtool.diagnosis.site_sheet import SiteSheet
from rtcmtool.diagnosis.typed_numbers import (
    Slip,
    angle_slips,
    misread,
    swapped_digits,
    wrong_digits,
)
from rtcmtool.errors import UsageError
from rtcmtool.gnss.geodesy import distance_m

RIGHT = "right"
UNKNOWN = "unknown"
KIND_UNTOLD = "height_kind_untold"
SURVEY_FOOT = 1200 / 3937 / FOOT_M  # survey foot over international foot: 2 parts in a million
GON_DEG = 0.9
_SAME_MARK_M = 0.05
_SAME_HEIGHT_M = 0.01  # of two marks: then nobody can tell whose was typed
_OWN_HEIGHT_WEIGHT = 0.1
# Heights that only a range tells, m. Phase centres of survey antennas lie 5-20 cm above the ARP
# (trade practice); the geoid lies between -107 and +86 m of the ellipsoid (EGM, from memory).
PHASE_CENTRE_M = (0.045, 0.205)
SLANT_EXCESS_M = (0.002, 0.075)
GEOID_M = (-107.0, 86.0)
_LEAST_SEPARATION_M = 3.0


@dataclass(frozen=True, slots=True)
class PlanGuess:
    """Latitude and longitude that a blunder would make.

    Attributes
    ----------
    name, text : str
        Of the blunder, and what was typed.
    latitude_deg, longitude_deg : float
        What the base then sends.
    weight : float
        How usual, over its variants.
    mark : KnownMark or None
        The other mark whose height counts then.
    """

    name: str
    text: str
    latitude_deg: float
    longitude_deg: float
    weight: float
    mark: KnownMark | None = None


@dataclass(frozen=True, slots=True)
class HeightGuess:
    """How much too high a blunder makes the position.

    Attributes
    ----------
    name, text : str
        Of the blunder, and what was typed.
    low_m, high_m : float
        The same for an exact guess, else the range.
    spread_m : float
        Of an exact guess, standard deviation.
    weight : float
        How usual, over its variants.
    field_m : float or None
        Antenna height that 1006 then carries.
    """

    name: str
    text: str
    low_m: float
    high_m: float
    spread_m: float
    weight: float
    field_m: float | None = None


def plan_guesses(sheet: SiteSheet) -> list[PlanGuess]:
    """Give everything that a crew could have typed as latitude and longitude."""
    mark = sheet.position.mark
    assert mark is not None
    guesses = [PlanGuess(RIGHT, "", mark.latitude_deg, mark.longitude_deg, 1.0)]
    guesses += _angle_guesses(mark)
    guesses += _grid_guesses(sheet, mark)
    others = [m for m in sheet.marks if distance_m(m.ecef_m, mark.ecef_m) > _SAME_MARK_M]
    for other in others:
        text = f"the coordinates are those of the mark {other.name or 'without name'}"
        weight = 0.15 / len(others)
        at = (other.latitude_deg, other.longitude_deg)
        guesses.append(PlanGuess("neighbouring_mark", text, *at, weight, other))
    return guesses


def _spread(
    name: str, weight: float, options: Sequence[tuple[str, float, float]]
) -> Iterator[PlanGuess]:
    """Share a weight among the variants of a blunder: text, latitude, longitude."""
    for text, latitude_deg, longitude_deg in options:
        if abs(latitude_deg) <= 90 and math.isfinite(longitude_deg):
            yield PlanGuess(name, text, latitude_deg, longitude_deg, weight / len(options))


def _angle_guesses(mark: KnownMark) -> Iterator[PlanGuess]:
    """Give what goes wrong with degrees."""
    lat, lon = mark.latitude_deg, mark.longitude_deg
    east, north = (
        ("east", "west") if lon >= 0 else ("west", "east"),
        (("north", "south") if lat >= 0 else ("south", "north")),
    )
    yield from _spread(
        "longitude_sign",
        0.05,
        [(f"the longitude was typed as {east[1]}, it is {east[0]}", lat, -lon)],
    )
    yield from _spread(
        "latitude_sign",
        0.03,
        [(f"the latitude was typed as {north[1]}, it is {north[0]}", -lat, lon),
         ("the signs of latitude and longitude were both turned", -lat, -lon)],
    )  # fmt: skip
    yield from _spread(
        "latitude_longitude_swapped", 0.04,
        [("latitude and longitude were typed in each other's place", lon, lat)],
    )  # fmt: skip
    yield from _spread(
        "gons", 0.02,
        [("degrees were typed where the base reads gons", lat * GON_DEG, lon * GON_DEG),
         ("gons were typed where the base reads degrees", lat / GON_DEG, lon / GON_DEG)],
    )  # fmt: skip
    lats, lons = misread(lat), misread(lon)
    written = [(text, lats[text], lons[text]) for text in lats]
    written += [(f"{text}, in the latitude", lats[text], lon) for text in lats]
    written += [(f"{text}, in the longitude", lat, lons[text]) for text in lats]
    yield from _spread("degree_notation", 0.06, written)
    for name, weight, swapped in (("swapped_digits", 0.1, True), ("wrong_digit", 0.05, False)):
        slips = [(s.text, s.value, lon) for s in angle_slips(lat, "latitude", swapped=swapped)]
        slips += [(s.text, lat, s.value) for s in angle_slips(lon, "longitude", swapped=swapped)]
        yield from _spread(name, weight, slips)


def _grid_guesses(sheet: SiteSheet, mark: KnownMark) -> Iterator[PlanGuess]:
    """Give what goes wrong with easting and northing; nothing without a grid on the sheet."""
    position = sheet.position
    if position.crs is None:
        return
    grid = grid_of(position.crs)
    if position.easting_m is None or position.northing_m is None:
        if grid.changes_datum:
            return
        east_m, north_m = grid.metres(mark.latitude_deg, mark.longitude_deg)
    else:
        east_m, north_m = position.easting_m, position.northing_m

    def placed(
        options: Sequence[tuple[str, float, float]], system: Grid = grid
    ) -> list[tuple[str, float, float]]:
        return [(text, *_place(system, east, north)) for text, east, north in options]

    feet = [
        (
            "survey feet were read as international feet",
            east_m / SURVEY_FOOT,
            north_m / SURVEY_FOOT,
        ),
        (
            "international feet were read as survey feet",
            east_m * SURVEY_FOOT,
            north_m * SURVEY_FOOT,
        ),
    ]
    yield from _spread("survey_foot", 0.04, placed(feet))
    whole = [
        ("easting and northing in feet were read as metres", east_m / FOOT_M, north_m / FOOT_M),
        ("easting and northing in metres were read as feet", east_m * FOOT_M, north_m * FOOT_M),
    ]
    yield from _spread("grid_in_feet", 0.01, placed(whole))
    swap = [("easting and northing were typed in each other's place", north_m, east_m)]
    yield from _spread("easting_northing_swapped", 0.04, placed(swap))
    zones = []
    for other in neighbours(grid):
        zones += placed(
            [(f"the zone {other.name} was set, it is {grid.name}", east_m, north_m)], other
        )
    yield from _spread("wrong_zone", 0.06, zones)
    if half := other_hemisphere(grid):
        name, shift_m = half
        text = f"the zone {name} was set, it is {grid.name}"
        yield from _spread("wrong_hemisphere", 0.04, placed([(text, east_m, north_m + shift_m)]))
    for name, turned in _grid_signs(east_m, north_m).items():
        yield from _spread(name, 0.04, placed(turned))
    for name, weight, change in (
        ("swapped_digits", 0.1, swapped_digits),
        ("wrong_digit", 0.05, wrong_digits),
    ):
        slips = _grid_slips(change, east_m, north_m)
        if grid.feet:  # the paper may have either unit
            slips += _grid_slips(change, east_m, north_m, grid.unit_m)
        yield from _spread(name, weight, placed(slips))


def _grid_signs(east_m: float, north_m: float) -> dict[str, list[tuple[str, float, float]]]:
    """Give turned signs by blunder; text, metres. A sign of nothing is none."""
    way = [
        ("negative", "positive") if m > 0 else ("positive", "negative") for m in (east_m, north_m)
    ]
    east_counts, north_counts = (abs(m) > _SAME_MARK_M for m in (east_m, north_m))
    signs: dict[str, list[tuple[str, float, float]]] = {"easting_sign": [], "northing_sign": []}
    if east_counts:
        text = f"the easting was typed as {way[0][0]}, it is {way[0][1]}"
        signs["easting_sign"].append((text, -east_m, north_m))
    if north_counts:
        text = f"the northing was typed as {way[1][0]}, it is {way[1][1]}"
        signs["northing_sign"].append((text, east_m, -north_m))
    if east_counts and north_counts:
        text = "the signs of easting and northing were both turned"
        signs["northing_sign"].append((text, -east_m, -north_m))
    return signs


def _grid_slips(
    change: Callable[[str, str], Iterator[Slip]], east_m: float, north_m: float, unit_m: float = 1.0
) -> list[tuple[str, float, float]]:
    """Give slips in coordinates written in metres, or in feet to a thousandth; text, metres."""
    if unit_m == 1.0:
        unit = ""
        east, north = (f"{abs(value):.4f}".rstrip("0") + "0" for value in (east_m, north_m))
    else:
        unit = " in feet"
        east, north = (f"{abs(value) / unit_m:.3f}" for value in (east_m, north_m))
    east_unit_m, north_unit_m = math.copysign(unit_m, east_m), math.copysign(unit_m, north_m)
    slips = [
        (slip.text, slip.value * east_unit_m, north_m) for slip in change(east, f"easting{unit}")
    ]
    return slips + [
        (slip.text, east_m, slip.value * north_unit_m) for slip in change(north, f"northing{unit}")
    ]


def _place(grid: Grid, east_m: float, north_m: float) -> tuple[float, float]:
    """Give degrees on the modern ellipsoid; NaN where there is no such place."""
    latitude_deg, longitude_deg = grid.degrees(east_m, north_m)
    if math.isnan(latitude_deg):
        return math.nan, math.nan
    try:
        return grid.modern_degrees(latitude_deg, longitude_deg)[:2]
    except UsageError:
        return math.nan, math.nan


def height_guesses(
    sheet: SiteSheet, antenna_m: float | None, other: KnownMark | None = None
) -> list[HeightGuess]:
    """Give everything that makes a position too high or too low.

    Parameters
    ----------
    sheet : SiteSheet
        With a mark.
    antenna_m : float or None
        Vertical antenna height, from the sheet or else as sent.
    other : KnownMark, optional
        The mark whose plan the base was given in the place of the sheet's: heights count from its.
    """
    mark = sheet.position.mark
    assert mark is not None
    guesses = _antenna_guesses(sheet, antenna_m)
    if other is None:
        guesses += _untold_kind_guesses(sheet)
        return guesses + _mark_height_guesses(sheet, mark.ellipsoidal_height_m)
    own_m = mark.ellipsoidal_height_m - other.ellipsoidal_height_m
    if antenna_m is not None and abs(own_m) > _SAME_HEIGHT_M:
        text = "the height is that of this mark"
        guesses.append(_exact(RIGHT, text, own_m, _OWN_HEIGHT_WEIGHT, spread_m=0.003))
    return guesses + _mark_height_guesses(sheet, other.ellipsoidal_height_m)


def _exact(
    name: str, text: str, offset_m: float, weight: float, *, spread_m: float = 0.002,
    field_m: float | None = None,
) -> HeightGuess:  # fmt: skip
    return HeightGuess(name, text, offset_m, offset_m, spread_m, weight, field_m)


def _antenna_guesses(sheet: SiteSheet, antenna_m: float | None) -> list[HeightGuess]:
    """Give what goes wrong with the antenna height."""
    if antenna_m is None:
        # Any tripod: nothing can be said of the antenna height itself.
        return [HeightGuess(RIGHT, "", 0.0, 3.0, 0.0, 1.0)]
    antenna = sheet.antenna
    guesses = [
        _exact(RIGHT, "", 0.0, 1.0, spread_m=0.003, field_m=antenna_m),
        HeightGuess(
            "phase_centre", "the height of the antenna's phase centre was entered for that of the "
            "ARP, which lies 5-20 cm lower", *PHASE_CENTRE_M, 0.0, 0.05,
        ),
    ]  # fmt: skip
    if antenna_m > 0:
        feet_m = antenna_m / FOOT_M
        guesses += [
            _exact("height_left_out", "the base sends the height of the mark, not of the antenna",
                   -antenna_m, 0.1, field_m=0.0),
            _exact("height_twice", "the antenna height was added twice", antenna_m, 0.05,
                   field_m=antenna_m),
            _exact("height_in_feet", f"the antenna height was typed in feet, {feet_m:.2f}, where "
                   "the base reads metres", feet_m - antenna_m, 0.05, spread_m=0.01,
                   field_m=feet_m),
            _exact("height_in_feet", f"the antenna height in metres, {antenna_m:.3f}, was typed "
                   "where the base reads feet", antenna_m * FOOT_M - antenna_m, 0.02,
                   field_m=antenna_m * FOOT_M),
        ]  # fmt: skip
    slants: list[tuple[str, float]] = []
    if antenna.slant_radius_m > 0:
        above_m = antenna.slant_mark_above_arp_m
        slant_m = math.hypot(antenna_m + above_m, antenna.slant_radius_m)
        slants.append((f"the slant height of {height(slant_m)} was typed as vertical", slant_m))
        if above_m:
            slants.append(
                ("the slant height was lessened by the rim's offset, but not made vertical",
                 slant_m - above_m)
            )  # fmt: skip
            slants.append(
                ("the slant height was made vertical, but the rim's offset was left out",
                 antenna_m + above_m)
            )  # fmt: skip
    for text, typed_m in slants:
        guesses.append(
            _exact("slant_as_vertical", text, typed_m - antenna_m, 0.06 / len(slants),
                   field_m=typed_m)
        )  # fmt: skip
    if not slants:
        text = "a slant height may have been typed as vertical"
        guesses.append(HeightGuess("slant_as_vertical", text, *SLANT_EXCESS_M, 0.0, 0.01))
    return guesses


def _untold_kind_guesses(sheet: SiteSheet) -> list[HeightGuess]:
    """Give what a sheet that does not tell the kind of its height adds: the base may be right."""
    if not sheet.position.is_height_kind_untold:
        return []
    name, separation_m = KIND_UNTOLD, sheet.position.geoid_separation_m
    if separation_m:
        text = (
            "the height on the sheet is levelled, and was taken as ellipsoidal as height_kind is "
            f"missing: the geoid separation of {separation_m:.3f} m is the difference"
        )
        return [_exact(name, text, separation_m, 0.15, spread_m=0.03)]
    text = (
        "the height on the sheet may be levelled, and was taken as ellipsoidal as height_kind is "
        "missing"
    )
    return [
        HeightGuess(name, text, low_m, high_m, 0.0, 0.1)
        for low_m, high_m in ((GEOID_M[0], -_LEAST_SEPARATION_M), (_LEAST_SEPARATION_M, GEOID_M[1]))
    ]


def _mark_height_guesses(sheet: SiteSheet, typed_m: float) -> list[HeightGuess]:
    """Give what goes wrong with the height of a mark."""
    separation_m = sheet.position.geoid_separation_m
    guesses = []
    if separation_m:
        levelled_m = typed_m - separation_m
        guesses = [
            _exact("levelled_height", f"the levelled height {levelled_m:.3f} m was typed as "
                   f"ellipsoidal: the geoid separation of {separation_m:.3f} m is missing",
                   -separation_m, 0.15, spread_m=0.03),
            _exact("separation_twice", "the geoid separation was added twice", separation_m, 0.02,
                   spread_m=0.03),
            _exact("separation_sign", "the geoid separation was taken off, not added",
                   -2 * separation_m, 0.02, spread_m=0.03),
        ]  # fmt: skip
    else:
        text = (
            "a levelled height may have been typed as ellipsoidal: the difference lies in the "
            "range of geoid separations"
        )
        for low_m, high_m in ((-GEOID_M[1], -_LEAST_SEPARATION_M),
                              (_LEAST_SEPARATION_M, -GEOID_M[0])):  # fmt: skip
            guesses.append(HeightGuess("levelled_height", text, low_m, high_m, 0.0, 0.05))
    for text, wrong_m in (
        ("the mark's height in feet was read as metres", typed_m / FOOT_M),
        ("the mark's height in metres was read as feet", typed_m * FOOT_M),
    ):
        guesses.append(_exact("mark_height_in_feet", text, wrong_m - typed_m, 0.01, spread_m=0.01))
    written = f"{abs(typed_m):.4f}".rstrip("0") + "0"
    sign = math.copysign(1.0, typed_m)
    for name, weight, change in (
        ("swapped_digits", 0.06, swapped_digits),
        ("wrong_digit", 0.03, wrong_digits),
    ):
        slips = list(change(written, "height"))
        for slip in slips:
            offset_m = sign * slip.value - typed_m
            guesses.append(_exact(name, slip.text, offset_m, weight / len(slips)))
    return guesses
