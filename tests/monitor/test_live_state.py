from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rtcmtool.gnss import time as gnss_time
from rtcmtool.monitor.events import Condition, Rank
from rtcmtool.monitor.live_state import LiveState
from rtcmtool.monitor.outage_kinds import Kind
from tests.monitor.following import LATE_S, UTC_NS, Follower
from tests.streams import START_MS, Sent, base_stream, data_of, without_epochs

SMALL = (1074, 1084)


def stream(epochs: int) -> list[Sent]:
    return base_stream(epochs, numbers=SMALL, satellites={"GPS": 4, "GLO": 3})


def is_blind(live: LiveState) -> bool:
    return live.blind is not None


def test_a_healthy_stream_makes_no_event_and_no_outage() -> None:
    live = Follower(stream(60)).run(60.0)
    assert live.lacking is None
    assert not live.events.events
    assert not live.take_outages()
    assert (live.gaps.due, live.gaps.whole, live.gaps.count) == (60, 60, 0)
    assert live.windows.over(60).mean_delay_s == pytest.approx(LATE_S, abs=0.01)
    assert live.satellites.counts(live.old_s) == {"G": 4, "R": 3}
    assert live.position_interval_s == pytest.approx(10.0)
    assert live.interval_s == 1.0


def test_a_step_of_the_clock_makes_no_gap_and_is_told() -> None:
    follower = Follower(stream(60))
    follower.run(30.0)
    follower.clock_error_s = 3600.0
    live = follower.run(60.0)
    assert live.gaps.count == 0
    assert not live.take_outages()
    (event,) = live.take_events()
    assert (event.kind, event.values["step_s"]) == ("clock-step", 3600.0)
    assert live.state.messages.by_number[1006].longest_ms == 10_000


def test_an_outage_is_one_event_with_its_start_and_end() -> None:
    follower = Follower(without_epochs(stream(60), *range(20, 34)))
    live = follower.run(27.0)
    (event,) = live.events.open
    assert (event.rank, event.text) == (Rank.BAD, "silent")
    follower.run(60.0)
    assert not live.events.open
    assert event.start.utc_ns == UTC_NS + round((19 + LATE_S) * 1e9)
    assert event.seconds(live.now) == pytest.approx(15.0)
    states = [record.values.get("state") for record in live.take_events()]
    assert states == ["open", "ended"]


def test_what_an_outage_breaks_anyway_is_no_event_of_its_own() -> None:
    follower = Follower(without_epochs(stream(60), *range(20, 34)))
    live = follower.run(27.0)
    live.report(
        [Condition("position_sent", Rank.BAD, "none"), Condition("one_base", Rank.BAD, "2")]
    )
    assert [event.key for event in live.events.open] == ["finding:one_base", "outage:silence"]


def test_blindness_is_a_monitor_gap_and_no_loss() -> None:
    follower = Follower(without_epochs(stream(80), *range(20, 50)))
    live = follower.run(20.0)
    live.not_listening(follower.utc_ns(20.0), 20.0, "port lost, trying again")
    follower.run(49.9)
    assert is_blind(live)
    live.listening(follower.utc_ns(49.9), 49.9)
    follower.run(80.0)
    assert not is_blind(live)
    assert not live.take_outages()
    assert (live.gaps.count, live.gaps.due, live.gaps.whole) == (0, 50, 50)
    kinds = [record.kind for record in live.take_events()]
    assert kinds == ["monitor-gap", "monitor-gap"]
    strip = live.strips.strip(1074, 8)
    assert strip.count("?") in {3, 4}
    assert set(strip) == {"-", "?"}
    assert live.strips.lost(1074) == 0


