"""Seeded cases for `diagnose`: simulated faults, what is handed in, and what should be found.

The cases are made here, the diagnosis sees bytes alone: streams, the rover's sentences, and the
site sheet that the crew wrote before anything went wrong.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any

import numpy as np

from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.diagnosis import Diagnosis, diagnose
from rtcmtool.diagnosis.evidence import Answers, Evidence
from rtcmtool.diagnosis.evidence_gathering import gather, our_station
from rtcmtool.diagnosis.evidence_link import LinkRecord
from rtcmtool.diagnosis.sheet_parsing import parse_sheet
from rtcmtool.diagnosis.site_sheet import SiteSheet
from rtcmtool.gnss.time import NS_PER_SECOND
from rtcmtool.monitor.one_station import StationStates
from rtcmtool.monitor.rover_log import RoverLog
from rtcmtool.monitor.stream_state import StreamState
from rtcmtool.simulation.builtin_scenarios import LARGE_STREAM, SCENARIOS
from rtcmtool.simulation.fault_kinds import Severity
from rtcmtool.simulation.faults import Fault, make_fault
from rtcmtool.simulation.rover_nmea import sentence
from rtcmtool.simulation.run import Piece, Port, Simulation
from rtcmtool.simulation.scenario import Radio, RadioPath, Rover, Scenario
from rtcmtool.wire.stream import Chunk, StreamDecoder
from tests.conftest import PROJECT

LONG_S, SHORT_S = 320.0, 170.0  # rules on signals need 5 minutes

Random = np.random.Generator


@dataclass(frozen=True, slots=True)
class Shown:
    """What of a simulation is handed in.

    Attributes
    ----------
    stream : str
        "rover" and "base" (told so), "untold" (heard at the rover), "both", or "none".
    log, sheet : bool
        The rover's sentences, the site sheet.
    answers : Answers
        What the crew says.
    own_sheet : str
        Text of another site sheet than that of the demo captures.
    """

    stream: str = "rover"
    log: bool = True
    sheet: bool = False
    answers: Answers = field(default_factory=Answers)
    own_sheet: str = ""


@dataclass(frozen=True, slots=True)
class Case:
    """A case: what happens, what is shown of it, and the true causes (any name of a set counts)."""

    label: str
    scenario: Scenario
    shown: Shown
    truth: tuple[frozenset[str], ...]


@cache
def sheet() -> SiteSheet:
    """Give the site sheet of the simulated crew."""
    return parse_sheet((PROJECT / "captures" / "hillcrest.toml").read_text(encoding="utf-8"))


def heard(pieces: list[Piece], port: Port) -> tuple[StreamState, LinkRecord]:
    """Decode what comes out at a port."""
    state, record, _ = heard_apart(pieces, port)
    return state, record


def heard_apart(pieces: list[Piece], port: Port) -> tuple[StreamState, LinkRecord, StationStates]:
    """Decode what comes out at a port, and each station of it alone."""
    own = [piece for piece in pieces if piece.port is port]
    lengths = np.cumsum([0, *(len(piece.data) for piece in own)])[:-1]
    arrivals = np.array([piece.utc_ns for piece in own], np.int64)
    decoder, state = StreamDecoder(), StreamState()
    record, apart = LinkRecord(keeps_frames=True), StationStates()
    data = b"".join(piece.data for piece in own)
    chunk = Chunk(data, arrivals, lengths[: len(own)])
    for batch in (decoder.feed(chunk), decoder.finish()):
        apart.update(batch, state)
        state.update(batch)
        record.update(batch)
    state.finish()
    apart.finish()
    return state, record, apart


def rover_log(pieces: list[Piece], about_utc_ns: int | None = None) -> RoverLog:
    """Read the sentences of the rover."""
    log = RoverLog(about_utc_ns)
    log.feed(b"".join(piece.data for piece in pieces if piece.port is Port.NMEA))
    log.finish()
    return log


def in_local_time(data: bytes, hours: int) -> bytes:
    """Give a rover's log with its times of day some hours ahead; dates and satellites stay."""
    lines = []
    for line in data.decode().splitlines():
        kind, clock, *rest = line[1 : line.index("*")].split(",")
        if kind[2:] in {"GGA", "RMC", "GST"}:
            clock = f"{int(clock[:2]) + hours:02d}{clock[2:]}"
        lines.append(sentence(",".join([kind, clock, *rest])))
    return "".join(f"{line}\r\n" for line in lines).encode()


