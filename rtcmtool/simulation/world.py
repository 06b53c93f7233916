"""The simulated world: one sky, the base under it, perhaps a second base and a rover."""

from collections.abc import Iterator, Mapping
from dataclasses import replace
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss import geodesy
from rtcmtool.gnss.ephemerides import Ephemeris, KeplerEphemeris
from rtcmtool.gnss.satellites import SatelliteTable, sight
from rtcmtool.simulation.broadcast import as_f_nav, ephemeris_message, message_number
from rtcmtool.simulation.constellation import make_constellation
from rtcmtool.simulation.faults import Fault, Timetable
from rtcmtool.simulation.receiver import observe
from rtcmtool.simulation.receiver_effects import (
    L2_HZ,
    BadCable,
    BlockedSky,
    Bumped,
    ClockJumps,
    Effect,
    HalfCycles,
    Interference,
    Multipath,
    OneFrequency,
    RaisedMask,
    Restart,
    Slips,
    Storm,
    SystemsOff,
)
from rtcmtool.simulation.receiver_epochs import ReceiverEpochs
from rtcmtool.simulation.receiver_settings import Receiver, ReceiverClock
from rtcmtool.simulation.scenario import Scenario, Stream
from rtcmtool.simulation.sent_position import second_position, true_arp_ecef_m
from rtcmtool.wire.encoding import frame_message
from rtcmtool.wire.observations import SYSTEM_LETTERS

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

ROVER_STATION = 1
_SKY, _BASE, _SECOND, _ROVER = 0, 1, 2, 3  # added to the seed, times the number of them
_SEEDS = 4
# A bias of code against phase in metres by the phase bias a channel: as the receiver has it.
_CHANNELS_A_BIAS = 2848.0
_ALL_KINDS_OF_CLOCK: Mapping[str, ReceiverClock] = {
    "steered": ReceiverClock(),
    "drifting": ReceiverClock(offset_s=2.1e-5, drift_s_s=1.7e-7),
    "jumping": ReceiverClock(offset_s=4.2e-4, drift_s_s=6.5e-7, is_kept_within_half_ms=True),
}
_WALL_FROM_DEG, _WALL_TO_DEG = 95.0, 275.0  # the wall at the base hides the south: judgement
_KEYED_SHARE = 0.7  # of the seconds, by a radio that is nearly full: judgement
_TREES_FROM_DEG, _TREES_TO_DEG = 20.0, 250.0  # at the rover

_ROVER_MESSAGES = MappingProxyType({1077: 1.0, 1087: 1.0, 1097: 1.0, 1117: 1.0, 1127: 1.0})
_SECOND_MESSAGES = MappingProxyType({1006: 10.0, 1074: 1.0, 1084: 1.0})


