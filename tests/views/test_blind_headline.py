"""The headline while we are not listening: reason and next try have a place at every width."""

import pytest

from rtcmtool.views.dashboard import dashboard_lines
from tests.monitor.following import Follower
from tests.views.following import judged

REASON = "gate.example.net refuses a connection at port 5015: nothing listens there"


def lines(width: int, height: int) -> list[str]:
    follower = Follower([])
    follower.live.not_listening(follower.utc_ns(1.0), 1.0, REASON, wait_s=60.0)
    screen = judged(follower, 21.0, rate=None)
    return [line.plain.rstrip() for line in dashboard_lines(screen, width, height)]


@pytest.mark.parametrize(("width", "height"), [(120, 40), (80, 24)])
def test_wide_screens_say_the_reason_and_when_it_is_tried_again(width: int, height: int) -> None:
    first, second, *_ = lines(width, height)
    assert "NOT WATCHING - gate.example.net refuses a connection at port 5015" in first
    assert first.endswith(" UTC")
    assert "~" not in first
    assert "next try in 40 s" in f"{first} {second}"


def test_a_narrow_screen_breaks_the_reason() -> None:
    first, second, _, fourth, *_ = lines(40, 20)
    said = f"{first} {second.strip()}"
    assert said == " NOT WATCHING - gate.example.net refuses a connection at port 5015"
    assert fourth.endswith("next try in 40 s")
