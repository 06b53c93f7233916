"""The site sheet: every key, what it means, and every refusal by its name and line."""

import math
import sys
from collections.abc import Iterator

import numpy as np
import pytest
from pyproj import CRS, Proj, Transformer

from rtcmtool.diagnosis.known_marks import KnownMark, parse_marks
from rtcmtool.diagnosis.projection import grid_of, neighbours, other_hemisphere
from rtcmtool.diagnosis.sheet_parsing import parse_sheet
from rtcmtool.diagnosis.site_sheet import SiteSheet
from rtcmtool.errors import UsageError

WHOLE = """
[site]
name = "Hillcrest Quarry"
note = "upper gate"
[position]
kind = "known-mark"
easting_m = 360580.5941
northing_m = 3910351.4639
height_m = 11.764
crs = "EPSG:32654"
height_kind = "levelled"
geoid_separation_m = 39.0
frame = "ITRF2020"
marks_csv = "marks.csv"
[antenna]
height_ft = 6.0784
foot = "us-survey"
measured = "slant"
slant_radius_m = 0.1905
slant_mark_above_arp_m = 0.035
second_height_m = 1.853
name = "SURVEYANT-1     NONE"
serial = "7"
[messages]
station = 417
intervals_s = { "1006" = 10, "1074" = 1 }
[radio]
rate_bit_s = 19200
overhead = 1.4
repeater = true
[rover]
systems = ["GPS", "GLO", "GAL", "BDS", "QZS"]
bands = 2
families = ["msm", "legacy"]
distance_km = 4.5
height_difference_m = -60
same_make = true
[limits]
position_matches_mark = 8
position_matches_mark_bad = 30
"""
MARK = """
[position]
latitude_deg = 12.0
longitude_deg = -34.0
ellipsoidal_height_m = 60.0
"""


def refusal(text: str) -> UsageError:
    """Parse what cannot be parsed."""
    with pytest.raises(UsageError) as refused:
        parse_sheet(text)
    assert refused.value.exit_code == 2
    return refused.value


def test_every_key_of_the_contract_is_read() -> None:
    sheet = parse_sheet(WHOLE)
    assert (sheet.name, sheet.note) == ("Hillcrest Quarry", "upper gate")
    position, antenna = sheet.position, sheet.antenna
    assert (position.kind, position.frame) == ("known-mark", "ITRF2020")
    assert (position.crs, position.marks_csv) == ("EPSG:32654", "marks.csv")
    assert position.levelled_height_m == 11.764
    assert position.ellipsoidal_height_m == pytest.approx(50.764, abs=1e-9)
    assert antenna.is_slant
    assert antenna.is_feet
    assert (antenna.name, antenna.serial) == ("SURVEYANT-1     NONE", "7")
    assert (sheet.messages.station, dict(sheet.messages.intervals_s)) == (417, {1006: 10, 1074: 1})
    assert (sheet.radio.rate_bit_s, sheet.radio.overhead, sheet.radio.repeater) == (
        19200,
        1.4,
        True,
    )
    rover = sheet.rover
    assert (rover.systems, rover.bands) == (("G", "R", "E", "C", "J"), 2)
    assert (rover.families, rover.same_make) == (("msm", "legacy"), True)
    assert (rover.distance_km, rover.height_difference_m) == (4.5, -60.0)
    assert dict(sheet.limits) == {"position_matches_mark": 8, "position_matches_mark_bad": 30}


@pytest.mark.parametrize("text", ["", "\ufeff", "# nothing\n", "[position]\n[antenna]\n"])
def test_all_keys_are_optional(text: str) -> None:
    sheet = parse_sheet(text)
    assert sheet == SiteSheet()
    assert sheet.known_mark is None
    assert sheet.expected_arp_ecef_m is None


def test_line_ends_and_a_byte_order_mark_of_another_system_are_let_be() -> None:
    assert parse_sheet("\ufeff" + WHOLE.replace("\n", "\r\n")) == parse_sheet(WHOLE)


