"""`diagnose`: its options, files mixed up, exit codes, and live sources."""

import socket
import threading
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from rtcmtool.simulation.faults import make_fault
from rtcmtool.simulation.run import Piece, Port, Simulation
from tests.cli.conftest import Runner
from tests.conftest import PROJECT
from tests.diagnosis.simulated_faults import playing
from tests.monitor.test_rover_state import gga, sentence

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
        (healthy, "--distance", "-1"), ("--explain", "nothing"),
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
def test_stream_and_rover_are_listened_to_live(run: Runner, serve: Callable[..., object]) -> None:
    pieces = list(Simulation(playing(make_fault("no-position"), duration_s=100.0)).pieces())

    def sender(port: Port) -> Callable[..., None]:
        own = [piece for piece in pieces if piece.port is port]

        def send(connection: socket.socket) -> None:
            done = threading.Event()
            for group in np.array_split(np.arange(len(own)), 15):
                connection.sendall(b"".join(own[int(index)].data for index in group))
                done.wait(0.1)
            done.wait(3.0)

        return send

    stream, rover = serve(sender(Port.ROVER)), serve(sender(Port.NMEA))
    done = run(
        "diagnose", f"tcp://127.0.0.1:{stream.port}", "--rover",  # type: ignore[attr-defined]
        f"tcp://127.0.0.1:{rover.port}", "--duration", "2s", "--json",  # type: ignore[attr-defined]
    )  # fmt: skip
    found = done.json
    assert found["problem"] == "no-rtk"
    assert found["rover"]["fixes"] > 50
    assert found["rover"]["joined"] == "together"


@pytest.mark.slow
def test_file_and_port_are_of_different_times(run: Runner, healthy: Path) -> None:
    done = run("diagnose", healthy, "--rover", "tcp://127.0.0.1:9")
    assert done.code == 2
    assert "different times" in done.err
