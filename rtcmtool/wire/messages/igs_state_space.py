"""State-space corrections in the format of the IGS: number 4076 with a sub-type.

Seven messages a system (orbit, clock, both, high-rate clock, code biases, phase biases, accuracy)
and the vertical ionosphere in spherical harmonics. All systems tell time in seconds of the GPS
week and have the same widths.

Source: IGS State Space Representation Format v1.00 (2020), from memory; fairly sure, no recording.
"""

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction

from rtcmtool.wire.fields import (
    MESSAGE_NUMBER,
    SYSTEM_TITLES,
    angle,
    coarse_epoch,
    count,
    flag,
    satellites_of,
    signed,
    two_to,
    unsigned,
)
from rtcmtool.wire.layout import Computed, Count, Field, Group, Layout, Part
from rtcmtool.wire.messages import state_space
from rtcmtool.wire.messages.state_space import StateSpaceKind

FAMILY = "igs_state_space"
NUMBER = 4076
SOURCE = "IGS SSR v1.00, from memory"

# Sub-types of a system are this and a digit.
SYSTEM_SUBTYPES = {"G": 20, "R": 40, "E": 60, "J": 80, "C": 100, "S": 120}
KIND_DIGITS = {  # 6: phase biases, not among the kinds of the standard's messages
    1: StateSpaceKind.ORBIT,
    2: StateSpaceKind.CLOCK,
    3: StateSpaceKind.ORBIT_AND_CLOCK,
    4: StateSpaceKind.HIGH_RATE_CLOCK,
    5: StateSpaceKind.CODE_BIAS,
    7: StateSpaceKind.ACCURACY,
}
IONOSPHERE_SUBTYPE = 201


# fmt: off
def _own(field: Field) -> Field:
    """Take a field over from the standard, without its number: the IGS counts its own."""
    return replace(field, number="", source=SOURCE)


UPDATE_INTERVAL = _own(state_space.UPDATE_INTERVAL)
HEADER = (
    MESSAGE_NUMBER,
    unsigned("", "version", 3, source=SOURCE),
    unsigned("", "subtype", 8, source=SOURCE),
    coarse_epoch("", 20, source=SOURCE),
    UPDATE_INTERVAL,
    _own(state_space.MULTIPLE_MESSAGE),
    *(_own(field) for field in state_space.ISSUE_AND_SOURCE),
)
REGIONAL_DATUM = _own(state_space.REGIONAL_DATUM)
SATELLITE_COUNT = count("", "satellite_count", 6, source=SOURCE)
ISSUE_OF_DATA = unsigned("", "iod", 8, source=SOURCE)
ORBIT = tuple(_own(field) for field in state_space.ORBIT)
CLOCK = tuple(_own(field) for field in state_space.CLOCK)
ACCURACY = _own(state_space.ACCURACY)
HIGH_RATE_CLOCK = _own(state_space.HIGH_RATE_CLOCK)
BIAS_COUNT = count("", "bias_count", 5, source=SOURCE)
CODE_BIAS = _own(state_space.CODE_BIAS)

PHASE_BIAS_FLAGS = (
    flag("", "dispersive_consistent", source=SOURCE),
    flag("", "mw_consistent", source=SOURCE),
)
PHASE_BIAS = (
    flag("", "integer", source=SOURCE),
    unsigned("", "wide_lane", 2, source=SOURCE),
    unsigned("", "discontinuity", 4, source=SOURCE),
    signed("", "bias_m", 20, Fraction(1, 10000), "m", source=SOURCE),
)
YAW = (  # the angle is unsigned, the rate signed
    unsigned("", "yaw_rad", 9, two_to(-8), "rad", semicircles=True, source=SOURCE),
    angle("", "yaw_rate_rad_s", 8, two_to(-13), "rad/s", source=SOURCE),
)
# fmt: on


def _satellite_parts(kind: StateSpaceKind | None, system: str) -> tuple[Part, ...]:
    """Give the parts of one satellite."""
    satellite = unsigned("", "satellite", 6, convert=satellites_of(system), source=SOURCE)
    match kind:
        case StateSpaceKind.ORBIT:
            return (satellite, ISSUE_OF_DATA, *ORBIT)
        case StateSpaceKind.CLOCK:
            return (satellite, *CLOCK)
        case StateSpaceKind.ORBIT_AND_CLOCK:
            return (satellite, ISSUE_OF_DATA, *ORBIT, *CLOCK)
        case StateSpaceKind.HIGH_RATE_CLOCK:
            return (satellite, HIGH_RATE_CLOCK)
        case StateSpaceKind.CODE_BIAS:
            return (satellite, BIAS_COUNT, _biases(system, CODE_BIAS))
        case StateSpaceKind.ACCURACY:
            return (satellite, ACCURACY)
        case None:
            return (satellite, BIAS_COUNT, *YAW, _biases(system, *PHASE_BIAS))


