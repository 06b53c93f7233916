"""The sentence that never lies, row by row of its table."""

from collections.abc import Callable

import pytest

from rtcmtool.views.headline import Headline, Mood, headline
from tests.monitor.following import Follower
from tests.streams import Sent, base_stream, every, position, without, without_epochs
from tests.views.following import judged

SMALL = (1074, 1084)
ENOUGH = {"GPS": 8, "GLO": 6}


def stream(epochs: int) -> list[Sent]:
    return base_stream(epochs, numbers=SMALL, satellites=ENOUGH)


def shown(follower: Follower, until_s: float) -> Headline:
    screen = judged(follower, until_s, rate=None)
    return headline(screen.live, screen.verdict)


def blind() -> Headline:
    follower = Follower(stream(20))
    follower.run(20.0)
    follower.live.not_listening(follower.utc_ns(20.0), 20.0, "port lost, trying again")
    return shown(follower, 60.0)


NOISE = {60.1 + 0.25 * step: b"\x55" * 30 for step in range(60)}
TABLE: dict[str, Callable[[], Headline]] = {
    "WAITING 3 s - nothing yet": lambda: shown(Follower([]), 3.0),
    "SENDING - whole and on time": lambda: shown(Follower(stream(80)), 79.5),
    "SENDING, BUT epochs 14 % lost": lambda: shown(
        Follower(without_epochs(stream(82), 61, 63, 65, 70, 73)), 75.9
    ),
    "NO POSITION for 42 s - rovers get no RTK": lambda: shown(
        Follower(without(stream(120), lambda s: s.number == 1006 and s.epoch > 60)), 103.0
    ),
    "NO OBSERVATIONS for 6 s": lambda: shown(
        Follower([*stream(60), *every(position(), 80, 1, first=60)]), 66.0
    ),
    "DAMAGED for 6 s - bytes, but no whole message": lambda: shown(
        Follower(stream(60), extra=NOISE), 66.0
    ),
    "SILENT for 14 s": lambda: shown(Follower(stream(60)), 74.0),
    "CANNOT TELL - rates not known yet": lambda: shown(Follower(stream(20)), 8.0),
    "CANNOT TELL - no position has come yet": lambda: shown(
        Follower(without(stream(40), lambda s: s.number == 1006)), 31.0
    ),
    "NOT WATCHING - port lost, trying again": blind,
}


@pytest.mark.slow
@pytest.mark.parametrize("text", TABLE)
def test_the_headline_says(text: str) -> None:
    assert TABLE[text]().text == text


def test_it_turns_at_three_intervals() -> None:
    assert shown(Follower(stream(30)), 29.6 + 2.9).mood is not Mood.SILENT
    assert shown(Follower(stream(30)), 29.6 + 3.1).mood is Mood.SILENT


def test_a_port_that_never_sends_is_silent_after_fifteen_seconds() -> None:
    assert shown(Follower([]), 14.9).text == "WAITING 14 s - nothing yet"
    late = shown(Follower([]), 20.0)
    assert (late.text, late.detail) == ("SILENT for 20 s", "nothing received since the start")


@pytest.mark.slow
def test_without_a_trusted_clock_on_time_is_not_claimed() -> None:
    found = shown(Follower(stream(80), trusted=False), 79.5)
    assert found.text == "SENDING - whole; on time not known"
    assert found.detail == "the computer's clock is not known to be right"
    far = shown(Follower(stream(80), trusted=False, clock_error_s=71.0), 79.5)
    assert far.detail == "clock or stream 72 s off"


@pytest.mark.slow
def test_an_hour_old_gap_is_history() -> None:
    follower = Follower(without_epochs(stream(120), *range(30, 45)))
    assert shown(follower, 60.0).mood is Mood.BUT
    assert shown(follower, 110.5).text == "SENDING - whole and on time"


@pytest.mark.slow
def test_a_late_stream_is_named() -> None:
    found = shown(Follower(stream(80), late_s=lambda _: 6.2), 84.0)
    assert found.text == "SENDING, BUT 6.2 s late"
    assert found.style == "state.bad"
