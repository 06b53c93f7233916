"""Print what `diagnose` makes of simulated faults: python3 scripts/confusion.py [--singles N] ...

Seeded cases of one fault, of two, and of none are made by tests/diagnosis/simulated_faults.py and
healthy_cases.py; every fault of `rtcmtool simulate --list` has a case.
A hit of a single fault: the true cause ranks first, or is one of two that are named as looking the
same. A hit of a double fault: both are among the first three. A false alarm: any cause is claimed
of a healthy case. The exit code is 1 where hits or false alarms miss what is wanted.
"""

import argparse
import sys
import time
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING

from measuring_environment import run_where_packages_are

if TYPE_CHECKING:
    from rtcmtool.diagnosis.diagnosis import Diagnosis
    from tests.diagnosis.simulated_faults import Case

PROJECT = Path(__file__).resolve().parent.parent
NEEDED = ("rtcmtool", "numpy", "anycrc", "bitstring", "pynmea2", "pytest")
WANTED_HITS, MOST_FALSE = 0.95, 0.01
_NONE = "(none)"


class Tally:
    """Counts hits by true cause, and what was ranked first instead."""

    def __init__(self) -> None:
        self.cases: Counter[str] = Counter()
        self.hits: Counter[str] = Counter()
        self.first: dict[str, Counter[str]] = {}

    def add(self, truth: str, first: str, *, is_hit: bool) -> None:
        """Count a case."""
        self.cases[truth] += 1
        self.hits[truth] += is_hit
        self.first.setdefault(truth, Counter())[first] += 1

    @property
    def rate(self) -> float:
        """Share of hits."""
        return self.hits.total() / self.cases.total() if self.cases else 1.0

    def print(self) -> None:
        """Print a row a true cause: cases, hits, and what was ranked first."""
        print(f"{'true cause':<22}{'cases':>6}{'hits':>6}  ranked first")
        for truth, count in self.cases.items():
            first = ", ".join(f"{name} {n}" for name, n in self.first[truth].most_common())
            mark = " " if self.hits[truth] == count else "!"
            print(f"{mark} {truth:<20}{count:>6}{self.hits[truth]:>6}  {first}")


def is_hit(case: "Case", found: "Diagnosis") -> bool:
    """Tell whether the truth was found."""
    if len(case.truth) == 1:
        return bool(found.first & case.truth[0])
    top = {cause.name for cause in found.claimed[:3]}
    return all(top & names for names in case.truth)


def strays_of(case: "Case", found: "Diagnosis") -> list[str]:
    """Name causes that are claimed as proven or likely and are not the truth."""
    truth = frozenset().union(*case.truth)
    sure = [cause for cause in found.claimed if cause.confidence.value in {"proven", "likely"}]
    return [cause.name for cause in sure if cause.name not in truth]


def name_of(case: "Case", found: "Diagnosis") -> str:
    """Name what was ranked first; two that look the same are named together."""
    if not found.claimed:
        return _NONE
    if len(case.truth) > 1:
        return " + ".join(cause.name for cause in found.claimed[:3])
    others = sorted(found.first - {found.claimed[0].name})
    return " = ".join([found.claimed[0].name, *others])


def run(options: argparse.Namespace) -> int:
    """Run all cases and print the tables."""
    from tests.diagnosis.healthy_cases import healthy_cases
    from tests.diagnosis.simulated_faults import diagnosed, double_cases, single_cases

    began_s = time.monotonic()
    singles, doubles = Tally(), Tally()
    strays: Counter[str] = Counter()
    for tally, cases in (
        (singles, single_cases(options.singles, options.seed)),
        (doubles, double_cases(options.doubles, options.seed)),
    ):
        for case in cases:
            found = diagnosed(case.scenario, case.shown)
            truth = " + ".join("/".join(sorted(names)) for names in case.truth)
            hit = is_hit(case, found)
            tally.add(truth, name_of(case, found), is_hit=hit)
            strays.update(strays_of(case, found))
            if options.misses and not hit:
                print(f"missed  {case.label}: {name_of(case, found)}", file=sys.stderr)
    false = 0
    alarms: Counter[str] = Counter()
    for case in healthy_cases(options.healthy, options.seed):
        claimed = diagnosed(case.scenario, case.shown).claimed
        false += bool(claimed)
        alarms.update(cause.name for cause in claimed)
        if options.misses and claimed:
            print(f"blamed  {case.label}: {claimed[0].name}", file=sys.stderr)
    print("One fault")
    singles.print()
    print("\nTwo faults: the first three causes, where one is not among them")
    for truth, count in doubles.cases.items():
        if doubles.hits[truth] < count:
            print(f"! {truth:<44} {'; '.join(doubles.first[truth])}")
    print(f"\none fault     {_share(singles.hits.total(), singles.cases.total())} hits")
    print(
        f"two faults    {_share(doubles.hits.total(), doubles.cases.total())} both in the first 3"
    )
    told = ", ".join(f"{name} {n}" for name, n in strays.most_common()) or "nothing"
    print(f"with a fault, also claimed as proven or likely: {told}")
    blamed = ", ".join(f"{name} {n}" for name, n in alarms.most_common()) or "nothing"
    print(f"no fault      {_share(false, options.healthy)} false alarms (blamed: {blamed})")
    print(f"{time.monotonic() - began_s:.0f} s")
    false_rate = false / options.healthy if options.healthy else 0.0
    return 0 if singles.rate >= WANTED_HITS and false_rate <= MOST_FALSE else 1


def _share(part: int, whole: int) -> str:
    return f"{part} of {whole} ({100 * part / max(whole, 1):.1f} %)"


def main(arguments: list[str]) -> int:
    """Find the packages, or the environment that has them; run the cases."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--singles", type=int, default=195, metavar="N", help="cases of one fault")
    parser.add_argument("--doubles", type=int, default=60, metavar="N", help="cases of two faults")
    parser.add_argument("--healthy", type=int, default=100, metavar="N", help="cases without one")
    parser.add_argument("--seed", type=int, default=1, help="other cases with another seed")
    parser.add_argument("--misses", action="store_true", help="name each miss as it comes")
    options = parser.parse_args(arguments)
    return run_where_packages_are(
        __file__, arguments, NEEDED, lambda: run(options), extras=("dev",)
    )


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
