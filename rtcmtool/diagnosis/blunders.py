"""Name the usual blunders behind a position that is not that of the mark, best first.

Plan and height go wrong each in its own way, so every guess at the plan is paired with every guess
at the height, and two blunders at once need no case of their own. Each pair gets the probability
that its numbers and its usualness give; what explains nothing stands among them as `unknown`, so a
chance fit of a rare blunder does not win.

The weights are judgement, the densities follow from them (Bayes' rule).
"""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from rtcmtool.diagnosis.guesses import (
    RIGHT,
    UNKNOWN,
    HeightGuess,
    PlanGuess,
    height_guesses,
    plan_guesses,
)
from rtcmtool.diagnosis.known_marks import KnownMark
from rtcmtool.diagnosis.site_sheet import SiteSheet
from rtcmtool.gnss.geodesy import degrees_from_ecef, distance_m, ecef_from_geodetic

PLAN_SPREAD_M = 0.004  # each axis: coordinates written to about a millimetre; judgement
LEAST_PROBABILITY = 0.03  # below, a blunder is not named
MOST_NAMED = 3
_FIELD_AGREES_M = 0.0025
_AGREES, _CONTRADICTS = 5.0, 0.2  # what the height field of 1006 adds: many bases send 0 there
_UNKNOWN_WEIGHT = 0.05
# Who has a wrong plan that nothing explains stands elsewhere, or typed something else altogether:
# then the height is mostly wrong for that reason, and a digit that fits it fits by chance.
_DIGIT_SLIPS = frozenset({"swapped_digits", "wrong_digit"})
_BESIDE_UNKNOWN = 0.03
_FAR = 5.0  # spreads beyond which a guess cannot be
# Logarithms of the spans from millimetres to the size of the Earth, and to mountains.
_PLAN_SPAN, _HEIGHT_SPAN = math.log(2e7 / 1e-3), math.log(1e4 / 1e-3)
# Averages of minutes on code measurements: metres, more in height (common practice); share, spread
# in plan (each axis) and height, m.
_AVERAGES = ((0.7, 1.2, 2.5), (0.3, 3.0, 6.0))
_AVERAGED_WEIGHT = 0.15
# Datums in use and their epochs differ by decimetres to 2 m in plan, mostly little in height: as
# plates move level, realisations of one datum agree in height to a centimetre.
_DATUM_PLAN_M = (0.15, 2.5)
_DATUM_HEIGHTS = ((0.4, 0.01), (0.3, 0.12), (0.3, 0.8))
_DATUM_WEIGHT = 0.1
_DATUM_TEXT = "the coordinates may be of another datum or epoch: some decimetres to 2 m in plan"
_AVERAGED_TEXT = (
    "the base may stand on an averaged position of its own: metres off, more so in height"
)


@dataclass(frozen=True, slots=True)
class Blunder:
    """A blunder, or two at once, and how well the numbers fit.

    Attributes
    ----------
    names : tuple of str
        One or two.
    texts : tuple of str
        A sentence each, without full stop.
    probability : float
        Among all guesses, the unknown included.
    plan_misfit_m, height_misfit_m : float or None
        What the guess leaves over; None where it tells a range only.
    unexplained : str or None
        "plan" or "height" where that is wrong too and nothing usual explains it.
    """

    names: tuple[str, ...]
    texts: tuple[str, ...]
    probability: float
    plan_misfit_m: float | None
    height_misfit_m: float | None
    unexplained: str | None = None

    @property
    def name(self) -> str:
        """The first of the names."""
        return self.names[0]

    @property
    def text(self) -> str:
        """What it is, and what it leaves unexplained.

        A slip in the height alone is no more than a guess while the plan is wrong too: any number
        near enough to another digit looks like one.
        """
        told = " and ".join(self.texts)
        if self.unexplained == "plan":
            return f"perhaps {told}, but nothing usual explains the plan, which is wrong too"
        if self.unexplained == "height":
            return f"{told}; nothing usual explains the height, which is wrong too"
        return told

    @property
    def is_exact(self) -> bool:
        """Whether the numbers themselves fit, not a range only."""
        return self.plan_misfit_m is not None and self.height_misfit_m is not None


