"""Epochs: the message set, whole and missing ones, gaps, and what must not be held against a base.

Definitions: the design's section on epochs, gaps and outages.
"""

from collections import Counter

import pytest

from rtcmtool.monitor.epochs import MOST_CHANGES, EpochTracker, Gap, typical
from tests.streams import (
    FOUR_SYSTEMS,
    START_MS,
    Sent,
    base_stream,
    every,
    merged,
    observed,
    position,
    state_of,
    without,
    without_epochs,
)


def followed(stream: list[Sent]) -> EpochTracker:
    """Follow a stream to its end; give the epochs of its station."""
    epochs = state_of(stream).epochs
    assert epochs is not None
    return epochs


def two_systems(epochs: int, interval_ms: int = 1000) -> list[Sent]:
    """Give GPS and GLONASS, GLONASS last."""
    return base_stream(epochs, numbers=(1074, 1084), extras=(), interval_ms=interval_ms)


def test_every_epoch_of_a_healthy_base_is_whole() -> None:
    epochs = followed(base_stream(60))
    assert (epochs.due, epochs.came, epochs.whole, epochs.closed) == (60, 60, 60, 60)
    assert epochs.types == set(FOUR_SYSTEMS)
    assert epochs.interval_ms == 1000
    assert epochs.longest == Gap(START_MS_OF_TIMELINE, START_MS_OF_TIMELINE + 1000)
    assert epochs.first_bad_ms is None


# While no date is known an assumed week stands in, with the same day and time of the week.
START_MS_OF_TIMELINE = 2300 * 604_800_000 + START_MS % 604_800_000


@pytest.mark.parametrize(("lost", "is_whole"), [((20,), False), ((), True)])
def test_an_epoch_without_one_message_of_the_set_is_not_whole(
    lost: tuple[int, ...], is_whole: bool
) -> None:
    stream = without(base_stream(60), lambda s: s.number == 1094 and s.epoch in lost)
    epochs = followed(stream)
    assert (epochs.due, epochs.came) == (60, 60)
    assert (epochs.whole == 60) is is_whole
    assert epochs.closed == 60
    assert epochs.longest is not None
    assert epochs.longest.seconds == (1 if is_whole else 2)


def test_an_epoch_whose_last_message_is_lost_is_neither_whole_nor_closed() -> None:
    stream = without(base_stream(60), lambda s: s.number == 1124 and s.epoch == 20)
    epochs = followed(stream)
    assert (epochs.whole, epochs.closed) == (59, 59)


@pytest.mark.parametrize(
    ("came", "in_set"),
    [(48, True), (47, False)],  # 80 % of 60, and one less
)
def test_a_type_is_in_the_set_from_eighty_per_cent_of_sixty_epochs_on(
    came: int, in_set: bool
) -> None:
    # The 60 epochs begin without the type, so that it cannot be in the set before.
    stream = without(two_systems(60), lambda s: s.number == 1074 and s.epoch < 60 - came)
    assert (1074 in followed(stream).types) is in_set


@pytest.mark.parametrize(("absent", "left"), [(60, False), (61, True)])
def test_a_type_that_is_absent_for_sixty_seconds_leaves_with_an_event(
    absent: int, left: bool
) -> None:
    gone = range(30, 30 + absent)
    stream = without(base_stream(30 + absent), lambda s: s.number == 1094 and s.epoch in gone)
    epochs = followed(stream)
    assert (1094 in epochs.types) is not left
    assert [(change.number, change.left) for change in epochs.changes] == [(1094, True)] * left


def test_an_epoch_is_whole_again_once_the_missing_type_has_left() -> None:
    stream = without(base_stream(120), lambda s: s.number == 1094 and s.epoch >= 30)
    epochs = followed(stream)
    assert epochs.whole == 30 + (120 - 90)
    (change,) = epochs.changes
    assert change.time_ms == START_MS_OF_TIMELINE + 90_000


def test_a_type_that_comes_back_is_told() -> None:
    stream = without(base_stream(220), lambda s: s.number == 1094 and 30 <= s.epoch < 120)
    changes = followed(stream).changes
    assert [(change.number, change.left) for change in changes] == [(1094, True), (1094, False)]
    # 48 of the last 60 epochs have it again.
    assert changes[1].time_ms == START_MS_OF_TIMELINE + 1000 * (120 + 47)


