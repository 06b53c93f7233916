"""How strong a UHF signal arrives, and how many of its bits are then wrong.

Two bounds: free space, never reached with antennas on poles, and the plane earth (two rays), to
which a loss for trees and ground comes.

References
----------
ITU-R P.525 (free-space loss) and ITU-R P.526 (plane earth), from memory. ETSI EN 300 113: usable
sensitivity near -110 dBm at a bit error rate of 1e-2, from memory and not certain.
"""

import math

_SENSITIVITY_DBM = -110.0
_ERRORS_AT_SENSITIVITY = 1e-2
_DIPOLE_GAIN_DBI = 2.15
_CABLE_LOSS_DB = 2.0


def free_space_loss_db(frequency_mhz: float, distance_km: float) -> float:
    """Give the free-space loss between isotropic antennas, dB.

    Examples
    --------
    >>> round(free_space_loss_db(450.0, 10.0), 1)
    105.5
    """
    return 32.448 + 20.0 * math.log10(frequency_mhz) + 20.0 * math.log10(distance_km)


def two_ray_loss_db(
    frequency_mhz: float, distance_km: float, first_height_m: float, second_height_m: float
) -> float:
    """Give the loss over a plane earth, dB; never less than in free space.

    Parameters
    ----------
    frequency_mhz, distance_km : float
        Carrier and length of the path.
    first_height_m, second_height_m : float
        Antennas above the ground.

    Notes
    -----
    40 log d - 20 log h1 - 20 log h2 holds beyond about 4 h1 h2 / wavelength; nearer, the free-space
    loss is the greater one.
    """
    plane_db = 40.0 * math.log10(distance_km * 1000.0)
    plane_db -= 20.0 * math.log10(first_height_m) + 20.0 * math.log10(second_height_m)
    return max(plane_db, free_space_loss_db(frequency_mhz, distance_km))


def received_dbm(power_w: float, loss_db: float) -> float:
    """Give the power that arrives with dipoles at both ends and usual cables, dBm.

    Examples
    --------
    >>> round(received_dbm(4.0, free_space_loss_db(450.0, 5.0)), 1)
    -61.2
    """
    sent_dbm = 10.0 * math.log10(power_w * 1000.0)
    return sent_dbm + 2.0 * _DIPOLE_GAIN_DBI - _CABLE_LOSS_DB - loss_db


def bit_error_rate(power_dbm: float) -> float:
    """Give the share of wrong bits at a received power.

    Notes
    -----
    Non-coherent keying, exp(-s/2) / 2 with s the ratio of signal to noise a bit, set so that the
    usable sensitivity gives its bit error rate. Fading is not in it: our judgement.

    Examples
    --------
    >>> round(bit_error_rate(-110.0), 6)
    0.01
    """
    at_sensitivity = -2.0 * math.log(2.0 * _ERRORS_AT_SENSITIVITY)
    ratio = at_sensitivity * 10.0 ** ((power_dbm - _SENSITIVITY_DBM) / 10.0)
    return 0.5 * math.exp(-min(ratio, 1000.0) / 2.0)
