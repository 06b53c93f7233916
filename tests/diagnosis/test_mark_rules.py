"""The position against mark and tape, and the rest of the sheet, through streams; each limit."""

import math
from collections.abc import Sequence
from typing import Any

import pytest
from pyproj import Transformer

from rtcmtool.diagnosis.causes import Confidence, look_for
from rtcmtool.diagnosis.causes_position import base_slightly_wrong
from rtcmtool.diagnosis.context import DEFAULT_OVERHEAD, Context
from rtcmtool.diagnosis.evidence import Evidence
from rtcmtool.diagnosis.finding import Finding, State
from rtcmtool.diagnosis.mark_rules import AVERAGED, NO_MARK, NO_SHEET
from rtcmtool.diagnosis.sheet_parsing import parse_sheet
from rtcmtool.diagnosis.verdict import RULE_FUNCTIONS
from tests.diagnosis.judging import APART, BAD, OK, UNKNOWN, WATCH, found, is_complete
from tests.streams import (
    ANTENNA,
    GROUND,
    antenna,
    base_stream,
    every,
    plan,
    position,
    state_of,
)

LATITUDE, LONGITUDE, HEIGHT_M = GROUND
ANTENNA_M = 1.652
MARK = (
    f"[position]\nlatitude_deg = {LATITUDE}\nlongitude_deg = {LONGITUDE}\n"
    f"ellipsoidal_height_m = {HEIGHT_M}\n"
)
TAPED = f"[antenna]\nheight_m = {ANTENNA_M}\n"
_TO_EARTH = Transformer.from_crs("EPSG:4979", "EPSG:4978", always_xy=True)


def place(
    east_m: float = 0.0, north_m: float = 0.0, up_m: float = ANTENNA_M
) -> tuple[float, float, float]:
    """Give earth-fixed coordinates beside the mark, through a library and plain trigonometry."""
    x, y, z = _TO_EARTH.transform(LONGITUDE, LATITUDE, HEIGHT_M + up_m)
    latitude, longitude = math.radians(LATITUDE), math.radians(LONGITUDE)
    return (
        x - east_m * math.sin(longitude) - north_m * math.sin(latitude) * math.cos(longitude),
        y + east_m * math.cos(longitude) - north_m * math.sin(latitude) * math.sin(longitude),
        z + north_m * math.cos(latitude),
    )


def judged(
    rule: str,
    arp_m: Sequence[float] | None = None,
    field_m: float | None = ANTENNA_M,
    *,
    text: str | None = MARK + TAPED,
    **told: Any,
) -> Finding:
    """Judge a base that sends a position and an antenna height (None: message 1005)."""
    sent = position(place() if arp_m is None else arp_m, field_m)
    stream = base_stream(20, numbers=(1074,), extras=(every(sent, 20, 10),))
    sheet = None if text is None else parse_sheet(text)
    finding = found(rule, stream, sheet=sheet, **told)
    assert is_complete(finding)
    return finding


# ---- position = known mark ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("off_mm", "state"), [(0, OK), (4.9, OK), (5.1, WATCH), (19.9, WATCH), (20.1, BAD), (1e4, BAD)]
)
@pytest.mark.parametrize("axis", ["east", "north", "up", "down"])
def test_position_against_the_mark_by_its_limits(axis: str, off_mm: float, state: State) -> None:
    off_m = off_mm / 1000
    arp_m = {
        "east": place(east_m=off_m),
        "north": place(north_m=-off_m),
        "up": place(up_m=ANTENNA_M + off_m),
        "down": place(up_m=ANTENNA_M - off_m),
    }[axis]
    finding = judged("position_matches_mark", arp_m)
    assert finding.state is state
    assert finding.limit == (20.0 if state is BAD else 5.0)
    assert finding.value == pytest.approx(off_mm, abs=0.1)
    assert finding.values is not None
    signed = {"up": off_mm, "down": -off_mm}.get(axis, 0.0)
    # the plane across the mark rises 10 m away: 8 micrometres
    assert finding.values["height"] == pytest.approx(signed, abs=0.1)
    assert finding.values["plan"] == pytest.approx(
        0.0 if axis in {"up", "down"} else off_mm, abs=0.1
    )


