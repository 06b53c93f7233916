"""`simulate`: a base that does not exist, to try, to train and to test with."""

import argparse
import sys
import textwrap
import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from rtcmtool.captures.pacing import FASTEST, MAX_SPEED, SLOWEST
from rtcmtool.cli.arguments import duration_s, whole
from rtcmtool.cli.console import say
from rtcmtool.errors import UsageError
from rtcmtool.simulation.fault_kinds import KINDS, FaultKind, Level

if TYPE_CHECKING:
    from rtcmtool.running.sending import Interruption
    from rtcmtool.running.stopping import Stopper
    from rtcmtool.simulation.playing import Clock
    from rtcmtool.simulation.scenario import Scenario

SUMMARY = "A base that does not exist, healthy or with faults"
EXAMPLES = (
    ("rtcmtool simulate --list", "what can be simulated"),
    ("rtcmtool simulate weak-radio --record ours", "record it, as fast as it goes"),
    ("rtcmtool simulate --to tcp-listen://127.0.0.1:5015", "live, for a second window"),
)
_WIDTH = 80
_INDENT = 21


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.add_argument(
        "scenario", metavar="SCENARIO", nargs="?", default="healthy",
        help="a name of --list, or a file NAME.toml; default healthy",
    )  # fmt: skip
    group = parser.add_argument_group("what to simulate")
    group.add_argument("--list", action="store_true", help="list scenarios and faults")
    group.add_argument(
        "--fault", action="append", default=[], metavar="KIND@START+LENGTH:SEVERITY",
        help="add a fault, such as silence@60s+14s; may be given again",
    )  # fmt: skip
    group.add_argument("--duration", type=duration_s, metavar="TIME", help="90, 90s, 10m or 2h")
    group.add_argument("--seed", type=whole, metavar="N", help="same number, same bytes")
    group.add_argument(
        "--rover", type=vector_m, metavar="E,N,U",
        help="log a rover there too, m from the base; needs --record",
    )  # fmt: skip
    group.add_argument("--at", choices=("base", "rover"), help="end of the radio to listen at")
    group = parser.add_argument_group("where to")
    group.add_argument(
        "--to", metavar="TARGET",
        help="- (default), tcp-listen://HOST:PORT, tcp://, udp://, pty, or a serial port",
    )  # fmt: skip
    group.add_argument("--record", metavar="NAME", help="write a capture")
    group.add_argument(
        "--speed", type=speed, metavar="1|N|max",
        help="times real time; default 1, with --record alone max",
    )  # fmt: skip
    group.add_argument("--baud", type=whole, default=38_400, help="of a serial port")
    group.add_argument("--yes", action="store_true", help="send to a serial port without asking")
    group.add_argument("-q", "--quiet", action="store_true", help="say nothing on the side")


def speed(text: str) -> float:
    """Read a speed: a number of times real time, or max.

    Raises
    ------
    argparse.ArgumentTypeError
        If it is none.
    """
    if text == "max":
        return MAX_SPEED
    try:
        value = float(text.removeprefix("x"))
    except ValueError:
        value = 0.0
    if not SLOWEST <= value <= FASTEST:
        raise argparse.ArgumentTypeError(
            f"{text!r} is no speed; write {SLOWEST} to {FASTEST:.0f}, or max"
        )
    return value


def vector_m(text: str) -> tuple[float, float, float]:
    """Read east, north and up in metres.

    Raises
    ------
    argparse.ArgumentTypeError
        If it is none.
    """
    try:
        east, north, up = (float(part) for part in text.split(","))
    except ValueError:
        raise argparse.ArgumentTypeError(
            f"{text!r} is no vector; write east,north,up in metres: 1480,920,-34"
        ) from None
    return east, north, up


def run(options: argparse.Namespace) -> int:
    """Run the command; give its exit code."""
    if options.list:
        _print_list()
        return 0
    from rtcmtool.running.stopping import stopping

    scenario = _scenario(options)
    with stopping() as stopper:
        code = _play(options, scenario, stopper)
    stopper.die_of_it()
    return code


