"""Marks outside the area of their grid, and heights whose kind the sheet does not tell.

Coordinates and areas are those of the transformation library and its registry.
"""

import pytest
from pyproj import CRS, Geod, Transformer

from rtcmtool.diagnosis.projection import grid_of
from rtcmtool.diagnosis.sheet_grid import FAR_M, NEAR_M
from rtcmtool.diagnosis.sheet_parsing import parse_sheet
from rtcmtool.diagnosis.site_sheet import SitePosition
from rtcmtool.errors import UsageError

TOKYO_LIKE = (35.32, 139.46)  # inside zone 54


def metres(code: int, latitude: float, longitude: float) -> tuple[float, float]:
    """Give easting and northing in the unit of the grid, to the millimetre."""
    forward = Transformer.from_crs("EPSG:4326", f"EPSG:{code}", always_xy=True)
    east, north = forward.transform(longitude, latitude)
    return round(east, 3), round(north, 3)


def position(code: int, east: float, north: float, more: str = "") -> SitePosition:
    lines = f"easting_m = {east}\nnorthing_m = {north}\nheight_m = 50\ncrs = 'EPSG:{code}'\n"
    return parse_sheet("[position]\n" + lines + more).position


def in_degrees(code: int, latitude: float, longitude: float) -> SitePosition:
    place = f"latitude_deg = {latitude}\nlongitude_deg = {longitude}\nellipsoidal_height_m = 50\n"
    return parse_sheet(f"[position]\n{place}crs = 'EPSG:{code}'\n").position


def refusal(code: int, east: float, north: float) -> UsageError:
    with pytest.raises(UsageError) as caught:
        position(code, east, north)
    return caught.value


# ---- the area of use ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("code", "latitude", "longitude", "nearest"),
    [
        (25832, 48.7, 13.8, (48.7, 12.01)),  # a country that counts all in one zone
        (25833, 70.37, 31.1, (70.37, 18.01)),
        (25833, 61.0, 4.6, (61.0, 12.0)),
        (32654, 35.3, 146.06, (35.3, 144.0)),
        (32601, 60.0, 178.0, (60.0, -180.0)),  # across the date line
        (32660, 60.0, -178.0, (60.0, 180.0)),
        (32654, -1.0, 141.0, (0.0, 141.0)),
    ],
)
def test_beyond_the_border_of_a_zone_is_told_and_not_refused(
    code: int, latitude: float, longitude: float, nearest: tuple[float, float]
) -> None:
    *_, expected_m = Geod(ellps="WGS84").inv(longitude, latitude, nearest[1], nearest[0])
    outside_m = position(code, *metres(code, latitude, longitude)).outside_m
    assert outside_m == pytest.approx(expected_m, rel=0.005)  # along the parallel, or straight
    assert in_degrees(code, latitude, longitude).outside_m == pytest.approx(outside_m, abs=1.0)


@pytest.mark.parametrize("code", [32654, 6677, 32760, 32601, 2193, 27700, 3857])
def test_inside_its_area_a_mark_is_outside_by_nothing(code: int) -> None:
    area = CRS(code).area_of_use
    assert area is not None
    for share in (0.02, 0.5, 0.98):
        latitude = area.south + share * (area.north - area.south)
        longitude = area.west + share * ((area.east - area.west) % 360 or 360)
        assert grid_of(f"EPSG:{code}").outside_m(latitude, (longitude + 180) % 360 - 180) == 0.0


EAST, NORTH = metres(32654, *TOKYO_LIKE)
FEET = metres(2230, 33.1, -116.9)
FOOT_M = 1200 / 3937


@pytest.mark.parametrize(
    ("code", "east", "north", "do"),
    [
        (32654, NORTH, EAST, "exchange easting_m and northing_m"),
        (32654, -EAST, NORTH, "turn the sign of easting_m"),
        (32654, EAST, -NORTH, "turn the sign of northing_m"),
        (32654, -EAST, -NORTH, "turn the signs of easting_m and northing_m"),
        (32654, *metres(32754, -3.0, 139.46), "the zone WGS 84 / UTM zone 54S is meant"),
        (2230, *FEET, "multiply both by 0.3048006"),  # feet in the place of metres
        (2193, *reversed(metres(2193, -41.2, 173.1)), "exchange easting_m and northing_m"),
        (2056, 597056.2, 194321.9, "right order and with the right sign"),  # no leading digits
        # 439 km outside, nearer than any distance that is refused, but a sign explains it
        (27700, -531979.3, 179606.9, "turn the sign of easting_m"),
    ],
)
def test_far_outside_is_an_error_that_says_what_to_do(
    code: int, east: float, north: float, do: str
) -> None:
    error = refusal(code, east, north)
    assert str(error).startswith(f"line 2: position.easting_m = {east!r}, position.northing_m = ")
    assert f"outside the area of EPSG:{code}" in str(error)
    assert "made for" in (error.why or "")
    assert do in (error.do or "")
    assert (error.do or "").endswith("give it in degrees.")


def test_degrees_in_another_part_of_the_world_than_the_grid_are_an_error() -> None:
    for latitude, longitude in ((35.3, -139.5), (-35.3, 139.5)):
        with pytest.raises(UsageError, match=r"line 5: position\.crs = EPSG:32654") as caught:
            in_degrees(32654, latitude, longitude)
        assert "sign and order of latitude_deg and longitude_deg" in (caught.value.do or "")


def test_the_limit_of_far_is_one_of_distance() -> None:
    # 0.01 degrees of latitude are 1.1 km
    degree_m = Geod(ellps="WGS84").inv(141, 0, 141, -1)[2]
    last_deg = FAR_M / degree_m
    assert in_degrees(32654, -(last_deg - 0.01), 141).outside_m == pytest.approx(FAR_M, rel=0.01)
    with pytest.raises(UsageError):
        in_degrees(32654, -(last_deg + 0.05), 141)
    assert NEAR_M < FAR_M


# ---- the kind of the height --------------------------------------------------------------------


def test_a_height_of_a_grid_without_its_kind_is_known_as_such() -> None:
    untold = position(32654, EAST, NORTH)
    assert untold.is_height_kind_untold
    assert untold.ellipsoidal_height_m == 50.0
    assert not position(32654, EAST, NORTH, "height_kind = 'ellipsoidal'").is_height_kind_untold
    levelled = position(32654, EAST, NORTH, "height_kind='levelled'\ngeoid_separation_m=39")
    assert not levelled.is_height_kind_untold
    assert levelled.ellipsoidal_height_m == 89.0
    assert not in_degrees(32654, *TOKYO_LIKE).is_height_kind_untold  # the key tells it
    assert not parse_sheet("").position.is_height_kind_untold