class _Pair(NamedTuple):
    """A plan and a height guess together, not yet normalised."""

    names: tuple[str, ...]
    texts: tuple[str, ...]
    density: float
    plan_misfit_m: float | None
    height_misfit_m: float | None


def recognise(
    arp_ecef_m: tuple[float, float, float],
    sheet: SiteSheet,
    sent_antenna_m: float | None = None,
) -> tuple[Blunder, ...]:
    """Name what could make a base send this position.

    Parameters
    ----------
    arp_ecef_m : tuple of float
        Antenna reference point as sent, m.
    sheet : SiteSheet
        With a mark; antenna height, grid, geoid separation and other marks as far as known.
    sent_antenna_m : float, optional
        Height field of 1006.

    Returns
    -------
    tuple of Blunder
        Best first, at most `MOST_NAMED`; empty where the position is right, and where nothing
        usual explains it.
    """
    mark = sheet.position.mark
    assert mark is not None, "there is nothing to compare with"
    antenna_m = sheet.antenna.vertical_height_m
    if antenna_m is None:
        antenna_m = sent_antenna_m or None
    sent_height_m = degrees_from_ecef(arp_ecef_m)[2]
    high_m = sent_height_m - mark.ellipsoidal_height_m - (antenna_m or 0.0)
    heights: dict[KnownMark | None, list[HeightGuess]] = {
        other: height_guesses(sheet, antenna_m, other) for other in (None, *sheet.marks)
    }
    pairs: dict[tuple[str, ...], _Pair] = {}
    for pair in [
        *_paired(_near_plans(arp_ecef_m, sheet, sent_height_m), heights, high_m, sheet,
                 sent_antenna_m),
        *_joint(_plan_m(arp_ecef_m, sheet, sent_height_m), high_m),
    ]:  # fmt: skip
        known = pairs.get(pair.names)
        if known is None or pair.density > known.density:
            pairs[pair.names] = pair
    return _named(list(pairs.values()))


def _named(pairs: list[_Pair]) -> tuple[Blunder, ...]:
    """Turn densities into probabilities and keep what deserves a name."""
    total = sum(pair.density for pair in pairs)
    if not total:
        return ()
    ranked = sorted(pairs, key=lambda pair: -pair.density)
    found: list[Blunder] = []
    for pair in ranked:
        names = tuple(name for name in pair.names if name not in {RIGHT, UNKNOWN})
        if pair.density / total < LEAST_PROBABILITY or (not names and not found):
            break
        if names and names not in [blunder.names for blunder in found]:
            texts = tuple(text for text in pair.texts if text)
            misfits = pair.plan_misfit_m, pair.height_misfit_m
            is_open = UNKNOWN in pair.names
            open_part = ("plan", "height")[pair.names.index(UNKNOWN)] if is_open else None
            found.append(Blunder(names, texts, pair.density / total, *misfits, open_part))
    return tuple(found[:MOST_NAMED])


def _places(
    guesses: list[PlanGuess], arp_m: tuple[float, float, float], high_m: float
) -> np.ndarray:
    """Give how far each guess lies from what was sent, at the sent height, m."""
    latitudes = np.radians([guess.latitude_deg for guess in guesses])
    longitudes = np.radians([guess.longitude_deg for guess in guesses])
    places = ecef_from_geodetic(latitudes, longitudes, high_m)
    return distance_m(places, arp_m)


def _plan_m(arp_m: tuple[float, float, float], sheet: SiteSheet, height_m: float) -> float:
    mark = sheet.position.mark
    assert mark is not None
    right = PlanGuess(RIGHT, "", mark.latitude_deg, mark.longitude_deg, 1.0)
    return float(_places([right], arp_m, height_m)[0])


