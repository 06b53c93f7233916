"""Ephemeris messages become records whose orbits are those of a navigation file."""

from dataclasses import replace

import numpy as np
import pytest

from rtcmtool.gnss.ephemerides import GlonassEphemeris, KeplerEphemeris
from rtcmtool.gnss.rinex_navigation import parse_navigation
from rtcmtool.gnss.satellites import SatelliteTable, satellite_states
from rtcmtool.gnss.time import gps_ms_from_date
from rtcmtool.wire.catalogue import LAYOUTS
from rtcmtool.wire.decoding import Message
from rtcmtool.wire.encoding import record_of
from rtcmtool.wire.ephemeris_records import ephemeris_from_message
from rtcmtool.wire.layout import Field, Role
from rtcmtool.wire.stream import Chunk, decode_stream

SERVICE_DAY = gps_ms_from_date(2023, 8, 17, 3)
WEEK_TURN = gps_ms_from_date(2026, 3, 8)  # Sunday, 00:00 GPS time


def message(number, **changes):
    """Make a message whose values are all zero but for those given."""
    layout = LAYOUTS[number]
    plain = [
        part
        for part in layout.parts
        if isinstance(part, Field) and part.role in {Role.VALUE, Role.HEAD}
    ]
    values = {part.name: False if part.flag else 0 for part in plain} | changes
    return Message(0, layout, record_of(layout, values))


@pytest.fixture(scope="module")
def received(open_data):
    """Give all records of a recorded service stream."""
    data = (open_data / "ephemerides-ssr.rtcm3").read_bytes()
    batches = decode_stream([Chunk(data)])
    found = [
        ephemeris_from_message(one, SERVICE_DAY) for batch in batches for one in batch.messages
    ]
    return [record for record in found if record is not None]


@pytest.mark.open_data
def test_a_recorded_stream_gives_the_orbits_and_clocks_of_the_navigation_file(received, open_data):
    """Truth: the navigation file of another receiver, same hours."""
    printed = parse_navigation((open_data / "ephemerides-truth.rnx").read_text()).ephemerides
    by_issue = {
        (one.satellite, one.toe_gps_s, one.issue_of_data): one
        for one in printed
        if isinstance(one, KeplerEphemeris)
    }
    pairs = {
        key: (one, by_issue[key])
        for one in received
        if (key := (one.satellite, one.reference_gps_s, one.issue_of_data)) in by_issue
    }
    assert {key[0][0] for key in pairs} == {"G", "E"}
    assert len(pairs) > 20
    ours = SatelliteTable.stack([pair[0] for pair in pairs.values()])
    theirs = SatelliteTable.stack([pair[1] for pair in pairs.values()])
    times = np.array([round(key[1] * 1000) + 1_200_000 for key in pairs])
    here, there = satellite_states(ours, times), satellite_states(theirs, times)
    # the file prints twelve digits: a hundredth of a millimetre in the orbit
    np.testing.assert_allclose(here.position_m, there.position_m, atol=1e-3)
    gps = np.array([key[0][0] == "G" for key in pairs])
    np.testing.assert_allclose(here.clock_s[gps], there.clock_s[gps], atol=1e-14)


@pytest.mark.open_data
def test_every_whole_field_of_a_recorded_record_is_that_of_the_navigation_file(received, open_data):
    printed = parse_navigation((open_data / "ephemerides-truth.rnx").read_text()).ephemerides
    gps = {
        (one.satellite, one.toe_gps_s): one
        for one in printed
        if isinstance(one, KeplerEphemeris) and one.system == "G"
    }
    compared = 0
    for record in received:
        other = gps.get((record.satellite, record.reference_gps_s))
        if other is None or other.issue_of_data != record.issue_of_data:
            continue
        compared += 1
        for name in ("toc_gps_s", "health", "issue_of_clock", "accuracy_m", "source", "is_whole"):
            assert getattr(record, name) == getattr(other, name), (record.satellite, name)
        assert record.tgd_s == pytest.approx(other.tgd_s, abs=1e-19)
    assert compared > 5


def test_a_reference_time_beyond_the_turn_of_the_week_moves_the_record_into_the_next_one():
    """Sent on Saturday evening, for midnight: the week is still the old one."""
    sent = message(1019, satellite=5, week=2408 % 1024, toe_s=0, toc_s=0)
    record = ephemeris_from_message(sent, WEEK_TURN - 3_600_000)
    assert record is not None
    assert record.reference_gps_s == WEEK_TURN / 1000


def test_a_record_of_another_day_keeps_the_week_it_names():
    sent = message(1019, satellite=5, week=2405 % 1024, toe_s=345_600, toc_s=345_600)
    record = ephemeris_from_message(sent, WEEK_TURN)
    assert record is not None
    assert record.reference_gps_s == 2405 * 604_800 + 345_600


