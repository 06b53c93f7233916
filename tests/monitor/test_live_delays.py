"""Delays as they are heard: the mean of 20 s, and what does not count as late."""

import pytest

from rtcmtool.monitor.live_delays import BACKLOG_S, LiveDelays
from rtcmtool.monitor.steady_clock import Moment
from tests.monitor.following import UTC_NS, Follower
from tests.streams import base_stream

S = 10**9


def moment(at_s: float) -> Moment:
    return Moment(round(at_s * S), UTC_NS + round(at_s * S))


def followed(*delays_s: float, every_s: float = 1.0) -> LiveDelays:
    """Take an epoch each step."""
    delays = LiveDelays(moment(0.0))
    for place, delay_s in enumerate(delays_s):
        epoch_s = place * every_s
        delays.take(delay_s, round(1000 * epoch_s), moment(epoch_s + delay_s))
    return delays


def test_the_mean_is_that_of_the_last_20_s_alone() -> None:
    delays = followed(*[9.0] * 40, *[1.0] * 19, 3.0)
    assert delays.mean_s(moment(60.0), 3.0) == pytest.approx((19 * 1.0 + 3.0) / 20)
    assert (delays.last_s, delays.least_s) == (3.0, 1.0)


def test_without_epochs_there_is_no_mean() -> None:
    delays = followed(*[0.5] * 30)
    assert delays.mean_s(moment(40.0), 3.0) == pytest.approx(0.5)
    assert delays.mean_s(moment(50.0), 3.0) is None


def test_ten_seconds_are_needed_but_a_slow_stream_has_them_in_each_epoch() -> None:
    assert followed(*[0.5] * 5).needs_s(1.0) == 6.0
    assert followed(*[0.5] * 11).needs_s(1.0) == 0.0
    slow = followed(0.5, 0.7, every_s=30.0)
    assert slow.needs_s(30.0) == 0.0
    assert slow.mean_s(moment(45.0), 90.0) == pytest.approx(0.7)


def test_what_waited_until_we_listened_again_is_not_late() -> None:
    delays = LiveDelays(moment(0.0))
    delays.resume(moment(100.0))
    sent = UTC_NS + 70 * S
    assert delays.of(moment(100.5), sent, is_trusted=True) is None
    assert delays.of(moment(100.0 + BACKLOG_S), sent, is_trusted=True) == 30.0 + BACKLOG_S
    assert delays.of(moment(101.0), UTC_NS + 100 * S, is_trusted=True) == 1.0


def test_a_clock_that_may_be_wrong_is_compared_with_the_least_delay() -> None:
    delays = followed(*[71.4] * 20)
    delays.resume(moment(200.0))
    assert delays.of(moment(200.5), UTC_NS + 100 * S, is_trusted=False) is None
    assert delays.of(moment(202.0), UTC_NS + 130 * S, is_trusted=False) == 72.0


def test_a_step_of_the_clock_ends_what_can_be_compared() -> None:
    delays = followed(*[0.5] * 20)
    delays.clock_set()
    assert (delays.least_s, delays.mean_s(moment(20.0), 3.0)) == (None, None)


@pytest.mark.slow
def test_a_program_that_slept_makes_no_late_epochs() -> None:
    follower = Follower(
        base_stream(90, numbers=(1074,), satellites={"GPS": 4}),
        late_s=lambda epoch: 60.2 - epoch if 30 <= epoch <= 60 else 0.6,
    )
    follower.run(30.0)
    follower.live.not_listening(follower.utc_ns(30.0), 30.0, "computer slept")
    while follower.at_s < 60.0:  # the clock runs, nothing is told
        follower.at_s += 0.5
    follower.live.listening(follower.utc_ns(60.0), 60.0)
    live = follower.run(88.0)
    assert {record.kind for record in live.take_events()} == {"monitor-gap"}
    assert live.windows.over().mean_delay_s == pytest.approx(0.6, abs=0.05)
