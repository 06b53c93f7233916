"""The chance that a rover fixes on this stream, told ahead of time from the stream alone.

Satellites, signals and directions are those of the base; an open sky at the rover is assumed.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from statistics import median

import numpy as np

from rtcmtool.diagnosis.base_rules import glonass_bias
from rtcmtool.diagnosis.content_rules import USABLE_NUMBERS, heard_observations
from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.evidence import Evidence, observed_names
from rtcmtool.diagnosis.finding import State
from rtcmtool.diagnosis.geometry_rules import base_fix, why_unsolved
from rtcmtool.gnss.atmosphere import metres_per_tecu
from rtcmtool.gnss.signals import GLONASS_CHANNELS, SYSTEMS, band, carrier_hz
from rtcmtool.gnss.success_rate import (
    CHANCE_WORDS,
    FIRST_BAND_HZ,
    POOR_CHANCE,
    CommonSignals,
    Noise,
    epochs_to_fix,
    fix_chance,
)
from rtcmtool.monitor.observed_epochs import Floats
from rtcmtool.monitor.staleness import Ageing
from rtcmtool.wire.observations import SYSTEM_LETTERS
from rtcmtool.wire.signal_ids import SIGNALS

ROVER_MASK_DEG = 12.0  # common practice 12 to 15
USUAL_LINE_M = 2_000.0  # where no distance is told
_OFTEN = 0.5  # of the phases of the most frequent signal of a system
_MOST_SECONDS = 300
_DISTURBED = 3e-6  # ionosphere by distance in disturbed hours; 1e-6 on quiet days
_USUAL_AGE_S = 1.0
_USUAL_NOISE = Noise()
# Irregularities of the ionosphere pass a line of sight at the speed at which that crosses 400 km of
# height (3.9 km/s at 20 200 km): so a change in time is one over a distance. By judgement; on a
# quiet evening it gives the 1 mm/km that is customary.
_PIERCE_SPEED_M_S = 80.0
_ROTI_ABOVE_DEG = 20.0
_FEWEST_WITH_ROTI = 5


@dataclass(frozen=True, slots=True)
class ChanceAhead:
    """What to expect of a rover in the open.

    Attributes
    ----------
    words : str or None
        "should fix at once", "will take seconds to a minute", "float likely"; None where it cannot
        be told.
    text : str
        What it rests on, or why it cannot be told.
    success_rate, success_at_most, adop_cycles : float or None
        Of the ambiguities of one epoch: bootstrapped, what its ADOP stands for, and that.
    seconds : float or None
        Until the chance is good, standing still; None where it is never.
    satellites, systems : int
        In common above the rover's mask.
    distance_m, age_s : float
        Taken; the age is that at the rover where its log tells it.
    noise : Noise
        Taken.
    measured : tuple of str
        Which parts of it were measured on this stream: "ageing", "ionosphere".
    ageing : Ageing or None
        How fast corrections go stale; None where it was not measured.
    """

    words: str | None
    text: str
    success_rate: float | None = None
    adop_cycles: float | None = None
    seconds: float | None = None
    success_at_most: float | None = None
    satellites: int = 0
    systems: int = 0
    distance_m: float = USUAL_LINE_M
    age_s: float = _USUAL_AGE_S
    noise: Noise = _USUAL_NOISE
    measured: tuple[str, ...] = ()
    ageing: Ageing | None = None


def chance_ahead(evidence: Evidence) -> ChanceAhead | None:
    """Predict the chance of a fix; None without a stream.

    The success rate of integer bootstrapping over the double differences of one epoch, with the
    ionosphere growing with the distance and corrections going stale as the base's own phases show
    (`gnss.success_rate`, `gnss.staleness`). Words by judgement: 0.99 and 0.5.
    """
    base = evidence.base
    if base is None or not evidence.has_frames:
        return None
    return replace(_chance(evidence, base), ageing=evidence.ageing)


def _chance(evidence: Evidence, base: Context) -> ChanceAhead:
    if not heard_observations(base) & USABLE_NUMBERS:
        return ChanceAhead(None, "no usable observations")
    groups = common_signals(base)
    names = {name for group in groups for name in group.satellites}
    systems = {name[0] for name in names}
    sent = observed_names(base)
    least = 5 + max(len({name[0] for name in sent}) - 1, 0)
    if sent and len(sent) < least:
        return ChanceAhead(POOR_CHANCE, f"{len(sent)} satellites are sent, {least} are needed")
    if not names:
        return ChanceAhead(None, why_unsolved(base, base_fix(base)))
    noise, measured = assumed_noise(evidence, base)
    line_m, age_s = evidence.line_m, _age_s(evidence)
    distance_m = USUAL_LINE_M if line_m is None else line_m
    told = ChanceAhead(
        POOR_CHANCE, "", satellites=len(names), systems=len(systems), distance_m=distance_m,
        age_s=age_s, noise=noise, measured=measured,
    )  # fmt: skip
    chance = fix_chance(groups, distance_m=distance_m, age_s=age_s, noise=noise)
    needed = 5 + len(systems) - 1
    if chance is None or len(names) < needed:
        few = f"{len(names)} satellites above {ROVER_MASK_DEG:.0f} degrees, {needed} are needed"
        return replace(told, text=few)
    epochs = None
    if chance.success_rate > 1e-6:
        most = max(round(_MOST_SECONDS / base.interval_s), 1)
        epochs = epochs_to_fix(groups, distance_m=distance_m, age_s=age_s, noise=noise, most=most)
    seconds = None if epochs is None else epochs * base.interval_s
    words, about = chance.words, _about(told, line_m)
    if evidence.bad("two_bands") and words == CHANCE_WORDS[0][1]:
        words, seconds = CHANCE_WORDS[1][1], None
        about += "; on one band many rovers take minutes all the same"
    return replace(
        told, words=words, text=about, success_rate=chance.success_rate,
        success_at_most=chance.success_at_most, adop_cycles=chance.adop_cycles, seconds=seconds,
    )  # fmt: skip


def _about(told: ChanceAhead, line_m: float | None) -> str:
    """Say what a chance rests on."""
    distance = f"{told.distance_m / 1000:.1f} km"
    if line_m is None:
        distance = f"{told.distance_m / 1000:.0f} km taken (--distance)"
    parts = [f"{told.satellites} satellites", distance, "open sky at the rover assumed"]
    if told.age_s > _USUAL_AGE_S:
        parts.append(f"corrections {told.age_s:.0f} s old")
    if told.measured:
        parts.append(f"{' and '.join(told.measured)} as measured here")
    return ", ".join(parts)


def _age_s(evidence: Evidence) -> float:
    """Give the usual age of the corrections at the rover, where its log tells it."""
    ages = evidence.ages if evidence.is_joined else None
    return _USUAL_AGE_S if ages is None else max(float(ages.median_s), _USUAL_AGE_S)


def assumed_noise(evidence: Evidence, base: Context) -> tuple[Noise, tuple[str, ...]]:
    """Give what is assumed of corrections and ionosphere, and which of it was measured.

    Ageing: from the base's phases. Ionosphere by distance: from the scatter of its rates (ROTI over
    5 minutes) of satellites above 20 degrees, taken to the zenith, but never less than on a quiet
    day, where that scatter is noise; where the rule calls the hour disturbed, 3 mm/km at least.
    """
    noise, measured = _USUAL_NOISE, []
    ageing = evidence.ageing
    rate = None if ageing is None else ageing.rate_m_s
    if rate is not None:
        noise = replace(noise, ageing_m_s=rate)
        measured.append("ageing")
    ionosphere = base.state.quality.arcs.ionosphere
    gradient = gradient_from_roti(ionosphere.roti, base_fix(base).sky.elevation_deg)
    if gradient is not None:
        noise = replace(noise, ionosphere_m_per_m=max(noise.ionosphere_m_per_m, gradient))
        measured.append("ionosphere")
    if evidence.bad("ionosphere") is not None and noise.ionosphere_m_per_m < _DISTURBED:
        noise = replace(noise, ionosphere_m_per_m=_DISTURBED)
        measured = [part for part in measured if part != "ionosphere"]
    return noise, tuple(measured)


def gradient_from_roti(roti: Mapping[int, float], elevation_deg: Floats) -> float | None:
    """Give the change of the ionosphere's delay over a distance at the zenith.

    Parameters
    ----------
    roti : mapping of int to float
        Scatter of the rates over 5 minutes by place, TECU/min.
    elevation_deg : ndarray, shape (places,)

    Returns
    -------
    float or None
        m/m on the first band; None with fewer than five satellites above 20 degrees.
    """
    scatter = [
        value * math.sin(math.radians(elevation_deg[place]))
        for place, value in roti.items()
        if elevation_deg[place] >= _ROTI_ABOVE_DEG
    ]
    if len(scatter) < _FEWEST_WITH_ROTI:
        return None
    rate_m_s = median(scatter) * float(metres_per_tecu(FIRST_BAND_HZ)) / 60.0
    return rate_m_s / _PIERCE_SPEED_M_S


def common_signals(context: Context) -> list[CommonSignals]:
    """Group the signals that base and rover share, above the rover's mask.

    One signal a band: two names of one band tell nothing new. GLONASS is left out where its biases
    are not known to be right and the makes differ.
    """
    fix = base_fix(context)
    visible = fix.sky.latest
    observed = observed_names(context)
    if visible is None:
        return []
    places = {
        name: (azimuth, elevation)
        for name, azimuth, elevation in zip(
            visible.satellites, visible.azimuth_deg.tolist(), visible.elevation_deg.tolist(),
            strict=True,
        )
        if elevation >= ROVER_MASK_DEG and name in observed
    }  # fmt: skip
    rover = context.sheet.rover if context.sheet is not None else None
    groups = []
    for letter in SYSTEMS:
        if context.systems and letter not in context.systems:
            continue
        if (
            letter == "R"
            and rover is not None
            and rover.same_make is False
            and not _biases(context)
        ):
            continue
        own = sorted(name for name in places if name[0] == letter)
        signals = _signals(context, letter)
        if rover is not None and rover.bands == 1:
            signals = signals[:1]
        for signal in signals:
            named, carriers = _carriers(context, own, letter, signal)
            if len(named) < 2:
                continue
            azimuth, elevation = np.radians([places[name] for name in named]).T
            groups.append(CommonSignals(np.array(carriers), tuple(named), azimuth, elevation))
    return groups


def _biases(context: Context) -> bool:
    return glonass_bias(context).state is State.OK


def _signals(context: Context, letter: str) -> list[str]:
    """Give the signals of a system, one a band, the most frequent first."""
    cells = context.state.signals.phase_cells[SYSTEM_LETTERS.index(letter)]
    chosen: dict[str, str] = {}
    for column in np.argsort(-cells, kind="stable").tolist():
        if cells[column] and cells[column] >= _OFTEN * cells.max():
            chosen.setdefault(band(letter, SIGNALS[column]), SIGNALS[column])
    return list(chosen.values())


def _carriers(
    context: Context, names: list[str], letter: str, signal: str
) -> tuple[list[str], list[float]]:
    """Give the satellites whose carrier is known, and their carriers, Hz."""
    channels = context.state.signals.channels
    known, carriers = [], []
    for name in names:
        channel = channels.get(int(name[1:])) if letter == "R" else None
        if letter == "R" and channel not in GLONASS_CHANNELS:
            continue
        known.append(name)
        carriers.append(carrier_hz(letter, signal, channel))
    return known, carriers
