"""Orbits, clocks and group delays that no satellite has, of the size that satellites have.

Shapes of the constellations (planes, inclinations, orbit sizes, resonances) are those the ICDs and
the systems' own descriptions give (from memory); sizes of perturbation terms, clocks and delays are
those seen in recorded navigation files. Everything else comes from a seed.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss.ephemerides import (
    BEIDOU_GEO_NUMBERS,
    D1,
    D2,
    INAV,
    LNAV,
    ORBIT_CONSTANTS,
    GlonassEphemeris,
    KeplerEphemeris,
)
from rtcmtool.gnss.time import BDT_BEHIND_GPS_S, SECONDS_PER_WEEK

FloatArray = npt.NDArray[np.float64]

_SOURCES = {"G": LNAV, "J": LNAV, "E": INAV}
_GEO_TILT_RAD = math.radians(-5.0)  # BDS-SIS-ICD, from memory
_SYNCHRONOUS_ROOT = 6493.4  # sqrt(m): one turn a sidereal day

# Channels of slots 1 to 24: opposite satellites of a plane share one. As the public almanacs of the
# 2010s and 2020s have it (from memory).
GLONASS_CHANNELS = (
    1,
    -4,
    5,
    6,
    1,
    -4,
    5,
    6,
    -2,
    -7,
    0,
    -1,
    -2,
    -7,
    0,
    -1,
    4,
    -3,
    3,
    2,
    4,
    -3,
    3,
    2,
)
_GLONASS_AXIS_M = 25_508_000.0
_GLONASS_INCLINATION_RAD = math.radians(64.8)


@dataclass(frozen=True, slots=True)
class Shell:
    """Satellites in evenly spread planes.

    `numbers` are dealt out plane by plane; `phase` is the shift from plane to plane, in units of
    one place of a plane; the spreads are how far from even things are, degrees.
    """

    system: str
    numbers: tuple[int, ...]
    planes: int
    sqrt_a_sqrt_m: float
    inclination_deg: float
    greatest_eccentricity: float
    phase: float
    place_spread_deg: float


@dataclass(frozen=True, slots=True)
class Synchronous:
    """A satellite that turns with the Earth above a longitude."""

    system: str
    number: int
    longitude_deg: float
    inclination_deg: float
    eccentricity: float
    perigee_deg: float = 270.0


_SHELLS = {
    "G": Shell("G", tuple(range(1, 33)), 6, 5153.65, 55.0, 0.015, 0.35, 6.0),
    "E": Shell("E", (*range(1, 6), *range(7, 14), 15, 19, 21, *range(24, 28), *range(30, 35), 36),
               3, 5440.61, 56.0, 4e-4, 0.33, 0.5),
    "C": Shell("C", (*range(19, 31), *range(32, 38), *range(41, 47)), 3, 5282.62, 55.0, 9e-4, 0.33,
               0.5),
}  # fmt: skip
_SYNCHRONOUS = {
    "C": (
        *(Synchronous("C", 38 + place, 118.0, 55.0, 0.003) for place in range(3)),
        Synchronous("C", 59, 140.0, 1.5, 3e-4),
        Synchronous("C", 60, 80.0, 1.2, 4e-4),
        Synchronous("C", 61, 110.5, 0.9, 2e-4),
    ),
    "J": (
        *(Synchronous("J", 2 + place, 136.0, 40.0, 0.075) for place in range(3)),
        Synchronous("J", 7, 127.0, 0.06, 2e-4),
    ),
}
_GPS_ONE_LEFT_OUT = 1  # 31 of 32 numbers are in use


def invent_kepler(system: str, gps_ms: int, seed: int) -> Iterator[tuple[KeplerEphemeris, int]]:
    """Invent the satellites of a system that sends Kepler elements.

    Parameters
    ----------
    system : str
        G, E, C or J.
    gps_ms : int
        Reference time of the elements, brought to the full hour before.
    seed : int
        Same seed, same satellites.

    Yields
    ------
    ephemeris, lag_s
        Elements not yet rounded; how long after it is due the satellite sends a new record.
    """
    draw = np.random.Generator(np.random.Philox(key=(seed, ord(system))))
    behind = BDT_BEHIND_GPS_S if system == "C" else 0
    toe_s = (gps_ms // 1000 - behind) // 3600 * 3600 + behind
    for number, geometry in _places(system, toe_s - behind, draw):
        lag_s = int(draw.integers(2, 7)) * 6
        yield _with_the_rest(system, number, float(toe_s), geometry, draw), lag_s


def _places(
    system: str, toe_s: int, draw: np.random.Generator
) -> Iterator[tuple[int, dict[str, float]]]:
    """Give number and orbit of each satellite; toe on the system's own scale."""
    shell = _SHELLS.get(system)
    if shell is not None:
        yield from _shell_places(shell, draw)
    for place, satellite in enumerate(_SYNCHRONOUS.get(system, ())):
        yield satellite.number, _synchronous_place(satellite, place, toe_s)