# ---- the mark ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("code", "east_m", "north_m", "degrees"),
    [
        # Published coordinates of two receivers, projected with a transformation library: the
        # check values of the position of the recordings, tolerance 0.1 mm.
        ("EPSG:32654", 360580.5941, 3910351.4639, (35.326685025, 139.466083411)),
        ("EPSG:6677", -33388.5203, -74636.8202, (35.326685025, 139.466083411)),
        ("EPSG:32654", 365700.3434, 3911675.9801, (35.339325590, 139.522177402)),
        ("EPSG:6677", -28284.3136, -73251.9830, (35.339325590, 139.522177402)),
    ],
)
def test_grid_coordinates_become_degrees_of_their_own_datum(
    code: str, east_m: float, north_m: float, degrees: tuple[float, float]
) -> None:
    sheet = parse_sheet(
        f'[position]\neasting_m={east_m}\nnorthing_m={north_m}\nheight_m=50.764\ncrs="{code}"'
    )
    mark = sheet.known_mark
    assert mark is not None
    assert mark.latitude_deg == pytest.approx(degrees[0], abs=2e-9)
    assert mark.longitude_deg == pytest.approx(degrees[1], abs=2e-9)
    assert sheet.position.operation.name == ""  # nothing was shifted


@pytest.mark.parametrize(
    ("code", "scale", "convergence_deg"),
    [("EPSG:32654", 0.99983955, -0.887111), ("EPSG:6677", 0.99991373, -0.212360)],
)
def test_scale_and_convergence_at_the_mark(code: str, scale: float, convergence_deg: float) -> None:
    found = grid_of(code).scale_and_convergence_deg(35.326685025, 139.466083411)
    assert found[0] == pytest.approx(scale, abs=1e-8)
    assert found[1] == pytest.approx(convergence_deg, abs=1e-6)
    factors = Proj(CRS(code)).get_factors(139.466083411, 35.326685025)
    assert found[1] == pytest.approx(factors.meridian_convergence, abs=1e-12)


@pytest.mark.parametrize("code", ["EPSG:6418", "EPSG:2230", "EPSG:32100", "EPSG:2193", "EPSG:5555"])
def test_feet_axis_order_and_a_height_in_the_code_make_no_difference(code: str) -> None:
    crs = CRS(code)
    crs = crs.sub_crs_list[0] if crs.is_compound else crs
    assert crs.area_of_use is not None
    west, south, east, north = crs.area_of_use.bounds
    place = (west + east) / 2, (south + north) / 2
    forward = Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True)
    unit_m = crs.axis_info[0].unit_conversion_factor
    metres = [value * unit_m for value in forward.transform(*place)]
    latitude_deg, longitude_deg = grid_of(code).degrees(*metres)
    assert (longitude_deg, latitude_deg) == pytest.approx(place, abs=1e-10)
    assert grid_of(code).metres(latitude_deg, longitude_deg) == pytest.approx(metres, abs=1e-5)
    assert grid_of(code).covers(latitude_deg, longitude_deg)


def test_an_older_datum_is_changed_by_the_best_operation_that_is_installed() -> None:
    sheet = parse_sheet(
        '[position]\neasting_m=530000\nnorthing_m=180000\nheight_m=60\ncrs="EPSG:27700"'
    )
    longitude, latitude = Transformer.from_crs(
        "EPSG:27700", "EPSG:4326", always_xy=True, only_best=False
    ).transform(530000, 180000)
    mark, operation = sheet.known_mark, sheet.position.operation
    assert mark is not None
    assert (mark.latitude_deg, mark.longitude_deg) == pytest.approx((latitude, longitude), abs=1e-4)
    assert operation.name
    assert operation.accuracy_m >= 1.0
    own = Transformer.from_crs("EPSG:27700", "EPSG:4277", always_xy=True).transform(530000, 180000)
    assert abs(mark.longitude_deg - own[0]) > 1e-3  # a ballpark operation would have left it


def test_a_ballpark_change_of_datum_is_refused() -> None:
    # NAD27(76) is tied to later datums by a grid file only, which is not installed here.
    grid = grid_of("EPSG:2018")
    east_m, north_m = grid.metres(49.5, -82.0)
    with pytest.raises(UsageError, match="only a ballpark one"):
        grid.modern_degrees(49.5, -82.0)
    lines = f"easting_m={east_m}\nnorthing_m={north_m}\nheight_m=60\ncrs='EPSG:2018'"
    error = refusal(f"[position]\n{lines}")
    assert "line 5: position.crs" in str(error)
    assert "only a ballpark one" in str(error)


