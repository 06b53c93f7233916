"""Broadcast ephemerides: 1019, 1020, 1041, 1042, 1044, 1045 and 1046.

The same quantity has the same name in all of them, with the units of RINEX navigation files.

Sources: RTCM 10403.x, from memory; scales as in IS-GPS-200, IS-QZSS, the Galileo OS SIS ICD, the
BDS and NavIC signal ICDs and the GLONASS ICD, from memory. 1019 and 1046 confirmed on recordings.
"""

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction

from rtcmtool.wire.fields import (
    FREQUENCY_CHANNEL,
    GALILEO_IODNAV,
    GALILEO_SATELLITE_HEAD,
    GLONASS_SLOT_HEAD,
    GPS_IODE,
    GPS_SATELLITE_HEAD,
    MESSAGE_NUMBER,
    RTCM,
    angle,
    flag,
    head,
    reserved,
    satellites_of,
    sign_magnitude,
    signed,
    two_to,
    unsigned,
)
from rtcmtool.wire.layout import Field, Layout, Record, Role

FAMILY = "ephemerides"

# ---- accuracy indices ------------------------------------------------------------------------

# Nominal user range accuracy, m, of index 0 to 14; 15 = no prediction. From memory of IS-GPS-200;
# IS-QZSS, the BDS B1I ICD and the NavIC ICD have the same rule.
URA_M = (2.0, 2.8, 4.0, 5.7, 8.0, 11.3, 16.0, 32.0, 64.0, 128.0, 256.0, 512.0, 1024.0, 2048.0,
         4096.0)  # fmt: skip
URA_MEANINGS = {
    **{index: f"{metres:g} m" for index, metres in enumerate(URA_M)},
    15: "no accuracy prediction",
}


def ura_m(index: int) -> float | None:
    """Give the nominal accuracy of a user range accuracy index, m; None where it tells none.

    Examples
    --------
    >>> ura_m(0), ura_m(7), ura_m(15)
    (2.0, 32.0, None)
    """
    return URA_M[index] if index < len(URA_M) else None


def sisa_m(index: int) -> float | None:
    """Give the accuracy of a Galileo signal-in-space accuracy index, m; None where it tells none.

    Four steps: 1 cm up to 49, then 2, 4 and 16 cm. 126 to 254 are spare, 255 means no prediction.
    From memory of the Galileo OS SIS ICD.

    Examples
    --------
    >>> sisa_m(49), sisa_m(107), sisa_m(125), sisa_m(126)
    (0.49, 3.12, 6.0, None)
    """
    if index < 50:
        centimetres = index
    elif index < 75:
        centimetres = 50 + 2 * (index - 50)
    elif index < 100:
        centimetres = 100 + 4 * (index - 75)
    elif index <= 125:
        centimetres = 200 + 16 * (index - 100)
    else:
        return None
    return centimetres / 100


def _with_accuracy(
    index_name: str, metres: Callable[[int], float | None]
) -> Callable[[Record], Record]:
    """Give a function that adds `accuracy_m` beside an index."""

    def derive(values: Record) -> Record:
        result: Record = {}
        for name, value in values.items():
            result[name] = value
            if name == index_name:
                result["accuracy_m"] = metres(value)
        return result

    return derive


with_ura_m = _with_accuracy("ura_index", ura_m)
with_sisa_m = _with_accuracy("sisa_index", sisa_m)

# fmt: off

# ---- GPS 1019 --------------------------------------------------------------------------------

