import os
from pathlib import Path

import pytest

from rtcmtool.captures.appending import AppendFile
from rtcmtool.captures.holding import hold, is_surely_free

pytestmark = pytest.mark.skipif(os.name != "posix", reason="elsewhere nobody tells")


def test_a_file_that_is_held_is_not_free_until_it_is_closed(tmp_path: Path) -> None:
    file = AppendFile(tmp_path / "job-001.rtcm3")
    assert is_surely_free(file.path)
    hold(file.descriptor)
    assert not is_surely_free(file.path)
    assert not is_surely_free(file.path)  # looking does not take it
    file.append(b"on")
    file.close()
    assert is_surely_free(file.path)
    assert file.path.read_bytes() == b"on"


def test_a_file_that_cannot_be_looked_at_is_not_surely_free(tmp_path: Path) -> None:
    assert not is_surely_free(tmp_path / "none")


def test_a_file_system_without_locks_does_not_stop_a_recording(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(descriptor: int, operation: int) -> None:
        raise OSError(95, "Operation not supported")

    monkeypatch.setattr("fcntl.flock", refuse)
    file = AppendFile(tmp_path / "job-001.rtcm3")
    hold(file.descriptor)
    assert not is_surely_free(file.path)
    file.close()
