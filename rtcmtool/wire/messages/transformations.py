"""Transformations of coordinates: 1021-1024 (datum and residuals), 1025-1027 (map projections).

Source: RTCM 10403.x, from memory; totals certain, the rest fairly sure. Angles of 1021-1024 are in
seconds of arc, those of 1025-1027 in degrees.
"""

from fractions import Fraction

from rtcmtool.wire.fields import MESSAGE_NUMBER, MJD, RTCM, count, flag, signed, unsigned
from rtcmtool.wire.layout import Computed, Count, Field, Group, Layout, Part, Text

FAMILY = "transformations"

_MM = Fraction(1, 1000)
_CM = Fraction(1, 100)
_TWO = Fraction(2)
_HALF = Fraction(1, 2)
_TEN = Fraction(10)
_ROTATION = Fraction(2, 10**5)
_SCALE_PPM = Fraction(1, 10**5)
_DEGREES = Fraction(11, 10**9)
_ARC = "arcsec"
GRID_POINTS = 16

# fmt: off
SYSTEM_ID = unsigned("DF147", "system_id", 8)

# ---- 1021, 1022: seven parameters, and with a rotation centre --------------------------------

SOURCE_NAME_BYTES = count("DF143", "source_name_bytes", 5)
TARGET_NAME_BYTES = count("DF145", "target_name_bytes", 5)

_TRANSFORMATION: tuple[Part, ...] = (
    MESSAGE_NUMBER,
    SOURCE_NAME_BYTES,
    Text("DF144", "source_name", Count(SOURCE_NAME_BYTES), source=RTCM),
    TARGET_NAME_BYTES,
    Text("DF146", "target_name", Count(TARGET_NAME_BYTES), source=RTCM),
    SYSTEM_ID,
    unsigned("DF148", "utilised_messages", 10),
    unsigned("DF149", "plate", 5),
    unsigned("DF150", "computation", 4),
    unsigned("DF151", "height_indicator", 2),
    signed("DF152", "latitude_arcsec", 19, _TWO, _ARC),
    signed("DF153", "longitude_arcsec", 20, _TWO, _ARC),
    unsigned("DF154", "extent_latitude_arcsec", 14, _TWO, _ARC),
    unsigned("DF155", "extent_longitude_arcsec", 14, _TWO, _ARC),
    signed("DF156", "dx_m", 23, _MM, "m"),
    signed("DF157", "dy_m", 23, _MM, "m"),
    signed("DF158", "dz_m", 23, _MM, "m"),
    signed("DF159", "rx_arcsec", 32, _ROTATION, _ARC),
    signed("DF160", "ry_arcsec", 32, _ROTATION, _ARC),
    signed("DF161", "rz_arcsec", 32, _ROTATION, _ARC),
    signed("DF162", "scale_ppm", 25, _SCALE_PPM, "ppm"),
)
_ROTATION_CENTRE = (
    signed("DF163", "xp_m", 35, _MM, "m"),
    signed("DF164", "yp_m", 35, _MM, "m"),
    signed("DF165", "zp_m", 35, _MM, "m"),
)
_ELLIPSOIDS_AND_QUALITY = (
    unsigned("DF166", "source_a_m", 24, _MM, "m", offset=Fraction(6_370_000)),
    unsigned("DF167", "source_b_m", 25, _MM, "m", offset=Fraction(6_350_000)),
    unsigned("DF168", "target_a_m", 24, _MM, "m", offset=Fraction(6_370_000)),
    unsigned("DF169", "target_b_m", 25, _MM, "m", offset=Fraction(6_350_000)),
    unsigned("DF214", "horizontal_quality", 3),
    unsigned("DF215", "vertical_quality", 3),
)

# ---- 1023, 1024: residuals on a grid ---------------------------------------------------------


def _grid(*fields: Field) -> Group:
    """Make the grid, whose number of points is fixed."""
    return Group("grid", Computed((), lambda: GRID_POINTS), fields)