def _biases(system: str, *fields: Field) -> Group:
    signal = state_space.signal_field("", system, source=SOURCE)
    return Group("biases", Count(BIAS_COUNT), (signal, *fields))


def _title(system: str, kind: StateSpaceKind | None) -> str:
    if kind is None:
        return f"IGS {SYSTEM_TITLES[system]} state-space phase biases"
    return f"IGS {state_space.title(system, kind)}"


def _layout(system: str, digit: int, kind: StateSpaceKind | None) -> Layout:
    """Build the layout of one sub-type; no kind means phase biases."""
    if kind is None:
        between: tuple[Field, ...] = PHASE_BIAS_FLAGS
    else:
        between = (REGIONAL_DATUM,) if state_space.has_datum(kind) else ()
    satellites = Group("satellites", Count(SATELLITE_COUNT), _satellite_parts(kind, system))
    return Layout(
        NUMBER,
        _title(system, kind),
        (*HEADER, *between, SATELLITE_COUNT, satellites),
        FAMILY,
        system,
        source=SOURCE,
        subtype=SYSTEM_SUBTYPES[system] + digit,
    )


# ---- ionosphere ------------------------------------------------------------------------------


def cosine_terms(raw_degree: int, raw_order: int) -> int:
    """Give the number of cosine coefficients of a layer from the raw degree and order.

    Parameters
    ----------
    raw_degree, raw_order : int
        As sent: one less than degree d and order o.

    Returns
    -------
    int
        (d + 1)(d + 2)/2 - (d - o)(d - o + 1)/2: all pairs of degree up to d and order up to o.
        An order above the degree adds nothing.

    Examples
    --------
    >>> cosine_terms(0, 0), cosine_terms(14, 14), cosine_terms(5, 2)
    (3, 136, 22)
    """
    degree, order = raw_degree + 1, raw_order + 1
    missing = max(degree - order, 0)
    return (degree + 1) * (degree + 2) // 2 - missing * (missing + 1) // 2


def sine_terms(raw_degree: int, raw_order: int) -> int:
    """Give the number of sine coefficients: those of order 0 are not sent.

    Examples
    --------
    >>> sine_terms(0, 0), sine_terms(14, 14)
    (1, 120)
    """
    return cosine_terms(raw_degree, raw_order) - (raw_degree + 2)


LAYER_COUNT = count("", "layer_count", 2, source=SOURCE)
# Degree and order are counters too, but the coefficients say nothing without them.
DEGREE = unsigned("", "degree", 4, offset=Fraction(1), source=SOURCE)
ORDER = unsigned("", "order", 4, offset=Fraction(1), source=SOURCE)
COEFFICIENT = signed("", "coefficient_tecu", 16, Fraction(5, 1000), "TECU", source=SOURCE)

IONOSPHERE = Layout(
    NUMBER,
    "IGS state-space ionosphere",
    (
        *HEADER,
        unsigned("", "quality_tecu", 9, Fraction(5, 100), "TECU", source=SOURCE),
        LAYER_COUNT,
        Group(
            "layers",
            Count(LAYER_COUNT, plus=1),
            (
                unsigned("", "height_m", 8, Fraction(10_000), "m", source=SOURCE),
                DEGREE,
                ORDER,
                Group("cosine", Computed((DEGREE, ORDER), cosine_terms), (COEFFICIENT,)),
                Group("sine", Computed((DEGREE, ORDER), sine_terms), (COEFFICIENT,)),
            ),
        ),
    ),
    FAMILY,
    source=SOURCE,
    subtype=IONOSPHERE_SUBTYPE,
)


def _layouts() -> Iterator[Layout]:
    for system in SYSTEM_SUBTYPES:
        for digit in range(1, 8):
            yield _layout(system, digit, KIND_DIGITS.get(digit))
    yield IONOSPHERE


LAYOUTS: tuple[Layout, ...] = tuple(_layouts())
