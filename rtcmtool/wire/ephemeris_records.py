"""Decoded ephemeris messages as the records that orbits are computed from.

Messages 1019, 1020, 1041, 1042, 1044, 1045 and 1046. They carry a week modulo 1024, 4096 or 8192,
or no week at all (GLONASS): a known time near the message settles it.
"""

import math
from collections.abc import Callable
from typing import Any, Final

from rtcmtool.gnss import time as gnss_time
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
    galileo_health,
)
from rtcmtool.wire.decoding import Message
from rtcmtool.wire.epochs import FIRST_WEEK_OF_TEN_BITS
from rtcmtool.wire.layout import Record

# Accuracy of a GLONASS-M satellite by F_T, m: GLONASS ICD 5.1, from memory; 15 is not used.
GLONASS_ACCURACY_M: Final = (1.0, 2.0, 2.5, 4.0, 5.0, 7.0, 10.0, 12.0, 14.0, 16.0, 32.0, 64.0,
                             128.0, 256.0, 512.0)  # fmt: skip
_N4_FIRST_YEAR = 1996  # GLONASS ICD 5.1, from memory: N4 = 1 for 1996 to 1999
_FIFTEEN_MINUTES_S = 900

# Names that messages and records share.
_KEPLER_NAMES = (
    "sqrt_a_sqrt_m", "eccentricity", "i0_rad", "omega0_rad", "omega_rad", "m0_rad",
    "delta_n_rad_s", "omega_dot_rad_s", "idot_rad_s", "cuc_rad", "cus_rad", "crc_m", "crs_m",
    "cic_rad", "cis_rad", "af0_s", "af1_s_s", "af2_s_s2",
)  # fmt: skip
_GLONASS_NAMES = (
    "frequency_channel", "x_m", "y_m", "z_m", "vx_m_s", "vy_m_s", "vz_m_s", "ax_m_s2", "ay_m_s2",
    "az_m_s2", "tau_n_s", "gamma_n",
)  # fmt: skip


def ephemeris_from_message(message: Message, reference_gps_ms: int | None) -> Ephemeris | None:
    """Turn a decoded ephemeris message into a record.

    Parameters
    ----------
    message : Message
        As `decoding` gives it.
    reference_gps_ms : int or None
        A known time near the message (its arrival, or the epoch before it): it settles the week
        and becomes the time of transmission. None: the first week as sent from 2019 on; the
        date of a GLONASS record then comes from its own day number.

    Returns
    -------
    Ephemeris or None
        None if the message is no ephemeris of these systems, names no satellite of its system, or
        leaves its day open.
    """
    number = message.layout.number
    if number not in _READERS:
        return None
    satellite = message.value("satellite")
    return ephemeris_from_record(number, str(satellite), message.values, reference_gps_ms)


def ephemeris_from_record(
    number: int, satellite: str, values: Record, reference_gps_ms: int | None
) -> Ephemeris | None:
    """Turn the values of an ephemeris message into a record.

    Parameters
    ----------
    number : int
        Message number.
    satellite : str
        RINEX name.
    values : dict
        As `records.values_of` gives them.
    reference_gps_ms : int or None
        As for `ephemeris_from_message`, also the result.
    """
    reader = _READERS.get(number)
    if reader is None or not satellite.startswith(_SYSTEMS[number]):
        return None
    return reader(int(satellite[1:]), values, reference_gps_ms)


def _kepler(
    system: str,
    number: int,
    values: Record,
    reference_gps_ms: int | None,
    **own: Any,
) -> KeplerEphemeris:
    """Make a record from what all Kepler messages share; `own` are the fields that differ."""
    toe_s = _reference_time_s(system, values, reference_gps_ms)
    behind_s = gnss_time.BDT_BEHIND_GPS_S if system == "C" else 0
    # toc has no week of its own: it lies near toe
    toc_ms = gnss_time.nearest(
        round(toe_s * 1000), (values["toc_s"] + behind_s) * 1000, gnss_time.MS_PER_WEEK
    )
    accuracy = values.get("accuracy_m")
    return KeplerEphemeris(
        system=system,
        number=number,
        toe_gps_s=toe_s,
        toc_gps_s=toc_ms / 1000,
        transmitted_gps_s=toe_s if reference_gps_ms is None else reference_gps_ms / 1000,
        accuracy_m=math.nan if accuracy is None else accuracy,
        **{name: values[name] for name in _KEPLER_NAMES},
        **own,
    )


# By system: weeks in the count as sent, what to add for the GPS week, first week without a time.
_WEEKS: Final = {
    "G": (1024, 0, FIRST_WEEK_OF_TEN_BITS),
    "J": (1024, 0, FIRST_WEEK_OF_TEN_BITS),
    "I": (1024, 0, FIRST_WEEK_OF_TEN_BITS),
    "E": (4096, gnss_time.GALILEO_WEEK_OFFSET, gnss_time.GALILEO_WEEK_OFFSET),
    "C": (8192, gnss_time.BDT_WEEK_OFFSET, gnss_time.BDT_WEEK_OFFSET),
}


