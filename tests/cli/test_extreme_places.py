"""Bases at the poles, on the date line, at zero and zero, very high: no command fails."""

from pathlib import Path
from typing import Any

import pytest
from pyproj import Transformer

from tests.cli.conftest import Runner
from tests.streams import FOUR_SYSTEMS, antenna, base_stream, bias, data_of, every, position

ANTENNA_M = 1.652
TO_EARTH = Transformer.from_crs("EPSG:4979", "EPSG:4978", always_xy=True)
# Latitude, longitude, ellipsoidal height of the ARP.
PLACES = {
    "north pole": (90.0, 0.0, 10.0),
    "south pole": (-90.0, 120.0, 2835.0),
    "date line, east": (10.0, 180.0, 3.0),
    "date line, west": (-17.0, -180.0, 3.0),
    "zero and zero": (0.0, 0.0, 20.0),
    "equator": (0.0, -78.0, 9000.0),
    "highest": (27.9, 86.9, 9000.0),
    "lowest": (31.5, 35.5, -490.0),
}
NOWHERE = {
    "all zero": ((0.0, 0.0, 0.0), "all coordinates are zero"),
    "a step from zero": ((0.0001, 0.0, 0.0), "0 mm from the centre of the Earth"),
    "on the axis": ((0.0, 0.0, 100.0), "100.000 m from the centre of the Earth"),
    "too high": (TO_EARTH.transform(86.9, 27.9, 9001.0), "ellipsoidal height 9001.000 m"),
    "too low": (TO_EARTH.transform(35.5, 31.5, -501.0), "ellipsoidal height -501.000 m"),
    "largest of all": ((13_743_895.3471,) * 3, "ellipsoidal height 17434"),
}


def capture(path: Path, arp_m: tuple[float, float, float]) -> Path:
    """Write half a minute of a base that sends this position."""
    x, y, z = (round(value, 4) for value in arp_m)
    extras = (every(position((x, y, z), ANTENNA_M), 30, 10), every(antenna(), 30, 10),
              every(bias(), 30, 10))  # fmt: skip
    path.write_bytes(data_of(base_stream(30, numbers=FOUR_SYSTEMS, extras=extras)))
    return path


def rules(document: Any) -> dict[str, Any]:
    return {found["rule"]: found for found in document["rules"]}


@pytest.mark.slow
@pytest.mark.parametrize("name", PLACES)
def test_a_place_at_the_edge_of_the_map_is_compared_like_any_other(
    name: str, tmp_path: Path, run: Runner
) -> None:
    latitude, longitude, height_m = PLACES[name]
    path = capture(tmp_path / "job.rtcm3", TO_EARTH.transform(longitude, latitude, height_m))
    sheet = tmp_path / "edge.toml"
    sheet.write_text(
        f"[position]\nlatitude_deg = {latitude}\nlongitude_deg = {longitude}\n"
        f"ellipsoidal_height_m = {height_m - ANTENNA_M:.4f}\n[antenna]\nheight_m = {ANTENNA_M}\n",
        encoding="utf-8",
    )
    found = rules(run("check", path, "--site", sheet, "--json").json)
    assert found["position_on_earth"]["state"] == "ok"
    assert found["position_on_earth"]["value"] == pytest.approx(height_m, abs=1e-4)
    assert found["position_matches_mark"]["state"] == "ok"
    assert found["position_matches_mark"]["value"] < 0.2  # mm: the step of 1006
    assert found["antenna_height"]["state"] == "ok"
    assert run("site", "check", sheet).code == 0
    for command in ("inspect", "decode", "diagnose", "check"):
        assert run(command, path).code in {0, 1}


@pytest.mark.slow
def test_both_sides_of_the_date_line_are_one_place(tmp_path: Path, run: Runner) -> None:
    path = capture(tmp_path / "job.rtcm3", TO_EARTH.transform(180.0, 10.0, 3.0 + ANTENNA_M))
    sheet = tmp_path / "edge.toml"
    for longitude in (180.0, -180.0, 179.9999999995):
        sheet.write_text(
            f"[position]\nlatitude_deg = 10.0\nlongitude_deg = {longitude}\n"
            f"ellipsoidal_height_m = 3.0\n[antenna]\nheight_m = {ANTENNA_M}\n",
            encoding="utf-8",
        )
        found = rules(run("check", path, "--site", sheet, "--json").json)
        assert found["position_matches_mark"]["state"] == "ok"


@pytest.mark.slow
@pytest.mark.parametrize("name", NOWHERE)
def test_what_is_no_place_is_bad_and_said_in_words(name: str, tmp_path: Path, run: Runner) -> None:
    arp_m, words = NOWHERE[name]
    path = capture(tmp_path / "job.rtcm3", arp_m)
    sheet = tmp_path / "edge.toml"
    sheet.write_text(
        "[position]\nlatitude_deg = 10.0\nlongitude_deg = 20.0\nellipsoidal_height_m = 3.0\n"
        "[antenna]\nheight_m = 1.652\n",
        encoding="utf-8",
    )
    done = run("check", path, "--site", sheet, "--json")
    assert done.code == 1
    assert "NaN" not in done.out
    found = rules(done.json)
    assert found["position_on_earth"]["state"] == "bad"
    assert words in found["position_on_earth"]["text"]
    assert found["position_matches_mark"]["state"] == "bad"
    for command in ("inspect", "decode", "diagnose", "check"):
        shown = run(command, path, *(["--site", sheet] if command in {"check", "diagnose"} else []))
        assert shown.code in {0, 1}
        assert " nan " not in shown.out
