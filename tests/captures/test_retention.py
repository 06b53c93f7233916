"""Old parts go; nothing that is not surely an old part of the same series is ever touched."""

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from rtcmtool.captures.companions import Description
from rtcmtool.captures.naming import SUFFIXES
from rtcmtool.captures.retention import Keep, Retention
from rtcmtool.captures.writing import CaptureWriter, Split
from tests.captures.conftest import START_NS
from tests.conftest import PROJECT

HOUR_NS = 3600 * 10**9
LONG_AFTER_NS = START_NS + 99 * HOUR_NS
ALL_OLD = Keep(age_s=0.0)
posix = pytest.mark.skipif(os.name != "posix", reason="elsewhere nobody tells who writes a file")


def record(
    folder: Path, name: str = "job", parts: int = 5, hour: int = 0, series: str | None = "job"
) -> CaptureWriter:
    """Record parts of 1000 bytes, an hour each; the last is still open."""
    begin_ns = START_NS + hour * HOUR_NS
    description = Description("COM5", "0", begin_ns, series=series)
    writer = CaptureWriter(folder / name, description, monotonic_s=0.0, split=Split(None, 1000))
    for number in range(parts):
        writer.write(bytes(1000), begin_ns + number * HOUR_NS)
    return writer


def removed(keep: Keep, writer: CaptureWriter, utc_ns: int = LONG_AFTER_NS) -> list[str]:
    paths = Retention(keep, "job").remove(writer.path, utc_ns)
    return [path.name for path in paths]


