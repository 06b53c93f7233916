"""Projected coordinates to degrees and back, by EPSG code, with the change of datum looked at.

The base and the rover work in the datum of the coordinates that were typed in, so grid coordinates
become degrees of their own datum; nothing is shifted. Only where that datum has an ellipsoid of its
own (older national ones) must the datum change too, because 1005 and 1006 mean the modern
ellipsoid: then the operation is chosen for the place, a ballpark one is refused and its accuracy
is kept.
"""

import math
import re
import warnings
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING

from rtcmtool.errors import UsageError
from rtcmtool.gnss.geodesy import FLATTENING, SEMI_MAJOR_AXIS_M, distance_m, ecef_from_degrees

if TYPE_CHECKING:
    from pyproj import CRS, Transformer

EXTRA = "geodesy"  # extra of the package that brings the library
_SAME_AXIS_M = 0.5  # WGS 84 and GRS 80 have one axis; every older ellipsoid is tens of metres off
_SAME_INVERSE_FLATTENING = 1e-4
_ROUND_TRIP_M = 0.001
_UTM_NORTH, _UTM_SOUTH = 32600, 32700  # EPSG codes of UTM on WGS 84 before zone 1
# UTM counts northings south of the equator from 10 000 000 m (from memory of its definition).
_UTM_HALF = re.compile(r"\bUTM zone [0-9]+([NS])\b")
_FALSE_NORTHING_M = 1e7
_CODE = re.compile(r"[A-Za-z]+:[0-9]+(?:\+[0-9]+)?")  # the second of two is that of heights
_AROUND_DEG = 0.05  # area round the place for which the operation is chosen


@dataclass(frozen=True, eq=False, slots=True)
class Grid:
    """A projected coordinate system, east and north in metres whatever its own unit and order.

    Attributes
    ----------
    code, name, datum : str
        As in the EPSG registry.
    feet : bool
        Its own unit is a foot.
    changes_datum : bool
        Its ellipsoid is not that of WGS 84 and GRS 80.
    area_deg : tuple or None
        West, south, east, north of the area of use.
    height_system : str
        In which heights count where the code names one that is not ellipsoidal; empty else.
    """

    code: str
    name: str
    datum: str
    feet: bool
    changes_datum: bool
    area_deg: tuple[float, float, float, float] | None
    _crs: "CRS" = field(repr=False)
    _own: "Transformer" = field(repr=False)  # to degrees of the grid's own datum
    _unit_m: float = field(repr=False)
    height_system: str = ""

    @property
    def unit_m(self) -> float:
        """Its own unit, m."""
        return self._unit_m

    def degrees(self, easting_m: float, northing_m: float) -> tuple[float, float]:
        """Give latitude and longitude in the grid's own datum; NaN where it has none.

        Nothing farther out than the projection can be turned back is taken for a place.
        """
        east, north = easting_m / self._unit_m, northing_m / self._unit_m
        longitude, latitude = self._own.transform(east, north)
        if not (math.isfinite(latitude) and math.isfinite(longitude)):
            return math.nan, math.nan
        back = self._own.transform(longitude, latitude, direction="INVERSE")
        if not math.dist(back, (east, north)) * self._unit_m < _ROUND_TRIP_M:
            return math.nan, math.nan
        return latitude, longitude

    def metres(self, latitude_deg: float, longitude_deg: float) -> tuple[float, float]:
        """Give easting and northing of degrees in the grid's own datum; inf outside."""
        east, north = self._own.transform(longitude_deg, latitude_deg, direction="INVERSE")
        return east * self._unit_m, north * self._unit_m

    def scale_and_convergence_deg(
        self, latitude_deg: float, longitude_deg: float
    ) -> tuple[float, float]:
        """Give the scale of the map and the angle from true to grid north at a place."""
        from pyproj import Proj  # noqa: PLC0415  (an extra)

        factors = Proj(self._crs).get_factors(longitude_deg, latitude_deg)
        return float(factors.meridional_scale), float(factors.meridian_convergence)

    def covers(self, latitude_deg: float, longitude_deg: float) -> bool:
        """Tell whether a place lies in the area of use, as far as that is known."""
        if self.area_deg is None:
            return True
        west, south, east, north = self.area_deg
        inside = (
            west <= longitude_deg <= east
            if west <= east
            else longitude_deg >= west or longitude_deg <= east
        )
        return inside and south <= latitude_deg <= north

    def outside_m(self, latitude_deg: float, longitude_deg: float) -> float:
        """Give how far a place lies outside the area of use, m; 0 inside or where it is unknown."""
        if self.area_deg is None or self.covers(latitude_deg, longitude_deg):
            return 0.0
        west, south, east, north = self.area_deg
        edge_deg = longitude_deg
        if (longitude_deg - west) % 360 > (east - west) % 360:
            edge_deg = min(
                (west, east), key=lambda edge: 180 - abs(abs(longitude_deg - edge) - 180)
            )
        inside = ecef_from_degrees(min(max(latitude_deg, south), north), edge_deg, 0.0)
        return float(distance_m(ecef_from_degrees(latitude_deg, longitude_deg, 0.0), inside))

    def modern_degrees(
        self, latitude_deg: float, longitude_deg: float
    ) -> tuple[float, float, "Operation"]:
        """Turn degrees of the grid's own datum into those of the modern ellipsoid.

        Returns
        -------
        latitude_deg, longitude_deg : float
            On WGS 84; the same as given where the ellipsoid is the same.
        operation : Operation
            What was done, and how well it is known.

        Raises
        ------
        UsageError
            If only a ballpark operation, without a datum shift, is known.
        """
        if not self.changes_datum:
            return latitude_deg, longitude_deg, NO_OPERATION
        # One operation for a degree around: neighbouring points must not take different ones.
        best, operation = _change_of_datum(self._crs, round(latitude_deg), round(longitude_deg))
        longitude, latitude = best.transform(longitude_deg, latitude_deg)
        return latitude, longitude, operation