def test_without_a_known_time_the_week_is_taken_from_2019_on():
    sent = message(1019, satellite=5, week=2408 % 1024, toe_s=7200, toc_s=7184)
    record = ephemeris_from_message(sent, None)
    assert isinstance(record, KeplerEphemeris)
    assert (record.toe_gps_s, record.toc_gps_s) == (2408 * 604_800 + 7200, 2408 * 604_800 + 7184)
    assert record.transmitted_gps_s == record.toe_gps_s


def test_times_of_beidou_are_fourteen_seconds_behind():
    """BDS-SIS-ICD: BDT was zero at GPS week 1356, 14 s."""
    sent = message(1042, satellite=23, week=2408 - 1356, toe_s=3600, toc_s=3600)
    record = ephemeris_from_message(sent, None)
    assert isinstance(record, KeplerEphemeris)
    assert record.toe_gps_s == 2408 * 604_800 + 3614
    assert (record.satellite, record.source) == ("C23", "d1")


def test_weeks_of_galileo_begin_with_gps_week_1024():
    sent = message(1046, satellite=11, week=2408 - 1024, toe_s=600, toc_s=600)
    record = ephemeris_from_message(sent, None)
    assert record is not None
    assert record.reference_gps_s == 2408 * 604_800 + 600


def test_galileo_health_bits_stand_where_rinex_has_them():
    """RINEX 3.05 table A8, from memory: E5b status in bits 7 and 8, E1-B validity in bit 0."""
    sent = message(1046, satellite=11, week=1384, e5b_health=1, e1b_data_invalid=True)
    record = ephemeris_from_message(sent, None)
    assert record is not None
    assert record.health == 1 << 7 | 1
    assert not record.is_healthy
    sent = message(1045, satellite=11, week=1384, e5a_health=3)
    record = ephemeris_from_message(sent, None)
    assert record is not None
    assert (record.health, record.source) == (3 << 4, "fnav")


def test_glonass_counts_quarters_of_an_hour_of_its_own_day():
    """UTC + 3 h: 11:15 is 08:15 UTC, 18 leap seconds later by GPS."""
    sent = message(1020, satellite=7, frequency_channel=5, tb_s=11 * 3600 + 900, tau_n_s=2.0**-20)
    record = ephemeris_from_message(sent, gps_ms_from_date(2026, 3, 4, 8, 3, 7))
    assert isinstance(record, GlonassEphemeris)
    assert record.tb_gps_s == gps_ms_from_date(2026, 3, 4, 8, 15, 18) / 1000
    assert record.transmitted_gps_s == gps_ms_from_date(2026, 3, 4, 8, 3, 7) / 1000
    assert (record.frequency_channel, record.issue_of_data, record.tau_n_s) == (5, 45, 2.0**-20)


def test_without_a_known_time_glonass_tells_its_own_day():
    """GLONASS ICD, from memory: four-year periods from 1996; day 1 is 1 January of the leap year.

    4 March 2026 is day 366 + 365 + 31 + 28 + 4 of the period that began in 2024.
    """
    day = 366 + 365 + 31 + 28 + 4
    sent = message(1020, satellite=7, frequency_channel=5, tb_s=40_500, m_n4=8, m_nt=day)
    record = ephemeris_from_message(sent, None)
    assert record is not None
    assert record.reference_gps_s == gps_ms_from_date(2026, 3, 4, 8, 15, 18) / 1000
    nameless = message(1020, satellite=7, frequency_channel=5, tb_s=40_500)
    assert ephemeris_from_message(nameless, None) is None


def test_a_sick_glonass_satellite_says_so():
    sick = message(1020, satellite=7, frequency_channel=0, bn_msb=True)
    record = ephemeris_from_message(sick, WEEK_TURN)
    assert record is not None
    assert not record.is_healthy


def test_what_is_no_ephemeris_of_the_system_gives_none():
    unknown_slot = message(1020, satellite=0, frequency_channel=0)
    assert ephemeris_from_message(unknown_slot, WEEK_TURN) is None
    augmentation = message(1019, satellite=40, week=5)
    assert ephemeris_from_message(augmentation, WEEK_TURN) is None
    position = Message(0, LAYOUTS[1005], {})
    assert ephemeris_from_message(position, WEEK_TURN) is None


def test_a_delay_that_is_not_available_is_no_number():
    """IS-QZSS: TGD of -128 units means not available."""
    sent = message(1044, satellite=2, week=2408 % 1024, tgd_s=None)
    record = ephemeris_from_message(sent, None)
    assert isinstance(record, KeplerEphemeris)
    assert np.isnan(record.tgd_s)
    assert record == replace(record, tgd_s=record.tgd_s)


def test_navic_flags_become_health():
    sent = message(1041, satellite=3, week=2408 % 1024, l5_flag=True)
    record = ephemeris_from_message(sent, None)
    assert isinstance(record, KeplerEphemeris)
    assert (record.satellite, record.health, record.is_healthy) == ("I03", 2, False)
