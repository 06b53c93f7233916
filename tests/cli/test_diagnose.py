"""`diagnose`: its options, files mixed up, exit codes, and live sources."""

from collections.abc import Callable
from dataclasses import replace
from io import BytesIO, TextIOWrapper
from pathlib import Path

import numpy as np
import pytest

from rtcmtool.simulation.faults import make_fault
from rtcmtool.simulation.run import Piece, Port, Simulation
from rtcmtool.simulation.scenario import Base
from tests.cli.conftest import Runner
from tests.cli.listening_time import ListeningTime
from tests.cli.servers import ScriptOf, address
from tests.conftest import PROJECT
from tests.diagnosis.simulated_faults import in_local_time, playing
from tests.monitor.test_rover_state import gga, sentence
from tests.sources.conftest import Server
from tests.streams import base_stream, data_of

Write = Callable[..., Path]
CAPTURES = PROJECT / "captures"


def bytes_at(pieces: list[Piece], port: Port) -> bytes:
    return b"".join(piece.data for piece in pieces if piece.port is port)


@pytest.fixture(scope="module")
def float_files(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, Path]:
    """Give a base of one band: stream, the rover's log, the rover's own measurements."""
    folder = tmp_path_factory.mktemp("float")
    pieces = list(Simulation(playing(make_fault("one-band"), duration_s=90.0)).pieces())
    paths = []
    for name, port in (("s.rtcm3", Port.ROVER), ("r.nmea", Port.NMEA), ("raw.rtcm3", Port.RAW)):
        paths.append(folder / name)
        paths[-1].write_bytes(bytes_at(pieces, port))
    return paths[0], paths[1], paths[2]


DAY = ("--date", "2026-03-04")


def test_stream_and_log_give_the_problem_and_its_cause(
    run: Runner, float_files: tuple[Path, Path, Path]
) -> None:
    stream, log, _ = float_files
    done = run("diagnose", stream, "--rover", log, *DAY)
    assert done.code == 0
    assert done.lines[0].startswith("FLOAT")
    assert any(line.startswith("1 PROVEN    the base sends one frequency") for line in done.lines)


def test_the_document_names_the_cause_first(
    run: Runner, float_files: tuple[Path, Path, Path]
) -> None:
    stream, log, _ = float_files
    found = run("diagnose", stream, "--rover", log, *DAY, "--json").json
    assert (found["problem"], found["causes"][0]["cause"]) == ("float", "one_frequency")
    assert found["source"] == str(stream)
    assert found["rover"]["joined"] == "same"


def test_strict_makes_trouble_an_exit_code(
    run: Runner, float_files: tuple[Path, Path, Path], healthy: Path
) -> None:
    stream, log, _ = float_files
    done = run("diagnose", stream, "--rover", log, *DAY, "--strict", "--json")
    assert done.code == done.json["exit_code"] == 1
    assert run("diagnose", healthy, "--strict").code in {0, 1}
    assert run("diagnose", healthy).code == 0


def test_the_rover_alone_is_enough_to_tell_the_problem(
    run: Runner, float_files: tuple[Path, Path, Path]
) -> None:
    done = run("diagnose", "--rover", float_files[1])
    assert done.code == 0
    assert done.lines[0].startswith("FLOAT")
    assert "50 m" in done.out


def test_a_log_in_the_place_of_the_stream_is_recognised(
    run: Runner, float_files: tuple[Path, Path, Path]
) -> None:
    log = float_files[1]
    alone = run("diagnose", log)
    assert alone.code == 4
    assert "position output (NMEA), not the base's stream" in alone.err
    assert f"--rover {log}" in alone.err


