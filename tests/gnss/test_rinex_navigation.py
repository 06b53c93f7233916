"""Checks of the navigation parser on recorded files and on lines typed from the format's text."""

from collections import Counter

import pytest

from rtcmtool.gnss.atmosphere import Klobuchar
from rtcmtool.gnss.rinex_navigation import parse_navigation
from rtcmtool.gnss.time import gps_ms_from_date


def labelled(text, label):
    return f"{text:<60}{label}"


HEADER_3 = [
    labelled("     3.04           N: GNSS NAV DATA    M: Mixed", "RINEX VERSION / TYPE"),
    labelled("GPSA    .1118D-07   .7451D-08  -.5960D-07  -.5960D-07", "IONOSPHERIC CORR"),
    labelled("GPSB    .9011D+05   .0000D+00  -.1966D+06  -.6554D+05", "IONOSPHERIC CORR"),
    labelled("GAL     .4550D+02   .5859D-01   .2228D-02", "IONOSPHERIC CORR"),
    labelled("    18    18  2031     7", "LEAP SECONDS"),
    labelled("", "END OF HEADER"),
]
HEADER_4 = [
    labelled("     4.00           NAVIGATION DATA     M", "RINEX VERSION / TYPE"),
    labelled("", "END OF HEADER"),
]
GLONASS = [
    "R05 2021 03 19 11 45 00  .100000000000D-04  .200000000000D-11  .474000000000D+06",
    "      .100000000000D+05  .100000000000D+01  .931322574615D-09  .000000000000D+00",
    "      .200000000000D+05 -.200000000000D+01  .000000000000D+00 -.700000000000D+01",
    "     -.120000000000D+05  .300000000000D+01 -.186264514923D-08  .000000000000D+00",
]


def parse(*lines):
    return parse_navigation("\n".join(lines) + "\n")


def test_a_file_that_is_no_navigation_file_is_refused():
    observation = labelled("     3.04           OBSERVATION DATA    M", "RINEX VERSION / TYPE")
    version_2 = labelled("     2.11           N: GPS NAV DATA", "RINEX VERSION / TYPE")
    for text in ("", "hello", observation, version_2):
        with pytest.raises(ValueError, match="no RINEX 3 or 4 navigation file"):
            parse_navigation(text)
    with pytest.raises(ValueError, match="END OF HEADER"):
        parse_navigation(HEADER_3[0])


def test_the_header_gives_ionosphere_and_leap_seconds():
    data = parse(*HEADER_3)
    assert data.version == 3.04
    assert data.leap_seconds == 18
    assert data.klobuchar == {
        "G": Klobuchar(
            (1.118e-8, 7.451e-9, -5.96e-8, -5.96e-8), (90110.0, 0.0, -196600.0, -65540.0)
        )
    }


def test_a_glonass_record_is_turned_to_gps_time_metres_and_the_broadcast_sign():
    (record,) = parse(*HEADER_3, *GLONASS).ephemerides
    assert record.satellite == "R05"
    assert record.tb_gps_s * 1000 == gps_ms_from_date(2021, 3, 19, 11, 45, 18)
    assert record.transmitted_gps_s == record.tb_gps_s - 300.0
    assert record.tau_n_s == -1e-5
    assert record.gamma_n == 2e-12
    assert (record.x_m, record.vx_m_s, record.z_m) == (1e7, 1000.0, -1.2e7)
    assert record.ax_m_s2 == pytest.approx(9.31322574615e-7)
    assert record.frequency_channel == -7
    assert record.issue_of_data == 59  # 14:45 Moscow time in quarters of an hour


def test_a_damaged_record_is_counted_and_the_rest_is_read():
    broken = [GLONASS[0], GLONASS[1].replace("+05", "+xx"), *GLONASS[2:]]
    short = GLONASS[:2]
    data = parse(*HEADER_3, *broken, *short, *GLONASS)
    assert len(data.ephemerides) == 1
    assert data.malformed == 2