def _shell_places(
    shell: Shell, draw: np.random.Generator
) -> Iterator[tuple[int, dict[str, float]]]:
    numbers = list(draw.permutation(shell.numbers))
    if shell.system == "G":
        numbers = numbers[_GPS_ONE_LEFT_OUT:]
    turn, start = draw.uniform(0.0, 360.0, 2)
    for plane, members in enumerate(np.array_split(np.array(numbers), shell.planes)):
        step = 360.0 / len(members)
        tilt = shell.inclination_deg + draw.uniform(-0.8, 0.8)
        node = turn + plane * 360.0 / shell.planes
        for place, number in enumerate(members):
            perigee = draw.uniform(-180.0, 180.0)
            along = start + step * (place + plane * shell.phase)
            along += draw.uniform(-1.0, 1.0) * shell.place_spread_deg
            yield (
                int(number),
                {
                    "sqrt_a_sqrt_m": shell.sqrt_a_sqrt_m + draw.uniform(-0.02, 0.02),
                    "eccentricity": draw.uniform(0.1, 1.0) * shell.greatest_eccentricity,
                    "i0_rad": math.radians(tilt + draw.uniform(-0.2, 0.2)),
                    "omega0_rad": math.radians(node + draw.uniform(-1.0, 1.0)),
                    "omega_rad": math.radians(perigee),
                    "m0_rad": math.radians(along - perigee),
                },
            )


def _synchronous_place(satellite: Synchronous, place: int, toe_s: int) -> dict[str, float]:
    """Place a satellite so that its track stays around its longitude.

    Companions of one track share it: their nodes stand a third of a turn apart, and so does the
    time at which they pass the equator.
    """
    third = math.radians(120.0 * place) if satellite.inclination_deg > 10.0 else 0.0
    perigee = math.radians(satellite.perigee_deg)
    # At toe the node has turned away with the Earth since the begin of the week; mean argument of
    # latitude and node together make the longitude.
    _, earth_rate = ORBIT_CONSTANTS[satellite.system]
    longitude = math.radians(satellite.longitude_deg) + earth_rate * (toe_s % SECONDS_PER_WEEK)
    return {
        "sqrt_a_sqrt_m": _SYNCHRONOUS_ROOT,
        "eccentricity": satellite.eccentricity,
        "i0_rad": math.radians(satellite.inclination_deg),
        "omega0_rad": third,
        "omega_rad": perigee,
        "m0_rad": longitude - third - perigee,
    }


