"""Observation messages read bit by bit with bitstring, in exact fractions: the tests' referee.

Nothing of the package is used: widths, signs, marks and formulas stand here once more, from memory
of RTCM 10403.x (legacy observations, multiple signal messages).
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction

from bitstring import Bits, Reader

LIGHT_MS_M = Fraction(299_792_458, 1000)
MSM_SYSTEMS = dict(zip(range(107, 114), "GRESJCI", strict=True))  # by the number without its type

# Names of the signals by index of the mask: RTCM 10403.x, MSM signal tables, from memory.
SIGNALS = {
    "G": {2: "1C", 3: "1P", 4: "1W", 8: "2C", 9: "2P", 10: "2W", 15: "2S", 16: "2L", 17: "2X"}
    | {22: "5I", 23: "5Q", 24: "5X", 30: "1S", 31: "1L", 32: "1X"},
    "R": {2: "1C", 3: "1P", 8: "2C", 9: "2P"},
    "E": {2: "1C", 3: "1A", 4: "1B", 5: "1X", 6: "1Z", 8: "6C", 9: "6A", 10: "6B", 11: "6X"}
    | {12: "6Z", 14: "7I", 15: "7Q", 16: "7X", 18: "8I", 19: "8Q", 20: "8X"}
    | {22: "5I", 23: "5Q", 24: "5X"},
    "S": {2: "1C", 22: "5I", 23: "5Q", 24: "5X"},
    "J": {2: "1C", 9: "6S", 10: "6L", 11: "6X", 15: "2S", 16: "2L", 17: "2X"}
    | {22: "5I", 23: "5Q", 24: "5X", 30: "1S", 31: "1L", 32: "1X"},
    "C": {2: "2I", 3: "2Q", 4: "2X", 8: "6I", 9: "6Q", 10: "6X", 14: "7I", 15: "7Q", 16: "7X"}
    | {22: "5D", 23: "5P", 24: "5X", 25: "7D", 30: "1D", 31: "1P", 32: "1X"},
    "I": {8: "9A", 22: "5A"},
}
LEGACY_SIGNALS = {
    "G": (("1C", "1P"), ("2X", "2P", "2D", "2W")),
    "R": (("1C", "1P"), ("2C", "2P", "?02", "?03")),
}


@dataclass(frozen=True)
class Row:
    """An observation; None stands for not available or not carried."""

    system: str
    satellite: int
    signal: str
    pseudorange_m: Fraction | None = None
    phase_range_m: Fraction | None = None
    pseudorange_modulo_m: Fraction | None = None
    phase_range_modulo_m: Fraction | None = None
    phase_range_rate_m_s: Fraction | None = None
    cnr_dbhz: Fraction | None = None
    lock_time_ms: int | None = None
    half_cycle: bool | None = None


Read = Callable[[str], int]


def _reader(message: bytes) -> Read:
    reader = Reader(Bits.from_bytes(message))
    return lambda what: int(str(reader.read_value(what)))


def rows_of(message: bytes) -> list[Row]:
    """Read an observation message that is not cut."""
    read = _reader(message)
    number = read("u12")
    return _msm(number, read) if number > 1070 else _legacy(number, read)


# ---- MSM ---------------------------------------------------------------------------------------


def _set_bits(mask: str) -> list[int]:
    return [index for index, bit in enumerate(mask, 1) if bit == "1"]


def _mask(read: Read, width: int) -> list[int]:
    return _set_bits("".join(str(read("u1")) for _ in range(width)))


def _lock_ms(indicator: int, bits: int) -> int | None:
    if bits == 4:
        return 0 if indicator == 0 else 2 ** (indicator + 4)
    if indicator < 64:
        return indicator
    k = indicator // 32 - 1
    return 2**k * (indicator - 32 * k) if indicator <= 704 else None


def _msm(number: int, read: Read) -> list[Row]:
    system, kind = MSM_SYSTEMS[number // 10], number % 10
    for width in (12, 30, 1, 3, 7, 2, 2, 1, 3):
        read(f"u{width}")
    satellites, signals = _mask(read, 64), _mask(read, 32)
    pairs = [(satellite, signal) for satellite in satellites for signal in signals]
    cells = [pairs[place - 1] for place in _mask(read, len(pairs))]
    whole = [read("u8") for _ in satellites] if kind >= 4 else [0] * len(satellites)
    if kind in {5, 7}:
        _ = [read("u4") for _ in satellites]
    modulo = [read("u10") for _ in satellites]
    rough_rate = [read("i14") for _ in satellites] if kind in {5, 7} else []
    long = kind >= 6

    def column(present: set[int], short: str, extended: str) -> list[int | None]:
        what = extended if long else short
        return [read(what) if kind in present else None for _ in cells]

    code = column({1, 3, 4, 5, 6, 7}, "i15", "i20")
    phase = column({2, 3, 4, 5, 6, 7}, "i22", "i24")
    lock = column({2, 3, 4, 5, 6, 7}, "u4", "u10")
    half = column({2, 3, 4, 5, 6, 7}, "u1", "u1")
    cnr = column({4, 5, 6, 7}, "u6", "u10")
    rate = column({5, 7}, "i15", "i15")
    rows = []
    for i, (satellite, signal) in enumerate(cells):
        at = satellites.index(satellite)
        rough = None if kind >= 4 and whole[at] == 255 else whole[at] + Fraction(modulo[at], 1024)
        code_m = _range_m(rough, code[i], *((20, 29) if long else (15, 24)))
        phase_m = _range_m(rough, phase[i], *((24, 31) if long else (22, 29)))
        fine, strength = rate[i], cnr[i]
        no_rate = fine is None or fine == -16384 or rough_rate[at] == -8192
        lock_of, half_of = lock[i], half[i]
        rows.append(
            Row(
                system,
                satellite + (19 if system == "S" else 0),
                SIGNALS[system].get(signal, f"?{signal:02d}"),
                code_m if kind >= 4 else None,
                phase_m if kind >= 4 else None,
                code_m if kind < 4 else None,
                phase_m if kind < 4 else None,
                None if no_rate else rough_rate[at] + Fraction(fine or 0, 10000),
                Fraction(strength, 16 if long else 1) if strength else None,
                None if lock_of is None else _lock_ms(lock_of, 10 if long else 4),
                None if half_of is None else bool(half_of),
            )
        )
    return rows


def _range_m(rough_ms: Fraction | None, fine: int | None, bits: int, power: int) -> Fraction | None:
    if rough_ms is None or fine is None or fine == -(2 ** (bits - 1)):
        return None
    return LIGHT_MS_M * (rough_ms + Fraction(fine, 2**power))


# ---- legacy ------------------------------------------------------------------------------------


def _legacy_lock_ms(indicator: int) -> int:
    for below, times, plus in (
        (24, 1, 0),
        (48, 2, -24),
        (72, 4, -120),
        (96, 8, -408),
        (120, 16, -1176),
        (127, 32, -3096),
    ):
        if indicator < below:
            return 1000 * (times * indicator + plus)
    return 937_000


def _legacy(number: int, read: Read) -> list[Row]:
    system = "G" if number < 1005 else "R"
    extended, two_bands = number % 2 == 0, number in {1003, 1004, 1011, 1012}
    read("u12")
    read("u30" if system == "G" else "u27")
    read("u1")
    count = read("u5")
    read("u4")
    rows = []
    for _ in range(count):
        satellite, letter = read("u6"), system
        if 40 <= satellite <= 58:
            satellite, letter = satellite - 20, "S"
        rows += _bands(system, letter, satellite, read, extended, two_bands)
    return rows


def _bands(
    system: str, letter: str, satellite: int, read: Read, extended: bool, two_bands: bool
) -> list[Row]:
    code = read("u1")
    if system == "R":
        read("u5")
    remainder = Fraction(read("u24" if system == "G" else "u25"), 50)
    difference, lock = read("i20"), read("u7")
    whole, cnr = Fraction(0), 0
    if extended:
        whole = read("u8") * LIGHT_MS_M if system == "G" else 2 * read("u7") * LIGHT_MS_M
        cnr = read("u8")
    range_m = whole + remainder
    usable = difference != -(2**19)
    code_m = range_m if usable else None
    phase_m = range_m + Fraction(difference, 2000) if usable else None
    names = LEGACY_SIGNALS[system]
    rows = [_legacy_row(letter, satellite, names[0][code], code_m, phase_m, cnr, lock, extended)]
    if two_bands:
        code2, step, difference2, lock2 = read("u2"), read("i14"), read("i20"), read("u7")
        cnr2 = read("u8") if extended else 0
        code2_m = range_m + Fraction(step, 50) if step != -(2**13) else None
        phase2_m = range_m + Fraction(difference2, 2000) if difference2 != -(2**19) else None
        name = names[1][code2]
        rows.append(_legacy_row(letter, satellite, name, code2_m, phase2_m, cnr2, lock2, extended))
    return rows


def _legacy_row(
    letter: str,
    satellite: int,
    signal: str,
    code_m: Fraction | None,
    phase_m: Fraction | None,
    cnr: int,
    lock: int,
    extended: bool,
) -> Row:
    return Row(
        letter,
        satellite,
        signal,
        code_m if extended else None,
        phase_m if extended else None,
        None if extended else code_m,
        None if extended else phase_m,
        None,
        Fraction(cnr, 4) if cnr else None,
        _legacy_lock_ms(lock),
        None,
    )


def is_close(value: float, exact: Fraction | None, steps: int = 4) -> bool:
    """Tell whether a double is an exact value to some steps of the double; NaN stands for None."""
    if exact is None or math.isnan(value):
        return exact is None and math.isnan(value)
    return abs(Fraction(value) - exact) <= steps * Fraction(math.ulp(max(1.0, abs(float(exact)))))
