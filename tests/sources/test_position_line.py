import pytest

from rtcmtool.sources.position_line import Position, checksum, position_line

NOON_NS = 1_772_625_600 * 10**9  # 2026-03-04T12:00:00Z


def test_the_checksum_is_that_of_a_published_sentence() -> None:
    # An example printed in many introductions to NMEA 0183; from memory.
    body = "GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"
    assert checksum(body) == 0x47


@pytest.mark.parametrize(
    ("latitude_deg", "longitude_deg", "place"),
    [
        (48.1173, 11.516667, "4807.0380,N,01131.0000,E"),
        (-0.5, -179.999999999, "0030.0000,S,18000.0000,W"),
        (0.0, 0.0, "0000.0000,N,00000.0000,E"),
    ],
)
def test_a_place_is_written_in_degrees_and_minutes(latitude_deg, longitude_deg, place) -> None:
    line = position_line(Position(latitude_deg, longitude_deg, 1.0), NOON_NS)
    assert line.startswith(f"$GPGGA,120000.00,{place},1,")
