"""The scenarios that are built in, named by what the crew would see.

Each is the same healthy base with one thing gone wrong, from a minute after the start on unless
the fault is one of the set-up.
"""

import difflib
from dataclasses import replace
from types import MappingProxyType

from rtcmtool.errors import UsageError
from rtcmtool.simulation.faults import Fault, make_fault
from rtcmtool.simulation.scenario import Base, Radio, RadioPath, Rover, Scenario, Stream

_HEALTHY = Scenario(
    name="healthy",
    text="a good base on a known mark, four systems, a radio that carries it",
)
# A base of four systems in the large form, as often set without a thought for the radio.
_LARGE_MESSAGES = MappingProxyType(
    dict.fromkeys((1006, 1033, 1230), 10.0)
    | dict.fromkeys((1019, 1020, 1042, 1046), 30.0)
    | dict.fromkeys((1077, 1087, 1097, 1127), 1.0)
)
LARGE_STREAM = Stream(messages=_LARGE_MESSAGES)
LEGACY_STREAM = Stream(
    messages=MappingProxyType({1006: 10.0, 1008: 10.0, 1004: 1.0, 1012: 1.0, 1230: 10.0})
)


def _with(name: str, text: str, *faults: Fault) -> Scenario:
    return replace(_HEALTHY, name=name, text=text, faults=faults)


_SCENARIOS = (
    _HEALTHY,
    _with("silence", "the stream stops for 22 s", make_fault("silence", 60.0, 22.0)),
    _with("no-position", "observations, but no position message", make_fault("no-position")),
    _with("wrong-height", "the antenna height was left out", make_fault("wrong-height")),
    _with("height-in-feet", "the antenna height typed in feet", make_fault("height-in-feet")),
    _with("wrong-mark", "the coordinates of another point", make_fault("wrong-mark")),
    _with("degree-off", "a degree wrong in the latitude", make_fault("degree-off")),
    replace(
        _HEALTHY,
        name="weak-radio",
        text="the rover is too far for the radio: long messages are lost",
        radio=Radio(rate_bit_s=9600.0, path=RadioPath(distance_km=6.2)),
    ),
    _with("busy-channel", "others talk on the channel", make_fault("busy-channel", 30.0)),
    replace(
        _HEALTHY,
        name="too-much",
        text="four systems in the large form at 9600 bit/s: the age climbs",
        stream=LARGE_STREAM,
        radio=Radio(rate_bit_s=9600.0),
    ),
    _with("two-bases", "a second base on the channel", make_fault("two-bases", 60.0)),
    _with("repeater", "a repeater sends everything once more", make_fault("repeater")),
    _with("restart", "the base restarts once", make_fault("restart", 60.0)),
    _with("new-average", "it restarts on a new average", make_fault("new-average", 60.0)),
    _with("base-bumped", "the tripod is knocked", make_fault("base-bumped", 60.0)),
    _with("dead-battery", "the battery sags: restarts again and again",
          make_fault("dead-battery", 60.0)),
    _with("one-band", "the base sends one frequency", make_fault("one-band")),
    _with("few-satellites", "a mask far too high at the base", make_fault("few-satellites")),
    _with("blocked-sky", "half the sky of the base is hidden", make_fault("blocked-sky")),
    _with("no-bias", "GLONASS without its biases", make_fault("no-bias")),
    _with("false-bias", "zero GLONASS biases that claim to be right", make_fault("false-bias")),
    _with("noisy-site", "the base beside metal: multipath", make_fault("noisy-site")),
    _with("jammed-band", "the radio jams one band", make_fault("jammed-band", 60.0)),
    _with("bad-cable", "a wet antenna cable", make_fault("bad-cable", 60.0)),
    _with("storm", "a disturbed ionosphere", make_fault("storm", 60.0)),
    _with("clock-off", "the computer's clock is 71 s fast", make_fault("clock-off")),
    _with("wrong-baud", "the port is read at the wrong rate", make_fault("wrong-baud", 60.0)),
    _with("proprietary", "messages for the maker's own rovers", make_fault("proprietary-only")),
    replace(
        _HEALTHY, name="old-messages", text="legacy messages of GPS and GLONASS",
        stream=LEGACY_STREAM,
    ),
    replace(
        _HEALTHY, name="drifting-clock", text="a base whose clock drifts and is put right by 1 ms",
        base=Base(clock="jumping"),
    ),
    replace(
        _HEALTHY, name="far-rover", text="a rover 28 km away", rover=Rover(),
        faults=(make_fault("rover-far"),),
    ),
)  # fmt: skip

SCENARIOS: dict[str, Scenario] = {scenario.name: scenario for scenario in _SCENARIOS}


def builtin_scenario(name: str) -> Scenario:
    """Give a built-in scenario by its name.

    Raises
    ------
    UsageError
        If there is none; the nearest name is told.
    """
    found = SCENARIOS.get(name)
    if found is None:
        near = difflib.get_close_matches(name, SCENARIOS, 1)
        hint = f" Did you mean '{near[0]}'?" if near else ""
        raise UsageError(
            f"there is no scenario '{name}'.{hint}",
            do="all scenarios: rtcmtool simulate --list; a file is named with its suffix .toml",
        )
    return found
