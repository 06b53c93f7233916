"""`inspect`: one frame by its number, place or kind, damaged ones and noise too."""

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.conftest import Runner
from tests.strategies import STATION_POSITION, TEXT
from tests.streams import base_stream, data_of, observed

Write = Callable[..., Path]
HEX = STATION_POSITION.hex()


@pytest.fixture
def mixed(write: Write) -> Path:
    """Give a file: position, noise, damaged position, text."""
    broken = bytearray(STATION_POSITION)
    broken[12] ^= 4
    return write(STATION_POSITION + b"noise" + bytes(broken) + TEXT)


DAMAGED_AT, TEXT_AT = 30, 55


@pytest.mark.parametrize(
    ("arguments", "frame", "offset", "number"),
    [
        ((), 1, 0, 1005),
        (("--frame", 1), 1, 0, 1005),
        (("--frame", 2), 2, TEXT_AT, 1029),
        (("--number", 1029), 2, TEXT_AT, 1029),
        (("--offset", 0), 1, 0, 1005),
        (("--offset", TEXT_AT), 2, TEXT_AT, 1029),
        (("--offset", 24), 1, 0, 1005),  # any byte of a frame leads to it
        (("--next",), 2, TEXT_AT, 1029),
        (("--frame", 1, "--next"), 2, TEXT_AT, 1029),
        (("--number", 1005, "--next"), 2, TEXT_AT, 1029),
        (("--offset", DAMAGED_AT), None, DAMAGED_AT, 1005),
        (("--offset", DAMAGED_AT, "--next"), 2, TEXT_AT, 1029),
    ],
)
def test_a_frame_is_found(
    run: Runner,
    mixed: Path,
    arguments: tuple[object, ...],
    frame: int | None,
    offset: int,
    number: int,
) -> None:
    done = run("inspect", mixed, "--json", *arguments)
    assert (done.code, done.err) == (0, "")
    assert (done.json["frame"], done.json["offset"], done.json["number"]) == (
        frame, offset, number,
    )  # fmt: skip
    assert done.json["crc_ok"] is (frame is not None)


def test_noise_is_shown_as_what_it_is(run: Runner, mixed: Path) -> None:
    done = run("inspect", mixed, "--offset", 26)
    assert done.code == 0
    assert done.lines[0].startswith("no valid frame   bytes 26-28")


def test_a_damaged_frame_is_shown_with_its_check_sums(run: Runner, mixed: Path) -> None:
    found = run("inspect", mixed, "--offset", DAMAGED_AT, "--json").json
    assert found["crc_found"] != found["crc_wanted"]
    assert found["crc_found"] == 0x360B98
    fields = {piece["field"]: piece["value"] for piece in found["pieces"]}
    assert fields["station"] == 2003


@pytest.mark.parametrize("wanted", [("--frame", 3), ("--number", 1077), ("--offset", 10_000)])
def test_a_frame_that_is_not_there_is_told_with_what_is(
    run: Runner, mixed: Path, wanted: tuple[str, int]
) -> None:
    done = run("inspect", mixed, *wanted)
    assert done.code != 0
    assert f"has no frame for {wanted[0]} {wanted[1]}" in done.err
    assert "2 valid frames" in done.err
    assert "rtcmtool decode" in done.err


def test_behind_the_last_frame_there_is_none(run: Runner, mixed: Path) -> None:
    done = run("inspect", mixed, "--frame", 2, "--next")
    assert done.code != 0
    assert "--next" in done.err


@pytest.mark.parametrize(
    "text",
    [
        HEX,
        HEX.upper(),
        " ".join(HEX[at : at + 2] for at in range(0, len(HEX), 2)),
        ",".join("0x" + HEX[at : at + 2] for at in range(0, len(HEX), 2)),
        HEX[:20] + "\n" + HEX[20:],
    ],
)
def test_bytes_may_be_given_in_hex(run: Runner, text: str) -> None:
    found = run("inspect", "--hex", text, "--json").json
    assert (found["number"], found["crc_ok"], found["bytes_hex"]) == (1005, True, HEX)


def test_bytes_in_hex_may_be_damaged(run: Runner) -> None:
    assert run("inspect", "--hex", HEX[:-1] + "9").lines[0].startswith("no valid frame")


@pytest.mark.parametrize("text", ["", "xyz", "D3 0", "--", "D3 00 1G"])
def test_what_is_no_hex_is_refused(run: Runner, text: str) -> None:
    done = run("inspect", f"--hex={text}")
    assert done.code == 2
    assert "--hex" in done.err


@pytest.mark.parametrize(
    "arguments",
    [(), ("--frame", 0), ("--frame", 1, "--number", 1005), ("--frame", "x"), ("--offset", -1)],
)
def test_wrong_use_is_refused(run: Runner, mixed: Path, arguments: tuple[object, ...]) -> None:
    source = (mixed,) if arguments else ()
    assert run("inspect", *source, *arguments).code == 2


def test_all_bits_are_shown_when_asked_for(run: Runner) -> None:
    assert "~" in run("inspect", "--hex", HEX).out
    assert "~" not in run("inspect", "--hex", HEX, "-v").out


def test_the_pieces_of_a_frame_cover_it(run: Runner, write: Write) -> None:
    path = write(data_of(observed(1077, 1)))
    pieces = run("inspect", path, "--json").json["pieces"]
    at = 0
    for piece in pieces:
        assert piece["start_bit"] == at
        at += piece["bits"]
    assert at == 8 * path.stat().st_size


def test_a_frame_is_found_behind_megabytes(run: Runner, write: Write) -> None:
    before = data_of(base_stream(60)) * 13
    path = write(before + STATION_POSITION + before[:5000])
    found = run("inspect", path, "--number", 1005, "--json").json
    assert (found["offset"], found["frame"]) == (len(before), 258 * 13 + 1)
    assert run("inspect", path, "--offset", len(before), "--json").json["number"] == 1005


def test_a_damaged_frame_is_found_wherever_a_block_of_reading_ends(
    run: Runner, write: Write
) -> None:
    broken = STATION_POSITION[:-1] + b"\x99"
    for before in (384 * 1024 - 10, 384 * 1024 - 1, 384 * 1024):
        path = write(b"\x00" * before + broken + STATION_POSITION)
        found = run("inspect", path, "--offset", before, "--json").json
        assert (found["offset"], found["number"], found["bytes_hex"]) == (
            before,
            1005,
            broken.hex(),
        )


def test_the_product_can_go_to_a_file(run: Runner, tmp_path: Path) -> None:
    path = tmp_path / "made.txt"
    for way in ((), ("--json",)):
        done = run("inspect", "--hex", HEX, *way, "-o", path)
        assert (done.code, done.out) == (0, "")
        assert path.read_text(encoding="utf-8") == run("inspect", "--hex", HEX, *way).out
