"""Whether the computer's clock is trusted; the kernel is asked, never changed."""

import sys
from pathlib import Path

import pytest

from rtcmtool.running import computer_clock
from rtcmtool.running.computer_clock import clock_trust


def test_a_user_who_says_so_is_believed() -> None:
    trust = clock_trust(is_told=True)
    assert trust.is_trusted
    assert "--clock trusted" in trust.why


@pytest.mark.skipif(sys.platform != "linux", reason="Linux alone tells")
def test_the_kernel_gives_a_whole_answer() -> None:
    trust = clock_trust()
    assert trust.why
    if trust.error_s is not None:
        assert 0 <= trust.error_s < 20  # the kernel gives up at 16 s


@pytest.mark.skipif(sys.platform != "linux", reason="Linux alone tells")
def test_the_mark_of_a_time_service_counts_where_the_kernel_is_silent(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(computer_clock, "_of_kernel", lambda: None)
    monkeypatch.setattr(computer_clock, "_SYNCHRONISED_MARK", tmp_path / "synchronized")
    assert not clock_trust().is_trusted
    (tmp_path / "synchronized").touch()
    assert clock_trust().is_trusted


def test_another_system_is_not_trusted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "darwin")
    assert not clock_trust().is_trusted