class World:
    """Everything that is true in a scenario.

    Parameters
    ----------
    scenario : Scenario
        What shall be simulated.
    """

    def __init__(self, scenario: Scenario) -> None:
        self._scenario = scenario
        self._timetable = Timetable(scenario.faults)
        self._seed = scenario.seed * _SEEDS
        self._base_arp_m = true_arp_ecef_m(scenario)
        self._constellation = make_constellation(
            scenario.start_gps_ms, scenario.duration_s, self._seed + _SKY, _systems(scenario)
        )
        self._base = self._receiver(
            self._base_arp_m, _BASE, scenario.base.mask_deg, scenario.base.noise
        )
        self._base = replace(
            self._base,
            clock=_ALL_KINDS_OF_CLOCK[scenario.base.clock],
            glonass_phase_bias_m=scenario.stream.glonass_biases_m[0] / _CHANNELS_A_BIAS,
        )
        self._second = self._receiver(
            second_position(scenario).arp_ecef_m, _SECOND, scenario.base.mask_deg, 1.0
        )
        self._rovers: dict[tuple[float, ...], Receiver] = {}  # by place: tracking is remembered
        self._base_effects = tuple(_base_effects(self._timetable, scenario))
        self._sky_effects = tuple(_effects_of_sky(self._timetable, scenario))
        self._rover_effects = (*self._sky_effects, *_rover_effects(self._timetable, scenario))

    def _receiver(self, arp_m: Floats, who: int, mask_deg: float, noise: float) -> Receiver:
        x_m, y_m, z_m = arp_m.tolist()
        return Receiver(
            position_m=(x_m, y_m, z_m),
            seed=self._seed + who,
            signals=dict(self._scenario.stream.signals),
            mask_deg=mask_deg,
            noise=noise,
            multipath=noise,
        )

    def base_epochs(self, gps_ms: Integers) -> ReceiverEpochs:
        """Give what the base measures."""
        return observe(self._base, self._constellation, gps_ms, self._base_effects)

    def second_epochs(self, gps_ms: Integers) -> ReceiverEpochs:
        """Give what the second base measures."""
        return observe(self._second, self._constellation, gps_ms, self._sky_effects)

    def rover_epochs(self, gps_ms: Integers, active: Mapping[str, Fault]) -> ReceiverEpochs:
        """Give what the rover measures."""
        assert self._scenario.rover is not None
        arp_m = self.rover_arp_ecef_m(active)
        place = tuple(arp_m.tolist())
        if place not in self._rovers:
            rover = self._receiver(arp_m, _ROVER, min(self._scenario.rover.mask_deg, 10.0), 1.0)
            self._rovers[place] = replace(rover, clock=_ALL_KINDS_OF_CLOCK["drifting"])
        return observe(self._rovers[place], self._constellation, gps_ms, self._rover_effects)

    def base_arp_ecef_m(self, active: Mapping[str, Fault]) -> Floats:
        """Give the true ARP of the base, shape (3,), m."""
        if "base-bumped" not in active:
            return self._base_arp_m
        moved = geodesy.ecef_from_enu(np.array(active["base-bumped"].vector_m), self._base_arp_m)
        return self._base_arp_m + moved

    def rover_arp_ecef_m(self, active: Mapping[str, Fault]) -> Floats:
        """Give the true ARP of the rover, shape (3,), m."""
        rover = self._scenario.rover
        assert rover is not None
        vector = np.array([rover.east_m, rover.north_m, rover.up_m])
        if "rover-far" in active:
            line_m = float(np.hypot(vector[0], vector[1]))
            direction = vector[:2] / line_m if line_m else np.array([1.0, 0.0])
            vector[:2] = direction * active["rover-far"].number * 1000.0
        if "rover-high" in active:
            vector[2] = active["rover-high"].number
        return self._base_arp_m + geodesy.ecef_from_enu(vector, self._base_arp_m)

    def ephemeris_frames(self, epochs: ReceiverEpochs) -> dict[int, list[bytes]]:
        """Give the frames of all satellites that are measured, by message number.

        Parameters
        ----------
        epochs : ReceiverEpochs
            Of a block; the records are those in force at its begin.
        """
        if not len(epochs.gps_ms):
            return {}
        in_force = self._constellation.in_force(int(epochs.gps_ms[0]))
        codes = np.unique(epochs.system.astype(np.int64) * 256 + epochs.satellite)
        frames: dict[int, list[bytes]] = {}
        for code in codes.tolist():
            record = in_force.get(f"{SYSTEM_LETTERS[code // 256]}{code % 256:02d}")
            if record is None:
                continue
            records: list[Ephemeris] = [record]
            if isinstance(record, KeplerEphemeris) and record.system == "E":
                records.append(as_f_nav(record))
            for each in records:
                frame = frame_message(ephemeris_message(each))
                frames.setdefault(message_number(each), []).append(frame)
        return frames

    def directions(
        self, gps_ms: Integers, place_m: Floats
    ) -> tuple[tuple[str, ...], Floats, Floats]:
        """Give where the satellites stand.

        Parameters
        ----------
        gps_ms : ndarray of int64, shape (m,)
            Times, all within a few minutes.
        place_m : ndarray of float64, shape (3,)
            Of the receiver.

        Returns
        -------
        satellites : tuple of str
            RINEX names, n of them.
        azimuth_rad, elevation_rad : ndarray of float64, shape (m, n)
        """
        table = SatelliteTable.stack(self._constellation.truth(int(gps_ms[0])))
        seen = sight(table, gps_ms[:, np.newaxis], place_m)
        return table.satellites, seen.azimuth_rad, seen.elevation_rad


