"""Checks of the delay models against worked examples of their documents."""

import numpy as np
import pytest

from rtcmtool.gnss.atmosphere import (
    Klobuchar,
    do229_m,
    do229_mapping,
    do229_zenith_m,
    hydrostatic_zenith_m,
    klobuchar_m,
    metres_per_tecu,
    saastamoinen_m,
    saastamoinen_zenith_m,
    wet_zenith_m,
)

EXAMPLE = Klobuchar((3.82e-8, 1.49e-8, -1.79e-7, 0.0), (1.43e5, 0.0, -3.28e5, 1.13e5))


def slant_klobuchar(model=EXAMPLE, longitude_deg=-100.0, second=74_700.0, **changes):
    """Evaluate the teaching example: 40 N, 20 deg high, azimuth 210, 20:45:00."""
    return klobuchar_m(
        model,
        np.radians(40.0),
        np.radians(longitude_deg),
        np.radians(210.0),
        np.radians(20.0),
        gps_second_of_day=second,
        **changes,
    )


def test_the_broadcast_ionosphere_gives_the_teaching_example():
    assert slant_klobuchar() == pytest.approx(23.784, abs=1e-3)  # trade-facts 5.7
    assert slant_klobuchar(longitude_deg=260.0) == pytest.approx(23.784, abs=1e-3)


def test_the_ionosphere_goes_with_the_inverse_square_of_the_frequency():
    ratio = slant_klobuchar(frequency_hz=1227.60e6) / slant_klobuchar()
    assert ratio == pytest.approx((77 / 60) ** 2, rel=1e-12)
    # computations.md 5.1: 0.105067 m per TECU between L1 and L2
    difference = metres_per_tecu(1227.60e6) - metres_per_tecu(1575.42e6)
    assert difference == pytest.approx(0.105067, abs=1e-6)


def test_at_night_five_nanoseconds_are_left():
    # IS-GPS-200: 5e-9 s times the slant factor 1 + 16 (0.53 - E)^3
    night = slant_klobuchar(second=30_000.0)
    factor = 1 + 16 * (0.53 - 20 / 180) ** 3
    assert night == pytest.approx(299_792_458.0 * 5e-9 * factor, rel=1e-12)
    assert slant_klobuchar(Klobuchar((0.0,) * 4, (0.0,) * 4)) == pytest.approx(night)


@pytest.mark.parametrize(
    ("latitude", "height", "elevation", "expected"),
    [(45, 0, 90, 2.4274), (45, 0, 10, 13.9791), (35, 100, 30, 4.7953), (45, 1000, 90, 2.1269)],
)
def test_the_standard_atmosphere_gives_the_worked_values(latitude, height, elevation, expected):
    # computations.md 3.1; those values have 288.16 K at sea level, 0.1 mm in the zenith
    delay = saastamoinen_m(np.radians(latitude), height, np.radians(elevation))
    assert delay == pytest.approx(expected, abs=5e-4)


def test_zenith_delays_from_measured_weather():
    # trade-facts 5.7
    assert hydrostatic_zenith_m(1013.25, np.radians(45.0), 0.0) == pytest.approx(2.3070, abs=5e-5)
    assert wet_zenith_m(291.15, 10.38) == pytest.approx(0.103, abs=5e-4)


@pytest.mark.parametrize(
    ("latitude", "height", "day", "dry", "wet"),
    [
        (45, 0, 28, 2.3178, 0.0616),
        (45, 0, 211, 2.3076, 0.1867),
        (45, 1000, 28, 2.0419, 0.0423),
        (15, 0, 1, 2.3070, 0.2745),
        (60, 500, 180, 2.1657, 0.1126),
        (-33.5, 50, 15, 2.2946, 0.2419),
    ],
)
def test_the_rtca_model_gives_the_worked_zenith_delays(latitude, height, day, dry, wet):
    got = do229_zenith_m(np.radians(latitude), height, day)
    assert got[0] == pytest.approx(dry, abs=6e-5)
    assert got[1] == pytest.approx(wet, abs=6e-5)


@pytest.mark.parametrize(
    ("latitude", "height", "day", "elevation", "expected"),
    [
        (45, 0, 28, 15, 9.068),
        (45, 0, 211, 5, 25.486),
        (15, 0, 1, 10, 14.411),
        (60, 500, 180, 10, 12.718),
        (-33.5, 50, 15, 20, 7.361),
    ],
)
def test_the_rtca_model_gives_the_worked_slant_delays(latitude, height, day, elevation, expected):
    delay = do229_m(np.radians(latitude), height, np.radians(elevation), day)
    assert delay == pytest.approx(expected, abs=1e-3)


def test_a_receiver_far_from_the_ground_gets_no_number():
    heights = np.array([-6_378_137.0, 20_001.0, 0.0])
    assert np.isnan(saastamoinen_zenith_m(0.6, heights)).tolist() == [True, True, False]
    assert np.isnan(do229_zenith_m(0.6, heights, 28.0)[0]).tolist() == [True, True, False]


def test_arrays_of_satellites_and_times_broadcast():
    elevations = np.radians(np.array([10.0, 45.0, 90.0]))
    assert saastamoinen_m(np.array([[0.6], [0.7]]), 100.0, elevations).shape == (2, 3)
    assert do229_m(0.6, 100.0, elevations, np.array([[1.0], [200.0]])).shape == (2, 3)
    assert do229_mapping(elevations)[2] == pytest.approx(1.0, abs=1e-4)
    delays = klobuchar_m(
        EXAMPLE, 0.6, 2.4, np.zeros(3), elevations, gps_second_of_day=np.array([[0.0], [5e4]])
    )
    assert delays.shape == (2, 3)
    assert (np.diff(delays, axis=1) < 0).all()
