"""The contract of outages: kinds, starts, ends, counts; by hand-moved clocks."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rtcmtool.captures.companions import OutageRow
from rtcmtool.gnss.time import iso
from rtcmtool.monitor.outage_kinds import Arrival, Kind, StationEpoch
from rtcmtool.monitor.outages import OutageTracker
from rtcmtool.monitor.steady_clock import Moment
from tests.monitor.following import LATE_S, UTC_NS, Follower
from tests.streams import (
    FOUR_SYSTEMS,
    START_MS,
    Sent,
    base_stream,
    every,
    position,
    without,
    without_epochs,
)

SMALL = (1074, 1084)


def stream(epochs: int, **options: object) -> list[Sent]:
    return base_stream(epochs, numbers=SMALL, satellites={"GPS": 4, "GLO": 3}, **options)  # type: ignore[arg-type]  # passed on


def closed_rows(follower: Follower) -> list[OutageRow]:
    return [change.row for change in follower.live.take_outages() if not change.is_open]


def kind_of(tracker: OutageTracker) -> Kind | None:
    return tracker.open_kind


def seconds(utc_ns: int) -> float:
    return (utc_ns - UTC_NS) / 1e9


def test_a_silence_goes_from_the_last_whole_epoch_to_the_first_of_three() -> None:
    follower = Follower(without_epochs(stream(50), *range(20, 34)))
    follower.run(50.0)
    (row,) = closed_rows(follower)
    assert row.kind == "silence"
    assert seconds(row.start_utc_ns) == pytest.approx(19 + LATE_S)
    assert seconds(row.end_utc_ns) == pytest.approx(34 + LATE_S)
    assert row.duration_s == pytest.approx(15.0)
    assert row.epochs_missed == 14
    assert row.last_good_epoch_gps_ms is not None
    assert iso(row.last_good_epoch_gps_ms) == iso(START_MS + 19_000)
    assert (row.bytes_received, row.crc_failures, row.stations_heard, row.note) == (
        0,
        0,
        (417,),
        "",
    )


@pytest.mark.parametrize(("lost", "booked"), [(3, 0), (5, 1), (14, 1)])
def test_only_a_gap_of_five_seconds_is_an_outage(lost: int, booked: int) -> None:
    follower = Follower(without_epochs(stream(45), *range(20, 20 + lost)))
    follower.run(45.0)
    assert len(closed_rows(follower)) == booked
    assert follower.live.gaps.count == 1


def test_at_five_seconds_an_interval_a_gap_must_be_three_intervals() -> None:
    made = stream(30, interval_ms=5000)
    follower = Follower(without_epochs(made, 15, 20, 21, 22), interval_s=5.0)
    follower.run(150.0)
    (row,) = closed_rows(follower)
    assert (row.kind, row.epochs_missed) == ("silence", 3)
    assert row.duration_s == pytest.approx(20.0)


def test_an_outage_opens_while_it_lasts() -> None:
    follower = Follower(stream(20))
    follower.run(19 + LATE_S + 4.9, tick_s=0.1)
    assert kind_of(follower.live.outages) is None
    follower.run(19 + LATE_S + 5.1, tick_s=0.1)
    assert kind_of(follower.live.outages) is Kind.SILENCE
    (change,) = follower.live.take_outages()
    assert change.is_open
    assert change.row.duration_s == pytest.approx(5.0, abs=0.11)


def test_a_position_just_behind_the_last_epoch_does_not_hide_the_silence() -> None:
    follower = Follower(stream(20), extra={20.4: position()})
    follower.run(30.0)
    assert kind_of(follower.live.outages) is Kind.SILENCE


def test_two_whole_epochs_do_not_end_an_outage() -> None:
    lost = [*range(20, 30), *range(32, 40)]
    follower = Follower(without_epochs(stream(60), *lost))
    follower.run(60.0)
    (row,) = closed_rows(follower)
    assert seconds(row.end_utc_ns) == pytest.approx(40 + LATE_S)


def test_bytes_without_a_frame_are_garbled() -> None:
    noise = {20.2 + 0.5 * step: b"\x55" * 40 for step in range(30)}
    follower = Follower(without_epochs(stream(50), *range(20, 35)), extra=noise)
    follower.run(50.0)
    (row,) = closed_rows(follower)
    assert row.kind == "garbled"
    assert seconds(row.start_utc_ns) == pytest.approx(19 + LATE_S)
    assert 1000 <= row.bytes_received <= 1200 + 1000  # the noise, and the epochs that ended it
    assert row.crc_failures == 0


def test_damaged_frames_are_counted_as_failures() -> None:
    made = stream(50)
    spoiled = [
        Sent(s.epoch, s.number, s.data[:-1] + bytes([s.data[-1] ^ 1])) if 20 <= s.epoch < 32 else s
        for s in made
    ]
    follower = Follower(spoiled)
    follower.run(50.0)
    (row,) = closed_rows(follower)
    assert row.kind == "garbled"
    assert row.crc_failures >= 20


def test_a_stream_without_observations_is_told_from_a_silence() -> None:
    made = without(stream(60), lambda s: 20 <= s.epoch < 45 and s.number in SMALL)
    follower = Follower(made)
    follower.run(60.0)
    (row,) = closed_rows(follower)
    assert row.kind == "no-observations"
    assert (seconds(row.start_utc_ns), seconds(row.end_utc_ns)) == pytest.approx(
        (19 + LATE_S, 45 + LATE_S)
    )
    assert row.epochs_missed == 25


def test_a_change_of_kind_closes_one_row_and_opens_the_next() -> None:
    noise = {30.0 + 0.5 * step: b"\x55" * 40 for step in range(30)}
    follower = Follower(without_epochs(stream(60), *range(20, 45)), extra=noise)
    follower.run(60.0)
    first, second = closed_rows(follower)
    assert (first.kind, second.kind) == ("silence", "garbled")
    assert seconds(first.end_utc_ns) == seconds(second.start_utc_ns) == pytest.approx(30.0)
    assert first.bytes_received == 0
    assert second.bytes_received > 0
    assert first.epochs_missed is not None
    assert second.epochs_missed is not None
    assert first.epochs_missed + second.epochs_missed == 25


def test_garbled_that_falls_silent_changes_at_its_last_byte() -> None:
    noise = {20.0 + 0.5 * step: b"\x55" * 40 for step in range(20)}
    follower = Follower(without_epochs(stream(60), *range(20, 45)), extra=noise)
    follower.run(60.0)
    first, second = closed_rows(follower)
    assert (first.kind, second.kind) == ("garbled", "silence")
    assert seconds(first.end_utc_ns) == pytest.approx(29.5)


def test_the_first_bytes_of_a_recovery_make_no_row() -> None:
    noise = {33.5: b"\x55" * 40, 33.8: position()}
    follower = Follower(without_epochs(stream(50), *range(20, 35)), extra=noise)
    follower.run(50.0)
    assert [row.kind for row in closed_rows(follower)] == ["silence"]


def without_position(epochs: int, first: int, last: int) -> list[Sent]:
    return without(stream(epochs), lambda s: first <= s.epoch < last and s.number == 1006)


@pytest.mark.slow
def test_no_position_opens_a_minute_after_the_last_one() -> None:
    follower = Follower(without_position(130, 15, 95))
    follower.run(130.0)
    (row,) = closed_rows(follower)
    assert row.kind == "no-position"
    assert seconds(row.start_utc_ns) == pytest.approx(10 + LATE_S + 60)
    assert seconds(row.end_utc_ns) == pytest.approx(100 + LATE_S)
    assert row.epochs_missed == 0
    assert row.stations_heard == (417,)


@pytest.mark.slow
def test_a_base_that_never_sends_its_position_is_booked_a_minute_after_the_start() -> None:
    follower = Follower(without_position(80, 0, 80))
    follower.run(80.0)
    live = follower.finish()
    (row,) = [change.row for change in live.take_outages() if not change.is_open]
    assert (row.kind, row.note) == ("no-position", "open at end of recording")
    assert seconds(row.start_utc_ns) == pytest.approx(60.0)


def test_a_silence_within_no_position_is_a_row_of_its_own() -> None:
    tracker, clock = fed_tracker()
    for second in range(1, 80):
        clock(second, positions=False)
    for second in range(90, 110):
        clock(second, positions=False)
    tracker.finish(moment(110))
    rows = [change.row for change in tracker.take_changes() if not change.is_open]
    assert [row.kind for row in rows] == ["no-position", "silence", "no-position"]
    assert rows[0].end_utc_ns == rows[1].start_utc_ns == moment(79).utc_ns
    assert rows[1].end_utc_ns == rows[2].start_utc_ns == moment(90).utc_ns


def moment(second: float) -> Moment:
    ns = round(second * 1e9)
    return Moment(ns, ns)


def fed_tracker(*, late: bool = False):
    """Give a tracker and a function that lets a whole epoch arrive at a second."""
    tracker = OutageTracker(moment(0))
    tracker.interval_s = 1.0

    def arrive(second: int, *, positions: bool = True, late: bool = late, whole: bool = True):
        at = moment(second)
        epoch = StationEpoch(7, 1000 * second, None, at, whole, late)
        tracker.receive(at, Arrival(100, 0, (7,), True, True, positions, [epoch]))

    return tracker, arrive


def test_epochs_older_than_five_seconds_by_a_trusted_clock_are_late() -> None:
    made = stream(60)
    follower = Follower(made, late_s=lambda e: 6.5 if 20 <= e < 40 else LATE_S)
    follower.run(70.0)
    rows = closed_rows(follower)
    # For 6.9 s no byte came, which is silence; then epochs came that were too old.
    assert [row.kind for row in rows] == ["silence", "late"]
    assert seconds(rows[0].start_utc_ns) == pytest.approx(19 + LATE_S)
    assert rows[0].end_utc_ns == rows[1].start_utc_ns
    assert seconds(rows[1].start_utc_ns) == pytest.approx(20 + 6.5)
    assert seconds(rows[1].end_utc_ns) == pytest.approx(40 + LATE_S)
    assert rows[0].epochs_missed == 7  # due at 20 to 26 s
    assert sum(row.epochs_missed or 0 for row in rows) == 20


def test_the_events_tell_a_late_stream_as_the_rows_do() -> None:
    follower = Follower(stream(60), late_s=lambda e: 6.5 if 20 <= e < 40 else LATE_S)
    follower.run(60.0)
    told = [e for e in follower.live.take_events() if e.kind == "outage"]
    assert [(e.values["outage"], e.values["state"]) for e in told] == [
        ("silence", "open"), ("silence", "ended"), ("late", "open"), ("late", "ended"),
    ]  # fmt: skip
    assert not follower.live.events.open


def test_a_stream_that_falls_behind_little_by_little_is_late_at_once() -> None:
    def late_s(epoch: int) -> float:
        return min(LATE_S + max(epoch - 19, 0), 8.6) if epoch < 40 else LATE_S

    follower = Follower(stream(60), late_s=late_s)
    follower.run(59.0)
    assert [row.kind for row in closed_rows(follower)] == ["late"]


def test_without_a_trusted_clock_nothing_is_late() -> None:
    follower = Follower(stream(60), late_s=lambda _: 71.0, trusted=False)
    follower.live.tick(follower.utc_ns(70.0), 70.0)
    follower.live.take_outages()
    follower.at_s = 70.0
    follower.run(131.0)
    assert kind_of(follower.live.outages) is None
    assert "late" not in [row.kind for row in closed_rows(follower)]


def test_an_outage_open_at_the_end_is_closed_with_a_note() -> None:
    follower = Follower(stream(20))
    follower.run(40.0)
    follower.finish()
    (row,) = closed_rows(follower)
    assert row.note == "open at end of recording"
    assert seconds(row.end_utc_ns) == pytest.approx(40.0)
    assert row.epochs_missed == 20


def test_a_time_of_not_listening_is_never_an_outage() -> None:
    tracker, arrive = fed_tracker()
    for second in range(1, 20):
        arrive(second)
    tracker.not_listening(moment(19.5), moment(60))
    for second in range(61, 70):
        arrive(second)
    tracker.finish(moment(70))
    assert not tracker.take_changes()


def test_an_outage_ends_where_listening_ends() -> None:
    tracker, arrive = fed_tracker()
    for second in range(1, 20):
        arrive(second)
    tracker.pause(moment(30))
    opened, closed = tracker.take_changes()
    assert opened.is_open
    assert closed.goes_on
    assert closed.row.note == "then not listening"
    assert closed.row.end_utc_ns == moment(30).utc_ns


def test_epochs_that_come_in_part_open_no_outage() -> None:
    tracker, arrive = fed_tracker()
    for second in range(1, 20):
        arrive(second)
    for second in range(20, 50):
        arrive(second, whole=False)
    assert kind_of(tracker) is None


def test_a_port_that_never_sends_is_silent_since_the_start() -> None:
    tracker, _ = fed_tracker()
    tracker.tick(moment(14.9))
    assert kind_of(tracker) is None
    tracker.tick(moment(15.1))
    assert kind_of(tracker) is Kind.SILENCE
    assert tracker.open_start == moment(0)


@given(
    begin=st.integers(12, 25),
    length=st.integers(6, 25),
    number=st.sampled_from(["silence", "no-observations"]),
)
def test_whatever_the_fault_its_row_is_true_to_an_interval(
    begin: int, length: int, number: str
) -> None:
    tracker, arrive = fed_tracker()
    for second in range(1, 70):
        if not begin <= second < begin + length:
            arrive(second)
        elif number == "no-observations":
            tracker.receive(moment(second), Arrival(30, 0, (7,), True))
        tracker.tick(moment(second + 0.5))
    rows = [change.row for change in tracker.take_changes() if not change.is_open]
    assert [row.kind for row in rows] == [number]
    assert rows[0].start_utc_ns == moment(begin - 1).utc_ns
    assert rows[0].end_utc_ns == moment(begin + length).utc_ns
    assert rows[0].epochs_missed == length


@given(st.lists(st.sampled_from(["whole", "part", "frames", "noise", "none"]), max_size=80))
def test_rows_never_overlap_and_never_run_backwards(story: list[str]) -> None:
    tracker, arrive = fed_tracker()
    for second, what in enumerate(story, start=1):
        if what in {"whole", "part"}:
            arrive(second, whole=what == "whole")
        elif what != "none":
            tracker.receive(moment(second), Arrival(30, 0, (7,), what == "frames"))
        tracker.tick(moment(second + 0.5))
    tracker.finish(moment(len(story) + 1))
    rows = [change.row for change in tracker.take_changes() if not change.is_open]
    assert all(row.duration_s >= 0 for row in rows)
    assert all(a.end_utc_ns <= b.start_utc_ns for a, b in pairwise(rows))
    assert all(row.bytes_received >= 0 and (row.epochs_missed or 0) >= 0 for row in rows)


def test_a_second_base_going_silent_is_no_outage_of_the_stream() -> None:
    other = base_stream(20, numbers=FOUR_SYSTEMS[:1], satellites={"GPS": 4}, station=88, extras=[])
    follower = Follower([*stream(40), *other])
    follower.run(40.0)
    assert kind_of(follower.live.outages) is None
    assert not closed_rows(follower)


def test_positions_alone_every_ten_seconds_are_no_observations_and_no_silence_between() -> None:
    follower = Follower([*stream(20), *every(position(), 90, 10, first=20)])
    follower.run(90.0)
    follower.finish()
    assert [row.kind for row in closed_rows(follower)] == ["no-observations"]
    # What seemed a silence at first: its event ends too, by its clearer name.
    told = [e for e in follower.live.take_events() if e.kind == "outage"]
    assert [(e.text, e.values["state"]) for e in told] == [
        ("silent", "open"), ("no observations", "ended"),
    ]  # fmt: skip
    assert not [event for event in follower.live.events.open if event.key.startswith("outage:")]
