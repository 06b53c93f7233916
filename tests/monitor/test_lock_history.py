"""Losses of lock that lock times prove, and restarts of the receiver.

Evidence: a lock time that falls, or that is shorter than the time gone by (RTCM 10403.x, lock-time
tables). On the recording the losses are recounted with plain loops.
"""

from collections import defaultdict
from pathlib import Path

import numpy as np
import pytest

from rtcmtool.monitor.lock_history import MOST_RESTARTS, LockHistory
from rtcmtool.wire.observations import Observations
from rtcmtool.wire.signal_ids import SIGNAL_ID
from rtcmtool.wire.stream import Chunk, decode_stream
from tests.streams import (
    Columns,
    Edit,
    Sent,
    base_stream,
    merged,
    observed,
    state_of,
    without,
    without_epochs,
)


def locks(stream: list[Sent]) -> LockHistory:
    """Follow a stream to its end."""
    return state_of(stream).signals.locks


def relocked(at: int, *satellites: int, signal: str | None = None, age_ms: int = 0) -> Edit:
    """Give an edit: from an epoch on lock times begin anew, all or those of some satellites."""

    def edit(columns: Columns) -> None:
        rows = columns["epoch"] >= at
        if satellites:
            rows &= np.isin(columns["satellite"], satellites)
        if signal:
            rows &= columns["signal"] == SIGNAL_ID[signal]
        columns["lock_time_ms"][rows] = age_ms + 1000 * (columns["epoch"][rows] - at)

    return edit


@pytest.mark.parametrize("number", [1004, 1012, 1074, 1077, 1085, 1097, 1126])
def test_lock_times_that_grow_prove_nothing(number: int) -> None:
    found = locks(observed(number, 60))
    assert (found.slips, found.restarts) == (0, [])
    assert found.told > 0


@pytest.mark.parametrize("number", [1001, 1071])
def test_time_is_counted_by_satellite_not_by_signal(number: int) -> None:
    one = locks(observed(number, 61, satellites=4, signals=("1C",)))
    two = locks(observed(number + 3, 61, satellites=4))
    assert two.satellite_ms == 4 * 60_000
    assert one.satellite_ms == (4 * 60_000 if number == 1001 else 0)  # MSM1 has no phase


@pytest.mark.parametrize("number", [1004, 1074, 1077])
def test_a_fall_is_a_slip_of_its_satellite(number: int) -> None:
    assert locks(observed(number, 60, edit=relocked(30, 3))).slips == 1


def test_both_signals_of_a_satellite_slip_once() -> None:
    both = locks(observed(1074, 60, edit=relocked(30, 3)))
    one = locks(observed(1074, 60, edit=relocked(30, 3, signal="2W")))
    assert both.slips == one.slips == 1


def test_slips_of_several_satellites_add_up() -> None:
    assert locks(observed(1074, 60, edit=relocked(30, 1, 3, 4))).slips == 3


def test_a_lock_shorter_than_the_time_gone_by_is_a_slip() -> None:
    def edit(columns: Columns) -> None:
        rows = columns["satellite"] == 3
        # Never falls, but each is younger than a second: lost at every epoch.
        columns["lock_time_ms"][rows] = 300 + columns["epoch"][rows]

    assert locks(observed(1077, 21, edit=edit)).slips == 20


def test_a_lock_that_may_be_as_old_as_the_time_gone_by_is_none() -> None:
    def edit(columns: Columns) -> None:
        # The class of 512 ms reaches to 1024 ms, beyond the second that went by.
        columns["lock_time_ms"][columns["satellite"] == 3] = 600

    assert locks(observed(1074, 21, edit=edit)).slips == 0


def test_a_lock_time_that_is_always_zero_is_not_told() -> None:
    def edit(columns: Columns) -> None:
        columns["lock_time_ms"][:] = 0

    found = locks(observed(1074, 60, edit=edit))
    assert (found.slips, found.restarts) == (0, [])


@pytest.mark.parametrize(("away", "slips"), [(59, 1), (60, 0)])
def test_a_satellite_that_was_away_for_over_a_minute_begins_anew(away: int, slips: int) -> None:
    def gone(columns: Columns) -> None:
        relocked(30 + away, 3)(columns)
        rows = (
            (columns["satellite"] == 3) & (columns["epoch"] >= 30) & (columns["epoch"] < 30 + away)
        )
        keep = ~rows
        for name in columns:
            columns[name] = columns[name][keep]

    assert locks(observed(1074, 200, edit=gone)).slips == slips


def test_a_restart_is_one_event_and_no_slip() -> None:
    stream = base_stream(60, edit=relocked(30))
    found = locks(stream)
    assert found.slips == 0
    assert len(found.restarts) == 1
    state = state_of(stream)
    assert state.clock.first_ms is not None
    assert found.restarts[0] - state.clock.first_ms == 30_000


@pytest.mark.parametrize(("satellites", "restarts", "slips"), [(4, 1, 0), (3, 0, 3)])
def test_a_restart_needs_eight_signals(satellites: int, restarts: int, slips: int) -> None:
    found = locks(observed(1074, 60, satellites=satellites, edit=relocked(30)))
    assert (len(found.restarts), found.slips) == (restarts, slips)


@pytest.mark.parametrize(("lost", "restarts", "slips"), [(8, 1, 0), (7, 0, 7)])
def test_a_restart_takes_eighty_per_cent_of_the_signals(
    lost: int, restarts: int, slips: int
) -> None:
    edit = relocked(30, *range(1, lost + 1))
    found = locks(observed(1074, 60, satellites=10, edit=edit))
    assert (len(found.restarts), found.slips) == (restarts, slips)


