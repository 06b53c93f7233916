"""Ephemerides as the messages that carry them, and rounded to what the messages can carry."""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from rtcmtool.gnss import time as gnss_time
from rtcmtool.gnss.ephemerides import FNAV, Ephemeris, GlonassEphemeris, KeplerEphemeris
from rtcmtool.wire.catalogue import LAYOUTS
from rtcmtool.wire.encoding import encode_record, record_of
from rtcmtool.wire.ephemeris_records import GLONASS_ACCURACY_M, ephemeris_from_record
from rtcmtool.wire.messages.ephemerides import URA_M, sisa_m
from rtcmtool.wire.records import values_of

_NUMBERS = {"G": 1019, "R": 1020, "I": 1041, "C": 1042, "J": 1044}
_FOUR_YEARS_DAYS = 1461
_SISA_UNKNOWN = 255
_HIGHEST_RAD = math.pi * (1.0 - 2.0**-32)  # from here on the fields of 32 bits would round up to pi

# Names that records and messages share.
_KEPLER_NAMES = (
    "sqrt_a_sqrt_m", "eccentricity", "i0_rad", "omega0_rad", "omega_rad", "m0_rad",
    "delta_n_rad_s", "omega_dot_rad_s", "idot_rad_s", "cuc_rad", "cus_rad", "crc_m", "crs_m",
    "cic_rad", "cis_rad", "af0_s", "af1_s_s", "af2_s_s2",
)  # fmt: skip
_ANGLES = ("i0_rad", "omega0_rad", "omega_rad", "m0_rad")


def message_number(ephemeris: Ephemeris) -> int:
    """Give the number of the message that carries a record.

    Notes
    -----
    A Galileo record goes into 1045 (F/NAV) or 1046 (I/NAV), by its source.
    """
    if ephemeris.system == "E":
        return 1045 if ephemeris.source == FNAV else 1046
    return _NUMBERS[ephemeris.system]


def message_values(ephemeris: Ephemeris) -> dict[str, Any]:
    """Give the values of the message that carries a record, as `encoding.encode_values` takes them.

    Parameters
    ----------
    ephemeris : Ephemeris
        Of any system that has a message.

    Returns
    -------
    dict
        By field name; satellites and the frame time of GLONASS as raw integers.
    """
    if isinstance(ephemeris, GlonassEphemeris):
        return _glonass_values(ephemeris)
    values: dict[str, Any] = {name: getattr(ephemeris, name) for name in _KEPLER_NAMES} | {
        name: _wrapped(getattr(ephemeris, name)) for name in _ANGLES
    }
    behind_s = gnss_time.BDT_BEHIND_GPS_S if ephemeris.system == "C" else 0
    week, _ = divmod(ephemeris.toe_gps_s - behind_s, gnss_time.SECONDS_PER_WEEK)
    values["satellite"] = ephemeris.number
    values["toe_s"] = (ephemeris.toe_gps_s - behind_s) % gnss_time.SECONDS_PER_WEEK
    values["toc_s"] = (ephemeris.toc_gps_s - behind_s) % gnss_time.SECONDS_PER_WEEK
    return values | _OWN_VALUES[ephemeris.system](ephemeris, int(week))


def ephemeris_message(ephemeris: Ephemeris) -> bytes:
    """Write a record as its message, without frame.

    Raises
    ------
    EncodeError
        If an element does not fit its field.
    """
    layout = LAYOUTS[message_number(ephemeris)]
    return encode_record(layout, record_of(layout, message_values(ephemeris)))


def as_broadcast(ephemeris: Ephemeris) -> Ephemeris:
    """Round a record to what its message can carry: the record that a listener decodes.

    The time of transmission, which no message carries, is kept.

    Raises
    ------
    EncodeError
        If an element does not fit its field.
    """
    number = message_number(ephemeris)
    layout = LAYOUTS[number]
    record = record_of(layout, message_values(ephemeris))
    decoded = ephemeris_from_record(
        number,
        ephemeris.satellite,
        values_of(layout, record),
        round(ephemeris.reference_gps_s * 1000),
    )
    assert decoded is not None
    return replace(decoded, transmitted_gps_s=ephemeris.transmitted_gps_s)


def as_f_nav(ephemeris: KeplerEphemeris) -> KeplerEphemeris:
    """Turn a Galileo I/NAV record into the F/NAV record of the same satellite and time.

    Orbit and issue are the same; the clocks agree on E1, each with its own group delay. F/NAV does
    not carry the delay of E5b.
    """
    difference_s = ephemeris.bgd_e5a_e1_s - ephemeris.bgd_e5b_e1_s
    moved = replace(ephemeris, source=FNAV, af0_s=ephemeris.af0_s + difference_s, bgd_e5b_e1_s=0.0)
    rounded = as_broadcast(moved)
    assert isinstance(rounded, KeplerEphemeris)
    return rounded


def _wrapped(angle_rad: float) -> float:
    """Bring an angle between plus and minus half a turn, where the fields hold it.

    Half a turn itself, to the last bit of the field, is written as minus half a turn.
    """
    angle_rad = math.remainder(angle_rad, 2.0 * math.pi)
    return angle_rad - 2.0 * math.pi if angle_rad >= _HIGHEST_RAD else angle_rad


