"""RINEX 3 and 4 navigation text into ephemerides: a pure parser, no file access.

Read: GPS, QZSS and NavIC LNAV, Galileo I/NAV and F/NAV, BeiDou D1 and D2, GLONASS FDMA, and the
Klobuchar coefficients of header or ION records. All other records (SBAS, CNAV and its kin, STO,
EOP) are counted and left out.

References: RINEX 3.05 tables A3 to A19; RINEX 4.00 sections 5.3 and 5.4 (both from memory).
"""

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from rtcmtool.gnss import time as gnss_time
from rtcmtool.gnss.atmosphere import Klobuchar
from rtcmtool.gnss.ephemerides import (
    BEIDOU_GEO_NUMBERS,
    D1,
    D2,
    FNAV,
    INAV,
    LNAV,
    Ephemeris,
    GlonassEphemeris,
    KeplerEphemeris,
)

_NO_VALUE = 0.9e9  # RINEX writes .999999999999E+09 for what is not known
_WEEK_MS = gnss_time.MS_PER_WEEK
_KEPLER_TYPES = {"LNAV": LNAV, "INAV": INAV, "FNAV": FNAV, "D1": D1, "D2": D2}
_FNAV_SOURCE_BIT = 0b10  # RINEX 3.05 table A8: data sources, bit 1
_LONGEST_LEAD_S = 86_400.0  # a sending time farther from the reference time is no sending time
_KLOBUCHAR_LABELS = {"GPS": "G", "QZS": "J", "BDS": "C", "IRN": "I"}
_KLOBUCHAR_MESSAGES = frozenset({"LNAV", "D1D2"})


@dataclass(frozen=True)
class NavigationData:
    """What a navigation file holds.

    `klobuchar` by RINEX letter, the last set of each system; `skipped` counts records left out, by
    letter and message as in "S SBAS"; `malformed` counts records that could not be read.
    """

    version: float
    ephemerides: tuple[Ephemeris, ...]
    klobuchar: dict[str, Klobuchar]
    leap_seconds: int | None
    skipped: Counter[str]
    malformed: int


@dataclass
class _Collected:
    """What the parser has found so far."""

    ephemerides: list[Ephemeris] = field(default_factory=list)
    klobuchar: dict[str, Klobuchar] = field(default_factory=dict)
    skipped: Counter[str] = field(default_factory=Counter)
    malformed: int = 0


def parse_navigation(text: str) -> NavigationData:
    """Read a RINEX 3 or 4 navigation file.

    Parameters
    ----------
    text : str
        The whole file, any line ends.

    Returns
    -------
    NavigationData

    Raises
    ------
    ValueError
        If the text is no RINEX 3 or 4 navigation file. A damaged record raises nothing: it is
        counted in `malformed`.
    """
    lines = text.splitlines()
    version = _version(lines)
    end = next(
        (row for row, line in enumerate(lines) if line[60:].strip() == "END OF HEADER"), None
    )
    if end is None:
        raise ValueError("the navigation file has no END OF HEADER line: is it cut off?")
    collected = _Collected()
    leap_seconds = _read_header(lines[:end], collected)
    for kind, record in _records(lines[end + 1 :]):
        _read_record(kind, record, collected)
    return NavigationData(
        version,
        tuple(collected.ephemerides),
        collected.klobuchar,
        leap_seconds,
        collected.skipped,
        collected.malformed,
    )


def _version(lines: Sequence[str]) -> float:
    first = lines[0] if lines else ""
    is_navigation = first[60:].strip() == "RINEX VERSION / TYPE" and first[20:21] == "N"
    try:
        version = float(first[:9])
    except ValueError:
        version = math.nan
    if not is_navigation or not 3.0 <= version < 5.0:
        raise ValueError(
            f"this is no RINEX 3 or 4 navigation file: its first line is {first[:80]!r}"
        )
    return version


def _read_header(lines: Sequence[str], collected: _Collected) -> int | None:
    """Take the Klobuchar lines and the leap seconds out of a header."""
    coefficients: dict[str, dict[str, tuple[float, float, float, float]]] = {}
    leap_seconds = None
    for line in lines:
        label = line[60:].strip()
        if label == "LEAP SECONDS" and line[:6].strip().isdigit():
            leap_seconds = int(line[:6])
        system = _KLOBUCHAR_LABELS.get(line[:3])
        if label == "IONOSPHERIC CORR" and system and line[3] in "AB":
            values = [_number(line[start : start + 12]) for start in range(5, 53, 12)]
            if all(math.isfinite(value) for value in values):
                first, second, third, fourth = values
                coefficients.setdefault(system, {})[line[3]] = (first, second, third, fourth)
    for system, pair in coefficients.items():
        if len(pair) == 2:
            collected.klobuchar[system] = Klobuchar(pair["A"], pair["B"])
    return leap_seconds


