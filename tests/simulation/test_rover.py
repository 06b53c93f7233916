"""What a rover prints, and that it follows what arrives."""

import functools
import itertools
import math
import operator
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from rtcmtool.gnss import geodesy
from rtcmtool.gnss import time as gnss_time
from rtcmtool.gnss.satellites import SatelliteTable, emission_states
from rtcmtool.gnss.signals import C_M_S
from rtcmtool.simulation.fault_kinds import KINDS, Level
from rtcmtool.simulation.faults import Fault, make_fault
from rtcmtool.simulation.rover_nmea import (
    Dops,
    SeenSatellite,
    Solution,
    gga,
    gsa,
    gst,
    gsv,
    rmc,
    sentence,
    sentences,
)
from rtcmtool.simulation.run import Piece, Port, Simulation, chunk_of
from rtcmtool.simulation.scenario import Rover, Scenario
from rtcmtool.simulation.sent_position import true_arp_ecef_m
from rtcmtool.wire.decoding import Batch
from rtcmtool.wire.observations import SYSTEM_LETTERS
from rtcmtool.wire.stream import decode_stream
from tests.simulation.heard import SMALL

WITH_ROVER = replace(SMALL, rover=Rover(), duration_s=60.0)
NEAR = Dops(1.4, 0.8, 1.1)


def solution(**changes: Any) -> Solution:
    """Give the solution at the point of the standard's example of 1005."""
    at_noon = gnss_time.utc_ns_from_gps_ms(gnss_time.gps_ms_from_date(2026, 3, 4, 12, 0, 18))
    values: dict[str, Any] = {
        "utc_ns": at_noon,
        "latitude_deg": 38.80475943,
        "longitude_deg": -77.0647736,
        "ellipsoidal_height_m": 114.561,
        "geoid_separation_m": -32.0,
        "quality": 4,
        "age_s": 1.0,
        "station": 2003,
        "sigma_m": (0.01, 0.012, 0.02),
        "dops": NEAR,
        "satellites": tuple(
            SeenSatellite("G", number, 30.0 + number, 11.0 * number, 45.0, True)
            for number in range(1, 15)
        ),
    }
    return Solution(**(values | changes))


# A synthetic set at the position of the standard's example of 1005, with check sums by hand.
@pytest.mark.parametrize(
    ("changes", "line"),
    [
        (
            {},
            "$GNGGA,120000.00,3848.2855658,N,07703.8864160,W,4,14,0.8,146.561,M,-32.000,M,1.0,2003*68",
        ),
        (
            {"quality": 5, "age_s": 12.0, "second": 1},
            "$GNGGA,120001.00,3848.2855658,N,07703.8864160,W,5,14,0.8,146.561,M,-32.000,M,12.0,2003*5A",
        ),
        (
            {"quality": 1, "age_s": None, "station": None, "second": 2},
            "$GNGGA,120002.00,3848.2855658,N,07703.8864160,W,1,14,0.8,146.561,M,-32.000,M,,*41",
        ),
    ],
)
def test_a_gga_is_the_published_one_to_the_last_character(
    changes: dict[str, Any], line: str
) -> None:
    second = changes.pop("second", 0)
    made = solution(**changes)
    assert gga(replace(made, utc_ns=made.utc_ns + second * 10**9)) == line


def test_a_check_sum_is_the_published_one() -> None:
    line = sentence("GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,")
    assert line.endswith("*47")


def test_every_sentence_has_a_right_check_sum_and_the_fields_of_its_kind() -> None:
    fields = {"GGA": 15, "RMC": 14, "GST": 9, "GSA": 19}
    for made in (solution(), solution(quality=0, satellites=(), age_s=None, station=None)):
        for line in sentences(made):
            body, _, checksum = line[1:].partition("*")
            assert int(checksum, 16) == functools.reduce(operator.xor, body.encode())
            parts = body.split(",")
            assert len(parts) == fields.get(parts[0][2:], len(parts)), line


def test_without_geometry_the_dilutions_are_empty_fields() -> None:
    """NMEA 0183: a field of which nothing is known is empty; nothing in it is `nan`."""
    made = solution(quality=1, dops=Dops(math.nan, math.nan, math.nan), age_s=None, station=None)
    assert gga(made).split(",")[7:9] == ["14", ""]
    assert gsa(made)[0].split(",")[15:18] == ["", "", ""]
    assert "nan" not in "".join(sentences(made)).lower()
    far = solution(dops=Dops(math.inf, math.inf, math.inf))
    assert "inf" not in "".join(sentences(far)).lower()


def test_mode_date_and_deviations_are_told() -> None:
    assert rmc(solution()).split(",")[9:13] == ["040326", "", "", "R"]
    assert [rmc(solution(quality=q)).split(",")[12] for q in (1, 2, 4, 5)] == ["A", "D", "R", "F"]
    assert gst(solution()).partition("*")[0].split(",")[6:9] == ["0.010", "0.012", "0.020"]