def test_a_silence_that_lasts_when_the_source_is_given_up_is_not_known_to_be_over() -> None:
    follower = Follower(stream(30))
    live = follower.run(80.0)
    live.not_listening(follower.utc_ns(80.0), 80.0, "nothing for 60 s, trying again")
    silent = next(event for event in live.events.events if event.key == "outage:silence")
    assert (silent.is_open, silent.ending) == (False, "then not watching")
    told = [record for record in live.take_events() if record.values.get("state") == "ended"]
    assert [record.values["known_over"] for record in told] == [False]


def test_what_is_lacking_turns_at_three_intervals() -> None:
    follower = Follower(stream(20))
    assert follower.run(19 + LATE_S + 2.8).lacking is None
    assert follower.run(19 + LATE_S + 3.2).lacking is Kind.SILENCE


def test_the_recent_state_knows_only_the_last_half_minute() -> None:
    live = Follower(without_epochs(stream(100), *range(20, 30))).run(100.0)
    recent = live.recent_state()
    assert recent.epochs is not None
    assert recent.epochs.due == recent.epochs.whole
    assert 28 <= recent.epochs.due <= 31
    assert recent.traffic.foreign_bytes == 0
    assert live.state.epochs is not None
    assert live.state.epochs.due - live.state.epochs.whole == 10


def test_a_type_lost_just_now_is_missed_by_the_recent_state() -> None:
    made = [s for s in stream(80) if not (s.number == 1084 and s.epoch >= 40)]
    recent = Follower(made).run(80.0).recent_state()
    assert recent.epochs is not None
    assert recent.epochs.whole == 0


CUT_STREAM = stream(12)


@pytest.mark.slow
@given(st.lists(st.integers(1, 400), min_size=1, max_size=20))
def test_it_does_not_matter_how_the_bytes_are_cut(sizes: list[int]) -> None:
    data = data_of(CUT_STREAM)
    live = LiveState(UTC_NS, 0.0)
    at = turn = 0
    while at < len(data):
        size = sizes[turn % len(sizes)]
        live.feed(data[at : at + size], UTC_NS, 0.0)
        at, turn = at + size, turn + 1
    live.finish(UTC_NS, 0.0)
    assert live.gaps.whole == 12
    assert live.state.traffic.frames == len(CUT_STREAM)
    assert live.windows.over().frame_bytes == len(data)


@given(st.lists(st.tuples(st.binary(max_size=60), st.floats(-5, 90)), max_size=20))
def test_no_bytes_and_no_clock_break_it(pieces: list[tuple[bytes, float]]) -> None:
    live, at_s = LiveState(UTC_NS, 0.0), 0.0
    for data, step_s in pieces:
        at_s += abs(step_s)
        live.feed(data, UTC_NS + round((at_s + step_s) * 1e9), at_s)
    live.finish(UTC_NS + round(at_s * 1e9), at_s)
    assert live.windows.over().size_bytes == sum(len(data) for data, _ in pieces)


@pytest.mark.slow
@pytest.mark.open_data
def test_a_real_recording_is_followed(open_data: Path) -> None:
    data = (open_data / "static-msm5.rtcm3").read_bytes()[:400_000]
    live, at_s = LiveState(UTC_NS, 0.0), 0.0
    for at in range(0, len(data), 1200):
        at_s += 0.5
        live.feed(data[at : at + 1200], UTC_NS + round(at_s * 1e9), at_s)
    # Three systems at 1 Hz, other bytes between the frames: the README of the recordings.
    assert set(live.satellites.counts(live.old_s)) == {"G", "R", "E"}
    assert live.interval_s == 1.0
    assert live.state.traffic.outside_bytes > 0
    assert live.gaps.whole >= 0.95 * live.gaps.due > 0


def test_the_date_comes_from_the_arrivals() -> None:
    live = Follower(stream(10)).run(10.0)
    assert live.state.epochs is not None
    assert live.state.epochs.latest_ms is not None
    gps_ms = live.state.clock.gps_ms_of_epoch(live.state.epochs.latest_ms)
    assert gps_ms is not None
    assert gnss_time.iso(gps_ms) == gnss_time.iso(START_MS + 9000)
