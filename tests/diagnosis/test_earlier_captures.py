"""Earlier captures: what is read from them, and today's position against theirs."""

from collections.abc import Sequence
from typing import Any

import pytest

from rtcmtool.diagnosis.earlier_captures import EarlierBase, earlier_base
from rtcmtool.diagnosis.finding import State
from rtcmtool.monitor.base_station import Position
from rtcmtool.wire.stream import Chunk, decode_stream
from tests.diagnosis.judging import APART, BAD, OK, UNKNOWN, WATCH, found
from tests.diagnosis.test_mark_rules import ANTENNA_M, judged, place
from tests.streams import (
    ARP_M,
    Sent,
    arriving,
    base_stream,
    data_of,
    dated,
    every,
    merged,
    position,
)

# ---- what is read ------------------------------------------------------------------------------


def read(stream: list[Sent], pieces: int = 1, *, is_dated: bool = True) -> EarlierBase | None:
    """Read a stream as an earlier capture, in pieces."""
    data = data_of(stream)
    step = len(data) // pieces + 1
    chunks = [Chunk(data[at : at + step]) for at in range(0, len(data), step)]
    batches = decode_stream(chunks, dated() if is_dated else None)
    return earlier_base("MON.rtcm3", batches, "Quarry")


@pytest.mark.parametrize("pieces", [1, 7])
def test_an_earlier_capture_gives_its_position_and_its_day(pieces: int) -> None:
    found_ = read(base_stream(30, numbers=(1074,)), pieces)
    assert found_ is not None
    assert found_.position is not None
    assert found_.label == "MON.rtcm3 (2026-03-04)"
    assert found_.position.arp_ecef_m == ARP_M
    assert found_.position.antenna_height_m == 1.652
    assert (found_.positions, found_.site) == (1, "Quarry")


def test_without_a_date_it_has_no_day() -> None:
    found_ = read(base_stream(30, numbers=(1074,)), is_dated=False)
    assert found_ is not None
    assert found_.position is not None
    assert (found_.day, found_.label) == (None, "MON.rtcm3")


def test_arrival_times_give_the_day_too() -> None:
    batches = decode_stream(arriving(base_stream(30, numbers=(1074,))))
    found_ = earlier_base("MON", batches)
    assert found_ is not None
    assert found_.position is not None
    assert found_.day == "2026-03-04"


def test_a_capture_without_a_position_gives_nothing() -> None:
    assert read(base_stream(30, numbers=(1074,), extras=())) is None
    assert earlier_base("EMPTY", decode_stream([])) is None


def test_of_two_bases_the_one_heard_more_counts_and_changes_are_counted() -> None:
    x, y, z = ARP_M
    stream = merged(
        every(position(station=1), 30, 15),
        every(position((x + 1.0, y, z), station=2), 30, 5),
        every(position((x + 2.0, y, z), station=2), 30, 10, 3),
    )
    found_ = read(stream)
    assert found_ is not None
    assert found_.position is not None
    assert found_.position.station == 2
    assert found_.positions == 2
    assert found_.position.arp_ecef_m[0] == pytest.approx(x + 1.0)


# ---- position = earlier captures ---------------------------------------------------------------


def earlier(
    arp_m: Sequence[float], height_m: float | None = ANTENNA_M, name: str = "MON", **more: Any
) -> EarlierBase:
    x, y, z = arp_m
    sent = Position(0, 417, (round(x, 4), round(y, 4), round(z, 4)), height_m, 1006)
    return EarlierBase(name, "2026-03-03", sent, **more)


@pytest.mark.parametrize(
    ("off_mm", "state"), [(0, OK), (4.8, OK), (5.2, WATCH), (19.8, WATCH), (20.2, BAD), (1840, BAD)]
)
def test_position_against_another_day_by_its_limits(off_mm: float, state: State) -> None:
    before = earlier(place(east_m=-off_mm / 1000))
    finding = judged("position_matches_earlier", text=None, earlier=(before,))
    assert finding.state is state
    assert finding.value == pytest.approx(off_mm, abs=0.15)
    assert finding.values is not None
    assert finding.values["east"] == pytest.approx(off_mm, abs=0.15)
    if state is not OK:
        assert "MON (2026-03-03)" in (finding.action or "")


