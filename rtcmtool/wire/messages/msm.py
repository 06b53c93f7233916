"""Multiple signal messages, MSM1 to MSM7 of seven systems: observations.

Three masks say which satellites, signals and cells (satellite and signal) follow; then come a
block of satellites and one of cells, each field by field. The seven types differ in the fields of
the two blocks, the systems in the epoch and in the extended satellite information only.

Source: RTCM 10403.x, multiple signal messages, from memory; MSM5 of GPS, GLONASS and Galileo
confirmed on recordings.
"""

from fractions import Fraction

from rtcmtool.wire.fields import (
    CLOCK_STEERING,
    EXTERNAL_CLOCK,
    GLONASS_EPOCH,
    GPS_EPOCH,
    MESSAGE_NUMBER,
    RTCM,
    SMOOTHING_INTERVALS,
    STATION,
    SYSTEM_TITLES,
    count,
    epoch,
    flag,
    lock_meanings,
    reserved,
    signed,
    two_to,
    unsigned,
)
from rtcmtool.wire.layout import Field, Group, Layout, Mask, Order, SetBits
from rtcmtool.wire.lock_times import MSM_EXTENDED_LOCK_MS, MSM_LOCK_MS
from rtcmtool.wire.signal_tables import MSM_SYSTEMS

FAMILY = "msm"

# fmt: off
DAY_OF_WEEK = unsigned("DF416", "day_of_week", 3, invalid=7, meanings={
    0: "Sunday", 1: "Monday", 2: "Tuesday", 3: "Wednesday", 4: "Thursday", 5: "Friday",
    6: "Saturday", 7: "unknown",
})
EPOCHS: dict[str, tuple[Field, ...]] = {
    "G": (GPS_EPOCH,),
    "R": (DAY_OF_WEEK, GLONASS_EPOCH),
    "E": (epoch("DF248", 30),),
    "S": (GPS_EPOCH,),
    "J": (epoch("DF428", 30),),
    "C": (epoch("DF427", 30),),
    "I": (epoch("DF546", 30, source=f"{RTCM}; number not certain"),),
}

SATELLITE_MASK = count("DF394", "satellite_mask", 64)
SIGNAL_MASK = count("DF395", "signal_mask", 32)
CELL_MASK = Mask("DF396", "cell_mask", SATELLITE_MASK, SIGNAL_MASK, source=RTCM)

HEADER_AFTER_EPOCH = (
    flag("DF393", "multiple_message", "last message of this epoch", "more of this epoch follows"),
    unsigned("DF409", "iods", 3),
    reserved(7),
    unsigned("DF411", "clock_steering", 2, meanings=CLOCK_STEERING),
    unsigned("DF412", "external_clock", 2, meanings=EXTERNAL_CLOCK),
    flag("DF417", "divergence_free_smoothing", "no divergence-free smoothing", "in use"),
    unsigned("DF418", "smoothing_interval", 3, meanings=SMOOTHING_INTERVALS),
    SATELLITE_MASK,
    SIGNAL_MASK,
    CELL_MASK,
)

# Fields of the satellite block.
ROUGH_RANGE = unsigned("DF397", "rough_range", 8, unit="ms", invalid=255)
ROUGH_RANGE_MODULO = unsigned("DF398", "rough_range_modulo", 10, two_to(-10), "ms")
ROUGH_RATE = signed("DF399", "rough_rate", 14, unit="m/s", invalid=-8192)
EXTENDED_INFORMATION = unsigned("", "extended_information", 4)  # reserved in most systems
EXTENDED_GLONASS = unsigned("DF419", "extended_information", 4, offset=Fraction(-7), invalid=15)

# Fields of the cell block.
PSEUDORANGE = signed("DF400", "fine_pseudorange", 15, two_to(-24), "ms", invalid=-16384)
PSEUDORANGE_EXTENDED = signed("DF405", "fine_pseudorange", 20, two_to(-29), "ms", invalid=-524288)
PHASE_RANGE = signed("DF401", "fine_phase_range", 22, two_to(-29), "ms", invalid=-2097152)
PHASE_RANGE_EXTENDED = signed("DF406", "fine_phase_range", 24, two_to(-31), "ms", invalid=-8388608)
LOCK = unsigned("DF402", "lock", 4, meanings=lock_meanings(MSM_LOCK_MS))
LOCK_EXTENDED = unsigned("DF407", "lock", 10, meanings=lock_meanings(MSM_EXTENDED_LOCK_MS))
HALF_CYCLE = flag("DF420", "half_cycle", "half-cycle ambiguity resolved", "unresolved")
CNR = unsigned("DF403", "cnr", 6, unit="dB-Hz", invalid=0)
CNR_EXTENDED = unsigned("DF408", "cnr", 10, two_to(-4), "dB-Hz", invalid=0)
RATE = signed("DF404", "fine_rate", 15, Fraction(1, 10000), "m/s", invalid=-16384)

CELL_FIELDS: dict[int, tuple[Field, ...]] = {
    1: (PSEUDORANGE,),
    2: (PHASE_RANGE, LOCK, HALF_CYCLE),
    3: (PSEUDORANGE, PHASE_RANGE, LOCK, HALF_CYCLE),
    4: (PSEUDORANGE, PHASE_RANGE, LOCK, HALF_CYCLE, CNR),
    5: (PSEUDORANGE, PHASE_RANGE, LOCK, HALF_CYCLE, CNR, RATE),
    6: (PSEUDORANGE_EXTENDED, PHASE_RANGE_EXTENDED, LOCK_EXTENDED, HALF_CYCLE, CNR_EXTENDED),
    7: (PSEUDORANGE_EXTENDED, PHASE_RANGE_EXTENDED, LOCK_EXTENDED, HALF_CYCLE, CNR_EXTENDED, RATE),
}
# fmt: on


def satellite_fields(system: str, kind: int) -> tuple[Field, ...]:
    """Give the fields of the satellite block of one MSM type (1 to 7)."""
    if kind <= 3:
        return (ROUGH_RANGE_MODULO,)
    if kind in {4, 6}:
        return (ROUGH_RANGE, ROUGH_RANGE_MODULO)
    extended = EXTENDED_GLONASS if system == "R" else EXTENDED_INFORMATION
    return (ROUGH_RANGE, extended, ROUGH_RANGE_MODULO, ROUGH_RATE)


def msm(number: int) -> Layout:
    """Build the layout of one MSM number.

    Parameters
    ----------
    number : int
        1071 to 1077, 1081 to 1087, ... 1131 to 1137.

    Returns
    -------
    Layout
        Header of 169 bits and the cell mask, then the groups `satellites` and `cells`.

    Raises
    ------
    KeyError
        If the number is no MSM.
    """
    system = MSM_SYSTEMS[number]
    kind = number % 10
    return Layout(
        number,
        f"{SYSTEM_TITLES[system]} MSM{kind}",
        (
            MESSAGE_NUMBER,
            STATION,
            *EPOCHS[system],
            *HEADER_AFTER_EPOCH,
            Group(
                "satellites",
                SetBits(SATELLITE_MASK),
                satellite_fields(system, kind),
                Order.FIELD_BY_FIELD,
            ),
            Group("cells", SetBits(CELL_MASK), CELL_FIELDS[kind], Order.FIELD_BY_FIELD),
        ),
        FAMILY,
        system,
        source="RTCM 10403.x, multiple signal messages, from memory",
    )


LAYOUTS: tuple[Layout, ...] = tuple(msm(number) for number in sorted(MSM_SYSTEMS))