@dataclass(frozen=True, slots=True)
class Operation:
    """A change of datum: its name, accuracy (m) and what a better one would need."""

    name: str
    accuracy_m: float
    missing: str


NO_OPERATION = Operation("", 0.0, "")


@lru_cache(maxsize=64)
def grid_of(code: str) -> Grid:
    """Find a projected coordinate system.

    Parameters
    ----------
    code : str
        "EPSG:32654"; a compound system gives its horizontal part.

    Raises
    ------
    UsageError
        If the library is missing, the code is unknown, or it has no easting and northing.

    Examples
    --------
    >>> latitude, longitude = grid_of("EPSG:32654").degrees(360580.5941, 3910351.4639)
    >>> round(latitude, 9), round(longitude, 9)
    (35.326685025, 139.466083411)
    """
    unknown = UsageError(
        f"there is no coordinate system '{code}'.",
        do='write the code of the EPSG registry, such as crs = "EPSG:32654".',
    )
    if not _CODE.fullmatch(code):
        if code.isascii() and code.isdecimal():
            unknown.do = f'write the registry in front: crs = "EPSG:{code}"'
        raise unknown
    try:
        from pyproj import CRS, Transformer  # noqa: PLC0415  (an extra, and slow to load)
        from pyproj.exceptions import CRSError  # noqa: PLC0415
    except ImportError as error:
        raise UsageError(
            f"projected coordinates ({code}) need a library that is not installed.",
            do=f"pip install 'rtcmtool[{EXTRA}]', or give latitude_deg and longitude_deg.",
        ) from error
    try:
        crs = CRS.from_user_input(code)
    except CRSError as error:
        raise unknown from error
    height_system = ""
    if crs.is_compound:
        crs, *others = crs.sub_crs_list
        height_system = ", ".join(other.name for other in others)
    if not crs.is_projected or any(axis.direction == "west" for axis in crs.axis_info):
        why = (
            "its axes count to the west and south."
            if crs.is_projected
            else "it is no projected system."
        )
        raise UsageError(
            f"{code} ({crs.name}) gives no easting and northing.",
            why=why,
            do="give latitude_deg and longitude_deg instead.",
        )
    ellipsoid, area, base = crs.ellipsoid, crs.area_of_use, crs.geodetic_crs
    assert ellipsoid is not None
    assert base is not None
    same = (
        abs(ellipsoid.semi_major_metre - SEMI_MAJOR_AXIS_M) < _SAME_AXIS_M
        and abs(ellipsoid.inverse_flattening - 1 / FLATTENING) < _SAME_INVERSE_FLATTENING
    )
    axis = crs.axis_info[0]
    return Grid(
        code=code.upper(),
        name=crs.name,
        datum=crs.datum.name if crs.datum else "",
        feet="foot" in axis.unit_name.lower(),
        changes_datum=not same,
        area_deg=area.bounds if area else None,
        _crs=crs,
        _own=Transformer.from_crs(crs, base, always_xy=True),
        _unit_m=float(axis.unit_conversion_factor),
        height_system=height_system,
    )


