"""Wrong coordinates and the blunders behind them; the wrong ones are made outside the package."""

import math
from collections.abc import Sequence

import pytest
from pyproj import Transformer

from rtcmtool.diagnosis.blunder_words import cause_and_remedy, effect
from rtcmtool.diagnosis.blunders import Blunder, recognise
from rtcmtool.diagnosis.guesses import SURVEY_FOOT
from rtcmtool.diagnosis.known_marks import parse_marks
from rtcmtool.diagnosis.sheet_parsing import parse_sheet
from rtcmtool.diagnosis.site_sheet import SiteSheet
from rtcmtool.diagnosis.typed_numbers import Sexagesimal, angle_slips, misread
from tests.diagnosis.rough_coordinates import healthy_coordinates, rough_coordinates
from tests.diagnosis.wrong_coordinates import CASES, Case, arp, wrong_coordinates

LATITUDE, LONGITUDE, HEIGHT_M, ANTENNA_M = 46.123456789, 8.987654321, 317.482, 1.652
LINES = f"""
[position]
latitude_deg = {LATITUDE}
longitude_deg = {LONGITUDE}
ellipsoidal_height_m = {HEIGHT_M}
"""
# A grid with its origin inside its area: EPSG registry, false easting and northing 0.
GRIDDED = f"""
[position]
easting_m = -11094.185
northing_m = -3008.945
height_m = {HEIGHT_M}
crs = "EPSG:6677"
[antenna]
height_m = {ANTENNA_M}
"""
TAPED = f"[antenna]\nheight_m = {ANTENNA_M}\n"
METRE_N, METRE_E = 1 / 111_150, 1 / 77_300  # degrees at this latitude


def named(
    latitude: float = LATITUDE,
    longitude: float = LONGITUDE,
    height: float = HEIGHT_M + ANTENNA_M,
    *,
    text: str = LINES + TAPED,
    field_m: float | None = None,
    marks: str = "",
) -> tuple[Blunder, ...]:
    """Recognise what a base sends, given as the ARP's degrees and height."""
    sheet = parse_sheet(text).with_marks(parse_marks(marks) if marks else ())
    return recognise(arp(latitude, longitude, height), sheet, field_m)


def names(blunders: Sequence[Blunder]) -> list[tuple[str, ...]]:
    return [blunder.names for blunder in blunders]


def of_case(case: Case) -> tuple[Blunder, ...]:
    sheet = parse_sheet(case.sheet).with_marks(parse_marks(case.marks) if case.marks else ())
    return recognise(case.arp_ecef_m, sheet, case.antenna_height_m)


@pytest.mark.slow
def test_of_thirty_wrong_coordinates_at_least_twenty_eight_are_named_first() -> None:
    for seed in (1, 2, 3):
        cases = list(wrong_coordinates(seed))
        assert len(cases) == CASES == 30
        firsts = [names(of_case(case))[:1] == [(case.blunder,)] for case in cases]
        assert sum(firsts) >= 28


@pytest.mark.parametrize("case", list(wrong_coordinates(5)), ids=lambda case: str(case.blunder))
def test_each_blunder_is_named_and_its_numbers_fit(case: Case) -> None:
    best = of_case(case)[0]
    assert best.names == (case.blunder,)
    assert 0.5 < best.probability <= 1.0
    for misfit_m in (best.plan_misfit_m, best.height_misfit_m):
        assert misfit_m is None or abs(misfit_m) < 0.05


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_of_rough_coordinates_at_least_ninety_five_per_cent_are_named_first(seed: int) -> None:
    cases = list(rough_coordinates(seed))
    assert len(cases) == 51
    firsts = [names(of_case(case))[:1] == [tuple(case.blunder.split(" + "))] for case in cases]
    assert sum(firsts) >= 0.95 * len(cases)


@pytest.mark.slow
def test_right_positions_that_differ_by_millimetres_are_given_no_blunder() -> None:
    for seed in (1, 2, 3):
        cases = list(healthy_coordinates(seed))
        assert len(cases) == 100
        assert [names(of_case(case)) for case in cases] == [[]] * len(cases)


