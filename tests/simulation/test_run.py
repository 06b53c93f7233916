"""What comes out of a simulation: whole, in order, the same again, and marked."""

from dataclasses import replace
from functools import cache
from types import MappingProxyType

import numpy as np
import pytest

from rtcmtool.gnss import time as gnss_time
from rtcmtool.simulation.builtin_scenarios import SCENARIOS
from rtcmtool.simulation.fault_kinds import KINDS, Level
from rtcmtool.simulation.faults import parse_fault
from rtcmtool.simulation.run import Port, Simulation, simulate
from rtcmtool.simulation.scenario import Radio, Stream
from rtcmtool.wire.observations import SYSTEM_LETTERS
from tests.simulation import test_base_faults, test_link_faults
from tests.simulation.heard import SMALL, SMALL_STREAM, Heard, arp_errors_enu_m, hear


@cache
def healthy() -> Heard:
    return hear(SMALL)


# ---- nothing wrong -----------------------------------------------------------------------------


def test_a_healthy_base_sends_whole_epochs_a_position_and_no_damage() -> None:
    heard = healthy()
    assert not heard.rejects
    assert heard.epochs == list(range(60))
    assert len(heard.values(1006)) == 6
    assert set(heard.station.tolist()) == {417}
    assert arp_errors_enu_m(heard) == [pytest.approx((0, 0, 0), abs=1e-4)] * 6
    assert (heard.more_follow[heard.number == 1074] == 1).all()
    assert (heard.more_follow[heard.number == 1084] == 0).all()


def test_its_epochs_are_fresh_and_nothing_comes_before_it_was_measured() -> None:
    heard = healthy()
    epoch_ns = np.array([gnss_time.utc_ns_from_gps_ms(ms) for ms in heard.gps_ms[heard.gps_ms > 0]])
    delay_s = (heard.arrival_utc_ns[heard.gps_ms > 0] - epoch_ns) / 1e9
    assert delay_s.min() > 0.1
    assert delay_s.max() < 0.9
    assert (np.diff(heard.arrival_utc_ns) >= 0).all()


def test_ranges_are_those_of_satellites_in_the_sky() -> None:
    heard = healthy()
    code, phase = heard.observations.pseudorange_m, heard.observations.phase_range_m
    assert np.isfinite(code).all()
    assert code.min() > 19e6
    assert code.max() < 27e6
    assert np.abs(code - phase).max() < 1000.0
    assert len(heard.satellites_at(30)) >= 12


@pytest.mark.parametrize("name", list(SCENARIOS))
def test_every_built_in_scenario_begins_by_saying_that_it_is_simulated(name: str) -> None:
    scenario = replace(SCENARIOS[name], duration_s=2.0, listen_at="base")
    heard = hear(scenario)
    if "wrong-baud" not in name:
        number, _, values = heard.messages[0]
        assert number == 1029
        assert values["text"].startswith("SIMULATED")


@pytest.mark.parametrize(
    "messages", [{1071: 1.0}, {1004: 1.0}, {1075: 0.5, 1125: 1.0}, {1087: 5.0, 1005: 30.0}]
)
def test_no_message_set_leaves_out_that_it_is_simulated(messages: dict[int, float]) -> None:
    stream = replace(SMALL_STREAM, messages=MappingProxyType(messages))
    heard = hear(replace(SMALL, stream=stream, duration_s=40.0))
    texts = [values["text"] for values in heard.values(1029)]
    assert len(texts) == 2
    assert all(text.startswith("SIMULATED") for text in texts)
    assert set(messages) <= set(heard.number.tolist())


@pytest.mark.slow
def test_the_same_seed_gives_the_same_bytes_and_another_gives_others() -> None:
    def data(seed: int) -> bytes:
        return b"".join(c.data for c in simulate(replace(SMALL, seed=seed, duration_s=5.0)))

    assert data(3) == data(3)
    assert data(3) != data(4)


def test_what_comes_later_does_not_change_what_came_before() -> None:
    short = b"".join(c.data for c in simulate(replace(SMALL, duration_s=10.0, listen_at="base")))
    long = b"".join(c.data for c in simulate(replace(SMALL, duration_s=30.0, listen_at="base")))
    assert long.startswith(short)


def test_chunks_come_in_order_with_their_offsets() -> None:
    chunks = list(simulate(replace(SMALL, duration_s=10.0)))
    offsets = np.concatenate([chunk.offsets for chunk in chunks])
    sizes = np.cumsum([0, *(len(chunk.data) for chunk in chunks)])[:-1]
    assert offsets.tolist() == sizes.tolist()
    assert (np.diff(np.concatenate([chunk.utc_ns for chunk in chunks])) >= 0).all()


def test_at_the_base_nothing_of_the_radio_is_seen() -> None:
    radio = Radio(bit_error_rate=1e-3, repeater=True)
    heard = hear(replace(SMALL, radio=radio, listen_at="base"))
    assert not heard.rejects
    assert len(heard.number) == len(healthy().number)


def test_faults_combine() -> None:
    written = ("no-position", "silence@20s+10s", "system-lost@40s:R")
    heard = hear(replace(SMALL, faults=tuple(parse_fault(text) for text in written)))
    assert not heard.values(1006)
    assert heard.epochs == [*range(20), *range(30, 60)]
    assert 1084 not in heard.number[heard.is_observation][heard.seconds >= 40]


def test_every_fault_of_base_and_link_has_its_test() -> None:
    """The rover's own faults stand in test_rover."""
    named = {*dir(test_base_faults), *dir(test_link_faults)}
    by_table = {
        *("wrong-mark", "wrong-height", "height-in-feet", "slant-as-vertical", "degree-off"),
        *("sign-swapped", "no-antenna-name", "null-antenna", "wrong-antenna", "clock-off"),
        "wrong-date",
    }
    for kind in KINDS.values():
        if kind.level is not Level.ROVER and kind.name not in by_table:
            assert f"test_{kind.name.replace('-', '_')}" in named


# ---- the ways out ------------------------------------------------------------------------------


def test_memory_does_not_grow_with_the_time_simulated() -> None:
    """Pieces come block by block: after the first, little of the whole has been made."""
    simulation = Simulation(replace(SMALL, duration_s=7200.0))
    pieces = simulation.pieces()
    first = [next(pieces) for _ in range(300)]
    assert first[-1].utc_ns < SMALL.start_utc_ns + 200 * 10**9
    assert {piece.port for piece in first} == {Port.BASE, Port.ROVER}


def test_systems_come_in_the_order_of_their_numbers() -> None:
    stream = Stream(messages=MappingProxyType(dict.fromkeys((1077, 1087, 1097, 1117, 1127), 1.0)))
    heard = hear(replace(SMALL, stream=stream, duration_s=5.0))
    numbers = heard.number[heard.is_observation]
    assert (np.diff(numbers[heard.seconds == 2]) > 0).all()
    letters = {SYSTEM_LETTERS[code] for code in heard.observations.system.tolist()}
    assert set("GREC") <= letters
