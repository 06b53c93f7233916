"""Data fields: their constructors, and those that several families of messages share.

A data field has a number (DF...), a name that is its key from the wire to the JSON, a width and an
exact scale. Fields of a single family stand in that family's module. What single raw values mean
is told in short words, for people who look into a message.

Sources: RTCM 10403.x, data field tables, from memory, where nothing else is said.
"""

from collections.abc import Callable, Mapping
from fractions import Fraction
from typing import Any, TypedDict, Unpack

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss.signals import SYSTEMS, satellite_name
from rtcmtool.wire.layout import Field, Kind, Role
from rtcmtool.wire.lock_times import UNKNOWN_MS

RTCM = "RTCM 10403.x, from memory"
SYSTEM_TITLES = {letter: system.full_name for letter, system in SYSTEMS.items()}
ONE = Fraction(1)


class Extras(TypedDict, total=False):
    """What a field may have beyond number, name, width, scale and unit: see `Field`."""

    offset: Fraction
    semicircles: bool
    invalid: int | None
    convert: Callable[[int], Any] | None
    meanings: Mapping[int, str] | None
    role: Role
    source: str


def unsigned(
    number: str, name: str, bits: int, scale: Fraction = ONE, unit: str = "", **more: Unpack[Extras]
) -> Field:
    """Make an unsigned field."""
    more.setdefault("source", RTCM)
    return Field(number, name, bits, Kind.UNSIGNED, scale, unit=unit, **more)


def signed(
    number: str, name: str, bits: int, scale: Fraction = ONE, unit: str = "", **more: Unpack[Extras]
) -> Field:
    """Make a field in two's complement."""
    more.setdefault("source", RTCM)
    return Field(number, name, bits, Kind.SIGNED, scale, unit=unit, **more)


def sign_magnitude(
    number: str, name: str, bits: int, scale: Fraction = ONE, unit: str = "", **more: Unpack[Extras]
) -> Field:
    """Make a field whose first bit is the sign and whose rest is the size."""
    more.setdefault("source", RTCM)
    return Field(number, name, bits, Kind.SIGN_MAGNITUDE, scale, unit=unit, **more)


def angle(
    number: str, name: str, bits: int, scale: Fraction, unit: str = "rad", *, source: str = RTCM
) -> Field:
    """Make a signed angle or angular rate: semicircles on the wire, radians as a value."""
    return signed(number, name, bits, scale, unit, semicircles=True, source=source)


def flag(number: str, name: str, no: str = "", yes: str = "", *, source: str = RTCM) -> Field:
    """Make a one-bit yes or no; `no` and `yes` say what 0 and 1 mean."""
    meanings = {0: no, 1: yes} if no or yes else None
    return Field(number, name, 1, flag=True, meanings=meanings, source=source)


def count(number: str, name: str, bits: int, *, source: str = RTCM) -> Field:
    """Make a field that only says how often something is repeated."""
    return Field(number, name, bits, role=Role.COUNT, source=source)


def head(
    number: str,
    name: str,
    bits: int,
    *,
    convert: Callable[[int], Any] | None = None,
    invalid: int | None = None,
    source: str = RTCM,
) -> Field:
    """Make a field that is shown at the top of a message."""
    return Field(
        number,
        name,
        bits,
        convert=convert,
        invalid=invalid,
        role=Role.HEAD,
        source=source,
    )


def epoch(number: str, bits: int, *, source: str = RTCM) -> Field:
    """Make an epoch in whole milliseconds of week or day."""
    return Field(number, "epoch_ms", bits, unit="ms", role=Role.HEAD, source=source)


def coarse_epoch(number: str, bits: int, scale_s: Fraction = ONE, *, source: str = RTCM) -> Field:
    """Make an epoch in seconds of week or day, of steps of `scale_s`."""
    return Field(number, "epoch_s", bits, scale=scale_s, unit="s", role=Role.HEAD, source=source)


def reserved(bits: int, name: str = "reserved") -> Field:
    """Make reserved bits (DF001)."""
    return Field("DF001", name, bits, role=Role.RESERVED, source=RTCM)


def two_to(exponent: int) -> Fraction:
    """Give a power of two, exactly.

    Examples
    --------
    >>> two_to(-5), two_to(4)
    (Fraction(1, 32), Fraction(16, 1))
    """
    return Fraction(2) ** exponent


