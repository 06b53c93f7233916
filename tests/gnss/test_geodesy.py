"""Checks of coordinates against a published example, pyproj and a receiver-independent list."""

import math

import numpy as np
import pyproj
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rtcmtool.gnss.geodesy import (
    ECCENTRICITY_SQUARED,
    SEMI_MINOR_AXIS_M,
    arp_from_mark,
    azimuth_elevation,
    degrees_from_ecef,
    distance_m,
    ecef_from_degrees,
    ecef_from_enu,
    ecef_from_geodetic,
    enu_from_ecef,
    enu_rotation,
    geodetic_from_ecef,
    mark_from_arp,
    vertical_from_slant_m,
)

PAIR_BASE = np.array([-3959403.8133, 3385705.8562, 3667525.8580])
STATIC = np.array([-3962108.4557, 3381308.8777, 3668678.1749])
LATITUDES = st.floats(-90.0, 90.0)
LONGITUDES = st.floats(-180.0, 180.0)
HEIGHTS = st.floats(-10_000.0, 30_000_000.0)


@pytest.fixture(scope="module")
def referee():
    return pyproj.Transformer.from_crs("EPSG:4979", "EPSG:4978", always_xy=True)


def test_the_published_example_of_the_conversion_comes_out():
    # IOGP Guidance Note 7-2, geographic/geocentric conversions
    latitude = 53 + 48 / 60 + 33.820 / 3600
    longitude = 2 + 7 / 60 + 46.380 / 3600
    np.testing.assert_allclose(
        ecef_from_degrees(latitude, longitude, 73.0),
        [3771793.968, 140253.342, 5124304.349],
        atol=6e-4,
    )


def test_the_ellipsoid_is_wgs_84():
    assert pytest.approx(0.00669437999014, abs=1e-14) == ECCENTRICITY_SQUARED
    assert pytest.approx(6356752.314245, abs=1e-6) == SEMI_MINOR_AXIS_M


@pytest.mark.parametrize(
    ("ecef", "expected"),
    [
        (PAIR_BASE, (35.326685025, 139.466083411, 50.7640)),
        (STATIC, (35.339325590, 139.522177402, 64.9405)),
    ],
)
def test_the_recorded_stations_lie_where_they_should(ecef, expected):
    latitude, longitude, height = degrees_from_ecef(ecef)
    assert (latitude, longitude) == pytest.approx(expected[:2], abs=1e-9)
    assert height == pytest.approx(expected[2], abs=1e-4)


@given(latitude=LATITUDES, longitude=LONGITUDES, height=HEIGHTS)
def test_conversion_agrees_with_the_coordinate_library(referee, latitude, longitude, height):
    expected = np.array(referee.transform(longitude, latitude, height))
    np.testing.assert_allclose(ecef_from_degrees(latitude, longitude, height), expected, atol=1e-8)
    back = geodetic_from_ecef(expected)
    assert float(back[0]) == pytest.approx(math.radians(latitude), abs=2e-15)
    assert float(back[2]) == pytest.approx(height, abs=3e-8)
    np.testing.assert_allclose(ecef_from_geodetic(*back), expected, atol=3e-8)


def test_the_poles_and_the_equator_are_no_exception():
    points = [[0, 0, SEMI_MINOR_AXIS_M + 5], [0, 0, -SEMI_MINOR_AXIS_M], [6378147.0, 0, 0]]
    latitude, _, height = geodetic_from_ecef(points)
    np.testing.assert_allclose(latitude, [np.pi / 2, -np.pi / 2, 0], atol=1e-15)
    np.testing.assert_allclose(height, [5, 0, 10], atol=1e-8)


def test_a_position_of_zeros_has_no_latitude():
    assert all(np.isnan(value) for value in geodetic_from_ecef([0.0, 0.0, 0.0]))


@given(latitude=LATITUDES, longitude=LONGITUDES)
def test_east_north_up_are_at_right_angles(latitude, longitude):
    rotation = enu_rotation(math.radians(latitude), math.radians(longitude))
    np.testing.assert_allclose(rotation @ rotation.T, np.eye(3), atol=1e-15)
    assert np.linalg.det(rotation) == pytest.approx(1.0)


