"""Sizes from memory of RTCM 10403.x; the example messages are those of the standard."""

import pytest

from rtcmtool.wire.catalogue import LAYOUTS
from rtcmtool.wire.records import read_record, values_of
from tests.wire.messages.parts import bits_of

EXAMPLE_1005 = bytes.fromhex("3ED7D302029 80EDEEF34B4BD62AC0941986F33".replace(" ", ""))


@pytest.mark.parametrize(("number", "bits"), [(1005, 152), (1006, 168), (1032, 156)])
def test_positions_have_a_fixed_size(number, bits):
    assert bits_of(LAYOUTS[number]) == bits


def test_texts_add_eight_bits_a_character():
    n, m, i, j, k = 20, 6, 11, 5, 7
    antenna = {"antenna_descriptor_bytes": n}
    serial = antenna | {"antenna_serial_bytes": m}
    receiver = serial | {
        "receiver_type_bytes": i,
        "receiver_firmware_bytes": j,
        "receiver_serial_bytes": k,
    }
    assert bits_of(LAYOUTS[1007], **antenna) == 40 + 8 * n
    assert bits_of(LAYOUTS[1008], **serial) == 48 + 8 * (n + m)
    assert bits_of(LAYOUTS[1033], **receiver) == 72 + 8 * (n + m + i + j + k)


def test_system_parameters_add_29_bits_an_announcement():
    assert bits_of(LAYOUTS[1013]) == 70
    assert bits_of(LAYOUTS[1013], announcement_count=31) == 70 + 29 * 31


@pytest.mark.parametrize("mask", range(16))
def test_code_phase_biases_add_16_bits_a_set_bit(mask):
    assert bits_of(LAYOUTS[1230], bias_mask=mask) == 32 + 16 * mask.bit_count()


def test_the_most_significant_bit_of_the_mask_brings_the_first_bias():
    head = f"{1230:012b}{17:012b}1000"
    bits = head + "1000" + f"{100:016b}"
    record = read_record(LAYOUTS[1230], int(bits, 2).to_bytes(6, "big"))
    values = values_of(LAYOUTS[1230], record)
    assert values == {
        "aligned": True,
        "bias_1c_m": 2.0,
        "bias_1p_m": None,
        "bias_2c_m": None,
        "bias_2p_m": None,
    }


def test_the_example_of_the_standard_gives_its_position():
    record = read_record(LAYOUTS[1005], EXAMPLE_1005)
    values = values_of(LAYOUTS[1005], record)
    assert record["station"] == 2003
    assert values["arp_ecef_m"] == [1114104.5999, -4850729.7108, 3975521.4643]
    assert (values["gps"], values["glonass"], values["galileo"]) == (True, False, False)


def test_the_position_stays_in_the_fields_one_by_one():
    values = values_of(LAYOUTS[1005], read_record(LAYOUTS[1005], EXAMPLE_1005))
    assert [values["x_m"], values["y_m"], values["z_m"]] == values["arp_ecef_m"]
