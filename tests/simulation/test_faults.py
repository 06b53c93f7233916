import math

import pytest

from rtcmtool.errors import UsageError
from rtcmtool.simulation.fault_kinds import KINDS
from rtcmtool.simulation.faults import Fault, Timetable, make_fault, parse_fault


def test_a_fault_is_read_as_it_is_written() -> None:
    assert parse_fault("silence@60s+14s") == Fault("silence", 60.0, 14.0, None)
    assert parse_fault("late@2m+1h:7.5") == Fault("late", 120.0, 3600.0, 7.5)
    assert parse_fault("system-lost@5:re").severity == "RE"
    assert parse_fault("wrong-mark:1.5,-0.25,0").severity == (1.5, -0.25, 0.0)


def test_what_is_left_out_takes_its_default() -> None:
    fault = parse_fault("weak-radio")
    assert (fault.start_s, fault.length_s) == (0.0, math.inf)
    assert fault.severity == KINDS["weak-radio"].default


@pytest.mark.parametrize("kind", list(KINDS))
def test_every_kind_reads_back_what_it_writes(kind: str) -> None:
    fault = make_fault(kind, 30.0, 45.0)
    assert parse_fault(str(fault)) == fault


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("silense@60", "Did you mean 'silence'?"),
        ("silence@60s+0s", "cannot last"),
        ("silence@soon", "is no fault"),
        ("silence@5y", "is no time"),
        ("silence:3", "takes no severity"),
        ("late:quick", "is no number"),
        ("late:1,2", "one number or three"),
        ("late:1,2,3", "is not s"),
        ("late:-1", "is impossible"),
        ("late:nan", "is impossible"),
        ("wrong-mark:4", "east,north,up"),
        ("system-lost:Q", "are no systems"),
        ("number-changes:4096", "is impossible"),
        ("", "is no fault"),
    ],
)
def test_an_impossible_fault_is_refused_in_words(text: str, part: str) -> None:
    with pytest.raises(UsageError, match=part.replace("?", r"\?")):
        parse_fault(text)


def test_a_fault_acts_from_its_start_to_just_before_its_end() -> None:
    table = Timetable([make_fault("silence", 60.0, 14.0), make_fault("late", 70.0, 10.0)])
    active = [sorted(table.at(time)) for time in (59.9, 60.0, 70.0, 73.9, 74.0, 80.0)]
    assert active == [[], ["silence"], ["late", "silence"], ["late", "silence"], ["late"], []]


def test_of_two_faults_of_a_kind_the_later_counts() -> None:
    table = Timetable([make_fault("late", severity=2.0), make_fault("late", 10.0, severity=5.0)])
    assert [table.at(time)["late"].number for time in (0.0, 10.0)] == [2.0, 5.0]


def test_the_times_of_change_hold_every_pause() -> None:
    table = Timetable([make_fault("dead-battery", 10.0, 60.0, 25.0), make_fault("restart", 90.0)])
    assert table.pauses_s(100.0) == [(10.0, 24.0), (35.0, 49.0), (60.0, 74.0), (90.0, 110.0)]
    assert table.changes_s(100.0) == [0, 10, 24, 35, 49, 60, 70, 74, 90, 100]


def test_every_kind_says_what_the_crew_sees_in_one_line() -> None:
    for kind in KINDS.values():
        assert len(kind.name) <= 20, kind.name
        assert kind.text, kind.name
        assert len(f"{kind.text} {kind.severity}") <= 110, kind.name
        assert (kind.default is None) == (not kind.severity), kind.name
