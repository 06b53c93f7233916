"""Network RTK: auxiliary stations, correction differences, residuals and area gradients.

1014-1017 and 1037-1039 (master and auxiliary stations), 1030, 1031 (residuals), 1034, 1035
(gradients). The most negative value of the signed fields is taken as not available, though the
standard does not say so everywhere.

Source: RTCM 10403.x, from memory; totals certain, the rest fairly sure.
"""

from fractions import Fraction

from rtcmtool.wire.fields import (
    GLONASS_IOD,
    GLONASS_SLOT,
    GPS_IODE,
    GPS_ONLY_SATELLITE,
    GPS_SATELLITE,
    MESSAGE_NUMBER,
    RTCM,
    SATELLITE_COUNT_GLONASS,
    SATELLITE_COUNT_GPS,
    STATION,
    coarse_epoch,
    count,
    flag,
    signed,
    unsigned,
)
from rtcmtool.wire.layout import Count, Field, Group, Layout

FAMILY = "network"

_SOURCE = f"{RTCM}; not-available value not certain"
_HALF_MM = Fraction(1, 2000)
_DEGREES = Fraction(25, 10**6)
_HUNDREDTH = Fraction(1, 100)


def _difference(number: str, name: str, bits: int, scale: Fraction, unit: str) -> Field:
    """Make a signed field whose most negative value means "not available"."""
    return signed(number, name, bits, scale, unit, invalid=-(1 << (bits - 1)), source=_SOURCE)


# fmt: off
NETWORK = unsigned("DF059", "network", 8)
SUBNETWORK = unsigned("DF072", "subnetwork", 4)
MASTER = unsigned("DF060", "master_station", 12)
AUXILIARY = unsigned("DF061", "auxiliary_station", 12)
MULTIPLE_MESSAGE = flag("DF066", "multiple_message", "last message of this set",
                        "more of this set follows")

AUXILIARY_STATION = (
    MESSAGE_NUMBER,
    NETWORK,
    SUBNETWORK,
    unsigned("DF058", "auxiliary_stations", 5),
    MASTER,
    AUXILIARY,
    # Auxiliary minus master.
    _difference("DF062", "delta_latitude_deg", 20, _DEGREES, "deg"),
    _difference("DF063", "delta_longitude_deg", 21, _DEGREES, "deg"),
    _difference("DF064", "delta_height_m", 23, Fraction(1, 1000), "m"),
)

# ---- correction differences ------------------------------------------------------------------

_AMBIGUITY = {
    0: "reserved", 1: "correct integer level on both frequencies",
    2: "correct wide-lane level only", 3: "uncertain",
}
GPS_DIFFERENCE_COUNT = count("DF067", "satellite_count", 4)
GPS_DIFFERENCE_HEAD = (
    MESSAGE_NUMBER, NETWORK, SUBNETWORK, coarse_epoch("DF065", 23, Fraction(1, 10)),
    MULTIPLE_MESSAGE, MASTER, AUXILIARY, GPS_DIFFERENCE_COUNT,
)
GPS_DIFFERENCE_SATELLITE = (
    GPS_ONLY_SATELLITE,
    unsigned("DF074", "ambiguity_status", 2, meanings=_AMBIGUITY),
    unsigned("DF075", "non_sync_count", 3),
)
GPS_IONOSPHERIC = (_difference("DF069", "ionospheric_m", 17, _HALF_MM, "m"),)
GPS_GEOMETRIC = (_difference("DF070", "geometric_m", 17, _HALF_MM, "m"), GPS_IODE)

GLONASS_DIFFERENCE_COUNT = count("DF234", "satellite_count", 4)
GLONASS_DIFFERENCE_HEAD = (
    MESSAGE_NUMBER, NETWORK, SUBNETWORK, coarse_epoch("DF233", 20, Fraction(1, 10)),
    MULTIPLE_MESSAGE, MASTER, AUXILIARY, GLONASS_DIFFERENCE_COUNT,
)
GLONASS_DIFFERENCE_SATELLITE = (
    GLONASS_SLOT,
    unsigned("DF235", "ambiguity_status", 2, meanings=_AMBIGUITY),
    unsigned("DF236", "non_sync_count", 3),
)
GLONASS_IONOSPHERIC = (_difference("DF237", "ionospheric_m", 17, _HALF_MM, "m"),)
GLONASS_GEOMETRIC = (
    _difference("DF238", "geometric_m", 17, _HALF_MM, "m"),
    unsigned("DF239", "iod", 8),
)

