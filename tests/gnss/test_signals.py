"""Checks of names and carriers against figures of the interface documents and the mask table."""

import math

import pytest

from rtcmtool.gnss import signals
from rtcmtool.gnss.signals import (
    SYSTEMS,
    band,
    band_label,
    carrier_hz,
    satellite_name,
    wavelength_m,
)

# RTCM 10403.x signal masks, every signal that has a name
MASK_SIGNALS = {
    "G": "1C 1P 1W 2C 2P 2W 2S 2L 2X 5I 5Q 5X 1S 1L 1X",
    "R": "1C 1P 2C 2P",
    "E": "1C 1A 1B 1X 1Z 6C 6A 6B 6X 6Z 7I 7Q 7X 8I 8Q 8X 5I 5Q 5X",
    "S": "1C 5I 5Q 5X",
    "J": "1C 6S 6L 6X 2S 2L 2X 5I 5Q 5X 1S 1L 1X",
    "C": "2I 2Q 2X 6I 6Q 6X 7I 7Q 7X 5D 5P 5X 7D 1D 1P 1X",
    "I": "9A 5A",
}


@pytest.mark.parametrize(
    ("system", "signal", "megahertz"),
    [
        ("G", "1C", 1575.42),
        ("G", "2W", 1227.60),
        ("G", "5Q", 1176.45),
        ("E", "1X", 1575.42),
        ("E", "5Q", 1176.45),
        ("E", "7Q", 1207.14),
        ("E", "8X", 1191.795),
        ("E", "6C", 1278.75),
        ("C", "2I", 1561.098),
        ("C", "6I", 1268.52),
        ("C", "7I", 1207.14),
        ("C", "1P", 1575.42),
        ("C", "5P", 1176.45),
        ("J", "6L", 1278.75),
        ("I", "9A", 2492.028),
        ("R", "3Q", 1202.025),
        ("S", "1C", 1575.42),
    ],
)
def test_carriers_are_those_of_the_interface_documents(system, signal, megahertz):
    assert carrier_hz(system, signal) == pytest.approx(megahertz * 1e6, abs=1e-3)


def test_carriers_are_whole_multiples_of_the_satellites_base_clock():
    # GPS, Galileo, QZSS and the BeiDou band plan: multiples of half of 1.023 MHz
    for system in "GEJC":
        for signal in MASK_SIGNALS[system].split():
            multiple = carrier_hz(system, signal) / 511_500
            assert multiple == pytest.approx(round(multiple), abs=1e-9)


def test_glonass_carriers_need_the_channel():
    # GLONASS ICD 5.1: 1602 + 0.5625 k and 1246 + 0.4375 k MHz; the ratio is 9 to 7
    assert carrier_hz("R", "1C", 0) == 1602.0e6
    assert carrier_hz("R", "1P", 6) == 1605.375e6
    assert carrier_hz("R", "2C", -7) == 1242.9375e6
    for channel in signals.GLONASS_CHANNELS:
        ratio = carrier_hz("R", "1C", channel) / carrier_hz("R", "2C", channel)
        assert ratio == pytest.approx(9 / 7, rel=1e-15)
    assert math.isnan(carrier_hz("R", "1C"))
    assert math.isnan(carrier_hz("R", "2P", None))


def test_every_signal_of_the_masks_has_a_carrier_and_a_label():
    for system, names in MASK_SIGNALS.items():
        for signal in names.split():
            assert carrier_hz(system, signal, 1) > 1.1e9
            assert band_label(system, signal) != "?"
            assert band(system, signal) == signal[0]


def test_reserved_signals_have_neither_band_nor_carrier():
    for system in SYSTEMS:
        assert math.isnan(carrier_hz(system, "?07", 1))
        assert band(system, "?07") == "?"
        assert band_label(system, "?07") == "?"
        assert math.isnan(wavelength_m(system, "?07"))


def test_satellites_are_named_as_in_rinex():
    assert satellite_name("G", 32) == "G32"
    assert satellite_name("R", 7) == "R07"
    assert satellite_name("J", 7) == "J07"  # PRN 199
    assert satellite_name("S", 39) == "S58"  # PRN 158: the last of RINEX's S20 to S58
    with pytest.raises(KeyError):
        satellite_name("X", 1)


def test_wavelengths_are_the_known_ones():
    # trade-facts 5.5
    assert wavelength_m("G", "1C") == pytest.approx(0.190294, abs=5e-7)
    assert wavelength_m("G", "2W") == pytest.approx(0.244210, abs=5e-7)
    assert wavelength_m("G", "5Q") == pytest.approx(0.254828, abs=5e-7)


def test_short_names_lead_back_to_the_letters():
    assert signals.LETTERS == {
        "GPS": "G",
        "GLO": "R",
        "GAL": "E",
        "SBS": "S",
        "QZS": "J",
        "BDS": "C",
        "NAV": "I",
    }
