"""Lengths as the crew reads them: mm, m and km, feet beside antenna heights, compass words."""

import math

FOOT_M = 0.3048  # international foot, exact by definition
_COMPASS = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")


def difference(value_m: float) -> str:
    """Write a difference of positions with its sign.

    Examples
    --------
    >>> difference(0.0023), difference(-1.6424), difference(83200.4), difference(-0.0002)
    ('+2 mm', '-1.642 m', '+83.2 km', '0 mm')
    """
    if abs(value_m) < 0.0005:
        return "0 mm"
    return ("-" if value_m < 0 else "+") + distance(abs(value_m))


def distance(value_m: float) -> str:
    """Write a distance: whole mm below 1 m, then m, from 10 km on km.

    Examples
    --------
    >>> distance(0.0034), distance(1.6424), distance(812.0), distance(83200.4), distance(0.9996)
    ('3 mm', '1.642 m', '812.000 m', '83.2 km', '1.000 m')
    """
    if value_m < 0.9995:
        return f"{1000 * value_m:.0f} mm"
    if value_m < 10_000:
        return f"{value_m:.3f} m"
    return f"{value_m / 1000:.1f} km" if value_m < 100_000 else f"{value_m / 1000:.0f} km"


def height(value_m: float) -> str:
    """Write an antenna height in metres and in feet.

    Examples
    --------
    >>> height(1.652), height(-0.0001)
    ('1.652 m (5.42 ft)', '0.000 m (0.00 ft)')
    """
    whole_m = value_m if abs(value_m) >= 0.0005 else 0.0
    return f"{whole_m:.3f} m ({whole_m / FOOT_M:.2f} ft)"


def east_north_up(east_m: float, north_m: float, up_m: float) -> str:
    """Write a vector.

    Examples
    --------
    >>> east_north_up(1.2, -0.003, 0.0)
    'E +1.200 m, N -3 mm, U 0 mm'
    """
    return f"E {difference(east_m)}, N {difference(north_m)}, U {difference(up_m)}"


def compass(east_m: float, north_m: float) -> str:
    """Give the direction of a vector as one of eight words.

    Examples
    --------
    >>> compass(1.0, 1.0), compass(0.0, -3.0), compass(-5.0, 0.1)
    ('NE', 'S', 'W')
    """
    return _COMPASS[round(math.degrees(math.atan2(east_m, north_m)) / 45.0) % 8]
