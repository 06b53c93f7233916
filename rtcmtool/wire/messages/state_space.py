"""State-space corrections to broadcast orbits and clocks: GPS, GLONASS and Galileo.

Six messages a system, from 1057, 1063 and 1240 on: orbit, clock, code biases, both of the first
two, accuracy, high-rate clock. What they mean is told by the receiver of the values; here is only
how they lie on the wire.

Source: RTCM 10403.x, state-space messages, from memory; 1059, 1060, 1242 and 1243 confirmed on
recordings. GLONASS certain, Galileo accuracy and high-rate clock fairly sure.
"""

from dataclasses import dataclass
from enum import Enum
from fractions import Fraction

from rtcmtool.wire.fields import (
    GALILEO_IODNAV,
    GALILEO_SATELLITE,
    GLONASS_IOD,
    GPS_IODE,
    GPS_ONLY_SATELLITE,
    MESSAGE_NUMBER,
    RTCM,
    SYSTEM_TITLES,
    UPDATE_INTERVALS_S,
    coarse_epoch,
    count,
    flag,
    satellites_of,
    signed,
    unsigned,
)
from rtcmtool.wire.layout import Count, Field, Group, Layout, Part
from rtcmtool.wire.signal_tables import STATE_SPACE_SIGNALS

FAMILY = "state_space"


class StateSpaceKind(Enum):
    """What a state-space message brings; the value is its place in the title."""

    ORBIT = "orbit corrections"
    CLOCK = "clock corrections"
    CODE_BIAS = "code biases"
    ORBIT_AND_CLOCK = "orbit and clock corrections"
    ACCURACY = "accuracy"
    HIGH_RATE_CLOCK = "high-rate clock corrections"


KINDS = tuple(StateSpaceKind)  # in the order of the numbers


def title(system: str, kind: StateSpaceKind) -> str:
    """Give the title of a state-space message."""
    return f"{SYSTEM_TITLES[system]} state-space {kind.value}"


def accuracy_mm(raw: int) -> float | None:
    """Give the upper bound that a state-space accuracy (DF389) tells, mm.

    Class c in the first three bits, value v in the last three: 3^c (1 + v/4) - 1. None for 0
    (undefined) and for 63 (above 5466.5 mm).

    Examples
    --------
    >>> accuracy_mm(1), accuracy_mm(62), accuracy_mm(0)
    (0.25, 5466.5, None)
    """
    if raw in {0, 63}:
        return None
    return float(3 ** (raw >> 3) * (1 + (raw & 7) / 4) - 1)


ACCURACY_MEANINGS = {
    0: "undefined",
    **{raw: f"{accuracy_mm(raw):g} mm or better" for raw in range(1, 63)},
    63: "worse than 5466.5 mm",
}


# fmt: off
UPDATE_INTERVAL = unsigned("DF391", "update_interval_s", 4, unit="s",
                           convert=UPDATE_INTERVALS_S.__getitem__)
MULTIPLE_MESSAGE = flag("DF388", "multiple_message", "last message of this set",
                        "more of this set follows")
REGIONAL_DATUM = flag("DF375", "regional_datum", "ITRF", "regional")
ISSUE_AND_SOURCE = (
    unsigned("DF413", "iod_ssr", 4),
    unsigned("DF414", "provider", 16),
    unsigned("DF415", "solution", 4),
)
SATELLITE_COUNT = count("DF387", "satellite_count", 6)

