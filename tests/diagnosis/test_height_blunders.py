"""Wrong heights and the blunders behind them."""

import pytest

from rtcmtool.diagnosis.blunder_words import cause_and_remedy
from rtcmtool.diagnosis.sheet_parsing import parse_sheet
from tests.diagnosis.test_blunders import (
    ANTENNA_M,
    GRIDDED,
    HEIGHT_M,
    LINES,
    TAPED,
    named,
    names,
)


@pytest.mark.parametrize(
    ("off_m", "name"),
    [
        (-ANTENNA_M, "height_left_out"),
        (ANTENNA_M, "height_twice"),
        (ANTENNA_M / 0.3048 - ANTENNA_M, "height_in_feet"),
        (ANTENNA_M * 0.3048 - ANTENNA_M, "height_in_feet"),
        (0.12, "phase_centre"),
        (0.03, "slant_as_vertical"),
        (-48.3, "levelled_height"),
        (54.0, "swapped_digits"),  # 371.482 for 317.482
        (HEIGHT_M / 0.3048 - HEIGHT_M, "mark_height_in_feet"),
    ],
)
def test_a_height_off_by_a_telling_amount(off_m: float, name: str) -> None:
    assert named(height=HEIGHT_M + ANTENNA_M + off_m)[0].names == (name,)


def test_the_geoid_separation_of_the_sheet_makes_it_exact() -> None:
    text = LINES + "geoid_separation_m = 48.312\n" + TAPED
    best = named(height=HEIGHT_M + ANTENNA_M - 48.30, text=text)[0]
    assert best.names == ("levelled_height",)
    assert best.is_exact
    assert best.height_misfit_m == pytest.approx(0.012, abs=1e-4)
    assert "269.170" in best.texts[0]  # 317.482 - 48.312
    twice = named(height=HEIGHT_M + ANTENNA_M + 48.312, text=text)[0]
    assert twice.names == ("separation_twice",)
    turned = named(height=HEIGHT_M + ANTENNA_M - 2 * 48.312, text=text)[0]
    assert turned.names == ("separation_sign",)
    # another difference is no longer told as that of the geoid
    assert "levelled_height" not in [n for n, *_ in names(named(height=HEIGHT_M - 30.0, text=text))]


@pytest.mark.parametrize("off_m", [36.3, -36.3])
def test_a_grid_height_of_untold_kind_may_be_the_one_that_is_wrong(off_m: float) -> None:
    sheet = parse_sheet(GRIDDED)
    mark = sheet.known_mark
    assert mark is not None
    at = mark.latitude_deg, mark.longitude_deg, HEIGHT_M + ANTENNA_M + off_m
    found = named(*at, text=GRIDDED)
    assert found[0].names == ("height_kind_untold",)
    assert ("levelled_height",) in names(found)
    words = cause_and_remedy(found, sheet)
    assert "taken as ellipsoidal as height_kind is missing, or a levelled height may" in words
    assert 'Write height_kind = "levelled" with geoid_separation_m, or "ellipsoidal"' in words
    told = GRIDDED.replace("crs", "height_kind = 'ellipsoidal'\ncrs")
    assert names(named(*at, text=told)) == [("levelled_height",)]
    assert named(*at[:2], HEIGHT_M + ANTENNA_M, text=GRIDDED) == ()


def test_the_separation_beside_an_untold_height_makes_it_exact() -> None:
    text = GRIDDED.replace("crs", "geoid_separation_m = 38.01\ncrs")
    mark = parse_sheet(text).known_mark
    assert mark is not None
    at = mark.latitude_deg, mark.longitude_deg
    best = named(*at, HEIGHT_M + ANTENNA_M + 38.0, text=text)[0]
    assert best.names == ("height_kind_untold",)  # and not a separation that was added twice
    assert best.height_misfit_m == pytest.approx(-0.01, abs=1e-3)
    other = named(*at, HEIGHT_M + ANTENNA_M - 38.0, text=text)[0]
    assert other.names == ("levelled_height",)


def test_without_the_separation_only_the_range_is_told() -> None:
    best = named(height=HEIGHT_M + ANTENNA_M - 36.3)[0]
    assert best.names == ("levelled_height",)
    assert not best.is_exact
    assert "may have been" in best.texts[0]
    assert named(height=HEIGHT_M + ANTENNA_M - 150.3) == ()  # the geoid lies nowhere so far


def test_the_slant_of_the_sheet_is_told_from_a_phase_centre() -> None:
    # worked example of an archive: slant 1.8527 m is vertically 1.8079 m
    text = LINES + (
        "[antenna]\nheight_m = 1.8527\nmeasured = 'slant'\nslant_radius_m = 0.1905\n"
        "slant_mark_above_arp_m = 0.0350\n"
    )
    best = named(height=HEIGHT_M + 1.8527, text=text)[0]
    assert best.names == ("slant_as_vertical",)
    assert best.is_exact
    half = named(height=HEIGHT_M + 1.8527 - 0.0350, text=text)[0]
    assert half.names == ("slant_as_vertical",)
    assert "not made vertical" in half.texts[0]
    without = named(height=HEIGHT_M + 1.8429, text=text)[0]
    assert "rim's offset was left out" in without.texts[0]


def test_what_cannot_be_told_apart_is_told_as_alternatives() -> None:
    found = named(height=HEIGHT_M + ANTENNA_M + 0.06)
    assert {n for blunder in found for n in blunder.names} >= {"phase_centre", "slant_as_vertical"}
    assert found[0].probability < 0.9
    assert ", or " in cause_and_remedy(found, parse_sheet(LINES + TAPED))


def test_the_height_of_1006_speaks_for_a_guess() -> None:
    sent_m = HEIGHT_M + 2 * ANTENNA_M
    with_it = named(height=sent_m, field_m=2 * ANTENNA_M)
    twice = named(height=sent_m, field_m=ANTENNA_M)
    assert with_it[0].names == twice[0].names == ("height_twice",)
    assert twice[0].probability > with_it[0].probability


def test_without_any_antenna_height_a_tripod_hides_small_differences() -> None:
    assert named(height=HEIGHT_M + 1.5, text=LINES) == ()
    assert named(height=HEIGHT_M - 33.3, text=LINES)[0].names == ("levelled_height",)
