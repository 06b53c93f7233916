"""Whether it is enough to fix with, and clean: each limit on and beside it, through streams."""

import numpy as np
import pytest

from rtcmtool.diagnosis.content_rules import USABLE_NUMBERS
from rtcmtool.diagnosis.finding import State
from rtcmtool.wire.catalogue import OBSERVATION_NUMBERS
from rtcmtool.wire.signal_ids import SIGNAL_ID
from tests.diagnosis.judging import APART, BAD, OK, UNKNOWN, WATCH, found, is_complete
from tests.monitor.test_lock_history import relocked
from tests.strategies import STATION_POSITION
from tests.streams import (
    Columns,
    Edit,
    Sent,
    base_stream,
    dated,
    every,
    merged,
    observed,
    position,
    state_of,
    without,
)


@pytest.mark.parametrize("number", sorted(OBSERVATION_NUMBERS))
def test_only_code_and_phase_with_whole_ranges_are_usable(number: int) -> None:
    # RTCM 10403.x, from memory: 1002, 1004, 1010, 1012 and MSM4 to MSM7 carry both whole.
    usable = number in {1002, 1004, 1010, 1012} or (number > 1070 and number % 10 >= 4)
    finding = found("observations_usable", observed(number, 20))
    assert finding.state is (OK if usable else BAD)
    assert (number in USABLE_NUMBERS) is usable
    assert is_complete(finding)
    assert finding.values == {"messages": [number]}


@pytest.mark.parametrize(
    ("numbers", "text"),
    [
        ((1074, 1084), "MSM4, code and phase, every 1 s"),
        ((1004, 1012), "legacy 1004, 1012, code and phase, every 1 s"),
        ((1077, 1084), "MSM4 and MSM7, code and phase, every 1 s"),
        ((1004, 1084), "MSM4 and legacy 1004, code and phase, every 1 s"),
    ],
)
def test_the_kind_of_observations_is_named(numbers: tuple[int, ...], text: str) -> None:
    assert found("observations_usable", base_stream(20, numbers=numbers)).text == text


def test_how_often_is_not_said_of_a_single_epoch() -> None:
    assert found("observations_usable", base_stream(1)).text == "MSM4, code and phase"


@pytest.mark.parametrize(("frames", "state"), [(19, UNKNOWN), (20, BAD)])
def test_observations_are_missed_after_twenty_frames(frames: int, state: State) -> None:
    finding = found("observations_usable", STATION_POSITION * frames)
    assert finding.state is state
    assert is_complete(finding)


def test_usable_messages_with_nothing_valid_in_them_are_not_usable() -> None:
    def edit(columns: Columns) -> None:
        columns["phase_range_m"][:] = np.nan

    assert found("observations_usable", observed(1074, 70, edit=edit)).state is BAD


@pytest.mark.parametrize(("epochs", "state"), [(60, UNKNOWN), (61, BAD)])
def test_a_base_without_a_satellite_has_a_minute_to_find_one(epochs: int, state: State) -> None:
    assert found("observations_usable", observed(1074, epochs, satellites=0)).state is state


@pytest.mark.parametrize(("both", "state"), [(5, OK), (4, BAD), (0, BAD)])
def test_bands(both: int, state: State) -> None:
    def edit(columns: Columns) -> None:
        second = columns["signal"] == SIGNAL_ID["2W"]
        columns["phase_range_m"][second & (columns["satellite"] > both)] = np.nan

    finding = found("two_bands", observed(1074, 20, edit=edit))
    assert (finding.state, finding.value) == (state, both)
    assert finding.values == {"bands": {"GPS": ["L1", "L2"]}}
    assert is_complete(finding)


@pytest.mark.parametrize("numbers", [(1071,), (1003, 1011)])
def test_bands_of_observations_that_cannot_be_used_are_not_judged(numbers: tuple[int, ...]) -> None:
    assert found("two_bands", base_stream(20, numbers=numbers)).state is UNKNOWN


def test_bands_are_named_as_in_the_trade() -> None:
    finding = found("two_bands", base_stream(20))
    assert finding.values == {
        "bands": {
            "GPS": ["L1", "L2"], "GLO": ["G1", "G2"], "GAL": ["E1", "E5b"], "BDS": ["B1I", "B3I"],
        }
    }  # fmt: skip