def left(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def files(*stems: str) -> set[str]:
    return {stem + suffix for stem in stems for suffix in SUFFIXES}


@pytest.fixture
def recording(tmp_path: Path) -> Iterator[CaptureWriter]:
    writer = record(tmp_path)
    yield writer
    writer.close(START_NS + 5 * HOUR_NS)


def test_parts_older_than_the_limit_go_with_all_their_files(recording, tmp_path: Path) -> None:
    now = START_NS + 4 * HOUR_NS
    assert removed(Keep(age_s=2.5 * 3600), recording, now) == ["job-001.rtcm3"]  # over for 3 h
    assert left(tmp_path) == files("job-002", "job-003", "job-004", "job-005")


def test_the_oldest_parts_go_until_the_rest_fits(recording, tmp_path: Path) -> None:
    part_bytes = sum(path.stat().st_size for path in tmp_path.glob("job-002*"))
    keep = Keep(size_bytes=3 * part_bytes)
    assert removed(keep, recording, START_NS) == ["job-001.rtcm3", "job-002.rtcm3"]


def test_with_both_limits_a_part_goes_that_breaks_either(recording, tmp_path: Path) -> None:
    part_bytes = sum(path.stat().st_size for path in tmp_path.glob("job-002*"))
    keep = Keep(age_s=2.5 * 3600, size_bytes=3 * part_bytes)
    assert len(removed(keep, recording, START_NS + 4 * HOUR_NS)) == 2


def test_the_part_that_is_written_always_stays(recording) -> None:
    assert len(removed(Keep(age_s=0.0, size_bytes=0), recording)) == 4
    assert recording.path.read_bytes() == bytes(1000)


def test_without_a_limit_nothing_goes(recording) -> None:
    assert removed(Keep(), recording) == []


# ---- runs before this one


def test_parts_of_earlier_runs_of_the_same_name_are_old_parts_too(tmp_path: Path) -> None:
    for hour in (0, 10):
        record(tmp_path, parts=3, hour=hour).close(START_NS + (hour + 3) * HOUR_NS)
    now = record(tmp_path, parts=2, hour=20)
    assert now.name.name == "job-3"
    gone = removed(Keep(age_s=8 * 3600), now, START_NS + 20 * HOUR_NS)
    assert gone == ["job-001.rtcm3", "job-002.rtcm3", "job-003.rtcm3", "job-2-001.rtcm3"]
    assert left(tmp_path) == files("job-2-002", "job-2-003", "job-3-001", "job-3-002")
    now.close(START_NS)


def test_the_size_counts_over_all_runs_and_the_oldest_run_goes_first(tmp_path: Path) -> None:
    for hour in (0, 10):
        record(tmp_path, parts=3, hour=hour).close(START_NS + (hour + 3) * HOUR_NS)
    now = record(tmp_path, parts=2, hour=20)
    part_bytes = sum(path.stat().st_size for path in tmp_path.glob("job-2-001*"))
    gone = removed(Keep(size_bytes=round(4.5 * part_bytes)), now)
    assert gone == ["job-001.rtcm3", "job-002.rtcm3", "job-003.rtcm3", "job-2-001.rtcm3"]
    now.close(START_NS)


@posix
def test_a_part_that_a_dead_battery_left_open_goes_by_its_last_writing(tmp_path: Path) -> None:
    script = (
        "import os, sys; from pathlib import Path;"
        "from tests.captures.test_retention import record;"
        "record(Path(sys.argv[1]), parts=1); os._exit(9)"
    )
    command = [sys.executable, "-c", script, str(tmp_path)]
    assert subprocess.run(command, cwd=PROJECT, check=False).returncode == 9
    written_ns = (tmp_path / "job-001.rtcm3").stat().st_mtime_ns
    now = record(tmp_path, parts=1)
    keep = Keep(age_s=3600.0)
    assert removed(keep, now, written_ns + HOUR_NS - 1) == []
    assert removed(keep, now, written_ns + HOUR_NS + 1) == ["job-001.rtcm3"]
    now.close(START_NS)


def test_a_part_that_somebody_else_writes_stays(tmp_path: Path) -> None:
    other, now = record(tmp_path, parts=2), record(tmp_path, parts=1)
    assert removed(Keep(age_s=0.0, size_bytes=0), now, 2 * 10**18) == ["job-001.rtcm3"]
    assert left(tmp_path) == files("job-002", "job-2-001")
    other.write(b"on", START_NS)
    assert other.failure is None
    other.close(START_NS)
    now.close(START_NS)


def test_a_clock_that_was_set_does_not_make_a_part_look_years_old(tmp_path: Path) -> None:
    """Two parts by a clock that begins in the past, set in the second."""
    past_ns = START_NS - 10_000 * HOUR_NS
    description = Description("COM5", "0", past_ns, series="job")
    earlier = CaptureWriter(tmp_path / "job", description, monotonic_s=0.0, split=Split(None, 1000))
    for utc_ns in (past_ns, past_ns + HOUR_NS, START_NS, START_NS + HOUR_NS):
        earlier.write(bytes(1000), utc_ns)
    earlier.close(START_NS + 2 * HOUR_NS)
    now = record(tmp_path, parts=1, hour=3)
    gone = removed(Keep(age_s=24 * 3600), now, START_NS + 3 * HOUR_NS)
    assert gone == ["job-001.rtcm3"]  # nobody can know better of this one
    now.close(START_NS)


# ---- what never goes


def told_otherwise(path: Path, old: bytes, new: bytes) -> None:
    document = path.read_bytes()
    assert old in document
    path.write_bytes(document.replace(old, new))


@pytest.mark.parametrize(
    "change",
    [
        lambda path: path.unlink(),
        lambda path: path.write_bytes(b"{"),
        lambda path: told_otherwise(path, b'"series"', b'"sequel"'),
        lambda path: told_otherwise(path, b'"series": "job"', b'"series": "x"'),
        lambda path: told_otherwise(path, b'"part": 1', b'"part": null'),
    ],
    ids=["no description", "damaged", "of no series", "of another series", "no part"],
)
def test_what_is_not_surely_a_part_of_the_series_stays(recording, tmp_path: Path, change) -> None:
    change(tmp_path / "job-001.json")
    assert removed(ALL_OLD, recording) == ["job-002.rtcm3", "job-003.rtcm3", "job-004.rtcm3"]
    assert (tmp_path / "job-001.rtcm3").exists()


def test_captures_of_other_names_and_files_of_others_stay(recording, tmp_path: Path) -> None:
    for name in ("job-2", "jobs", "job-x"):
        record(tmp_path, name, parts=2, series=name).close(START_NS)
    record(tmp_path, "demo", parts=2, series=None).close(START_NS)
    lone = CaptureWriter(tmp_path / "job-000", Description("COM5", "0", START_NS, series="job"),
                         monotonic_s=0.0)  # fmt: skip
    lone.close(START_NS)
    (tmp_path / "job-001.txt").write_text("notes of the crew")
    (tmp_path / "job-0099.json").write_text("[1]")
    before = left(tmp_path)
    assert len(removed(ALL_OLD, recording)) == 4
    assert left(tmp_path) == (before - files("job-001", "job-002", "job-003", "job-004")) | {
        "job-001.txt"
    }


def test_the_parts_of_another_folder_stay(recording, tmp_path: Path) -> None:
    (tmp_path / "other").mkdir()
    now = record(tmp_path / "other", parts=2)
    assert removed(ALL_OLD, now) == ["job-001.rtcm3"]
    assert len(left(tmp_path)) == 5 * 5 + 1
    now.close(START_NS)


def test_a_deletion_that_was_cut_short_is_done_again(recording, tmp_path: Path) -> None:
    (tmp_path / "job-001.arrivals").unlink()
    (tmp_path / "job-001.rtcm3").unlink()
    assert removed(ALL_OLD, recording)[0] == "job-001.rtcm3"
    assert not list(tmp_path.glob("job-001*"))


def test_a_part_that_cannot_be_deleted_is_tried_again(
    recording, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(self: Path, missing_ok: bool = False) -> None:
        raise PermissionError(13, "Permission denied")

    retention = Retention(ALL_OLD, "job")
    with monkeypatch.context() as patched:
        patched.setattr(Path, "unlink", refuse)
        assert retention.remove(recording.path, LONG_AFTER_NS) == []
    assert len(retention.remove(recording.path, LONG_AFTER_NS)) == 4