def test_satellites_are_listed_by_system_in_groups() -> None:
    others = tuple(SeenSatellite(system, 3, 40.0, 359.7, 44.4, True) for system in "RECJ")
    made = solution(satellites=(*solution().satellites, *others))
    used = gsa(made)
    assert [line.split(",")[-1][0] for line in used] == ["1", "1", "2", "3", "4", "5"]
    assert used[2].split(",")[3] == "67"  # slot 3 of GLONASS
    seen = gsv(made)
    assert [line[1:3] for line in seen] == ["GP", "GP", "GP", "GP", "GL", "GA", "GB", "GQ"]
    assert seen[0].split(",")[1:4] == ["4", "1", "14"]
    assert seen[4].split(",")[4:8] == ["67", "40", "000", "44"]


@dataclass(frozen=True, eq=False)
class Logged:
    """What a rover wrote: its GGA fields, and its raw measurements with those of the base."""

    lines: list[list[str]]
    pieces: list[Piece]
    scenario: Scenario

    @property
    def qualities(self) -> list[int]:
        return [int(line[6]) for line in self.lines]

    @property
    def runs(self) -> list[tuple[int, int]]:
        return [(q, len(list(run))) for q, run in itertools.groupby(self.qualities)]

    @property
    def stations(self) -> set[str]:
        return {line[14].partition("*")[0] for line in self.lines if line[14][0] != "*"}

    @property
    def ages_s(self) -> list[float]:
        return [float(line[13]) for line in self.lines if line[13]]

    def batches(self, port: Port) -> Iterator[Batch]:
        return decode_stream(chunk_of(p, 0) for p in self.pieces if p.port is port)

    def errors_enu_m(self) -> np.ndarray:
        """Give printed minus true positions."""
        rover = self.scenario.rover
        assert rover is not None
        base = true_arp_ecef_m(self.scenario)
        truth = base + geodesy.ecef_from_enu(
            np.array([rover.east_m, rover.north_m, rover.up_m]), base
        )
        found = []
        for line in self.lines:
            degrees = [
                float(text[:-10]) + float(text[-10:]) / 60 if side in "NE" else math.nan
                for text, side in ((line[2], line[3]), (line[4], line[5]))
            ]
            height = float(line[9]) + float(line[11])
            place = geodesy.ecef_from_degrees(degrees[0], degrees[1], height)
            found.append(geodesy.enu_from_ecef(place - truth, truth))
        return np.array(found)


def log(*faults: Fault, scenario: Scenario = WITH_ROVER) -> Logged:
    scenario = replace(scenario, faults=faults)
    pieces = list(Simulation(scenario).pieces())
    lines = [
        line.split(",")
        for piece in pieces
        if piece.port is Port.NMEA
        for line in piece.data.decode().split("\r\n")
        if line[3:6] == "GGA"
    ]
    return Logged(lines, pieces, scenario)


@cache
def healthy() -> Logged:
    return log()


def test_a_rover_beside_a_healthy_base_fixes_within_seconds() -> None:
    logged = healthy()
    assert [quality for quality, _ in logged.runs] == [1, 5, 4]
    assert logged.runs[-1][1] > 40
    assert logged.stations == {"0417"}
    assert set(logged.ages_s) == {1.0}
    assert len(logged.lines) == 60


def test_a_fix_is_right_to_centimetres_and_stand_alone_to_metres() -> None:
    errors = healthy().errors_enu_m()
    fixed = np.array(healthy().qualities) == 4
    assert np.abs(errors[fixed]).max() < 0.06
    assert 0.05 < np.abs(errors[~fixed]).max() < 8.0


def test_a_wrong_base_shifts_every_fixed_point_one_to_one() -> None:
    logged = log(make_fault("wrong-mark", severity=(1.5, -2.5, 0.7)))
    fixed = np.array(logged.qualities) == 4
    assert fixed.sum() > 40
    assert logged.errors_enu_m()[fixed].mean(axis=0) == pytest.approx((1.5, -2.5, 0.7), abs=0.03)


@pytest.mark.parametrize(
    ("kind", "severity", "highest"),
    [
        ("no-position", None, 1),
        ("proprietary-only", None, 1),
        ("wrong-family", None, 1),
        ("degree-off", None, 1),
        ("silence", None, 1),
        ("rover-age-limit", None, 1),
        ("rover-mode", None, 2),
        ("rover-mask", 47.0, 2),
        ("few-satellites", 47.0, 2),
        ("one-band", None, 5),
        ("late", 7.0, 5),
        ("false-bias", None, 5),
        ("rover-noise", None, 5),
        ("same-number", None, 5),
        ("wrong-mark", (1200.0, 0.0, 0.0), 5),  # bends 1.7 km by 62 mm
    ],
)
def test_what_is_missing_decides_how_far_a_rover_comes(
    kind: str, severity: Any, highest: int
) -> None:
    rank = {0: 0, 1: 1, 2: 2, 5: 3, 4: 4}
    logged = log(make_fault(kind, severity=severity))
    assert max(logged.qualities, key=rank.__getitem__) == highest, logged.runs


