"""Whether a mark can belong to the grid that its sheet names.

A wrong zone, exchanged axes or a lost sign are errors of the sheet, and cost nothing while the crew
still has it in hand. But grids are used beyond the area that their registry gives them: a job that
straddles a border keeps its zone, and a country that lies in several may count all in one. So
outside alone is no error up to `FAR_M`, where it is more than any such use. Nearer, from `NEAR_M`
on, it is one if a usual slip explains it: if the mark lies inside with it set right. The rest is a
remark, and is told again where the base disagrees with the mark. A wrong zone alone leaves a mark
inside the area of that zone: only the comparison with the base finds it.
"""

import math
from collections.abc import Iterator

from rtcmtool.diagnosis.lengths import distance
from rtcmtool.diagnosis.projection import Grid, other_hemisphere
from rtcmtool.diagnosis.sheet_values import Place
from rtcmtool.errors import UsageError

# Zone 33 of UTM is in use for all of Norway, up to 500 km beyond its border in the north and west
# (from memory of its practice; computed). Neighbouring zones overlap by 40 km in military use of
# UTM (from memory): 50 km is judgement.
FAR_M = 510_000.0
NEAR_M = 50_000.0
_LOOK = (
    "see whether easting and northing are metres, in the right order and with the right sign, and "
    "whether crs is the right zone and hemisphere."
)

# Chance may bring a right mark inside by a slip that nobody made: there is a way round.
_OR_DEGREES = "If the place is right as it is, give it in degrees."


def outside_of_grid_m(
    place: Place, grid: Grid, grid_m: tuple[float, float], degrees: tuple[float, float]
) -> float:
    """Give how far a mark lies outside the area of its grid, and refuse it far outside.

    Parameters
    ----------
    place : Place
        Of the position on the sheet.
    grid : Grid
        That it names.
    grid_m : tuple of float
        Easting and northing as given, m.
    degrees : tuple of float
        Latitude and longitude that they mean, in the datum of the grid.

    Raises
    ------
    UsageError
        If it cannot be meant; says what it could be instead.
    """
    outside_m = grid.outside_m(*degrees)
    if outside_m <= NEAR_M:
        return outside_m
    slip = next(_slips(grid, *grid_m, is_far=outside_m > FAR_M), None)
    if slip is None and outside_m <= FAR_M:
        return outside_m
    raise _outside(place.inside("easting_m"), grid, grid_m, outside_m, slip or _LOOK)


def degrees_outside_m(place: Place, grid: Grid, latitude_deg: float, longitude_deg: float) -> float:
    """Give how far a mark in degrees lies outside the area of the grid beside them.

    Raises
    ------
    UsageError
        If it is more than any use of a grid.
    """
    outside_m = grid.outside_m(latitude_deg, longitude_deg)
    if outside_m <= FAR_M:
        return outside_m
    raise place.inside("crs").error(
        f"position.crs = {grid.code}, and the mark lies {distance(outside_m)} outside its area.",
        why=f"{grid.code} is {grid.name}{_area(grid)}.",
        do="see sign and order of latitude_deg and longitude_deg, and whether crs is the right "
        "zone and hemisphere.",
    )


def _outside(
    place: Place, grid: Grid, grid_m: tuple[float, float], outside_m: float, do: str
) -> UsageError:
    east_m, north_m = grid_m
    return place.error(
        f"position.easting_m = {east_m!r}, position.northing_m = {north_m!r}: the mark would lie "
        f"{distance(outside_m)} outside the area of {grid.code}.",
        why=f"{grid.code} is {grid.name}{_area(grid)}.",
        do=f"{do} {_OR_DEGREES}",
    )


def _area(grid: Grid) -> str:
    """Say for which part of the Earth a grid is made."""
    if grid.area_deg is None:
        return ""
    west, south, east, north = grid.area_deg
    return f", made for {_span(south, north, 'NS')} and {_span(west, east, 'EW')}"


def _span(low_deg: float, high_deg: float, letters: str) -> str:
    ends = (f"{abs(angle):g} {letters[angle < 0]}" for angle in (low_deg, high_deg))
    return " to ".join(ends)


def _slips(grid: Grid, east_m: float, north_m: float, *, is_far: bool) -> Iterator[str]:
    """Say what to do, for every slip with which set right the mark lies in the area."""
    options = [
        (north_m, east_m, "exchange easting_m and northing_m: then the mark lies in the area."),
        (-east_m, north_m, "turn the sign of easting_m: then the mark lies in the area."),
    ]
    half = other_hemisphere(grid)
    # Jobs at the equator keep a northern zone with northings below 0: near it they are no slip.
    if half is None or is_far:
        options += [
            (east_m, -north_m, "turn the sign of northing_m: then the mark lies in the area."),
            (-east_m, -north_m, "turn the signs of easting_m and northing_m: then the mark lies "
             "in the area."),
        ]  # fmt: skip
    if grid.feet:
        text = (
            f"multiply both by {grid.unit_m!r}: they look like the feet of this grid, and "
            "easting_m and northing_m are metres."
        )
        options.insert(0, (east_m * grid.unit_m, north_m * grid.unit_m, text))
    for east, north, text in options:
        latitude_deg, longitude_deg = grid.degrees(east, north)
        if not math.isnan(latitude_deg) and grid.covers(latitude_deg, longitude_deg):
            yield text
    if half is not None and _is_beyond_pole_side(grid, *grid.degrees(east_m, north_m)):
        name, shift_m = half
        latitude_deg, longitude_deg = grid.degrees(east_m, north_m + shift_m)
        # The area of the other half is the mirror image, as far as this needs it.
        if not math.isnan(latitude_deg) and grid.covers(-latitude_deg, longitude_deg):
            yield f"see whether the zone {name} is meant, and write its code as crs."


def _is_beyond_pole_side(grid: Grid, latitude_deg: float, longitude_deg: float) -> bool:
    """Tell whether a place lies nearer the pole than the area: a northing of the other half."""
    if grid.area_deg is None or math.isnan(longitude_deg):
        return False
    _, south, _, north = grid.area_deg
    return latitude_deg > north if north + south > 0 else latitude_deg < south