@pytest.mark.parametrize("interval_ms", [1000, 10_000, 30_000])
def test_a_type_that_left_slow_epochs_is_told_once(interval_ms: int) -> None:
    # Sixty slow epochs reach back beyond the minute in which a type may be absent.
    stream = base_stream(160, extras=(), interval_ms=interval_ms)
    stream = without(stream, lambda s: s.number == 1094 and s.epoch >= 80)
    changes = followed(stream).changes
    assert [(change.number, change.left) for change in changes] == [(1094, True)]


def test_changes_of_the_set_are_kept_up_to_a_limit() -> None:
    tracker = EpochTracker()
    for epoch in range(MOST_CHANGES + 200):
        now = 100_000 * epoch
        for number in (1074, 1084 + 10 * (epoch % 5)):
            tracker.add(now, now, number, number != 1074, 5, 5)
    tracker.finish()
    assert len(tracker.changes) <= MOST_CHANGES


@pytest.mark.parametrize("lost", [(30,), (30, 31, 32), (10, 20, 30, 40)])
def test_missing_epochs_are_counted_as_due(lost: tuple[int, ...]) -> None:
    epochs = followed(without_epochs(base_stream(60), *lost))
    assert (epochs.due, epochs.came, epochs.whole) == (60, 60 - len(lost), 60 - len(lost))


@pytest.mark.parametrize("interval_ms", [200, 1000, 2000, 5000, 30_000])
def test_the_interval_is_the_streams_own(interval_ms: int) -> None:
    epochs = followed(without_epochs(two_systems(40, interval_ms=interval_ms), 20, 21))
    assert epochs.interval_ms == interval_ms
    assert (epochs.due, epochs.whole) == (40, 38)
    assert epochs.longest is not None
    assert epochs.longest.seconds == 3 * interval_ms / 1000


def test_the_longest_gap_spans_epochs_that_are_not_whole() -> None:
    stream = without(base_stream(60), lambda s: s.number == 1124 and 20 <= s.epoch < 27)
    longest = followed(stream).longest
    assert longest is not None
    assert longest.seconds == 8
    assert longest.begin_ms == START_MS_OF_TIMELINE + 19_000


def test_a_gap_that_is_still_open_at_the_end_counts() -> None:
    stream = without(base_stream(60), lambda s: s.number == 1094 and s.epoch >= 40)
    longest = followed(stream).longest
    assert longest is not None
    assert longest.seconds == 59 - 39


def test_the_first_epoch_may_be_cut_by_the_begin_of_listening() -> None:
    stream = without(base_stream(60), lambda s: s.epoch == 0 and s.number < 1124)
    epochs = followed(stream)
    assert (epochs.due, epochs.whole) == (59, 59)


def test_the_last_epoch_may_be_cut_by_the_end_of_listening() -> None:
    stream = without(base_stream(60), lambda s: s.epoch == 59 and s.number > 1074)
    epochs = followed(stream)
    assert (epochs.due, epochs.came, epochs.whole, epochs.closed) == (59, 59, 59, 59)


def test_the_first_trouble_is_dated_on_the_streams_clock() -> None:
    epochs = followed(without_epochs(base_stream(60), 30, 31))
    assert epochs.first_bad_ms == START_MS_OF_TIMELINE + 29_000
    stream = without(base_stream(60), lambda s: s.number == 1094 and s.epoch == 30)
    assert followed(stream).first_bad_ms == START_MS_OF_TIMELINE + 30_000


@pytest.mark.parametrize("late", [0, 1])
def test_an_epoch_that_comes_twice_is_counted_once_however_many_messages_it_has(late: int) -> None:
    once = base_stream(40, extras=())
    again = [Sent(sent.epoch + late, sent.number, sent.data) for sent in once if sent.epoch < 8]
    epochs = followed(merged(once, again))
    assert epochs.repeated == 8
    assert (epochs.due, epochs.came, epochs.whole) == (40, 40, 40)
    assert typical(epochs.total) == 30