def _index_of(accuracy_m: float, table: Sequence[float], unknown: int) -> int:
    """Give the first index whose accuracy is not better than the one given."""
    within = (index for index, metres in enumerate(table) if accuracy_m <= metres)
    return next(within, unknown) if math.isfinite(accuracy_m) else unknown


def _gps(record: KeplerEphemeris, week: int) -> dict[str, Any]:
    return {
        "week": week % 1024,
        "ura_index": _index_of(record.accuracy_m, URA_M, 15),
        "code_on_l2": 1,
        "iode": record.issue_of_data,
        "iodc": record.issue_of_clock,
        "tgd_s": None if math.isnan(record.tgd_s) else record.tgd_s,
        "health": record.health,
        "fit_interval_flag": False,
    }


def _gps_with_l2p(record: KeplerEphemeris, week: int) -> dict[str, Any]:
    return {**_gps(record, week), "l2p_data_flag": False}


def _galileo(record: KeplerEphemeris, week: int) -> dict[str, Any]:
    table = [sisa_m(index) or 0.0 for index in range(126)]
    values: dict[str, Any] = {
        "week": (week - gnss_time.GALILEO_WEEK_OFFSET) % 4096,
        "iodnav": record.issue_of_data,
        "sisa_index": _index_of(record.accuracy_m, table, _SISA_UNKNOWN),
        "bgd_e5a_e1_s": record.bgd_e5a_e1_s,
    }
    health = record.health
    if record.source == FNAV:
        return values | {"e5a_health": health >> 4 & 3, "e5a_data_invalid": bool(health >> 3 & 1)}
    return values | {
        "bgd_e5b_e1_s": record.bgd_e5b_e1_s,
        "e5b_health": health >> 7 & 3,
        "e5b_data_invalid": bool(health >> 6 & 1),
        "e1b_health": health >> 1 & 3,
        "e1b_data_invalid": bool(health & 1),
    }


def _beidou(record: KeplerEphemeris, week: int) -> dict[str, Any]:
    return {
        "week": (week - gnss_time.BDT_WEEK_OFFSET) % 8192,
        "ura_index": _index_of(record.accuracy_m, URA_M, 15),
        "aode": record.issue_of_data,
        "aodc": record.issue_of_clock,
        "tgd1_s": record.tgd1_s,
        "tgd2_s": record.tgd2_s,
        "health": record.health,
    }


def _navic(record: KeplerEphemeris, week: int) -> dict[str, Any]:
    return {
        "week": week % 1024,
        "ura_index": _index_of(record.accuracy_m, URA_M, 15),
        "tgd_s": record.tgd_s,
        "iodec": record.issue_of_data,
        "l5_flag": bool(record.health >> 1 & 1),
        "s_flag": bool(record.health & 1),
    }


_OWN_VALUES = {
    "G": _gps_with_l2p,
    "J": _gps,
    "E": _galileo,
    "C": _beidou,
    "I": _navic,
}


def _glonass_values(record: GlonassEphemeris) -> dict[str, Any]:
    """Give the values of message 1020; what no record holds is said as on a healthy satellite."""
    _, tb_ms = gnss_time.glonass_day_and_ms(round(record.tb_gps_s * 1000))
    _, frame_ms = gnss_time.glonass_day_and_ms(round(record.transmitted_gps_s * 1000))
    half_minutes = frame_ms // 30_000
    moscow_ms = (
        round(record.tb_gps_s * 1000)
        - gnss_time.leap_seconds_at_gps(round(record.tb_gps_s * 1000)) * 1000
        + gnss_time.GLONASS_AHEAD_OF_UTC_MS
    )
    days = (moscow_ms - gnss_time.gps_ms_from_date(1996, 1, 1)) // gnss_time.MS_PER_DAY
    four_years, day = divmod(days, _FOUR_YEARS_DAYS)
    has_delay = math.isfinite(record.delta_tau_n_s)
    vectors = ("x_m", "y_m", "z_m", "vx_m_s", "vy_m_s", "vz_m_s", "ax_m_s2", "ay_m_s2", "az_m_s2")
    return {name: getattr(record, name) for name in vectors} | {
        "satellite": record.number,
        "frequency_channel": record.frequency_channel,
        "almanac_health": record.health == 0,
        "almanac_health_available": True,
        "p1": 1,
        "tk_s": (half_minutes // 120) << 7 | (half_minutes // 2 % 60) << 1 | half_minutes % 2,
        "bn_msb": record.health != 0,
        "p2": tb_ms // 900_000 % 2 == 1,
        "tb_s": tb_ms // 1000,
        "p3": True,
        "gamma_n": record.gamma_n,
        "m_p": 3,
        "m_ln3": record.health != 0,
        "tau_n_s": record.tau_n_s,
        "m_delta_tau_n_s": record.delta_tau_n_s if has_delay else 0.0,
        "e_n_days": 0,
        "m_p4": False,
        "m_ft": _index_of(record.accuracy_m, GLONASS_ACCURACY_M, 15),
        "m_nt": day + 1,
        "m_m": 1,
        "additional_data": True,
        "n_a": day + 1,
        "tau_c_s": 0.0,
        "m_n4": four_years + 1,
        "m_tau_gps_s": 0.0,
        "m_ln5": record.health != 0,
    }
