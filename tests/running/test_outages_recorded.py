"""The outages file against the faults that were put in: kind, start and end.

Truth is the injection itself, by the definitions of the design: an outage starts at the arrival of
the last whole epoch and ends at that of the first of three whole ones.
"""

from collections.abc import Callable
from pathlib import Path

import pytest

from rtcmtool.captures import open_capture
from rtcmtool.running.feed import Paused
from rtcmtool.sources import SourceState
from tests.running.driving import (
    LATE_S,
    Driven,
    Timed,
    by_epoch,
    damaged_between,
    drive,
    item,
    status,
    stream_of,
    timed,
    utc_ns,
)
from tests.streams import Sent, base_stream, every, position, without

INTERVAL_S = 1.0
EPOCHS = 140
FIRST = 60  # the first faulty epoch
HEALTHY_AGAIN = 40  # epochs behind a fault: a second row would have been opened by then


def silent(behind: int) -> list[Timed]:
    stream = stream_of(behind + HEALTHY_AGAIN)
    return by_epoch(without(stream, lambda s: FIRST <= s.epoch < behind))


def garbled(behind: int) -> list[Timed]:
    # Each message by itself: the others let those of an epoch come together.
    return timed(damaged_between(stream_of(behind + HEALTHY_AGAIN), FIRST, behind))


def no_observations(behind: int) -> list[Timed]:
    def is_lost(sent: Sent) -> bool:
        return FIRST <= sent.epoch < behind and sent.number in {1074, 1094}

    return by_epoch(without(stream_of(behind + HEALTHY_AGAIN), is_lost))


def rows(driven: Driven) -> list[tuple[str, float, float]]:
    """Give kind, start and end of the rows in the file, seconds from the start of the stream."""
    outages = open_capture(driven.path).outages
    return [
        (row.kind, (row.start_utc_ns - utc_ns(0)) / 1e9, (row.end_utc_ns - utc_ns(0)) / 1e9)
        for row in outages
    ]


@pytest.mark.parametrize("length", [6, 14, 45])
@pytest.mark.parametrize(
    ("fault", "kind"),
    [(silent, "silence"), (garbled, "garbled"), (no_observations, "no-observations")],
)
@pytest.mark.slow
def test_a_fault_becomes_one_row_with_its_kind_start_and_end(
    tmp_path: Path, fault: Callable[[int], list[Timed]], kind: str, length: int
) -> None:
    behind = FIRST + length
    driven = drive(tmp_path).play(fault(behind), behind + HEALTHY_AGAIN).close()
    ((found, start_s, end_s),) = rows(driven)
    assert found == kind
    assert start_s == pytest.approx(FIRST - 1 + LATE_S, abs=INTERVAL_S)
    assert end_s == pytest.approx(FIRST + length + LATE_S, abs=INTERVAL_S)


def test_a_short_silence_is_one_row(tmp_path: Path) -> None:
    stream = base_stream(45, numbers=(1074,), extras=(every(position(), 45, 5),))
    stream = without(stream, lambda sent: 20 <= sent.epoch < 30)
    ((kind, start_s, end_s),) = rows(drive(tmp_path).play(by_epoch(stream), 45).close())
    assert kind == "silence"
    assert (start_s, end_s) == pytest.approx((19 + LATE_S, 30 + LATE_S), abs=INTERVAL_S)


@pytest.mark.slow
def test_a_fault_of_four_seconds_is_a_gap_and_no_outage(tmp_path: Path) -> None:
    driven = drive(tmp_path).play(silent(FIRST + 3), FIRST + 3 + HEALTHY_AGAIN).close()
    assert rows(driven) == []
    assert driven.session.live.gaps.count == 1


@pytest.mark.slow
def test_a_base_without_position_is_an_outage_from_60_s_after_the_last_one(tmp_path: Path) -> None:
    stream = without(stream_of(180), lambda s: s.number == 1006 and FIRST <= s.epoch < 145)
    driven = drive(tmp_path).play(by_epoch(stream), 180).close()
    ((kind, start_s, end_s),) = rows(driven)
    assert kind == "no-position"
    assert start_s == pytest.approx(55 + LATE_S + 60, abs=INTERVAL_S)  # sent every 5 s
    assert end_s == pytest.approx(145 + LATE_S, abs=INTERVAL_S)


def delay_s(epoch: int) -> float:
    """Fall behind by a second an epoch, stay 8 s behind, and catch up."""
    if epoch < FIRST:
        return LATE_S
    if epoch < 100:
        return min(LATE_S + epoch - FIRST + 1, 8.0)
    return max(8.0 - 0.5 * (epoch - 99), LATE_S)