def test_files_that_are_mixed_up_are_recognised(
    run: Runner, float_files: tuple[Path, Path, Path]
) -> None:
    stream, log, raw = float_files
    both = run("diagnose", log, "--rover", stream)
    assert both.code == 2
    assert "correction stream (RTCM 3), not a rover's position output" in both.err
    assert f"diagnose {stream} --rover {log}" in both.err
    own = run("diagnose", raw, "--rover", log, *DAY)
    assert own.code == 2
    assert "the rover's own measurements" in own.err


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"", "the file is empty"),
        (b"no log\r\n" * 9, "no line in it is NMEA"),
        (gga("065943.00").replace(b"1200", b"1300") * 3, "check sum of all 3 lines is wrong"),
        (sentence("GNGST,065943.00,5.1,,,,0.011,0.009,0.019"), "stand in GGA"),
    ],
)
def test_what_is_no_rover_log_is_refused_with_its_reason(
    run: Runner, write: Write, data: bytes, why: str
) -> None:
    done = run("diagnose", "--rover", write(data, "rover.nmea"))
    assert done.code == 2
    assert why in done.err


def test_missing_files_end_with_3_and_a_stream_without_frames_with_4(
    run: Runner, write: Write, float_files: tuple[Path, Path, Path], tmp_path: Path
) -> None:
    log = float_files[1]
    gone = tmp_path / "gone"
    assert run("diagnose", gone).code == 3
    assert run("diagnose", "--rover", gone).code == 3
    nothing = run("diagnose", write(b"", "empty.rtcm3"), "--rover", log, "--at", "rover", "--json")
    assert nothing.code == nothing.json["exit_code"] == 4
    first = nothing.json["causes"][0]
    assert (first["cause"], first["confidence"]) == ("no_link", "proven")


def test_wrong_use_is_refused(run: Runner, healthy: Path) -> None:
    for arguments in (
        (), ("--at-rover", healthy), (healthy, "--check-shot", "0.1"),
        (healthy, "--check-shot", "a,b"), (healthy, "--all-rovers", "maybe"),
        (healthy, "--distance", "-1"), (healthy, "--distance", "3e8"),
        ("--explain", "nothing"),
    ):  # fmt: skip
        assert run("diagnose", *arguments).code == 2


def test_explain_needs_no_source_and_names_the_nearest(run: Runner) -> None:
    done = run("diagnose", "--explain", "two_bands")
    assert done.code == 0
    assert done.lines[0] == "two_bands: rule 'bands'"
    assert "Did you mean 'two_bands'?" in run("diagnose", "--explain", "two_band").err


def test_a_check_shot_off_is_fixed_but_wrong(run: Runner, healthy: Path) -> None:
    done = run("diagnose", healthy, "--check-shot", "0.4,0.1")
    assert done.lines[0].startswith("FIXED, BUT CHECK FAILS   check shot 400 mm plan")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("arguments", "first"),
    [
        (("one-band.rtcm3", "--rover", "one-band-rover.nmea"), "one_frequency"),
        (("weak-radio-base.rtcm3", "--at-rover", "weak-radio.rtcm3"), "weak_path"),
        (("weak-radio.rtcm3", "--rover", "weak-radio-rover.nmea"), "weak_path"),
        (("wrong-mark.rtcm3", "--site", "hillcrest.toml"), "base_slightly_wrong"),
        (("two-bases.rtcm3", "--site", "hillcrest.toml"), "two_bases"),
        (("too-much.rtcm3", "--radio-rate", "9600"), "overloaded"),
        (("dead-battery.rtcm3",), "power_sag"),
        (("false-bias.rtcm3", "--site", "hillcrest.toml"), "glonass_bias"),
        (("new-average.rtcm3",), "base_averaged"),
        (("healthy.rtcm3", "--at", "base", "--site", "hillcrest.toml"), None),
    ],
)
def test_the_demo_captures_are_diagnosed(
    run: Runner, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...], first: str | None
) -> None:
    monkeypatch.chdir(CAPTURES)
    causes = run("diagnose", *arguments, "--json").json["causes"]
    claimed = [c for c in causes if c["confidence"] in {"proven", "likely", "possible"}]
    assert (claimed[0]["cause"] if claimed else None) == first


@pytest.mark.slow
def test_stream_and_rover_are_listened_to_live(
    run: Runner, serve: Callable[..., Server], listening_time: ListeningTime
) -> None:
    pieces = list(Simulation(playing(make_fault("no-position"), duration_s=100.0)).pieces())

    def sender(port: Port) -> ScriptOf:
        own = [piece for piece in pieces if piece.port is port]
        groups = np.array_split(np.arange(len(own)), 15)
        joined = (b"".join(own[int(index)].data for index in group) for group in groups)
        return listening_time.sends(*joined, every_s=0.2)

    stream, rover = address(serve(sender(Port.ROVER))), address(serve(sender(Port.NMEA)))
    done = run("diagnose", stream, "--rover", rover, "--duration", "4s", "--json")
    found = done.json
    assert found["problem"] == "no-rtk"
    assert found["rover"]["fixes"] > 50
    assert found["rover"]["joined"] == "together"