def evidence_of(scenario: Scenario, shown: Shown) -> Evidence:
    """Play a scenario and hand in what is shown of it."""
    pieces = list(Simulation(scenario).pieces())
    known = sheet() if shown.sheet else None
    if shown.own_sheet:
        known = parse_sheet(shown.own_sheet)
    log = rover_log(pieces) if shown.log else None

    def contexts(port: Port, at: str) -> tuple[Context, LinkRecord, Context | None]:
        state, record, apart = heard_apart(pieces, port)
        stream = Context.for_site(state, known, at=at)
        alone = apart.of(our_station(stream, log))
        return stream, record, None if alone is None else replace(stream, state=alone)

    if shown.stream == "none":
        return gather(None, None, log=log, answers=shown.answers)
    if shown.stream == "both":
        stream, record, own = contexts(Port.BASE, "base")
        far, far_record, _ = contexts(Port.ROVER, "rover")
        return gather(
            stream, record, own=own, far=far, far_record=far_record, log=log, answers=shown.answers
        )
    port = Port.BASE if shown.stream == "base" else Port.ROVER
    stream, record, own = contexts(port, "base" if shown.stream == "base" else "rover")
    told = None if shown.stream == "untold" else shown.stream
    return gather(stream, record, own=own, heard_at=told, log=log, answers=shown.answers)


def diagnosed(scenario: Scenario, shown: Shown | None = None) -> Diagnosis:
    """Play a scenario and diagnose it."""
    return diagnose(evidence_of(scenario, shown or Shown()))


def playing(
    *faults: Fault,
    duration_s: float = SHORT_S,
    seed: int = 1,
    base: str = "healthy",
    **more: Any,
) -> Scenario:
    """Give a scenario with a rover."""
    return replace(
        SCENARIOS[base], faults=faults, duration_s=duration_s, seed=seed,
        **{"rover": Rover(), **more},
    )  # fmt: skip


# ---- single faults


@dataclass(frozen=True, slots=True)
class Maker:
    """A kind of case: its label, its causes, and how it is drawn."""

    label: str
    causes: frozenset[str]
    draw: Callable[[Random], tuple[Scenario, Shown]]


def _uniform(low: float, high: float) -> Callable[[Random], float]:
    return lambda random: float(random.uniform(low, high))


def _vector(low: float, high: float) -> Callable[[Random], tuple[float, float, float]]:
    """Give a vector of a length from `low` to `high`, mostly level."""

    def draw(random: Random) -> tuple[float, float, float]:
        size = float(np.exp(random.uniform(np.log(low), np.log(high))))
        turn = random.uniform(0.0, 2 * np.pi)
        up = float(random.uniform(-0.3, 0.3)) * min(size, 30.0)
        return float(size * np.sin(turn)), float(size * np.cos(turn)), up

    return draw


def _fault(
    kind: str,
    severity: Callable[[Random], Severity] | None = None,
    start: tuple[float, float] = (0.0, 0.0),
    *,
    long: bool = False,
    streams: tuple[str, ...] = ("rover", "untold", "both"),
    sheet: bool | None = None,
    log: bool = True,
    **more: Any,
) -> Callable[[Random], tuple[Scenario, Shown]]:
    """Give how a case of one fault is drawn."""

    def draw(random: Random) -> tuple[Scenario, Shown]:
        size = severity(random) if severity is not None else None
        fault = make_fault(kind, round(float(random.uniform(*start))), severity=size)
        scenario = playing(fault, duration_s=LONG_S if long else SHORT_S, **more)
        with_sheet = bool(random.random() < 0.6) if sheet is None else sheet
        stream = str(random.choice(list(streams)))
        return varied(scenario, random), Shown(stream, log, with_sheet)

    return draw


