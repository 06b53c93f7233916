"""A rover's log beside a stream: same time, another zone, another session; by clock or by sky."""

import numpy as np
import pytest

from rtcmtool.gnss.ephemerides import group_by_satellite
from rtcmtool.gnss.time import utc_ns_from_gps_ms
from rtcmtool.gnss.visibility import visible_satellites
from rtcmtool.monitor.rover_join import join, sky_shift_s
from rtcmtool.monitor.rover_log import SkySample
from tests.made_skies import constellation
from tests.monitor.test_rover_log import FIRST_MS, columns
from tests.streams import ARP_M, START_MS


@pytest.mark.parametrize(
    ("shift_s", "kind", "zone_h"),
    [(0, "same", 0), (50, "same", 0), (7200, "zone", 2), (-5 * 3600 - 1800, "zone", -5.5),
     (86_400, "apart", 0), (40 * 60, "apart", 0)],
)  # fmt: skip
def test_a_log_is_joined_set_in_another_zone_or_apart(
    shift_s: int, kind: str, zone_h: float
) -> None:
    fixes = columns([4] * 300)
    stream = FIRST_MS - shift_s * 1000, FIRST_MS - shift_s * 1000 + 300_000
    found = join(fixes, stream)
    assert (found.kind, found.shift_s / 3600) == (kind, zone_h)


def test_without_a_date_nothing_is_joined() -> None:
    assert join(columns([4] * 30), None).kind == "unknown"


def test_a_log_that_overlaps_in_a_wrong_zone_is_put_right_by_its_satellites() -> None:
    # Three hours of both; the log is one hour ahead, so two hours overlap as it stands.
    hours = columns([4] * 10_800)
    stream = FIRST_MS - 3_600_000, FIRST_MS - 3_600_000 + 10_800_000
    silent = join(hours, stream)
    assert (silent.kind, silent.shift_s, silent.doubt_s) == ("same", 0.0, 3600.0)
    told = join(hours, stream, 3600.0)
    assert (told.kind, told.shift_s, told.by_sky) == ("zone", 3600.0, True)
    assert told.overlap_s == pytest.approx(10_799, abs=1)


def test_satellites_tell_another_session_from_another_zone() -> None:
    # The log of a session two hours later would fit as another zone; its sky says that it is UTC.
    fixes = columns([4] * 300)
    stream = FIRST_MS - 7_200_000, FIRST_MS - 7_200_000 + 300_000
    assert join(fixes, stream).kind == "zone"
    told = join(fixes, stream, 0.0)
    assert told.kind == "apart"
    assert told.apart_s == pytest.approx(6900.0, abs=1.0)


def test_no_zone_is_guessed_where_the_satellites_stand_so_at_no_time() -> None:
    fixes = columns([4] * 300)
    stream = FIRST_MS - 7_200_000, FIRST_MS - 7_200_000 + 300_000
    assert join(fixes, stream, np.nan).kind == "apart"


def test_a_zone_that_leads_elsewhere_is_apart_although_the_times_overlap() -> None:
    fixes = columns([4] * 300)
    told = join(fixes, (FIRST_MS, FIRST_MS + 300_000), 3600.0)
    assert (told.kind, told.shift_s, told.by_sky) == ("apart", 3600.0, True)
    assert told.apart_s < 0


def samples(shift_s: float, count: int = 3, satellites: int = 30) -> list[SkySample]:
    """Give what a rover under the made sky tells in GSV, its clock ahead of UTC by so much."""
    found = []
    for index in range(count):
        gps_ms = START_MS + index * 60_000
        seen = visible_satellites(constellation(), gps_ms, ARP_M, above_deg=5.0)
        utc_ms = utc_ns_from_gps_ms(gps_ms) // 1_000_000 + round(1000 * shift_s)
        found.append(
            SkySample(
                utc_ms, seen.satellites[:satellites],
                np.rint(seen.azimuth_deg[:satellites]), np.rint(seen.elevation_deg[:satellites]),
            )
        )  # fmt: skip
    return found


@pytest.mark.parametrize("hours", [0.0, 1.0, -1.0, 5.75, -9.5, 14.0])
def test_the_zone_is_found_by_where_the_satellites_stand(hours: float) -> None:
    orbits = group_by_satellite(constellation())
    assert sky_shift_s(samples(3600 * hours), orbits, START_MS, ARP_M) == 3600 * hours


def test_a_clock_some_minutes_off_is_no_zone_and_too_few_satellites_tell_none() -> None:
    orbits = group_by_satellite(constellation())
    assert np.isnan(sky_shift_s(samples(450.0), orbits, START_MS, ARP_M) or 0.0)
    assert sky_shift_s(samples(0.0, satellites=4), orbits, START_MS, ARP_M) is None
    assert sky_shift_s([], orbits, START_MS, ARP_M) is None
    assert sky_shift_s(samples(0.0), {}, START_MS, ARP_M) is None
    a_day_later = START_MS + 86_400_000  # orbits of another day are not used
    assert sky_shift_s(samples(0.0), orbits, a_day_later, ARP_M) is None
