from rtcmtool.monitor.events import MOST_EVENTS, Condition, EventLog, Rank
from rtcmtool.monitor.steady_clock import Moment

BAD = Condition("two_bases", Rank.BAD, "stations 12, 88", "change the channel")
WATCH = Condition("half_cycles", Rank.WATCH, "half cycles 4 %")


def at(second: float) -> Moment:
    ns = round(second * 1e9)
    return Moment(ns, ns)


def test_bad_shows_at_once_and_stays_after_its_end_until_seen() -> None:
    log = EventLog()
    log.report(at(1), [BAD])
    (event,) = log.unseen(at(1))
    assert event.is_open
    log.report(at(5), [])
    assert not log.open
    assert log.unseen(at(5000)) == [event]
    assert event.seconds(at(5000)) == 4
    log.see()
    assert not log.unseen(at(5000))
    assert list(log.events) == [event]


def test_watch_needs_ten_seconds_to_appear_and_thirty_to_go() -> None:
    log = EventLog()
    for second in range(9):
        log.report(at(second), [WATCH])
    log.report(at(9.5), [])
    assert not log.events
    for second in range(20, 31):
        log.report(at(second), [WATCH])
    assert log.open[0].start == at(20)
    for second in range(31, 60):
        log.report(at(second), [])
        assert log.open
    log.report(at(61), [])
    assert not log.open
    assert log.events[0].end == at(31)


def test_what_one_message_proves_to_be_over_ends_at_once() -> None:
    log = EventLog()
    watch = Condition("position_sent", Rank.WATCH, "last 49 s ago", clears_s=0.0)
    for second in range(11):
        log.report(at(second), [watch])
    assert log.is_open("finding:position_sent")
    log.report(at(11), [])
    assert (log.open, log.are_going) == ([], False)
    assert log.events[0].end == at(11)


def test_while_a_watch_is_going_that_is_told() -> None:
    log = EventLog()
    for second in range(11):
        log.report(at(second), [WATCH])
    going = [log.are_going]
    log.report(at(11), [])
    going.append(log.are_going)
    log.report(at(12), [WATCH])
    going.append(log.are_going)
    assert going == [False, True, False]


def test_an_event_that_was_not_watched_to_its_end_did_not_end_by_itself() -> None:
    log = EventLog()
    condition = Condition("outage:silence", Rank.BAD, "silent")
    event = log.begin(at(0), condition, "outage")
    assert event.ending == ""
    log.end(at(60), condition.key, "outage", is_known_over=False)
    assert event.ending == "then not watching"
    assert log.take_records()[-1].values["known_over"] is False
    again = log.begin(at(90), condition, "outage")
    log.end(at(95), condition.key, "outage")
    assert again.ending == "ended by itself"
    assert "known_over" not in log.take_records()[-1].values


def test_a_condition_that_lasts_is_one_event() -> None:
    log = EventLog()
    for second in range(100):
        log.report(at(second), [BAD])
    assert len(log.events) == 1
    assert log.bad_starts == 1


def test_an_event_keeps_the_words_of_its_worst() -> None:
    log = EventLog()
    for second, lost in enumerate((1, 9, 2)):
        log.report(at(second), [Condition("lost", Rank.BAD, f"{lost} lost", "", float(lost))])
    assert log.events[0].text == "9 lost"


def test_what_comes_and_goes_becomes_one_event() -> None:
    log = EventLog()
    for second in range(0, 50, 10):
        log.report(at(second), [BAD])
        log.report(at(second + 3), [])
    assert len(log.events) == 1
    assert log.events[0].times == 5
    assert log.events[0].start == at(0)


def test_comings_far_apart_stay_events_of_their_own() -> None:
    log = EventLog()
    for second in range(0, 500, 100):
        log.report(at(second), [BAD])
        log.report(at(second + 3), [])
    assert len(log.events) == 5


def test_unseen_bad_comes_before_unseen_watch_before_the_newest() -> None:
    log = EventLog()
    log.report(at(1), [BAD])
    for second in range(2, 14):
        log.report(at(second), [BAD, WATCH])
    log.note(at(20), "note", "moved the truck")
    assert [event.rank for event in log.listed()] == [Rank.BAD, Rank.WATCH, Rank.NOTE]
    log.see()
    assert [event.rank for event in log.listed()] == [Rank.NOTE, Rank.WATCH, Rank.BAD]


def test_without_a_keyboard_an_event_counts_as_seen_after_ten_minutes() -> None:
    log = EventLog()
    log.report(at(0), [BAD])
    log.report(at(5), [])
    assert log.unseen(at(599), has_keyboard=False)
    assert not log.unseen(at(601), has_keyboard=False)


def test_lines_for_the_events_file_tell_beginning_and_end() -> None:
    log = EventLog()
    log.report(at(1), [BAD])
    log.report(at(5), [])
    log.note(at(6), "clock-step", "the clock was set", step_s=71.0)
    first, second, third = log.take_records()
    assert (first.kind, first.values["state"], first.values["rank"]) == ("finding", "open", "bad")
    assert (second.values["state"], second.values["seconds"]) == ("ended", 4.0)
    assert (third.kind, third.values["step_s"]) == ("clock-step", 71.0)
    assert not log.take_records()


def test_the_list_is_bounded_and_keeps_what_is_open() -> None:
    log = EventLog()
    log.report(at(0), [BAD])
    for second in range(3 * MOST_EVENTS):
        log.note(at(second), "note", str(second))
    assert len(log.events) == MOST_EVENTS
    assert log.open[0] in log.events
    assert log.events[-1].text == str(3 * MOST_EVENTS - 1)