def test_file_and_port_are_of_different_times(run: Runner, healthy: Path) -> None:
    done = run("diagnose", healthy, "--rover", "tcp://127.0.0.1:9")
    assert done.code == 2
    assert "different times" in done.err


# ---- files that do not belong together, or not in this order


@pytest.fixture(scope="module")
def two_ends(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, Path]:
    """Give a busy channel: the base's own output, what the rover's radio heard, the rover's log."""
    folder = tmp_path_factory.mktemp("ends")
    pieces = list(Simulation(playing(make_fault("busy-channel"), duration_s=100.0)).pieces())
    paths = []
    for name, port in (("b.rtcm3", Port.BASE), ("r.rtcm3", Port.ROVER), ("r.nmea", Port.NMEA)):
        paths.append(folder / name)
        paths[-1].write_bytes(bytes_at(pieces, port))
    return paths[0], paths[1], paths[2]


def test_base_and_rover_ends_changed_over_are_refused(
    run: Runner, two_ends: tuple[Path, Path, Path]
) -> None:
    base, radio, _ = two_ends
    done = run("diagnose", radio, "--at-rover", base, *DAY)
    assert done.code == 2
    assert "changed over" in done.err
    assert f"diagnose {base} --at-rover {radio}" in done.err
    assert run("diagnose", base, "--at-rover", radio, *DAY).code == 0
    assert run("diagnose", base, "--at-rover", base, *DAY).code == 0


def test_two_ends_of_different_days_are_refused(
    run: Runner, two_ends: tuple[Path, Path, Path], write: Write
) -> None:
    later = replace(playing(), duration_s=30.0, start_utc_ns=playing().start_utc_ns + 7200 * 10**9)
    other = write(bytes_at(list(Simulation(later).pieces()), Port.ROVER), "later.rtcm3")
    done = run("diagnose", two_ends[0], "--at-rover", other, *DAY)
    assert done.code == 2
    assert "of different times" in done.err


def test_a_rovers_log_is_no_other_end_and_two_of_a_kind_are_told(
    run: Runner, two_ends: tuple[Path, Path, Path]
) -> None:
    base, radio, log = two_ends
    other_end = run("diagnose", base, "--at-rover", log)
    assert other_end.code == 2
    assert f"--rover {log}" in other_end.err
    streams = run("diagnose", base, "--rover", radio)
    assert streams.code == 2
    assert f"diagnose {base} --at-rover {radio}" in streams.err
    logs = run("diagnose", log, "--rover", log)
    assert logs.code == 4
    assert f"diagnose STREAM --rover {log}" in logs.err


# ---- the rover's log in time


@pytest.mark.parametrize("hours", [2, -3])
def test_a_log_in_local_time_is_recognised_by_its_satellites(
    run: Runner, float_files: tuple[Path, Path, Path], write: Write, hours: int
) -> None:
    stream, log, _ = float_files
    local = write(in_local_time(log.read_bytes(), hours), "local.nmea")
    done = run("diagnose", stream, "--rover", local, *DAY, "--json").json
    assert (done["rover"]["joined"], done["rover"]["time_zone_h"]) == ("zone", hours)
    assert done["rover"]["joined_by_sky"]
    assert done["causes"][0]["cause"] == "one_frequency"
    assert any(f"another time zone ({hours:+d} h" in note for note in done["notes"])


def test_a_log_of_another_day_is_not_joined_and_gives_no_more_than_possible(
    run: Runner, float_files: tuple[Path, Path, Path]
) -> None:
    stream, log, _ = float_files
    done = run("diagnose", stream, "--rover", log, "--date", "2026-03-11", "--json").json
    assert done["rover"]["joined"] == "apart"
    assert any("of another time than the stream" in note for note in done["notes"])
    confidences = {c["confidence"] for c in done["causes"] if c["cause"] != "wrong_time"}
    assert not confidences & {"proven", "likely"}