# ---- residuals and gradients -----------------------------------------------------------------

REFERENCE_STATIONS = unsigned("DF223", "reference_stations", 7)
RESIDUALS = (
    unsigned("DF218", "s_oc_m", 8, _HALF_MM, "m"),
    unsigned("DF219", "s_od_ppm", 9, _HUNDREDTH, "ppm"),
    unsigned("DF220", "s_oh_ppm", 6, Fraction(1, 10), "ppm"),
    unsigned("DF221", "s_ic_m", 10, _HALF_MM, "m"),
    unsigned("DF222", "s_id_ppm", 10, _HUNDREDTH, "ppm"),
)
GRADIENTS = (
    _difference("DF242", "gradient_north_ppm", 12, _HUNDREDTH, "ppm"),
    _difference("DF243", "gradient_east_ppm", 12, _HUNDREDTH, "ppm"),
    _difference("DF244", "iono_north_ppm", 14, _HUNDREDTH, "ppm"),
    _difference("DF245", "iono_east_ppm", 14, _HUNDREDTH, "ppm"),
)
GPS_RESIDUALS_HEAD = (
    MESSAGE_NUMBER, coarse_epoch("DF224", 20), STATION, REFERENCE_STATIONS, SATELLITE_COUNT_GPS,
)
GLONASS_RESIDUALS_HEAD = (
    MESSAGE_NUMBER, coarse_epoch("DF225", 17), STATION, REFERENCE_STATIONS,
    SATELLITE_COUNT_GLONASS,
)
GPS_GRADIENTS_HEAD = (MESSAGE_NUMBER, STATION, coarse_epoch("DF240", 20), SATELLITE_COUNT_GPS)
GLONASS_GRADIENTS_HEAD = (
    MESSAGE_NUMBER, STATION, coarse_epoch("DF241", 17), SATELLITE_COUNT_GLONASS,
)
# fmt: on


def _of_satellites(
    number: int, title: str, system: str, head: tuple[Field, ...], row: tuple[Field, ...]
) -> Layout:
    """Build a layout whose header ends with the number of satellites that follow."""
    group = Group("satellites", Count(head[-1]), row)
    return Layout(number, title, (*head, group), FAMILY, system, source=RTCM)


def _gps_differences(number: int, title: str, fields: tuple[Field, ...]) -> Layout:
    row = (*GPS_DIFFERENCE_SATELLITE, *fields)
    return _of_satellites(number, title, "G", GPS_DIFFERENCE_HEAD, row)


def _glonass_differences(number: int, title: str, fields: tuple[Field, ...]) -> Layout:
    row = (*GLONASS_DIFFERENCE_SATELLITE, *fields)
    return _of_satellites(number, title, "R", GLONASS_DIFFERENCE_HEAD, row)


LAYOUTS: tuple[Layout, ...] = (
    Layout(1014, "network auxiliary station", AUXILIARY_STATION, FAMILY, source=RTCM),
    _gps_differences(1015, "GPS ionospheric correction differences", GPS_IONOSPHERIC),
    _gps_differences(1016, "GPS geometric correction differences", GPS_GEOMETRIC),
    _gps_differences(
        1017, "GPS combined correction differences", (*GPS_GEOMETRIC, *GPS_IONOSPHERIC)
    ),
    _of_satellites(
        1030, "GPS network residuals", "G", GPS_RESIDUALS_HEAD, (GPS_SATELLITE, *RESIDUALS)
    ),
    _of_satellites(
        1031,
        "GLONASS network residuals",
        "R",
        GLONASS_RESIDUALS_HEAD,
        (GLONASS_SLOT, *RESIDUALS),
    ),
    _of_satellites(
        1034,
        "GPS area correction gradients",
        "G",
        GPS_GRADIENTS_HEAD,
        (GPS_SATELLITE, GPS_IODE, *GRADIENTS),
    ),
    _of_satellites(
        1035,
        "GLONASS area correction gradients",
        "R",
        GLONASS_GRADIENTS_HEAD,
        (GLONASS_SLOT, GLONASS_IOD, *GRADIENTS),
    ),
    _glonass_differences(1037, "GLONASS ionospheric correction differences", GLONASS_IONOSPHERIC),
    _glonass_differences(1038, "GLONASS geometric correction differences", GLONASS_GEOMETRIC),
    _glonass_differences(
        1039,
        "GLONASS combined correction differences",
        (*GLONASS_GEOMETRIC, *GLONASS_IONOSPHERIC),
    ),
)