def test_a_levelled_height_becomes_ellipsoidal() -> None:
    sheet = parse_sheet(WHOLE)
    assert sheet.position.ellipsoidal_height_m == pytest.approx(11.764 + 39.0)
    error = refusal(WHOLE.replace("geoid_separation_m = 39.0\n", ""))
    assert "position.geoid_separation_m is missing" in str(error)


@pytest.mark.parametrize(
    ("latitude", "longitude", "height"),
    [(90.0, 0.0, 0.0), (-90.0, 120.0, 2835.0), (0.0, 180.0, 3.0), (-17.0, -180.0, 3.0),
     (27.9881, 86.925, 9000.0), (31.5, 35.5, -500.0)],
)  # fmt: skip
def test_poles_date_line_and_high_and_low_ground_are_places(
    latitude: float, longitude: float, height: float
) -> None:
    sheet = parse_sheet(
        f"[position]\nlatitude_deg={latitude}\nlongitude_deg={longitude}\n"
        f"ellipsoidal_height_m={height}\n[antenna]\nheight_m=1.5"
    )
    arp_m = sheet.expected_arp_ecef_m
    assert arp_m is not None
    to_earth = Transformer.from_crs("EPSG:4979", "EPSG:4978", always_xy=True)
    expected = to_earth.transform(longitude, latitude, height + 1.5)
    assert np.abs(arp_m - expected).max() < 1e-8


def test_a_grid_round_the_pole_gives_the_pole() -> None:
    assert grid_of("EPSG:32661").degrees(2_000_000, 2_000_000)[0] == pytest.approx(90.0, abs=1e-6)


def test_an_averaged_position_is_no_known_mark() -> None:
    sheet = parse_sheet(MARK + 'kind = "averaged"')
    assert sheet.is_averaged
    assert sheet.known_mark is None
    assert sheet.position.mark is not None
    assert parse_sheet('[position]\nkind = "averaged"').is_averaged


def test_zones_next_to_a_grid() -> None:
    codes = [grid.code for grid in neighbours(grid_of("EPSG:32654"), 1)]
    assert codes == ["EPSG:32653", "EPSG:32655"]
    at_the_date_line = [grid.code for grid in neighbours(grid_of("EPSG:32660"), 1)]
    assert at_the_date_line == ["EPSG:32659", "EPSG:32601"]
    # EPSG registry: false northings of UTM are 0 in the north, 10 000 000 m in the south
    assert other_hemisphere(grid_of("EPSG:32654")) == ("WGS 84 / UTM zone 54S", -1e7)
    assert other_hemisphere(grid_of("EPSG:31982")) == ("SIRGAS 2000 / UTM zone 22N", 1e7)
    assert other_hemisphere(grid_of("EPSG:6677")) is None


# ---- the antenna -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lines", "height_m"),
    [
        ("height_m = 1.652", 1.652),
        ("height_ft = 5.123", 1.56149),  # international foot, 0.3048 m by definition
        ('height_ft = 1000\nfoot = "us-survey"', None),
        # Worked examples: an archive's note of 2019 (slant 1.8527 m, diameter 0.3810 m, tape plane
        # 0.0350 m above the ARP) and a training page (1.532 m, radius 0.0921 m).
        ('height_m = 1.8527\nmeasured = "slant"\nslant_radius_m = 0.1905\n'
         "slant_mark_above_arp_m = 0.0350", 1.8079),
        ('height_m = 1.8527\nmeasured = "slant"\nslant_radius_m = 0.1905', 1.8429),
        ('height_m = 1.532\nmeasured = "slant"\nslant_radius_m = 0.0921', 1.5292),
        ('height_ft = 6.0784\nmeasured = "slant"\nslant_radius_m = 0.1905\n'
         "slant_mark_above_arp_m = 0.0350", 1.8079),
        ("height_m = 0", 0.0),
    ],
)  # fmt: skip
def test_vertical_antenna_height(lines: str, height_m: float | None) -> None:
    if height_m is None:
        with pytest.raises(UsageError, match=r"antenna\.height_ft = 1000"):
            parse_sheet(f"[antenna]\n{lines}")
        return
    found = parse_sheet(f"[antenna]\n{lines}").antenna.vertical_height_m
    assert found == pytest.approx(height_m, abs=6e-5)


def test_the_survey_foot_is_two_parts_in_a_million_longer() -> None:
    feet = [
        parse_sheet(f'[antenna]\nheight_ft = 300\nfoot = "{foot}"').antenna.height_m or 0.0
        for foot in ("international", "us-survey")
    ]
    assert feet[0] == pytest.approx(91.44, abs=1e-12)
    assert feet[1] == pytest.approx(300 * 1200 / 3937, abs=1e-12)


