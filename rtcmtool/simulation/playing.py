"""Play a scenario to a target and into captures, at its own pace or faster."""

from collections.abc import Callable
from dataclasses import dataclass, replace

from rtcmtool.captures.pacing import LONGEST_WAIT_S, MAX_SPEED
from rtcmtool.gnss.time import NS_PER_SECOND
from rtcmtool.simulation.outputs import Target
from rtcmtool.simulation.recording import Recorder
from rtcmtool.simulation.run import Simulation, port_of
from rtcmtool.simulation.scenario import Scenario

_LEAD_NS = NS_PER_SECOND  # from now to the start of a live stream: time to prepare it


@dataclass(frozen=True, slots=True)
class Clock:
    """The clocks of a live stream; a test puts its own in their place.

    Attributes
    ----------
    time_ns : callable
        UTC, ns.
    monotonic : callable
        Seconds that do not step.
    sleep : callable
        Waits for so many seconds.
    """

    time_ns: Callable[[], int]
    monotonic: Callable[[], float]
    sleep: Callable[[float], None]


@dataclass(frozen=True, slots=True)
class Played:
    """What has been given out: bytes and pieces of the stream, and the last moment, UTC ns."""

    size_bytes: int
    pieces: int
    end_utc_ns: int


def starting_now(scenario: Scenario, clock: Clock) -> Scenario:
    """Move a scenario to the present, so that a listener finds its corrections fresh."""
    now_ns = clock.time_ns() + _LEAD_NS
    return replace(scenario, start_utc_ns=-(-now_ns // NS_PER_SECOND) * NS_PER_SECOND)


def play(
    scenario: Scenario,
    clock: Clock,
    *,
    speed: float,
    is_now: bool = False,
    target: Target | None = None,
    recorder: Recorder | None = None,
) -> Played:
    """Give out everything that a scenario holds.

    Parameters
    ----------
    scenario : Scenario
        What happens.
    clock : Clock
        To keep the pace by.
    speed : float
        Times real time; `captures.pacing.MAX_SPEED` does not wait.
    is_now : bool
        Whether the times of the scenario are those of the clock.
    target : Target, optional
        Open; takes what comes where the scenario listens.
    recorder : Recorder, optional
        Takes everything. It is closed at the end, also when the play is interrupted.
    """
    port = port_of(scenario)
    begin_s = clock.monotonic()
    if is_now:
        begin_s += (scenario.start_utc_ns - clock.time_ns()) / NS_PER_SECOND
    size = count = 0
    end_ns = scenario.start_utc_ns
    try:
        for piece in Simulation(scenario).pieces():
            if speed != MAX_SPEED:
                passed_s = (piece.true_utc_ns - scenario.start_utc_ns) / NS_PER_SECOND
                _wait_until(clock, begin_s + passed_s / speed)
            end_ns = max(end_ns, piece.true_utc_ns)
            if recorder is not None:
                recorder.write(piece, clock.monotonic())
            if piece.port is port:
                size, count = size + len(piece.data), count + 1
                if target is not None:
                    target.write(piece.data)
        # A silence at the end has happened too.
        end_ns = max(end_ns, scenario.start_utc_ns + round(scenario.duration_s * NS_PER_SECOND))
        if speed != MAX_SPEED:
            _wait_until(clock, begin_s + scenario.duration_s / speed)
    finally:
        if recorder is not None:
            recorder.close(end_ns)
    return Played(size, count, end_ns)


def _wait_until(clock: Clock, due_s: float) -> None:
    """Wait in small steps, so that an interruption is felt; what is late is not waited for."""
    while (left_s := due_s - clock.monotonic()) > 0:
        clock.sleep(min(left_s, LONGEST_WAIT_S))