GPS: tuple[Field, ...] = (
    MESSAGE_NUMBER,
    GPS_SATELLITE_HEAD,
    unsigned("DF076", "week", 10),  # modulo 1024
    unsigned("DF077", "ura_index", 4, meanings=URA_MEANINGS),
    unsigned("DF078", "code_on_l2", 2, meanings={1: "P code", 2: "C/A code"}),
    angle("DF079", "idot_rad_s", 14, two_to(-43), "rad/s"),
    GPS_IODE,
    unsigned("DF081", "toc_s", 16, two_to(4), "s"),
    signed("DF082", "af2_s_s2", 8, two_to(-55), "s/s2"),
    signed("DF083", "af1_s_s", 16, two_to(-43), "s/s"),
    signed("DF084", "af0_s", 22, two_to(-31), "s"),
    unsigned("DF085", "iodc", 10),
    signed("DF086", "crs_m", 16, two_to(-5), "m"),
    angle("DF087", "delta_n_rad_s", 16, two_to(-43), "rad/s"),
    angle("DF088", "m0_rad", 32, two_to(-31)),
    signed("DF089", "cuc_rad", 16, two_to(-29), "rad"),
    unsigned("DF090", "eccentricity", 32, two_to(-33)),
    signed("DF091", "cus_rad", 16, two_to(-29), "rad"),
    unsigned("DF092", "sqrt_a_sqrt_m", 32, two_to(-19), "sqrt(m)"),
    unsigned("DF093", "toe_s", 16, two_to(4), "s"),
    signed("DF094", "cic_rad", 16, two_to(-29), "rad"),
    angle("DF095", "omega0_rad", 32, two_to(-31)),
    signed("DF096", "cis_rad", 16, two_to(-29), "rad"),
    angle("DF097", "i0_rad", 32, two_to(-31)),
    signed("DF098", "crc_m", 16, two_to(-5), "m"),
    angle("DF099", "omega_rad", 32, two_to(-31)),
    angle("DF100", "omega_dot_rad_s", 24, two_to(-43), "rad/s"),
    signed("DF101", "tgd_s", 8, two_to(-31), "s"),
    unsigned("DF102", "health", 6, meanings={0: "healthy"}),
    flag("DF103", "l2p_data_flag", "data on L2 P(Y)", "no data on L2 P(Y)"),
    flag("DF137", "fit_interval_flag", "fit interval 4 h", "fit interval longer than 4 h"),
)

# ---- QZSS 1044 -------------------------------------------------------------------------------

QZSS: tuple[Field, ...] = (
    MESSAGE_NUMBER,
    head("DF429", "satellite", 4, convert=satellites_of("J")),
    unsigned("DF430", "toc_s", 16, two_to(4), "s"),
    signed("DF431", "af2_s_s2", 8, two_to(-55), "s/s2"),
    signed("DF432", "af1_s_s", 16, two_to(-43), "s/s"),
    signed("DF433", "af0_s", 22, two_to(-31), "s"),
    unsigned("DF434", "iode", 8),
    signed("DF435", "crs_m", 16, two_to(-5), "m"),
    angle("DF436", "delta_n_rad_s", 16, two_to(-43), "rad/s"),
    angle("DF437", "m0_rad", 32, two_to(-31)),
    signed("DF438", "cuc_rad", 16, two_to(-29), "rad"),
    unsigned("DF439", "eccentricity", 32, two_to(-33)),
    signed("DF440", "cus_rad", 16, two_to(-29), "rad"),
    unsigned("DF441", "sqrt_a_sqrt_m", 32, two_to(-19), "sqrt(m)"),
    unsigned("DF442", "toe_s", 16, two_to(4), "s"),
    signed("DF443", "cic_rad", 16, two_to(-29), "rad"),
    angle("DF444", "omega0_rad", 32, two_to(-31)),
    signed("DF445", "cis_rad", 16, two_to(-29), "rad"),
    angle("DF446", "i0_rad", 32, two_to(-31)),
    signed("DF447", "crc_m", 16, two_to(-5), "m"),
    angle("DF448", "omega_rad", 32, two_to(-31)),
    angle("DF449", "omega_dot_rad_s", 24, two_to(-43), "rad/s"),
    angle("DF450", "idot_rad_s", 14, two_to(-43), "rad/s"),
    unsigned("DF451", "code_on_l2", 2),
    unsigned("DF452", "week", 10),  # modulo 1024
    unsigned("DF453", "ura_index", 4, meanings=URA_MEANINGS),
    unsigned("DF454", "health", 6, meanings={0: "healthy"}),
    signed("DF455", "tgd_s", 8, two_to(-31), "s", invalid=-128,
           source=f"{RTCM}; not available from memory of IS-QZSS"),
    unsigned("DF456", "iodc", 10),
    flag("DF457", "fit_interval_flag", "fit interval 2 h", "fit interval longer than 2 h"),
)

# ---- Galileo 1045 (F/NAV) and 1046 (I/NAV) ---------------------------------------------------