@pytest.mark.parametrize(
    ("count", "state"), [(13, OK), (12, OK), (11, WATCH), (7, WATCH), (6, BAD), (1, BAD)]
)
def test_satellites(count: int, state: State) -> None:
    finding = found("satellites_enough", observed(1074, 20, satellites=count))
    assert (finding.state, finding.value) == (state, count)
    assert is_complete(finding)


def test_satellites_are_told_by_system() -> None:
    finding = found("satellites_enough", base_stream(20))
    assert finding.text == "30: GPS 9  GLO 6  GAL 7  BDS 8"
    assert finding.values == {"GPS": 9, "GLO": 6, "GAL": 7, "BDS": 8}


def test_without_observations_there_is_no_count_of_satellites() -> None:
    assert found("satellites_enough", every(position(), 60, 1)).state is UNKNOWN


@pytest.mark.parametrize(
    ("systems", "state", "text"),
    [
        (("G", "E"), OK, "GPS GAL sent"),
        (("G", "J"), WATCH, "GPS sent, QZS not"),
        (("J", "S"), BAD, "none of QZS SBS is sent"),
    ],
)
def test_the_rover_can_use_what_is_sent(systems: tuple[str, ...], state: State, text: str) -> None:
    finding = found("rover_can_use", base_stream(20), systems=systems)
    assert (finding.state, finding.text) == (state, text)
    assert is_complete(finding)


def test_what_a_rover_uses_must_be_told_and_sent() -> None:
    assert found("rover_can_use", base_stream(20)).state is APART
    assert found("rover_can_use", base_stream(20, numbers=(1071,)), systems=("G",)).state is UNKNOWN


@pytest.mark.parametrize(
    ("unresolved", "state"), [(0, OK), (9, OK), (10, WATCH), (100, WATCH), (101, BAD)]
)
def test_half_cycles(unresolved: int, state: State) -> None:
    def edit(columns: Columns) -> None:
        columns["half_cycle"][:unresolved] = 1

    finding = found("half_cycles", observed(1074, 50, satellites=10, edit=edit))  # 1000 cells
    assert (finding.state, finding.value) == (state, unresolved / 10)
    assert is_complete(finding)


def test_messages_that_do_not_tell_half_cycles_leave_them_unknown() -> None:
    assert found("half_cycles", base_stream(60, numbers=(1004, 1012))).state is UNKNOWN


def slipping(slips: int, epochs: int) -> list[Sent]:
    """Give ten satellites of one signal, of which one after the other loses lock."""

    def edit(columns: Columns) -> None:
        for index in range(slips):
            at, satellite = 20 + 10 * index, 1 + index % 10
            rows = (columns["satellite"] == satellite) & (columns["epoch"] >= at)
            columns["lock_time_ms"][rows] = 1000 * (columns["epoch"][rows] - at)

    return observed(1074, epochs, satellites=10, signals=("1C",), edit=edit)


@pytest.mark.parametrize(
    ("slips", "state"),
    [(0, OK), (2, OK), (3, WATCH), (6, WATCH), (7, BAD)],  # in 5 satellite-hours
)
def test_slips(slips: int, state: State) -> None:
    finding = found("slips", slipping(slips, 1801))
    assert (finding.state, finding.value) == (state, slips / 5)
    assert finding.values == {"slips": slips, "satellite_hours": 5.0}
    assert is_complete(finding)


@pytest.mark.parametrize(("epochs", "state"), [(300, UNKNOWN), (301, OK)])
def test_slips_need_five_minutes(epochs: int, state: State) -> None:
    assert found("slips", slipping(0, epochs)).state is state


def test_slips_need_lock_times_and_satellites() -> None:
    assert found("slips", observed(1071, 400, satellites=2)).state is UNKNOWN
    assert found("slips", observed(1074, 400, satellites=0)).state is UNKNOWN


@pytest.mark.parametrize(
    ("times", "state"), [((), OK), ((20,), WATCH), ((20, 40), BAD), ((20, 40, 50), BAD)]
)
def test_restarts(times: tuple[int, ...], state: State) -> None:
    def edit(columns: Columns) -> None:
        for at in times:
            relocked(at)(columns)

    finding = found("lock_restart", state_of(base_stream(60, edit=edit), reference=dated()))
    assert (finding.state, finding.value) == (state, len(times))
    assert finding.since == ("2026-03-04T07:00:02Z" if times else None)
    assert is_complete(finding)


