"""How a number goes wrong on its way from paper into the base: digits, and ways to write angles."""

import math
from collections.abc import Callable, Iterator
from itertools import pairwise
from typing import NamedTuple

_SECOND_DECIMALS = 5  # 0.3 mm
_DEGREE_DECIMALS = 9  # 0.1 mm


class Slip(NamedTuple):
    """A wrong number, and how it came about."""

    value: float
    text: str


def _said(what: str, typed: str, written: str) -> str:
    """Say what was typed for what, without zeros that nobody wrote."""
    plain = [text.rstrip("0").rstrip(".") if "." in text else text for text in (typed, written)]
    return f"{what} {plain[0]} for {plain[1]}"


def swapped_digits(written: str, what: str) -> Iterator[Slip]:
    """Exchange each digit with the next one, point and sign staying where they are.

    Parameters
    ----------
    written : str
        The number as it was written down, with a decimal point.
    what : str
        What it is, for the text.

    Examples
    --------
    >>> [slip.value for slip in swapped_digits("31.5", "height")]
    [13.5, 35.1]
    """
    places = [place for place, letter in enumerate(written) if letter.isdigit()]
    for first, second in pairwise(places):
        if written[first] != written[second]:
            digits = list(written)
            digits[first], digits[second] = digits[second], digits[first]
            typed = "".join(digits)
            yield Slip(float(typed), _said(what, typed, written))


def wrong_digits(written: str, what: str) -> Iterator[Slip]:
    """Replace each digit by each other one.

    Examples
    --------
    >>> [slip.value for slip in wrong_digits("2.5", "height")][:4]
    [0.5, 1.5, 3.5, 4.5]
    """
    for place, letter in enumerate(written):
        if letter.isdigit():
            for other in "0123456789".replace(letter, ""):
                typed = written[:place] + other + written[place + 1 :]
                yield Slip(float(typed), _said(what, typed, written))


class Sexagesimal(NamedTuple):
    """An angle as sign, degrees, minutes and seconds."""

    sign: float
    degrees: int
    minutes: int
    seconds: float

    @classmethod
    def of(cls, angle_deg: float) -> "Sexagesimal":
        """Split an angle, seconds rounded to five decimals, so that 60 s cannot come out."""
        units = round(abs(angle_deg) * 3600 * 10**_SECOND_DECIMALS)
        minutes, rest = divmod(units, 60 * 10**_SECOND_DECIMALS)
        seconds = rest / 10**_SECOND_DECIMALS
        return cls(math.copysign(1.0, angle_deg), minutes // 60, minutes % 60, seconds)

    def angle(self, **changes: float) -> float:
        """Give the angle in degrees, some parts replaced."""
        part = {"degrees": self.degrees, "minutes": self.minutes, "seconds": self.seconds} | changes
        return self.sign * (part["degrees"] + part["minutes"] / 60 + part["seconds"] / 3600)


def written_degrees(angle_deg: float) -> str:
    """Write an angle without sign as decimal degrees, without needless zeros."""
    return f"{abs(angle_deg):.{_DEGREE_DECIMALS}f}".rstrip("0") + "0"


def angle_slips(angle_deg: float, what: str, *, swapped: bool) -> Iterator[Slip]:
    """Exchange or replace digits of an angle, in decimal degrees and in degrees, minutes, seconds.

    Parameters
    ----------
    angle_deg : float
        The right angle.
    what : str
        "latitude" or "longitude".
    swapped : bool
        Exchange neighbours; else replace single digits.
    """
    change = swapped_digits if swapped else wrong_digits
    parts = Sexagesimal.of(angle_deg)
    for slip in change(written_degrees(angle_deg), what):
        yield Slip(parts.sign * slip.value, slip.text)
    for name, written in (
        ("degrees", f"{parts.degrees:02d}"),
        ("minutes", f"{parts.minutes:02d}"),
        ("seconds", f"{parts.seconds:0{_SECOND_DECIMALS + 3}.{_SECOND_DECIMALS}f}"),
    ):
        for slip in change(written, f"{name} of the {what}"):
            if name == "degrees" or slip.value < 60:
                yield Slip(parts.angle(**{name: slip.value}), slip.text)


# Ways to misread one notation as another; d, m, s are degrees, whole minutes and seconds.
NOTATIONS: dict[str, Callable[[float, float, float], float]] = {
    "degrees, minutes and seconds typed as decimal degrees (dd.mmssss)": (
        lambda d, m, s: d + m / 100 + s / 10_000
    ),
    "decimal degrees read as degrees, minutes and seconds (dd.mmssss)": (
        lambda d, m, s: _as_minutes_and_seconds(d, (m + s / 60) / 60)
    ),
    "degrees and decimal minutes typed as decimal degrees": (
        lambda d, m, s: d + (m + s / 60) / 100
    ),
    "decimal degrees read as degrees and decimal minutes": (
        lambda d, m, s: d + (m + s / 60) / 60 * 100 / 60
    ),
    "seconds typed as decimals of the minute": lambda d, m, s: d + (m + s / 100) / 60,
    "decimals of the minute read as seconds": lambda d, m, s: d + (m + s / 60 * 100 / 60) / 60,
}


def _as_minutes_and_seconds(degrees: float, fraction: float) -> float:
    minutes, rest = divmod(round(fraction * 1e9), 10_000_000)  # dd.mmsssssss
    return degrees + minutes / 60 + rest / 1e5 / 3600


def misread(angle_deg: float) -> dict[str, float]:
    """Give an angle in every misreading of its notation, degrees.

    Examples
    --------
    >>> misread(12.5)["degrees, minutes and seconds typed as decimal degrees (dd.mmssss)"]
    12.3
    """
    parts = Sexagesimal.of(angle_deg)
    return {
        text: parts.sign * change(parts.degrees, parts.minutes, parts.seconds)
        for text, change in NOTATIONS.items()
    }
