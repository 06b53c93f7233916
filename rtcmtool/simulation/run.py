"""Play a scenario: blocks of epochs through receiver, messages, link, rover, in the order of time.

A block ends where a fault begins or ends, and after a minute at the latest, so the memory does not
grow with the length of the scenario, and within a block nothing changes.
"""

import heapq
import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import Enum

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss import time as gnss_time
from rtcmtool.simulation.corrections import Corrections
from rtcmtool.simulation.faults import Fault, Timetable
from rtcmtool.simulation.link import Listener, RadioLink, channel_of, listener_of
from rtcmtool.simulation.messages import Frame, MessageMaker
from rtcmtool.simulation.rover import RoverEngine, Surroundings
from rtcmtool.simulation.rover_nmea import sentences
from rtcmtool.simulation.rover_sky import seen_from
from rtcmtool.simulation.scenario import Scenario
from rtcmtool.simulation.sent_position import SentPosition, second_position, sent_position
from rtcmtool.simulation.world import ROVER_STATION, World, rover_scenario, second_scenario
from rtcmtool.wire.stream import Chunk

Integers = npt.NDArray[np.int64]

BLOCK_S = 60.0
_SECOND_LAG_S = 0.47  # the second base waits for a pause on the channel
_ROVER_READS_NS = 60 * gnss_time.NS_PER_MS  # what came so long after the epoch still counts
_ROVER_PRINTS_NS = 110 * gnss_time.NS_PER_MS
_BASE_SENDER, _SECOND_SENDER = 0, 1


class Port(Enum):
    """Where bytes come out."""

    BASE = "the base's data port"
    ROVER = "behind the radio, at the rover"
    NMEA = "the rover's position output"
    RAW = "the rover's raw measurements"


@dataclass(frozen=True, slots=True)
class Piece:
    """Bytes at one of the ports.

    Attributes
    ----------
    utc_ns : int
        When, by the clock of the listening computer.
    true_utc_ns : int
        When, truly.
    port : Port
        Where.
    data : bytes
        A frame, a piece of noise, or the sentences of an epoch.
    """

    utc_ns: int
    true_utc_ns: int
    port: Port
    data: bytes


@dataclass(frozen=True, eq=False, slots=True)
class _Block:
    """A run of epochs in which the same faults act."""

    begin_s: float
    end_s: float
    base_gps_ms: Integers  # epochs of the base
    rover_gps_ms: Integers  # epochs of the rover
    active: Mapping[str, Fault]
    is_pause: bool  # the base sends nothing


