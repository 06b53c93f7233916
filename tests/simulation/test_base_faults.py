"""Faults of receiver and typing show in the decoded stream, by numbers and not by our own rules."""

from dataclasses import replace
from functools import cache
from types import MappingProxyType

import numpy as np
import pytest

from rtcmtool.simulation.scenario import Base
from rtcmtool.wire.signal_ids import SIGNALS
from tests.simulation.heard import SMALL, SMALL_STREAM, Heard, arp_errors_enu_m, hear, hear_fault

DURING = list(range(20, 50))


@cache
def healthy() -> Heard:
    return hear(SMALL)


def mean_cnr(heard: Heard, signal: str, seconds: range) -> float:
    rows = heard.rows("G", signal) & np.isin(heard.observed_s, list(seconds))
    return float(np.nanmean(heard.observations.cnr_dbhz[rows]))


def geometry_free_m(heard: Heard) -> dict[str, np.ndarray]:
    """Give the phase on 1C minus 2W of each GPS satellite seen all the time."""
    found = {}
    for number in sorted(set(heard.observations.satellite[heard.rows("G")].tolist())):
        own = heard.observations.satellite == number
        phases = [
            heard.observations.phase_range_m[own & heard.rows("G", signal)]
            for signal in ("1C", "2W")
        ]
        if len(phases[0]) == len(phases[1]) == 60:
            found[f"G{number:02d}"] = phases[0] - phases[1]
    return found


# ---- the receiver ------------------------------------------------------------------------------


def test_silence() -> None:
    heard = hear_fault("silence", 20.0, 14.0)
    assert heard.epochs == [*range(20), *range(34, 60)]
    gaps_s = np.diff(heard.arrival_utc_ns) / 1e9
    assert gaps_s.max() == pytest.approx(14.8, abs=0.6)
    locks = heard.observations.lock_time_ms
    assert locks[heard.observed_s == 40].max() > 60_000  # the receiver went on


def test_restart() -> None:
    heard = hear_fault("restart", 20.0, severity=20.0)
    assert set(range(20, 40)).isdisjoint(heard.epochs)
    locks = heard.observations.lock_time_ms
    assert locks[heard.observed_s == 19].max() > 60_000
    assert locks[heard.observed_s == 45].max() <= 5000


def test_dead_battery() -> None:
    heard = hear_fault("dead-battery", 5.0, 55.0, 25.0)
    for begin in (5, 30, 55):
        assert set(range(begin, min(begin + 14, 60))).isdisjoint(heard.epochs)
    assert {4, 20, 29, 45, 54} <= set(heard.epochs)
    locks = heard.observations.lock_time_ms
    assert locks[heard.observed_s == 28].max() <= 10_000
    assert locks[heard.observed_s == 53].max() <= 10_000


def test_few_satellites() -> None:
    heard = hear_fault("few-satellites")
    assert len(heard.satellites_at(10)) >= 12
    assert len(heard.satellites_at(40)) < 7


def test_blocked_sky() -> None:
    heard = hear_fault("blocked-sky")
    assert 4 <= len(heard.satellites_at(40)) <= len(heard.satellites_at(10)) - 3


def test_system_lost() -> None:
    heard = hear_fault("system-lost", severity="R")
    seconds = heard.seconds[(heard.number == 1084)[heard.is_observation]]
    assert sorted(set(seconds.tolist())) == [*range(20), *range(50, 60)]
    closing = heard.more_follow[(heard.number == 1074)]
    assert np.flatnonzero(closing == 0).tolist() == DURING


def test_one_band() -> None:
    heard = hear_fault("one-band", 0.0, 60.0)
    assert {SIGNALS[i][0] for i in set(heard.observations.signal.tolist())} == {"1"}
    assert {SIGNALS[i][0] for i in set(healthy().observations.signal.tolist())} == {"1", "2"}


def test_jammed_band() -> None:
    heard = hear_fault("jammed-band", severity=12.0)

    def strength(signal: str, second: int) -> float:
        rows = heard.rows("G", signal) & (heard.observed_s == second)
        return float(np.nanmax(heard.observations.cnr_dbhz[rows]))

    drops = {
        signal: [strength(signal, 10) - strength(signal, second) for second in range(60)]
        for signal in ("1C", "2W")
    }
    keyed = [second for second in range(60) if drops["2W"][second] > 6.0]
    assert 10 <= len(keyed) < 30  # not all the time: only while the radio sends
    assert set(keyed) <= set(DURING)
    assert max(drops["2W"]) == pytest.approx(12.0, abs=4.0)
    assert max(drops["1C"]) < 2.5


def test_bad_cable() -> None:
    heard = hear_fault("bad-cable", severity=9.0)
    before, during = range(5, 20), range(25, 50)
    assert mean_cnr(heard, "1C", before) - mean_cnr(heard, "1C", during) == pytest.approx(9, abs=3)
    assert mean_cnr(heard, "2W", before) - mean_cnr(heard, "2W", during) > 6.0


def test_noisy_site() -> None:
    def spread_m(heard: Heard) -> float:
        found = []
        for number in set(heard.observations.satellite[heard.rows("G", "1C")].tolist()):
            own = heard.rows("G", "1C") & (heard.observations.satellite == number)
            difference = heard.observations.pseudorange_m - heard.observations.phase_range_m
            found.append(float(np.std(np.diff(difference[own][::10]))))
        return float(np.median(found))

    noisy = hear_fault("noisy-site", 0.0, 60.0, 10.0)
    assert spread_m(noisy) > 2.0 * spread_m(healthy())