def test_the_loss_of_one_system_of_several_is_no_restart() -> None:
    def edit(columns: Columns) -> None:
        if SIGNAL_ID["2W"] in columns["signal"]:
            relocked(30)(columns)

    found = locks(base_stream(60, edit=edit))
    assert (found.restarts, found.slips) == ([], 9)


def test_a_restart_with_a_silence_of_minutes_is_seen() -> None:
    stream = without(base_stream(400, edit=relocked(330)), lambda s: 30 <= s.epoch < 330)
    assert len(locks(stream).restarts) == 1


def test_a_silence_without_loss_of_lock_is_no_restart() -> None:
    stream = without_epochs(base_stream(100), *range(30, 50))
    found = locks(stream)
    assert (found.restarts, found.slips) == ([], 0)


def test_an_epoch_received_twice_changes_nothing() -> None:
    once = base_stream(60, extras=(), edit=relocked(30, 3))
    again = [Sent(sent.epoch + 1, sent.number, sent.data) for sent in once]
    twice = locks(merged(once, again))
    assert twice.slips == locks(once).slips
    assert twice.satellite_ms == locks(once).satellite_ms


def test_legacy_and_msm_lock_times_are_not_mixed() -> None:
    # Their classes differ: 131 s is 128 s in one table and 131.072 s in the other.
    stream = base_stream(120, numbers=(1004, 1074), extras=())
    assert locks(stream).slips == 0


def test_an_epoch_is_judged_when_it_is_over() -> None:
    state = state_of(observed(1074, 31, edit=relocked(30)), finish=False)
    assert state.signals.locks.restarts == []
    state.finish()
    assert len(state.signals.locks.restarts) == 1


def test_restarts_are_kept_up_to_a_limit() -> None:
    def edit(columns: Columns) -> None:
        columns["lock_time_ms"] = np.where(columns["epoch"] % 2 == 0, 90_000, 0)

    found = locks(observed(1074, 2 * MOST_RESTARTS + 20, satellites=4, edit=edit))
    assert len(found.restarts) == MOST_RESTARTS


@pytest.mark.open_data
@pytest.mark.slow
def test_losses_of_a_recording_are_those_of_a_plain_count(open_data: Path) -> None:
    data = (open_data / "static-msm5.rtcm3").read_bytes()
    steps = [16 << index for index in range(15)]  # upper bounds of the classes of MSM4 and MSM5
    before: dict[tuple[int, int, int], tuple[int, int]] = {}
    lost: dict[int, set[tuple[int, int, int]]] = defaultdict(set)
    known: dict[int, int] = defaultdict(int)
    for batch in decode_stream([Chunk(data)]):
        rows = batch.observations
        times = batch.timeline_ms[rows.frame].tolist()
        names = zip(
            rows.system.tolist(), rows.satellite.tolist(), rows.signal.tolist(), strict=True
        )
        for time, name, lock in zip(times, names, rows.lock_time_ms.tolist(), strict=True):
            if name in before:
                time_before, lock_before = before[name]
                known[time] += 1
                upper = next((step for step in steps if step > lock), 1 << 40)
                if lock < lock_before or (lock and upper <= time - time_before):
                    lost[time].add(name)
            before[name] = (time, lock)
    restarts = [time for time, names in lost.items() if len(names) >= 0.8 * known[time] >= 6.4]
    # What is lost just before or soon after a restart belongs to it.
    slips = sum(
        len({name[:2] for name in names})
        for time, names in lost.items()
        if not any(restart - 15_000 <= time <= restart + 30_000 for restart in restarts)
    )
    found = state_of(data).signals.locks
    assert found.restarts == restarts
    assert len(restarts) == 1
    assert abs(found.slips - slips) <= 1  # a satellite that was away for over a minute is no slip


def test_signals_that_come_back_one_after_the_other_are_one_restart() -> None:
    history = LockHistory()
    number = np.array([1077])
    start = 1_400_000_000_000
    for second in range(120):
        seen = range(20) if second < 60 else range(min(4 * (second - 65), 20))
        lock = 60_000 + 1000 * second if second < 60 else 1000 * (second - 65)
        satellites = np.array([satellite + 1 for satellite in seen], dtype=np.uint8)
        locks = [lock - 1000 * (index // 4) if second >= 60 else lock for index in seen]
        history.update(
            rows_of(satellites, np.array(locks, dtype=np.int32)),
            number,
            np.array([start + 1000 * second]),
        )
    history.finish()
    assert history.restarts == [start + 66_000]
    assert history.slips == 0


def rows_of(satellites: np.ndarray, lock_ms: np.ndarray) -> Observations:
    """Make GPS 1C observations of one frame with these lock times."""
    size = len(satellites)
    nan = np.full(size, np.nan)
    return Observations(
        frame=np.zeros(size, np.int32),
        system=np.zeros(size, np.uint8),
        satellite=satellites,
        signal=np.full(size, SIGNAL_ID["1C"], np.uint8),
        pseudorange_m=nan,
        phase_range_m=nan,
        pseudorange_modulo_m=nan,
        phase_range_modulo_m=nan,
        phase_range_rate_m_s=nan,
        cnr_dbhz=np.full(size, 45, np.float32),
        lock_time_ms=lock_ms,
        half_cycle=np.zeros(size, np.int8),
    )