@pytest.mark.slow
def test_a_stream_that_falls_behind_is_late_by_a_trusted_clock_alone(tmp_path: Path) -> None:
    stream = by_epoch(stream_of(EPOCHS), delay_s)
    trusted = drive(tmp_path, clock_trusted=True, name="trusted").play(stream, EPOCHS).close()
    doubted = drive(tmp_path, name="doubted").play(stream, EPOCHS).close()
    on_time = [epoch + delay_s(epoch) for epoch in range(EPOCHS) if delay_s(epoch) < 5]
    before = max(at for at in on_time if at < 85)
    after = min(at for at in on_time if at > 85)
    ((kind, start_s, end_s),) = rows(trusted)
    assert kind == "late"
    assert start_s == pytest.approx(before, abs=INTERVAL_S)
    assert end_s == pytest.approx(after, abs=INTERVAL_S)
    assert rows(doubted) == []


@pytest.mark.slow
def test_a_change_of_kind_closes_one_row_and_opens_the_next(tmp_path: Path) -> None:
    stream = damaged_between(stream_of(EPOCHS), FIRST, 100)
    stream = without(stream, lambda sent: FIRST <= sent.epoch < 80)
    found = rows(drive(tmp_path).play(by_epoch(stream), EPOCHS).close())
    assert [kind for kind, _, _ in found] == ["silence", "garbled"]
    (_, start_s, change_s), (_, again_s, end_s) = found
    assert change_s == again_s
    assert start_s == pytest.approx(FIRST - 1 + LATE_S, abs=INTERVAL_S)
    assert change_s == pytest.approx(80 + LATE_S, abs=INTERVAL_S)
    assert end_s == pytest.approx(100 + LATE_S, abs=INTERVAL_S)


@pytest.mark.slow
def test_an_outage_that_lasts_to_the_end_is_closed_with_a_note(tmp_path: Path) -> None:
    stream = without(stream_of(EPOCHS), lambda sent: sent.epoch >= FIRST)
    driven = drive(tmp_path).play(by_epoch(stream), EPOCHS).close()
    (row,) = open_capture(driven.path).outages
    assert row.note == "open at end of recording"
    assert row.duration_s == pytest.approx(EPOCHS - FIRST, abs=1.5)


@pytest.mark.slow
def test_a_source_that_was_lost_is_a_monitor_gap_and_no_outage(tmp_path: Path) -> None:
    driven = drive(tmp_path)
    driven.play(by_epoch(stream_of(FIRST)), FIRST)
    driven.take(status(FIRST, SourceState.LOST, "the port is gone"))
    driven.play([], 100, FIRST)
    driven.take(status(100, SourceState.OPENED, "the port is open"))
    later = [(at, data) for at, data in by_epoch(stream_of(EPOCHS)) if at > 100]
    driven.play(later, EPOCHS, 100).close()
    assert rows(driven) == []
    opened, ended = driven.kept.of("monitor-gap")
    assert (opened.values["state"], ended.values["state"]) == ("open", "ended")
    assert ended.values["seconds"] == pytest.approx(40, abs=0.3)
    assert [e.kind for e in open_capture(driven.path).events if e.kind == "monitor-gap"]


@pytest.mark.slow
def test_an_outage_that_the_source_cuts_off_ends_there(tmp_path: Path) -> None:
    driven = drive(tmp_path)
    driven.play(by_epoch(stream_of(FIRST)), 80)
    driven.take(status(80, SourceState.LOST))
    driven.play([], 110, 80)
    driven.take(status(110, SourceState.OPENED))
    later = [(at, data) for at, data in by_epoch(stream_of(EPOCHS)) if at > 110]
    driven.play(later, EPOCHS, 110).close()
    ((kind, start_s, end_s),) = rows(driven)
    assert kind == "silence"
    assert start_s == pytest.approx(FIRST - 1 + LATE_S, abs=INTERVAL_S)
    assert end_s == pytest.approx(80, abs=INTERVAL_S)


@pytest.mark.slow
def test_a_computer_that_slept_was_not_listening(tmp_path: Path) -> None:
    driven = drive(tmp_path)
    driven.play(by_epoch(stream_of(FIRST)), FIRST)
    driven.take(Paused(item(FIRST), item(110)))
    later = [(at, data) for at, data in by_epoch(stream_of(EPOCHS)) if at > 110]
    driven.play(later, EPOCHS, 110).close()
    assert rows(driven) == []
    assert "slept" in driven.kept.of("monitor-gap")[0].text


@pytest.mark.slow
@pytest.mark.parametrize("step_s", [3600.0, -3600.0])
def test_a_step_of_the_clock_is_an_event_and_no_outage(tmp_path: Path, step_s: float) -> None:
    driven = drive(tmp_path)
    for at_s, data in by_epoch(stream_of(EPOCHS)):
        driven.take(item(at_s, data, step_s=step_s if at_s > FIRST else 0.0))
    driven.close()
    assert rows(driven) == []
    (step,) = driven.kept.of("clock-step")
    assert step.values["step_s"] == pytest.approx(step_s, abs=0.01)
