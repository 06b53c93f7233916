"""`decode`: lines, objects and the table, and what is chosen of them."""

import io
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.conftest import Runner
from tests.strategies import STATION_POSITION, TEXT
from tests.streams import DAY, base_stream, damaged, data_of, merged

Write = Callable[..., Path]


def test_a_line_a_frame(run: Runner, healthy: Path) -> None:
    done = run("decode", healthy)
    assert (done.code, done.err) == (0, "")
    assert len(done.lines) == 258
    numbers = Counter(line.split()[1] for line in done.lines if line.startswith("-"))
    assert numbers == {"1006": 1, "1033": 1, "1230": 1}  # before the first epoch


def test_what_carries_no_time_has_that_of_the_stream_at_its_place(
    run: Runner, healthy: Path
) -> None:
    everything = run("decode", healthy, "--date", DAY).lines
    chosen = run("decode", healthy, "--date", DAY, "--only", 1006).lines
    assert chosen == [line for line in everything if "  1006  " in line]
    first, *times = [line.partition("  ")[0] for line in chosen]
    # Sent every 10 s ahead of the observations: each after the last epoch of the second before.
    assert first == "-"
    assert times == [f"{DAY}T07:00:{second}.000 GPS" for second in ("09", "19", "29", "39", "49")]
    objects = run("decode", healthy, "--date", DAY, "--only", 1006, "--json").json_lines
    assert not any("gps_time" in item for item in objects)  # contract: where the message has it


def test_while_the_day_is_not_known_it_is_the_second_of_the_week(run: Runner, write: Write) -> None:
    stream = base_stream(12, numbers=(1074,))
    lines = run("decode", write(data_of(stream)), "--only", 1006).lines
    week_s = run("decode", write(data_of(stream)), "--only", 1074).lines[9].partition("  ")[0]
    assert week_s.endswith(" s of week")
    assert [line.partition("  ")[0] for line in lines] == ["-", week_s]


def test_damage_has_a_place_in_time_too(run: Runner, write: Write) -> None:
    stream = damaged(base_stream(20, numbers=(1074,)), 13)  # 1006 behind the tenth epoch
    lines = run("decode", write(data_of(stream)), "--date", DAY).lines
    (reject,) = (line for line in lines if "  reject  " in line)
    assert reject.startswith(f"{DAY}T07:00:09.000 GPS  reject  damaged (CRC)")


def test_objects_account_for_every_byte(run: Runner, write: Write) -> None:
    stream = damaged(base_stream(20), 10, 30)
    data = b"noise" + data_of(stream)[:-9]
    objects = run("decode", write(data), "--json").json_lines
    at = 0
    for item in objects:
        assert item["offset"] == at
        at += item["length"] + (0 if "reject" in item else 6)
    assert at == len(data)
    assert Counter(item.get("reject") for item in objects) == {
        None: len(stream) - 3, "noise": 1, "crc": 2, "truncated": 1,
    }  # fmt: skip


def test_objects_are_the_same_whether_chosen_or_all(run: Runner, healthy: Path) -> None:
    everything = run("decode", healthy, "--json").out
    assert run("decode", healthy, "--json", "--limit", 9999).out == everything


@pytest.mark.parametrize("only", ["1006,1074", "1006 1074", "1006;1074"])
def test_only_some_numbers(run: Runner, healthy: Path, only: str) -> None:
    objects = run("decode", healthy, "--json", "--only", only).json_lines
    assert Counter(item["number"] for item in objects) == {1006: 6, 1074: 60}


def test_a_limit_counts_what_is_printed(run: Runner, healthy: Path) -> None:
    assert len(run("decode", healthy, "--limit", 3).lines) == 3
    assert len(run("decode", healthy, "--only", 1006, "--limit", 2).lines) == 2
    done = run("decode", healthy, "--limit", 0)
    assert (done.code, done.out) == (0, "")


def test_one_station(run: Runner, write: Write) -> None:
    data = data_of(merged(base_stream(5), base_stream(3, station=12)))
    objects = run("decode", write(data), "--json", "--station", 12).json_lines
    assert {item["station"] for item in objects} == {12}
    assert len(objects) == 3 + 3 * 4