def test_storm() -> None:
    def fastest_mm_s(heard: Heard) -> float:
        rates = [np.abs(np.diff(gf)).max() * 1000 for gf in geometry_free_m(heard).values()]
        return float(np.median(rates))

    stream = replace(SMALL_STREAM, messages=MappingProxyType({1077: 1.0}))
    base = replace(SMALL, stream=stream)
    stormy = hear_fault("storm", 0.0, 3000.0, 60.0, base=base)
    assert fastest_mm_s(stormy) > 3.0 * fastest_mm_s(hear(base))


@pytest.mark.slow
@pytest.mark.parametrize("clock", [None, "jumping"])
def test_clock_jumps(clock: str | None) -> None:
    """All ranges step by a light-millisecond at once."""
    if clock is None:
        heard = hear_fault("clock-jumps", 10.0, 50.0, 10.0)
    else:
        heard = hear(replace(SMALL, base=Base(clock="jumping"), duration_s=240.0))
    number = int(heard.observations.satellite[heard.rows("G", "1C")][0])
    own = heard.rows("G", "1C") & (heard.observations.satellite == number)
    steps = np.diff(heard.observations.pseudorange_m[own], n=2)
    assert np.abs(steps).max() == pytest.approx(299_792.458, abs=20.0)


def test_half_cycles() -> None:
    heard = hear_fault("half-cycles", severity=40.0)
    share = heard.observations.half_cycle[np.isin(heard.observed_s, DURING)].mean()
    assert 0.2 < share < 0.6
    assert heard.observations.half_cycle[heard.observed_s == 10].mean() < 0.05


def test_slips() -> None:
    def falls(heard: Heard) -> int:
        count = 0
        for signal in ("1C", "2W"):
            for number in set(heard.observations.satellite[heard.rows("G", signal)].tolist()):
                own = heard.rows("G", signal) & (heard.observations.satellite == number)
                count += int((np.diff(heard.observations.lock_time_ms[own]) < 0).sum())
        return count

    assert falls(hear_fault("slips", 0.0, 60.0, 600.0)) >= falls(healthy()) + 10


def test_base_bumped() -> None:
    """The position sent stays, but the phases step: by the bump along the line of sight."""
    stream = replace(SMALL_STREAM, messages=MappingProxyType({1006: 10.0, 1077: 1.0}))
    base = replace(SMALL, stream=stream)
    heard = hear_fault("base-bumped", 30.0, 300.0, (0.0, 0.0, -2.0), base=base)
    still = hear(base)
    own = heard.rows("G", "1C")
    difference = heard.observations.phase_range_m[own] - still.observations.phase_range_m[own]
    after = heard.observed_s[own] >= 30
    assert np.abs(difference[~after]).max() < 1e-3
    assert difference[after].max() == pytest.approx(2.0, abs=0.4)  # from the highest: farther
    assert difference[after].min() > 0.2  # from the lowest at 10 degrees
    assert arp_errors_enu_m(heard) == [pytest.approx((0, 0, 0), abs=1e-4)] * 6


# ---- what was typed ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "severity", "enu_m"),
    [
        ("wrong-mark", (1.84, -0.97, 0.35), (1.84, -0.97, 0.35)),
        ("wrong-height", None, (0.0, 0.0, -1.652)),
        ("height-in-feet", None, (0.0, 0.0, 3.768)),
        ("slant-as-vertical", None, (0.0, 0.0, 0.0445)),
    ],
)
def test_a_position_typed_wrong(
    kind: str, severity: object, enu_m: tuple[float, float, float]
) -> None:
    heard = hear_fault(kind, 20.0, 30.0, severity)
    errors = arp_errors_enu_m(heard)
    assert errors[:2] == [pytest.approx((0, 0, 0), abs=1e-4)] * 2
    assert errors[2:5] == [pytest.approx(enu_m, abs=1e-3)] * 3


@pytest.mark.parametrize(("kind", "km"), [("degree-off", 111.1), ("sign-swapped", 3778.0)])
def test_a_position_typed_far_wrong(kind: str, km: float) -> None:
    east, north, up = arp_errors_enu_m(hear_fault(kind))[2]
    assert (east**2 + north**2 + up**2) ** 0.5 / 1000 == pytest.approx(km, rel=0.02)


def test_new_average() -> None:
    heard = hear_fault("new-average", 20.0, 300.0, 1.6)
    errors = arp_errors_enu_m(heard)
    assert np.linalg.norm(errors[0]) < 1e-3
    assert np.linalg.norm(errors[-1]) == pytest.approx(1.6, abs=1e-3)
    assert set(range(20, 34)).isdisjoint(heard.epochs)
    assert heard.observations.lock_time_ms[heard.observed_s == 36].max() <= 4000


@pytest.mark.parametrize(
    ("kind", "name"),
    [
        ("no-antenna-name", ""),
        ("null-antenna", "ADVNULLANTENNA"),
        ("wrong-antenna", "MILLPOND CR-11  DOME"),
    ],
)
def test_an_antenna_named_wrong(kind: str, name: str) -> None:
    names = [values["antenna_descriptor"] for values in hear_fault(kind).values(1033)]
    assert names == [*["OAKFIELD R2     NONE"] * 2, name, name, name, "OAKFIELD R2     NONE"]
