"""The template of the site sheet, and the answers of the six questions."""

import re
import tomllib

import pytest

from rtcmtool.diagnosis.sheet_parsing import SECTIONS, parse_sheet
from rtcmtool.diagnosis.site_sheet import SiteSheet
from rtcmtool.diagnosis.site_template import QUESTIONS, read_answer, template, written
from rtcmtool.errors import UsageError

ANSWERS = ('Quarry "Süd"', "m", "12.0 -34.0 60", "5.42 ft", "SURVEYANT-1     NONE", "19 200")


def test_the_empty_template_is_an_empty_sheet() -> None:
    assert parse_sheet(template()) == SiteSheet()


def test_every_key_of_the_sheet_stands_in_the_template_with_a_sample_that_holds() -> None:
    text = template()
    for section, readers in SECTIONS.items():
        part = text.split(f"[{section}]")[1].split("\n[")[0]
        assert re.findall(r"^# ([a-z_]+) = ", part, re.MULTILINE) == list(readers)
    grid = re.sub(r"^# ([a-z_]+ = )", r"\1", text, flags=re.MULTILINE)
    without = ("latitude_deg", "longitude_deg", "ellipsoidal_height_m", "height_ft", "foot")
    lines = [line for line in grid.splitlines() if not line.startswith(without)]
    sheet = parse_sheet("\n".join(lines).replace('"ellipsoidal" ', '"levelled" '))
    mark = sheet.known_mark
    assert mark is not None
    # the grid sample is the degrees sample, and the levelled height is that of the ellipsoidal one
    assert mark.latitude_deg == pytest.approx(12.345678901, abs=1e-9)
    assert mark.longitude_deg == pytest.approx(-34.567890123, abs=1e-9)
    assert mark.ellipsoidal_height_m == pytest.approx(65.432)
    assert sheet.limits


def test_the_six_answers_make_a_sheet() -> None:
    assert len(QUESTIONS) == 6
    values: dict[str, object] = {}
    for question, answer in zip(QUESTIONS, ANSWERS, strict=True):
        values |= read_answer(question, f"  {answer}\n")
    sheet = parse_sheet(template(values))
    assert sheet.name == 'Quarry "Süd"'
    assert sheet.known_mark is not None
    assert sheet.known_mark.longitude_deg == -34.0
    assert sheet.antenna.vertical_height_m == pytest.approx(1.652016)
    assert sheet.antenna.name == "SURVEYANT-1     NONE"
    assert sheet.radio.rate_bit_s == 19200


def test_an_empty_answer_leaves_the_key_out() -> None:
    assert all(read_answer(question, " \n") == {} for question in QUESTIONS)


@pytest.mark.parametrize(
    ("place", "answer", "values"),
    [
        (1, "averaged", {"position.kind": "averaged"}),
        (2, "360580.5941, 3910351.4639, 50.764 EPSG:32654",
         {"position.easting_m": 360580.5941, "position.northing_m": 3910351.4639,
          "position.height_m": 50.764, "position.crs": "EPSG:32654"}),
        (3, "1.652", {"antenna.height_m": 1.652}),
        (3, "1.652 m", {"antenna.height_m": 1.652}),
        (3, "5.42ft", {"antenna.height_ft": 5.42}),
        (5, "9600 bit/s", {"radio.rate_bit_s": 9600.0}),
    ],
)  # fmt: skip
def test_answers_in_several_forms(place: int, answer: str, values: dict[str, object]) -> None:
    assert read_answer(QUESTIONS[place], answer) == values


@pytest.mark.parametrize(
    ("place", "answer", "told"),
    [
        (0, "\x1b[2J", "site.name"),
        (1, "perhaps", "write m for a known mark"),
        (2, "12.0 -34.0", "write three numbers"),
        (2, "12,5 -34,0 60", "write three numbers"),
        (2, "north west high", "write three numbers"),
        (2, "91 0 0", "position.latitude_deg = 91 is impossible."),
        (2, "1 2 3 EPSG:1", "there is no coordinate system"),
        (3, "waist-high", "write 1.652, or 5.42 ft"),
        (3, "-1", "antenna.height_m = -1 is impossible."),
        (3, "nan", "antenna.height_m = nan is impossible."),
        (5, "fast", "write 9600 or 19200"),
        (5, "0", "radio.rate_bit_s = 0 is impossible."),
    ],
)
def test_an_answer_that_cannot_be_is_refused(place: int, answer: str, told: str) -> None:
    with pytest.raises(UsageError) as refused:
        read_answer(QUESTIONS[place], answer)
    assert told in str(refused.value)
    assert not str(refused.value).startswith("line")


@pytest.mark.parametrize("text", ['a"b', "back\\slash", "\u00fc\u65e5", "tab\tend", "del\x7f"])
def test_a_text_is_written_as_the_library_reads_it(text: str) -> None:
    assert tomllib.loads(f"name = {written(text)}") == {"name": text}