def test_the_text_gives_plan_and_height_and_the_action_the_shift() -> None:
    assert judged("position_matches_mark", place(0.001, 0, 1.650)).text == "1 mm plan, 2 mm height"
    finding = judged("position_matches_mark", place(0.003, 0, 0.0), 0.0)
    assert finding.text == "1.652 m too low, 3 mm plan"
    assert finding.action == (
        "The base sends the height of the mark, not of the antenna (the numbers fit to 3 mm). "
        "Enter 1.652 m (5.42 ft) in the base and check again. Rovers would fix normally and every "
        "point would be 1.652 m too low (E +3 mm, N 0 mm, U -1.652 m)."
    )
    assert finding.values is not None
    assert finding.values["blunders"][0]["names"] == ["height_left_out"]
    far = judged("position_matches_mark", place(3000.0, 0.0))
    assert far.text.startswith("3000.000 m plan")
    away = Transformer.from_crs("EPSG:4979", "EPSG:4978", always_xy=True)
    turned = judged("position_matches_mark", away.transform(-LONGITUDE, LATITUDE, HEIGHT_M + 1.652))
    assert turned.text.endswith("km off to the E")
    assert "The longitude was typed as east, it is west" in (turned.action or "")
    assert turned.values is not None
    assert turned.values["height"] == pytest.approx(0.0, abs=0.1)


def test_a_few_millimetres_are_no_blunder() -> None:
    finding = judged("position_matches_mark", place(up_m=ANTENNA_M + 0.007))
    assert finding.state is WATCH
    assert "bubble" in (finding.action or "")


@pytest.mark.parametrize(
    ("text", "reason"),
    [(None, NO_SHEET), ("", NO_MARK), (TAPED, NO_MARK), (MARK + 'kind = "averaged"', AVERAGED)],
)
def test_without_a_known_mark_there_is_nothing_to_compare(text: str | None, reason: str) -> None:
    finding = judged("position_matches_mark", text=text)
    assert (finding.state, finding.values) == (APART, {"reason": reason})
    if reason is AVERAGED:
        assert "site calibration" in finding.text


def test_without_a_position_it_is_not_known() -> None:
    stream = base_stream(20, numbers=(1074,), extras=())
    finding = found("position_matches_mark", stream, sheet=parse_sheet(MARK + TAPED))
    assert finding.state is UNKNOWN


@pytest.mark.parametrize(
    ("field_m", "up_m", "east_m", "state"),
    [
        (ANTENNA_M, ANTENNA_M, 0.0, OK),  # the message tells the height
        (ANTENNA_M, 0.0, 0.0, BAD),
        (0.0, ANTENNA_M, 0.0, UNKNOWN),  # nobody tells it
        (None, ANTENNA_M, 0.0, UNKNOWN),
        (None, ANTENNA_M, 0.03, BAD),  # but the plan is wrong
    ],
)
def test_without_a_taped_height_that_of_the_message_counts(
    field_m: float | None, up_m: float, east_m: float, state: State
) -> None:
    arp_m = place(east_m, 0.0, up_m)
    assert judged("position_matches_mark", arp_m, field_m, text=MARK).state is state


def test_the_limits_of_the_sheet_are_in_force() -> None:
    text = MARK + TAPED + "[limits]\nposition_matches_mark = 8\nposition_matches_mark_bad = 12\n"
    states = [
        judged("position_matches_mark", place(off_m), text=text).state
        for off_m in (0.007, 0.009, 0.013)
    ]
    assert states == [OK, WATCH, BAD]
    finding = judged("position_matches_mark", place(0.009), text=text)
    assert finding.rule.basis.startswith("site sheet;")


def test_a_change_of_datum_that_is_known_to_metres_leaves_metres_unknown() -> None:
    text = (
        '[position]\neasting_m=530000\nnorthing_m=180000\nheight_m=60\ncrs="EPSG:27700"\n' + TAPED
    )
    sheet = parse_sheet(text)
    mark = sheet.known_mark
    assert mark is not None
    shifted = mark.latitude_deg + 0.5 / 111_000
    finding = judged(
        "position_matches_mark",
        _TO_EARTH.transform(mark.longitude_deg, shifted, 61.652),
        text=text,
    )
    assert finding.state is UNKNOWN
    assert "change of datum" in finding.text
    assert judged("position_matches_mark", text=text).state is BAD  # 5000 km off