def test_the_arp_stands_above_the_mark() -> None:
    sheet = parse_sheet(MARK + "[antenna]\nheight_m = 1.652")
    mark, arp_m = sheet.known_mark, sheet.expected_arp_ecef_m
    assert mark is not None
    assert arp_m is not None
    back = Transformer.from_crs("EPSG:4978", "EPSG:4979", always_xy=True).transform(*arp_m)
    assert back == pytest.approx((-34.0, 12.0, 61.652), abs=1e-8)
    assert mark == KnownMark("", 12.0, -34.0, 60.0)


# ---- refusals ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("name =", "nam =", "line 3: there is no key 'site.nam'. Did you mean 'name'?"),
        ("[radio]", "[rado]", "line 27: there is no key 'rado'. Did you mean 'radio'?"),
        ("height_ft = 6.0784", "height_ft = -1", "line 16: antenna.height_ft = -1 is impossible."),
        ("height_ft = 6.0784", 'height_ft = "6"', "line 16: antenna.height_ft = '6' is impossible"),
        ("height_ft = 6.0784", "height_ft = true", "antenna.height_ft = true is impossible."),
        ("height_ft = 6.0784", "height_ft = nan", "antenna.height_ft = nan is impossible."),
        ("height_m = 11.764", "height_m = 9000.1", "line 9: position.height_m = 9000.1"),
        ("height_m = 11.764", "height_m = inf", "position.height_m = inf is impossible."),
        ("EPSG:32654", "EPSG:999999", "line 10: position.crs: there is no coordinate system"),
        ("EPSG:32654", "EPSG:4326", "position.crs: EPSG:4326 (WGS 84) gives no easting"),
        ("EPSG:32654", "EPSG:2048", "gives no easting and northing"),  # counts west and south
        ("EPSG:32654", "banana", "there is no coordinate system 'banana'"),
        ("easting_m = 360580.5941", "easting_m = 9e7", "there is no such place in EPSG:32654"),
        ("easting_m = 360580.5941\n", "", "position.easting_m is missing."),
        ("[antenna]", "latitude_deg = 3\n[antenna]",
         "position.latitude_deg and position.easting_m are both given."),
        ('"known-mark"', '"known"', "position.kind = 'known' is impossible."),
        ("height_ft = 6.0784", "height_ft = 6\nheight_m = 2", "are both given."),
        ("slant_radius_m = 0.1905\n", "", "antenna.slant_radius_m is missing."),
        ("slant_radius_m = 0.1905", "slant_radius_m = 1.9", "a slant must be the longer one."),
        ("second_height_m = 1.853", "second_height_m = 0.1", "second_height_m is 0.100 m"),
        ("station = 417", "station = 4096", "line 25: messages.station = 4096 is impossible."),
        ("station = 417", "station = 4.5", "messages.station = 4.5 is impossible."),
        ('"1074" = 1', '"5000" = 1', "there is no message '5000'."),
        ('"1074" = 1', '"1074" = 0', "messages.intervals_s.1074 = 0 is impossible."),
        ("intervals_s = {", "intervals_s = 1 #", "messages.intervals_s = 1 is impossible."),
        ("rate_bit_s = 19200", "rate_bit_s = 0", "radio.rate_bit_s = 0 is impossible."),
        ("overhead = 1.4", "overhead = 0.5", "radio.overhead = 0.5 is impossible."),
        ("repeater = true", "repeater = 1", "radio.repeater = 1 is impossible."),
        ('["GPS", ', '["GPX", ', "rover.systems = 'GPX' is impossible."),
        ('["msm", "legacy"]', '"msm"', "rover.families = 'msm' is impossible."),
        ('["msm", "legacy"]', "[]", "rover.families = [] is impossible."),
        ("bands = 2", "bands = 0", "rover.bands = 0 is impossible."),
        ("position_matches_mark = 8", "position_matches_mrk = 8",
         "there is no key 'limits.position_matches_mrk'. Did you mean 'position_matches_mark'?"),
        ("position_matches_mark = 8", "position_matches_mark = 31", "contradict each other"),
        ("position_matches_mark = 8", "epochs_complete_bad = 99", "contradict each other"),
        ("position_matches_mark = 8", "position_on_earth = 1", "there is no key"),
        ("position_matches_mark = 8", "position_matches_mark = -8", "= -8 is impossible."),
        ("[limits]", "limits = 3\n[x]", "there is no key"),
        ('name = "Hillcrest Quarry"', "name = Hillcrest", "line 3: this is no TOML: Invalid value"),
        ('name = "Hillcrest Quarry"', 'name = "\\u001b[2J"', "site.name ="),
        ("[site]", "[site", "line 2: this is no TOML"),
        ("[site]", "[site]\nname = 'a'", "line 4: this is no TOML: name stands twice."),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_by_key_and_line(old: str, new: str, told: str) -> None:
    assert old in WHOLE
    error = refusal(WHOLE.replace(old, new, 1))
    assert told in str(error)