def neighbours(grid: Grid, reach: int = 3) -> list[Grid]:
    """Give the zones next to a grid: neighbouring codes of the same kind of system and datum."""
    authority, _, number = grid.code.rpartition(":")
    if not number.isdecimal():
        return []
    found = []
    for step in range(-reach, reach + 1):
        if step:
            try:
                other = grid_of(f"{authority}:{_zone_code(int(number), step)}")
            except UsageError:
                continue
            if other.datum == grid.datum and _kind(other.name) == _kind(grid.name):
                found.append(other)
    return found


def other_hemisphere(grid: Grid) -> tuple[str, float] | None:
    """Give the UTM zone of the same number on the other half of the Earth.

    Returns
    -------
    name : str
        Of that zone.
    shift_m : float
        To be added to a northing in `grid`: the place where that zone has the same northing.
    """
    half = _UTM_HALF.search(grid.name)
    if half is None:
        return None
    begin, end = half.span(1)
    is_north = half[1] == "N"
    name = grid.name[:begin] + ("S" if is_north else "N") + grid.name[end:]
    return name, -_FALSE_NORTHING_M if is_north else _FALSE_NORTHING_M


def _zone_code(number: int, step: int) -> int:
    """Give the code some zones on; after the 60th UTM zone comes the first."""
    for first in (_UTM_NORTH, _UTM_SOUTH):
        if first < number <= first + 60:
            return first + (number - first - 1 + step) % 60 + 1
    return number + step


def _kind(name: str) -> str:
    """Give the name of a system without its zone: digits, roman numerals, N and S."""
    words = name.replace("/", " ").split()
    return " ".join(word for word in words if not set(word) <= set("0123456789IVXLNS"))


@lru_cache(maxsize=64)
def _change_of_datum(
    crs: "CRS", latitude_deg: int, longitude_deg: int
) -> tuple["Transformer", Operation]:
    from pyproj.aoi import AreaOfInterest  # noqa: PLC0415
    from pyproj.transformer import TransformerGroup  # noqa: PLC0415

    around = AreaOfInterest(
        max(longitude_deg - _AROUND_DEG, -180.0),
        max(latitude_deg - _AROUND_DEG, -90.0),
        min(longitude_deg + _AROUND_DEG, 180.0),
        min(latitude_deg + _AROUND_DEG, 90.0),
    )
    base = crs.geodetic_crs
    with warnings.catch_warnings():
        # A missing grid file is told in our own words, as `missing`.
        warnings.simplefilter("ignore", UserWarning)
        group = TransformerGroup(
            base,
            "EPSG:4326",
            always_xy=True,
            area_of_interest=around,  # type: ignore[arg-type]  # what its documentation asks for
            allow_ballpark=False,
        )
    usable = [one for one in group.transformers if one.accuracy >= 0]
    if not usable:
        raise UsageError(
            f"no operation from {base.name if base else crs.name} to the datum of the corrections "
            "is known here, only a ballpark one.",
            do="give latitude_deg, longitude_deg and ellipsoidal_height_m in the modern datum.",
        )
    missing = ""
    if not group.best_available and group.unavailable_operations:
        grids = [g.short_name for g in group.unavailable_operations[0].grids if not g.available]
        missing = ", ".join(grids)
    return usable[0], Operation(usable[0].description, usable[0].accuracy, missing)