def varied(scenario: Scenario, random: Random) -> Scenario:
    """Give a scenario at another hour, with another seed and another place of the rover."""
    hours = int(random.integers(0, 24))
    rover = replace(
        scenario.rover or Rover(),
        east_m=float(random.uniform(-3500, 3500)),
        north_m=float(random.uniform(-3500, 3500)),
        up_m=float(random.uniform(-60, 60)),
    )
    return replace(
        scenario,
        seed=int(random.integers(1, 1 << 20)),
        start_utc_ns=scenario.start_utc_ns + hours * 3600 * NS_PER_SECOND,
        rover=rover,
    )


def _weak_path(random: Random) -> tuple[Scenario, Shown]:
    path = RadioPath(distance_km=float(random.uniform(5.9, 6.4)))
    scenario = replace(SCENARIOS["weak-radio"], radio=Radio(rate_bit_s=9600.0, path=path),
                       rover=Rover(), duration_s=SHORT_S)  # fmt: skip
    return varied(scenario, random), Shown(str(random.choice(["rover", "untold", "both"])))


def _large(random: Random) -> tuple[Scenario, Shown]:
    scenario = playing(duration_s=SHORT_S, stream=LARGE_STREAM, radio=Radio(rate_bit_s=8000.0))
    return varied(scenario, random), Shown(str(random.choice(["rover", "untold"])))


def _names(*names: str) -> frozenset[str]:
    return frozenset(names)