@pytest.mark.parametrize(
    ("name", "value"),
    [("latitude_deg", 90.1), ("longitude_deg", -180.1), ("longitude_deg", 181),
     ("ellipsoidal_height_m", -500.1), ("ellipsoidal_height_m", 9000.1)],
)  # fmt: skip
def test_no_place_outside_the_earth_is_taken(name: str, value: float) -> None:
    lines = [line for line in MARK.splitlines() if not line.startswith(name)]
    error = refusal("\n".join([*lines, f"{name} = {value}"]))
    assert f"position.{name} = {value} is impossible." in str(error)


@pytest.mark.parametrize(
    "text",
    [MARK.replace("longitude_deg = -34.0\n", ""), "[position]\nlatitude_deg = 1",
     '[position]\nkind = "known-mark"', "[position]\neasting_m = 1\nnorthing_m = 2\nheight_m = 3"],
)  # fmt: skip
def test_half_a_position_is_refused(text: str) -> None:
    assert "is missing." in str(refusal(text))


@pytest.fixture
def without_library(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Take the transformation library away."""
    grid_of.cache_clear()
    monkeypatch.setitem(sys.modules, "pyproj", None)
    yield
    grid_of.cache_clear()


@pytest.mark.usefixtures("without_library")
def test_without_the_library_the_extra_is_named() -> None:
    error = refusal(WHOLE)
    assert "rtcmtool[geodesy]" in (error.do or "")
    assert parse_sheet(MARK).known_mark is not None  # degrees need none


# ---- the list of marks -------------------------------------------------------------------------

HEAD = "name,latitude_deg,longitude_deg,ellipsoidal_height_m\n"


def test_a_list_of_marks_is_read_whatever_else_stands_in_it() -> None:
    text = (
        "\ufeffcode;" + HEAD.replace(",", ";").strip() + ";by\n1;A;1;-2;3.5;x\n;;;;;\n2;B;4;5;6;y\n"
    )
    assert parse_marks(text) == (KnownMark("A", 1.0, -2.0, 3.5), KnownMark("B", 4.0, 5.0, 6.0))
    assert parse_marks(HEAD) == ()


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "line 1: the column name is missing."),
        ("a,b\n1,2\n", "the column name is missing."),
        (HEAD + "A,1,2\n", "line 2: ellipsoidal_height_m = '' is impossible."),
        (HEAD + "A,1,2,3\nB,91,2,3\n", "line 3: latitude_deg = '91' is impossible."),
        (HEAD + 'A,"1,5",2,3\n', "line 2: latitude_deg = '1,5' is impossible."),
        (HEAD + "A,nan,2,3\n", "latitude_deg = 'nan' is impossible."),
        (HEAD + 'A,"1,2,3\n', "this is no list of marks"),
    ],
)
def test_a_list_of_marks_that_does_not_hold_is_refused_by_line(text: str, told: str) -> None:
    with pytest.raises(UsageError) as refused:
        parse_marks(text)
    assert told in str(refused.value)


def test_the_slant_of_the_whole_sheet_is_that_of_the_worked_example() -> None:
    antenna = parse_sheet(WHOLE).antenna
    slant_m = 6.0784 * 1200 / 3937
    expected_m = math.sqrt(slant_m**2 - 0.1905**2) - 0.035
    assert antenna.vertical_height_m == pytest.approx(expected_m, abs=1e-12)
    second_m = math.sqrt(1.853**2 - 0.1905**2) - 0.035
    assert antenna.second_vertical_height_m == pytest.approx(second_m, abs=1e-12)
