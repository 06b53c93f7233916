"""The chance that a rover fixes on this stream, told ahead of time from the stream alone.

Satellites, signals and directions are those of the base; an open sky at the rover is assumed.
"""

from dataclasses import dataclass

import numpy as np

from rtcmtool.diagnosis.base_rules import glonass_bias
from rtcmtool.diagnosis.content_rules import USABLE_NUMBERS, heard_observations
from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.evidence import Evidence, observed_names
from rtcmtool.diagnosis.finding import State
from rtcmtool.diagnosis.geometry_rules import base_fix, why_unsolved
from rtcmtool.gnss.signals import GLONASS_CHANNELS, SYSTEMS, band, carrier_hz
from rtcmtool.gnss.success_rate import (
    CHANCE_WORDS,
    POOR_CHANCE,
    CommonSignals,
    Noise,
    epochs_to_fix,
    fix_chance,
)
from rtcmtool.wire.observations import SYSTEM_LETTERS
from rtcmtool.wire.signal_ids import SIGNALS

ROVER_MASK_DEG = 12.0  # common practice 12 to 15
USUAL_LINE_M = 2_000.0  # where no distance is told
_OFTEN = 0.5  # of the phases of the most frequent signal of a system
_MOST_SECONDS = 300
_DISTURBED = 3e-6  # ionosphere by distance in disturbed hours; 1e-6 on quiet days


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
    success_rate, adop_cycles : float or None
        Of the ambiguities of one epoch.
    seconds : float or None
        Until the chance is good, standing still; None where it is never.
    satellites, systems : int
        In common above the rover's mask.
    distance_m : float
        Taken.
    """

    words: str | None
    text: str
    success_rate: float | None = None
    adop_cycles: float | None = None
    seconds: float | None = None
    satellites: int = 0
    systems: int = 0
    distance_m: float = USUAL_LINE_M


def chance_ahead(evidence: Evidence) -> ChanceAhead | None:
    """Predict the chance of a fix; None without a stream.

    The success rate of integer bootstrapping over the double differences of one epoch, with the
    ionosphere growing with the distance (`gnss.success_rate`). Words by judgement: 0.99 and 0.5.
    """
    base = evidence.base
    if base is None or not evidence.has_frames:
        return None
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
    line_m = evidence.line_m
    distance_m = USUAL_LINE_M if line_m is None else line_m
    stormy = evidence.bad("ionosphere") is not None
    noise = Noise(ionosphere_m_per_m=_DISTURBED if stormy else Noise().ionosphere_m_per_m)
    needed = 5 + len(systems) - 1
    about = f"{len(names)} satellites, {distance_m / 1000:.1f} km, open sky at the rover assumed"
    if line_m is None:
        about = f"{len(names)} satellites, {distance_m / 1000:.0f} km taken (--distance), open sky "
        about += "at the rover assumed"
    chance = fix_chance(groups, distance_m=distance_m, age_s=1.0, noise=noise)
    if chance is None or len(names) < needed:
        text = f"{len(names)} satellites above {ROVER_MASK_DEG:.0f} degrees, {needed} are needed"
        return ChanceAhead(POOR_CHANCE, text, None, None, None, len(names), len(systems),
                           distance_m)  # fmt: skip
    epochs = None
    if chance.success_rate > 1e-6:
        most = max(round(_MOST_SECONDS / base.interval_s), 1)
        epochs = epochs_to_fix(groups, distance_m=distance_m, age_s=1.0, noise=noise, most=most)
    seconds = None if epochs is None else epochs * base.interval_s
    words = chance.words
    if evidence.bad("two_bands") and words == CHANCE_WORDS[0][1]:
        words, seconds = CHANCE_WORDS[1][1], None
        about += "; on one band many rovers take minutes all the same"
    return ChanceAhead(
        words, about, chance.success_rate, chance.adop_cycles, seconds, len(names),
        len(systems), distance_m,
    )  # fmt: skip


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
