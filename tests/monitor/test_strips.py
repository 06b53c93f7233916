import pytest
from hypothesis import given
from hypothesis import strategies as st

from rtcmtool.monitor.strips import ANY_BYTES, DELAY, MOST_ROWS, Strips, merged

S = 10**9


def filled(times: list[float], *, until: float, number: int = 1006, every: float = 1.0) -> Strips:
    """Give strips with messages at some seconds, ticked each half second."""
    strips, waiting = Strips(0), sorted(times)
    for half in range(int(2 * until) + 1):
        now = half / 2
        while waiting and waiting[0] <= now:
            at = waiting.pop(0)
            strips.tick(int(at * S))
            strips.message(number, int(at * S), every, None)
        strips.tick(int(now * S))
    return strips


def test_a_cell_says_that_all_part_or_none_of_what_was_due_came() -> None:
    times = [float(s) for s in range(40) if not 10 <= s < 20 and s != 25]
    assert filled(times, until=39.5).strip(1006, 4) == "-#o-"


def test_a_cell_is_marked_while_it_is_filled() -> None:
    strips = filled([float(s) for s in range(11)], until=12.0)
    assert strips.strip(1006, 2) == "-o"
    strips = filled([float(s) for s in range(10)], until=10.6)
    assert strips.strip(1006, 2) == "-#"


def test_where_nothing_was_due_a_cell_is_blank() -> None:
    strips = filled([float(s) for s in range(0, 100, 30)], until=100.0, every=30.0)
    assert strips.strip(1006, 11) == "-  -  -  - "


def test_a_message_that_is_only_late_takes_its_mark_back() -> None:
    strips = Strips(0)
    for second in range(5):
        strips.message(1074, second * S, 1.0, 1000 * second)
    strips.tick(9 * S)
    assert strips.lost(1074) == 4
    for second in range(5, 10):
        strips.message(1074, 9 * S + second, 1.0, 1000 * second)
    assert strips.lost(1074) == 0
    assert strips.strip(1074, 1) == "-"


def test_losses_told_only_by_the_epochs_are_marked_where_they_were_due() -> None:
    strips = Strips(0)
    for second in range(5):
        strips.message(1074, second * S, 1.0, 1000 * second)
    strips.message(1074, 25 * S, 1.0, 25_000)
    assert strips.lost(1074) == 20
    strips.tick(25 * S)
    assert strips.strip(1074, 3) == "o#o"


def test_slow_messages_are_timed_by_the_stream_where_it_comes_late() -> None:
    """Ten messages every 10 s; from the sixth on 6 s late, and one of those is lost."""
    strips = Strips(0)
    strips.interval_s = 1.0
    for second in range(0, 100, 10):
        arrival_ns = (second + 6 * (second >= 50)) * S
        strips.tick(arrival_ns)
        if second != 80:
            strips.message(1006, arrival_ns, 10.0, None, 1000 * second)
    assert strips.lost(1006) == 1


def test_where_the_stream_stands_still_slow_messages_are_timed_by_their_arrival() -> None:
    strips = Strips(0)
    strips.interval_s = 1.0
    for second in range(0, 200, 10):
        strips.tick(second * S)
        if second not in {80, 90}:
            epoch_ms = 1000 * (second if second < 50 or second > 150 else 49)
            strips.message(1006, second * S, 10.0, None, epoch_ms)
    assert strips.lost(1006) == 2


def test_a_lost_epoch_is_no_lost_message_of_those_as_frequent() -> None:
    strips = Strips(0)
    strips.interval_s = 1.0
    for second in range(20):
        epoch_ms = 1000 * (second - 1 if second == 10 else second)
        strips.message(1230, second * S, 1.0, None, epoch_ms)
    assert strips.lost(1230) == 0


def test_damage_is_marked_where_the_message_was_due() -> None:
    strips = Strips(0)
    for second in range(10):
        strips.message(1074, second * S, 1.0, 1000 * second)
        strips.message(1006, second * S, 1.0, None)
    strips.damaged(1074, 10 * S)
    strips.damaged(None, 11 * S)  # a number that cannot be read: both were due
    strips.tick(13 * S)
    assert strips.strip(1074, 2) == "-x"
    assert strips.strip(1006, 2) == "-x"


def test_what_was_not_watched_is_never_a_loss() -> None:
    strips = Strips(0)
    for second in range(15):
        strips.message(ANY_BYTES, second * S, 1.0, None)
        strips.tick(second * S)
    strips.pause(15 * S)
    strips.tick(45 * S)
    strips.resume(45 * S)
    for second in range(45, 60):
        strips.message(ANY_BYTES, second * S, 1.0, None)
        strips.tick(second * S)
    assert strips.strip(ANY_BYTES, 6) == "-????-"
    assert strips.lost(ANY_BYTES) == 0


def test_a_type_that_was_switched_off_is_no_longer_due() -> None:
    strips = Strips(0)
    for second in range(120):
        strips.tick(second * S)
        strips.message(1074, second * S, 1.0, 1000 * second)
        if second < 20:
            strips.message(1084, second * S, 1.0, 1000 * second)
    assert strips.strip(1084, 12) == "--######    "


def test_coarser_cells_come_from_the_finer_ones() -> None:
    times = [float(s) for s in range(90) if not 30 <= s < 60]
    strips = filled(times, until=89.5)
    assert strips.strip(1006, 3, 30) == "-#-"
    assert strips.strip(1006, 2, 120) == " o"


def test_digits_keep_the_worst_of_a_cell() -> None:
    strips = Strips(0)
    for second, delay in ((1, 0.6), (4, 3.2), (8, 1.0), (12, 44.0)):
        strips.tick(second * S)
        strips.digit(DELAY, second * S, delay)
    assert strips.strip(DELAY, 2) == "39"


def test_a_day_of_cells_is_kept_and_no_more() -> None:
    strips = Strips(0)
    strips.message(1006, S, 10.0, None)
    strips.message(1006, 11 * S, 10.0, None)
    strips.tick(3 * 86_400 * S)
    assert strips.strip(1006, 8640) == "#" * 8640
    assert len(strips.strip(1006, 9000)) == 9000


def test_a_hostile_stream_cannot_fill_the_memory() -> None:
    strips = Strips(0)
    for number in range(4096):
        strips.message(number, S, 1.0, None)
    assert len(strips.numbers) <= MOST_ROWS


@pytest.mark.parametrize(("marks", "one"), [("--x#", "x"), ("-?", "?"), ("##", "#"), ("#-", "o")])
def test_a_fault_is_never_merged_away(marks: str, one: str) -> None:
    assert merged(marks) == one


@given(st.sets(st.integers(0, 59)))
def test_every_message_lost_is_counted_once(lost: set[int]) -> None:
    strips = Strips(0)
    for second in (s for s in range(62) if s not in lost - {0, 1}):
        strips.tick(second * S)
        strips.message(1074, second * S, 1.0, 1000 * second)
    assert strips.lost(1074) == len(lost - {0, 1})
