"""Times without listening inside a recording, from its events and arrivals."""

import numpy as np
import pytest

from rtcmtool.captures.arrivals import Arrivals
from rtcmtool.captures.companions import Event
from rtcmtool.captures.pauses import Pause, pauses_between

SECOND = 10**9


def gap(begin_s: float, end_s: float | None) -> list[Event]:
    told = [(begin_s, "open")] + ([] if end_s is None else [(end_s, "ended")])
    return [Event(round(at * SECOND), "monitor-gap", "", {"state": state}) for at, state in told]


def arrivals(*seconds: float) -> Arrivals:
    utc_ns = np.array([round(each * SECOND) for each in seconds], np.int64)
    return Arrivals(utc_ns, 100 * np.arange(len(seconds), dtype=np.int64))


@pytest.mark.parametrize(
    ("events", "expected"),
    [
        ([], []),
        (gap(4, 7), [Pause(300, 1.0, 1.0)]),
        (gap(3, 8), [Pause(300, 0.0, 0.0)]),
        (gap(0.5, 0.8), []),  # before the first byte
        (gap(12, None), []),  # to the end
        (gap(12, 14), []),  # behind the last byte
        ([*gap(3.5, 4), *gap(9.5, 9.75)], [Pause(300, 0.5, 4.0), Pause(500, 0.5, 0.25)]),
        ([Event(4 * SECOND, "note", "", {"state": "open"})], []),
        (gap(4, 7)[1:], []),  # an end without a beginning
    ],
)
def test_pauses_lie_between_bytes(events: list[Event], expected: list[Pause]) -> None:
    assert list(pauses_between(arrivals(1, 2, 3, 8, 9, 10), events)) == expected


def test_without_arrivals_nothing_is_known() -> None:
    assert pauses_between(arrivals(), gap(3, 8)) == ()
