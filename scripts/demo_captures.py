"""The demo captures: what is in each, and what somebody who looks at it should find."""

import shutil
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from rtcmtool.gnss.time import NS_PER_SECOND
from rtcmtool.running.simulated_recording import FollowedRecorder
from rtcmtool.simulation.builtin_scenarios import LARGE_STREAM, builtin_scenario
from rtcmtool.simulation.faults import Fault, make_fault
from rtcmtool.simulation.run import Simulation
from rtcmtool.simulation.scenario import Radio, RadioPath, Rover, Scenario

SHEET_NAME = "hillcrest.toml"
_SEED = 417
_HEALTHY = replace(builtin_scenario("healthy"), seed=_SEED, duration_s=240.0)


@dataclass(frozen=True, slots=True)
class Demo:
    """One capture.

    Attributes
    ----------
    name : str
        NAME of its files.
    scenario : Scenario
        What is played.
    find : str
        What a user should find in it.
    """

    name: str
    scenario: Scenario
    find: str


def _demo(name: str, find: str, *faults: Fault, rover: bool = False) -> Demo:
    scenario = replace(_HEALTHY, name=name, faults=faults, rover=Rover() if rover else None)
    return Demo(name, scenario, find)


# A pair by one radio that hardly reaches: sent at the base, heard at the rover.
_WEAK = replace(
    _HEALTHY, name="weak-radio", radio=Radio(rate_bit_s=9600.0, path=RadioPath(distance_km=6.2))
)

DEMOS = (
    Demo(
        "healthy",
        replace(_HEALTHY, name="healthy", duration_s=285.0, listen_at="base"),
        "a good morning at the base's own port: nothing is wrong, `check` says GO",
    ),
    _demo(
        "one-band",
        "a rover that stays in float, as its log `one-band-rover.nmea` shows: the base sends one "
        "frequency",
        make_fault("one-band"),
        rover=True,
    ),
    Demo(
        "too-much",
        replace(_HEALTHY, name="too-much", stream=LARGE_STREAM, radio=Radio(rate_bit_s=9600.0)),
        "four systems as MSM7 every second do not fit 9600 bit/s: the delay climbs, then "
        "messages are lost",
    ),
    _demo(
        "wrong-mark",
        "the base was given another point's coordinates, 2.08 m off in plan and 0.35 m too "
        "high; everything else looks perfect, so only the site sheet tells",
        make_fault("wrong-mark"),
    ),
    _demo(
        "two-bases",
        "a second base, number 88, comes on the channel after a minute",
        make_fault("two-bases", 60.0),
    ),
    _demo(
        "dead-battery",
        "after a minute the base restarts every 45 s: gaps of 14 s, all lock times from zero",
        make_fault("dead-battery", 60.0),
    ),
    _demo(
        "false-bias",
        "GLONASS biases of zero that claim to be aligned, from a base that is not",
        make_fault("false-bias"),
    ),
    _demo(
        "new-average",
        "after two minutes the base restarts on a newly averaged position, 1.6 m off",
        make_fault("new-average", 120.0),
    ),
    Demo(
        "weak-radio-base",
        replace(_WEAK, listen_at="base"),
        "what a base sends; the other end of the radio is `weak-radio`",
    ),
    Demo(
        "weak-radio",
        replace(_WEAK, rover=Rover(east_m=4070.0, north_m=4680.0, up_m=-41.0)),
        "what arrives of it 6.2 km away: messages with bit errors, long ones more often; with the "
        "rover's own measurements and its sentences",
    ),
)


def files_of(demo: Demo) -> list[str]:
    """Name all files of a capture."""
    stems = [demo.name, f"{demo.name}-rover"] if demo.scenario.rover else [demo.name]
    suffixes = (".rtcm3", ".arrivals", ".json", ".events.jsonl", ".outages.csv")
    names = [stem + suffix for stem in stems for suffix in suffixes]
    return [*names, f"{demo.name}-rover.nmea"] if demo.scenario.rover else names


def write_demo(demo: Demo, folder: Path) -> None:
    """Write the files of a capture into a folder; those of the same names are replaced."""
    with tempfile.TemporaryDirectory() as temporary:
        scenario = demo.scenario
        recorder = FollowedRecorder(Path(temporary) / demo.name, scenario, 0.0)
        end_ns = scenario.start_utc_ns + round(scenario.duration_s * NS_PER_SECOND)
        for piece in Simulation(scenario).pieces():
            recorder.write(piece, 0.0)
            end_ns = max(end_ns, piece.true_utc_ns)
        recorder.close(end_ns)
        for name in files_of(demo):
            shutil.copyfile(Path(temporary) / name, folder / name)


def write_companions(folder: Path) -> None:
    """Write the page about the captures and the site sheet of their site."""
    for name, text in ((SHEET_NAME, site_sheet()), ("README.md", readme())):
        (folder / name).write_text(text, encoding="utf-8", newline="\n")


def site_sheet() -> str:
    """Give the site sheet: what the crew knows of the site, right in all captures."""
    base, stream, radio = _HEALTHY.base, _HEALTHY.stream, _HEALTHY.radio
    return f"""# Site sheet of the demo captures: an invented site.
[site]
name = "{_HEALTHY.site.name}"
note = "SIMULATED, there is no such place"

[position]
kind = "known-mark"
latitude_deg = {base.latitude_deg:.9f}
longitude_deg = {base.longitude_deg:.9f}
ellipsoidal_height_m = {base.ellipsoidal_height_m:.3f}

[antenna]
height_m = {base.antenna_height_m:.3f}
measured = "vertical"
name = "{stream.antenna}"
serial = "{stream.antenna_serial}"

[messages]
station = {stream.station}
intervals_s = {{ "1006" = 10, "1074" = 1, "1084" = 1, "1094" = 1, "1124" = 1, "1230" = 10 }}

[radio]
rate_bit_s = {radio.rate_bit_s:.0f}
overhead = {radio.overhead}
repeater = false

[rover]
systems = ["GPS", "GLO", "GAL", "BDS"]
bands = 2
families = ["msm"]
distance_km = 1.7
same_make = false
"""


def readme() -> str:
    """Give the page about the captures."""
    return "\n".join(_readme_lines()) + "\n"


def _readme_lines() -> Iterator[str]:
    yield "# Demo captures"
    yield ""
    yield (
        "All of this is **SIMULATED**: an invented quarry, crew, base 417 and makes of equipment. "
        "Never feed it"
    )
    yield "to a radio or a machine. `python3 scripts/make_captures.py` makes all files anew."
    yield ""
    yield "| capture | what to find in it |"
    yield "| --- | --- |"
    for demo in DEMOS:
        yield f"| `{demo.name}.rtcm3` | {demo.find} |"
    yield ""
    yield (
        "Beside each `.rtcm3` stand its arrival times, its description (with the truth: scenario, "
        "faults, seed),"
    )
    yield "events and outages. `-rover.nmea` is what a rover printed meanwhile, `-rover.rtcm3` what"
    yield f"it measured. `{SHEET_NAME}` is the site sheet of them all."
    yield ""
    yield "Start with:"
    yield ""
    yield "    python3 scripts/run.py check captures/healthy.rtcm3"
