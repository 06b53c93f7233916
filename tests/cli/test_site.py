"""`site new`, `site check`, and what `check` makes of a site sheet."""

import io
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from rtcmtool.diagnosis.sheet_parsing import parse_sheet
from rtcmtool.diagnosis.site_sheet import SiteSheet
from tests.cli.conftest import Runner
from tests.diagnosis.test_mark_rules import MARK, TAPED, place
from tests.streams import FOUR_SYSTEMS, antenna, base_stream, bias, data_of, every, position

Write = Callable[..., Path]


class Terminal(io.StringIO):
    """Standard input that somebody types on."""

    def isatty(self) -> bool:
        return True


@pytest.fixture
def sheet(here: Path) -> Path:
    """Give the sheet of the mark under the made base."""
    path = here / "quarry.toml"
    text = '[site]\nname = "Hillcrest Quarry"\n' + MARK + TAPED
    path.write_text(text + "[messages]\nstation = 417\n", encoding="utf-8")
    return path


def capture(path: Path, arp_m: Any, height_m: float | None = 1.652) -> Path:
    """Write a minute of a base that sends this position."""
    extras = (every(position(arp_m, height_m), 60, 10), every(antenna(), 60, 10),
              every(bias(), 60, 10))  # fmt: skip
    path.write_bytes(data_of(base_stream(60, numbers=FOUR_SYSTEMS, extras=extras)))
    return path


# ---- site new ----------------------------------------------------------------------------------


def test_without_a_terminal_a_commented_template_is_written(here: Path, run: Runner) -> None:
    done = run("site", "new")
    assert (done.code, done.out) == (0, "site.toml\n")
    assert "rtcmtool site check site.toml" in done.err
    text = (here / "site.toml").read_text(encoding="utf-8")
    assert "# height_m = 1.652" in text
    assert parse_sheet(text) == SiteSheet()
    assert run("site", "check").code == 0


def test_six_questions_are_asked_on_a_terminal(
    here: Path, run: Runner, monkeypatch: pytest.MonkeyPatch
) -> None:
    answers = "Quarry\nmark\n12.0 -34.0 600000\n12.0 -34.0 60\n1.652\n\n19200\n"
    monkeypatch.setattr(sys, "stdin", Terminal(answers))
    done = run("site", "new", "quarry.toml")
    assert done.code == 0
    assert "1 of 6  Name of the site" in done.err
    assert "position.ellipsoidal_height_m = 600000 is impossible." in done.err  # and asked again
    sheet = parse_sheet((here / "quarry.toml").read_text(encoding="utf-8"))
    assert sheet.name == "Quarry"
    assert sheet.known_mark is not None
    assert sheet.antenna.name is None
    assert sheet.radio.rate_bit_s == 19200


