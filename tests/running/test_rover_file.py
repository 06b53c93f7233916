"""What a rover says is kept beside the recording, as it came."""

import sys
from pathlib import Path

import pytest

from rtcmtool.running.rover_file import RoverFile


def test_bytes_are_on_disk_at_once_and_behind_what_was_there(tmp_path: Path) -> None:
    kept = RoverFile(tmp_path / "job.rtcm3")
    assert kept.path == tmp_path / "job-rover.nmea"
    assert not kept.path.exists()
    kept.write(b"$GP")
    kept.write(b"GGA\r\n")
    assert kept.path.read_bytes() == b"$GPGGA\r\n"
    kept.close()
    again = RoverFile(tmp_path / "job.rtcm3")
    again.write(b"more")
    again.close()
    again.close()
    assert kept.path.read_bytes() == b"$GPGGA\r\nmore"
    assert (kept.size_bytes, again.size_bytes) == (8, 4)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="a device that is always full")
def test_a_full_disk_is_told_once_and_breaks_nothing(tmp_path: Path) -> None:
    kept = RoverFile(tmp_path / "job.rtcm3")
    kept.path.symlink_to("/dev/full")
    assert kept.write(b"x")
    assert not kept.write(b"y")
    assert kept.failure == "No space left on device"
    kept.close()


@pytest.mark.skipif(sys.platform == "win32", reason="another word for it")
def test_a_folder_that_has_gone_is_told(tmp_path: Path) -> None:
    kept = RoverFile(tmp_path / "gone" / "job.rtcm3")
    assert kept.write(b"x")
    assert kept.failure == "No such file or directory"