def _near_plans(
    arp_m: tuple[float, float, float], sheet: SiteSheet, height_m: float
) -> list[tuple[PlanGuess, float, float]]:
    """Give the plan guesses that can be, with misfit and density; the unknown one last."""
    guesses = plan_guesses(sheet)
    misfits = _places(guesses, arp_m, height_m)
    found: list[tuple[PlanGuess, float, float]] = []
    for guess, misfit_m in zip(guesses, misfits.tolist(), strict=True):
        if misfit_m < _FAR * PLAN_SPREAD_M:
            density = math.exp(-0.5 * (misfit_m / PLAN_SPREAD_M) ** 2)
            density /= 2 * math.pi * PLAN_SPREAD_M**2
            found.append((guess, misfit_m, guess.weight * density))
    plan_m = max(misfits[0], PLAN_SPREAD_M)  # the first guess is the mark itself
    unknown = PlanGuess(UNKNOWN, "", 0.0, 0.0, _UNKNOWN_WEIGHT)
    density = _UNKNOWN_WEIGHT / (2 * math.pi * plan_m**2 * _PLAN_SPAN)
    return [*found, (unknown, math.nan, float(density))]


def _paired(
    plans: list[tuple[PlanGuess, float, float]],
    heights: Mapping[KnownMark | None, list[HeightGuess]],
    high_m: float,
    sheet: SiteSheet,
    sent_antenna_m: float | None,
) -> Iterator[_Pair]:
    """Pair every plan guess with every height guess."""
    mark = sheet.position.mark
    assert mark is not None
    for plan, plan_misfit_m, plan_density in plans:
        above_m = high_m
        if plan.mark is not None:
            above_m -= plan.mark.ellipsoidal_height_m - mark.ellipsoidal_height_m
        unknown = _UNKNOWN_WEIGHT / (2 * max(abs(above_m), 0.003) * _HEIGHT_SPAN)
        names: tuple[str, ...] = (plan.name, UNKNOWN)
        misfit = None if plan.name == UNKNOWN else plan_misfit_m
        yield _Pair(names, (plan.text,), plan_density * unknown, misfit, None)
        for guess in heights[plan.mark]:
            density = _height_density(guess, above_m) * _field_factor(guess, sent_antenna_m)
            if plan.name == UNKNOWN and guess.name in _DIGIT_SLIPS:
                density *= _BESIDE_UNKNOWN
            is_range = guess.low_m != guess.high_m
            # Where the plan is wrong nobody knows why, a height within a wide range says nothing.
            if density and not (is_range and plan.name == UNKNOWN):
                left_m = None if is_range else above_m - guess.low_m
                both = (plan.name, guess.name), (plan.text, guess.text)
                yield _Pair(*both, plan_density * guess.weight * density, misfit, left_m)


def _height_density(guess: HeightGuess, above_m: float) -> float:
    if guess.low_m != guess.high_m:
        return float(guess.low_m <= above_m <= guess.high_m) / (guess.high_m - guess.low_m)
    away = (above_m - guess.low_m) / guess.spread_m
    if abs(away) > _FAR:
        return 0.0
    return math.exp(-0.5 * away * away) / (math.sqrt(2 * math.pi) * guess.spread_m)


def _field_factor(guess: HeightGuess, sent_antenna_m: float | None) -> float:
    """Give what the height field of 1006 says for or against a guess; a 0 says nothing."""
    if not sent_antenna_m or guess.field_m is None:
        return 1.0
    return _AGREES if abs(sent_antenna_m - guess.field_m) < _FIELD_AGREES_M else _CONTRADICTS


def _joint(plan_m: float, high_m: float) -> Iterator[_Pair]:
    """Give the blunders that move plan and height together by amounts that nobody can foretell."""
    averaged = sum(
        share
        * math.exp(-0.5 * (plan_m / plan) ** 2) / (2 * math.pi * plan**2)
        * math.exp(-0.5 * (high_m / high) ** 2) / (math.sqrt(2 * math.pi) * high)
        for share, plan, high in _AVERAGES
    )  # fmt: skip
    yield _Pair(("averaged",), (_AVERAGED_TEXT,), _AVERAGED_WEIGHT * averaged, None, None)
    low, high = _DATUM_PLAN_M
    if low <= plan_m <= high:
        plan = 1 / (2 * math.pi * plan_m * (high - low))
        heights = sum(
            share * math.exp(-0.5 * (high_m / spread) ** 2) / (math.sqrt(2 * math.pi) * spread)
            for share, spread in _DATUM_HEIGHTS
        )
        yield _Pair(("datum",), (_DATUM_TEXT,), _DATUM_WEIGHT * plan * heights, None, None)