class Simulation:
    """Plays one scenario once.

    Parameters
    ----------
    scenario : Scenario
        What shall happen.
    """

    def __init__(self, scenario: Scenario) -> None:
        self._scenario = scenario
        self._timetable = Timetable(scenario.faults)
        self._world = World(scenario)
        self._maker = MessageMaker(scenario, scenario.stream.station)
        self._link = RadioLink(scenario.seed, _BASE_SENDER)
        self._second_link = RadioLink(scenario.seed, _SECOND_SENDER)
        self._queue: list[tuple[int, int, Port, bytes, Listener]] = []
        self._count = 0
        self._on_way: list[Frame] = []  # heard by the rover, not decoded yet
        self._raw_maker: MessageMaker | None = None
        self._engine: RoverEngine | None = None
        if scenario.rover is not None:
            raw = rover_scenario(scenario)
            self._raw_maker = MessageMaker(raw, ROVER_STATION)
            corrections = Corrections(scenario.start_gps_ms, scenario.rover.families)
            self._engine = RoverEngine(scenario.rover, corrections, scenario.seed)

    def pieces(self) -> Iterator[Piece]:
        """Play it.

        Yields
        ------
        Piece
            In the order of true time; of all ports.
        """
        for block in self._blocks():
            heard = self._play_base(block)
            if self._engine is not None:
                self._play_rover(block, heard)
            yield from self._due(self._scenario.start_utc_ns + _ns(block.end_s))
        yield from self._due(1 << 63)

    def _blocks(self) -> Iterator[_Block]:
        """Cut the scenario into blocks."""
        scenario = self._scenario
        duration_s = scenario.duration_s
        pauses = self._timetable.pauses_s(duration_s)
        steps = np.arange(0.0, duration_s, BLOCK_S).tolist()
        cuts = sorted({*self._timetable.changes_s(duration_s), *steps})
        step_ms = round(scenario.stream.interval_s * 1000)
        for begin_s, end_s in itertools.pairwise(cuts):
            yield _Block(
                begin_s=begin_s,
                end_s=end_s,
                base_gps_ms=self._epochs(begin_s, end_s, step_ms),
                rover_gps_ms=self._epochs(begin_s, end_s, gnss_time.MS_PER_SECOND),
                active=self._timetable.at(begin_s),
                is_pause=any(start <= begin_s < end for start, end in pauses),
            )

    def _epochs(self, begin_s: float, end_s: float, step_ms: int) -> Integers:
        """Give the epochs of a span, GPS ms; they stand on whole steps since the start."""
        first, last = (-(-round(time_s * 1000) // step_ms) for time_s in (begin_s, end_s))
        epochs: Integers = self._scenario.start_gps_ms + np.arange(first, last) * step_ms
        return epochs

    def _play_base(self, block: _Block) -> list[Frame]:
        """Let the base send, and give what the rover's radio hears."""
        listener = listener_of(block.active)
        channel = channel_of(self._scenario.radio, block.active)
        heard: list[Frame] = []
        if not block.is_pause and len(block.base_gps_ms):
            epochs = self._world.base_epochs(block.base_gps_ms)
            sent = self._maker.frames(
                epochs,
                block.active,
                sent_position(self._scenario, block.active),
                self._world.ephemeris_frames(epochs),
            )
            self._put(Port.BASE, sent, listener)
            heard = self._link.carry(sent, channel)
        second = block.active.get("two-bases") or block.active.get("same-number")
        if second is not None and len(block.base_gps_ms):
            frames = self._second_link.carry(self._second_frames(block, second), channel)
            heard = sorted((*heard, *frames), key=lambda frame: frame.utc_ns)
        self._put(Port.ROVER, heard, listener)
        return heard

    def _second_frames(self, block: _Block, fault: Fault) -> list[Frame]:
        """Let the second base send."""
        number = self._scenario.stream.station
        if fault.kind == "two-bases":
            number = round(fault.number)
        maker = MessageMaker(second_scenario(self._scenario, number), number, _SECOND_LAG_S)
        whole_seconds = block.base_gps_ms[block.base_gps_ms % gnss_time.MS_PER_SECOND == 0]
        if not len(whole_seconds):
            return []
        epochs = self._world.second_epochs(whole_seconds)
        return maker.frames(epochs, {}, second_position(self._scenario), {})

    def _play_rover(self, block: _Block, heard: Sequence[Frame]) -> None:
        """Let the rover measure, decode what has come, and print."""
        assert self._raw_maker is not None
        assert self._engine is not None
        assert self._scenario.rover is not None
        self._on_way += heard
        gps_ms = block.rover_gps_ms
        if not len(gps_ms):
            return
        right = Listener()
        place_m = self._world.rover_arp_ecef_m(block.active)
        around = Surroundings(place_m, self._true_bases(block.active), block.active)
        epochs = self._world.rover_epochs(gps_ms, block.active)
        position = SentPosition(place_m, 0.0)
        self._put(Port.RAW, self._raw_maker.frames(epochs, {}, position, {}), right)
        mask_deg = self._scenario.rover.mask_deg
        if "rover-mask" in block.active:
            mask_deg = block.active["rover-mask"].number
        directions = self._world.directions(gps_ms, place_m)
        views = seen_from(epochs, directions, mask_deg)
        families = self._engine.corrections.families
        if "wrong-family" in block.active:  # it is the one that this rover cannot read
            self._engine.corrections.families = frozenset()
        for ms, (satellites, dops) in zip(gps_ms.tolist(), views, strict=True):
            utc_ns = gnss_time.utc_ns_from_gps_ms(ms)
            self._engine.corrections.take(self._arrived(utc_ns + _ROVER_READS_NS))
            solution = self._engine.solve(ms, utc_ns, satellites, dops, around)
            text = "".join(f"{line}\r\n" for line in sentences(solution))
            frame = Frame(utc_ns + _ROVER_PRINTS_NS, text.encode("ascii"))
            self._put(Port.NMEA, [frame], right)
        self._engine.corrections.families = families

    def _true_bases(self, active: Mapping[str, Fault]) -> list[npt.NDArray[np.float64]]:
        bases = [self._world.base_arp_ecef_m(active)]
        if "two-bases" in active or "same-number" in active:
            bases.append(second_position(self._scenario).arp_ecef_m)
        return bases

    def _arrived(self, until_ns: int) -> list[Frame]:
        """Take what has arrived at the rover by a time."""
        count = 0
        while count < len(self._on_way) and self._on_way[count].utc_ns <= until_ns:
            count += 1
        taken, self._on_way = self._on_way[:count], self._on_way[count:]
        return taken

    def _put(self, port: Port, frames: Sequence[Frame], listener: Listener) -> None:
        for frame in frames:
            self._count += 1
            heapq.heappush(self._queue, (frame.utc_ns, self._count, port, frame.data, listener))

    def _due(self, until_ns: int) -> Iterator[Piece]:
        """Give out what happens before a time; nothing earlier can come any more."""
        while self._queue and self._queue[0][0] < until_ns:
            utc_ns, _, port, data, listener = heapq.heappop(self._queue)
            noted = listener.hear(Frame(utc_ns, data))
            yield Piece(noted.utc_ns, utc_ns, port, noted.data)


def _ns(seconds: float) -> int:
    return round(seconds * gnss_time.NS_PER_SECOND)


def port_of(scenario: Scenario) -> Port:
    """Give the port at which a scenario listens."""
    return Port.BASE if scenario.listen_at == "base" else Port.ROVER


def chunk_of(piece: Piece, offset: int) -> Chunk:
    """Give a piece as a chunk of its stream.

    Parameters
    ----------
    piece : Piece
        Bytes and arrival.
    offset : int
        Bytes of the stream before it.
    """
    return Chunk(piece.data, np.array([piece.utc_ns], np.int64), np.array([offset], np.int64))


def simulate(scenario: Scenario) -> Iterator[Chunk]:
    """Play a scenario and give the stream of corrections where the scenario listens.

    Parameters
    ----------
    scenario : Scenario
        What shall happen. Its rover, if any, is left out.

    Yields
    ------
    Chunk
        A frame or a piece of noise each, with its arrival, in the order of time.
    """
    port = port_of(scenario)
    offset = 0
    for piece in Simulation(replace(scenario, rover=None)).pieces():
        if piece.port is port:
            yield chunk_of(piece, offset)
            offset += len(piece.data)