MAKERS = (
    Maker("no link, both ends", _names("no_link"),
          _fault("long-lost", _uniform(20, 20), streams=("both",))),
    Maker("link dies", _names("no_link"),
          _fault("silence", start=(70, 100), streams=("rover", "untold"))),
    Maker("port at a wrong rate", _names("no_link"),
          _fault("wrong-baud", _uniform(1.5, 4), streams=("rover",))),
    Maker("no link, rover alone", _names("no_link"),
          _fault("long-lost", _uniform(20, 20), streams=("none",), sheet=False)),
    Maker("bit errors", _names("weak_path"), _fault("weak-radio", _uniform(6e-5, 5e-4))),
    Maker("far radio", _names("weak_path"), _weak_path),
    Maker("weak, rover alone", _names("weak_path"),
          _fault("weak-radio", _uniform(6e-4, 1.2e-3), streams=("none",), sheet=False)),
    Maker("long ones never pass", _names("weak_path"),
          _fault("long-lost", _uniform(90, 140), streams=("both",))),
    Maker("long ones, rover's end", _names("weak_path"),
          _fault("long-lost", _uniform(90, 140), streams=("rover", "untold"), sheet=True)),
    Maker("busy channel", _names("busy_channel"), _fault("busy-channel", _uniform(10, 40))),
    Maker("busy, rover alone", _names("busy_channel"),
          _fault("busy-channel", _uniform(20, 40), long=True, streams=("none",), sheet=False)),
    Maker("repeater", _names("busy_channel"), _fault("repeater", streams=("rover", "untold"))),
    Maker("sent twice", _names("busy_channel"),
          _fault("epochs-twice", streams=("rover", "untold"))),
    Maker("foreign bytes", _names("busy_channel"),
          _fault("foreign-bytes", _uniform(2, 15), streams=("rover", "untold"))),
    Maker("all late", _names("overloaded"), _fault("late", _uniform(6, 12))),
    Maker("slow radio", _names("overloaded"), _fault("too-much", _uniform(3000, 5000))),
    Maker("large messages", _names("overloaded"), _large),
    Maker("battery", _names("power_sag"),
          _fault("dead-battery", _uniform(40, 60), (40, 60), long=True)),
    Maker("no position", _names("no_position"), _fault("no-position")),
    Maker("other family", _names("unusable_format"), _fault("wrong-family")),
    Maker("proprietary", _names("unusable_format"), _fault("proprietary-only")),
    Maker("one band", _names("one_frequency"), _fault("one-band")),
    Maker("high mask", _names("few_satellites"), _fault("few-satellites", _uniform(52, 66))),
    Maker("systems off", _names("few_satellites"),
          _fault("system-lost", lambda random: str(random.choice(["RC", "RE", "EC"])), sheet=True)),
    Maker("hidden sky", _names("few_satellites"), _fault("blocked-sky", _uniform(55, 75))),
    Maker("rover's sky", _names("rover_sky"), _fault("rover-sky", _uniform(62, 75))),
    Maker("rover's walls", _names("rover_sky"),
          _fault("rover-noise", _uniform(5, 9), long=True, sheet=True)),
    Maker("base's walls", _names("base_multipath"),
          _fault("noisy-site", _uniform(6, 12), long=True)),
    Maker("jammed band", _names("interference"),
          _fault("jammed-band", _uniform(8, 16), (100, 140), long=True)),
    Maker("wet cable", _names("antenna_cable"), _fault("bad-cable", _uniform(8, 13), long=True)),
    Maker("cable comes loose", _names("antenna_cable"),
          _fault("bad-cable", _uniform(8, 13), (100, 140), long=True)),
    Maker("slips of strong signals", _names("antenna_cable", "base_receiver"),
          _fault("slips", _uniform(20, 80), long=True, streams=("rover", "untold", "base"))),
    Maker("no 1230", _names("glonass_bias"), _fault("no-bias")),
    Maker("false 1230", _names("glonass_bias"), _fault("false-bias")),
    Maker("degree off", _names("base_far_wrong"), _fault("degree-off", _uniform(0.2, 5))),
    Maker("sign", _names("base_far_wrong"), _fault("sign-swapped")),
    Maker("kilometres off", _names("base_far_wrong"), _fault("wrong-mark", _vector(1500, 20_000))),
    Maker("metres off", _names("base_slightly_wrong"),
          _fault("wrong-mark", _vector(0.1, 200), sheet=True)),
    Maker("height left out", _names("antenna_height"), _fault("wrong-height", sheet=True)),
    Maker("height in feet", _names("antenna_height"), _fault("height-in-feet", sheet=True)),
    Maker("slant", _names("antenna_height"), _fault("slant-as-vertical", sheet=True)),
    Maker("no name", _names("antenna_model"), _fault("no-antenna-name")),
    Maker("null antenna", _names("antenna_model"), _fault("null-antenna")),
    Maker("wrong antenna", _names("antenna_model"), _fault("wrong-antenna", sheet=True)),
    Maker("two bases", _names("two_bases"), _fault("two-bases", start=(30, 70))),
    Maker("same number", _names("two_bases"), _fault("same-number", start=(30, 70))),
    Maker("number changes", _names("two_bases"), _fault("number-changes", start=(60, 90))),
    Maker("restart", _names("base_moved"), _fault("restart", _uniform(10, 25), (60, 90))),
    Maker("knocked", _names("base_moved"),
          _fault("base-bumped", _vector(0.05, 0.3), (130, 180), long=True, sheet=False)),
    Maker("long line", _names("long_baseline"), _fault("rover-far", _uniform(22, 40))),
    Maker("high rover", _names("height_difference"), _fault("rover-high", _uniform(400, 1200))),
    Maker("storm", _names("ionosphere"), _fault("storm", _uniform(12, 30), long=True)),
    Maker("clock jumps", _names("base_receiver"), _fault("clock-jumps", _uniform(15, 40))),
    Maker("half cycles", _names("base_receiver"), _fault("half-cycles", _uniform(20, 60))),
    Maker("never closed", _names("base_receiver"), _fault("epoch-never-closed")),
    Maker("last message cut off", _names("base_receiver"),
          _fault("last-lost", _uniform(15, 60), streams=("rover", "untold", "base"))),
    Maker("last message never", _names("base_receiver"), _fault("last-lost", _uniform(100, 100))),
    Maker("base's port, wrong rate", _names("base_receiver"),
          _fault("wrong-baud", _uniform(1.5, 4), streams=("base",))),
    Maker("base's port, twice", _names("base_receiver"), _fault("epochs-twice", streams=("base",))),
    Maker("rover's mask", _names("rover_settings"), _fault("rover-mask", _uniform(55, 65))),
    Maker("rover's mode", _names("rover_settings"), _fault("rover-mode")),
    Maker("rover's age limit", _names("rover_settings"), _fault("rover-age-limit")),
    Maker("PC clock", _names("wrong_time"), _fault("clock-off", _uniform(15, 200))),
    Maker("PC date", _names("wrong_time"), _fault("wrong-date", _uniform(20, 400))),
    Maker("new average", _names("base_averaged"),
          _fault("new-average", _uniform(0.6, 4), (60, 90))),
)  # fmt: skip