def test_digits_swapped_in_a_grid_of_feet_are_told_in_feet() -> None:
    # EPSG:2230 counts in survey feet: 6 306 123.456 ft typed as 6 360 123.456
    forward = Transformer.from_crs("EPSG:4269", "EPSG:2230", always_xy=True)
    foot_m = 1200 / 3937
    text = (
        f"[position]\neasting_m = {6306123.456 * foot_m:.4f}\n"
        f"northing_m = {1861234.567 * foot_m:.4f}\nheight_m = 60\ncrs = 'EPSG:2230'\n" + TAPED
    )
    longitude, latitude = forward.transform(6360123.456, 1861234.567, direction="INVERSE")
    best = named(latitude, longitude, 60 + ANTENNA_M, text=text)[0]
    assert best.names == ("swapped_digits",)
    assert "easting in feet 6360123.456 for 6306123.456" in best.texts[0]


def test_a_right_position_has_no_blunder() -> None:
    assert named() == ()
    assert named(LATITUDE + 0.002 * METRE_N, LONGITUDE, HEIGHT_M + ANTENNA_M - 0.003) == ()


@pytest.mark.parametrize(
    ("east_m", "north_m", "up_m"),
    [(40.0, 70.0, 7.7), (-300.0, 120.0, -21.3), (5000.0, -8000.0, 111.1), (25.0, 0.3, 3.3)],
)
def test_what_no_usual_blunder_explains_gets_no_name(
    east_m: float, north_m: float, up_m: float
) -> None:
    place = LATITUDE + north_m * METRE_N, LONGITUDE + east_m * METRE_E
    found = named(*place, HEIGHT_M + ANTENNA_M + up_m)
    assert found == ()
    words = cause_and_remedy(found, parse_sheet(LINES + TAPED))
    assert words.startswith("No usual slip explains it")


# ---- plan --------------------------------------------------------------------------------------


def test_two_blunders_at_once_are_both_named() -> None:
    best = named(LATITUDE, -LONGITUDE, HEIGHT_M)[0]
    assert best.names == ("longitude_sign", "height_left_out")
    assert "typed as west, it is east" in best.texts[0]


def test_a_blunder_in_plan_and_a_height_that_nothing_explains() -> None:
    best = named(LATITUDE, -LONGITUDE, HEIGHT_M + 203.37)[0]
    assert best.names == ("longitude_sign",)
    assert best.unexplained == "height"
    words = cause_and_remedy((best,), parse_sheet(LINES + TAPED))
    assert "nothing usual explains the height" in words


@pytest.mark.parametrize(
    ("east_m", "north_m", "up_m", "told"),
    [(300.0, -120.0, 54.0, "371.482 for 317.482"), (5.0, 8.0, 20.0, "337.482 for 317.482")],
)
def test_a_slip_in_the_height_is_a_guess_where_nothing_explains_the_plan(
    east_m: float, north_m: float, up_m: float, told: str
) -> None:
    place = LATITUDE + north_m * METRE_N, LONGITUDE + east_m * METRE_E
    found = named(*place, HEIGHT_M + ANTENNA_M + up_m)
    assert found[0].unexplained == "plan"
    assert not found[0].is_exact
    text = f"perhaps height {told}, but nothing usual explains the plan, which is wrong too"
    assert found[0].text == text
    words = cause_and_remedy(found, parse_sheet(LINES + TAPED))
    assert words.startswith("Perhaps height ")
    assert "the numbers fit" not in words
    flat = named(height=HEIGHT_M + ANTENNA_M + up_m)[0]
    assert flat.text == f"height {told}"  # the plan agrees
    assert flat.unexplained is None


@pytest.mark.parametrize("up_m", [-0.1, 0.3, -0.7])
def test_a_tenth_of_a_metre_is_no_slip_of_a_digit_where_the_plan_is_wrong_too(up_m: float) -> None:
    # Any height lies near that of another digit in the decimetres: a chance fit.
    place = LATITUDE + 70 * METRE_N, LONGITUDE + 40 * METRE_E
    assert named(*place, HEIGHT_M + ANTENNA_M + up_m) == ()