def test_restarts_need_epochs_and_lock_times() -> None:
    assert found("lock_restart", base_stream(19)).state is UNKNOWN
    assert found("lock_restart", base_stream(60, numbers=(1071,))).state is UNKNOWN


@pytest.mark.parametrize("dbhz", [50, 46, 45, 44, 39, 38, 37, 30])
def test_signal_strength(dbhz: int) -> None:
    def edit(columns: Columns) -> None:
        columns["cnr_dbhz"][:] = dbhz

    finding = found("signal_strength", observed(1074, 60, edit=edit))
    assert finding.state is (OK if dbhz >= 45 else WATCH if dbhz >= 38 else BAD)
    assert is_complete(finding)


def test_the_strongest_tenth_of_the_weakest_first_band_is_judged() -> None:
    def edit(columns: Columns) -> None:
        glonass = SIGNAL_ID["2C"] in columns["signal"]
        columns["cnr_dbhz"][:] = 41 if glonass else 47

    finding = found("signal_strength", base_stream(60, edit=edit))
    assert (finding.state, finding.value) == (WATCH, 41.0)
    assert finding.text.startswith("weakest first band GLO 1C")


def test_signals_that_follow_without_the_code_are_exempt() -> None:
    def edit(columns: Columns) -> None:
        columns["cnr_dbhz"][columns["signal"] == SIGNAL_ID["1W"]] = 20

    stream = observed(1074, 60, signals=("1C", "1W"), edit=edit)
    assert found("signal_strength", stream).state is OK
    assert found("signal_strength", observed(1074, 60, signals=("1W", "2W"))).state is UNKNOWN


def test_a_few_strengths_prove_nothing() -> None:
    assert found("signal_strength", observed(1074, 11)).state is UNKNOWN  # 99 of each signal
    assert found("signal_strength", base_stream(60, numbers=(1003, 1011))).state is UNKNOWN


def test_a_second_family_of_observations_does_not_hide_the_first() -> None:
    stream = merged(base_stream(30, numbers=(1071,)), base_stream(30))
    assert found("observations_usable", stream).state is OK


# ---- systems steady ----------------------------------------------------------------------------


def test_a_steady_stream_has_lost_no_system() -> None:
    assert found("systems_steady", base_stream(60)).state is OK
    assert found("systems_steady", base_stream(19)).state is UNKNOWN


def test_a_system_that_leaves_is_named_and_dated() -> None:
    stream = without(base_stream(150), lambda s: s.number == 1094 and s.epoch >= 40)
    finding = found("systems_steady", state_of(stream, reference=dated()))
    assert (finding.state, finding.value, finding.text) == (BAD, 1.0, "Galileo MSM4 left")
    assert finding.values == {"messages": [1094], "signals": []}
    assert finding.since == "2026-03-04T07:01:22Z"
    assert is_complete(finding)


def test_a_system_that_came_back_is_named_all_the_same() -> None:
    stream = without(base_stream(240), lambda s: s.number == 1094 and 40 <= s.epoch < 120)
    assert found("systems_steady", stream).text == "Galileo MSM4 left and came back"


def stopping(signal: str, first: int, last: int = 10_000, spare: tuple[int, ...] = ()) -> Edit:
    """Take a signal out of the epochs from `first` to before `last`."""

    def edit(columns: Columns) -> None:
        gone = columns["signal"] == SIGNAL_ID[signal]
        gone &= (columns["epoch"] >= first) & (columns["epoch"] < last)
        gone &= ~np.isin(columns["satellite"], spare)
        for name, column in columns.items():
            columns[name] = column[~gone]

    return edit


def test_one_signal_of_one_system_that_stops_is_a_watch() -> None:
    stream = merged(
        base_stream(150, numbers=(1084, 1094)),
        observed(1074, 150, edit=stopping("2W", 40), more_follow=1),
    )
    finding = found("systems_steady", state_of(stream, reference=dated()))
    assert (finding.state, finding.value, finding.text) == (WATCH, 1.0, "GPS 2W left")
    assert finding.values == {"messages": [], "signals": ["G 2W"]}
    assert finding.since == "2026-03-04T07:00:22Z"  # the 40th second, less 18 leap seconds
    assert "antenna, cable and plugs" in (finding.action or "")
    assert is_complete(finding)


