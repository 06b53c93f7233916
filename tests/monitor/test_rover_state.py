from functools import reduce
from operator import xor

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rtcmtool.gnss.time import iso_utc
from rtcmtool.monitor.rover_state import RoverState
from rtcmtool.monitor.steady_clock import Moment
from tests.monitor.following import UTC_NS

NOW = Moment(UTC_NS, UTC_NS)


def sentence(text: str) -> bytes:
    return f"${text}*{reduce(xor, text.encode()):02X}\r\n".encode()


def gga(time: str, quality: int = 4, age: str = "1.0", station: str = "0417") -> bytes:
    return sentence(
        f"GNGGA,{time},1200.0000,N,03400.6000,W,{quality},14,0.8,60.1,M,-17.0,M,{age},{station}"
    )


def test_a_published_sentence_is_read() -> None:
    # The example of many receiver manuals; NMEA 0183, from memory. Its check sum is 47.
    line = b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n"
    rover = RoverState()
    rover.feed(line, NOW)
    (fix,) = rover.finish()
    assert fix.latitude_deg == pytest.approx(48 + 7.038 / 60)
    assert fix.longitude_deg == pytest.approx(11 + 31 / 60)
    assert (fix.quality, fix.satellites, fix.hdop, fix.height_m) == (1, 8, 0.9, 545.4)
    assert (fix.geoid_separation_m, fix.age_s, fix.station) == (46.9, None, None)


def test_sentences_of_one_time_are_one_fix() -> None:
    rover = RoverState()
    data = (
        gga("065943.00")
        + sentence("GNGST,065943.00,5.1,,,,0.011,0.009,0.019")
        + sentence("GNRMC,065943.00,A,1200.0,N,03400.6,W,0.0,,040326,,,R")
        + gga("065944.00", quality=5)
    )
    (fix,) = rover.feed(data, NOW)
    assert fix.word == "fixed"
    assert fix.accuracy is not None
    assert fix.accuracy.height_m == pytest.approx(0.019)
    assert (fix.age_s, fix.station, fix.satellites) == (1.0, "0417", 14)
    assert fix.latitude_deg == pytest.approx(12.0)
    assert fix.longitude_deg == pytest.approx(-34.01)
    assert fix.utc_ns is not None
    assert iso_utc(fix.utc_ns) == "2026-03-04T06:59:43.000Z"
    assert rover.finish()[0].word == "float"
    assert [change.quality for change in rover.changes] == [4, 5]
    assert rover.qualities == {4: 1, 5: 1}


def test_a_wrong_check_sum_is_counted_and_left_out() -> None:
    rover = RoverState()
    rover.feed(gga("065943.00").replace(b",4,14", b",5,14") + gga("065944.00"), NOW)
    (fix,) = rover.finish()
    assert (rover.wrong_sums, rover.sentences, fix.quality) == (1, 1, 4)


def test_around_midnight_the_nearest_day_is_taken() -> None:
    midnight = UTC_NS // (86_400 * 10**9) * 86_400 * 10**9
    rover = RoverState()
    rover.feed(gga("235959.00"), Moment(midnight, midnight + 500_000_000))
    (fix,) = rover.finish()
    assert fix.utc_ns == midnight - 10**9


def test_satellites_in_view_are_gathered() -> None:
    rover = RoverState()
    rover.feed(
        sentence("GPGSV,2,1,05,05,61,120,47,12,40,044,44,13,22,301,39,15,10,200,")
        + sentence("GPGSV,2,2,05,24,05,020,31"),
        NOW,
    )
    views = rover.in_view["GP"]
    assert [view.satellite for view in views] == ["GP05", "GP12", "GP13", "GP15", "GP24"]
    assert (views[0].elevation_deg, views[0].cnr_dbhz, views[3].cnr_dbhz) == (61.0, 47.0, None)


@given(st.lists(st.integers(1, 100), max_size=20))
def test_it_does_not_matter_how_the_bytes_are_cut(sizes: list[int]) -> None:
    data = b"".join(gga(f"0659{second:02d}.00", 4 + second % 2) for second in range(6))
    rover, fixes, at = RoverState(), [], 0
    for size in [*sizes, len(data)]:
        fixes += rover.feed(data[at : at + size], NOW)
        at += size
    fixes += rover.finish()
    assert [fix.quality for fix in fixes] == [4, 5, 4, 5, 4, 5]


@given(st.lists(st.one_of(st.binary(max_size=80), st.text(max_size=60).map(
    lambda text: sentence("GNGGA," + text.replace("*", "").replace("\n", "").replace("\r", ""))
    if text.isascii() else b""
)), max_size=10))  # fmt: skip
def test_nothing_that_comes_breaks_it(pieces: list[bytes]) -> None:
    rover = RoverState()
    for piece in pieces:
        rover.feed(piece, NOW)
    rover.finish()


def test_its_size_does_not_grow() -> None:
    rover = RoverState()
    for second in range(5000):
        clock = f"{second // 3600:02d}{second // 60 % 60:02d}{second % 60:02d}.00"
        rover.feed(gga(clock), NOW)
    rover.feed(b"x" * 100_000, NOW)
    assert len(rover.fixes) == 3600
    assert rover.qualities[4] == 4999
