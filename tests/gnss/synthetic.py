"""Made-up ephemerides for tests that need no recording."""

from rtcmtool.gnss.ephemerides import GlonassEphemeris, KeplerEphemeris
from rtcmtool.gnss.time import SECONDS_PER_WEEK

TOE_OF_WEEK_S = 345_600
WEEK = 2200


def kepler(system="C", number=3, **changes):
    """Give the record of the check table for the BeiDou form, changed as asked."""
    behind = 14 if system == "C" else 0
    toe = float(WEEK * SECONDS_PER_WEEK + TOE_OF_WEEK_S + behind)
    values = {
        "system": system,
        "number": number,
        "source": {"C": "d1", "E": "inav"}.get(system, "lnav"),
        "toe_gps_s": toe,
        "toc_gps_s": toe,
        "transmitted_gps_s": toe,
        "sqrt_a_sqrt_m": 6493.4,
        "eccentricity": 0.0005,
        "i0_rad": 0.1,
        "omega0_rad": 2.0,
        "omega_rad": 1.0,
        "m0_rad": 0.5,
        "delta_n_rad_s": 4e-9,
        "omega_dot_rad_s": -3e-9,
        "idot_rad_s": 1e-10,
        "cuc_rad": 3e-6,
        "cus_rad": 5e-6,
        "crc_m": -150.0,
        "crs_m": 100.0,
        "cic_rad": 1e-8,
        "cis_rad": -2e-8,
        "af0_s": 1e-4,
        "af1_s_s": 2e-11,
        "af2_s_s2": 0.0,
    }
    return KeplerEphemeris(**(values | changes))


def glonass(**changes):
    """Give the state of the example in the GLONASS ICD 5.1."""
    toe = float(WEEK * SECONDS_PER_WEEK + TOE_OF_WEEK_S + 18)
    values = {
        "number": 5,
        "frequency_channel": 1,
        "tb_gps_s": toe,
        "transmitted_gps_s": toe,
        "x_m": 7003008.789,
        "y_m": -12206626.953,
        "z_m": 21280765.625,
        "vx_m_s": 783.5417,
        "vy_m_s": 2804.2530,
        "vz_m_s": 1352.5150,
        "ax_m_s2": 0.0,
        "ay_m_s2": 1.7e-6,
        "az_m_s2": -5.41e-6,
        "tau_n_s": 1e-4,
        "gamma_n": 1e-12,
    }
    return GlonassEphemeris(**(values | changes))
