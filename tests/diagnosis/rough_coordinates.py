"""More seeded wrong coordinates, as rough as a job is: millimetres of plummet, tape and rounding.

The sites lie anywhere from pole circle to pole circle and on both sides of the date line, in grids
of metres and feet, and the sheets are filled in as differently as crews do. As in
`wrong_coordinates`, nothing of the package makes the numbers.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
from pyproj import CRS, Transformer

from tests.diagnosis.wrong_coordinates import (
    BLUNDERS,
    INTERNATIONAL_FOOT_M,
    SURVEY_FOOT_M,
    Case,
    Site,
    arp,
    metres_away,
    sexagesimal,
    swap_digits,
)

HEALTHY = 100  # right positions a seed
_PLUMMET_MM, _TAPE_MM = 1.2, 1.2  # standard deviations
# Grids with a place in the middle of their area: some northing first, some in feet of either kind.
_GRIDS = (
    ("EPSG:6677", (35.9, 139.8)), ("EPSG:2230", (33.1, -116.9)), ("EPSG:2256", (46.9, -109.6)),
    ("EPSG:25832", (50.4, 9.1)), ("EPSG:2193", (-41.2, 173.1)), ("EPSG:6418", (39.2, -121.2)),
)  # fmt: skip


def rough(case: Case, random: np.random.Generator) -> Case:
    """Give a case with the millimetres of a real set-up on top."""
    x, y, z = case.arp_ecef_m
    down = np.array([x, y, z]) / math.hypot(x, y, z)
    noise = random.normal(0.0, _PLUMMET_MM / 1000, 3)
    noise += down * (random.normal(0.0, _TAPE_MM / 1000) - down @ noise)
    moved = np.round(np.array([x, y, z]) + noise, 4).tolist()
    return replace(case, arp_ecef_m=(moved[0], moved[1], moved[2]))


def gridded(site: Site) -> tuple[Transformer, float, float, float]:
    """Put the mark into a grid; give its transformation, coordinates in its unit, and the unit."""
    code, (latitude, longitude) = _GRIDS[site.random.integers(len(_GRIDS))]
    crs = CRS(code)
    forward = Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True)
    unit_m = crs.axis_info[0].unit_conversion_factor
    place = site.random.uniform(-0.3, 0.3, 2)
    east, north = forward.transform(longitude + place[0], latitude + place[1])
    east, north = round(east, 3), round(north, 3)
    site.longitude_deg, site.latitude_deg = forward.transform(east, north, direction="INVERSE")
    site.position = [
        f"easting_m = {east * unit_m:.4f}", f"northing_m = {north * unit_m:.4f}",
        f"height_m = {site.height_m}", f'crs = "{code}"',
    ]  # fmt: skip
    return forward, east, north, unit_m


def typed(site: Site, blunder: str, forward: Transformer, east: float, north: float) -> Case:
    """Make the case in which these grid coordinates were typed, in the grid's own unit."""
    lon, lat = forward.transform(east, north, direction="INVERSE")
    return site.case(blunder, lat, lon)


# ---- plan --------------------------------------------------------------------------------------


def survey_foot(site: Site) -> Case:
    forward, east, north, _ = gridded(site)
    ratio = SURVEY_FOOT_M / INTERNATIONAL_FOOT_M
    factor = ratio if site.random.random() < 0.5 else 1 / ratio
    return typed(site, "survey_foot", forward, east * factor, north * factor)


def swapped_in_grid(site: Site) -> Case:
    forward, east, north, _ = gridded(site)
    text = f"{abs(north):.3f}"
    places = [i for i in range(2, len(text) - 5) if text[i] != text[i + 1]]
    if site.random.random() < 0.5 or not places:
        return typed(site, "swapped_digits", forward, swap_digits(east, 3, site.random), north)
    place = places[site.random.integers(len(places))]
    digits = list(text)
    digits[place], digits[place + 1] = digits[place + 1], digits[place]
    wrong = math.copysign(float("".join(digits)), north)
    return typed(site, "swapped_digits", forward, east, wrong)