@pytest.mark.parametrize(("epochs", "state"), [(70, OK), (101, OK), (102, WATCH), (150, WATCH)])
def test_a_signal_has_left_when_absent_for_more_than_a_minute(epochs: int, state: State) -> None:
    stream = observed(1074, epochs, edit=stopping("2W", 40))
    assert found("systems_steady", stream).state is state


def test_a_band_that_stops_on_all_systems_is_told_by_its_signals() -> None:
    def edit(columns: Columns) -> None:
        keep = (columns["signal"] == columns["signal"][0]) | (columns["epoch"] < 40)
        for name, column in columns.items():
            columns[name] = column[keep]

    finding = found("systems_steady", base_stream(150, numbers=(1074, 1084, 1094), edit=edit))
    assert finding.state is WATCH
    assert finding.values is not None
    assert {name[0] for name in finding.values["signals"]} == set("GRE")
    assert finding.value == len(finding.values["signals"])


def test_a_signal_that_comes_back_is_told_all_the_same() -> None:
    stream = observed(1074, 300, edit=stopping("2W", 40, 140))
    finding = found("systems_steady", stream)
    assert (finding.state, finding.text) == (WATCH, "GPS 2W left and came back")


def test_a_band_of_few_satellites_is_not_missed_when_they_set() -> None:
    def setting(columns: Columns) -> None:
        # Only 1 and 2 carry the second band: 1 sets as a whole, 2 loses its weak band before.
        second = columns["signal"] == SIGNAL_ID["2W"]
        gone = second & (columns["satellite"] > 2)
        gone |= (columns["satellite"] == 1) & (columns["epoch"] >= 30)
        gone |= second & (columns["satellite"] == 2) & (columns["epoch"] >= 60)
        gone |= (columns["satellite"] == 2) & (columns["epoch"] >= 190)
        for name, column in columns.items():
            columns[name] = column[~gone]

    assert found("systems_steady", observed(1074, 240, edit=setting)).state is OK


def test_satellites_that_set_together_take_their_signals_along() -> None:
    def setting(columns: Columns) -> None:
        gone = (columns["signal"] == SIGNAL_ID["2W"]) & (columns["satellite"] > 4)
        gone |= (columns["satellite"] <= 4) & (columns["epoch"] >= 40)
        for name, column in columns.items():
            columns[name] = column[~gone]

    assert found("systems_steady", observed(1074, 200, edit=setting)).state is OK


def test_one_satellite_that_goes_on_with_a_signal_keeps_it() -> None:
    stream = observed(1074, 200, edit=stopping("2W", 40, spare=(3,)))
    assert found("systems_steady", stream).state is OK


def test_an_outage_of_the_link_is_no_signal_that_left() -> None:
    stream = [sent for sent in observed(1074, 400) if not 40 <= sent.epoch < 300]
    assert found("systems_steady", stream).state is OK


def test_a_system_that_left_is_not_told_by_its_signals_again() -> None:
    stream = [s for s in base_stream(200) if s.number != 1084 or s.epoch < 40]
    finding = found("systems_steady", stream)
    assert (finding.state, finding.text) == (BAD, "GLONASS MSM4 left")
    assert finding.values == {"messages": [1084], "signals": []}


def test_another_kind_of_message_of_the_same_system_leaves_it_in_the_stream() -> None:
    other = [sent for sent in observed(1077, 200, more_follow=1) if sent.epoch < 60]
    finding = found("systems_steady", merged(other, observed(1074, 200)))
    assert (finding.state, finding.text) == (WATCH, "GPS MSM7 left")


@pytest.mark.parametrize(
    ("limits", "state"),
    [({}, WATCH), ({"systems_steady": 1.0}, OK), ({"systems_steady_bad": 2.0}, WATCH)],
)
def test_the_limits_of_signals_can_be_changed(limits: dict[str, float], state: State) -> None:
    stream = observed(1074, 150, edit=stopping("2W", 40))
    assert found("systems_steady", stream, limits=limits).state is state


def test_how_a_stream_is_cut_does_not_matter_to_its_signals() -> None:
    stream = observed(1074, 300, edit=stopping("2W", 40, 140))
    whole = state_of(stream).quality.signals.changes
    pieces = [sent.data for sent in stream]
    assert state_of(stream, pieces=pieces).quality.signals.changes == whole
    assert [change.left for change in whole] == [True, False]
    assert whole[0].satellites >= 2