def faults_with_a_case() -> set[str]:
    """Name the kinds of fault that the cases play."""
    drawn = (maker.draw(np.random.default_rng(1))[0] for maker in MAKERS)
    return {fault.kind for scenario in drawn for fault in scenario.faults}


def single_cases(count: int, seed: int = 1) -> Iterator[Case]:
    """Give so many cases of one fault, all kinds in turn."""
    for index in range(count):
        maker = MAKERS[index % len(MAKERS)]
        random = np.random.default_rng([seed, 1, index])
        scenario, shown = maker.draw(random)
        yield Case(maker.label, scenario, shown, (maker.causes,))


# ---- two faults at once, which do not hide each other

_PAIRABLE = {
    "weak_path": ("weak-radio", 1.5e-4, 0.0), "busy_channel": ("busy-channel", 25.0, 0.0),
    "one_frequency": ("one-band", None, 0.0), "no_position": ("no-position", None, 0.0),
    "few_satellites": ("few-satellites", 58.0, 0.0), "glonass_bias": ("false-bias", None, 0.0),
    "base_slightly_wrong": ("wrong-mark", (1.31, -0.84, 0.0), 0.0),
    "antenna_height": ("height-in-feet", None, 0.0), "two_bases": ("two-bases", 88.0, 40.0),
    "antenna_model": ("wrong-antenna", None, 0.0), "base_receiver": ("clock-jumps", 20.0, 0.0),
    "power_sag": ("dead-battery", 50.0, 50.0), "ionosphere": ("storm", 18.0, 0.0),
    "base_multipath": ("noisy-site", 9.0, 0.0), "long_baseline": ("rover-far", 27.0, 0.0),
    "height_difference": ("rover-high", 700.0, 0.0), "rover_sky": ("rover-sky", 68.0, 0.0),
}  # fmt: skip
# What one of them hides of the other: a few satellites have no biases or multipath to speak of.
_HIDDEN = {
    frozenset(pair)
    for pair in (
        ("few_satellites", "glonass_bias"), ("few_satellites", "base_multipath"),
        ("few_satellites", "ionosphere"), ("few_satellites", "power_sag"),
        ("one_frequency", "ionosphere"), ("one_frequency", "base_multipath"),
        ("power_sag", "base_multipath"), ("power_sag", "ionosphere"),
        ("base_receiver", "base_multipath"), ("base_receiver", "ionosphere"),
        ("ionosphere", "base_multipath"), ("weak_path", "busy_channel"),
        ("base_slightly_wrong", "no_position"), ("antenna_height", "no_position"),
        ("long_baseline", "no_position"), ("height_difference", "no_position"),
        ("weak_path", "base_multipath"), ("busy_channel", "base_multipath"),
        ("power_sag", "busy_channel"), ("few_satellites", "base_receiver"),
        ("few_satellites", "rover_sky"),
    )
}  # fmt: skip


def pairs() -> list[tuple[str, str]]:
    """Give the causes that can be simulated together."""
    known = list(_PAIRABLE)
    return [
        (one, other)
        for place, one in enumerate(known)
        for other in known[place + 1 :]
        if frozenset({one, other}) not in _HIDDEN
    ]


def double_cases(count: int, seed: int = 1) -> Iterator[Case]:
    """Give so many cases of two faults."""
    random = np.random.default_rng([seed, 2])
    order = random.permutation(len(pairs()))
    for index in range(count):
        one, other = pairs()[int(order[index % len(order)])]
        own = np.random.default_rng([seed, 2, index])
        faults = []
        for name in (one, other):
            kind, severity, start_s = _PAIRABLE[name]
            faults.append(make_fault(kind, start_s, severity=severity))
        scenario = varied(playing(*faults, duration_s=LONG_S), own)
        truth = (frozenset({one}), frozenset({other}))
        yield Case(f"{one} + {other}", scenario, Shown("rover", sheet=True), truth)
