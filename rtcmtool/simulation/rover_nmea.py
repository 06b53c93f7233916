"""Sentences that a rover prints: GGA, GST, GSA, GSV and RMC.

NMEA 0183 version 4.11 (IEC 61162-1), from memory; more decimals than the standard's examples, as
rovers of centimetres print them, so a GGA is longer than 82 characters.
"""

import functools
import math
import operator
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from rtcmtool.gnss import time as gnss_time

_MOST_IN_GSA = 12
_MOST_IN_GSV = 4
_ALL_SIGNALS = "0"  # signal id of GSV: all of them
# Talker, system id and what is added to the RINEX number: NMEA 0183 4.11, from memory.
_TALKERS = {
    "G": ("GP", 1, 0),
    "S": ("GP", 1, 13),  # SBAS: S20 is 33
    "R": ("GL", 2, 64),
    "E": ("GA", 3, 0),
    "C": ("GB", 4, 0),
    "J": ("GQ", 5, 0),
}
_MODES = {0: "N", 1: "A", 2: "D", 4: "R", 5: "F"}  # of RMC, by quality


@dataclass(frozen=True, slots=True)
class SeenSatellite:
    """A satellite that the rover tracks."""

    system: str
    number: int
    elevation_deg: float
    azimuth_deg: float
    cnr_dbhz: float
    is_used: bool


@dataclass(frozen=True, slots=True)
class Dops:
    """Dilution of precision: position, horizontal, vertical; NaN where there is none."""

    position: float
    horizontal: float
    vertical: float


@dataclass(frozen=True, slots=True)
class Solution:
    """What the rover prints at one epoch.

    Attributes
    ----------
    utc_ns : int
        Epoch.
    latitude_deg, longitude_deg, ellipsoidal_height_m : float
        Position of its ARP.
    geoid_separation_m : float
        Ellipsoidal height minus height above the geoid.
    quality : int
        0 none, 1 stand-alone, 2 differential, 4 fixed, 5 float.
    age_s, station : float or None, int or None
        Of the corrections; None where none are used.
    sigma_m : tuple of float
        Latitude, longitude, height.
    dops : Dops
        Of the satellites used.
    satellites : tuple of SeenSatellite
        All that are tracked.
    """

    utc_ns: int
    latitude_deg: float
    longitude_deg: float
    ellipsoidal_height_m: float
    geoid_separation_m: float
    quality: int
    age_s: float | None
    station: int | None
    sigma_m: tuple[float, float, float]
    dops: Dops
    satellites: tuple[SeenSatellite, ...]

    @property
    def used(self) -> int:
        """Satellites used."""
        return sum(satellite.is_used for satellite in self.satellites)


def sentence(body: str) -> str:
    """Put a body between dollar and check sum.

    Examples
    --------
    >>> sentence("GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,")[-3:]
    '*47'
    """
    checksum = functools.reduce(operator.xor, body.encode("ascii"), 0)
    return f"${body}*{checksum:02X}"


def sentences(solution: Solution) -> list[str]:
    """Give all sentences of an epoch, without line ends, in the usual order."""
    return [rmc(solution), gga(solution), gst(solution), *gsa(solution), *gsv(solution)]


def _clock(utc_ns: int) -> str:
    """Write the time of day to hundredths."""
    hundredths = utc_ns // 10_000_000 % 8_640_000
    seconds, rest = divmod(hundredths, 100)
    return f"{seconds // 3600:02d}{seconds // 60 % 60:02d}{seconds % 60:02d}.{rest:02d}"


def _angle(degrees: float, digits: int, signs: str) -> str:
    """Write degrees and minutes to 1e-7 of a minute, and the side."""
    ten_millionths = round(abs(degrees) * 60 * 10**7)
    whole, minutes = divmod(ten_millionths, 60 * 10**7)
    side = signs[degrees < 0]
    return f"{whole:0{digits}d}{minutes // 10**7:02d}.{minutes % 10**7:07d},{side}"


def _place(solution: Solution) -> str:
    if not solution.quality:
        return ",,,"
    latitude = _angle(solution.latitude_deg, 2, "NS")
    return f"{latitude},{_angle(solution.longitude_deg, 3, 'EW')}"


def _dop(value: float) -> str:
    """Write a dilution; an empty field where there is no geometry, as for all that is not known."""
    return f"{value:.1f}" if math.isfinite(value) else ""


