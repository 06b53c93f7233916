"""Faults of messages and link show in the decoded stream, by numbers and not by our own rules."""

from functools import cache

import numpy as np
import pytest

from rtcmtool.gnss import geodesy
from rtcmtool.gnss import time as gnss_time
from rtcmtool.simulation.builtin_scenarios import LEGACY_STREAM
from rtcmtool.simulation.scenario import Stream
from rtcmtool.wire.framing import RejectReason
from tests.simulation.heard import SMALL, SMALL_STREAM, Heard, hear, hear_fault

DURING = list(range(20, 50))


@cache
def healthy() -> Heard:
    return hear(SMALL)


# ---- what is sent ------------------------------------------------------------------------------


def test_no_position() -> None:
    heard = hear_fault("no-position", 0.0, 60.0)
    assert not heard.values(1005, 1006)
    assert heard.epochs == list(range(60))


def test_number_changes() -> None:
    heard = hear_fault("number-changes", severity=12.0)
    stations = heard.station[heard.is_observation]
    assert set(heard.seconds[stations == 12].tolist()) == set(DURING)
    assert set(stations.tolist()) == {417, 12}


def test_no_bias() -> None:
    heard = hear_fault("no-bias", 0.0, 60.0)
    assert 1230 not in heard.number
    assert 1084 in heard.number


def test_false_bias() -> None:
    false = hear_fault("false-bias", 0.0, 60.0).values(1230)
    names = [f"bias_{name}_m" for name in ("1c", "1p", "2c", "2p")]
    assert all(values["aligned"] and not any(values[n] for n in names) for values in false)
    right = healthy().values(1230)
    assert all(not values["aligned"] and all(values[n] for n in names) for values in right)


@pytest.mark.parametrize(
    ("stream", "numbers"),
    [(SMALL_STREAM, {1004, 1012}), (LEGACY_STREAM, {1074, 1084})],
)
def test_wrong_family(stream: Stream, numbers: set[int]) -> None:
    heard = hear_fault("wrong-family", 0.0, 60.0, stream=stream)
    assert set(heard.number[heard.is_observation].tolist()) == numbers
    assert np.isfinite(heard.observations.pseudorange_m).mean() > 0.99


def test_proprietary_only() -> None:
    heard = hear_fault("proprietary-only", 0.0, 60.0)
    assert set(heard.number.tolist()) == {1029, 4050}
    assert len(heard.number) > 120


def test_epoch_never_closed() -> None:
    heard = hear_fault("epoch-never-closed", 0.0, 60.0)
    assert (heard.more_follow[heard.is_observation] == 1).all()


def test_last_lost() -> None:
    heard = hear_fault("last-lost")
    lost = set(range(60)) - set(heard.seconds[heard.number[heard.is_observation] == 1084].tolist())
    assert lost == set(DURING)
    half = hear_fault("last-lost", 0.0, 60.0, 50.0)
    assert 15 <= (half.number == 1084).sum() <= 45


def test_epochs_twice() -> None:
    heard = hear_fault("epochs-twice", 0.0, 60.0)
    assert (np.unique(heard.seconds, return_counts=True)[1] == 4).all()


# ---- the link ----------------------------------------------------------------------------------


def test_weak_radio() -> None:
    heard = hear_fault("weak-radio", 0.0, 60.0, 3e-4)
    damaged = sum(reject.reason is RejectReason.CRC for reject in heard.rejects)
    assert damaged > 10
    whole = healthy().lengths
    short = (heard.lengths < 40).sum() / (whole < 40).sum()
    long = (heard.lengths > 120).sum() / (whole > 120).sum()
    assert long < 0.85 < short


def test_long_lost() -> None:
    heard = hear_fault("long-lost", 0.0, 60.0, 100.0)
    assert heard.lengths.max() <= 100
    assert not heard.rejects
    assert len(heard.values(1006)) == 6


def test_busy_channel() -> None:
    heard = hear_fault("busy-channel", 0.0, 60.0, 40.0)
    missing = sorted(set(range(60)) - set(heard.epochs))
    assert 8 <= len(missing) <= 50
    assert any(second + 1 in missing for second in missing)


def test_too_much() -> None:
    heard = hear_fault("too-much", 10.0, 50.0, 1800.0)
    epochs_ns = np.array([gnss_time.utc_ns_from_gps_ms(ms) for ms in heard.gps_ms.tolist()])
    delay_s = (heard.arrival_utc_ns - epochs_ns)[heard.is_observation] / 1e9
    assert delay_s[heard.seconds < 10].max() < 1.0
    assert delay_s[heard.seconds > 40].min() > 5.0
    assert len(heard.seconds) < 105  # of 120: and some never come


def test_repeater() -> None:
    heard = hear_fault("repeater", 0.0, 60.0)
    assert (np.unique(heard.seconds, return_counts=True)[1] == 4).all()


def test_two_bases() -> None:
    heard = hear_fault("two-bases", 20.0, 40.0, 88.0)
    stations = heard.station[heard.is_observation]
    assert set(stations.tolist()) == {417, 88}
    assert heard.seconds[stations == 88].min() == 20
    positions = {
        station: (values["x_m"], values["y_m"], values["z_m"])
        for number, station, values in heard.messages
        if number == 1006
    }
    distance = geodesy.distance_m(np.array(positions[88]), np.array(positions[417]))
    assert float(distance) == pytest.approx(2019.0, abs=1.0)


def test_same_number() -> None:
    heard = hear_fault("same-number", 20.0, 40.0)
    assert set(heard.station.tolist()) == {417}
    assert len({values["x_m"] for values in heard.values(1006)}) == 2


def test_late() -> None:
    heard = hear_fault("late", 20.0, 20.0, 6.0)
    epochs_ns = np.array([gnss_time.utc_ns_from_gps_ms(ms) for ms in heard.gps_ms.tolist()])
    delay_s = (heard.arrival_utc_ns - epochs_ns)[heard.is_observation] / 1e9
    assert delay_s[heard.seconds < 20].max() < 1.0
    assert delay_s[(heard.seconds >= 20) & (heard.seconds < 40)].min() > 6.0


def test_foreign_bytes() -> None:
    heard = hear_fault("foreign-bytes", 0.0, 60.0, 8.0)
    noise = sum(r.length for r in heard.rejects if r.reason is RejectReason.NOISE)
    assert noise / len(heard.data) == pytest.approx(0.08, abs=0.015)
    assert heard.epochs == list(range(60))


def test_wrong_baud() -> None:
    heard = hear_fault("wrong-baud", 20.0, 30.0)
    assert set(heard.epochs) == set(range(60)) - set(DURING)
    assert sum(reject.length for reject in heard.rejects) > 5000


@pytest.mark.parametrize(
    ("kind", "severity", "shift_s"), [("clock-off", 71.0, 71), ("wrong-date", 2.0, -172_800)]
)
def test_a_computer_that_has_the_wrong_time(kind: str, severity: float, shift_s: float) -> None:
    heard = hear_fault(kind, 0.0, 60.0, severity)
    right = healthy()
    assert heard.data == right.data
    assert set((heard.arrival_utc_ns - right.arrival_utc_ns).tolist()) == {shift_s * 10**9}