def gridded(up_m: float, *, east_m: float = 0.0, kind: str = "") -> Finding:
    """Judge a base on a mark in a grid that lies 297 km outside it for 700 km of `east_m`."""
    east, north = 332900.1932 + east_m, 5008868.7348
    text = (
        f"[position]\neasting_m = {east}\nnorthing_m = {north}\nheight_m = 60\n"
        f"crs = 'EPSG:32635'\n{kind}" + TAPED
    )
    longitude, latitude = Transformer.from_crs("EPSG:32635", "EPSG:4326", always_xy=True).transform(
        332900.1932, 5008868.7348
    )
    arp_m = _TO_EARTH.transform(longitude, latitude, 60 + ANTENNA_M + up_m)
    return judged("position_matches_mark", arp_m, text=text)


@pytest.mark.parametrize(("up_m", "state"), [(0.0, OK), (0.01, WATCH), (38.0, BAD), (-38.0, BAD)])
def test_a_height_of_untold_kind_is_told_whatever_comes_out(up_m: float, state: State) -> None:
    finding = gridded(up_m)
    assert finding.state is state
    note = "; height_kind is not on the sheet: its height was taken as ellipsoidal"
    assert finding.text.endswith(note)
    told = gridded(up_m, kind="height_kind = 'ellipsoidal'\n")
    assert told.state is state
    assert finding.text == told.text + note
    if abs(up_m) > 1:
        assert "the height on the sheet may be levelled" in (finding.action or "").lower()
        assert "If the sheet means an ellipsoidal height: rovers would" in (finding.action or "")
        assert "If the sheet means" not in (told.action or "")


def test_an_untold_kind_of_height_is_no_proof_that_the_base_is_wrong() -> None:
    told = gridded(38.0, kind="height_kind = 'ellipsoidal'\n")
    for finding, sure in ((gridded(38.0), Confidence.POSSIBLE), (told, Confidence.PROVEN)):
        evidence = Evidence()
        vars(evidence)["findings"] = {finding.rule.name: finding}
        assert look_for(base_slightly_wrong, evidence).confidence is sure


def test_a_mark_outside_its_grid_is_doubted_where_the_base_disagrees_with_it() -> None:
    finding = gridded(0.0, east_m=700_000.0, kind="height_kind = 'ellipsoidal'\n")
    assert finding.state is BAD
    words = "See zone, order and sign of the mark on the site sheet first: it lies 297 km outside"
    assert (finding.action or "").startswith(f"{words} the area of EPSG:32635. ")
    near = gridded(0.5, kind="height_kind = 'ellipsoidal'\n")
    assert "outside the area" not in (near.action or "")


def test_a_slip_in_the_height_beside_a_wrong_plan_is_told_as_a_guess_in_the_document_too() -> None:
    finding = judged("position_matches_mark", place(30.0, -12.0, ANTENNA_M + 30.0))
    assert finding.values is not None
    first = finding.values["blunders"][0]
    assert first["unexplained"] == "plan"
    assert not first["exact"]
    assert first["text"].startswith("perhaps height 90 for 60")
    assert (finding.action or "").startswith("Perhaps height 90 for 60, but nothing usual explains")


# ---- antenna height ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sent_m", "state"),
    [(1.652, OK), (1.650, OK), (1.6499, WATCH), (1.657, WATCH), (1.6571, BAD), (1.64, BAD)],
)
@pytest.mark.parametrize("field", ["in 1006", "0 in 1006", "in no message"])
def test_antenna_height_against_the_tape(sent_m: float, state: State, field: str) -> None:
    field_m = {"in 1006": sent_m, "0 in 1006": 0.0, "in no message": None}[field]
    # half a step of the coordinates is 0.05 mm: keep off the limits where they tell the height
    if field_m != sent_m:
        sent_m += 0.0002 if sent_m == 1.650 else -0.0002 if sent_m == 1.657 else 0.0
        sent_m += 0.0002 if sent_m == 1.6571 else -0.0002 if sent_m == 1.6499 else 0.0
    finding = judged("antenna_height", place(up_m=sent_m), field_m)
    assert finding.state is state
    assert finding.value == pytest.approx(1000 * (sent_m - 1.652), abs=0.1)
    assert f"taped {1.652:.3f} m (5.42 ft)" in finding.text
    if field_m != sent_m:
        assert finding.text.startswith("ARP minus mark")