def test_an_outage_ages_the_corrections_then_loses_the_fix() -> None:
    logged = log(make_fault("silence", 20.0, 25.0))
    qualities = logged.qualities
    assert qualities[18:35] == [4] * 17  # the last epoch is of second 19: held for 15 s
    assert qualities[35] == 5
    assert max(logged.ages_s) > 20
    assert qualities[-1] in {4, 5}


def test_a_restart_of_the_base_begins_the_search_anew() -> None:
    logged = log(make_fault("restart", 20.0, severity=5.0))
    assert logged.qualities[24] == 4
    assert 4 not in logged.qualities[27:32]
    assert logged.qualities[-1] == 4


@pytest.mark.slow
def test_two_bases_make_the_station_flip_and_the_fix_fall() -> None:
    logged = log(make_fault("two-bases", 0.0), scenario=replace(WITH_ROVER, duration_s=120.0))
    assert logged.stations == {"0417", "0088"}
    assert sum(quality == 5 for quality in logged.qualities) > 40


def test_a_lost_last_message_costs_one_interval_of_age() -> None:
    assert set(log(make_fault("last-lost")).ages_s) == {2.0}


@pytest.mark.slow
def test_a_far_rover_takes_longer() -> None:
    near, far = (dict(log(*faults).runs).get(5, 0) for faults in ((), (make_fault("rover-far"),)))
    assert far > 4 * near


def test_a_high_rover_prints_its_height() -> None:
    logged = log(make_fault("rover-high", severity=900.0))
    heights = [float(line[9]) for line in logged.lines]
    assert np.median(heights) - np.median([float(line[9]) for line in healthy().lines]) == (
        pytest.approx(900.0 + 34.0, abs=3.0)
    )


def test_a_blocked_sky_leaves_the_rover_few_satellites() -> None:
    blocked = [int(line[7]) for line in log(make_fault("rover-sky", severity=70.0)).lines]
    assert max(blocked) < min(int(line[7]) for line in healthy().lines) - 3


def test_every_fault_of_the_rover_is_tested_here() -> None:
    named = {
        *("rover-age-limit", "rover-mode", "rover-mask", "rover-noise", "rover-far", "rover-high"),
        "rover-sky",
    }
    assert {kind.name for kind in KINDS.values() if kind.level is Level.ROVER} == named


def ranges_m(batches: Iterator[Batch], gps_ms: int) -> dict[str, tuple[float, float]]:
    """Give code and phase on 1C of the GPS satellites at an epoch."""
    found: dict[str, tuple[float, float]] = {}
    for batch in batches:
        seen = batch.observations
        at = (batch.gps_ms[seen.frame] == gps_ms) & (seen.system == SYSTEM_LETTERS.index("G"))
        for row in np.flatnonzero(at).tolist():
            name = f"G{seen.satellite[row]:02d}"
            found.setdefault(name, (seen.pseudorange_m[row], seen.phase_range_m[row]))
    return found


def test_double_differences_of_base_and_rover_close_on_the_truth() -> None:
    """Code to its noise; phase, from one epoch to the next, to millimetres."""
    from rtcmtool.simulation.world import World

    logged = healthy()
    scenario = logged.scenario
    world = World(scenario)
    base_m, rover_m = world.base_arp_ecef_m({}), world.rover_arp_ecef_m({})
    first_ms = scenario.start_gps_ms + 20_000
    observed = {
        (port, ms): ranges_m(logged.batches(port), ms)
        for port in (Port.ROVER, Port.RAW)
        for ms in (first_ms, first_ms + 20_000)
    }
    names = sorted(set.intersection(*(set(found) for found in observed.values())))
    assert len(names) >= 6
    residuals = {}
    for ms in (first_ms, first_ms + 20_000):
        records = world._constellation.in_force(ms)
        table = SatelliteTable.stack([records[name] for name in names])
        single = np.zeros((2, len(names)))
        for port, place_m, sign in ((Port.RAW, rover_m, 1.0), (Port.ROVER, base_m, -1.0)):
            measured = np.array([observed[port, ms][name] for name in names]).T
            states = emission_states(table, ms, measured[0])
            travel_s = geodesy.distance_m(states.position_m, place_m) / C_M_S
            angle = 7.2921151467e-5 * travel_s
            x, y, z = states.position_m.T
            turned = np.stack(
                (x * np.cos(angle) + y * np.sin(angle), y * np.cos(angle) - x * np.sin(angle), z),
                axis=-1,
            )
            single += sign * (measured - geodesy.distance_m(turned, place_m))
        residuals[ms] = single - single[:, :1]
    for double in residuals.values():
        assert np.abs(double[0]).max() < 2.5  # code
    change = residuals[first_ms + 20_000][1] - residuals[first_ms][1]
    assert np.abs(change).max() < 0.02  # phase: MSM4 steps of 0.6 mm, noise of four phases
