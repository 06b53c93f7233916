"""A rover's state from epoch to epoch: stand-alone, differential, float, fixed.

It follows what really arrives over the link, and the physics around it; how long a fix takes is a
plausible model, not an engine. What it rests on:

    five satellites in common, and one more for each further system, before cycles can be solved
    a fix on two bands takes seconds, on one band minutes; far and disturbed lines take longer
    a held fix lives 15 s without new corrections, a new one is hard to get after 5 s
    a base that is wrong by e metres bends a line of length d by 3e-8 e d; a quarter of a wave of
    L1 (48 mm) makes fixing impossible
    the error of the base's position goes into every point of the rover, one to one

The ages follow a recorded pair of receivers; the bending is our own simulation; the times to fix
are common practice without a source.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss import geodesy
from rtcmtool.simulation.corrections import BaseEpoch, Corrections, age_s
from rtcmtool.simulation.faults import Fault
from rtcmtool.simulation.rover_nmea import Dops, SeenSatellite, Solution
from rtcmtool.simulation.scenario import Rover

Floats = npt.NDArray[np.float64]

LEAST_COMMON = 5
HELD_FIX_S, NEW_FIX_S = 15.0, 5.0
BENDING = 3e-8  # per metre of base error and metre of line
QUARTER_WAVE_M = 0.048
HOPELESS_ERROR_M = 100_000.0  # a base so wrong is not used at all: judgement

_TIME_TO_FIX_S = 8.0
_ONE_BAND, _FEW, _NO_BIAS, _FALSE_BIAS = 35.0, 4.0, 2.5, 60.0  # factors on it
_LINE_OF_DOUBLE_TIME_M = 8_000.0
_NO_HOLD_S, _SLOW_LOSS_S = 900.0, 20.0  # a fix that would take so long is not held either
_CHANGE_OF_BASE = 0.1  # chance an epoch that a rover takes the other of two bases: judgement
_TAG_ROVER = 41  # of random numbers
# Horizontal and vertical scatter by quality, m, and how slowly it wanders, s.
_SCATTER_M = {1: (0.9, 1.8), 2: (0.35, 0.7), 5: (0.16, 0.3), 4: (0.006, 0.012)}
_WANDER_S = {1: 180.0, 2: 90.0, 5: 60.0, 4: 8.0}


@dataclass(frozen=True, eq=False, slots=True)
class Surroundings:
    """What is true of rover and base, whatever arrives.

    Attributes
    ----------
    arp_ecef_m : ndarray of float64, shape (3,)
        True ARP of the rover.
    base_arps_ecef_m : sequence of ndarray of float64, shape (3,)
        True ARP of every base on the channel, ours first.
    active : mapping
        Faults by kind: of storms and reflections the rover feels the effect only.
    """

    arp_ecef_m: Floats
    base_arps_ecef_m: Sequence[Floats]
    active: Mapping[str, Fault]

    @property
    def line_m(self) -> float:
        """Distance from our base, m."""
        return float(np.linalg.norm(self.arp_ecef_m - self.base_arps_ecef_m[0]))

    def base_error_m(self, sent_arp_m: Floats) -> Floats:
        """Give sent minus true position of the base that is nearest to the one sent."""
        errors = [sent_arp_m - true_m for true_m in self.base_arps_ecef_m]
        return min(errors, key=lambda error: float(np.linalg.norm(error)))


class RoverEngine:
    """Turns corrections and own satellites into the position that is printed.

    Parameters
    ----------
    rover : Rover
        Mask, age limit, mode.
    corrections : Corrections
        What arrives.
    seed : int
        Everything random follows from it.
    """

    def __init__(self, rover: Rover, corrections: Corrections, seed: int) -> None:
        self._rover = rover
        self.corrections = corrections
        self._random = np.random.default_rng([seed, _TAG_ROVER])
        self._errors = {quality: self._random.normal(size=3) for quality in _SCATTER_M}
        self._last_epoch: BaseEpoch | None = None
        self._last_arp_m: Floats | None = None
        self._last_change_ms: int | None = None
        self._progress = 0.0  # 1 is fixed
        self._is_fixed = False

    def solve(
        self,
        gps_ms: int,
        utc_ns: int,
        satellites: Sequence[SeenSatellite],
        dops: Dops,
        around: Surroundings,
    ) -> Solution:
        """Give the position of one epoch.

        Parameters
        ----------
        gps_ms, utc_ns : int
            The epoch, twice.
        satellites : sequence of SeenSatellite
            Those tracked; used are those above the rover's mask.
        dops : Dops
            Of those used.
        around : Surroundings
            Truth.
        """
        own = {f"{s.system}{s.number:02d}" for s in satellites if s.is_used}
        epoch = self._chosen(self.corrections.usable())
        quality = self._quality(gps_ms, own, epoch, around)
        for key, error in self._errors.items():  # all wander on, whichever is shown
            keep = math.exp(-1.0 / _WANDER_S[key])
            step = math.sqrt(1.0 - keep * keep)
            self._errors[key] = keep * error + step * self._random.normal(size=3)
        sigma_m = self._sigma_m(quality, gps_ms, epoch, dops, around)
        place_m = around.arp_ecef_m
        if quality:
            offset_m = geodesy.ecef_from_enu(self._errors[quality] * sigma_m, place_m)
            place_m = place_m + offset_m + self._shift_m(quality, epoch, around)
        latitude_deg, longitude_deg, height_m = geodesy.degrees_from_ecef(place_m)
        uses_base = quality > 1 and epoch is not None
        return Solution(
            utc_ns=utc_ns,
            latitude_deg=latitude_deg,
            longitude_deg=longitude_deg,
            ellipsoidal_height_m=height_m,
            geoid_separation_m=self._rover.geoid_separation_m,
            quality=quality,
            age_s=age_s(epoch, gps_ms) if uses_base and epoch else None,
            station=epoch.station if uses_base and epoch else None,
            sigma_m=(float(sigma_m[1]), float(sigma_m[0]), float(sigma_m[2])),
            dops=dops,
            satellites=tuple(satellites),
        )

    def _chosen(self, epochs: Sequence[BaseEpoch]) -> BaseEpoch | None:
        """Choose the newest epoch; of two bases that are as new mostly the one in use."""
        if not epochs:
            return None
        newest_ms = max(epoch.gps_ms for epoch in epochs)
        fresh = [epoch for epoch in epochs if epoch.gps_ms == newest_ms]
        in_use = self._last_epoch.station if self._last_epoch else fresh[0].station
        kept = [epoch for epoch in fresh if epoch.station == in_use]
        others = [epoch for epoch in fresh if epoch.station != in_use]
        if others and (not kept or self._random.random() < _CHANGE_OF_BASE):
            return others[0]
        return kept[0]

    def _quality(
        self, gps_ms: int, own: set[str], epoch: BaseEpoch | None, around: Surroundings
    ) -> int:
        if len(own) < 4:
            self._lose()
            return 0
        known = self.corrections.bases.get(epoch.station) if epoch else None
        arp_m = known.arp_ecef_m if known else None
        limit_s = self._rover.age_limit_s
        if "rover-age-limit" in around.active:
            limit_s = around.active["rover-age-limit"].number
        if epoch is None or arp_m is None or age_s(epoch, gps_ms) > limit_s:
            self._lose()
            return 1
        error_m = float(np.linalg.norm(around.base_error_m(arp_m)))
        if error_m > HOPELESS_ERROR_M or len(own & epoch.code_satellites) < 4:
            self._lose()
            return 1
        common = own & set(epoch.satellites)
        systems = {name[0] for name in common}
        is_code_only = self._rover.mode == "differential" or "rover-mode" in around.active
        if is_code_only or len(common) < LEAST_COMMON + len(systems) - 1:
            self._lose()
            return 2
        self._notice(epoch, arp_m)
        if epoch.is_contradictory:
            self._lose()
            return 5
        self._advance(gps_ms, epoch, common, error_m, around)
        return 4 if self._is_fixed else 5

    def _lose(self) -> None:
        self._progress, self._is_fixed = 0.0, False

    def _notice(self, epoch: BaseEpoch, arp_m: Floats) -> None:
        """Begin anew when the base is another one, elsewhere, or has restarted."""
        last = self._last_epoch
        if last is not None and epoch is not last:
            has_moved = self._last_arp_m is not None and not np.array_equal(self._last_arp_m, arp_m)
            has_restarted = _has_restarted(last.locks_ms, epoch.locks_ms)
            if epoch.station != last.station or has_moved or has_restarted:
                self._lose()
        self._last_epoch, self._last_arp_m = epoch, arp_m

    def _advance(
        self,
        gps_ms: int,
        epoch: BaseEpoch,
        common: set[str],
        error_m: float,
        around: Surroundings,
    ) -> None:
        age = age_s(epoch, gps_ms)
        if self._is_fixed:
            wanted_s = self._time_to_fix_s(epoch, common, error_m, around)
            self._progress -= 1.0 / _SLOW_LOSS_S if wanted_s > _NO_HOLD_S else 0.0
            if age > HELD_FIX_S or self._progress <= 0.0:
                self._lose()
            return
        if age > NEW_FIX_S or epoch.gps_ms == self._last_change_ms:
            return
        self._last_change_ms = epoch.gps_ms
        wanted_s = self._time_to_fix_s(epoch, common, error_m, around)
        self._progress += 1.0 / wanted_s
        self._is_fixed = self._progress >= 1.0

    def _time_to_fix_s(
        self, epoch: BaseEpoch, common: set[str], error_m: float, around: Surroundings
    ) -> float:
        """Give how long a fix takes under the present conditions; infinite where it never comes."""
        line_m = around.line_m
        if BENDING * error_m * line_m > QUARTER_WAVE_M:
            return math.inf
        time_s = _TIME_TO_FIX_S * (1.0 + (line_m / _LINE_OF_DOUBLE_TIME_M) ** 2)
        two_bands = sum(len(epoch.satellites[name]) > 1 for name in common)
        if two_bands < LEAST_COMMON:
            time_s *= _ONE_BAND
        if len(common) < LEAST_COMMON + 3 + len({name[0] for name in common}) - 1:
            time_s *= _FEW
        known = self.corrections.bases[epoch.station]
        if any(name[0] == "R" for name in common):
            if known.is_bias_false:
                time_s *= _FALSE_BIAS
            elif not known.has_bias:
                time_s *= _NO_BIAS
        for kind in ("noisy-site", "rover-noise", "storm"):
            if kind in around.active:
                time_s *= max(around.active[kind].number, 1.0) ** 2
        return time_s

    def _sigma_m(
        self,
        quality: int,
        gps_ms: int,
        epoch: BaseEpoch | None,
        dops: Dops,
        around: Surroundings,
    ) -> Floats:
        """Give the standard deviations east, north, up."""
        if not quality:
            return np.zeros(3)
        horizontal_m, vertical_m = _SCATTER_M[quality]
        if quality > 1 and epoch is not None:
            more_m = 1e-6 * around.line_m + 0.0007 * age_s(
                epoch, gps_ms
            )  # 1 ppm; ageing of orbits, clocks
            horizontal_m, vertical_m = horizontal_m + more_m, vertical_m + 2.0 * more_m
        factor = 1.0 if math.isnan(dops.horizontal) else max(dops.horizontal, 0.5)
        if "rover-noise" in around.active:
            factor *= math.sqrt(around.active["rover-noise"].number)
        return np.array([horizontal_m, horizontal_m, vertical_m]) * factor

    def _shift_m(self, quality: int, epoch: BaseEpoch | None, around: Surroundings) -> Floats:
        """Give how far the base's own position error moves the rover, earth-fixed."""
        known = self.corrections.bases.get(epoch.station) if epoch else None
        if quality == 1 or known is None or known.arp_ecef_m is None:
            return np.zeros(3)
        return around.base_error_m(known.arp_ecef_m)


def _has_restarted(before_ms: Mapping[str, int], after_ms: Mapping[str, int]) -> bool:
    """Tell whether the lock times of all satellites in both epochs have fallen."""
    both = before_ms.keys() & after_ms.keys()
    return len(both) > 2 and all(after_ms[name] < before_ms[name] for name in both)
