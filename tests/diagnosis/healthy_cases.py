"""Seeded cases without a fault, as different as good bases and rovers are.

Other systems, places, days and intervals, short captures, a noisier site within the limits, a
radio that loses a little, a rover of one band, an averaged base: none of this is to be blamed.
"""

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import numpy as np

from rtcmtool.diagnosis.evidence import Answers
from rtcmtool.gnss.time import NS_PER_SECOND
from rtcmtool.simulation.builtin_scenarios import LEGACY_STREAM
from rtcmtool.simulation.faults import make_fault
from rtcmtool.simulation.scenario import Radio, Rover, Scenario, Stream
from tests.diagnosis.simulated_faults import LONG_S, SHORT_S, Case, Random, Shown, playing

_NAMES = {"G": "GPS", "R": "GLO", "E": "GAL", "C": "BDS", "J": "QZS"}
_MSM = {"G": 1070, "R": 1080, "E": 1090, "C": 1120, "J": 1110}
_EPHEMERIDES = {"G": 1019, "R": 1020, "E": 1046, "C": 1042, "J": 1044}
_OTHER_SIGNALS = {
    "G": ("1C", "5Q"), "R": ("1C", "2C"), "E": ("1C", "5Q"), "C": ("2I", "7I"), "J": ("1C", "5Q"),
}  # fmt: skip
_PLACES = (
    (69.652, 18.957, 96.0), (-77.85, 166.67, 40.0), (0.3, 32.6, 1150.0), (-33.4, -70.6, 620.0),
    (-16.78, 179.9996, 55.0), (27.9, 86.9, 5364.0), (31.5, 35.5, -427.0),
)  # fmt: skip
Varied = tuple[Scenario, str]  # and a remark for the sheet: "averaged", "one band" or nothing


def stream_of(
    systems: str, interval_s: float = 1.0, form: int = 4, *, other_signals: bool = False
) -> Stream:
    """Give what a base of some systems sends."""
    messages: dict[int, float] = {1006: 10.0, 1033: 10.0}
    if "R" in systems:
        messages[1230] = 10.0
    messages |= {_EPHEMERIDES[letter]: 30.0 for letter in systems}
    messages |= {_MSM[letter] + form: interval_s for letter in systems}
    if not other_signals:
        return Stream(messages=messages)
    return Stream(messages=messages, signals={one: _OTHER_SIGNALS[one] for one in systems})


def _plain(scenario: Scenario, _random: Random) -> Varied:
    return scenario, ""


def _legacy(scenario: Scenario, _random: Random) -> Varied:
    return replace(scenario, stream=LEGACY_STREAM), "legacy"


def _systems(scenario: Scenario, random: Random) -> Varied:
    chosen = str(random.choice(["GE", "GC", "GRE", "GEC", "REC", "GREC", "GRECJ"]))
    return replace(scenario, stream=stream_of(chosen)), ""


def _signals(scenario: Scenario, _random: Random) -> Varied:
    return replace(scenario, stream=stream_of("GREC", other_signals=True)), ""


def _pace(scenario: Scenario, random: Random) -> Varied:
    interval_s = float(random.choice([0.2, 0.5, 2.0]))
    duration_s = scenario.duration_s * max(min(interval_s, 1.0), 0.4)
    radio = Radio(rate_bit_s=115_200.0, port_baud=230_400)
    return replace(
        scenario, stream=stream_of("GRE", interval_s), radio=radio, duration_s=duration_s
    ), ""


def _large_form(scenario: Scenario, _random: Random) -> Varied:
    return replace(scenario, stream=stream_of("GRE", form=7), radio=Radio(rate_bit_s=38_400.0)), ""


def _place(scenario: Scenario, random: Random) -> Varied:
    latitude_deg, longitude_deg, height_m = _PLACES[int(random.integers(len(_PLACES)))]
    base = replace(
        scenario.base, latitude_deg=latitude_deg, longitude_deg=longitude_deg,
        ellipsoidal_height_m=height_m,
    )  # fmt: skip
    return replace(scenario, base=base), ""


def _short(scenario: Scenario, random: Random) -> Varied:
    return replace(scenario, duration_s=float(round(random.uniform(20, 75)))), ""


def _one_band(scenario: Scenario, _random: Random) -> Varied:
    return scenario, "one band"


def _noisy(scenario: Scenario, random: Random) -> Varied:
    noise = float(random.uniform(1.1, 1.5))
    return replace(scenario, base=replace(scenario.base, noise=noise)), ""


def _averaged(scenario: Scenario, _random: Random) -> Varied:
    return scenario, "averaged"


