"""What the base says of itself: station numbers, position, antenna, biases, plan, texts."""

from dataclasses import dataclass, field
from math import dist

from rtcmtool.wire.decoding import Message

POSITION_NUMBERS = (1005, 1006)
ANTENNA_NUMBERS = (1007, 1008, 1033)
SAME_POSITION_M = 0.0001
SIMULATED = "SIMULATED"  # in the texts (1029) of a base that does not exist
MOST_STATIONS = 64  # kept apart; a hostile stream could name 4096
MOST_CHANGES = 100


@dataclass(frozen=True, slots=True)
class Position:
    """A transmitted position: antenna reference point, ECEF in metres."""

    time_ms: int
    station: int
    arp_ecef_m: tuple[float, float, float]
    antenna_height_m: float | None
    number: int


@dataclass(slots=True)
class Station:
    """One station number.

    Attributes
    ----------
    messages : int
        Messages that carry its number.
    positions : list of Position
        The first position and every one that differs from the one before.
    position_times : tuple
        First and latest time of a position message, and their number.
    largest_change_m : float
        Largest distance of a position from the first.
    """

    first_ms: int
    last_ms: int
    messages: int = 0
    positions: list[Position] = field(default_factory=list)
    position_count: int = 0
    latest_position: Position | None = None
    largest_change_m: float = 0.0


@dataclass(frozen=True, slots=True)
class Antenna:
    """Antenna and receiver as described by 1007, 1008 or 1033; None where not told."""

    time_ms: int
    station: int
    antenna: str
    antenna_serial: str | None = None
    receiver: str | None = None
    firmware: str | None = None
    receiver_serial: str | None = None


@dataclass(slots=True)
class GlonassBias:
    """What 1230 says.

    Attributes
    ----------
    aligned : bool
        The pseudoranges are said to be aligned to the phases.
    biases_m : tuple
        For L1 C/A, L1 P, L2 C/A, L2 P; None where not told.
    """

    time_ms: int
    aligned: bool
    biases_m: tuple[float | None, ...]

    @property
    def all_zero(self) -> bool:
        """Whether no bias differs from zero."""
        return not any(self.biases_m)


class BaseDescription:
    """Collects what the base says of itself.

    Attributes
    ----------
    stations : dict
        By station number.
    antennas : list of Antenna
        The first description and every one that differs from the one before.
    bias : GlonassBias or None
        The latest 1230.
    plan : dict
        Announced interval (s) by message number, from the latest 1013.
    texts : list of (int, str)
        Time and text of 1029, the latest hundred.
    """

    def __init__(self) -> None:
        self.stations: dict[int, Station] = {}
        self.antennas: list[Antenna] = []
        self.bias: GlonassBias | None = None
        self.plan: dict[int, float] = {}
        self.texts: list[tuple[int, str]] = []

    @property
    def is_simulated(self) -> bool:
        """Whether a text message said that this base does not exist."""
        return any(SIMULATED in text for _, text in self.texts)

    def hear(self, station: int, first_ms: int, last_ms: int, messages: int) -> None:
        """Count messages of a station number."""
        known = self.stations.get(station)
        if known is None:
            if len(self.stations) >= MOST_STATIONS:
                return
            known = self.stations[station] = Station(first_ms, last_ms)
        known.messages += messages
        known.last_ms = max(known.last_ms, last_ms)

    def update(self, message: Message, time_ms: int) -> None:
        """Take one message that is no observation."""
        number = message.layout.number
        if number in POSITION_NUMBERS:
            self._position(message, time_ms)
        elif number in ANTENNA_NUMBERS:
            self._antenna(message, time_ms)
        elif number == 1230:
            values = message.values
            names = ("bias_1c_m", "bias_1p_m", "bias_2c_m", "bias_2p_m")
            biases = tuple(values[name] for name in names)
            self.bias = GlonassBias(time_ms, values["aligned"], biases)
        elif number == 1013:
            self.plan = {
                row["message"]: row["interval_s"] for row in message.values["announcements"]
            }
        elif number == 1029:
            self.texts = [*self.texts[1 - MOST_CHANGES :], (time_ms, message.values["text"])]

    def _position(self, message: Message, time_ms: int) -> None:
        values = message.values
        x, y, z = values["arp_ecef_m"]
        position = Position(
            time_ms,
            message.record["station"],
            (x, y, z),
            values.get("antenna_height_m"),
            message.layout.number,
        )
        station = self.stations.get(position.station)
        if station is None:
            return  # one of too many
        station.position_count += 1
        before = station.latest_position
        station.latest_position = position
        if before is None:
            station.positions.append(position)
            return
        first = station.positions[0]
        change = _distance_m(position, first)
        station.largest_change_m = max(station.largest_change_m, change)
        moved = _distance_m(position, before) > SAME_POSITION_M
        if moved and len(station.positions) < MOST_CHANGES:
            station.positions.append(position)

    def _antenna(self, message: Message, time_ms: int) -> None:
        values = message.values
        described = Antenna(
            time_ms,
            message.record["station"],
            values["antenna_descriptor"].strip(),
            values.get("antenna_serial"),
            values.get("receiver_type"),
            values.get("receiver_firmware"),
            values.get("receiver_serial"),
        )
        same = [a for a in self.antennas if _content(a) == _content(described)]
        if not same and len(self.antennas) < MOST_CHANGES:
            self.antennas.append(described)


def _distance_m(first: Position, second: Position) -> float:
    """Give a distance free of the rounding of coordinates of thousands of kilometres."""
    return round(dist(first.arp_ecef_m, second.arp_ecef_m), 6)


def _content(antenna: Antenna) -> tuple[object, ...]:
    return (
        antenna.station,
        antenna.antenna,
        antenna.antenna_serial,
        antenna.receiver,
        antenna.firmware,
        antenna.receiver_serial,
    )
