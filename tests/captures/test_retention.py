from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from rtcmtool.captures.retention import Keep, remove_old_parts
from rtcmtool.captures.writing import CaptureWriter, Split
from tests.captures.conftest import START_NS

HOUR_NS = 3600 * 10**9


@pytest.fixture
def recording(tmp_path: Path, describe) -> Iterator[CaptureWriter]:
    """Five parts of 1000 bytes, an hour each; the last is still open."""
    writer = CaptureWriter(tmp_path / "job", describe(), monotonic_s=0.0, split=Split(None, 1000))
    for hour in range(5):
        writer.write(bytes(1000), START_NS + hour * HOUR_NS)
    yield writer
    writer.close(START_NS + 5 * HOUR_NS)


def names(paths: list[Path]) -> list[str]:
    return [path.name for path in paths]


def test_parts_older_than_the_limit_go_with_all_their_files(recording, tmp_path: Path) -> None:
    now = START_NS + 4 * HOUR_NS
    deleted = remove_old_parts(tmp_path / "job", Keep(age_s=2.5 * 3600), now)
    assert names(deleted) == ["job-001.rtcm3"]  # it ended three hours ago
    assert not list(tmp_path.glob("job-001*"))
    assert len(list(tmp_path.glob("job-00*"))) == 20


def test_the_oldest_parts_go_until_the_rest_fits(recording, tmp_path: Path) -> None:
    part_bytes = sum(path.stat().st_size for path in tmp_path.glob("job-002*"))
    deleted = remove_old_parts(tmp_path / "job", Keep(size_bytes=3 * part_bytes), START_NS)
    assert names(deleted) == ["job-001.rtcm3", "job-002.rtcm3"]


def test_the_newest_part_always_stays(recording, tmp_path: Path) -> None:
    keep = Keep(age_s=0.0, size_bytes=0)
    deleted = remove_old_parts(tmp_path / "job", keep, START_NS + 99 * HOUR_NS)
    assert len(deleted) == 4
    assert recording.path.read_bytes() == bytes(1000)


def test_without_a_limit_nothing_goes(recording, tmp_path: Path) -> None:
    assert remove_old_parts(tmp_path / "job", Keep(), START_NS + 10**18) == []


@pytest.mark.parametrize(
    "change",
    [
        lambda path: path.unlink(),
        lambda path: path.write_bytes(b"{"),
        lambda path: path.write_bytes(path.read_bytes().replace(b'"end_utc": "2', b'"x": "2')),
        lambda path: path.write_bytes(path.read_bytes().replace(b'"job"', b'"other"')),
    ],
    ids=["no description", "damaged", "not closed", "of another recording"],
)
def test_what_is_not_surely_a_complete_part_of_the_recording_stays(
    recording, tmp_path: Path, change
) -> None:
    change(tmp_path / "job-001.json")
    deleted = remove_old_parts(tmp_path / "job", Keep(age_s=0.0), START_NS + 99 * HOUR_NS)
    assert names(deleted) == ["job-002.rtcm3", "job-003.rtcm3", "job-004.rtcm3"]
    assert (tmp_path / "job-001.rtcm3").exists()


def test_other_recordings_are_not_touched(recording, tmp_path: Path, describe) -> None:
    for name in ("job-2", "jobs", "job-x"):
        other = CaptureWriter(tmp_path / name, describe(), monotonic_s=0.0, split=Split(None, 1))
        other.write(b"a", START_NS)
        other.write(b"b", START_NS)
        other.close(START_NS)
    lone = CaptureWriter(tmp_path / "job-000", replace(describe()), monotonic_s=0.0)
    lone.close(START_NS)
    before = {path.name for path in tmp_path.iterdir() if not path.name.startswith("job-00")}
    remove_old_parts(tmp_path / "job", Keep(age_s=0.0), START_NS + 99 * HOUR_NS)
    after = {path.name for path in tmp_path.iterdir() if not path.name.startswith("job-00")}
    assert after == before
    assert lone.path.exists()