def test_only_empty_answers_make_an_empty_sheet(
    here: Path, run: Runner, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", Terminal("\nm\n\n\n\n\n"))
    assert run("site", "new").code == 0
    assert parse_sheet((here / "site.toml").read_text(encoding="utf-8")) == SiteSheet()


def test_questions_that_are_broken_off_leave_no_file(
    here: Path, run: Runner, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", Terminal("Quarry\n"))
    assert run("site", "new").code == 2
    assert not list(here.iterdir())


def test_nothing_is_ever_overwritten(sheet: Path, run: Runner) -> None:
    before = sheet.read_bytes()
    done = run("site", "new", sheet)
    assert done.code == 2
    assert "is there already; nothing was written" in done.err
    assert sheet.read_bytes() == before


def test_a_folder_that_is_not_there_cannot_be_written_to(here: Path, run: Runner) -> None:
    assert run("site", "new", here / "no" / "site.toml").code == 2


# ---- site check --------------------------------------------------------------------------------


def test_a_sheet_says_mark_antenna_and_arp(sheet: Path, run: Runner) -> None:
    done = run("site", "check", sheet)
    assert done.code == 0
    x, y, z = place()
    for words in (
        "Hillcrest Quarry",
        "12.000000000 N  34.000000000 W  60.000 m ellipsoidal",
        "12 00' 00.00000\" N  34 00' 00.00000\" W",
        "1.652 m (5.42 ft) above the mark",
        f"X {x:.4f}  Y {y:.4f}  Z {z:.4f} m",
        "417",
    ):
        assert words in done.out


def test_a_grid_sheet_says_degrees_scale_and_datum(here: Path, run: Runner) -> None:
    path = here / "grid.toml"
    path.write_text(
        '[position]\neasting_m=360580.5941\nnorthing_m=3910351.4639\nheight_m=11.764\n'
        'crs="EPSG:32654"\nheight_kind="levelled"\ngeoid_separation_m=39.0\n'
        "[antenna]\nheight_m=1.8527\nmeasured='slant'\nslant_radius_m=0.1905\n"
        "slant_mark_above_arp_m=0.035\nsecond_height_m=1.8547\n",
        encoding="utf-8",
    )  # fmt: skip
    out = run("site", "check", path).out
    # degrees, scale and convergence: check values of the transformation library; 1.8079 m: worked
    # example of an archive
    for words in (
        "35.326685025 N  139.466083411 E  50.764 m ellipsoidal",
        "scale 0.99983955, grid north -0.887111 degrees",
        "11.764 m levelled, +39.000 m geoid separation",
        "1.808 m (5.93 ft) above the mark",
        "slant of 1.853 m (6.08 ft)",
        "second height 1.810 m (5.94 ft): +2 mm",
    ):
        assert words in out
    assert "outside the area" not in out
    path.write_text(path.read_text(encoding="utf-8").replace("360580", "960580"), encoding="utf-8")
    assert "km outside the area that this grid is made for" in run("site", "check", path).out
    old = '[position]\neasting_m=530000\nnorthing_m=180000\nheight_m=6\ncrs="EPSG:27700"\n'
    path.write_text(old, encoding="utf-8")
    assert "changed by: " in run("site", "check", path).out


UNTOLD = "[position]\neasting_m=360580.5941\nnorthing_m={}\nheight_m=11.764\ncrs='EPSG:32654'\n"


def test_a_grid_height_of_untold_kind_is_remarked_with_its_key(here: Path, run: Runner) -> None:
    path = here / "grid.toml"
    path.write_text(UNTOLD.format(3910351.4639), encoding="utf-8")
    out = " ".join(run("site", "check", path).out.split())
    assert "height_m = 11.764 was taken as ellipsoidal, as height_kind is missing" in out
    assert 'write height_kind = "levelled" with geoid_separation_m' in out
    assert run("site", "check", path, "--json").json["height_kind"] is None
    path.write_text(path.read_text("utf-8") + "height_kind='ellipsoidal'\n", encoding="utf-8")
    assert "height_kind" not in run("site", "check", path).out
    assert run("site", "check", path, "--json").json["height_kind"] == "ellipsoidal"


def test_a_mark_far_outside_its_grid_is_an_error_of_the_sheet(here: Path, run: Runner) -> None:
    path = here / "grid.toml"
    path.write_text(UNTOLD.format(-3910351.4639), encoding="utf-8")
    done = run("site", "check", path)
    assert (done.code, done.out) == (2, "")
    assert "line 2: position.easting_m = 360580.5941, position.northing_m = -3910351" in done.err
    assert "turn the sign of northing_m: then the mark lies in the area." in done.err
    job = capture(here / "job.rtcm3", place())
    assert run("check", job, "--site", path).code == 2


def test_a_long_line_is_wrapped_between_words_under_its_own_column(
    sheet: Path, run: Runner, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.chdir(sheet.parent)  # the name of the file is not broken, however long
    lines = run("site", "check", sheet.name).out.splitlines()
    assert max(map(len, lines)) <= 80
    place = next(i for i, line in enumerate(lines) if line.startswith("            X "))
    assert lines[place].endswith("what 1005 and")
    assert lines[place + 1] == "            1006 should say"


def test_a_sheet_as_a_document(sheet: Path, run: Runner) -> None:
    document = run("site", "check", sheet, "--json").json
    assert document["site"] == "Hillcrest Quarry"
    assert document["arp_ecef_m"] == pytest.approx(place(), abs=1e-6)
    assert document["antenna_height_m"] == 1.652
    assert document["datum_operation"] is None


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"[antenna]\nheigt_m = 1\n", "line 2: there is no key 'antenna.heigt_m'."),
        (b"[antenna]\nheight_m = -1\n", "line 2: antenna.height_m = -1 is impossible."),
        (b"height: 3\n", "line 1: this is no TOML"),
        (b"\xff\xfe\x00", "is no text in UTF-8"),
        (b"\xd3\x00\x13\x3e\xd7", "is no text in UTF-8"),
        (b"name = 'a'\0", "is no site sheet"),
        (b'[position]\nmarks_csv = "gone.csv"\n', "gone.csv cannot be read"),
    ],
)
def test_a_sheet_that_does_not_hold_names_file_line_and_key(
    here: Path, run: Runner, content: bytes, told: str
) -> None:
    path = here / "bad.toml"
    path.write_bytes(content)
    done = run("site", "check", path)
    assert done.code == (3 if "gone" in told else 2)
    assert told in done.err
    assert done.out == ""
    assert ("gone.csv" if "gone" in told else "bad.toml") in done.err
    assert ("correct position.marks_csv" in done.err) is ("gone" in told)
    assert any(line.startswith("  do    ") for line in done.err.splitlines())