_SIGNAL_HEALTH = {  # from memory of the Galileo OS SIS ICD
    0: "signal OK", 1: "signal out of service", 2: "signal will be out of service",
    3: "signal in test",
}
_GALILEO: tuple[Field, ...] = (
    MESSAGE_NUMBER,
    GALILEO_SATELLITE_HEAD,
    unsigned("DF289", "week", 12),  # Galileo week = GPS week - 1024
    GALILEO_IODNAV,
    unsigned("DF291", "sisa_index", 8, meanings={255: "no accuracy prediction"}),
    angle("DF292", "idot_rad_s", 14, two_to(-43), "rad/s"),
    unsigned("DF293", "toc_s", 14, Fraction(60), "s"),
    signed("DF294", "af2_s_s2", 6, two_to(-59), "s/s2"),
    signed("DF295", "af1_s_s", 21, two_to(-46), "s/s"),
    signed("DF296", "af0_s", 31, two_to(-34), "s"),
    signed("DF297", "crs_m", 16, two_to(-5), "m"),
    angle("DF298", "delta_n_rad_s", 16, two_to(-43), "rad/s"),
    angle("DF299", "m0_rad", 32, two_to(-31)),
    signed("DF300", "cuc_rad", 16, two_to(-29), "rad"),
    unsigned("DF301", "eccentricity", 32, two_to(-33)),
    signed("DF302", "cus_rad", 16, two_to(-29), "rad"),
    unsigned("DF303", "sqrt_a_sqrt_m", 32, two_to(-19), "sqrt(m)"),
    unsigned("DF304", "toe_s", 14, Fraction(60), "s"),
    signed("DF305", "cic_rad", 16, two_to(-29), "rad"),
    angle("DF306", "omega0_rad", 32, two_to(-31)),
    signed("DF307", "cis_rad", 16, two_to(-29), "rad"),
    angle("DF308", "i0_rad", 32, two_to(-31)),
    signed("DF309", "crc_m", 16, two_to(-5), "m"),
    angle("DF310", "omega_rad", 32, two_to(-31)),
    angle("DF311", "omega_dot_rad_s", 24, two_to(-43), "rad/s"),
    signed("DF312", "bgd_e5a_e1_s", 10, two_to(-32), "s"),
)
GALILEO_F_NAV: tuple[Field, ...] = (
    *_GALILEO,
    unsigned("DF314", "e5a_health", 2, meanings=_SIGNAL_HEALTH),
    flag("DF315", "e5a_data_invalid", "navigation data valid", "working without guarantee"),
    reserved(7),
)
GALILEO_I_NAV: tuple[Field, ...] = (
    *_GALILEO,
    signed("DF313", "bgd_e5b_e1_s", 10, two_to(-32), "s"),
    unsigned("DF316", "e5b_health", 2, meanings=_SIGNAL_HEALTH),
    flag("DF317", "e5b_data_invalid", "navigation data valid", "working without guarantee"),
    unsigned("DF287", "e1b_health", 2, meanings=_SIGNAL_HEALTH),
    flag("DF288", "e1b_data_invalid", "navigation data valid", "working without guarantee"),
    reserved(2),
)

# ---- BDS 1042 (times in BDT) -----------------------------------------------------------------

BDS: tuple[Field, ...] = (
    MESSAGE_NUMBER,
    head("DF488", "satellite", 6, convert=satellites_of("C")),
    unsigned("DF489", "week", 13),  # BDT week; GPS week = + 1356
    unsigned("DF490", "ura_index", 4, meanings=URA_MEANINGS),
    angle("DF491", "idot_rad_s", 14, two_to(-43), "rad/s"),
    unsigned("DF492", "aode", 5),
    unsigned("DF493", "toc_s", 17, two_to(3), "s"),
    signed("DF494", "af2_s_s2", 11, two_to(-66), "s/s2"),
    signed("DF495", "af1_s_s", 22, two_to(-50), "s/s"),
    signed("DF496", "af0_s", 24, two_to(-33), "s"),
    unsigned("DF497", "aodc", 5),
    signed("DF498", "crs_m", 18, two_to(-6), "m"),
    angle("DF499", "delta_n_rad_s", 16, two_to(-43), "rad/s"),
    angle("DF500", "m0_rad", 32, two_to(-31)),
    signed("DF501", "cuc_rad", 18, two_to(-31), "rad"),
    unsigned("DF502", "eccentricity", 32, two_to(-33)),
    signed("DF503", "cus_rad", 18, two_to(-31), "rad"),
    unsigned("DF504", "sqrt_a_sqrt_m", 32, two_to(-19), "sqrt(m)"),
    unsigned("DF505", "toe_s", 17, two_to(3), "s"),
    signed("DF506", "cic_rad", 18, two_to(-31), "rad"),
    angle("DF507", "omega0_rad", 32, two_to(-31)),
    signed("DF508", "cis_rad", 18, two_to(-31), "rad"),
    angle("DF509", "i0_rad", 32, two_to(-31)),
    signed("DF510", "crc_m", 18, two_to(-6), "m"),
    angle("DF511", "omega_rad", 32, two_to(-31)),
    angle("DF512", "omega_dot_rad_s", 24, two_to(-43), "rad/s"),
    signed("DF513", "tgd1_s", 10, Fraction(1, 10**10), "s"),
    signed("DF514", "tgd2_s", 10, Fraction(1, 10**10), "s"),
    unsigned("DF515", "health", 1, meanings={0: "healthy", 1: "unhealthy"}),
)

