"""Site sheets and lists of marks that cannot be: key, line, and what to do are named each time."""

import pytest
from pyproj import CRS, Transformer

from rtcmtool.diagnosis.known_marks import KnownMark, parse_marks
from rtcmtool.diagnosis.sheet_parsing import parse_sheet
from rtcmtool.errors import UsageError

DEGREES = "[position]\nlatitude_deg = {}\nlongitude_deg = {}\nellipsoidal_height_m = {}\n"
GRID = "[position]\neasting_m = 155000\nnorthing_m = 463000\nheight_m = 43\ncrs = '{}'\n"
SLANT = "[antenna]\nheight_m = {}\nmeasured = 'slant'\nslant_radius_m = 0.19\n"


def refused(text: str) -> UsageError:
    """Parse what cannot be parsed; whatever it is, something can be done about it."""
    with pytest.raises(UsageError) as caught:
        parse_sheet(text)
    assert caught.value.do, f"nothing to do is told about: {caught.value}"
    return caught.value


@pytest.mark.parametrize(
    ("text", "told", "do"),
    [
        (DEGREES.format(91, 2, 3), "line 2: position.latitude_deg = 91", "each other"),
        (DEGREES.format(139.5, 35.3, 3), "line 2: position.latitude_deg", "in each other's place"),
        (DEGREES.format(1, 181, 3), "line 3: position.longitude_deg = 181", "write -179.0"),
        (DEGREES.format(1, 359.25, 3), "line 3: position.longitude_deg", "-180 to 180, west neg"),
        (DEGREES.format(1, 220.123456789, 3), "position.longitude_deg", "write -139.876543211"),
        (DEGREES.format(1, 2, 9001), "line 4: position.ellipsoidal_height_m = 9001", "correct it"),
        (DEGREES.format("'1.5'", 2, 3), "position.latitude_deg = '1.5'", "latitude_deg = 1.5"),
        (DEGREES.format("'1,5'", 2, 3), "position.latitude_deg = '1,5'", "latitude_deg = 1.5"),
        (DEGREES.format("nan", 2, 3), "position.latitude_deg = nan", "correct it"),
        (DEGREES.format("-inf", 2, 3), "position.latitude_deg = -inf", "correct it"),
        (DEGREES.format("1979-05-27", 2, 3), "position.latitude_deg = 1979-05-27", "correct it"),
        (DEGREES.format(10**40, 2, 3), "line 2: position.latitude_deg = 1000", "correct it"),
        (DEGREES.format("1,5", 2, 3), "line 2: this is no TOML", "a decimal point for the comma"),
        ("[position]\nlatitude_deg = 1\n", "position.longitude_deg is missing",
         "write a line longitude_deg"),
        ("[position]\nkind = 'known-mark'\n", "position.latitude_deg is missing", "write a line"),
        (DEGREES.format(1, 2, 3) + "height_kind = 'levelled'\n",
         "line 5: position.height_kind is levelled", "write the sum as ellipsoidal_height_m"),
        (DEGREES.format(1, 2, 3) + "geoid_separation_m = -121\n", "line 5: position.geo", "corr"),
        ("[antenna]\nheight_m = -1\n", "line 2: antenna.height_m = -1", "correct it"),
        ("[antenna]\nheight_m = 1.6\nheight_ft = 5.2\n", "line 3: antenna.height_m and", "one"),
        (SLANT.format(0.18), "a slant must be the longer one", "half the diameter"),
        (SLANT.format(0.195) + "slant_mark_above_arp_m = 0.5\n",
         "line 2: antenna.height_m makes a vertical height of -0.456 m", "slant_mark_above_arp_m"),
        (SLANT.format(1.8) + "second_height_m = 0.2\nslant_mark_above_arp_m = 0.5\n",
         "line 5: antenna.second_height_m makes", "slant_mark_above_arp_m"),
        ("[messages]\nintervals_s = { '1074' = -1 }\n",
         "line 2: messages.intervals_s.1074 = -1 is impossible", "correct it"),
        ("[messages.intervals_s]\n1006 = 10\n1074 = -1\n",
         "line 3: messages.intervals_s.1074 = -1 is impossible", "correct it"),
        ("[messages]\nintervals_s = { '1999' = 1 }\n", "line 2: messages.intervals_s: there is no "
         "message '1999'", "correct it"),
        ("[messages]\nintervals_s = { '4096' = 1 }\n", "there is no message '4096'", "correct it"),
        ("[messages]\nintervals_s = { 'GGA' = 1 }\n", "there is no message 'GGA'", "correct it"),
        ("[messages]\nstation = -1\n", "line 2: messages.station = -1", "correct it"),
        ("[radio]\nrate_bit_s = '9600'\n", "line 2: radio.rate_bit_s = '9600'", "_s = 9600"),
        ("[rover]\nsystems = ['GPX']\n", "line 2: rover.systems = 'GPX'", "correct it"),
        ("[rover]\nsystems = 'GPS'\n", "line 2: rover.systems = 'GPS'", "correct it"),
        ("[limits]\nslips = nan\n", "line 2: limits.slips = nan", "correct it"),
        ("[limits]\nnope = 1\n", "line 2: there is no key 'limits.nope'", "and the same with _bad"),
        ("[limits]\nslips = 2\nslips_bad = 1\n", "contradict each other", "on its own side"),
        ("name = 'a'\n", "line 1: there is no key 'name'", "known at the top: site"),
        ("antenna.height_m = -2\n", "line 1: antenna.height_m = -2", "correct it"),
        ("[[site]]\nname = 'a'\n", "line 1: site = ", "correct it"),
        ("[antenna]\n[antenna.more]\nx = 1\n", "line 2: there is no key 'antenna.more'", "known"),
        ("[site]\nname = 'a'\nnote = 'b'\nname = 'c'\n", "line 4: this is no TOML: name stands "
         "twice", "keep one"),
        ('[site]\nname = "a\n', "line 2: this is no TOML: a text without its closing quote", ""),
        ("[site\nname = 'a'\n", "line 1: this is no TOML", "write lines such as"),
        ("[site]\n[site]\n", "line 2: this is no TOML", "write lines such as"),
        ("\ufeff[site]\r\nx = 1\r\n", "line 2: there is no key 'site.x'", "name, note"),
    ],
)  # fmt: skip
def test_key_line_and_what_to_do_are_named(text: str, told: str, do: str) -> None:
    error = refused(text)
    assert told in str(error)
    assert do in (error.do or "")