def test_local_vectors_agree_with_the_coordinate_library():
    x, y, z = PAIR_BASE.tolist()
    pipeline = pyproj.Transformer.from_pipeline(
        f"+proj=topocentric +ellps=WGS84 +X_0={x} +Y_0={y} +Z_0={z}"
    )
    expected = np.array(pipeline.transform(*STATIC))
    vector = enu_from_ecef(STATIC - PAIR_BASE, PAIR_BASE)
    np.testing.assert_allclose(vector, expected, atol=1e-6)
    np.testing.assert_allclose(ecef_from_enu(vector, PAIR_BASE), STATIC - PAIR_BASE, atol=1e-9)


def test_many_points_and_many_directions_take_one_call():
    satellites = np.array([[26e6, 0, 0], [0, 26e6, 0], [0, 0, 26e6]])
    receivers = np.stack((PAIR_BASE, STATIC))[:, np.newaxis, :]
    azimuth, elevation = azimuth_elevation(receivers, satellites)
    assert azimuth.shape == elevation.shape == (2, 3)
    one_azimuth, one_elevation = azimuth_elevation(STATIC, satellites[1])
    assert azimuth[1, 1] == one_azimuth
    assert elevation[1, 1] == one_elevation
    assert ((azimuth >= 0) & (azimuth < 2 * np.pi)).all()


def test_directions_of_the_compass_and_the_zenith():
    receiver = ecef_from_degrees(35.0, 139.0, 50.0)
    local = np.array([[0, 1, 0], [1, 0, 0], [0, -1, 0], [-1, 0, 0], [0, 0, 1], [-1e-30, 1, 1]])
    azimuth, elevation = azimuth_elevation(
        receiver, receiver + ecef_from_enu(local * 2e7, receiver)
    )
    np.testing.assert_allclose(np.degrees(azimuth[1:4]), [90, 180, 270], atol=1e-9)
    assert math.sin(azimuth[0]) == pytest.approx(0.0, abs=1e-12)
    np.testing.assert_allclose(np.degrees(elevation), [0, 0, 0, 0, 90, 45], atol=1e-9)


def test_distances_are_straight_lines():
    expected = float(np.linalg.norm(PAIR_BASE - STATIC))
    np.testing.assert_allclose(distance_m(PAIR_BASE, np.stack((STATIC, PAIR_BASE))), [expected, 0])


@given(latitude=LATITUDES, longitude=LONGITUDES, height=st.floats(0.0, 6.5535))
def test_an_antenna_height_is_taken_along_the_normal_and_off_again(latitude, longitude, height):
    mark = ecef_from_degrees(latitude, longitude, 120.0)
    arp = arp_from_mark(mark, height)
    expected = ecef_from_degrees(latitude, longitude, 120.0 + height)
    np.testing.assert_allclose(arp, expected, atol=1e-8)
    np.testing.assert_allclose(mark_from_arp(arp, height), mark, atol=1e-8)


@pytest.mark.parametrize(
    ("slant", "radius", "above", "expected"),
    [
        (1.8527, 0.3810 / 2, 0.0, 1.8429),  # worked example of an archive's note, 2019
        (1.8527, 0.3810 / 2, 0.0350, 1.8079),  # the same, down to the ARP
        (1.532, 0.0921, 0.0, 1.5292),  # survey training page: 1.529 m
        (1.5, 0.09, 0.0, 1.5 - 0.0027),
        (2.0, 0.10, 0.0, 2.0 - 0.0025),
    ],
)
def test_slant_heights_are_reduced(slant, radius, above, expected):
    assert vertical_from_slant_m(slant, radius, above) == pytest.approx(expected, abs=6e-5)


def test_an_impossible_slant_height_is_refused():
    with pytest.raises(ValueError, match="slant"):
        vertical_from_slant_m(0.1, 0.2)


@pytest.mark.parametrize(
    ("ecef", "geodetic", "plane", "expected"),
    [
        # computations.md 6.4, tolerance 0.1 mm
        (PAIR_BASE, "EPSG:4326", "EPSG:32654", (360580.5941, 3910351.4639)),
        (PAIR_BASE, "EPSG:6668", "EPSG:6677", (-33388.5203, -74636.8202)),
        (STATIC, "EPSG:4326", "EPSG:32654", (365700.3434, 3911675.9801)),
        (STATIC, "EPSG:6668", "EPSG:6677", (-28284.3136, -73251.9830)),
    ],
)
def test_geodetic_coordinates_project_to_the_known_plane_ones(ecef, geodetic, plane, expected):
    latitude, longitude, _ = degrees_from_ecef(ecef)
    projection = pyproj.Transformer.from_crs(geodetic, plane, always_xy=True)
    assert projection.transform(longitude, latitude) == pytest.approx(expected, abs=1e-4)