def _with_the_rest(
    system: str, number: int, toe_s: float, place: dict[str, float], draw: np.random.Generator
) -> KeplerEphemeris:
    """Add perturbation terms, clock and delays to an orbit."""
    is_geo = system == "C" and number in BEIDOU_GEO_NUMBERS
    is_high = place["sqrt_a_sqrt_m"] > 6000.0
    harmonic = draw.normal(size=6)
    if is_geo:  # their form turns with every record, and harmonic terms would not turn with it
        harmonic_size, mean_cus, mean_crc = 0.0, 0.0, 0.0
    else:
        harmonic_size, mean_cus, mean_crc = 1.0, 7e-6, 220.0
    cuc, cus, crc, crs, cic, cis = (harmonic_size * harmonic).tolist()
    clock, rate, first_delay, second_delay, idot = draw.uniform(-1.0, 1.0, 5).tolist()
    record = KeplerEphemeris(
        system=system,
        number=number,
        source=_SOURCES.get(system, D2 if is_geo else D1),
        toe_gps_s=toe_s,
        toc_gps_s=toe_s,
        transmitted_gps_s=toe_s,
        sqrt_a_sqrt_m=place["sqrt_a_sqrt_m"],
        eccentricity=place["eccentricity"],
        i0_rad=place["i0_rad"],
        omega0_rad=place["omega0_rad"],
        omega_rad=place["omega_rad"],
        m0_rad=place["m0_rad"],
        delta_n_rad_s=0.0 if is_high else 4.3e-9,
        omega_dot_rad_s=0.0 if is_high else {"G": -8.1e-9, "E": -5.6e-9}.get(system, -6.7e-9),
        idot_rad_s=0.0 if is_high else 3e-10 * idot,
        cuc_rad=1.5e-6 * cuc,
        cus_rad=mean_cus + 1.5e-6 * cus,
        crc_m=mean_crc + 50.0 * crc,
        crs_m=50.0 * crs,
        cic_rad=6e-8 * cic,
        cis_rad=6e-8 * cis,
        af0_s=5e-4 * clock,
        af1_s_s=8e-12 * rate,
        af2_s_s2=0.0,
        tgd_s=1.1e-8 * first_delay if system in "GJ" else 0.0,
        bgd_e5a_e1_s=5e-9 * first_delay if system == "E" else 0.0,
        bgd_e5b_e1_s=6e-9 * first_delay if system == "E" else 0.0,
        tgd1_s=1.4e-8 * first_delay if system == "C" else 0.0,
        tgd2_s=1.0e-8 * second_delay if system == "C" else 0.0,
        accuracy_m=3.12 if system == "E" else 2.0,
    )
    return _tilted(record) if is_geo else record


def _tilted(record: KeplerEphemeris) -> KeplerEphemeris:
    """Turn an equatorial orbit into the frame of the geostationary form.

    That form holds an orbit in the earth-fixed frame of its reference time, tilted by 5 degrees.
    """
    toe_of_week_s = (record.toe_gps_s - BDT_BEHIND_GPS_S) % SECONDS_PER_WEEK
    week_turn = ORBIT_CONSTANTS["C"][1] * toe_of_week_s
    orbit = (
        _about_z(record.omega0_rad - week_turn)
        @ _about_x(record.i0_rad)
        @ _about_z(record.omega_rad)
    )
    return _with_orientation(record, _about_x(_GEO_TILT_RAD) @ orbit, week_turn)


def geostationary_at(
    record: KeplerEphemeris, elapsed_s: float, before_s: float, after_s: float
) -> KeplerEphemeris:
    """Turn the frame of a geostationary record to another reference time.

    Parameters
    ----------
    record : KeplerEphemeris
        BeiDou geostationary; its mean anomaly and clock are at the new time already.
    elapsed_s : float
        New minus old reference time.
    before_s, after_s : float
        The two reference times, s of the BeiDou week.

    Notes
    -----
    The frame is earth-fixed at the reference time and at rest from then on, so at a later one the
    same orbit has turned about the Earth's pole. Exact for records without harmonic terms.
    """
    _, earth_rate = ORBIT_CONSTANTS["C"]
    orbit = (
        _about_z(record.omega0_rad - earth_rate * before_s)
        @ _about_x(record.i0_rad)
        @ _about_z(record.omega_rad)
    )
    tilt = _about_x(_GEO_TILT_RAD)
    turned = tilt @ _about_z(-earth_rate * elapsed_s) @ tilt.T @ orbit
    return _with_orientation(record, turned, earth_rate * after_s)