# ---- coordinate systems ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("code", "told", "do"),
    [
        ("EPSG:999999", "there is no coordinate system 'EPSG:999999'", "EPSG registry"),
        ("32654", "there is no coordinate system '32654'", 'crs = "EPSG:32654"'),
        ("EPSG:4326", "gives no easting and northing", "latitude_deg"),
        ("EPSG:4978", "gives no easting and northing", "latitude_deg"),
        ("EPSG:5773", "gives no easting and northing", "latitude_deg"),  # heights alone
        ("+proj=utm +zone=54", "there is no coordinate system", "EPSG registry"),
        ("EPSG:32654+999999", "there is no coordinate system", "EPSG registry"),
    ],
)
def test_a_code_that_is_no_grid_is_refused(code: str, told: str, do: str) -> None:
    error = refused(GRID.format(code))
    assert "line 5: position.crs" in str(error)
    assert told in str(error)
    assert do in (error.do or "")


@pytest.mark.parametrize(
    ("code", "heights"),
    # Names of the vertical systems as the transformation library's registry has them.
    [("EPSG:5555", "DHHN92 height"), ("EPSG:25832+5783", "DHHN92 height"),
     ("EPSG:6349+5703", None), ("EPSG:32654+5773", "EGM96 height")],
)  # fmt: skip
def test_a_compound_code_asks_in_which_height_its_height_is(code: str, heights: str | None) -> None:
    place = "[position]\neasting_m = 500000\nnorthing_m = 5500000\nheight_m = 300\n"
    if heights is None:
        refused(place + f"crs = '{code}'")
        return
    error = refused(place + f"crs = '{code}'")
    assert "position.height_kind is missing" in str(error)
    assert heights in (error.why or "")
    levelled = place + f"crs = '{code}'\nheight_kind = 'levelled'\ngeoid_separation_m = 47.5\n"
    mark = parse_sheet(levelled).known_mark
    assert mark is not None
    assert mark.ellipsoidal_height_m == 347.5
    alike = parse_sheet(place + f"crs = '{code}'\nheight_kind = 'ellipsoidal'").known_mark
    assert alike is not None
    assert alike.ellipsoidal_height_m == 300.0
    horizontal = CRS(code).sub_crs_list[0]
    back = Transformer.from_crs(horizontal, horizontal.geodetic_crs, always_xy=True)
    assert (mark.longitude_deg, mark.latitude_deg) == pytest.approx(
        back.transform(500000, 5500000), abs=1e-10
    )