@pytest.mark.parametrize(
    ("second", "told"),
    [("1.653", "+1 mm"), ("1.655", "the two disagree: tape again"),
     ("5.42", "which is the first in feet: write metres")],
)  # fmt: skip
def test_two_taped_heights_that_disagree_are_told(
    here: Path, run: Runner, second: str, told: str
) -> None:
    path = here / "site.toml"
    path.write_text(f"[antenna]\nheight_m = 1.652\nsecond_height_m = {second}\n", "utf-8")
    out = " ".join(run("site", "check", path).out.split())
    assert told in out
    assert ("disagree" in out) is ("disagree" in told)


def test_a_levelled_height_in_a_compound_grid_is_asked_for(here: Path, run: Runner) -> None:
    path = here / "site.toml"
    path.write_text(
        "[position]\neasting_m=500000\nnorthing_m=5500000\nheight_m=3\ncrs='EPSG:5555'\n", "utf-8"
    )
    done = run("site", "check", path)
    assert done.code == 2
    assert "position.height_kind is missing" in done.err
    assert "DHHN92 height" in done.err
    assert [line[:8] for line in done.err.splitlines()[1:]] == ["  why   ", "  do    "]


def test_an_empty_sheet_is_one_and_a_folder_or_a_missing_file_is_none(
    here: Path, run: Runner
) -> None:
    (here / "empty.toml").touch()
    done = run("site", "check", here / "empty.toml")
    assert done.code == 0
    assert "not compared" in done.out
    assert run("site", "check", here).code == 3
    assert run("site", "check", here / "gone.toml").code == 3
    assert run("site").code == 2
    assert run("site", "remove").code == 2


def test_the_list_of_marks_lies_beside_the_sheet(
    sheet: Path, run: Runner, monkeypatch: pytest.MonkeyPatch, tmp_path_factory: Any
) -> None:
    text = sheet.read_text(encoding="utf-8").replace("[position]", '[position]\nmarks_csv="m.csv"')
    sheet.write_text(text, encoding="utf-8")
    (sheet.parent / "m.csv").write_text(
        "name,latitude_deg,longitude_deg,ellipsoidal_height_m\nA,1,2,3\n", encoding="utf-8"
    )
    monkeypatch.chdir(tmp_path_factory.mktemp("elsewhere"))
    assert "1 near by, from m.csv" in run("site", "check", sheet).out
    (sheet.parent / "m.csv").write_text("a;b\n", encoding="utf-8")
    done = run("site", "check", sheet)
    assert done.code == 2
    assert "m.csv, line 1: the column name is missing." in done.err


# ---- check with a sheet ------------------------------------------------------------------------


def rule(document: Any, name: str) -> Any:
    return next(found for found in document["rules"] if found["rule"] == name)


def test_check_compares_with_the_sheet_and_names_it(sheet: Path, run: Runner, here: Path) -> None:
    job = capture(here / "job.rtcm3", place())
    done = run("check", job, "--site", sheet)
    assert done.code == 0
    assert "GO - fit to leave" in done.out
    assert "Hillcrest Quarry, base 417" in done.out
    assert "0 mm plan, 0 mm height" in done.out
    assert "sent 1.652 m (5.42 ft)" in done.out
    assert f"Site sheet {sheet}" in done.err
    document = run("check", job, "--site", sheet, "--json").json
    assert document["site"] == "Hillcrest Quarry"
    assert rule(document, "position_matches_mark")["state"] == "ok"
    assert rule(document, "antenna_height")["values"]["taped_m"] == 1.652