def _records(lines: Sequence[str]) -> Iterator[tuple[str, list[str]]]:
    """Group lines into records; the kind is that of RINEX 4 ("EPH G01 LNAV") or empty."""
    kind, record = "", list[str]()
    for line in lines:
        if line.startswith(">") or line[:1].isalpha():
            if record and not (kind and len(record) == 1 and not record[0].strip()):
                yield kind, record
            if line.startswith(">"):
                kind, record = line[1:].strip(), []
            else:
                # in RINEX 4 the satellite's line belongs to the ">" line above it
                kind, record = kind if not record and kind else "", [line]
        elif line.strip():
            record.append(line)
    if record:
        yield kind, record


def _read_record(kind: str, record: Sequence[str], collected: _Collected) -> None:
    category, satellite, message = (*kind.split(), "", "", "")[:3]
    if category == "ION" and message in _KLOBUCHAR_MESSAGES and satellite[:1] in "GJCI":
        model = _ion_record(record)
        if model is None:
            collected.malformed += 1
        else:
            collected.klobuchar[satellite[0]] = model
        return
    system = record[0][:1]
    if category not in {"", "EPH"} or not system.isalpha():
        collected.skipped[f"{satellite[:1]} {message or category}".strip()] += 1
        return
    if not message:
        message = {"G": "LNAV", "J": "LNAV", "I": "LNAV", "R": "FDMA", "S": "SBAS"}.get(system, "")
    try:
        if system == "R" and message == "FDMA":
            collected.ephemerides.append(_glonass(record))
        elif system in "GJIEC" and (message in _KEPLER_TYPES or not message):
            collected.ephemerides.append(_kepler(record, message))
        else:
            collected.skipped[f"{system} {message}".strip()] += 1
    except (ValueError, IndexError):  # a number that is none, a line too few
        collected.malformed += 1


def _number(text: str) -> float:
    """Read a RINEX number; blank is NaN."""
    stripped = text.strip()
    return float(stripped.replace("D", "E").replace("d", "e")) if stripped else math.nan


def _values(record: Sequence[str]) -> list[float]:
    """Read all numbers of a record: three of the first line, four of each further one."""
    values = [_number(record[0][start : start + 19]) for start in (23, 42, 61)]
    for line in record[1:]:
        values += [_number(line[start : start + 19]) for start in (4, 23, 42, 61)]
    return values


def _epoch_ms(line: str) -> int:
    """Read the epoch of a record as a label, on whatever scale."""
    year, month, day, hour, minute, second = (int(part) for part in line[4:23].split())
    return gnss_time.gps_ms_from_date(year, month, day, hour, minute, second)


def _essential(*values: float) -> tuple[float, ...]:
    if not all(math.isfinite(value) for value in values):
        raise ValueError("a value that an orbit or a clock needs is missing")
    return values


def _or_zero(value: float) -> float:
    return value if math.isfinite(value) and abs(value) < _NO_VALUE else 0.0


def _or_nan(value: float) -> float:
    return value if abs(value) < _NO_VALUE else math.nan


def _sent_s(of_week_s: float, reference_s: float) -> float:
    """Place a sending time (s of week) near the reference; unknown: at the reference."""
    if not math.isfinite(of_week_s) or abs(of_week_s) >= 2 * gnss_time.SECONDS_PER_WEEK:
        return reference_s
    sent_ms = gnss_time.nearest(round(reference_s * 1000), round(of_week_s * 1000), _WEEK_MS)
    return sent_ms / 1000 if abs(sent_ms / 1000 - reference_s) <= _LONGEST_LEAD_S else reference_s