def swapped_in_minutes(site: Site) -> Case:
    sign, degrees, _, seconds = sexagesimal(site.longitude_deg)
    minutes = int(site.random.choice([12, 13, 24, 35, 41, 52, 53]))
    site.longitude_deg = sign * (degrees + minutes / 60 + round(seconds, 5) / 3600)
    site.position[1] = f"longitude_deg = {site.longitude_deg!r}"
    turned = minutes % 10 * 10 + minutes // 10
    return site.case("swapped_digits", None, sign * (degrees + turned / 60 + seconds / 3600))


def swapped_in_latitude(site: Site) -> Case:
    wrong = swap_digits(abs(site.latitude_deg), 9, site.random)
    return site.case("swapped_digits", math.copysign(wrong, site.latitude_deg))


def wrong_digit(site: Site) -> Case:
    text = f"{abs(site.latitude_deg):.9f}"
    place = int(site.random.integers(3, 7))
    other = str((int(text[place]) + int(site.random.integers(1, 10))) % 10)
    wrong = float(text[:place] + other + text[place + 1 :])
    return site.case("wrong_digit", math.copysign(wrong, site.latitude_deg))


def easting_northing_swapped(site: Site) -> Case:
    for _ in range(50):
        forward, east, north, _ = gridded(site)
        lon, lat = forward.transform(north, east, direction="INVERSE")
        back = forward.transform(lon, lat)
        if math.isfinite(lat) and math.dist(back, (north, east)) < 0.001:
            return site.case("easting_northing_swapped", lat, lon)
    raise AssertionError("no grid has the swapped place")


def gons_as_degrees(site: Site) -> Case:
    if abs(site.latitude_deg) > 80:
        site.latitude_deg /= 2
    return site.case("gons", site.latitude_deg / 0.9, site.longitude_deg / 0.9)


def decimals_as_minutes(site: Site) -> Case:
    # 12.345678 typed where the base reads degrees and decimal minutes: 12 degrees 34.5678 minutes
    wrong = []
    for angle in (site.latitude_deg, site.longitude_deg):
        whole, fraction = divmod(abs(angle), 1.0)
        wrong.append(math.copysign(whole + fraction * 100 / 60, angle))
    return site.case("degree_notation", *wrong)


def longitude_sign(site: Site) -> Case:
    site.longitude_deg = round(float(site.random.uniform(90.0, 179.9)), 9)
    site.position[1] = f"longitude_deg = {site.longitude_deg}"
    return site.case("longitude_sign", None, -site.longitude_deg)


def neighbour_without_antenna(site: Site) -> Case:
    place = metres_away(site, *site.random.uniform(20.0, 400.0, 2))
    height_m = round(site.height_m + float(site.random.uniform(-9.0, 9.0)), 3)
    rows = [f"M{i},{place[0] + i * 0.0004:.9f},{place[1]:.9f},{height_m}" for i in range(12)]
    head = "name;latitude_deg;longitude_deg;ellipsoidal_height_m"
    marks = "\n".join([head, *(row.replace(",", ";") for row in rows)])
    at = round(place[0] + 5 * 0.0004, 9), round(place[1], 9)
    return site.case("neighbouring_mark + height_left_out", *at, height_m, antenna_m=0.0,
                     marks=marks)  # fmt: skip


def averaged_any(site: Site) -> Case:
    east_m, north_m = site.random.normal(0.0, 1.4, 2)
    place = metres_away(site, east_m, north_m)
    return site.case("averaged", *place, site.height_m + site.random.normal(0.0, 2.8))


def datum_with_height(site: Site) -> Case:
    size_m, way = site.random.uniform(0.4, 1.8), site.random.uniform(0.0, 2 * math.pi)
    place = metres_away(site, size_m * math.sin(way), size_m * math.cos(way))
    return site.case("datum", *place, site.height_m + site.random.normal(0.0, 0.25))


# ---- height ------------------------------------------------------------------------------------


def levelled_sheet(site: Site) -> Case:
    separation_m = round(float(site.random.choice([-1, 1]) * site.random.uniform(4.0, 60.0)), 3)
    site.gridded()
    levelled_m = round(site.height_m - separation_m, 3)
    site.position[2] = f"height_m = {levelled_m}"
    site.position += ['height_kind = "levelled"', f"geoid_separation_m = {separation_m}"]
    site.height_m = levelled_m + separation_m
    return site.case("levelled_height", height_m=levelled_m)