def rover_scenario(scenario: Scenario) -> Scenario:
    """Give a scenario whose base is the rover: for its raw measurements."""
    stream = Stream(
        station=ROVER_STATION,
        antenna="OAKFIELD P1     NONE",
        receiver="OAKFIELD ROVER 2",
        signals=scenario.stream.signals,
        messages=_ROVER_MESSAGES,
    )
    return replace(scenario, stream=stream, faults=())


def second_scenario(scenario: Scenario, station: int) -> Scenario:
    """Give a scenario whose base is the second one on the channel."""
    stream = replace(scenario.stream, station=station, messages=_SECOND_MESSAGES)
    return replace(scenario, stream=stream, faults=())


def _systems(scenario: Scenario) -> str:
    """Give the systems in the sky: those sent, and GPS and GLONASS for a second base."""
    return "".join(letter for letter in "GRECJ" if letter in f"GR{scenario.stream.systems}")


def _span(scenario: Scenario, fault: Fault) -> dict[str, int]:
    """Give start and end of an effect."""
    start_ms = scenario.start_gps_ms
    end_s = min(fault.end_s, scenario.duration_s + 3600.0)
    return {
        "start_gps_ms": start_ms + round(fault.start_s * 1000),
        "end_gps_ms": start_ms + round(end_s * 1000),
    }


def _effects_of_sky(timetable: Timetable, scenario: Scenario) -> Iterator[Effect]:
    """Give what hits every receiver."""
    for fault in timetable:
        if fault.kind == "storm":
            yield Storm(rate_m_s=fault.number / 1000.0, **_span(scenario, fault))


def _base_effects(timetable: Timetable, scenario: Scenario) -> Iterator[Effect]:
    """Give what hits the base."""
    yield from _effects_of_sky(timetable, scenario)
    silences = {(f.start_s, f.end_s) for f in timetable if f.kind == "silence"}
    for begin_s, end_s in timetable.pauses_s(scenario.duration_s):
        if (begin_s, end_s) not in silences:
            begin_ms = scenario.start_gps_ms + round(begin_s * 1000)
            yield Restart(start_gps_ms=begin_ms, silent_s=end_s - begin_s)
    for fault in timetable:
        span = _span(scenario, fault)
        match fault.kind:
            case "few-satellites":
                yield RaisedMask(mask_deg=fault.number, **span)
            case "blocked-sky":
                yield BlockedSky(
                    from_deg=_WALL_FROM_DEG, to_deg=_WALL_TO_DEG, elevation_deg=fault.number, **span
                )
            case "system-lost":
                yield SystemsOff(systems=fault.letters, **span)
            case "one-band":
                yield OneFrequency(**span)
            case "jammed-band":
                yield Interference(band_hz=L2_HZ, drop_db=fault.number, duty=_KEYED_SHARE, **span)
            case "bad-cable":
                yield BadCable(loss_db=fault.number, **span)
            case "noisy-site":
                yield Multipath(factor=fault.number, **span)
            case "clock-jumps":
                yield ClockJumps(every_s=fault.number, **span)
            case "half-cycles":
                yield HalfCycles(share=fault.number / 100.0, **span)
            case "slips":
                yield Slips(per_hour=fault.number, band_hz=None, **span)
            case "base-bumped":
                east_m, north_m, up_m = fault.vector_m
                yield Bumped(east_m=east_m, north_m=north_m, up_m=up_m, **span)


def _rover_effects(timetable: Timetable, scenario: Scenario) -> Iterator[Effect]:
    """Give what hits the rover alone."""
    for fault in timetable:
        span = _span(scenario, fault)
        match fault.kind:
            case "rover-sky":
                yield BlockedSky(
                    from_deg=_TREES_FROM_DEG, to_deg=_TREES_TO_DEG, elevation_deg=fault.number,
                    **span,
                )  # fmt: skip
            case "rover-noise":
                yield Multipath(factor=fault.number, **span)