_GRID_HEAD = (
    MESSAGE_NUMBER,
    SYSTEM_ID,
    flag("DF190", "horizontal_shift", "no horizontal shift", "horizontal shift"),
    flag("DF191", "vertical_shift", "no vertical shift", "vertical shift"),
)
_GRID_TAIL = (
    unsigned("DF212", "horizontal_interpolation", 2),
    unsigned("DF213", "vertical_interpolation", 2),
    unsigned("DF216", "horizontal_grid_quality", 3),
    unsigned("DF217", "vertical_grid_quality", 3),
    MJD,
)
_GEOGRAPHIC_GRID: tuple[Part, ...] = (
    *_GRID_HEAD,
    signed("DF192", "latitude0_arcsec", 21, _HALF, _ARC),
    signed("DF193", "longitude0_arcsec", 22, _HALF, _ARC),
    unsigned("DF194", "step_latitude_arcsec", 12, _HALF, _ARC),
    unsigned("DF195", "step_longitude_arcsec", 12, _HALF, _ARC),
    signed("DF196", "mean_latitude_arcsec", 8, _MM, _ARC),
    signed("DF197", "mean_longitude_arcsec", 8, _MM, _ARC),
    signed("DF198", "mean_height_m", 15, _CM, "m"),
    _grid(
        signed("DF199", "latitude_arcsec", 9, Fraction(3, 10**5), _ARC),
        signed("DF200", "longitude_arcsec", 9, Fraction(3, 10**5), _ARC),
        signed("DF201", "height_m", 9, _MM, "m"),
    ),
    *_GRID_TAIL,
)
_PLANE_GRID: tuple[Part, ...] = (
    *_GRID_HEAD,
    signed("DF202", "north0_m", 25, _TEN, "m"),
    signed("DF203", "east0_m", 26, _TEN, "m"),
    unsigned("DF204", "step_north_m", 12, _TEN, "m"),
    unsigned("DF205", "step_east_m", 12, _TEN, "m"),
    signed("DF206", "mean_north_m", 10, _MM, "m"),
    signed("DF207", "mean_east_m", 10, _MM, "m"),
    signed("DF208", "mean_height_m", 15, _CM, "m"),
    _grid(
        signed("DF209", "north_m", 9, _MM, "m"),
        signed("DF210", "east_m", 9, _MM, "m"),
        signed("DF211", "height_m", 9, _MM, "m"),
    ),
    *_GRID_TAIL,
)

# ---- 1025 to 1027: map projections -----------------------------------------------------------

PROJECTION = unsigned("DF170", "projection", 6)


def _deg(number: str, name: str, bits: int) -> Field:
    return signed(number, name, bits, _DEGREES, "deg")


def _scale_ppm(number: str) -> Field:
    return unsigned(number, "scale_ppm", 30, _SCALE_PPM, "ppm", offset=Fraction(993_000))


_PROJECTION: tuple[Field, ...] = (
    MESSAGE_NUMBER,
    SYSTEM_ID,
    PROJECTION,
    _deg("DF171", "latitude_origin_deg", 34),
    _deg("DF172", "longitude_origin_deg", 35),
    _scale_ppm("DF173"),
    unsigned("DF174", "false_easting_m", 36, _MM, "m"),
    signed("DF175", "false_northing_m", 35, _MM, "m"),
)
_CONIC: tuple[Field, ...] = (
    MESSAGE_NUMBER,
    SYSTEM_ID,
    PROJECTION,
    _deg("DF176", "latitude_false_origin_deg", 34),
    _deg("DF177", "longitude_false_origin_deg", 35),
    _deg("DF178", "parallel1_deg", 34),
    _deg("DF179", "parallel2_deg", 34),
    unsigned("DF180", "easting_false_origin_m", 36, _MM, "m"),
    signed("DF181", "northing_false_origin_m", 35, _MM, "m"),
)
_OBLIQUE_MERCATOR: tuple[Field, ...] = (
    MESSAGE_NUMBER,
    SYSTEM_ID,
    PROJECTION,
    flag("DF182", "rectified", "not rectified", "rectified"),
    _deg("DF183", "latitude_centre_deg", 34),
    _deg("DF184", "longitude_centre_deg", 35),
    unsigned("DF185", "azimuth_deg", 35, _DEGREES, "deg"),
    _deg("DF186", "skew_difference_deg", 26),
    _scale_ppm("DF187"),
    unsigned("DF188", "easting_centre_m", 36, _MM, "m"),
    signed("DF189", "northing_centre_m", 35, _MM, "m"),
)
# fmt: on

LAYOUTS: tuple[Layout, ...] = (
    Layout(
        1021,
        "transformation, seven parameters",
        (*_TRANSFORMATION, *_ELLIPSOIDS_AND_QUALITY),
        FAMILY,
        source=RTCM,
    ),
    Layout(
        1022,
        "transformation with rotation centre",
        (*_TRANSFORMATION, *_ROTATION_CENTRE, *_ELLIPSOIDS_AND_QUALITY),
        FAMILY,
        source=RTCM,
    ),
    Layout(
        1023,
        "transformation residuals, geographic grid",
        _GEOGRAPHIC_GRID,
        FAMILY,
        source=RTCM,
    ),
    Layout(1024, "transformation residuals, plane grid", _PLANE_GRID, FAMILY, source=RTCM),
    Layout(1025, "map projection", _PROJECTION, FAMILY, source=RTCM),
    Layout(1026, "conic with two parallels", _CONIC, FAMILY, source=RTCM),
    Layout(1027, "oblique Mercator", _OBLIQUE_MERCATOR, FAMILY, source=RTCM),
)
