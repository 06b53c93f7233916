"""What the base sends, epoch by epoch: which messages, in which order, when.

Within an epoch the short messages about the base come first, then ephemerides, then the
observations by system, of which only the last has the 'more follows' bit at 0. A block is a run of
epochs in which the same faults act.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss import time as gnss_time
from rtcmtool.simulation.faults import Fault
from rtcmtool.simulation.receiver_epochs import ReceiverEpochs
from rtcmtool.simulation.scenario import (
    EPHEMERIS_MESSAGES,
    OBSERVATION_MESSAGES,
    STATION_MESSAGES,
    SYSTEMS_BY_NUMBER,
    Scenario,
)
from rtcmtool.simulation.sent_position import SentPosition
from rtcmtool.simulation.station_messages import (
    TEXT_INTERVAL_S,
    TEXT_NUMBER,
    station_frame,
    text_frame,
)
from rtcmtool.wire.catalogue import LEGACY_NUMBERS
from rtcmtool.wire.encoded_frames import MessageHeads
from rtcmtool.wire.encoding import frame_message
from rtcmtool.wire.legacy_encoding import encode_legacy
from rtcmtool.wire.observation_encoding import encode_msm
from rtcmtool.wire.observations import SYSTEM_LETTERS, Observations, nothing

Integers = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

# A number of a maker without a layout: RTCM 10403.x leaves 4001 to 4095 to makers, from memory.
PROPRIETARY_NUMBER = 4050
_SHORTEST_PROPRIETARY = 12  # bytes
_MESSAGE_TYPES_OF_OTHER_FAMILY = {"G": 1004, "R": 1012}
_MSM4_OF_SYSTEM = {"G": 1074, "R": 1084, "E": 1094, "J": 1114, "C": 1124}
_READY_S, _READY_SPREAD_S = 0.09, 0.03  # after the epoch, until a receiver has it: practice
_LINE_BITS = 10  # a byte on a serial line, 8N1
# Which second of its interval a message takes, so that not all fall on one epoch: judgement.
_PHASE_S = {1005: 0, 1006: 0, 1230: 1, 1033: 2, 1008: 3, 1007: 3, 1013: 4}
_TAG_READY, _TAG_LOST, _TAG_PAYLOAD = 21, 22, 23  # of random numbers


@dataclass(frozen=True, slots=True)
class Frame:
    """A frame on its way: when its last byte has left, its bytes, what it is.

    Attributes
    ----------
    utc_ns : int
        True time of its last byte.
    data : bytes
        Whole frame.
    """

    utc_ns: int
    data: bytes


class Plan:
    """Which messages are due in which epoch.

    Parameters
    ----------
    scenario : Scenario
        With the intervals.
    """

    def __init__(self, scenario: Scenario) -> None:
        self._start_ms = scenario.start_gps_ms
        self._step_ms = round(scenario.stream.interval_s * 1000)

    def is_due(self, interval_s: float, phase_s: float, gps_ms: Integers) -> Bools:
        """Tell for each epoch whether a message of this interval is due.

        Parameters
        ----------
        interval_s, phase_s : float
            Every so many seconds, first so long after the start.
        gps_ms : ndarray of int64, shape (n,)
            Epochs, GPS time.
        """
        interval_ms = max(round(interval_s * 1000), self._step_ms)
        since_ms = gps_ms - self._start_ms - round(phase_s * 1000) % interval_ms
        due: Bools = since_ms % interval_ms < self._step_ms
        return due


def observations_of(epochs: ReceiverEpochs) -> Observations:
    """Turn what a receiver measured into the columns that are encoded."""
    missing = nothing(len(epochs))
    return Observations(
        frame=epochs.epoch.astype(np.int32),
        system=epochs.system,
        satellite=epochs.satellite,
        signal=epochs.signal,
        pseudorange_m=epochs.pseudorange_m,
        phase_range_m=epochs.phase_range_m,
        pseudorange_modulo_m=missing,
        phase_range_modulo_m=missing,
        phase_range_rate_m_s=epochs.phase_range_rate_m_s,
        cnr_dbhz=epochs.cnr_dbhz.astype(np.float32),
        lock_time_ms=np.minimum(epochs.lock_time_ms, np.iinfo(np.int32).max).astype(np.int32),
        half_cycle=epochs.half_cycle.astype(np.int8),
    )


def channels_of(epochs: ReceiverEpochs) -> dict[int, int]:
    """Give the GLONASS channels by slot."""
    glonass = epochs.system == SYSTEM_LETTERS.index("R")
    slots, first = np.unique(epochs.satellite[glonass], return_index=True)
    channels = epochs.channel[glonass][first]
    return dict(zip(slots.tolist(), channels.tolist(), strict=True))


def intervals_in_force(scenario: Scenario, active: Mapping[str, Fault]) -> dict[int, float]:
    """Give the message set while some faults act: number to interval, s."""
    intervals = dict(scenario.stream.messages)
    if "wrong-family" in active:
        intervals = _other_family(scenario, intervals)
    if "no-position" in active:
        intervals = {n: s for n, s in intervals.items() if n not in (1005, 1006)}
    if "no-bias" in active:
        intervals.pop(1230, None)
    return intervals


def _other_family(scenario: Scenario, intervals: Mapping[int, float]) -> dict[int, float]:
    """Send legacy messages in the place of MSM, or MSM4 in the place of legacy ones."""
    kept = {n: s for n, s in intervals.items() if n not in OBSERVATION_MESSAGES}
    is_legacy = any(number in LEGACY_NUMBERS for number in intervals)
    numbers = _MSM4_OF_SYSTEM if is_legacy else _MESSAGE_TYPES_OF_OTHER_FAMILY
    step_s = scenario.stream.interval_s
    kept |= {numbers[letter]: step_s for letter in scenario.stream.systems if letter in numbers}
    return kept


class MessageMaker:
    """Makes the frames of one base.

    Parameters
    ----------
    scenario : Scenario
        Message set, names and intervals.
    station : int
        Number of the base.
    lag_s : float
        Sends so much later than a quick base: the second base on a channel takes its turn.
    """

    def __init__(self, scenario: Scenario, station: int, lag_s: float = 0.0) -> None:
        self._scenario = scenario
        self._station = station
        self._lag_s = lag_s
        self._plan = Plan(scenario)

    def frames(
        self,
        epochs: ReceiverEpochs,
        active: Mapping[str, Fault],
        position: SentPosition,
        ephemerides: Mapping[int, Sequence[bytes]],
    ) -> list[Frame]:
        """Make all frames of a block.

        Parameters
        ----------
        epochs : ReceiverEpochs
            What was measured.
        active : mapping
            Faults that act in this block, by kind.
        position : SentPosition
            What 1005 and 1006 say.
        ephemerides : mapping
            Message number to the frames of all satellites in view.

        Returns
        -------
        list of Frame
            In the order of their times.
        """
        station = self._station
        if "number-changes" in active:
            station = round(active["number-changes"].number)
        intervals = intervals_in_force(self._scenario, active)
        lists: list[list[bytes]] = [[] for _ in epochs.gps_ms]
        self._add_station(lists, epochs.gps_ms, intervals, active, station, position)
        self._add_ephemerides(lists, epochs.gps_ms, intervals, ephemerides)
        last = self._add_observations(lists, epochs, intervals, active, station)
        if "last-lost" in active:
            self._lose_last(lists, last, epochs.gps_ms, active["last-lost"].number / 100.0)
        if "proprietary-only" in active:
            self._disguise(lists, epochs.gps_ms)
        if "epochs-twice" in active:
            lists = [frames * 2 for frames in lists]
        self._add_text(lists, epochs.gps_ms, station)
        return self._timed(lists, epochs.gps_ms)

    def _add_text(self, lists: list[list[bytes]], gps_ms: Integers, station: int) -> None:
        """Say in each block, and again and again, that all this is simulated."""
        due = self._plan.is_due(TEXT_INTERVAL_S, 0.0, gps_ms)
        due[:1] = True
        for epoch in np.flatnonzero(due).tolist():
            lists[epoch].insert(0, text_frame(station, int(gps_ms[epoch])))

    def _add_station(
        self,
        lists: list[list[bytes]],
        gps_ms: Integers,
        intervals: Mapping[int, float],
        active: Mapping[str, Fault],
        station: int,
        position: SentPosition,
    ) -> None:
        for number in (1005, 1006, 1230, 1007, 1008, 1013, 1033):  # short ones first
            if number not in intervals:
                continue
            due = self._plan.is_due(intervals[number], _PHASE_S[number], gps_ms)
            frame: bytes | None = None
            for epoch in np.flatnonzero(due).tolist():
                if frame is None or number == 1013:  # the others do not change within a block
                    frame = station_frame(
                        number, self._scenario, active, station, position, int(gps_ms[epoch])
                    )
                lists[epoch].append(frame)

    def _add_ephemerides(
        self,
        lists: list[list[bytes]],
        gps_ms: Integers,
        intervals: Mapping[int, float],
        ephemerides: Mapping[int, Sequence[bytes]],
    ) -> None:
        """Spread the ephemerides of each number over its interval."""
        for number in EPHEMERIS_MESSAGES:
            frames = ephemerides.get(number, ())
            if number not in intervals or not frames:
                continue
            interval_s = intervals[number]
            for place, frame in enumerate(frames):
                phase_s = place * interval_s / len(frames)
                for epoch in np.flatnonzero(
                    self._plan.is_due(interval_s, phase_s, gps_ms)
                ).tolist():
                    lists[epoch].append(frame)

    def _add_observations(
        self,
        lists: list[list[bytes]],
        epochs: ReceiverEpochs,
        intervals: Mapping[int, float],
        active: Mapping[str, Fault],
        station: int,
    ) -> list[bool]:
        """Add the observations; tell for each epoch whether it has any."""
        observations, channels = observations_of(epochs), channels_of(epochs)
        numbers = sorted(n for n in intervals if n in OBSERVATION_MESSAGES)
        due = {
            number: self._plan.is_due(intervals[number], 0.0, epochs.gps_ms)
            & _has_satellites(SYSTEMS_BY_NUMBER[number], epochs)
            for number in numbers
        }
        for place, number in enumerate(numbers):
            later = [due[n] for n in numbers[place + 1 :] if _same_family(n, number)]
            more_follow = np.zeros(len(epochs.gps_ms), np.int64)
            if later:
                more_follow = np.logical_or.reduce(later).astype(np.int64)
            if "epoch-never-closed" in active:
                more_follow[:] = 1
            heads = MessageHeads.at(
                SYSTEMS_BY_NUMBER[number], epochs.gps_ms, station=station, more_follow=more_follow
            )
            encode = encode_legacy if number in LEGACY_NUMBERS else encode_msm
            encoded = encode(number, heads, observations, channels)
            for epoch, frame in zip(encoded.epoch.tolist(), encoded.frames(), strict=True):
                if due[number][epoch]:
                    lists[epoch].append(frame)
        if not due:
            return [False] * len(lists)
        has_any: list[bool] = np.logical_or.reduce(list(due.values())).tolist()
        return has_any

    def _lose_last(
        self, lists: list[list[bytes]], has_any: Sequence[bool], gps_ms: Integers, share: float
    ) -> None:
        random = self._random(_TAG_LOST, gps_ms)
        lost = random.random(len(lists)) < share
        for frames, is_lost, is_there in zip(lists, lost.tolist(), has_any, strict=True):
            if is_lost and is_there:
                frames.pop()

    def _disguise(self, lists: list[list[bytes]], gps_ms: Integers) -> None:
        """Put proprietary messages of the same length in the place of all others."""
        random = self._random(_TAG_PAYLOAD, gps_ms)
        for frames in lists:
            for place, frame in enumerate(frames):
                length = max(len(frame) - 6, _SHORTEST_PROPRIETARY)
                message = bytearray(random.bytes(length))
                message[0] = PROPRIETARY_NUMBER >> 4
                message[1] = (PROPRIETARY_NUMBER & 15) << 4 | message[1] & 15
                frames[place] = frame_message(bytes(message))

    def _timed(self, lists: Iterable[list[bytes]], gps_ms: Integers) -> list[Frame]:
        """Give the frames the times at which they have left the serial port."""
        random = self._random(_TAG_READY, gps_ms)
        ready_s = self._lag_s + _READY_S + _READY_SPREAD_S * random.random(len(gps_ms))
        byte_ns = _LINE_BITS * gnss_time.NS_PER_SECOND / self._scenario.radio.port_baud
        timed = []
        free_ns = 0
        for frames, ms, late_s in zip(lists, gps_ms.tolist(), ready_s.tolist(), strict=True):
            at_ns = gnss_time.utc_ns_from_gps_ms(ms) + round(late_s * gnss_time.NS_PER_SECOND)
            at_ns = max(at_ns, free_ns)
            for data in frames:
                at_ns += round(len(data) * byte_ns)
                timed.append(Frame(at_ns, data))
            free_ns = at_ns
        return timed

    def _random(self, tag: int, gps_ms: Integers) -> np.random.Generator:
        first = int(gps_ms[0]) if len(gps_ms) else 0
        return np.random.default_rng([self._scenario.seed, tag, self._station, first])


def _has_satellites(letter: str, epochs: ReceiverEpochs) -> Bools:
    own = epochs.system == SYSTEM_LETTERS.index(letter)
    counts = np.bincount(epochs.epoch[own], minlength=len(epochs.gps_ms))
    has: Bools = counts > 0
    return has


def _same_family(first: int, second: int) -> bool:
    return (first in LEGACY_NUMBERS) == (second in LEGACY_NUMBERS)


assert set(_PHASE_S) == set(STATION_MESSAGES)
assert TEXT_NUMBER not in OBSERVATION_MESSAGES