# ---- GLONASS 1020 ----------------------------------------------------------------------------

_KILOMETRE = 1000


def _tk_s(raw: int) -> int:
    """Give the time of the frame within the day: 5 bits hours, 6 minutes, 1 half minutes."""
    return (raw >> 7) * 3600 + (raw >> 1 & 63) * 60 + (raw & 1) * 30


def _axis(axis: str, first: int) -> tuple[Field, ...]:
    """Give velocity, position and acceleration along one axis, sent in kilometres."""
    return (
        sign_magnitude(f"DF{first}", f"v{axis}_m_s", 24, two_to(-20) * _KILOMETRE, "m/s"),
        sign_magnitude(f"DF{first + 1}", f"{axis}_m", 27, two_to(-11) * _KILOMETRE, "m"),
        sign_magnitude(f"DF{first + 2}", f"a{axis}_m_s2", 5, two_to(-30) * _KILOMETRE, "m/s2"),
    )


# m_...: sent by GLONASS-M satellites only.
GLONASS: tuple[Field, ...] = (
    MESSAGE_NUMBER,
    GLONASS_SLOT_HEAD,
    FREQUENCY_CHANNEL,
    flag("DF104", "almanac_health", "not operable", "operable"),
    flag("DF105", "almanac_health_available", "almanac health not available", "available"),
    unsigned("DF106", "p1", 2, meanings={
        0: "ephemerides do not change", 1: "tb every 30 min", 2: "tb every 45 min",
        3: "tb every 60 min",
    }),
    unsigned("DF107", "tk_s", 12, unit="s", convert=_tk_s),
    flag("DF108", "bn_msb", "healthy", "unhealthy"),
    flag("DF109", "p2", "tb is even", "tb is odd"),
    unsigned("DF110", "tb_s", 7, Fraction(900), "s"),
    *_axis("x", 111),
    *_axis("y", 114),
    *_axis("z", 117),
    flag("DF120", "p3", "almanac of 4 satellites in the frame", "almanac of 5 satellites"),
    sign_magnitude("DF121", "gamma_n", 11, two_to(-40)),
    unsigned("DF122", "m_p", 2),
    flag("DF123", "m_ln3", "healthy", "unhealthy"),
    sign_magnitude("DF124", "tau_n_s", 22, two_to(-30), "s"),  # clock correction is minus this
    sign_magnitude("DF125", "m_delta_tau_n_s", 5, two_to(-30), "s"),
    unsigned("DF126", "e_n_days", 5, unit="d"),
    flag("DF127", "m_p4", "no new ephemeris", "ephemeris renewed"),
    unsigned("DF128", "m_ft", 4, meanings={  # from memory of the GLONASS ICD 5.1
        0: "1 m", 1: "2 m", 2: "2.5 m", 3: "4 m", 4: "5 m", 5: "7 m", 6: "10 m", 7: "12 m",
        8: "14 m", 9: "16 m", 10: "32 m", 11: "64 m", 12: "128 m", 13: "256 m", 14: "512 m",
        15: "not used",
    }),
    unsigned("DF129", "m_nt", 11, unit="d"),  # 1 = 1 January of the leap year
    unsigned("DF130", "m_m", 2, meanings={0: "GLONASS", 1: "GLONASS-M"}),
    flag("DF131", "additional_data", "the next five fields are not valid", "valid"),
    unsigned("DF132", "n_a", 11, unit="d"),
    sign_magnitude("DF133", "tau_c_s", 32, two_to(-31), "s"),
    unsigned("DF134", "m_n4", 5),  # four-year period from 1996
    sign_magnitude("DF135", "m_tau_gps_s", 22, two_to(-30), "s",
                   source=f"{RTCM}; seconds or days is not certain"),
    flag("DF136", "m_ln5", "healthy", "unhealthy"),
    reserved(7),
)