def gga(solution: Solution) -> str:
    """Write position, quality, age and station."""
    head = f"GNGGA,{_clock(solution.utc_ns)},{_place(solution)},{solution.quality}"
    if not solution.quality:
        return sentence(f"{head},00,,,M,,M,,")
    height_m = solution.ellipsoidal_height_m - solution.geoid_separation_m
    age = "" if solution.age_s is None else f"{solution.age_s:.1f}"
    station = "" if solution.station is None else f"{solution.station:04d}"
    return sentence(
        f"{head},{solution.used:02d},{_dop(solution.dops.horizontal)},{height_m:.3f},M,"
        f"{solution.geoid_separation_m:.3f},M,{age},{station}"
    )


def rmc(solution: Solution) -> str:
    """Write position, date and mode; the rover stands still."""
    date = gnss_time.iso_utc(solution.utc_ns, 0)
    day = f"{date[8:10]}{date[5:7]}{date[2:4]}"
    valid = "A" if solution.quality else "V"
    speed = "0.00" if solution.quality else ""
    return sentence(
        f"GNRMC,{_clock(solution.utc_ns)},{valid},{_place(solution)},{speed},,{day},,,"
        f"{_MODES[solution.quality]},V"
    )


def gst(solution: Solution) -> str:
    """Write the standard deviations; the error ellipse is a circle of their mean."""
    clock = _clock(solution.utc_ns)
    if not solution.quality:
        return sentence(f"GNGST,{clock},,,,,,,")
    north_m, east_m, up_m = solution.sigma_m
    largest_m, least_m = max(north_m, east_m), min(north_m, east_m)
    rms_m = math.sqrt((north_m**2 + east_m**2 + up_m**2) / 3.0)
    return sentence(
        f"GNGST,{clock},{rms_m:.3f},{largest_m:.3f},{least_m:.3f},0.0,"
        f"{north_m:.3f},{east_m:.3f},{up_m:.3f}"
    )


def gsa(solution: Solution) -> list[str]:
    """Write dilutions and the satellites used, a sentence or more a system."""
    mode = "3" if solution.quality else "1"
    dops = solution.dops
    values = (dops.position, dops.horizontal, dops.vertical)
    tail = ",".join(_dop(dop) for dop in values)
    written = []
    for _, system_id, satellites in _by_system(s for s in solution.satellites if s.is_used):
        for group in _groups(satellites, _MOST_IN_GSA):
            names = [f"{_nmea_number(s):02d}" for s in group]
            names += [""] * (_MOST_IN_GSA - len(names))
            written.append(sentence(f"GNGSA,A,{mode},{','.join(names)},{tail},{system_id}"))
    return written


def gsv(solution: Solution) -> list[str]:
    """Write all satellites tracked with their directions and strengths."""
    written = []
    for talker, _, satellites in _by_system(solution.satellites):
        groups = list(_groups(satellites, _MOST_IN_GSV))
        for place, group in enumerate(groups, start=1):
            parts = [
                f"{_nmea_number(s):02d},{s.elevation_deg:02.0f},{round(s.azimuth_deg) % 360:03d},"
                f"{s.cnr_dbhz:02.0f}"
                for s in group
            ]
            head = f"{talker}GSV,{len(groups)},{place},{len(satellites):02d}"
            written.append(sentence(f"{head},{','.join(parts)},{_ALL_SIGNALS}"))
    return written


def _nmea_number(satellite: SeenSatellite) -> int:
    return satellite.number + _TALKERS[satellite.system][2]


def _by_system(
    satellites: Iterable[SeenSatellite],
) -> list[tuple[str, int, list[SeenSatellite]]]:
    """Group satellites by talker, those of SBAS with those of GPS."""
    groups: dict[tuple[int, str], list[SeenSatellite]] = {}
    for satellite in satellites:
        talker, system_id, _ = _TALKERS[satellite.system]
        groups.setdefault((system_id, talker), []).append(satellite)
    return [
        (talker, system_id, sorted(found, key=_nmea_number))
        for (system_id, talker), found in sorted(groups.items())
    ]


def _groups(satellites: Sequence[SeenSatellite], most: int) -> Iterable[Sequence[SeenSatellite]]:
    return [satellites[at : at + most] for at in range(0, len(satellites), most)]