def test_a_height_left_out_is_a_no_go_with_what_to_do(sheet: Path, run: Runner, here: Path) -> None:
    job = capture(here / "job.rtcm3", place(up_m=0.0), 0.0)
    done = run("check", job, "--site", sheet)
    assert done.code == 1
    assert "NO-GO - do not leave yet: 2 faults" in done.out
    assert "1.652 m too low" in done.out
    words = " ".join(done.out.split())
    assert "Enter 1.652 m (5.42 ft) in the base and check again." in words
    assert "every point would be 1.652 m too low (E 0 mm, N 0 mm, U -1.652 m)." in words
    found = rule(run("check", job, "--site", sheet, "--json").json, "position_matches_mark")
    assert (found["state"], found["limit"], found["unit"]) == ("bad", 20.0, "mm")
    assert found["values"]["height"] == pytest.approx(-1652.0, abs=0.1)


def test_a_sheet_in_the_folder_is_used_and_named(sheet: Path, run: Runner, here: Path) -> None:
    job = capture(here / "job.rtcm3", place(east_m=2.0))
    assert run("check", job).code == 0
    sheet.rename(here / "site.toml")
    done = run("check", job)
    assert done.code == 1
    assert "Site sheet site.toml" in done.err
    assert run("check", job, "--quiet").err == ""


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", "no mark on the site sheet"),
        ('[position]\nkind = "averaged"\n', "averaged position: calibrate the rover"),
    ],
)
def test_the_headline_says_why_nothing_was_compared(
    here: Path, run: Runner, text: str, reason: str
) -> None:
    (here / "site.toml").write_text(text, encoding="utf-8")
    done = run("check", capture(here / "job.rtcm3", place()))
    assert done.code == 0
    assert f"position not compared ({reason}" in " ".join(done.out.split())


def test_a_watch_stands_in_the_headline(sheet: Path, run: Runner, here: Path) -> None:
    done = run("check", capture(here / "job.rtcm3", place(east_m=0.009)), "--site", sheet)
    assert done.code == 0
    assert "position 9 mm plan, 0 mm height, look at it" in " ".join(done.out.split())
    assert run("check", here / "job.rtcm3", "--site", sheet, "--strict").code == 1


def test_the_radio_rate_and_the_limits_of_the_sheet_are_used(
    sheet: Path, run: Runner, here: Path
) -> None:
    job = capture(here / "job.rtcm3", place(east_m=0.009))
    text = sheet.read_text(encoding="utf-8")
    more = "[radio]\nrate_bit_s = 19200\n[limits]\nposition_matches_mark = 10\n"
    sheet.write_text(text + more, encoding="utf-8")
    document = run("check", job, "--site", sheet, "--json").json
    assert rule(document, "air_time")["values"]["radio_rate_bit_s"] == 19200
    assert rule(document, "air_time")["values"]["overhead"] == 1.3
    changed = rule(document, "position_matches_mark")
    assert (changed["state"], changed["limit"]) == ("ok", 10.0)
    assert changed["basis"].startswith("site sheet; ")
    assert not rule(document, "antenna_height")["basis"].startswith("site sheet")
    (line,) = (line for line in run("check", job, "--site", sheet).out.splitlines()
               if "position = known mark" in line)  # fmt: skip
    assert line.rstrip().endswith("10 mm")
    told = run("check", job, "--site", sheet, "--radio-rate", "9600", "--json").json
    assert rule(told, "air_time")["values"]["radio_rate_bit_s"] == 9600


def test_a_sheet_that_does_not_hold_stops_the_check(here: Path, run: Runner) -> None:
    job = capture(here / "job.rtcm3", place())
    (here / "site.toml").write_text("[antenna]\nheight_m = 1000\n", encoding="utf-8")
    done = run("check", job)
    assert (done.code, done.out) == (2, "")
    assert "site.toml, line 2: antenna.height_m = 1000 is impossible." in done.err
    assert run("check", job, "--site", here / "gone.toml").code == 3


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="the superuser may read all")
def test_a_sheet_that_may_not_be_read_says_so(sheet: Path, run: Runner) -> None:
    sheet.chmod(0)
    assert run("site", "check", sheet).code == 3