def _with_orientation(
    record: KeplerEphemeris, orbit: FloatArray, week_turn_rad: float
) -> KeplerEphemeris:
    """Read node, inclination and perigee from the matrix of perifocal axes."""
    return replace(
        record,
        i0_rad=math.acos(float(orbit[2, 2])),
        omega0_rad=math.atan2(orbit[0, 2], -orbit[1, 2]) + week_turn_rad,
        omega_rad=math.atan2(orbit[2, 0], orbit[2, 1]),
    )


def _about_z(angle_rad: float) -> FloatArray:
    sine, cosine = math.sin(angle_rad), math.cos(angle_rad)
    return np.array([[cosine, -sine, 0.0], [sine, cosine, 0.0], [0.0, 0.0, 1.0]])


def _about_x(angle_rad: float) -> FloatArray:
    sine, cosine = math.sin(angle_rad), math.cos(angle_rad)
    return np.array([[1.0, 0.0, 0.0], [0.0, cosine, -sine], [0.0, sine, cosine]])


def invent_glonass(
    tb_gps_s: int, gps_ms: int, seed: int
) -> tuple[list[GlonassEphemeris], list[int]]:
    """Invent the 24 GLONASS satellites.

    Parameters
    ----------
    tb_gps_s : int
        Reference time, s of GPS time.
    gps_ms : int
        Time from which the Earth's orientation is taken.
    seed : int
        Same seed, same satellites.

    Returns
    -------
    ephemerides, lags_s
        States not yet rounded; how long after it is due each satellite sends a new record.
    """
    draw = np.random.Generator(np.random.Philox(key=(seed, ord("R"))))
    turn, start = draw.uniform(0.0, 360.0, 2)
    records, lags = [], []
    for place, channel in enumerate(GLONASS_CHANNELS):
        plane, along = divmod(place, 8)
        node = math.radians(turn + 120.0 * plane)
        argument = math.radians(start + 45.0 * along + 15.0 * plane + draw.uniform(-0.5, 0.5))
        position, velocity = _circular_state(node, argument, draw.uniform(0.0, 1e-3))
        pull = draw.integers(-2, 3, size=3) * 2.0**-30 * 1000.0
        clock, drift, delay = draw.uniform(-1.0, 1.0, 3)
        records.append(
            GlonassEphemeris(
                number=place + 1,
                frequency_channel=channel,
                tb_gps_s=float(tb_gps_s),
                transmitted_gps_s=float(tb_gps_s),
                x_m=float(position[0]),
                y_m=float(position[1]),
                z_m=float(position[2]),
                vx_m_s=float(velocity[0]),
                vy_m_s=float(velocity[1]),
                vz_m_s=float(velocity[2]),
                ax_m_s2=float(pull[0]),
                ay_m_s2=float(pull[1]),
                az_m_s2=float(pull[2]),
                tau_n_s=2e-4 * float(clock),
                gamma_n=3e-12 * float(drift),
                delta_tau_n_s=6e-9 * float(delay),
                accuracy_m=2.5,
                issue_of_data=0,
            )
        )
        lags.append(int(draw.integers(1, 6)) * 6)
    return records, lags


def _circular_state(
    node_rad: float, argument_rad: float, eccentricity: float
) -> tuple[FloatArray, FloatArray]:
    """Give position and velocity in the turning frame, at perigee of a nearly round orbit."""
    gm, earth_rate = ORBIT_CONSTANTS["R"]
    orbit = _about_z(node_rad) @ _about_x(_GLONASS_INCLINATION_RAD) @ _about_z(argument_rad)
    radius = _GLONASS_AXIS_M * (1.0 - eccentricity)
    speed = math.sqrt(gm * (2.0 / radius - 1.0 / _GLONASS_AXIS_M))
    position = radius * orbit[:, 0]
    velocity = speed * orbit[:, 1]
    velocity[0] += earth_rate * position[1]
    velocity[1] -= earth_rate * position[0]
    return position, velocity
