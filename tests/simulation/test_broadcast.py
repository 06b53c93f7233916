"""Records become messages and come back within a step of each field."""

import math
from dataclasses import fields, replace

import pytest

from rtcmtool.errors import EncodeError
from rtcmtool.gnss.ephemerides import GlonassEphemeris, KeplerEphemeris
from rtcmtool.gnss.orbits import group_delay_s
from rtcmtool.gnss.rinex_navigation import parse_navigation
from rtcmtool.simulation.broadcast import (
    as_broadcast,
    as_f_nav,
    ephemeris_message,
    message_number,
    message_values,
)
from rtcmtool.wire.catalogue import LAYOUTS
from rtcmtool.wire.decoding import Message
from rtcmtool.wire.ephemeris_records import ephemeris_from_message
from rtcmtool.wire.layout import Field
from rtcmtool.wire.records import read_record
from tests.gnss.synthetic import glonass, kepler

ANGLES = {"i0_rad", "omega0_rad", "omega_rad", "m0_rad"}
# What the recording has and the messages have not, or in another form.
NO_FIELD = {"delta_tau_n_s", "accuracy_m", "transmitted_gps_s"}


def steps(number):
    """Give the step of each field of a message, in its unit."""
    return {
        part.name: float(part.scale) * (math.pi if part.semicircles else 1.0)
        for part in LAYOUTS[number].parts
        if isinstance(part, Field)
    }


def differences(first, second):
    """Give the names of fields that differ by more than half a step of the message."""
    step = steps(message_number(first))
    found = set()
    for name in {field.name for field in fields(first)} - NO_FIELD:
        here, there = getattr(first, name), getattr(second, name)
        if name in step and isinstance(here, float):
            off = math.remainder(here - there, 2.0 * math.pi) if name in ANGLES else here - there
            if not abs(off) <= 0.500001 * step[name]:
                found.add(name)
        elif here != there and not (isinstance(here, float) and math.isnan(here)):
            found.add(name)
    return found


@pytest.mark.open_data
def test_recorded_records_of_all_systems_come_back_from_their_messages(open_data):
    """Known of the recording: BeiDou clock epochs 14 s early; GLONASS B_n of 4 means healthy."""
    records = parse_navigation((open_data / "mixed-navigation-rinex4.rnx").read_text()).ephemerides
    found = {(one.satellite, one.source, *differences(one, as_broadcast(one))) for one in records}
    assert {one.system for one in records} == set("GRECJI")
    assert {entry for entry in found if entry[0][0] in "GEJI" and len(entry) > 2} == set()
    beidou = {entry[2:] for entry in found if entry[0][0] == "C"}
    assert beidou == {("toc_gps_s",)}
    assert {entry[2:] for entry in found if entry[0][0] == "R"} <= {(), ("health",)}


def test_a_message_decodes_to_the_rounded_record():
    for record in (kepler("G", 5, issue_of_clock=0), kepler("C", 23), kepler("J", 2), glonass()):
        layout = LAYOUTS[message_number(record)]
        decoded = Message(0, layout, read_record(layout, ephemeris_message(record)))
        sent_ms = round(record.transmitted_gps_s * 1000)
        expected = replace(as_broadcast(record), transmitted_gps_s=sent_ms / 1000)
        assert repr(ephemeris_from_message(decoded, sent_ms)) == repr(expected)


def test_rounding_a_rounded_record_changes_nothing():
    for record in (kepler("G", 5), kepler("E", 11), kepler("C", 3), glonass()):
        once = as_broadcast(record)
        assert repr(as_broadcast(once)) == repr(once)


def test_both_galileo_clocks_agree_on_e1():
    """Galileo OS SIS ICD 5.1.5: each clock less its own delay is the time of E1."""
    i_nav = kepler("E", 11, bgd_e5a_e1_s=4.2e-9, bgd_e5b_e1_s=5.1e-9)
    f_nav = as_f_nav(i_nav)
    assert (message_number(i_nav), message_number(f_nav)) == (1046, 1045)
    here = i_nav.af0_s - group_delay_s(i_nav, "1C")
    there = f_nav.af0_s - group_delay_s(f_nav, "1C")
    assert there == pytest.approx(here, abs=2e-10)  # a step of the delay is 2.3e-10 s
    assert message_values(f_nav)["m0_rad"] == message_values(as_broadcast(i_nav))["m0_rad"]


def test_galileo_health_survives_in_the_message_it_belongs_to():
    health = 2 << 7 | 1 << 6 | 3 << 1 | 1
    assert as_broadcast(kepler("E", 11, health=health)).health == health
    f_nav = kepler("E", 11, source="fnav", health=1 << 4 | 1 << 3)
    assert as_broadcast(f_nav).health == 1 << 4 | 1 << 3


def test_accuracies_become_the_first_index_that_is_not_better():
    """IS-GPS-200: index 0 up to 2.4 m is sent as 2.0; nominal values double."""
    assert message_values(kepler("G", 5, accuracy_m=2.0))["ura_index"] == 0
    assert message_values(kepler("G", 5, accuracy_m=2.5))["ura_index"] == 1
    assert message_values(kepler("G", 5, accuracy_m=9e9))["ura_index"] == 15
    assert message_values(kepler("E", 11, accuracy_m=3.12))["sisa_index"] == 107
    assert message_values(kepler("E", 11))["sisa_index"] == 255


def test_the_frame_time_of_glonass_has_hours_minutes_and_half_minutes():
    record = glonass()
    moscow_s = (record.transmitted_gps_s - 18 + 3 * 3600) % 86_400
    raw = message_values(record)["tk_s"]
    told = (raw >> 7) * 3600 + (raw >> 1 & 63) * 60 + (raw & 1) * 30
    assert told == moscow_s // 30 * 30


def test_an_element_that_does_not_fit_is_refused():
    with pytest.raises(EncodeError, match="eccentricity"):
        ephemeris_message(kepler("G", 5, eccentricity=0.6))
    far = glonass(x_m=1.5e8)
    assert isinstance(far, GlonassEphemeris)
    with pytest.raises(EncodeError, match="x_m"):
        ephemeris_message(far)


def test_half_a_turn_to_the_last_bit_is_written_as_minus_half_a_turn() -> None:
    # IS-GPS-200: 32 bits of 2^-31 semicircles hold -1 and not +1.
    record = replace(kepler("G", 5), omega0_rad=math.pi)
    written = as_broadcast(record)
    assert isinstance(written, KeplerEphemeris)
    assert written.omega0_rad == -math.pi
