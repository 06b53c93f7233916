"""Earth-fixed, geodetic and local coordinates on the WGS 84 ellipsoid, and antenna reductions.

Positions are arrays whose last axis holds the three components, so one point, a track or a grid of
satellites and times take the same call. Angles are radians in the arrays; only `_deg` names are
degrees. Frames are not told apart here: an ITRF and a national position differ by centimetres to
metres, which is the caller's business.
"""

import math

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

SEMI_MAJOR_AXIS_M = 6_378_137.0  # WGS 84: NGA.STND.0036, table of defining parameters, from memory
FLATTENING = 1.0 / 298.257223563  # the same
ECCENTRICITY_SQUARED = FLATTENING * (2.0 - FLATTENING)
SEMI_MINOR_AXIS_M = SEMI_MAJOR_AXIS_M * (1.0 - FLATTENING)

_BOWRING_ROUNDS = 3  # the second already reaches 1e-9 m from -10 km to satellite height
_NEAR_CENTRE_M = 1000.0  # a geodetic latitude has no use nearer to the geocentre or the axis


def geodetic_from_ecef(ecef_m: npt.ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Convert earth-fixed to geodetic coordinates.

    Parameters
    ----------
    ecef_m : array_like, shape (..., 3)
        X, Y, Z in metres.

    Returns
    -------
    latitude_rad, longitude_rad, height_m : ndarray of float64, shape (...)
        Geodetic latitude, longitude east (-pi to pi) and ellipsoidal height; NaN within 1 km of
        the geocentre, where there is no such thing.

    Notes
    -----
    Bowring's start and rounds with the parametric latitude; agrees with a published transformation
    library to 1e-9 m from the deepest mine to the satellites.

    References
    ----------
    Bowring, Transformation from spatial to geographical coordinates, Survey Review 23 (1976).
    """
    ecef = np.asarray(ecef_m, dtype=np.float64)
    x, y, z = ecef[..., 0], ecef[..., 1], ecef[..., 2]
    axis_distance = np.hypot(x, y)
    second_eccentricity_squared = ECCENTRICITY_SQUARED / (1.0 - ECCENTRICITY_SQUARED)
    parametric = np.arctan2(z * SEMI_MAJOR_AXIS_M, axis_distance * SEMI_MINOR_AXIS_M)
    latitude = parametric
    for _ in range(_BOWRING_ROUNDS):
        latitude = np.arctan2(
            z + second_eccentricity_squared * SEMI_MINOR_AXIS_M * np.sin(parametric) ** 3,
            axis_distance - ECCENTRICITY_SQUARED * SEMI_MAJOR_AXIS_M * np.cos(parametric) ** 3,
        )
        parametric = np.arctan2((1.0 - FLATTENING) * np.sin(latitude), np.cos(latitude))
    sine, cosine = np.sin(latitude), np.cos(latitude)
    normal_radius = SEMI_MAJOR_AXIS_M / np.sqrt(1.0 - ECCENTRICITY_SQUARED * sine**2)
    # This form of the height is exact at the poles and at the equator alike.
    height = (
        axis_distance * cosine + z * sine - normal_radius * (1.0 - ECCENTRICITY_SQUARED * sine**2)
    )
    somewhere = np.hypot(axis_distance, z) > _NEAR_CENTRE_M
    return (
        np.where(somewhere, latitude, np.nan),
        np.where(somewhere, np.arctan2(y, x), np.nan),
        np.where(somewhere, height, np.nan),
    )


def ecef_from_geodetic(
    latitude_rad: npt.ArrayLike, longitude_rad: npt.ArrayLike, height_m: npt.ArrayLike
) -> FloatArray:
    """Convert geodetic to earth-fixed coordinates.

    Parameters
    ----------
    latitude_rad, longitude_rad, height_m : array_like, shapes that broadcast
        Geodetic latitude, longitude east, ellipsoidal height.

    Returns
    -------
    ndarray of float64, shape (..., 3)
        X, Y, Z in metres.
    """
    latitude = np.asarray(latitude_rad, dtype=np.float64)
    longitude = np.asarray(longitude_rad, dtype=np.float64)
    height = np.asarray(height_m, dtype=np.float64)
    sine, cosine = np.sin(latitude), np.cos(latitude)
    normal_radius = SEMI_MAJOR_AXIS_M / np.sqrt(1.0 - ECCENTRICITY_SQUARED * sine**2)
    return np.stack(
        np.broadcast_arrays(
            (normal_radius + height) * cosine * np.cos(longitude),
            (normal_radius + height) * cosine * np.sin(longitude),
            (normal_radius * (1.0 - ECCENTRICITY_SQUARED) + height) * sine,
        ),
        axis=-1,
    )


def ecef_from_degrees(latitude_deg: float, longitude_deg: float, height_m: float) -> FloatArray:
    """Convert one geodetic position in degrees and metres to X, Y, Z, shape (3,)."""
    return ecef_from_geodetic(math.radians(latitude_deg), math.radians(longitude_deg), height_m)


def degrees_from_ecef(ecef_m: npt.ArrayLike) -> tuple[float, float, float]:
    """Convert one X, Y, Z, shape (3,), to latitude and longitude in degrees, height in metres."""
    latitude, longitude, height = geodetic_from_ecef(ecef_m)
    return math.degrees(latitude), math.degrees(longitude), float(height)


def enu_rotation(latitude_rad: npt.ArrayLike, longitude_rad: npt.ArrayLike) -> FloatArray:
    """Give the rotation from earth-fixed axes to east, north, up.

    Returns
    -------
    ndarray of float64, shape (..., 3, 3)
        Rows are the unit vectors east, north and up (along the ellipsoid normal).
    """
    latitude, longitude = np.broadcast_arrays(
        np.asarray(latitude_rad, dtype=np.float64), np.asarray(longitude_rad, dtype=np.float64)
    )
    sin_lat, cos_lat = np.sin(latitude), np.cos(latitude)
    sin_lon, cos_lon = np.sin(longitude), np.cos(longitude)
    zero = np.zeros_like(sin_lat)
    rows = (
        np.stack((-sin_lon, cos_lon, zero), axis=-1),
        np.stack((-sin_lat * cos_lon, -sin_lat * sin_lon, cos_lat), axis=-1),
        np.stack((cos_lat * cos_lon, cos_lat * sin_lon, sin_lat), axis=-1),
    )
    return np.stack(rows, axis=-2)


def enu_from_ecef(vector_m: npt.ArrayLike, origin_m: npt.ArrayLike) -> FloatArray:
    """Turn earth-fixed vectors into east, north, up at an origin.

    Parameters
    ----------
    vector_m : array_like, shape (..., 3)
        Differences of positions (not positions), m or m/s.
    origin_m : array_like, shape (..., 3)
        Where east, north and up are taken.

    Returns
    -------
    ndarray of float64, shape (..., 3)
    """
    latitude, longitude, _ = geodetic_from_ecef(origin_m)
    rotation = enu_rotation(latitude, longitude)
    vector = np.asarray(vector_m, dtype=np.float64)
    local: FloatArray = np.einsum("...ij,...j->...i", rotation, vector)
    return local


def ecef_from_enu(vector_m: npt.ArrayLike, origin_m: npt.ArrayLike) -> FloatArray:
    """Turn east, north, up vectors at an origin into earth-fixed ones; shapes as above."""
    latitude, longitude, _ = geodetic_from_ecef(origin_m)
    rotation = enu_rotation(latitude, longitude)
    vector = np.asarray(vector_m, dtype=np.float64)
    fixed: FloatArray = np.einsum("...ij,...i->...j", rotation, vector)
    return fixed


def azimuth_elevation(
    receiver_m: npt.ArrayLike, satellite_m: npt.ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Give the direction from receivers to satellites.

    Parameters
    ----------
    receiver_m, satellite_m : array_like, shapes (..., 3) that broadcast
        Earth-fixed positions, m.

    Returns
    -------
    azimuth_rad, elevation_rad : ndarray of float64, shape (...)
        Azimuth from north over east, 0 to 2 pi; elevation above the plane across the ellipsoid
        normal.
    """
    receiver = np.asarray(receiver_m, dtype=np.float64)
    local = enu_from_ecef(np.asarray(satellite_m, dtype=np.float64) - receiver, receiver)
    east, north, up = local[..., 0], local[..., 1], local[..., 2]
    # mod can give 2 pi itself for a tiny negative angle: fold that too
    azimuth = np.mod(np.arctan2(east, north), 2.0 * np.pi)
    azimuth = np.where(azimuth >= 2.0 * np.pi, 0.0, azimuth)
    return azimuth, np.arctan2(up, np.hypot(east, north))


def distance_m(first_m: npt.ArrayLike, second_m: npt.ArrayLike) -> FloatArray:
    """Give the straight distance between positions of shapes (..., 3) that broadcast, m."""
    difference = np.asarray(first_m, dtype=np.float64) - np.asarray(second_m, dtype=np.float64)
    squared: FloatArray = np.einsum("...i,...i->...", difference, difference)
    result: FloatArray = np.sqrt(squared)
    return result


def raise_along_normal(position_m: npt.ArrayLike, height_m: npt.ArrayLike) -> FloatArray:
    """Move positions up along the ellipsoid normal: from a mark to the antenna above it.

    Parameters
    ----------
    position_m : array_like, shape (..., 3)
        Earth-fixed positions, m; with the mark, the result is the antenna reference point (ARP).
    height_m : array_like, shape (...)
        Vertical antenna height, m; negative leads from the ARP down to the mark.

    Returns
    -------
    ndarray of float64, shape (..., 3)
    """
    position = np.asarray(position_m, dtype=np.float64)
    latitude, longitude, _ = geodetic_from_ecef(position)
    up = np.stack(
        (
            np.cos(latitude) * np.cos(longitude),
            np.cos(latitude) * np.sin(longitude),
            np.sin(latitude),
        ),
        axis=-1,
    )
    height = np.asarray(height_m, dtype=np.float64)[..., np.newaxis]
    raised: FloatArray = position + height * up
    return raised


def mark_from_arp(arp_m: npt.ArrayLike, antenna_height_m: npt.ArrayLike) -> FloatArray:
    """Reduce antenna reference points to their marks; the height of message 1006 is this one."""
    return raise_along_normal(arp_m, -np.asarray(antenna_height_m, dtype=np.float64))


def arp_from_mark(mark_m: npt.ArrayLike, antenna_height_m: npt.ArrayLike) -> FloatArray:
    """Raise marks to the antenna reference points above them."""
    return raise_along_normal(mark_m, antenna_height_m)


def vertical_from_slant_m(slant_m: float, radius_m: float, mark_above_arp_m: float = 0.0) -> float:
    """Reduce a slant antenna height to the vertical height of the ARP above the mark.

    Parameters
    ----------
    slant_m : float
        Taped distance from the mark to the rim or notch.
    radius_m : float
        Horizontal distance of the rim or notch from the antenna's axis.
    mark_above_arp_m : float
        Height of the rim or notch above the ARP; positive above.

    Returns
    -------
    float
        Vertical height, m.

    Raises
    ------
    ValueError
        If the slant distance is not longer than the radius.

    Examples
    --------
    >>> round(vertical_from_slant_m(1.8527, 0.3810 / 2, 0.0350), 4)
    1.8079
    """
    if not slant_m > radius_m >= 0.0:
        raise ValueError(
            f"a slant height of {slant_m} m cannot be taped to a rim {radius_m} m off the axis: "
            "the slant must be the longer one"
        )
    return math.sqrt(slant_m * slant_m - radius_m * radius_m) - mark_above_arp_m