@pytest.mark.parametrize(("metres", "words"), [(4.2, "4.200 m (13.78 ft)"), (0.2, "0.200 m")])
def test_an_unusual_height_that_agrees_is_ok(metres: float, words: str) -> None:
    text = MARK + f"[antenna]\nheight_m = {metres}\n"
    finding = judged("antenna_height", place(up_m=metres), metres, text=text)
    assert finding.state is OK
    assert words in finding.text


@pytest.mark.parametrize(
    ("sent_m", "why"),
    [(0.0, None), (5.42, "typed in feet"), (2 * 1.652, "added twice")],
)
def test_a_wrong_height_names_its_reason_and_what_it_does(sent_m: float, why: str | None) -> None:
    finding = judged("antenna_height", place(up_m=sent_m), sent_m)
    assert finding.state is BAD
    assert (why or "left out") in (finding.action or "")
    way = "low" if sent_m < 1.652 else "high"
    assert (finding.action or "").endswith(f"too {way}.")


@pytest.mark.parametrize(
    ("second_m", "state"), [(1.654, OK), (1.655, WATCH), (1.657, WATCH), (1.658, BAD)]
)
def test_a_second_height_that_disagrees_is_told(second_m: float, state: State) -> None:
    text = MARK + TAPED + f"second_height_m = {second_m}\n"
    finding = judged("antenna_height", text=text)
    assert finding.state is state
    assert ("second height" in finding.text) == (state is not OK)


def test_a_position_that_is_wrong_by_itself_tells_no_antenna_height() -> None:
    finding = judged("antenna_height", place(up_m=-36.3), None)
    assert finding.state is UNKNOWN
    assert "position itself is wrong" in finding.text
    assert judged("antenna_height", None, None, text=TAPED).state is UNKNOWN


def test_a_slant_height_of_the_sheet_is_compared_as_vertical() -> None:
    # worked example of an archive: 1.8079 m to the ARP
    text = MARK + (
        "[antenna]\nheight_m = 1.8527\nmeasured = 'slant'\nslant_radius_m = 0.1905\n"
        "slant_mark_above_arp_m = 0.0350\n"
    )
    assert judged("antenna_height", place(up_m=1.8079), 1.8079, text=text).state is OK
    assert judged("antenna_height", place(up_m=1.8429), 1.8429, text=text).state is BAD


def test_without_a_taped_height_the_possible_range_is_judged() -> None:
    assert judged("antenna_height", place(up_m=3.1), 3.1, text=MARK).state is BAD
    assert judged("antenna_height", place(up_m=2.9), 2.9, text=None).state is OK


# ---- antenna name, plan, rover -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("sent", "sheet", "state"),
    [
        (ANTENNA, f'name = "{ANTENNA}"', OK),
        (ANTENNA, 'name = "SURVEYANT-1 NONE"', OK),
        (ANTENNA, 'name = "surveyant-1"', OK),  # NONE is no radome
        ("SURVEYANT-1", f'name = "{ANTENNA}"', OK),
        ("SURVEYANT-1     DOME", f'name = "{ANTENNA}"', BAD),
        ("SURVEYANT-2     NONE", f'name = "{ANTENNA}"', BAD),
        ("ADVNULLANTENNA", f'name = "{ANTENNA}"', WATCH),
        ("ADVNULLANTENNA", 'name = "ADVNULLANTENNA"', OK),
        ("", f'name = "{ANTENNA}"', WATCH),
    ],
)
def test_antenna_name_against_the_sheet(sent: str, sheet: str, state: State) -> None:
    stream = base_stream(20, numbers=(1074,), extras=(every(antenna(sent), 20, 10),))
    finding = found("antenna_named", stream, sheet=parse_sheet(f"[antenna]\n{sheet}"))
    assert finding.state is state
    assert is_complete(finding)


def planned(sheet: str, *, announced: bool = False) -> Finding:
    extras = [every(position(), 60, 10)]
    if announced:
        extras.append(every(plan({1006: 10, 1033: 10}), 60, 30))
    stream = base_stream(60, numbers=(1074,), extras=extras)
    finding = found("announced_messages", stream, sheet=parse_sheet(f"[messages]\n{sheet}"))
    assert is_complete(finding)
    return finding