def test_version_4_names_its_records_and_carries_the_ionosphere():
    ion = [
        "> ION G01 LNAV",
        "    2021 03 19 12 00 00 1.118000000000E-08 7.451000000000E-09-5.960000000000E-08",
        "    -5.960000000000E-08 9.011000000000E+04 0.000000000000E+00-1.966000000000E+05",
        "    -6.554000000000E+04 0.000000000000E+00",
    ]
    other = ["> STO G01 LNAV", "    2021 03 19 12 00 00 GPUT", "     4.000000000000E+05"]
    data = parse(*HEADER_4, *ion, *other, "> EPH R05 FDMA", *GLONASS, "> EPH R05 L1OC", *GLONASS)
    assert data.klobuchar["G"].beta == (90110.0, 0.0, -196600.0, -65540.0)
    assert [record.satellite for record in data.ephemerides] == ["R05"]
    assert data.skipped == Counter({"R L1OC": 1, "G LNAV": 1})
    assert data.malformed == 0


@pytest.mark.open_data
def test_every_record_of_the_mixed_recording_is_accounted_for(mixed_navigation):
    # counted in the file with a text search for "> EPH"
    kinds = Counter((record.system, record.source) for record in mixed_navigation.ephemerides)
    assert kinds == {
        ("G", "lnav"): 11,
        ("J", "lnav"): 5,
        ("I", "lnav"): 6,
        ("E", "inav"): 49,
        ("E", "fnav"): 48,
        ("C", "d1"): 23,
        ("C", "d2"): 7,
        ("R", "fdma"): 24,
    }
    assert mixed_navigation.skipped == {
        "S SBAS": 37,
        "C CNV1": 13,
        "C CNV2": 14,
        "C CNV3": 14,
        "G CNAV": 8,
        "J CNAV": 5,
        "J CNV2": 4,
        "I L1NV": 2,
        "R L1OC": 2,
        "R L3OC": 16,
    }
    assert mixed_navigation.malformed == 0
    assert mixed_navigation.leap_seconds == 18


@pytest.mark.open_data
def test_recorded_files_of_version_3_are_read_whole(static_navigation, pair_navigation):
    for navigation, expected in (
        (static_navigation, {"Ginav": 0, "Glnav": 24, "Efnav": 105, "Einav": 105, "Jlnav": 8}),
        (pair_navigation, {"Glnav": 49, "Jlnav": 19, "Efnav": 124, "Einav": 129}),
    ):
        kinds = Counter(record.system + record.source for record in navigation.ephemerides)
        assert kinds == Counter(expected)
        assert not navigation.skipped
        assert navigation.malformed == 0
        assert all(record.is_whole for record in navigation.ephemerides)


@pytest.mark.open_data
def test_the_fields_of_a_recorded_set_stand_in_their_places(static_navigation):
    record = static_navigation.ephemerides[0]
    assert record.satellite == "E08"
    assert record.source == "inav"
    assert record.toc_gps_s * 1000 == gps_ms_from_date(2021, 3, 19, 10, 40)
    assert record.toe_gps_s == record.toc_gps_s == 2149 * 604_800 + 470_400
    assert record.transmitted_gps_s == 2149 * 604_800 + 471_604
    assert record.af0_s == 0.00603088719072
    assert record.crs_m == -38.5
    assert record.sqrt_a_sqrt_m == 5440.61199188
    assert record.idot_rad_s == -1.34648465792e-10
    assert record.accuracy_m == 3.12
    assert record.bgd_e5a_e1_s == -3.95812094212e-9
    assert record.bgd_e5b_e1_s == -4.42378222942e-9
    assert record.issue_of_data == 16


@pytest.mark.open_data
def test_beidou_times_are_turned_to_gps_time(mixed_navigation):
    record = next(record for record in mixed_navigation.ephemerides if record.satellite == "C28")
    # toe 432000 s of BDT week 1016, that is 2025-06-27 00:00:00 BDT
    assert record.toe_gps_s == (1016 + 1356) * 604_800 + 432_000 + 14
    assert record.tgd1_s == -3.9e-9
    assert record.issue_of_clock == 1