def _reference_time_s(system: str, values: Record, reference_gps_ms: int | None) -> float:
    """Give toe on the scale of GPS time.

    The week may be that of the transmission and toe beyond the turn of the week: then the
    neighbouring week, which lies nearer to the known time, is meant.
    """
    modulus, plus, first_week = _WEEKS[system]
    week = gnss_time.resolve_week_number(
        values["week"] + plus, modulus, reference_gps_ms, first_week
    )
    behind_s = gnss_time.BDT_BEHIND_GPS_S if system == "C" else 0
    toe_ms: int = week * gnss_time.MS_PER_WEEK + (values["toe_s"] + behind_s) * 1000
    if reference_gps_ms is not None:
        near_ms = gnss_time.nearest(reference_gps_ms, toe_ms, gnss_time.MS_PER_WEEK)
        if abs(near_ms - toe_ms) == gnss_time.MS_PER_WEEK:
            toe_ms = near_ms
    return toe_ms / 1000


def _gps_or_qzss(
    system: str,
) -> Callable[[int, Record, int | None], KeplerEphemeris]:
    def read(number: int, values: Record, reference_gps_ms: int | None) -> KeplerEphemeris:
        delay = values["tgd_s"]
        return _kepler(
            system,
            number,
            values,
            reference_gps_ms,
            source=LNAV,
            tgd_s=math.nan if delay is None else delay,
            health=values["health"],
            issue_of_data=values["iode"],
            issue_of_clock=values["iodc"],
        )

    return read


def _navic(number: int, values: Record, reference_gps_ms: int | None) -> KeplerEphemeris:
    return _kepler(
        "I",
        number,
        values,
        reference_gps_ms,
        source=LNAV,
        tgd_s=values["tgd_s"],
        health=values["l5_flag"] << 1 | values["s_flag"],
        issue_of_data=values["iodec"],
        issue_of_clock=values["iodec"],
    )


def _galileo(
    source: str,
) -> Callable[[int, Record, int | None], KeplerEphemeris]:
    def read(number: int, values: Record, reference_gps_ms: int | None) -> KeplerEphemeris:
        bands = ("e5a",) if source == FNAV else ("e1b", "e5b")
        health = {band: values[f"{band}_health"] for band in bands}
        invalid = {f"{band}_invalid": int(values[f"{band}_data_invalid"]) for band in bands}
        return _kepler(
            "E",
            number,
            values,
            reference_gps_ms,
            source=source,
            bgd_e5a_e1_s=values["bgd_e5a_e1_s"],
            bgd_e5b_e1_s=values.get("bgd_e5b_e1_s", 0.0),
            health=galileo_health(**health, **invalid),
            issue_of_data=values["iodnav"],
            issue_of_clock=values["iodnav"],
        )

    return read


def _beidou(number: int, values: Record, reference_gps_ms: int | None) -> KeplerEphemeris:
    return _kepler(
        "C",
        number,
        values,
        reference_gps_ms,
        source=D2 if number in BEIDOU_GEO_NUMBERS else D1,
        tgd1_s=values["tgd1_s"],
        tgd2_s=values["tgd2_s"],
        health=values["health"],
        issue_of_data=values["aode"],
        issue_of_clock=values["aodc"],
    )


def _glonass(number: int, values: Record, reference_gps_ms: int | None) -> GlonassEphemeris | None:
    day_gps_ms = reference_gps_ms if reference_gps_ms is not None else _own_day_gps_ms(values)
    if day_gps_ms is None:
        return None
    tb_s = gnss_time.resolve_glonass_day(values["tb_s"] * 1000, day_gps_ms) / 1000
    index = values["m_ft"]
    is_told = values["m_m"] == 1 and index < len(GLONASS_ACCURACY_M)
    return GlonassEphemeris(
        number=number,
        tb_gps_s=tb_s,
        transmitted_gps_s=tb_s if reference_gps_ms is None else reference_gps_ms / 1000,
        delta_tau_n_s=values["m_delta_tau_n_s"],
        health=int(values["bn_msb"]),
        issue_of_data=values["tb_s"] // _FIFTEEN_MINUTES_S,
        accuracy_m=GLONASS_ACCURACY_M[index] if is_told else math.nan,
        **{name: values[name] for name in _GLONASS_NAMES},
    )


def _own_day_gps_ms(values: Record) -> int | None:
    """Give noon of the day that a GLONASS record names, if it names one."""
    four_years, day = int(values["m_n4"]), int(values["m_nt"])
    if not four_years or not day:
        return None
    noon_ms: int = gnss_time.gps_ms_from_date(_N4_FIRST_YEAR + 4 * (four_years - 1), 1, 1, 12)
    return noon_ms + (day - 1) * gnss_time.MS_PER_DAY


_SYSTEMS: Final = {1019: "G", 1020: "R", 1041: "I", 1042: "C", 1044: "J", 1045: "E", 1046: "E"}
_READERS: Final[dict[int, Callable[[int, Record, int | None], Ephemeris | None]]] = {
    1019: _gps_or_qzss("G"),
    1020: _glonass,
    1041: _navic,
    1042: _beidou,
    1044: _gps_or_qzss("J"),
    1045: _galileo(FNAV),
    1046: _galileo(INAV),
}
