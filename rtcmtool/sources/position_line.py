"""The position line that a caster may ask for: an NMEA sentence GGA. No I/O."""

from dataclasses import dataclass
from functools import reduce

from rtcmtool.gnss.time import NS_PER_SECOND, SECONDS_PER_DAY


@dataclass(frozen=True, slots=True)
class Position:
    """Where the listener says it is."""

    latitude_deg: float
    longitude_deg: float
    height_m: float = 0.0


def position_line(position: Position, utc_ns: int) -> str:
    """Write a position as GGA, with quality 1 (NMEA 0183, from memory).

    Parameters
    ----------
    position : Position
        Latitude -90 to 90, longitude -180 to 180.
    utc_ns : int
        The time that the line carries.

    Returns
    -------
    str
        Without line end.

    Examples
    --------
    >>> position_line(Position(-33.5, 151.25, 12.0), 1_772_600_767 * 10**9)
    '$GPGGA,050607.00,3330.0000,S,15115.0000,E,1,12,1.0,12.0,M,0.0,M,,*76'
    """
    seconds = utc_ns // NS_PER_SECOND % SECONDS_PER_DAY
    clock = f"{seconds // 3600:02d}{seconds // 60 % 60:02d}{seconds % 60:02d}.00"
    latitude = _degrees_and_minutes(position.latitude_deg, 2)
    longitude = _degrees_and_minutes(position.longitude_deg, 3)
    north = "N" if position.latitude_deg >= 0 else "S"
    east = "E" if position.longitude_deg >= 0 else "W"
    place = f"{latitude},{north},{longitude},{east}"
    body = f"GPGGA,{clock},{place},1,12,1.0,{position.height_m:.1f},M,0.0,M,,"
    return f"${body}*{checksum(body):02X}"


def checksum(body: str) -> int:
    """Join all characters between `$` and `*` by exclusive or (NMEA 0183, from memory)."""
    return reduce(lambda total, character: total ^ ord(character), body, 0)


def _degrees_and_minutes(angle_deg: float, width: int) -> str:
    """Write an angle as NMEA does: degrees and minutes run together, no sign."""
    units = round(abs(angle_deg) * 600_000)  # ten-thousandths of a minute: no 60.0000
    degrees, rest = divmod(units, 600_000)
    return f"{degrees:0{width}d}{rest // 10_000:02d}.{rest % 10_000:04d}"