def separation_twice(site: Site) -> Case:
    separation_m = round(float(site.random.uniform(10.0, 50.0)), 3)
    site.position.append(f"geoid_separation_m = {separation_m}")
    return site.case("separation_twice", height_m=site.height_m + separation_m)


def metres_as_feet(site: Site) -> Case:
    return site.case("height_in_feet", antenna_m=site.antenna_m * INTERNATIONAL_FOOT_M)


def mark_in_feet(site: Site) -> Case:
    feet = round(site.height_m / INTERNATIONAL_FOOT_M, 2)
    return site.case("mark_height_in_feet", height_m=feet)


def slant_of_sheet(site: Site) -> Case:
    radius_m = round(float(site.random.uniform(0.09, 0.2)), 4)
    above_m = round(float(site.random.uniform(0.02, 0.045)), 4)
    taped_m = round(math.hypot(site.antenna_m + above_m, radius_m), 3)
    vertical_m = math.sqrt(taped_m**2 - radius_m**2) - above_m
    case = site.case("slant_as_vertical", antenna_m=taped_m)
    sheet = case.sheet.replace(
        f"height_m = {site.antenna_m}",
        f'height_m = {taped_m}\nmeasured = "slant"\nslant_radius_m = {radius_m}\n'
        f"slant_mark_above_arp_m = {above_m}",
    )
    assert abs(vertical_m - site.antenna_m) < 0.001
    return replace(case, sheet=sheet)


def left_out_but_told(site: Site) -> Case:
    # The height stands in 1006, and is not in the coordinates.
    case = site.case("height_left_out", antenna_m=0.0)
    return replace(case, antenna_height_m=site.antenna_m)


def phase_centre(site: Site) -> Case:
    above_m = float(site.random.uniform(0.05, 0.2))
    return site.case("phase_centre", antenna_m=site.antenna_m + above_m)


def sign_and_height(site: Site) -> Case:
    return site.case("longitude_sign + height_twice", None, -site.longitude_deg,
                     site.height_m + site.antenna_m)  # fmt: skip


MORE_BLUNDERS: tuple[Callable[[Site], Case], ...] = (
    survey_foot, swapped_in_grid, swapped_in_grid, swapped_in_minutes, swapped_in_latitude,
    wrong_digit, easting_northing_swapped, gons_as_degrees, decimals_as_minutes, longitude_sign,
    neighbour_without_antenna, averaged_any, datum_with_height, levelled_sheet, separation_twice,
    metres_as_feet, mark_in_feet, slant_of_sheet, left_out_but_told, phase_centre, sign_and_height,
)  # fmt: skip


def rough_coordinates(seed: int) -> Iterator[Case]:
    """Give the thirty blunders and twenty-one more, with millimetres on top."""
    for place, blunder in enumerate((*BLUNDERS, *MORE_BLUNDERS)):
        random = np.random.default_rng([seed, 1000 + place])
        yield rough(blunder(Site(random)), random)


def healthy_coordinates(seed: int) -> Iterator[Case]:
    """Give right positions that differ by a few millimetres, up to 5 in plan and in height."""
    for place in range(HEALTHY):
        random = np.random.default_rng([seed, 5000 + place])
        site = Site(random)
        if place % 3 == 1:
            gridded(site)
        if place % 3 == 2:
            site.extra = ["slant_radius_m = 0.1905", "slant_mark_above_arp_m = 0.035"]
            site.position.append(f"geoid_separation_m = {random.uniform(-60, 60):.3f}")
        way, size_m = random.uniform(0.0, 2 * math.pi), random.uniform(0.0, 0.005)
        at = metres_away(site, size_m * math.sin(way), size_m * math.cos(way))
        up_m = random.uniform(-0.005, 0.005)
        case = site.case("right", *at, site.height_m, antenna_m=site.antenna_m)
        sent = arp(*at, site.height_m + site.antenna_m + up_m)
        yield replace(case, arp_ecef_m=sent)
