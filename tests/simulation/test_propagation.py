"""Air and ionosphere: sizes, smoothness, and how they grow apart with distance."""

import numpy as np
import pytest

from rtcmtool.gnss.atmosphere import metres_per_tecu, saastamoinen_m
from rtcmtool.gnss.geodesy import ecef_from_degrees, ecef_from_enu, geodetic_from_ecef
from rtcmtool.gnss.satellites import SatelliteTable, sight
from rtcmtool.simulation.propagation import Sky
from tests.simulation.skies import BASE_M, START_MS, seconds, sky


def delays(air, place_m, gps_ms):
    """Give delays to all satellites above 15 degrees, with their elevations."""
    table = SatelliteTable.stack(sky().truth(START_MS))
    seen = sight(table, gps_ms[:, np.newaxis], place_m)
    high = np.degrees(seen.elevation_rad).min(axis=0) > 15.0
    elevation = seen.elevation_rad[:, high]
    places = np.broadcast_to(place_m, (len(gps_ms), 3))
    rate = np.gradient(elevation, axis=0) if len(gps_ms) > 1 else np.zeros_like(elevation)
    found = air.delays(places, seen.direction[:, high], elevation, rate, gps_ms)
    return found, elevation


def test_the_troposphere_is_the_standard_one_within_some_centimetres():
    air = Sky(1, START_MS)
    found, elevation = delays(air, BASE_M, seconds(3, step=600))
    latitude, _, height = geodetic_from_ecef(BASE_M)
    rest = (found.troposphere_m - saastamoinen_m(latitude, height, elevation)) * np.sin(elevation)
    assert 0.0005 < np.abs(rest).max() < 0.08


def test_the_ionosphere_is_a_few_metres_by_day_and_less_by_night():
    """Mid latitude, quiet sun: some 5 TECU by night, 10 to 40 by day towards the zenith."""
    air = Sky(1, START_MS)
    per_tecu = float(metres_per_tecu(1575.42e6))
    noon, elevation = delays(air, BASE_M, seconds(2, first=5 * 3600))
    night, low_sun = delays(air, BASE_M, seconds(2, first=17 * 3600))
    for found, angle, least, most in ((noon, elevation, 10.0, 40.0), (night, low_sun, 2.0, 10.0)):
        high = np.degrees(angle[0]) > 50.0
        assert least < found.ionosphere_m[0, high].mean() / per_tecu < most


def test_delays_of_neighbours_differ_by_about_a_millimetre_a_kilometre():
    """Common practice for a quiet ionosphere: 1 ppm of the distance, now 0.1, now 3."""
    gps_ms = seconds(4, step=400)
    rms = []
    for seed in range(1, 6):
        air = Sky(seed, START_MS)
        first, elevation = delays(air, BASE_M, gps_ms)
        east_m = BASE_M + ecef_from_enu([10_000.0, 0.0, 0.0], BASE_M)
        second, _ = delays(air, east_m, gps_ms)
        apart = (second.ionosphere_m - first.ionosphere_m) * np.sin(elevation)
        rms.append(float(np.sqrt(np.mean(apart**2))))
    assert min(rms) > 0.002
    assert max(rms) < 0.030


def test_delays_change_smoothly_and_their_rates_say_how():
    air = Sky(1, START_MS)
    found, _ = delays(air, BASE_M, seconds(60))
    for value, rate in (
        (found.ionosphere_m, found.ionosphere_rate_m_s),
        (found.troposphere_m, found.troposphere_rate_m_s),
    ):
        steps = np.gradient(value, axis=0)[1:-1]
        assert np.abs(steps).max() < 0.01
        # the point at which the ray meets the waves wanders too: not in the rate
        assert np.abs(steps - rate[1:-1]).max() < 0.001


def test_a_storm_has_the_rate_asked_for_and_leaves_rates_of_neighbours_apart():
    air = Sky(1, START_MS)
    gps_ms = seconds(600)
    table = SatelliteTable.stack(sky().truth(START_MS))
    for place in (BASE_M, ecef_from_degrees(-20.0, 100.0, 0.0)):
        seen = sight(table, gps_ms[:, np.newaxis], place)
        above = seen.elevation_rad.min(axis=0) > 0.2
        places = np.broadcast_to(place, (600, 3))
        value, rate = air.storm(places, seen.direction[:, above], gps_ms, np.array(0.015))
        assert np.sqrt(np.mean(rate**2)) == pytest.approx(0.015, rel=0.3)
        steps = np.diff(value, axis=0)
        assert np.sqrt(np.mean(steps**2)) == pytest.approx(0.015, rel=0.4)
