"""Seeded wrong coordinates: sheets of invented marks, and what a base sends after a blunder.

Every number is made with a transformation library or by plain arithmetic written here, with nothing
of the package, so that recognition is not tested against itself.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cache
from itertools import pairwise

import numpy as np
from pyproj import Transformer

INTERNATIONAL_FOOT_M = 0.3048
SURVEY_FOOT_M = 1200 / 3937
CASES = 30


@dataclass(frozen=True, slots=True)
class Case:
    """A blunder: its name, the sheet, and what the base sends."""

    blunder: str
    sheet: str
    arp_ecef_m: tuple[float, float, float]
    antenna_height_m: float | None
    marks: str = ""


@cache
def _ecef() -> Transformer:
    return Transformer.from_crs("EPSG:4979", "EPSG:4978", always_xy=True)


@cache
def _utm(code: int) -> Transformer:
    return Transformer.from_crs("EPSG:4326", f"EPSG:{code}", always_xy=True)


def arp(latitude_deg: float, longitude_deg: float, height_m: float) -> tuple[float, float, float]:
    """Give earth-fixed coordinates to the step of 1005, 0.1 mm."""
    x, y, z = _ecef().transform(longitude_deg, latitude_deg, height_m)
    return round(x, 4), round(y, 4), round(z, 4)


@dataclass
class Site:
    """An invented mark with a tripod over it; coordinates as a crew has them on paper."""

    random: np.random.Generator
    latitude_deg: float = 0.0
    longitude_deg: float = 0.0
    height_m: float = 0.0
    antenna_m: float = 0.0
    extra: list[str] = field(default_factory=list)
    position: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        draw = self.random
        sign = draw.choice([-1.0, 1.0], 2)
        self.latitude_deg = round(float(sign[0] * draw.uniform(12.0, 62.0)), 9)
        self.longitude_deg = round(float(sign[1] * draw.uniform(3.0, 86.0)), 9)
        self.height_m = round(float(draw.uniform(80.0, 900.0)), 3)
        self.antenna_m = round(float(draw.uniform(1.3, 2.0)), 3)
        self.position = [
            f"latitude_deg = {self.latitude_deg}",
            f"longitude_deg = {self.longitude_deg}",
            f"ellipsoidal_height_m = {self.height_m}",
        ]

    @property
    def zone_code(self) -> int:
        """EPSG code of the UTM zone."""
        zone = math.floor((self.longitude_deg + 180) / 6) + 1
        return (32600 if self.latitude_deg >= 0 else 32700) + zone

    def gridded(self) -> tuple[float, float]:
        """Write the mark in the UTM zone, to the millimetre; give easting and northing."""
        east, north = _utm(self.zone_code).transform(self.longitude_deg, self.latitude_deg)
        east, north = round(east, 3), round(north, 3)
        self.longitude_deg, self.latitude_deg = _utm(self.zone_code).transform(
            east, north, direction="INVERSE"
        )
        self.position = [
            f"easting_m = {east}", f"northing_m = {north}", f"height_m = {self.height_m}",
            f'crs = "EPSG:{self.zone_code}"',
        ]  # fmt: skip
        return east, north

    def case(
        self,
        blunder: str,
        latitude_deg: float | None = None,
        longitude_deg: float | None = None,
        height_m: float | None = None,
        *,
        antenna_m: float | None = None,
        marks: str = "",
    ) -> Case:
        """Make the case in which these numbers were typed instead of the right ones."""
        latitude = self.latitude_deg if latitude_deg is None else latitude_deg
        longitude = self.longitude_deg if longitude_deg is None else longitude_deg
        height = self.height_m if height_m is None else height_m
        antenna = self.antenna_m if antenna_m is None else antenna_m
        told = self.random.choice(["height", "zero", "none"])
        field_m = {"height": round(antenna, 4), "zero": 0.0, "none": None}[str(told)]
        sheet = "\n".join(
            ["[position]", *self.position, "[antenna]", f"height_m = {self.antenna_m}", *self.extra]
        )
        return Case(blunder, sheet, arp(latitude, longitude, height + antenna), field_m, marks)


def metres_away(site: Site, east_m: float, north_m: float) -> tuple[float, float]:
    """Give latitude and longitude some metres away; good to a per cent, which is enough."""
    latitude = site.latitude_deg + north_m / 111_000
    cosine = math.cos(math.radians(site.latitude_deg))
    return latitude, site.longitude_deg + east_m / (111_000 * cosine)


def swap_digits(number: float, decimals: int, random: np.random.Generator) -> float:
    """Exchange two neighbouring digits that differ, in front of the last places."""
    text = f"{number:.{decimals}f}"
    places = [i for i, letter in enumerate(text) if letter.isdigit()]
    places = places[: len(places) - max(decimals - 3, 1)]
    pairs = [(a, b) for a, b in pairwise(places) if text[a] != text[b] and (a, text[b]) != (0, "0")]
    a, b = pairs[random.integers(len(pairs))]
    digits = list(text)
    digits[a], digits[b] = digits[b], digits[a]
    return float("".join(digits))


def sexagesimal(angle_deg: float) -> tuple[float, int, int, float]:
    """Split an angle into sign, degrees, minutes and seconds."""
    size = abs(angle_deg)
    degrees = int(size)
    minutes = int((size - degrees) * 60)
    return math.copysign(1, angle_deg), degrees, minutes, ((size - degrees) * 60 - minutes) * 60


# ---- the blunders ------------------------------------------------------------------------------


def levelled_told(site: Site) -> Case:
    separation_m = round(float(site.random.uniform(8.0, 50.0)), 3)
    site.position.append(f"geoid_separation_m = {separation_m}")
    wrong_m = site.height_m - separation_m + site.random.normal(0.0, 0.01)
    return site.case("levelled_height", height_m=wrong_m)


def levelled_untold(site: Site) -> Case:
    return site.case("levelled_height", height_m=site.height_m - site.random.uniform(8.0, 60.0))


def datum(site: Site) -> Case:
    size_m, way = site.random.uniform(0.3, 1.9), site.random.uniform(0.0, 2 * math.pi)
    place = metres_away(site, size_m * math.sin(way), size_m * math.cos(way))
    return site.case("datum", *place, site.height_m + site.random.normal(0.0, 0.08))


def survey_foot(site: Site) -> Case:
    east, north = site.gridded()
    ratio = SURVEY_FOOT_M / INTERNATIONAL_FOOT_M
    factor = ratio if site.random.random() < 0.5 else 1 / ratio
    lon, lat = _utm(site.zone_code).transform(east * factor, north * factor, direction="INVERSE")
    return site.case("survey_foot", lat, lon)


def swapped_in_seconds(site: Site) -> Case:
    sign, degrees, minutes, seconds = sexagesimal(site.latitude_deg)
    wrong = 60.0
    while wrong >= 60.0:
        wrong = swap_digits(round(seconds, 5), 5, site.random)
    return site.case("swapped_digits", sign * (degrees + minutes / 60 + wrong / 3600))


def swapped_in_degrees(site: Site) -> Case:
    wrong = swap_digits(abs(site.longitude_deg), 9, site.random)
    return site.case("swapped_digits", None, math.copysign(wrong, site.longitude_deg))


def swapped_in_easting(site: Site) -> Case:
    east, north = site.gridded()
    wrong = swap_digits(east, 3, site.random)
    lon, lat = _utm(site.zone_code).transform(wrong, north, direction="INVERSE")
    return site.case("swapped_digits", lat, lon)


def swapped_in_northing(site: Site) -> Case:
    east, north = site.gridded()
    text = f"{north:.3f}"
    digits = list(text)
    place = next(i for i in range(2, 6) if text[i] != text[i + 1])
    digits[place], digits[place + 1] = digits[place + 1], digits[place]
    wrong = float("".join(digits))
    lon, lat = _utm(site.zone_code).transform(east, wrong, direction="INVERSE")
    return site.case("swapped_digits", lat, lon)


def swapped_in_height(site: Site) -> Case:
    return site.case("swapped_digits", height_m=swap_digits(site.height_m, 3, site.random))


def phase_centre(site: Site) -> Case:
    above_m = float(site.random.uniform(0.055, 0.19))
    return site.case("phase_centre", antenna_m=site.antenna_m + above_m)


def height_in_feet(site: Site) -> Case:
    feet = round(site.antenna_m / INTERNATIONAL_FOOT_M, 2)
    return site.case("height_in_feet", antenna_m=feet)


def slant(site: Site) -> Case:
    radius_m, above_m = 0.1905, 0.035
    taped_m = round(math.hypot(site.antenna_m + above_m, radius_m), 3)
    site.extra = [
        f"slant_radius_m = {radius_m}", f"slant_mark_above_arp_m = {above_m}",
    ]  # fmt: skip
    return site.case("slant_as_vertical", antenna_m=taped_m)


def left_out(site: Site) -> Case:
    return site.case("height_left_out", antenna_m=0.0)


def twice(site: Site) -> Case:
    return site.case("height_twice", height_m=site.height_m + site.antenna_m)


def longitude_sign(site: Site) -> Case:
    return site.case("longitude_sign", None, -site.longitude_deg)


def latitude_sign(site: Site) -> Case:
    return site.case("latitude_sign", -site.latitude_deg)


def gons(site: Site) -> Case:
    return site.case("gons", site.latitude_deg * 360 / 400, site.longitude_deg * 360 / 400)


def minutes_as_decimals(site: Site) -> Case:
    wrong = []
    for angle in (site.latitude_deg, site.longitude_deg):
        sign, degrees, minutes, seconds = sexagesimal(angle)
        wrong.append(sign * (degrees + (minutes + seconds / 60) / 100))
    return site.case("degree_notation", *wrong)


def seconds_as_decimals(site: Site) -> Case:
    wrong = []
    for angle in (site.latitude_deg, site.longitude_deg):
        sign, degrees, minutes, seconds = sexagesimal(angle)
        wrong.append(sign * float(f"{degrees}.{minutes:02d}{round(seconds * 1e5):07d}"))
    return site.case("degree_notation", *wrong)


def swapped_coordinates(site: Site) -> Case:
    return site.case("latitude_longitude_swapped", site.longitude_deg, site.latitude_deg)


def wrong_zone(site: Site) -> Case:
    east, north = site.gridded()
    other = site.zone_code + int(site.random.choice([-1, 1]))
    lon, lat = _utm(other).transform(east, north, direction="INVERSE")
    return site.case("wrong_zone", lat, lon)


def wrong_hemisphere(site: Site) -> Case:
    east, north = site.gridded()
    other = site.zone_code + (100 if site.latitude_deg >= 0 else -100)
    lon, lat = _utm(other).transform(east, north, direction="INVERSE")
    return site.case("wrong_hemisphere", lat, lon)


def neighbouring(site: Site) -> Case:
    place = metres_away(site, *site.random.uniform(-300.0, 300.0, 2))
    height_m = round(site.height_m + float(site.random.uniform(-9.0, 9.0)), 3)
    marks = (
        "name,latitude_deg,longitude_deg,ellipsoidal_height_m\n"
        f"M1,{site.latitude_deg},{site.longitude_deg},{site.height_m}\n"
        f"M2,{place[0]:.9f},{place[1]:.9f},{height_m}\n"
        f"M3,{place[0] + 0.001:.9f},{place[1]:.9f},{height_m}\n"
    )
    at = round(place[0], 9), round(place[1], 9)
    return site.case("neighbouring_mark", *at, height_m, marks=marks)


def averaged(site: Site) -> Case:
    east_m, north_m = site.random.normal(0.0, 1.3, 2)
    up_m = math.copysign(site.random.uniform(0.9, 4.5), site.random.normal())
    place = metres_away(site, east_m, north_m)
    return site.case("averaged", *place, site.height_m + up_m)


BLUNDERS: tuple[Callable[[Site], Case], ...] = (
    levelled_told, levelled_told, levelled_untold, datum, datum, survey_foot, survey_foot,
    swapped_in_seconds, swapped_in_degrees, swapped_in_easting, swapped_in_northing,
    swapped_in_height, phase_centre, height_in_feet, slant, left_out, left_out, twice,
    longitude_sign, latitude_sign, gons, minutes_as_decimals, seconds_as_decimals,
    swapped_coordinates, wrong_zone, wrong_zone, wrong_hemisphere, neighbouring, averaged, averaged,
)  # fmt: skip
assert len(BLUNDERS) == CASES


def wrong_coordinates(seed: int) -> Iterator[Case]:
    """Give thirty cases, each at a place of its own."""
    for place, blunder in enumerate(BLUNDERS):
        yield blunder(Site(np.random.default_rng([seed, place])))