def _play(options: argparse.Namespace, scenario: "Scenario", stopper: "Stopper") -> int:
    """Play to where it shall go; a stop that is asked for ends it in order."""
    from rtcmtool.running.sending import (
        Interruptible,
        Interruption,
        Stopped,
        forget_output,
        sending_target,
    )
    from rtcmtool.running.simulated_recording import FollowedRecorder
    from rtcmtool.simulation.outputs import STANDARD_OUTPUT
    from rtcmtool.simulation.playing import play, starting_now

    is_recording_only = options.record is not None and options.to is None
    pace = options.speed or (MAX_SPEED if is_recording_only else 1.0)
    to = options.to or STANDARD_OUTPUT
    interruption = Interruption()
    clock = _clock(interruption)
    target = None
    if not is_recording_only:
        target = Interruptible(sending_target(to, options.baud), interruption)
        if target.needs_yes:
            _ask(options)
    stopper.on_stop(interruption.ask)
    recorder = None
    try:
        if target is not None:
            target.open(lambda text: say(options, text))
        is_now = target is not None and pace == 1.0
        if is_now:
            scenario = starting_now(scenario, clock)
        if options.record is not None:
            recorder = FollowedRecorder(options.record, scenario, clock.monotonic())
        say(options, f"SIMULATED: {scenario.name}, seed {scenario.seed}, {_faults(scenario)}")
        played = play(scenario, clock, speed=pace, is_now=is_now, target=target, recorder=recorder)
        say(options, f"{played.pieces} messages, {played.size_bytes} bytes")
    except Stopped:
        if to == STANDARD_OUTPUT and target is not None:
            forget_output()  # whoever should read it may be stuck
        if recorder is not None:
            recorder.close(scenario.start_utc_ns)  # if it was not yet: nothing was played
        say(options, "stopped before the end of the scenario")
    finally:
        if target is not None:
            target.close()
    if recorder is not None:
        for path in recorder.paths:
            say(options, f"written: {path}")
    return stopper.exit_code or 0


def _clock(interruption: "Interruption") -> "Clock":
    """Give the computer's clocks; whoever looks at them notices that an end was asked for."""
    from rtcmtool.simulation.playing import Clock

    def monotonic() -> float:
        interruption.look()
        return time.monotonic()

    return Clock(time.time_ns, monotonic, time.sleep)


def _scenario(options: argparse.Namespace) -> "Scenario":
    """Give the scenario with what the options change of it."""
    from rtcmtool.simulation.builtin_scenarios import builtin_scenario
    from rtcmtool.simulation.faults import parse_fault
    from rtcmtool.simulation.scenario import Rover
    from rtcmtool.simulation.scenario_file import read_scenario

    name: str = options.scenario
    path = Path(name)
    scenario = read_scenario(path) if path.suffix == ".toml" else builtin_scenario(name)
    scenario = replace(
        scenario,
        faults=(*scenario.faults, *(parse_fault(text) for text in options.fault)),
        duration_s=options.duration or scenario.duration_s,
        seed=scenario.seed if options.seed is None else options.seed,
        listen_at=options.at or scenario.listen_at,
    )
    if options.rover is None:
        return scenario
    if options.record is None:
        raise UsageError("--rover needs a place for its log.", do="add --record NAME")
    east_m, north_m, up_m = options.rover
    rover = replace(scenario.rover or Rover(), east_m=east_m, north_m=north_m, up_m=up_m)
    return replace(scenario, rover=rover)


def _faults(scenario: "Scenario") -> str:
    return ", ".join(str(fault) for fault in scenario.faults) or "no fault"


def _ask(options: argparse.Namespace) -> None:
    """Let the user type yes before false corrections go out of a port."""
    from rtcmtool.simulation.outputs import CAUTION

    print(f"caution: {CAUTION}", file=sys.stderr)
    if options.yes:
        return
    if not sys.stdin.isatty():
        raise UsageError("sending to a serial port needs a yes.", do="add --yes")
    print(f"send simulated corrections to {options.to}? type yes: ", end="", file=sys.stderr)
    sys.stderr.flush()
    if sys.stdin.readline().strip().lower() != "yes":
        raise UsageError("nothing was sent.", why="the answer was not yes.")


def _print_list() -> None:
    """Print scenarios and faults."""
    from rtcmtool.simulation.builtin_scenarios import SCENARIOS

    print("scenarios: rtcmtool simulate NAME")
    for scenario in SCENARIOS.values():
        print(_entry(scenario.name, scenario.text))
    print()
    print("faults: --fault KIND@START+LENGTH:SEVERITY, all but KIND may be left out")
    for level in Level:
        print(f" {level.value}")
        for kind in KINDS.values():
            if kind.level is level:
                print(_entry(kind.name, _fault_text(kind)))


def _entry(name: str, text: str) -> str:
    return textwrap.fill(
        text, _WIDTH, initial_indent=f"  {name:<{_INDENT - 2}}", subsequent_indent=" " * _INDENT
    )


def _fault_text(kind: FaultKind) -> str:
    match kind.default:
        case None:
            return kind.text
        case tuple():
            default = ",".join(f"{part:g}" for part in kind.default)
        case str():
            default = kind.default
        case _:
            default = f"{kind.default:g}"
    return f"{kind.text}; severity: {kind.severity} (else {default})"