def test_wrong_check_sums_and_cut_lines_are_counted_and_said(
    run: Runner, float_files: tuple[Path, Path, Path], write: Write
) -> None:
    stream, log, _ = float_files
    lines = log.read_bytes().splitlines(keepends=True)
    wrong = [line.replace(b",", b",9", 1) if n % 20 == 7 else line for n, line in enumerate(lines)]
    torn = write(b"".join(wrong)[:-20] + b"\r\n,,,no beginning\r\n", "torn.nmea")
    found = run("diagnose", stream, "--rover", torn, *DAY, "--json").json
    assert found["problem"] == "float"
    assert found["rover"]["wrong_check_sums"] >= len(lines) // 20
    assert found["rover"]["unreadable_lines"] >= 1
    assert any("wrong check sum left out" in note for note in found["notes"])
    assert any("cut or unreadable" in note for note in found["notes"])


def test_a_log_without_a_date_says_what_it_was_taken_for(
    run: Runner, float_files: tuple[Path, Path, Path], write: Write
) -> None:
    stream, log, _ = float_files
    lines = [line for line in log.read_bytes().splitlines(keepends=True) if b"RMC" not in line]
    done = run("diagnose", stream, "--rover", write(b"".join(lines), "undated.nmea"), *DAY)
    assert "tells no date" in done.out


# ---- too little, or at the edge


@pytest.mark.slow
@pytest.mark.parametrize(
    ("latitude_deg", "longitude_deg", "height_m"),
    [(89.9, 10.0, 5.0), (-12.0, 180.0, 20.0), (-12.0, -179.99999, 20.0), (27.9, 86.9, 8998.0)],
)
def test_a_base_at_the_edge_of_the_world_is_judged_as_any_other(
    run: Runner, write: Write, latitude_deg: float, longitude_deg: float, height_m: float
) -> None:
    place = Base(latitude_deg, longitude_deg, height_m, 1.0)
    pieces = list(Simulation(replace(playing(duration_s=70.0), base=place)).pieces())
    stream = write(bytes_at(pieces, Port.ROVER))
    log = write(bytes_at(pieces, Port.NMEA), "rover.nmea")
    found = run("diagnose", stream, "--rover", log, *DAY, "--json").json
    assert found["problem"] == "fixed"
    claimed = [c for c in found["causes"] if c["confidence"] in {"proven", "likely", "possible"}]
    assert not claimed
    assert abs(found["rover"]["distance_m"] - 1743.0) < 1.0  # sqrt(1480^2 + 920^2 + 34^2)


def test_one_satellite_is_told_as_too_few_and_nothing_else_is_claimed_of_it(
    run: Runner, write: Write
) -> None:
    data = data_of(base_stream(90, satellites={"GPS": 1}, numbers=(1074,)))
    found = run("diagnose", write(data), "--json", *DAY).json
    claimed = [c for c in found["causes"] if c["confidence"] in {"proven", "likely", "possible"}]
    assert claimed[0]["cause"] == "few_satellites"
    assert {c["cause"] for c in claimed} <= {"few_satellites", "one_frequency"}
    assert found["problem"] == "not-known"


@pytest.mark.slow
def test_several_bases_on_a_pipe_are_told_apart_without_reading_twice(
    run: Runner, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fault = make_fault("two-bases", 30.0)
    data = bytes_at(list(Simulation(playing(fault, duration_s=100.0)).pieces()), Port.ROVER)
    stream = tmp_path / "two.rtcm3"
    stream.write_bytes(data)
    from_file = run("diagnose", stream, "--at", "rover", *DAY, "--json").json
    monkeypatch.setattr("sys.stdin", TextIOWrapper(BytesIO(data)))
    piped = run("diagnose", "-", "--at", "rover", *DAY, "--json").json
    assert [(c["cause"], c["confidence"]) for c in piped["causes"]] == [
        (c["cause"], c["confidence"]) for c in from_file["causes"]
    ]
    assert piped["causes"][0]["cause"] == "two_bases"