def test_a_place_outside_the_area_of_an_older_datum_says_so() -> None:
    # EPSG:28992 is used round 155 000 E, 463 000 N; (500 000, 100) lies outside its area.
    error = refused(GRID.format("EPSG:28992").replace("155000", "500000").replace("463000", "100"))
    assert "outside the area of EPSG:28992" in (error.why or "")
    sheet = parse_sheet(GRID.format("EPSG:28992"))
    assert sheet.known_mark is not None
    expected = Transformer.from_crs("EPSG:28992", "EPSG:4326", always_xy=True).transform(
        155000, 463000
    )
    assert (sheet.known_mark.longitude_deg, sheet.known_mark.latitude_deg) == pytest.approx(
        expected, abs=2e-5
    )
    assert sheet.position.operation.accuracy_m > 0


# ---- the list of marks -------------------------------------------------------------------------

HEAD = "name,latitude_deg,longitude_deg,ellipsoidal_height_m\n"


@pytest.mark.parametrize(
    "text",
    [
        HEAD + "A,1.5,2.5,3.25\n",
        HEAD.replace(",", ";") + "A;1.5;2.5;3.25\n",
        HEAD.replace(",", "\t") + "A\t1.5\t2.5\t3.25\n",
        (HEAD + "A,1.5,2.5,3.25\n").replace("\n", "\r\n"),
        (HEAD + "A,1.5,2.5,3.25\n").replace("\n", "\r"),
        "\ufeff" + HEAD + "\n A , 1.5, 2.5, 3.25 \n\n",
        HEAD + '"A",+1.5,2.5,325e-2,more,and more\n',
    ],
)
def test_a_list_is_read_however_it_is_separated(text: str) -> None:
    assert parse_marks(text) == (KnownMark("A", 1.5, 2.5, 3.25),)


@pytest.mark.parametrize(
    ("text", "told", "do"),
    [
        (HEAD.replace(",", ";") + "A;1,5;2,5;3,25\n", "line 2: latitude_deg = '1,5'",
         "a point for a decimal comma"),
        (HEAD + "A,1,2,3\nB,1\n", "line 3: longitude_deg = ''", "correct the line"),
        (HEAD + "A,1_0,2,3\n", "line 2: latitude_deg = '1_0'", "correct the line"),
        (HEAD + "A,\u0661,2,3\n", "line 2: latitude_deg", "correct the line"),
        (HEAD + "A,1,200,3\n", "line 2: longitude_deg = '200'", "correct the line"),
        (HEAD + "A,1,2,inf\n", "line 2: ellipsoidal_height_m = 'inf'", "correct the line"),
        ("A;1;2;3\n", "line 1: the column name is missing", "begin the list with the line"),
        ("", "line 1: the column name is missing", "begin the list with the line"),
        (HEAD + '"A,1,2,3\n', "line 2: this is no list of marks", "a mark a line"),
    ],
)  # fmt: skip
def test_a_row_that_cannot_be_is_named_with_what_to_do(text: str, told: str, do: str) -> None:
    with pytest.raises(UsageError) as caught:
        parse_marks(text)
    assert told in str(caught.value)
    assert do in (caught.value.do or "")