# ---- signs in a grid ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("east_m", "north_m", "name", "told"),
    [
        (11094.185, -3008.945, "easting_sign", "the easting was typed as positive, it is negative"),
        (-11094.185, 3008.945, "northing_sign", "the northing was typed as positive"),
        (11094.185, 3008.945, "northing_sign", "the signs of easting and northing were both"),
    ],
)
def test_the_sign_of_easting_or_northing(
    east_m: float, north_m: float, name: str, told: str
) -> None:
    back = Transformer.from_crs("EPSG:6677", "EPSG:6668", always_xy=True)
    longitude, latitude = back.transform(east_m, north_m)
    best = named(latitude, longitude, HEIGHT_M + ANTENNA_M, text=GRIDDED)[0]
    assert best.names == (name,)
    assert best.is_exact
    assert best.probability > 0.9
    assert told in best.texts[0]
    words = cause_and_remedy((best,), parse_sheet(GRIDDED))
    assert "easting and northing with the signs that the site sheet has" in words


def test_a_sign_of_nothing_is_no_blunder() -> None:
    text = GRIDDED.replace("-11094.185", "0.0").replace("-3008.945", "0.004")
    mark = parse_sheet(text).known_mark
    assert mark is not None
    at = mark.latitude_deg, mark.longitude_deg
    assert named(*at, HEIGHT_M + ANTENNA_M, text=text) == ()


def test_a_turned_northing_of_a_zone_that_begins_at_the_equator_is_one_of_two_slips() -> None:
    text = (
        f"[position]\neasting_m = 360580.594\nnorthing_m = 3910351.464\nheight_m = {HEIGHT_M}\n"
        "crs = 'EPSG:32654'\nheight_kind = 'ellipsoidal'\n" + TAPED
    )
    back = Transformer.from_crs("EPSG:32654", "EPSG:4326", always_xy=True)
    longitude, latitude = back.transform(360580.594, -3910351.464)
    found = named(latitude, longitude, HEIGHT_M + ANTENNA_M, text=text)
    # the same place, by whatever was typed
    assert set(names(found)) == {("northing_sign",), ("latitude_sign",)}


@pytest.mark.parametrize(("here", "there"), [("EPSG:31982", "EPSG:31976"),
                                             ("EPSG:31976", "EPSG:31982")])  # fmt: skip
def test_the_other_hemisphere_of_a_zone_of_any_datum(here: str, there: str) -> None:
    # SIRGAS 2000 / UTM zones 22S and 22N, whose codes are not a hundred apart
    latitude = -6.5 if here == "EPSG:31982" else 6.5
    east, north = Transformer.from_crs("EPSG:4674", here, always_xy=True).transform(-51.5, latitude)
    east, north = round(east, 3), round(north, 3)
    text = (
        f"[position]\neasting_m = {east}\nnorthing_m = {north}\nheight_m = {HEIGHT_M}\n"
        f"crs = '{here}'\nheight_kind = 'ellipsoidal'\n" + TAPED
    )
    back = Transformer.from_crs(there, "EPSG:4674", always_xy=True)
    longitude, latitude = back.transform(east, north)
    best = named(latitude, longitude, HEIGHT_M + ANTENNA_M, text=text)[0]
    assert best.names == ("wrong_hemisphere",)
    assert f"the zone SIRGAS 2000 / UTM zone 22{'N' if '82' in here else 'S'} was set" in best.text


