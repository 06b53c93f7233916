"""How much the benchmark measures, how a result is judged, and the best of some rounds."""

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import recorded_day

MEGABYTE = 1_000_000
MEBIBYTE = 1 << 20
LARGE_BYTES = 2_000 * MEGABYTE


@dataclass(frozen=True, slots=True)
class Result:
    """One line of the report.

    Attributes
    ----------
    measure, data : str
        What was compared, and on what.
    value : float or None
        None where it could not be measured; `note` then says why.
    unit : str
        "x" for ratios.
    good, acceptable : float or None
        Targets; None where there is none.
    less_is_better : bool
        Whether the targets are upper bounds.
    note : str
        More, for people.
    """

    measure: str
    data: str
    value: float | None
    unit: str
    good: float | None = None
    acceptable: float | None = None
    less_is_better: bool = True
    note: str = ""

    @property
    def verdict(self) -> str:
        """Judge the value: "good", "acceptable", "missed", "skipped" or "no target"."""
        if self.value is None:
            return "skipped"
        if self.good is None or self.acceptable is None:
            return "no target"
        sign = 1 if self.less_is_better else -1
        if sign * self.value <= sign * self.good:
            return "good"
        return "acceptable" if sign * self.value <= sign * self.acceptable else "missed"


@dataclass(frozen=True)
class Plan:
    """How much is measured."""

    rounds: int = 5
    data_bytes: int = 20 * MEGABYTE
    slow_bytes: int = 200_000  # for the readers that take a field at a time
    day_epochs: int = recorded_day.EPOCHS_A_DAY
    large: bool = False

    @property
    def is_whole_day(self) -> bool:
        """Tell whether a whole day is made and decoded."""
        return self.day_epochs == recorded_day.EPOCHS_A_DAY


QUICK = Plan(rounds=3, data_bytes=4 * MEGABYTE, slow_bytes=60_000, day_epochs=3600)


def best_of(rounds: int, tasks: Mapping[str, Callable[[], object]]) -> dict[str, float]:
    """Run all tasks in turn, `rounds` times; give the least time of each, s."""
    best = dict.fromkeys(tasks, float("inf"))
    for _ in range(rounds):
        for name, task in tasks.items():
            began_s = time.perf_counter()
            task()
            best[name] = min(best[name], time.perf_counter() - began_s)
    return best
