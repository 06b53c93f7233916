"""A recording that is followed: the last minutes are there at once."""

from pathlib import Path

import pytest

from rtcmtool.captures import CaptureWriter, Description, open_capture
from rtcmtool.captures.reading import Capture
from rtcmtool.monitor.live_state import LiveState
from rtcmtool.running.catching_up import REACH_S, begin_of, catch_up
from rtcmtool.running.session import Session
from tests.monitor.following import UTC_NS
from tests.streams import base_stream, without_epochs

S = 10**9


def recorded(folder: Path, epochs: int, *lost: int) -> Capture:
    stream = without_epochs(base_stream(epochs, numbers=(1074,), satellites={"GPS": 4}), *lost)
    writer = CaptureWriter(folder / "job", Description("COM5", "0", UTC_NS), monotonic_s=0.0)
    for sent in stream:
        writer.write(sent.data, UTC_NS + sent.epoch * S + S // 2)
    writer.close(UTC_NS + epochs * S)
    return open_capture(writer.path)


def caught_up(capture: Capture, now_s: float) -> LiveState:
    """Look in so many seconds after the recording began; the steady clock then shows 5000 s."""
    begin = begin_of(capture)
    assert begin is not None
    live = LiveState(begin, 5000.0 - (now_s - (begin - UTC_NS) / S))
    catch_up(Session(live), capture, UTC_NS + round(now_s * S), 5000.0)
    return live


@pytest.mark.slow
def test_whoever_looks_in_sees_the_last_minutes(tmp_path: Path) -> None:
    live = caught_up(recorded(tmp_path, 120, *range(60, 72)), 120.5)
    assert live.blind is None
    assert live.position is not None
    assert (live.gaps.count, live.gaps.due) == (1, 120)
    assert "oo" in live.strips.strip(1074, 12)
    assert live.mean_delay_s == pytest.approx(0.5, abs=0.1)
    # Bytes that come now are no gap: the steady clock goes on where it stands.
    live.tick(UTC_NS + 121 * S, 5000.5)
    assert live.lacking is None


@pytest.mark.slow
def test_a_file_that_stood_still_is_not_called_a_silent_base(tmp_path: Path) -> None:
    live = caught_up(recorded(tmp_path, 60), 600.0)
    assert live.blind is not None
    assert live.outages.open_kind is None


def test_it_reaches_back_as_far_as_a_screen_shows(tmp_path: Path) -> None:
    capture = recorded(tmp_path, 1000)
    assert begin_of(capture) == UTC_NS + 999 * S + S // 2 - round(REACH_S * S)


def test_bytes_alone_tell_no_time(tmp_path: Path) -> None:
    (tmp_path / "raw.rtcm3").write_bytes(b"\xd3\x00")
    assert begin_of(open_capture(tmp_path / "raw.rtcm3")) is None
