"""How fast a base that does not exist is made."""

from collections.abc import Iterator
from dataclasses import replace

from bench_plan import Plan, Result, best_of

from rtcmtool.simulation.builtin_scenarios import builtin_scenario
from rtcmtool.simulation.run import simulate

TIMES_REAL = 200.0  # what is asked of a four-constellation MSM7 base at 1 Hz


def simulated_base(plan: Plan) -> Iterator[Result]:
    """Make a four-constellation MSM7 base at 1 Hz, from its orbits to its bytes."""
    seconds = 3600 if plan.is_whole_day else 600
    healthy = builtin_scenario("healthy")
    kinds = {n + 3 if 1070 < n < 1140 else n: every for n, every in healthy.stream.messages.items()}
    scenario = replace(
        healthy, duration_s=float(seconds), stream=replace(healthy.stream, messages=kinds)
    )
    size = 0

    def make() -> None:
        nonlocal size
        size = sum(len(chunk.data) for chunk in simulate(scenario))

    took_s = best_of(min(plan.rounds, 3), {"make": make})["make"]
    note = f"{seconds} s in {took_s:.2f} s, {size / 1e6:.1f} MB"
    yield Result(
        "simulated base, times real time", "four systems MSM7", seconds / took_s, "x",
        2 * TIMES_REAL, TIMES_REAL, less_is_better=False, note=note,
    )  # fmt: skip