@pytest.mark.parametrize(
    ("sheet", "state", "words"),
    [
        ('intervals_s = { "1006" = 10, "1074" = 1 }', OK, "all 2 come"),
        ('intervals_s = { "1006" = 5, "1074" = 1 }', WATCH, "slower than announced: 1006"),
        ('intervals_s = { "1006" = 10, "1084" = 1 }', BAD, "missing: 1084"),
        ('intervals_s = { "1033" = 60 }', UNKNOWN, "not heard long enough for 1033"),
        ("station = 417", OK, "station 417 as on the sheet"),
        ("station = 12", BAD, "station 417 is heard, the site sheet says 12"),
        ("", APART, "no plan"),
    ],
)
def test_messages_against_the_plan_of_the_sheet(sheet: str, state: State, words: str) -> None:
    finding = planned(sheet)
    assert finding.state is state
    assert words in finding.text


def test_the_plan_of_the_sheet_goes_before_that_of_the_base() -> None:
    assert planned("", announced=True).state is BAD  # 1033 is announced and does not come
    assert planned('intervals_s = { "1006" = 10 }', announced=True).state is OK


def usable(sheet: str, numbers: tuple[int, ...] = (1074, 1084), **told: Any) -> Finding:
    stream = base_stream(20, numbers=numbers, signals={"R": ("1C",)})
    finding = found("rover_can_use", stream, sheet=parse_sheet(f"[rover]\n{sheet}"), **told)
    assert is_complete(finding)
    return finding


@pytest.mark.parametrize(
    ("sheet", "numbers", "state"),
    [
        ("", (1074,), APART),
        ('families = ["msm"]', (1074,), OK),
        ('families = ["legacy"]', (1074,), BAD),
        ('families = ["msm"]', (1004,), BAD),
        ('families = ["msm", "legacy"]', (1004,), OK),
        ('families = ["legacy"]', (1004, 1094), WATCH),  # Galileo comes as MSM only
        ("bands = 2", (1074,), OK),
        ("bands = 2", (1074, 1084), WATCH),  # GLONASS on one band
        ("bands = 1", (1074, 1084), OK),
    ],
)
def test_families_and_bands_of_the_rover(
    sheet: str, numbers: tuple[int, ...], state: State
) -> None:
    assert usable(sheet, numbers).state is state


@pytest.mark.parametrize(
    ("systems", "state"), [('["GPS"]', OK), ('["GPS", "GAL"]', WATCH), ('["GAL"]', BAD)]
)
def test_systems_of_the_rover_on_the_sheet(systems: str, state: State) -> None:
    sheet = parse_sheet(f"[rover]\nsystems = {systems}")
    context = Context.for_site(state_of(base_stream(20, numbers=(1074,))), sheet)
    assert RULE_FUNCTIONS["rover_can_use"](context).state is state


def test_bands_do_not_apply_to_a_rover_with_one() -> None:
    stream = base_stream(20, numbers=(1074,))
    sheet = parse_sheet("[rover]\nbands = 1")
    assert found("two_bands", stream, sheet=sheet).state is APART


# ---- what a sheet feeds ------------------------------------------------------------------------


def test_options_go_before_the_sheet_and_the_sheet_before_defaults() -> None:
    state = state_of(base_stream(2, numbers=(1074,)))
    assert Context.for_site(state, None).overhead == DEFAULT_OVERHEAD
    sheet = parse_sheet('[radio]\nrate_bit_s=9600\noverhead=1.5\n[rover]\nsystems=["GAL"]')
    from_sheet = Context.for_site(state, sheet)
    assert (from_sheet.radio_rate_bit_s, from_sheet.overhead) == (9600.0, 1.5)
    assert from_sheet.systems == ("E",)
    told = Context.for_site(state, sheet, radio_rate_bit_s=19200, overhead=1.1, systems=("G",))
    assert (told.radio_rate_bit_s, told.overhead, told.systems) == (19200, 1.1, ("G",))
    repeated = Context.for_site(state, parse_sheet("[radio]\nrepeater = true"))
    assert repeated.overhead == 2 * DEFAULT_OVERHEAD