def satellites_of(system: str) -> Callable[[int], str]:
    """Give the function that names the satellites of one system from the number in a message.

    Examples
    --------
    >>> satellites_of("J")(2)
    'J02'
    """
    return lambda raw: satellite_name(system, raw)


FIRST_SBAS, LAST_SBAS = 40, 58  # raw values of DF009 and DF038 that stand for PRN 120 to 138


def _or_sbas(system: str) -> Callable[[int], str]:
    """Name satellites of a field that SBAS shares: 40 to 58 are PRN 120 to 138, S20 to S38."""

    def name(raw: int) -> str:
        if FIRST_SBAS <= raw <= LAST_SBAS:
            return satellite_name("S", raw - FIRST_SBAS + 1)
        return satellite_name(system, raw)

    return name


# ---- meanings of codes -----------------------------------------------------------------------

UPDATE_INTERVALS_S = (  # DF391
    1, 2, 5, 10, 15, 30, 60, 120, 240, 300, 600, 900, 1800, 3600, 7200, 10800,
)  # fmt: skip

SMOOTHING_INTERVALS = {
    0: "no smoothing",
    1: "less than 30 s",
    2: "30 to 60 s",
    3: "1 to 2 min",
    4: "2 to 4 min",
    5: "4 to 8 min",
    6: "more than 8 min",
    7: "unlimited",
}
QUARTER_CYCLES = {
    0: "not told",
    1: "phases corrected for the quarter cycle",
    2: "phases not corrected for the quarter cycle",
    3: "reserved",
}
CLOCK_STEERING = {0: "off", 1: "on", 2: "unknown", 3: "reserved"}
EXTERNAL_CLOCK = {
    0: "internal clock",
    1: "external clock, locked",
    2: "external clock, not locked",
    3: "unknown",
}


def lock_meanings(least_ms: npt.NDArray[np.int32]) -> dict[int, str]:
    """Say in words what the indicators of a table of `lock_times` mean."""
    return {indicator: _lock_words(int(least)) for indicator, least in enumerate(least_ms)}


def _lock_words(least_ms: int) -> str:
    if least_ms == UNKNOWN_MS:
        return "reserved"
    return f"locked for {least_ms / 1000} s or more" if least_ms else "lock just begun or none"


# ---- shared fields ----------------------------------------------------------------------------
# fmt: off

MESSAGE_NUMBER = head("DF002", "message_number", 12)
STATION = head("DF003", "station", 12)

# Epochs of observations.
GPS_EPOCH = epoch("DF004", 30)
GLONASS_EPOCH = epoch("DF034", 27)

# Counters of the network messages (the legacy observations show theirs as a value).
SATELLITE_COUNT_GPS = count("DF006", "satellite_count", 5)
SATELLITE_COUNT_GLONASS = count("DF035", "satellite_count", 5)

# Satellites: in a row of a group, and at the top of an ephemeris.
GPS_SATELLITE = unsigned("DF009", "satellite", 6, convert=_or_sbas("G"))
GPS_SATELLITE_HEAD = head("DF009", "satellite", 6, convert=_or_sbas("G"))
GLONASS_SLOT = unsigned("DF038", "satellite", 6, convert=_or_sbas("R"), invalid=0,
                        source=f"{RTCM}; 40 to 58 for SBAS not certain")
GLONASS_SLOT_HEAD = head("DF038", "satellite", 6, convert=_or_sbas("R"), invalid=0)
GPS_ONLY_SATELLITE = unsigned("DF068", "satellite", 6, convert=satellites_of("G"))
GALILEO_SATELLITE = unsigned("DF252", "satellite", 6, convert=satellites_of("E"))
GALILEO_SATELLITE_HEAD = head("DF252", "satellite", 6, convert=satellites_of("E"))
FREQUENCY_CHANNEL = unsigned("DF040", "frequency_channel", 5, offset=Fraction(-7))

# Issues of data.
GPS_IODE = unsigned("DF071", "iode", 8)
GLONASS_IOD = unsigned("DF392", "iod", 8)  # tb of 1020 in the low 7 bits
GALILEO_IODNAV = unsigned("DF290", "iodnav", 10)

# Dates.
MJD = unsigned("DF051", "mjd", 16, unit="d")
UTC_S = unsigned("DF052", "utc_s", 17, unit="s")

# fmt: on