def _mask(scenario: Scenario, random: Random) -> Varied:
    mask_deg = float(random.choice([5.0, 8.0, 15.0]))
    return replace(scenario, base=replace(scenario.base, mask_deg=mask_deg)), ""


def _clock(scenario: Scenario, _random: Random) -> Varied:
    return replace(scenario, base=replace(scenario.base, clock="drifting")), ""


def _radio(scenario: Scenario, random: Random) -> Varied:
    rate = float(random.uniform(0.2e-6, 2e-6))  # 0.3 % of the long messages at most
    return replace(scenario, radio=Radio(bit_error_rate=rate, jitter_ms=60.0)), ""


def _far(scenario: Scenario, random: Random) -> Varied:
    turn = random.uniform(0, 2 * np.pi)
    line_m = random.uniform(6000, 9000)
    rover = Rover(float(line_m * np.sin(turn)), float(line_m * np.cos(turn)), 120.0)
    return replace(scenario, rover=rover), ""


def _trees(scenario: Scenario, random: Random) -> Varied:
    """Put a few trees around the rover: it fixes all the same."""
    faults = (
        make_fault("rover-sky", 0.0, severity=float(random.uniform(12, 25))),
        make_fault("rover-noise", 0.0, severity=float(random.uniform(1.1, 1.5))),
    )
    return replace(scenario, faults=faults), ""


KINDS: dict[str, Callable[[Scenario, Random], Varied]] = {
    "plain": _plain, "systems": _systems, "place": _place, "short": _short, "noisy": _noisy,
    "one band": _one_band, "averaged": _averaged, "pace": _pace, "legacy": _legacy,
    "mask": _mask, "clock": _clock, "radio": _radio, "far": _far, "signals": _signals,
    "large form": _large_form, "trees": _trees,
}  # fmt: skip


def sheet_text(scenario: Scenario, remark: str) -> str:
    """Write the site sheet of a crew that knows what stands there."""
    base, stream = scenario.base, scenario.stream
    systems = ", ".join(f'"{_NAMES[letter]}"' for letter in stream.systems)
    plan = ", ".join(f'"{n}" = {s:g}' for n, s in stream.messages.items() if s <= 10)
    family = "legacy" if remark == "legacy" else "msm"
    mark = f"""kind = "known-mark"
latitude_deg = {base.latitude_deg}
longitude_deg = {base.longitude_deg}
ellipsoidal_height_m = {base.ellipsoidal_height_m}"""
    return f"""[position]
{'kind = "averaged"' if remark == "averaged" else mark}
[antenna]
height_m = {base.antenna_height_m}
measured = "vertical"
name = "{stream.antenna}"
[messages]
station = {stream.station}
intervals_s = {{ {plan} }}
[radio]
rate_bit_s = {scenario.radio.rate_bit_s:g}
[rover]
systems = [{systems}]
bands = {1 if remark == "one band" else 2}
families = ["{family}"]
same_make = false
"""


def healthy_cases(count: int, seed: int = 1) -> Iterator[Case]:
    """Give so many cases without a fault: all kinds in turn, shown in many ways."""
    names = list(KINDS)
    for index in range(count):
        random = np.random.default_rng([seed, 3, index])
        label = names[index % len(names)]
        begun = _any_day(playing(duration_s=LONG_S if random.random() < 0.6 else SHORT_S), random)
        scenario, remark = KINDS[label](begun, random)
        stream = str(random.choice(["rover", "untold", "both", "base", "base", "none"]))
        log = stream == "none" or bool(random.random() < 0.8)
        with_sheet = bool(random.random() < 0.6) or remark in {"one band", "averaged"}
        shot = (float(random.uniform(0, 0.015)), float(random.uniform(-0.02, 0.02)))
        answers = Answers(*shot) if log and random.random() < 0.3 else Answers()
        own = sheet_text(scenario, remark) if with_sheet and stream != "none" else ""
        yield Case(f"healthy, {label}", scenario, Shown(stream, log, False, answers, own), ())


def _any_day(scenario: Scenario, random: Random) -> Scenario:
    """Give a scenario at any hour of the year, with a rover anywhere on the site."""
    rover = Rover(
        float(random.uniform(-3500, 3500)), float(random.uniform(-3500, 3500)),
        float(random.uniform(-60, 60)),
    )  # fmt: skip
    hours = int(random.integers(0, 200 * 24))
    more: dict[str, Any] = {"start_utc_ns": scenario.start_utc_ns + hours * 3600 * NS_PER_SECOND}
    return replace(scenario, seed=int(random.integers(1, 1 << 20)), rover=rover, **more)