ORBIT = (
    signed("DF365", "radial_m", 22, Fraction(1, 10000), "m"),
    signed("DF366", "along_m", 20, Fraction(4, 10000), "m"),
    signed("DF367", "cross_m", 20, Fraction(4, 10000), "m"),
    signed("DF368", "radial_rate_m_s", 21, Fraction(1, 10**6), "m/s"),
    signed("DF369", "along_rate_m_s", 19, Fraction(4, 10**6), "m/s"),
    signed("DF370", "cross_rate_m_s", 19, Fraction(4, 10**6), "m/s"),
)
CLOCK = (
    signed("DF376", "c0_m", 22, Fraction(1, 10000), "m"),
    signed("DF377", "c1_m_s", 21, Fraction(1, 10**6), "m/s"),
    signed("DF378", "c2_m_s2", 27, Fraction(2, 10**8), "m/s2"),
)
ACCURACY = unsigned("DF389", "ura", 6, meanings=ACCURACY_MEANINGS)
HIGH_RATE_CLOCK = signed("DF390", "c_high_rate_m", 22, Fraction(1, 10000), "m")

BIAS_COUNT = count("DF379", "bias_count", 5)
CODE_BIAS = signed("DF383", "bias_m", 14, Fraction(1, 100), "m")


def signal_field(number: str, system: str, *, source: str = RTCM) -> Field:
    """Make the signal of a bias, whose values are RINEX codes."""
    return unsigned(number, "signal", 5, convert=STATE_SPACE_SIGNALS[system].__getitem__,
                    source=source)


@dataclass(frozen=True)
class _Service:
    """What is particular to the messages of one system."""

    first_number: int
    epoch: Field
    satellite: Field
    issue_of_data: Field
    signal: Field


_SERVICES: dict[str, _Service] = {
    "G": _Service(1057, coarse_epoch("DF385", 20), GPS_ONLY_SATELLITE, GPS_IODE,
                  signal_field("DF380", "G")),
    "R": _Service(1063, coarse_epoch("DF386", 17),
                  unsigned("DF384", "satellite", 5, convert=satellites_of("R")), GLONASS_IOD,
                  signal_field("DF381", "R")),
    "E": _Service(1240, coarse_epoch("", 20), GALILEO_SATELLITE, GALILEO_IODNAV,
                  signal_field("DF382", "E")),
}
# fmt: on


def blocks(
    kind: StateSpaceKind, satellite: Field, issue_of_data: Field, signal: Field
) -> tuple[Part, ...]:
    """Give the parts of one satellite in a message of a kind."""
    match kind:
        case StateSpaceKind.ORBIT:
            return (satellite, issue_of_data, *ORBIT)
        case StateSpaceKind.CLOCK:
            return (satellite, *CLOCK)
        case StateSpaceKind.CODE_BIAS:
            biases = Group("biases", Count(BIAS_COUNT), (signal, CODE_BIAS))
            return (satellite, BIAS_COUNT, biases)
        case StateSpaceKind.ORBIT_AND_CLOCK:
            return (satellite, issue_of_data, *ORBIT, *CLOCK)
        case StateSpaceKind.ACCURACY:
            return (satellite, ACCURACY)
        case StateSpaceKind.HIGH_RATE_CLOCK:
            return (satellite, HIGH_RATE_CLOCK)


def has_datum(kind: StateSpaceKind) -> bool:
    """Tell whether the header of a kind names the datum: those that move orbits do."""
    return kind in {StateSpaceKind.ORBIT, StateSpaceKind.ORBIT_AND_CLOCK}


def _layout(system: str, kind: StateSpaceKind) -> Layout:
    service = _SERVICES[system]
    rows = blocks(kind, service.satellite, service.issue_of_data, service.signal)
    return Layout(
        service.first_number + KINDS.index(kind),
        title(system, kind),
        (
            MESSAGE_NUMBER,
            service.epoch,
            UPDATE_INTERVAL,
            MULTIPLE_MESSAGE,
            *((REGIONAL_DATUM,) if has_datum(kind) else ()),
            *ISSUE_AND_SOURCE,
            SATELLITE_COUNT,
            Group("satellites", Count(SATELLITE_COUNT), rows),
        ),
        FAMILY,
        system,
        source="RTCM 10403.x, state-space messages, from memory",
    )


LAYOUTS: tuple[Layout, ...] = tuple(_layout(system, kind) for system in _SERVICES for kind in KINDS)
