"""Signals and satellites by their index in a message, as RINEX names them.

An index that the tables leave open is reserved; its name is "?" and two digits of the index, so an
observation of it is kept and nothing fails.

Sources: RTCM 10403.x, MSM signal tables and tables of the state-space code biases, from memory; the
state-space columns of QZSS, BDS, SBAS and GPS 17-19, GLONASS 4-12 from memory of IGS SSR v1.00.
Certain: GPS, GLONASS, Galileo, SBAS and QZSS masks and BDS mask up to 16; fairly sure: BDS 22-32
and NavIC.
"""

from rtcmtool.gnss.signals import satellite_name

MSM_SIGNAL_COUNT = 32  # bits of a signal mask
STATE_SPACE_SIGNAL_COUNT = 32  # values of a 5-bit signal field

# First MSM number less one, by system; the last digit is the type, 1 to 7.
MSM_BASES = {"G": 1070, "R": 1080, "E": 1090, "S": 1100, "J": 1110, "C": 1120, "I": 1130}
MSM_TYPES = range(1, 8)
MSM_SYSTEMS: dict[int, str] = {
    base + kind: system for system, base in MSM_BASES.items() for kind in MSM_TYPES
}

# fmt: off
_MSM: dict[str, dict[int, str]] = {
    "G": {2: "1C", 3: "1P", 4: "1W", 8: "2C", 9: "2P", 10: "2W", 15: "2S", 16: "2L", 17: "2X",
          22: "5I", 23: "5Q", 24: "5X", 30: "1S", 31: "1L", 32: "1X"},
    "R": {2: "1C", 3: "1P", 8: "2C", 9: "2P"},
    "E": {2: "1C", 3: "1A", 4: "1B", 5: "1X", 6: "1Z", 8: "6C", 9: "6A", 10: "6B", 11: "6X",
          12: "6Z", 14: "7I", 15: "7Q", 16: "7X", 18: "8I", 19: "8Q", 20: "8X",
          22: "5I", 23: "5Q", 24: "5X"},
    "S": {2: "1C", 22: "5I", 23: "5Q", 24: "5X"},
    "J": {2: "1C", 9: "6S", 10: "6L", 11: "6X", 15: "2S", 16: "2L", 17: "2X",
          22: "5I", 23: "5Q", 24: "5X", 30: "1S", 31: "1L", 32: "1X"},
    "C": {2: "2I", 3: "2Q", 4: "2X", 8: "6I", 9: "6Q", 10: "6X", 14: "7I", 15: "7Q", 16: "7X",
          22: "5D", 23: "5P", 24: "5X", 25: "7D", 30: "1D", 31: "1P", 32: "1X"},
    "I": {8: "9A", 22: "5A"},
}
_STATE_SPACE: dict[str, str] = {  # from index 0 on
    "G": "1C 1P 1W 1Y 1M 2C 2D 2S 2L 2X 2P 2W 2Y 2M 5I 5Q 5X 1S 1L 1X",
    "R": "1C 1P 2C 2P 4A 4B 4X 6A 6B 6X 3I 3Q 3X",
    "E": "1A 1B 1C 1X 1Z 5I 5Q 5X 7I 7Q 7X 8I 8Q 8X 6A 6B 6C 6X 6Z",
    "J": "1C 1S 1L 2S 2L 2X 5I 5Q 5X 6S 6L 6X 1X",
    "C": "2I 2Q 2X 6I 6Q 6X 7I 7Q 7X 1D 1P 1X 5D 5P 5X",
    "S": "1C 5I 5Q 5X",
}
# fmt: on


def reserved_signal(index: int) -> str:
    """Name a signal that no table has.

    Examples
    --------
    >>> reserved_signal(7)
    '?07'
    """
    return f"?{index:02d}"


def _table(known: dict[int, str], length: int) -> tuple[str, ...]:
    return tuple(known.get(index) or reserved_signal(index) for index in range(length))


# Signal mask index (1 to 32, 0 unused) to RINEX code.
MSM_SIGNALS: dict[str, tuple[str, ...]] = {
    system: _table(known, MSM_SIGNAL_COUNT + 1) for system, known in _MSM.items()
}

# Signal of a state-space bias (0 to 31) to RINEX code.
STATE_SPACE_SIGNALS: dict[str, tuple[str, ...]] = {
    system: _table(dict(enumerate(codes.split())), STATE_SPACE_SIGNAL_COUNT)
    for system, codes in _STATE_SPACE.items()
}

# Code fields of 1001-1004 and 1009-1012 to RINEX code. Where the field is coarser than RINEX the
# choice is ours: code 0 of GPS L2 is C/A or L2C of a component that is not told.
LEGACY_L1_SIGNALS: dict[str, tuple[str, ...]] = {"G": ("1C", "1P"), "R": ("1C", "1P")}
LEGACY_L2_SIGNALS: dict[str, tuple[str, ...]] = {
    "G": ("2X", "2P", "2D", "2W"),
    "R": ("2C", "2P", reserved_signal(2), reserved_signal(3)),
}


def msm_satellite_name(system: str, index: int) -> str:
    """Name the satellite of a place in an MSM satellite mask.

    Parameters
    ----------
    system : str
        RINEX letter.
    index : int
        Place in the mask, the first bit is 1.

    Returns
    -------
    str
        RINEX name; SBAS index 1 is PRN 120 and S20, QZSS index 1 is PRN 193 and J01.

    Examples
    --------
    >>> msm_satellite_name("G", 5), msm_satellite_name("S", 1), msm_satellite_name("C", 23)
    ('G05', 'S20', 'C23')
    """
    return satellite_name(system, index)