# ---- NavIC 1041 ------------------------------------------------------------------------------

_NAVIC: tuple[Field, ...] = (
    head("DF516", "satellite", 6, convert=satellites_of("I")),
    unsigned("DF517", "week", 10),  # modulo 1024
    signed("DF518", "af0_s", 22, two_to(-31), "s"),
    signed("DF519", "af1_s_s", 16, two_to(-43), "s/s"),
    signed("DF520", "af2_s_s2", 8, two_to(-55), "s/s2"),
    unsigned("DF521", "ura_index", 4, meanings=URA_MEANINGS),
    unsigned("DF522", "toc_s", 16, two_to(4), "s"),
    signed("DF523", "tgd_s", 8, two_to(-31), "s"),
    angle("DF524", "delta_n_rad_s", 22, two_to(-41), "rad/s"),
    unsigned("DF525", "iodec", 8),
    unsigned("DF526", "reserved", 10, role=Role.RESERVED),
    flag("DF527", "l5_flag", "healthy", "unhealthy"),
    flag("DF528", "s_flag", "healthy", "unhealthy"),
    signed("DF529", "cuc_rad", 15, two_to(-28), "rad"),
    signed("DF530", "cus_rad", 15, two_to(-28), "rad"),
    signed("DF531", "cic_rad", 15, two_to(-28), "rad"),
    signed("DF532", "cis_rad", 15, two_to(-28), "rad"),
    signed("DF533", "crc_m", 15, two_to(-4), "m"),
    signed("DF534", "crs_m", 15, two_to(-4), "m"),
    angle("DF535", "idot_rad_s", 14, two_to(-43), "rad/s"),
    angle("DF536", "m0_rad", 32, two_to(-31)),
    unsigned("DF537", "toe_s", 16, two_to(4), "s"),
    unsigned("DF538", "eccentricity", 32, two_to(-33)),
    unsigned("DF539", "sqrt_a_sqrt_m", 32, two_to(-19), "sqrt(m)"),
    angle("DF540", "omega0_rad", 32, two_to(-31)),
    angle("DF541", "omega_rad", 32, two_to(-31)),
    angle("DF542", "omega_dot_rad_s", 22, two_to(-41), "rad/s"),
    angle("DF543", "i0_rad", 32, two_to(-31)),
    unsigned("DF544", "reserved_2", 2, role=Role.RESERVED),
    unsigned("DF545", "reserved_3", 2, role=Role.RESERVED),
)
_NAVIC_SOURCE = f"{RTCM}; field numbers not certain, scales from memory of the NavIC ICD"
NAVIC = (MESSAGE_NUMBER, *(replace(field, source=_NAVIC_SOURCE) for field in _NAVIC))

# fmt: on

LAYOUTS: tuple[Layout, ...] = (
    Layout(1019, "GPS ephemeris", GPS, FAMILY, "G", source=RTCM, derive=with_ura_m),
    Layout(1020, "GLONASS ephemeris", GLONASS, FAMILY, "R", source=RTCM),
    Layout(1041, "NavIC ephemeris", NAVIC, FAMILY, "I", source=RTCM, derive=with_ura_m),
    Layout(1042, "BeiDou ephemeris", BDS, FAMILY, "C", source=RTCM, derive=with_ura_m),
    Layout(1044, "QZSS ephemeris", QZSS, FAMILY, "J", source=RTCM, derive=with_ura_m),
    Layout(
        1045, "Galileo F/NAV ephemeris", GALILEO_F_NAV, FAMILY, "E", source=RTCM, derive=with_sisa_m
    ),
    Layout(
        1046, "Galileo I/NAV ephemeris", GALILEO_I_NAV, FAMILY, "E", source=RTCM, derive=with_sisa_m
    ),
)
