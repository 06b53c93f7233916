"""What the air lost, from frames with and without twins; the truth is made in the test."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rtcmtool.monitor.air_loss import MOST_DELAY_S, AirLoss


def frame(number: int, length: int = 100) -> bytes:
    return number.to_bytes(4, "big") * (length // 4)


def test_frames_are_matched_by_their_content_and_counted_by_length() -> None:
    air = AirLoss()
    for second in range(30):
        air.send([frame(second, 40), frame(second, 120), frame(second, 400)], float(second))
        heard = [frame(second, 40), frame(second, 120)] + [frame(second, 400)] * (second % 2)
        air.hear(heard, second + 0.4)
    air.finish(60.0)
    assert [(each.sent, each.heard) for each in air.classes] == [(30, 30), (30, 30), (30, 15)]
    assert (air.sent, air.heard, air.foreign) == (90, 75, 0)
    assert air.mean_delay_s == pytest.approx(0.4)


def test_frames_of_the_same_content_are_matched_in_their_order() -> None:
    air = AirLoss()
    for second in range(0, 100, 10):
        air.send([frame(7)], float(second))
        if second != 50:
            air.hear([frame(7)], second + 1.0)
    air.finish(200.0)
    assert (air.sent, air.heard) == (10, 9)
    assert air.mean_delay_s == pytest.approx(1.0)


def test_what_was_sent_just_now_is_not_lost_yet() -> None:
    air = AirLoss()
    for second in range(30):
        air.send([frame(second)], float(second))
        if second < 27:
            air.hear([frame(second)], second + 0.5)
    air.finish(29.5)
    assert air.sent == air.heard == 25


def test_the_two_ends_may_be_read_in_the_wrong_order() -> None:
    air = AirLoss()
    air.send([frame(0)], 0.0)
    air.hear([frame(1)], 5.0)
    air.send([frame(1)], 5.3)
    air.finish(30.0)
    assert (air.sent, air.heard, air.foreign) == (2, 1, 0)


def test_frames_of_another_base_are_counted_apart() -> None:
    air = AirLoss()
    for second in range(40):
        air.send([frame(second)], float(second))
        air.hear([frame(second), frame(1000 + second)], second + 0.5)
    air.finish(80.0)
    assert air.heard == air.sent == 40
    # What is heard in the first seconds may have been sent before we listened.
    assert air.foreign == 40 - int(MOST_DELAY_S) - 1 or air.foreign == 40 - int(MOST_DELAY_S)


def test_a_frame_that_comes_after_far_too_long_is_another_one() -> None:
    air = AirLoss()
    air.send([frame(3)], 0.0)
    air.hear([frame(3)], MOST_DELAY_S + 5.0)
    air.finish(60.0)
    assert (air.sent, air.heard) == (1, 0)


def test_frames_of_the_same_content_tell_no_delay_where_some_were_lost() -> None:
    """A bias message never changes; each that is lost would make the later ones look later."""
    air = AirLoss()
    for second in range(60):
        air.send([frame(second), frame(999_999)], float(second))
        heard = [frame(second)] + ([frame(999_999)] if second % 10 else [])
        air.hear(heard, second + 0.5)
    air.finish(100.0)
    assert (air.sent, air.heard) == (120, 114)
    assert air.mean_delay_s == pytest.approx(0.5, abs=0.02)
    assert air.lead_s is None


@given(st.lists(st.booleans(), min_size=1, max_size=60), st.floats(0.0, 5.0))
def test_what_is_heard_is_what_was_not_lost(is_heard: list[bool], late_s: float) -> None:
    air = AirLoss()
    waiting: list[tuple[float, int]] = []
    for second, comes in enumerate(is_heard):
        air.send([frame(second)], float(second))
        if comes:
            waiting.append((second + late_s, second))
        while waiting and waiting[0][0] <= second + 1:
            at_s, number = waiting.pop(0)
            air.hear([frame(number)], at_s)
    for at_s, number in waiting:
        air.hear([frame(number)], at_s)
    air.finish(1000.0)
    assert (air.sent, air.heard, air.foreign) == (len(is_heard), sum(is_heard), 0)
