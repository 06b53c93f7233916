"""Systems, satellites, signals and carriers, named as in RINEX.

A system is its RINEX letter, a signal the two characters of the RINEX 3/4 observation code that
follow the type letter (band and attribute: "1C"). A signal a message marks as reserved is named
"?NN" (NN the index in the signal mask): it has no band and no carrier.

Sources: RINEX 3.05 tables 4 to 10 and RINEX 4.00 for bands and carriers (from memory); GLONASS ICD
5.1 for the channels of the frequency-division signals (from memory).
"""

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

C_M_S = 299_792_458.0  # speed of light, m/s, exact by definition of the metre

FloatArray = npt.NDArray[np.float64]


class System(NamedTuple):
    """A satellite system: its RINEX letter and its names."""

    letter: str
    short_name: str
    full_name: str


SYSTEMS: dict[str, System] = {
    "G": System("G", "GPS", "GPS"),
    "R": System("R", "GLO", "GLONASS"),
    "E": System("E", "GAL", "Galileo"),
    "S": System("S", "SBS", "SBAS"),
    "J": System("J", "QZS", "QZSS"),
    "C": System("C", "BDS", "BeiDou"),
    "I": System("I", "NAV", "NavIC"),
}
LETTERS: dict[str, str] = {system.short_name: letter for letter, system in SYSTEMS.items()}

# What to add to the index in a satellite mask or to the number in a message for the RINEX number.
# RINEX: SBAS satellite 120 is S20, QZSS satellite 193 is J01; RTCM sends both from 1 (mask index
# 1 = PRN 120 and PRN 193), so SBAS needs 19 more.
_NUMBER_OFFSET = {"S": 19}

_L1_HZ = 1_575.42e6
_L2_HZ = 1_227.60e6
_L5_HZ = 1_176.45e6

_CARRIERS_HZ: dict[str, dict[str, float]] = {
    "G": {"1": _L1_HZ, "2": _L2_HZ, "5": _L5_HZ},
    "R": {"3": 1_202.025e6, "4": 1_600.995e6, "6": 1_248.06e6},
    "E": {"1": _L1_HZ, "5": _L5_HZ, "6": 1_278.75e6, "7": 1_207.14e6, "8": 1_191.795e6},
    "S": {"1": _L1_HZ, "5": _L5_HZ},
    "J": {"1": _L1_HZ, "2": _L2_HZ, "5": _L5_HZ, "6": 1_278.75e6},
    "C": {
        "1": _L1_HZ,
        "2": 1_561.098e6,
        "5": _L5_HZ,
        "6": 1_268.52e6,
        "7": 1_207.14e6,
        "8": 1_191.795e6,
    },
    "I": {"1": _L1_HZ, "5": _L5_HZ, "9": 2_492.028e6},
}
_GLONASS_FDMA_HZ = {"1": (1_602.0e6, 562_500.0), "2": (1_246.0e6, 437_500.0)}  # centre, step
GLONASS_CHANNELS = range(-7, 7)  # GLONASS ICD 5.1 table 3.1, from memory

_BAND_LABELS: dict[str, dict[str, str]] = {
    "G": {"1": "L1", "2": "L2", "5": "L5"},
    "R": {"1": "G1", "2": "G2", "3": "G3", "4": "G1a", "6": "G2a"},
    "E": {"1": "E1", "5": "E5a", "6": "E6", "7": "E5b", "8": "E5"},
    "S": {"1": "L1", "5": "L5"},
    "J": {"1": "L1", "2": "L2", "5": "L5", "6": "L6"},
    "C": {"1": "B1C", "2": "B1I", "5": "B2a", "6": "B3I", "7": "B2b", "8": "B2"},
    "I": {"1": "L1", "5": "L5", "9": "S"},
}
_BEIDOU_2_ATTRIBUTES = frozenset("IQX")  # of band 7: B2I of BeiDou-2; D, P and Z are B2b


def satellite_name(system: str, number: int) -> str:
    """Name a satellite as RINEX does, from the number a message or a mask counts from 1.

    Parameters
    ----------
    system : str
        RINEX letter.
    number : int
        Satellite as RTCM counts it: PRN or slot, for QZSS PRN - 192, for SBAS PRN - 119.

    Returns
    -------
    str
        Letter and two digits.

    Raises
    ------
    KeyError
        If there is no such system.

    Examples
    --------
    >>> satellite_name("G", 5), satellite_name("J", 1), satellite_name("S", 1)
    ('G05', 'J01', 'S20')
    """
    return f"{SYSTEMS[system].letter}{number + _NUMBER_OFFSET.get(system, 0):02d}"


def band(system: str, signal: str) -> str:
    """Give the RINEX band digit of a signal, "?" where the signal is reserved or unknown.

    Examples
    --------
    >>> band("C", "2I"), band("G", "?07"), band("G", "7Q")
    ('2', '?', '?')
    """
    digit = signal[:1]
    return digit if digit in _BAND_LABELS[system] else "?"


def band_label(system: str, signal: str) -> str:
    """Give the trade's name of a signal's band: L1, G2, E5b, B1I; "?" where unknown.

    `signal` may be the band digit alone; BeiDou band 7 is then called B2b, with the attribute of
    the older signal (I, Q, X) B2I.

    Examples
    --------
    >>> band_label("E", "7Q"), band_label("C", "2I"), band_label("C", "7I"), band_label("R", "2")
    ('E5b', 'B1I', 'B2I', 'G2')
    """
    if system == "C" and signal[:1] == "7" and signal[1:] in _BEIDOU_2_ATTRIBUTES:
        return "B2I"
    return _BAND_LABELS[system].get(signal[:1], "?")


def carrier_hz(system: str, signal: str, glonass_channel: int | None = None) -> float:
    """Give the carrier frequency of a signal.

    Parameters
    ----------
    system : str
        RINEX letter.
    signal : str
        Two characters of the RINEX code, or the band digit alone.
    glonass_channel : int, optional
        Frequency channel, -7 to 6: needed for GLONASS bands 1 and 2, ignored elsewhere.

    Returns
    -------
    float
        Hz; NaN for reserved signals and for GLONASS bands 1 and 2 without a channel.

    Raises
    ------
    KeyError
        If there is no such system.

    Examples
    --------
    >>> carrier_hz("R", "1C", -7), carrier_hz("G", "?07")
    (1598062500.0, nan)
    """
    digit = signal[:1]
    if system == "R" and digit in _GLONASS_FDMA_HZ:
        centre_hz, step_hz = _GLONASS_FDMA_HZ[digit]
        return math.nan if glonass_channel is None else centre_hz + step_hz * glonass_channel
    return _CARRIERS_HZ[system].get(digit, math.nan)


def wavelength_m(system: str, signal: str, glonass_channel: int | None = None) -> float:
    """Give the carrier wavelength of a signal, m; NaN where `carrier_hz` is NaN.

    Examples
    --------
    >>> round(wavelength_m("G", "1C"), 6), round(wavelength_m("E", "5Q"), 6)
    (0.190294, 0.254828)
    """
    return C_M_S / carrier_hz(system, signal, glonass_channel)