@pytest.mark.parametrize(
    ("latitude", "longitude", "name"),
    [
        (LATITUDE + 1.0, LONGITUDE, "wrong_digit"),
        (46.123465789, LONGITUDE, "swapped_digits"),
        (LATITUDE * 0.9, LONGITUDE * 0.9, "gons"),
        (LATITUDE / 0.9, LONGITUDE / 0.9, "gons"),
        # 46 07 24.44440 N, 8 59 15.55556 E
        (46.07244444, 8.5915555556, "degree_notation"),
        (46.0740740734, 8.5925925926, "degree_notation"),  # 07.40740734', 59.25925926'
    ],
)
def test_the_ways_to_mistype_an_angle(latitude: float, longitude: float, name: str) -> None:
    assert named(latitude, longitude)[0].names == (name,)


def test_metres_off_is_an_average_and_half_a_metre_level_is_a_datum() -> None:
    average = named(LATITUDE + 1.1 * METRE_N, LONGITUDE - 0.8 * METRE_E, HEIGHT_M + ANTENNA_M + 2.9)
    assert average[0].names == ("averaged",)
    datum = named(LATITUDE + 0.5 * METRE_N, LONGITUDE + 0.5 * METRE_E, HEIGHT_M + ANTENNA_M + 0.04)
    assert datum[0].names == ("datum",)
    assert ("averaged",) in names(datum)
    assert not datum[0].is_exact


@pytest.mark.parametrize("up_m", [-0.001, 0.006, -0.012, 0.03])
def test_an_epoch_of_a_datum_that_keeps_the_height_is_named(up_m: float) -> None:
    # ETRF2000 to ITRF2014 at epoch 2026.2 in the middle of Europe by pyproj: 0.60 m north, 0.84 m
    # east, a millimetre in height.
    at = LATITUDE + 0.598 * METRE_N, LONGITUDE + 0.845 * METRE_E
    best = named(*at, HEIGHT_M + ANTENNA_M + up_m)[0]
    assert best.names == ("datum",)
    assert best.probability > 0.5


def test_the_plan_of_a_neighbouring_mark_with_the_height_of_ours_is_no_slip_of_a_digit() -> None:
    marks = "name,latitude_deg,longitude_deg,ellipsoidal_height_m\nM2,46.1240,8.9880,319.482\n"
    best = named(46.1240, 8.9880, HEIGHT_M + ANTENNA_M, marks=marks)[0]
    assert best.names == ("neighbouring_mark",)
    assert best.texts == (
        "the coordinates are those of the mark M2",
        "the height is that of this mark",
    )
    own = named(46.1240, 8.9880, 319.482 + ANTENNA_M, marks=marks)[0]
    assert own.texts == ("the coordinates are those of the mark M2",)
    # A slip in the height of the other mark is one of its digits.
    slipped = named(46.1240, 8.9880, 391.482 + ANTENNA_M, marks=marks)[0]
    assert slipped.names == ("neighbouring_mark", "swapped_digits")
    assert "391.482" in slipped.texts[1]


def test_a_neighbouring_mark_without_the_antenna_height() -> None:
    marks = (
        "name,latitude_deg,longitude_deg,ellipsoidal_height_m\n"
        f"here,{LATITUDE},{LONGITUDE},{HEIGHT_M}\nM7,46.1240,8.9880,320.1\n"
    )
    assert named(46.1240, 8.9880, 320.1 + ANTENNA_M, marks=marks)[0].names == ("neighbouring_mark",)
    best = named(46.1240, 8.9880, 320.1, marks=marks)[0]
    assert best.names == ("neighbouring_mark", "height_left_out")
    assert "M7" in best.texts[0]


def test_the_feet_differ_by_six_tenths_of_a_metre_in_a_million_feet() -> None:
    # 1 000 000 ft: 0.6096 m by definition of the two feet
    difference_m = 1e6 * 0.3048 * (SURVEY_FOOT - 1)
    assert difference_m == pytest.approx(0.6096, abs=1e-4)


