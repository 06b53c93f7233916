"""What shall be simulated: a scenario as a tree of plain values, and its TOML file.

Every key is optional and has a value that makes a healthy base. A scenario file looks like this:

    name = "our-yard"
    start = 2026-03-04T07:42:00Z
    duration_s = 300
    seed = 7
    [base]
    latitude_deg = 45.2
    [stream.messages]
    "1006" = 10
    "1074" = 1
    [[faults]]
    kind = "silence"
    start_s = 60
    length_s = 14

Times of faults are seconds since the start. An unknown key or an impossible value is refused by
name. All sites, crews and makes of equipment here are invented.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from rtcmtool.errors import UsageError
from rtcmtool.gnss import time as gnss_time
from rtcmtool.simulation.faults import Fault
from rtcmtool.wire.catalogue import LEGACY_NUMBERS, MSM_NUMBERS
from rtcmtool.wire.signal_tables import MSM_SYSTEMS

# Wednesday 2026-03-04 07:42:00 UTC, 18 s of leap seconds: an ordinary morning inside the table.
DEFAULT_START_UTC_NS = 1_772_610_120 * gnss_time.NS_PER_SECOND
STATION_MESSAGES = (1005, 1006, 1007, 1008, 1013, 1033, 1230)
EPHEMERIS_MESSAGES = (1019, 1020, 1042, 1044, 1045, 1046)
LEGACY_SYSTEMS = {number: "G" if number < 1009 else "R" for number in LEGACY_NUMBERS}
SYSTEMS_BY_NUMBER: Mapping[int, str] = {**MSM_SYSTEMS, **LEGACY_SYSTEMS}
OBSERVATION_MESSAGES = frozenset(
    number for number in MSM_NUMBERS | LEGACY_NUMBERS if SYSTEMS_BY_NUMBER[number] in "GRECJ"
)
SENDABLE = frozenset((*STATION_MESSAGES, *EPHEMERIS_MESSAGES, *OBSERVATION_MESSAGES))
CLOCKS = ("steered", "drifting", "jumping")
PORTS = ("base", "rover")
MODES = ("rtk", "differential")


def _require(holds: bool, key: str, value: object, allowed: str) -> None:
    """Refuse an impossible value by its key."""
    if not holds:
        raise UsageError(f"{key} = {value!r} is impossible.", why=f"{key} is {allowed}.")


def _require_between(key: str, value: float, least: float, most: float) -> None:
    _require(least <= value <= most, key, value, f"from {least:g} to {most:g}")


@dataclass(frozen=True, slots=True)
class Site:
    """Where it plays and who works there; all invented."""

    name: str = "Hillcrest Quarry"
    crew: str = "north crew"


@dataclass(frozen=True, slots=True)
class Base:
    """The true base: its mark, its antenna above it, its receiver.

    Attributes
    ----------
    latitude_deg, longitude_deg, ellipsoidal_height_m : float
        The mark on the ground.
    antenna_height_m : float
        Vertical, mark to antenna reference point (ARP).
    slant_radius_m, slant_mark_above_arp_m : float
        Where a slant height is taped to: distance from the axis, and height above the ARP.
    mask_deg : float
        Lowest elevation tracked.
    clock : str
        "steered", "drifting", or "jumping" (drifts and is put right by whole milliseconds).
    noise : float
        Factor on the noise of all measurements; 1 is a good antenna on an open site.
    """

    latitude_deg: float = 45.213_480_125
    longitude_deg: float = 24.871_935_460
    ellipsoidal_height_m: float = 317.482
    antenna_height_m: float = 1.652
    slant_radius_m: float = 0.0921
    slant_mark_above_arp_m: float = 0.042
    mask_deg: float = 10.0
    clock: str = "steered"
    noise: float = 1.0

    def __post_init__(self) -> None:
        _require_between("base.latitude_deg", self.latitude_deg, -89.9, 89.9)
        _require_between("base.longitude_deg", self.longitude_deg, -180.0, 180.0)
        _require_between("base.ellipsoidal_height_m", self.ellipsoidal_height_m, -500.0, 9000.0)
        _require_between("base.antenna_height_m", self.antenna_height_m, 0.0, 6.5535)
        _require_between("base.slant_radius_m", self.slant_radius_m, 0.0, 1.0)
        _require_between("base.slant_mark_above_arp_m", self.slant_mark_above_arp_m, -0.5, 0.5)
        _require_between("base.mask_deg", self.mask_deg, 0.0, 60.0)
        _require_between("base.noise", self.noise, 0.0, 100.0)
        _require(self.clock in CLOCKS, "base.clock", self.clock, f"one of {', '.join(CLOCKS)}")


@dataclass(frozen=True, slots=True)
class Typed:
    """What the crew typed into the base; None is the truth."""

    latitude_deg: float | None = None
    longitude_deg: float | None = None
    ellipsoidal_height_m: float | None = None
    antenna_height_m: float | None = None


_SIGNALS = {
    "G": ("1C", "2W"),
    "R": ("1C", "2C"),
    "E": ("1C", "7Q"),
    "C": ("2I", "6I"),
    "J": ("1C", "2L"),
}
_MESSAGES = {
    1006: 10.0,
    1033: 10.0,
    1230: 10.0,
    1019: 30.0,
    1020: 30.0,
    1042: 30.0,
    1046: 30.0,
    1074: 1.0,
    1084: 1.0,
    1094: 1.0,
    1124: 1.0,
}


def _default_signals() -> Mapping[str, tuple[str, ...]]:
    return MappingProxyType(_SIGNALS)


def _default_messages() -> Mapping[int, float]:
    return MappingProxyType(_MESSAGES)


@dataclass(frozen=True, slots=True)
class Stream:
    """What the base sends.

    Attributes
    ----------
    station : int
        0 to 4095.
    antenna, antenna_serial, receiver, firmware, receiver_serial : str
        Names in 1007, 1008 and 1033; the antenna as the IGS writes it, 20 characters with the
        dome in the last four.
    glonass_biases_m : tuple of float
        1230: L1 C/A, L1 P, L2 C/A, L2 P.
    signals : mapping
        RINEX signals by system letter.
    messages : mapping
        Message number to interval, s.
    """

    station: int = 417
    antenna: str = "OAKFIELD R2     NONE"
    antenna_serial: str = "R2-00417"
    receiver: str = "OAKFIELD BASE 4"
    firmware: str = "4.11"
    receiver_serial: str = "B4-00932"
    glonass_biases_m: tuple[float, ...] = (-0.62, -0.60, -0.48, -0.46)
    signals: Mapping[str, tuple[str, ...]] = field(default_factory=_default_signals)
    messages: Mapping[int, float] = field(default_factory=_default_messages)

    def __post_init__(self) -> None:
        _require_between("stream.station", self.station, 0, 4095)
        count = len(self.glonass_biases_m)
        _require(count == 4, "stream.glonass_biases_m", count, "four numbers, metres")
        for name in ("antenna", "antenna_serial", "receiver", "firmware", "receiver_serial"):
            text = getattr(self, name)
            fits = len(text) <= 31 and text.isascii()
            _require(fits, f"stream.{name}", text, "at most 31 plain characters")
        for number, interval_s in self.messages.items():
            key = f"stream.messages.{number}"
            _require(number in SENDABLE, key, interval_s, "no message that the simulator sends")
            _require_between(key, interval_s, 0.1, 3600.0)
        if not any(number in OBSERVATION_MESSAGES for number in self.messages):
            raise UsageError("stream.messages holds no observation message.", do="add 1074 = 1")
        for letter, signals in self.signals.items():
            _require(letter in _SIGNALS, "stream.signals", letter, "by the letters G R E C J")
            _require(bool(signals), f"stream.signals.{letter}", signals, "at least one signal")

    @property
    def interval_s(self) -> float:
        """Time between epochs: the shortest interval of an observation message, s."""
        return min(s for number, s in self.messages.items() if number in OBSERVATION_MESSAGES)

    @property
    def systems(self) -> str:
        """Letters of the systems that are sent, in the order of their messages."""
        sent = {SYSTEMS_BY_NUMBER[n] for n in self.messages if n in OBSERVATION_MESSAGES}
        return "".join(letter for letter in "GRECJ" if letter in sent)


@dataclass(frozen=True, slots=True)
class RadioPath:
    """A path through the air that decides the bit errors; see `radio_range`."""

    distance_km: float = 2.0
    power_w: float = 4.0
    base_antenna_m: float = 3.0
    rover_antenna_m: float = 2.0
    frequency_mhz: float = 450.0
    extra_loss_db: float = 10.0

    def __post_init__(self) -> None:
        _require_between("radio.path.distance_km", self.distance_km, 0.01, 200.0)
        _require_between("radio.path.power_w", self.power_w, 0.01, 100.0)
        _require_between("radio.path.base_antenna_m", self.base_antenna_m, 0.5, 100.0)
        _require_between("radio.path.rover_antenna_m", self.rover_antenna_m, 0.5, 100.0)
        _require_between("radio.path.frequency_mhz", self.frequency_mhz, 30.0, 1000.0)
        _require_between("radio.path.extra_loss_db", self.extra_loss_db, 0.0, 100.0)


@dataclass(frozen=True, slots=True)
class Radio:
    """The way from the base's port to the rover.

    Attributes
    ----------
    rate_bit_s : float
        Over the air.
    overhead : float
        Bits on the air for a bit of data: headers, error correction.
    keying_ms : float
        From the key to the first data bit, once a transmission.
    bit_error_rate : float
        Chance that a bit is wrong; `path` adds its own.
    repeater : bool
        A repeater sends everything once more.
    delay_ms, jitter_ms : float
        Added to every transmission: a constant, and the mean of a random part.
    buffer_bytes : int
        What the radio holds while it sends; what comes beyond is lost.
    port_baud : int
        Serial line out of the base's receiver.
    path : RadioPath or None
        Where the distance shall drive the bit errors.
    """

    rate_bit_s: float = 19_200.0
    overhead: float = 1.3
    keying_ms: float = 25.0
    bit_error_rate: float = 0.0
    repeater: bool = False
    delay_ms: float = 0.0
    jitter_ms: float = 5.0
    buffer_bytes: int = 4096
    port_baud: int = 38_400
    path: RadioPath | None = None

    def __post_init__(self) -> None:
        _require_between("radio.rate_bit_s", self.rate_bit_s, 300.0, 1e8)
        _require_between("radio.overhead", self.overhead, 1.0, 10.0)
        _require_between("radio.keying_ms", self.keying_ms, 0.0, 5000.0)
        _require_between("radio.bit_error_rate", self.bit_error_rate, 0.0, 0.5)
        _require_between("radio.delay_ms", self.delay_ms, 0.0, 600_000.0)
        _require_between("radio.jitter_ms", self.jitter_ms, 0.0, 60_000.0)
        _require_between("radio.buffer_bytes", self.buffer_bytes, 1100, 1e8)
        _require_between("radio.port_baud", self.port_baud, 1200, 1e8)


@dataclass(frozen=True, slots=True)
class Rover:
    """A rover that uses what arrives.

    Attributes
    ----------
    east_m, north_m, up_m : float
        From the base's true ARP to the rover's, in the base's horizon.
    mask_deg : float
        Lowest elevation used.
    age_limit_s : float
        Oldest corrections used.
    mode : str
        "rtk", or "differential" (code only).
    families : tuple of str
        Observation messages it can read: "msm", "legacy".
    geoid_separation_m : float
        Printed in GGA.
    """

    east_m: float = 1480.0
    north_m: float = 920.0
    up_m: float = -34.0
    mask_deg: float = 12.0
    age_limit_s: float = 30.0
    mode: str = "rtk"
    families: tuple[str, ...] = ("msm", "legacy")
    geoid_separation_m: float = 41.3

    def __post_init__(self) -> None:
        for name in ("east_m", "north_m", "up_m"):
            _require_between(f"rover.{name}", getattr(self, name), -100_000.0, 100_000.0)
        _require_between("rover.mask_deg", self.mask_deg, 0.0, 60.0)
        _require_between("rover.age_limit_s", self.age_limit_s, 0.1, 600.0)
        _require(self.mode in MODES, "rover.mode", self.mode, f"one of {', '.join(MODES)}")
        _require(
            set(self.families) <= {"msm", "legacy"},
            "rover.families", self.families, "msm, legacy or both",
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Scenario:
    """A whole scenario.

    Attributes
    ----------
    name, text : str
        What it is called, and one line on what the crew sees.
    start_utc_ns : int
        A whole second.
    duration_s : float
        How long it plays.
    seed : int
        Everything random follows from it.
    listen_at : str
        Where the stream is taken: "base", at its data port, or "rover", behind the radio.
    faults : tuple of Fault
        What goes wrong, and when.
    rover : Rover or None
        None: nobody is out there.
    """

    name: str = "healthy"
    text: str = ""
    start_utc_ns: int = DEFAULT_START_UTC_NS
    duration_s: float = 600.0
    seed: int = 1
    listen_at: str = "rover"
    site: Site = field(default_factory=Site)
    base: Base = field(default_factory=Base)
    typed: Typed = field(default_factory=Typed)
    stream: Stream = field(default_factory=Stream)
    radio: Radio = field(default_factory=Radio)
    rover: Rover | None = None
    faults: tuple[Fault, ...] = ()

    def __post_init__(self) -> None:
        _require_between("duration_s", self.duration_s, 1.0, 14 * 86_400.0)
        _require(self.seed >= 0, "seed", self.seed, "a whole number from zero on")
        _require(self.listen_at in PORTS, "listen_at", self.listen_at, "base or rover")

    @property
    def start_gps_ms(self) -> int:
        """Start in GPS time, ms."""
        return gnss_time.gps_ms_from_utc_ns(self.start_utc_ns)
