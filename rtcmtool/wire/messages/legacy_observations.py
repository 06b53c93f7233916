"""Legacy observations: GPS 1001-1004 and GLONASS 1009-1012.

Each satellite is a row: L1, then in 1003, 1004, 1011 and 1012 the differences of L2 to it. The
whole milliseconds of the range and the signal strengths are in the extended messages only.

Source: RTCM 10403.x, from memory.
"""

from fractions import Fraction

from rtcmtool.wire.fields import (
    FREQUENCY_CHANNEL,
    GLONASS_EPOCH,
    GLONASS_SLOT,
    GPS_EPOCH,
    GPS_SATELLITE,
    MESSAGE_NUMBER,
    RTCM,
    SMOOTHING_INTERVALS,
    STATION,
    flag,
    lock_meanings,
    signed,
    unsigned,
)
from rtcmtool.wire.layout import Count, Field, Group, Layout, Order
from rtcmtool.wire.lock_times import LEGACY_LOCK_MS

FAMILY = "legacy_observations"

_RANGE_M = Fraction(1, 50)
_PHASE_M = Fraction(1, 2000)
_CNR_DBHZ = Fraction(1, 4)
_LOCK_MEANINGS = lock_meanings(LEGACY_LOCK_MS)

# fmt: off
SYNCHRONOUS = flag("DF005", "synchronous_gnss", "last message of this epoch",
                   "more of this epoch follows")

GPS_SATELLITE_COUNT = unsigned("DF006", "satellite_count", 5)
GPS_HEAD = (
    MESSAGE_NUMBER,
    STATION,
    GPS_EPOCH,
    SYNCHRONOUS,
    GPS_SATELLITE_COUNT,
    flag("DF007", "divergence_free_smoothing", "no divergence-free smoothing", "in use"),
    unsigned("DF008", "smoothing_interval", 3, meanings=SMOOTHING_INTERVALS),
)
GPS_L1 = (
    GPS_SATELLITE,
    unsigned("DF010", "l1_code", 1, meanings={0: "C/A", 1: "P(Y)"}),
    unsigned("DF011", "l1_pseudorange", 24, _RANGE_M, "m"),
    signed("DF012", "l1_phase_minus_code", 20, _PHASE_M, "m", invalid=-524288),
    unsigned("DF013", "l1_lock", 7, meanings=_LOCK_MEANINGS),
)
GPS_L1_EXTENDED = (
    unsigned("DF014", "l1_whole_ms", 8, unit="ms"),
    unsigned("DF015", "l1_cnr", 8, _CNR_DBHZ, "dB-Hz", invalid=0),
)
GPS_L2 = (
    unsigned("DF016", "l2_code", 2, meanings={
        0: "C/A or L2C", 1: "P(Y) direct", 2: "P(Y) cross-correlated", 3: "P/Y correlated",
    }),
    signed("DF017", "l2_minus_l1_pseudorange", 14, _RANGE_M, "m", invalid=-8192),
    signed("DF018", "l2_phase_minus_code", 20, _PHASE_M, "m", invalid=-524288),
    unsigned("DF019", "l2_lock", 7, meanings=_LOCK_MEANINGS),
)
GPS_L2_EXTENDED = (unsigned("DF020", "l2_cnr", 8, _CNR_DBHZ, "dB-Hz", invalid=0),)

GLONASS_SATELLITE_COUNT = unsigned("DF035", "satellite_count", 5)
GLONASS_HEAD = (
    MESSAGE_NUMBER,
    STATION,
    GLONASS_EPOCH,
    SYNCHRONOUS,
    GLONASS_SATELLITE_COUNT,
    flag("DF036", "divergence_free_smoothing", "no divergence-free smoothing", "in use"),
    unsigned("DF037", "smoothing_interval", 3, meanings=SMOOTHING_INTERVALS),
)
GLONASS_L1 = (
    GLONASS_SLOT,
    unsigned("DF039", "l1_code", 1, meanings={0: "C/A", 1: "P"}),
    FREQUENCY_CHANNEL,
    unsigned("DF041", "l1_pseudorange", 25, _RANGE_M, "m"),
    signed("DF042", "l1_phase_minus_code", 20, _PHASE_M, "m", invalid=-524288),
    unsigned("DF043", "l1_lock", 7, meanings=_LOCK_MEANINGS),
)
GLONASS_L1_EXTENDED = (
    unsigned("DF044", "l1_whole_ms", 7, Fraction(2), "ms"),  # counts two light-milliseconds
    unsigned("DF045", "l1_cnr", 8, _CNR_DBHZ, "dB-Hz", invalid=0),
)
GLONASS_L2 = (
    unsigned("DF046", "l2_code", 2, meanings={0: "C/A", 1: "P", 2: "reserved", 3: "reserved"}),
    signed("DF047", "l2_minus_l1_pseudorange", 14, _RANGE_M, "m", invalid=-8192),
    signed("DF048", "l2_phase_minus_code", 20, _PHASE_M, "m", invalid=-524288),
    unsigned("DF049", "l2_lock", 7, meanings=_LOCK_MEANINGS),
)
GLONASS_L2_EXTENDED = (unsigned("DF050", "l2_cnr", 8, _CNR_DBHZ, "dB-Hz", invalid=0),)
# fmt: on


def _gps(number: int, title: str, *parts: tuple[Field, ...]) -> Layout:
    return _layout(number, title, "G", GPS_HEAD, GPS_SATELLITE_COUNT, parts)


def _glonass(number: int, title: str, *parts: tuple[Field, ...]) -> Layout:
    return _layout(number, title, "R", GLONASS_HEAD, GLONASS_SATELLITE_COUNT, parts)


def _layout(
    number: int,
    title: str,
    system: str,
    head: tuple[Field, ...],
    satellite_count: Field,
    parts: tuple[tuple[Field, ...], ...],
) -> Layout:
    row = tuple(field for block in parts for field in block)
    group = Group("satellites", Count(satellite_count), row, Order.ROW_BY_ROW)
    return Layout(number, title, (*head, group), FAMILY, system, source=RTCM)


LAYOUTS: tuple[Layout, ...] = (
    _gps(1001, "GPS L1 observations", GPS_L1),
    _gps(1002, "GPS L1 observations, extended", GPS_L1, GPS_L1_EXTENDED),
    _gps(1003, "GPS L1 and L2 observations", GPS_L1, GPS_L2),
    _gps(
        1004,
        "GPS L1 and L2 observations, extended",
        GPS_L1,
        GPS_L1_EXTENDED,
        GPS_L2,
        GPS_L2_EXTENDED,
    ),
    _glonass(1009, "GLONASS L1 observations", GLONASS_L1),
    _glonass(1010, "GLONASS L1 observations, extended", GLONASS_L1, GLONASS_L1_EXTENDED),
    _glonass(1011, "GLONASS L1 and L2 observations", GLONASS_L1, GLONASS_L2),
    _glonass(
        1012,
        "GLONASS L1 and L2 observations, extended",
        GLONASS_L1,
        GLONASS_L1_EXTENDED,
        GLONASS_L2,
        GLONASS_L2_EXTENDED,
    ),
)