def test_antenna_heights_of_other_days_are_taken_off() -> None:
    before = earlier(place(up_m=1.401), 1.401)
    assert judged("position_matches_earlier", text=None, earlier=(before,)).state is OK
    wrong = earlier(place(up_m=1.401), 1.501)
    finding = judged("position_matches_earlier", text=None, earlier=(wrong,))
    assert finding.state is BAD
    assert finding.values is not None
    assert finding.values["height"] == pytest.approx(100.0, abs=0.2)


@pytest.mark.parametrize(
    ("up_m", "state"),
    [(1.401, UNKNOWN), (ANTENNA_M, OK), (5.0, BAD)],  # the same to 0.1 mm; no tripod is so high
)
def test_without_an_antenna_height_of_then_heights_are_not_compared(
    up_m: float, state: State
) -> None:
    before = earlier(place(up_m=up_m), 0.0)
    assert judged("position_matches_earlier", text=None, earlier=(before,)).state is state


def test_a_shift_between_two_averages_is_told_in_east_north_up_and_is_a_watch() -> None:
    text = '[position]\nkind = "averaged"\n'
    before = earlier(place(-1.1, 0.7, ANTENNA_M + 2.25))
    finding = judged("position_matches_earlier", text=text, earlier=(before,))
    assert finding.state is WATCH
    assert finding.text == "E +1.100 m, N -700 mm, U -2.250 m from MON (2026-03-03)"
    assert "site calibration" in (finding.action or "")
    unsaid = judged("position_matches_earlier", text=None, earlier=(before,))
    assert unsaid.state is BAD
    assert "Two averages of one mark differ by as much" in (unsaid.action or "")


def test_the_worst_of_several_days_counts() -> None:
    days = (earlier(place(), name="MON"), earlier(place(0.3), name="TUE"))
    finding = judged("position_matches_earlier", text=None, earlier=days)
    assert finding.text.startswith("worst of 2: E -300 mm")
    assert finding.values is not None
    assert [one["capture"] for one in finding.values["captures"]] == ["MON", "TUE"]


def test_a_base_of_another_site_is_not_compared_unless_the_site_has_the_same_name() -> None:
    far = earlier(place(east_m=3000.0), site="Quarry")
    assert judged("position_matches_earlier", text=None, earlier=(far,)).state is UNKNOWN
    named = judged("position_matches_earlier", text='[site]\nname = "Quarry"', earlier=(far,))
    assert named.state is BAD


def test_without_earlier_captures_or_position_nothing_is_compared() -> None:
    assert judged("position_matches_earlier").state is APART
    stream = base_stream(20, numbers=(1074,), extras=())
    finding = found("position_matches_earlier", stream, earlier=(earlier(place()),))
    assert finding.state is UNKNOWN


def test_captures_of_other_places_among_them_are_told_and_left_out() -> None:
    days = (
        earlier(place(0.1), name="MON"),
        earlier(place(east_m=3000.0), name="FAR"),
        earlier(place(east_m=9000.0), name="FARTHER"),
    )
    finding = judged("position_matches_earlier", text=None, earlier=days)
    assert finding.state is BAD
    assert finding.text.endswith("; elsewhere: FAR (2026-03-03) and 1 more")
    assert finding.values is not None
    assert [one["capture"] for one in finding.values["captures"]] == ["MON"]
    assert finding.values["elsewhere"] == ["FAR", "FARTHER"]


def test_a_capture_of_another_station_is_compared_and_its_number_told() -> None:
    x, y, z = place()
    other = EarlierBase("MON", None, Position(0, 12, (x, y, z), ANTENNA_M, 1006))
    finding = judged("position_matches_earlier", text=None, earlier=(other,))
    assert finding.state is OK
    assert finding.text.endswith("MON, station 12")


def test_captures_without_a_position_leave_it_unknown() -> None:
    silent = EarlierBase("MON", None, None)
    finding = judged("position_matches_earlier", text=None, earlier=(silent,))
    assert (finding.state, finding.text) == (UNKNOWN, "no position in MON")
    assert "1005 or 1006" in (finding.action or "")
    both = judged("position_matches_earlier", text=None, earlier=(silent, earlier(place())))
    assert both.state is OK


def test_ten_days_on_one_mark_are_compared_at_once() -> None:
    days = [earlier(place(0.001 * day), name=f"D{day}") for day in range(10)]
    finding = judged("position_matches_earlier", text=None, earlier=tuple(days))
    assert finding.state is WATCH
    assert finding.text.startswith("worst of 10: E -9 mm")
    assert finding.values is not None
    assert len(finding.values["captures"]) == 10