@pytest.mark.parametrize(
    ("latitude", "longitude", "height"),
    [(90.0, 0.0, 10.0), (-90.0, 0.0, 2835.0), (0.0, 180.0, 3.0), (0.0, 0.0, 0.0),
     (27.9881, 86.925, 9000.0), (31.5, 35.5, -430.5)],
)  # fmt: skip
@pytest.mark.parametrize("off_m", [0.0, -1.5, 2.0, 1000.0])
def test_poles_date_line_and_high_ground_break_nothing(
    latitude: float, longitude: float, height: float, off_m: float
) -> None:
    text = (
        f"[position]\nlatitude_deg={latitude}\nlongitude_deg={longitude}\n"
        f"ellipsoidal_height_m={height}\n[antenna]\nheight_m=1.5"
    )
    found = named(latitude, longitude, height + 1.5 + off_m, text=text)
    if off_m == 0.0:
        assert found == ()
    if off_m == -1.5:
        assert found[0].names == ("height_left_out",)


def test_the_centre_of_the_earth_is_explained_by_nothing() -> None:
    assert recognise((0.0, 0.0, 0.0), parse_sheet(LINES + TAPED)) == ()


# ---- typed numbers -----------------------------------------------------------------------------


def test_angles_are_split_without_sixty_seconds() -> None:
    assert Sexagesimal.of(-0.99999999999) == (-1.0, 1, 0, 0.0)
    # IOGP 373-7-2, geographic to geocentric conversion: 53 48 33.820 N is 53.80939444
    assert Sexagesimal.of(53.809394444444) == (1.0, 53, 48, 33.82)
    assert Sexagesimal.of(53.5).angle(minutes=45) == 53.75


def test_misread_notations_are_what_paper_and_pencil_give() -> None:
    found = misread(-35.25)  # 35 15 00
    assert {round(value, 9) for value in found.values()} == {
        -35.15, -35.416666667, -35.25,
    }  # fmt: skip


def test_swapped_digits_of_an_angle_keep_its_sign_and_are_no_sixty_minutes() -> None:
    slips = list(angle_slips(-8.456, "latitude", swapped=True))
    assert all(slip.value < 0 for slip in slips)
    assert math.isclose(min(slip.value for slip in slips), -80.0 - 27 / 60 - 21.6 / 3600)
    assert not any("72 for 27" in slip.text for slip in slips)


# ---- words -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("off", "told"),
    [
        ((0.0, 0.003, -1.642, 0.003, -1.642), "every point would be 1.642 m too low (E 0 mm, "
         "N +3 mm, U -1.642 m)."),
        ((0.0, 0.0, 0.1, 0.0, 0.1), "would be 100 mm too high (E 0 mm, N 0 mm, U +100 mm)."),
        ((1.84, -0.97, 0.35, 2.08, 0.35), "shifted by E +1.840 m, N -970 mm, U +350 mm."),
        ((1.84, -0.97, None, 2.08, 0.0), "shifted by E +1.840 m, N -970 mm, U not known."),
        ((0.0, 0.0, -36.2, 0.0, -36.2), "36.200 m too low (E 0 mm, N 0 mm, U -36.200 m). Points "
         "1 km away would be bent by up to 4 mm more."),
        ((-9e4, 100.0, -600.0, 9e4, 2.0), "Rovers would not fix, or put every point 90.0 km to the "
         "W."),
        ((-900.0, 0.0, -1.0, 900.0, -1.0), "Rovers would not fix, or put every point 900.000 m to "
         "the W (E -900.000 m, N 0 mm, U -1.000 m)."),
        ((0.0, 0.0, 700.0, 0.0, 700.0), "Rovers would not fix, or put every point 700.000 m too "
         "high (E 0 mm, N 0 mm, U +700.000 m)."),
    ],
)  # fmt: skip
def test_what_a_wrong_base_does_to_the_points(
    off: tuple[float, float, float | None, float, float], told: str
) -> None:
    assert effect(*off).endswith(told)


def test_the_words_name_the_numbers_to_enter() -> None:
    sheet: SiteSheet = parse_sheet(LINES + TAPED)
    words = cause_and_remedy(named(height=HEIGHT_M), sheet)
    assert words == (
        "The base sends the height of the mark, not of the antenna (the numbers fit to 1 mm). "
        "Enter 1.652 m (5.42 ft) in the base and check again."
    )
