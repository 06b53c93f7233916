from pathlib import Path

import pytest

from rtcmtool.captures.naming import CaptureFiles, is_taken, part_files, part_stem, stem_of


@pytest.mark.parametrize(
    "name",
    ["job", "job.rtcm3", "job.arrivals", "job.json", "job.events.jsonl", "job.outages.csv"],
)
def test_every_file_of_a_capture_has_the_same_stem(name: str) -> None:
    assert stem_of(Path("site") / name) == Path("site/job")


def test_a_dot_in_the_name_is_no_suffix() -> None:
    assert stem_of(Path("job.2026.03")) == Path("job.2026.03")
    assert CaptureFiles.of_stem(Path("job.2026.03")).data.name == "job.2026.03.rtcm3"


def test_a_file_of_another_suffix_has_no_companions() -> None:
    assert CaptureFiles.of_file(Path("receiver.bin")).all_paths() == [Path("receiver.bin")]


def test_a_name_without_anything_before_the_suffix_is_let_be() -> None:
    assert CaptureFiles.of_file(Path(".rtcm3")).stem is None


def test_parts_sort_by_number_and_not_by_letters(tmp_path: Path) -> None:
    for number in (1000, 2, 10, 999):
        (tmp_path / f"job-{number:03d}.rtcm3").touch()
    (tmp_path / "other-001.rtcm3").touch()
    names = [path.name for path in part_files(tmp_path / "job")]
    assert names == ["job-002.rtcm3", "job-010.rtcm3", "job-999.rtcm3", "job-1000.rtcm3"]
    assert part_stem(tmp_path / "job", 1000).name == "job-1000"


@pytest.mark.parametrize(
    ("there", "taken"),
    [
        ("job.rtcm3", True),
        ("job.events.jsonl", True),
        ("job-001.rtcm3", True),
        ("job-007.outages.csv", True),
        ("job-2.rtcm3", False),
        ("job.txt", False),
        ("jobs.rtcm3", False),
    ],
)
def test_a_name_is_taken_by_any_file_of_a_capture_or_of_a_part(
    tmp_path: Path, there: str, taken: bool
) -> None:
    (tmp_path / there).touch()
    assert is_taken(tmp_path / "job") is taken