def test_a_message_in_two_parts_is_one_message_of_one_epoch() -> None:
    # 40 satellites of two signals are 80 cells: more than the 64 of one MSM.
    stream = observed(1094, 30, satellites=36, signals=("1C", "7Q"))
    assert len(stream) == 60
    epochs = followed(stream)
    assert (epochs.whole, epochs.repeated) == (30, 0)
    assert typical(epochs.total) == 36
    assert typical(epochs.two_bands) == 36


def test_a_type_of_every_second_epoch_is_not_in_the_set() -> None:
    stream = without(base_stream(60), lambda s: s.number == 1094 and s.epoch % 2 == 1)
    epochs = followed(stream)
    assert epochs.types == {1074, 1084, 1124}
    assert epochs.whole == 60


def test_other_messages_are_no_epochs() -> None:
    assert state_of(every(position(), 60, 1)).epochs is None


def test_few_epochs_are_judged_when_the_stream_ends() -> None:
    epochs = followed(base_stream(2))
    assert (epochs.due, epochs.whole, epochs.interval_ms) == (2, 2, 1000)
    single = followed(base_stream(1))
    assert (single.due, single.whole, single.interval_ms, single.longest) == (1, 1, None, None)


def test_an_unfinished_stream_is_judged_up_to_its_last_epoch() -> None:
    epochs = state_of(base_stream(60), finish=False).epochs
    assert epochs is not None
    assert epochs.due == 59
    assert epochs.latest_ms == START_MS_OF_TIMELINE + 59_000


@pytest.mark.parametrize(
    ("counts", "median"),
    [({}, None), ({5: 1}, 5.0), ({4: 2, 9: 2}, 4.0), ({4: 2, 9: 3}, 9.0), ({0: 1, 7: 2}, 7.0)],
)
def test_the_typical_count_is_the_median(counts: dict[int, int], median: float | None) -> None:
    assert typical(Counter(counts)) == median


def tracked(
    epochs: list[int], *, pause_at: int, silent_ms: tuple[int, int] = (0, 0), cut: bool = False
) -> EpochTracker:
    """Follow epochs of two messages, by their seconds; before `pause_at` nobody listens."""
    tracker = EpochTracker()
    for second in epochs:
        if second == pause_at:
            if cut:
                tracker.add(1000 * (second - 1), 1000 * (second - 1), 1074, False, 8, 8)
            tracker.pause(*silent_ms)
        for number in (1074, 1084):
            tracker.add(1000 * second, 1000 * second, number, number == 1084, 8, 8)
    tracker.finish()
    return tracker


@pytest.mark.parametrize("cut", [False, True])
@pytest.mark.parametrize("back", [35, 300, 4000])
def test_what_was_due_while_nobody_listened_is_not_missing(back: int, cut: bool) -> None:
    tracker = tracked([*range(30), *range(back, back + 30)], pause_at=back, cut=cut)
    assert (tracker.due, tracker.came, tracker.whole) == (60, 60, 60)
    assert tracker.longest is not None
    assert tracker.longest.seconds == 1.0
    assert tracker.first_bad_ms is None
    assert tracker.types == {1074, 1084}
    assert not tracker.changes


@pytest.mark.parametrize(
    ("silent_ms", "missed", "longest_s"),
    [((2_900, 0), 0, 1.0), ((12_000, 0), 12, 12.0), ((0, 2_900), 0, 1.0), ((0, 20_000), 20, 20.0),
     ((5_000, 7_000), 12, 7.0)],
)  # fmt: skip
def test_a_silence_beside_it_is_missing(
    silent_ms: tuple[int, int], missed: int, longest_s: float
) -> None:
    tracker = tracked([*range(30), *range(100, 130)], pause_at=100, silent_ms=silent_ms)
    assert (tracker.due, tracker.whole) == (60 + missed, 60)
    assert tracker.longest is not None
    assert tracker.longest.seconds == longest_s
    assert (tracker.first_bad_ms is None) is (missed == 0)


def test_an_epoch_in_whose_middle_we_listen_again_is_not_held_against_the_base() -> None:
    tracker = EpochTracker()
    for second in (*range(30), *range(100, 130)):
        if second == 100:
            tracker.pause(0, 0)
        for number in (1074, 1084):
            if (second, number) != (100, 1074):
                tracker.add(1000 * second, 1000 * second, number, number == 1084, 8, 8)
    tracker.finish()
    assert (tracker.due, tracker.whole) == (59, 59)
