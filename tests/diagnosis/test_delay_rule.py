"""The rule `delay` on captures with arrivals: limits, trust, and a clock that is far off."""

from dataclasses import replace

import numpy as np
import pytest

from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.finding import Finding, State
from rtcmtool.diagnosis.link_rules import delay
from rtcmtool.gnss import time as gnss_time
from rtcmtool.wire.stream import Chunk
from tests.streams import START_MS, base_stream, dated, state_of_chunks

T0_NS = gnss_time.utc_ns_from_gps_ms(START_MS)


def judged(
    late_s: float, spread_s: float = 0.0, epochs: int = 40, later_s: float = 0.0, **more
) -> Finding:
    """Judge a stream of some delay, which has `later_s` more from half of it on."""
    offset, chunks = 0, []
    for sent in base_stream(epochs, numbers=(1074,), extras=()):
        late = late_s + spread_s * (sent.epoch % 2) + later_s * (sent.epoch >= epochs // 2)
        at_ns = np.array([T0_NS + round((sent.epoch + late) * 1e9)], np.int64)
        chunks.append(Chunk(sent.data, at_ns, np.array([offset], np.int64)))
        offset += len(sent.data)
    state = state_of_chunks(chunks, dated())
    return delay(replace(Context(state), **{"clock_trusted": True, **more}))


@pytest.mark.parametrize(
    ("late_s", "state", "limit"),
    [
        (0.4, State.OK, 3.0),
        (2.9, State.OK, 3.0),
        (3.0, State.WATCH, 3.0),
        (4.9, State.WATCH, 3.0),
        (5.0, State.BAD, 5.0),
        (30.0, State.BAD, 5.0),
    ],
)
def test_the_limits_are_3_and_5_s(late_s: float, state: State, limit: float) -> None:
    found = judged(late_s)
    assert (found.state, found.limit) == (state, limit)
    assert found.value == pytest.approx(late_s)
    assert (found.action is None) == (state is State.OK)


def test_a_clock_that_is_not_trusted_tells_only_how_steady_it_is() -> None:
    found = judged(0.4, 0.3, clock_trusted=False)
    assert found.state is State.UNKNOWN
    assert found.text == "PC clock not known to be right; delay steady within 0.3 s"


@pytest.mark.parametrize(("late_s", "trusted"), [(71.0, False), (-71.0, False), (-71.0, True)])
def test_a_clock_that_is_far_off_is_told_by_its_size(late_s: float, trusted: bool) -> None:
    found = judged(late_s, clock_trusted=trusted)
    assert found.state is State.UNKNOWN
    assert found.text == "clock or stream 71 s off"
    assert "set this computer's clock" in (found.action or "")


def test_what_is_known_of_the_clock_stands_beside_the_delay() -> None:
    assert judged(0.6, clock_error_s=0.03).text == "0.6 s (PC clock right to 0.1 s)"


def test_a_few_seconds_are_not_enough() -> None:
    assert judged(0.4, epochs=6).state is State.UNKNOWN


@pytest.mark.parametrize(("error_s", "later_s"), [(0.4, 6.2), (-40.0, 6.2), (71.0, 3.5)])
def test_any_clock_tells_that_a_stream_has_become_later(error_s: float, later_s: float) -> None:
    found = judged(error_s, later_s=later_s, clock_trusted=False)
    assert found.state is State.WATCH
    assert found.value == pytest.approx(later_s, abs=0.05)
    assert found.limit == 3.0
    assert found.text == (
        f"up to {later_s:.1f} s later than before (computer's clock not known to be right)"
    )
    assert found.action
    assert found.since == "2026-03-04T07:00:04Z"  # the third late epoch; UTC is 18 s behind GPS


def test_less_than_the_limit_later_is_no_fault() -> None:
    found = judged(0.4, later_s=2.8, clock_trusted=False)
    assert found.state is State.UNKNOWN
    assert found.text == "PC clock not known to be right; delay steady within 2.8 s"


def test_a_delay_that_jumps_about_is_not_called_steady() -> None:
    found = judged(0.4, 4.0, clock_trusted=False)
    assert found.text == "PC clock not known to be right; delay not steady: it changes by 4 s"


def test_with_a_trusted_clock_the_delay_itself_is_judged() -> None:
    assert judged(0.4, later_s=6.2).text == "6.6 s"