def test_all_fields(run: Runner, write: Write) -> None:
    path = write(STATION_POSITION)
    assert "virtual_station" not in run("decode", path).out
    assert "virtual_station no" in run("decode", path, "--fields").out


def test_a_date_dates_the_epochs(run: Runner, healthy: Path) -> None:
    (item,) = run("decode", healthy, "--json", "--only", 1074, "--limit", 1).json_lines
    assert "gps_time" not in item
    (item,) = run(
        "decode", healthy, "--json", "--only", 1074, "--limit", 1, "--date", DAY
    ).json_lines
    assert item["gps_time"] == "2026-03-04T07:00:00.000"
    assert item["epoch_ms"] == 284_400_000


@pytest.mark.parametrize("way", [(), ("--json",), ("--json", "--limit", "99999"), ("--summary",)])
def test_the_product_can_go_to_a_file(
    run: Runner, healthy: Path, tmp_path: Path, way: tuple[str, ...]
) -> None:
    path = tmp_path / "made.txt"
    done = run("decode", healthy, *way, "-o", path)
    assert (done.code, done.out) == (0, "")
    assert path.read_text(encoding="utf-8") == run("decode", healthy, *way).out


def test_the_recording_itself_is_never_written_to(run: Runner, write: Write) -> None:
    path = write(STATION_POSITION)
    other = path.with_name("other.rtcm3")
    other.hardlink_to(path)
    for name in (path, path.parent / "." / path.name, other):
        done = run("decode", path, "-o", name)
        assert done.code == 2
        assert "never written to" in done.err
    assert path.read_bytes() == STATION_POSITION


def test_a_file_in_a_folder_that_is_not_there_cannot_be_written(
    run: Runner, healthy: Path, tmp_path: Path
) -> None:
    done = run("decode", healthy, "-o", tmp_path / "no" / "such.txt")
    assert done.code == 2
    assert "cannot be written" in done.err
    assert "  do    " in done.err


def test_the_summary_is_a_table(run: Runner, healthy: Path) -> None:
    done = run("decode", healthy, "--summary", "--date", DAY)
    assert done.code == 0
    assert [line[:6].strip() for line in done.lines[2:]] == [
        "1006", "", "", "1033", "", "1074", "1084", "1094", "1124", "1230", "",
    ]  # fmt: skip
    assert max(map(len, done.lines)) <= 80


def test_the_summary_of_some_numbers(run: Runner, healthy: Path) -> None:
    lines = run("decode", healthy, "--summary", "--only", "1074,1084").lines
    assert [line[:4] for line in lines[2:]] == ["1074", "1084"]


def test_the_summary_of_one_station(run: Runner, write: Write) -> None:
    data = data_of(merged(base_stream(5), base_stream(3, station=12)))
    lines = run("decode", write(data), "--summary", "--station", 12).lines
    (row,) = [line.split() for line in lines if line.startswith("1074")]
    assert row[3] == "3"


@pytest.mark.parametrize("other", [("--json",), ("--limit", "3"), ("--fields",)])
def test_the_summary_does_not_go_with_what_it_cannot_follow(
    run: Runner, healthy: Path, other: tuple[str, ...]
) -> None:
    done = run("decode", healthy, "--summary", *other)
    assert done.code == 2
    assert other[0] in done.err


class Input:
    """Standard input that holds bytes."""

    def __init__(self, data: bytes) -> None:
        self.buffer = io.BytesIO(data)


def test_standard_input_is_read_to_its_end(
    run: Runner, healthy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdin", Input(healthy.read_bytes()))
    assert run("decode", "-", "--json").out == run("decode", healthy, "--json").out


def test_texts_of_all_scripts_are_printed(run: Runner, write: Write) -> None:
    assert "проверка wörter" in run("decode", write(TEXT)).out


def test_a_limit_ends_the_reading_early_without_complaint(run: Runner, write: Write) -> None:
    data = b"\x00" * 500_000 + b"\xd3\x00\x01ab" + b"x" * 500_000 + STATION_POSITION
    done = run("decode", write(data), "--limit", 1)
    assert (done.code, len(done.lines)) == (0, 1)