def _kepler(record: Sequence[str], message: str) -> KeplerEphemeris:
    """Read one record of GPS, QZSS, Galileo, BeiDou or NavIC."""
    system, number = record[0][0], int(record[0][1:3])
    behind_s = gnss_time.BDT_BEHIND_GPS_S if system == "C" else 0
    values = [*_values(record), *[math.nan] * 31]
    _essential(*values[:20])
    toc_ms = _epoch_ms(record[0]) + behind_s * 1000
    # toe has no week of its own here: it lies near toc (IS-GPS-200 20.3.3.4.3)
    toe_ms = gnss_time.nearest(toc_ms, round((values[11] + behind_s) * 1000), _WEEK_MS)
    issue_of_data = round(values[3])
    last = values[28] if system == "C" else values[26]  # AODC or IODC
    has_iodc = system in "GJC" and math.isfinite(last)
    first_delay, second_delay = _or_nan(values[25]), _or_nan(values[26])
    return KeplerEphemeris(
        system=system,
        number=number,
        source=_source(system, number, message, values[20]),
        toe_gps_s=toe_ms / 1000,
        toc_gps_s=toc_ms / 1000,
        transmitted_gps_s=_sent_s(values[27] + behind_s, toe_ms / 1000),
        sqrt_a_sqrt_m=values[10],
        eccentricity=values[8],
        i0_rad=values[15],
        omega0_rad=values[13],
        omega_rad=values[17],
        m0_rad=values[6],
        delta_n_rad_s=values[5],
        omega_dot_rad_s=values[18],
        idot_rad_s=values[19],
        cuc_rad=values[7],
        cus_rad=values[9],
        crc_m=values[16],
        crs_m=values[4],
        cic_rad=values[12],
        cis_rad=values[14],
        af0_s=values[0],
        af1_s_s=values[1],
        af2_s_s2=values[2],
        tgd_s=first_delay if system in "GJI" else 0.0,
        bgd_e5a_e1_s=first_delay if system == "E" else 0.0,
        bgd_e5b_e1_s=second_delay if system == "E" else 0.0,
        tgd1_s=first_delay if system == "C" else 0.0,
        tgd2_s=second_delay if system == "C" else 0.0,
        health=round(_or_zero(values[24])),
        issue_of_data=issue_of_data,
        issue_of_clock=round(last) if has_iodc else issue_of_data,
        accuracy_m=_or_nan(values[23]),
    )


def _source(system: str, number: int, message: str, data_sources: float) -> str:
    if message:
        return _KEPLER_TYPES[message]
    if system == "E":
        is_fnav = round(_or_zero(data_sources)) & _FNAV_SOURCE_BIT
        return FNAV if is_fnav else INAV
    return D2 if number in BEIDOU_GEO_NUMBERS else D1


def _glonass(record: Sequence[str]) -> GlonassEphemeris:
    """Read one GLONASS record: kilometres, UTC, and the sign of tau_n turned."""
    values = [*_values(record), *[math.nan] * 4]
    _essential(*values[:2], *(values[row + column] for row in (3, 7, 11) for column in range(3)))
    label_ms = _epoch_ms(record[0])
    tb_utc_ns = label_ms * gnss_time.NS_PER_MS + gnss_time.GPS_EPOCH_UTC_NS
    leap_s = gnss_time.leap_seconds_at_utc(tb_utc_ns)
    tb_s = label_ms / 1000 + leap_s
    of_day_ms = (label_ms + gnss_time.GLONASS_AHEAD_OF_UTC_MS) % gnss_time.MS_PER_DAY
    metres = [value * 1000.0 for value in values[:15]]
    return GlonassEphemeris(
        number=int(record[0][1:3]),
        frequency_channel=round(_or_zero(values[10])),
        tb_gps_s=tb_s,
        transmitted_gps_s=_sent_s(values[2] + leap_s, tb_s),
        x_m=metres[3],
        vx_m_s=metres[4],
        ax_m_s2=metres[5],
        y_m=metres[7],
        vy_m_s=metres[8],
        ay_m_s2=metres[9],
        z_m=metres[11],
        vz_m_s=metres[12],
        az_m_s2=metres[13],
        tau_n_s=-values[0],
        gamma_n=values[1],
        delta_tau_n_s=_or_nan(values[16]),
        health=round(_or_zero(values[6])),
        issue_of_data=of_day_ms // 900_000,
    )


def _ion_record(record: Sequence[str]) -> Klobuchar | None:
    """Read the Klobuchar coefficients of a RINEX 4 ION record."""
    try:
        values = _essential(*_values(record)[:8])
    except (ValueError, IndexError):
        return None
    if len(values) < 8:
        return None
    return Klobuchar(
        (values[0], values[1], values[2], values[3]), (values[4], values[5], values[6], values[7])
    )
