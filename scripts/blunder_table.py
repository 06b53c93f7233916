"""Print how often wrong coordinates are recognised: python3 scripts/blunder_table.py [--seeds N].

Thirty wrong coordinates a seed, made by tests/diagnosis/wrong_coordinates.py: blunder made, blunder
named first, what else was named. With --seeds the sums over many seeds, of these thirty and of the
fifty-one of tests/diagnosis/rough_coordinates.py, which carry the millimetres of a real set-up. In
a hundred right positions a seed nothing may be named. The exit code is 1 where fewer than 28 of 30
are named first, or a right position is given a blunder.
"""

import argparse
import sys
from collections import Counter
from typing import TYPE_CHECKING

from measuring_environment import run_where_packages_are

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from rtcmtool.diagnosis.blunders import Blunder
    from tests.diagnosis.wrong_coordinates import Case

NEEDED = ("numpy", "pyproj")
WANTED = 28


def named(case: "Case") -> "tuple[Blunder, ...]":
    """Recognise a case."""
    from rtcmtool.diagnosis.blunders import recognise
    from rtcmtool.diagnosis.known_marks import parse_marks
    from rtcmtool.diagnosis.sheet_parsing import parse_sheet

    sheet = parse_sheet(case.sheet).with_marks(parse_marks(case.marks) if case.marks else ())
    return recognise(case.arp_ecef_m, sheet, case.antenna_height_m)


def words(blunder: "Blunder") -> str:
    """Give names and probability of a blunder."""
    return f"{' + '.join(blunder.names)} {100 * blunder.probability:.0f} %"


def table(seed: int) -> int:
    """Print the table of one seed; give the number of blunders named first."""
    from tests.diagnosis.wrong_coordinates import wrong_coordinates

    print(f"{'blunder made':<30}{'named first':<36}also named")
    right = made = 0
    for case in wrong_coordinates(seed):
        made += 1
        found = named(case)
        is_right = bool(found) and found[0].names == (case.blunder,)
        right += is_right
        first = words(found[0]) if found else "none"
        also = ", ".join(words(blunder) for blunder in found[1:])
        print(f"{'  ' if is_right else '! '}{case.blunder:<28}{first:<36}{also}".rstrip())
    print(f"named first: {right} of {made}; wanted {WANTED}")
    return right


def falsely_named(seeds: "Iterable[int]") -> int:
    """Print in how many right positions a blunder was named; give that number."""
    from tests.diagnosis.rough_coordinates import healthy_coordinates

    found = [bool(named(case)) for seed in seeds for case in healthy_coordinates(seed)]
    print(f"named in right positions: {sum(found)} of {len(found)}; wanted 0")
    return sum(found)


def totals(title: str, seeds: int, cases: "Callable[[int], Iterable[Case]]") -> None:
    """Print what was named first over many seeds, by blunder made."""
    made: Counter[str] = Counter()
    first: dict[str, Counter[str]] = {}
    for seed in range(1, seeds + 1):
        for case in cases(seed):
            found = named(case)
            made[case.blunder] += 1
            name = " + ".join(found[0].names) if found else "none"
            first.setdefault(case.blunder, Counter())[name] += 1
    print(f"\n{f'{title}, {seeds} seeds':<38}{'made':>5}{'right':>7}  named instead")
    for blunder, count in made.items():
        others = {name: n for name, n in first[blunder].most_common() if name != blunder}
        also = ", ".join(f"{name} {n}" for name, n in others.items())
        print(f"  {blunder:<36}{count:>5}{first[blunder][blunder]:>7}  {also}".rstrip())
    hits = sum(first[blunder][blunder] for blunder in made)
    print(f"named first: {hits} of {made.total()} ({100 * hits / made.total():.1f} %)")


def main(arguments: list[str]) -> int:
    """Find the packages, or the environment that has them; print the tables."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seed", type=int, default=1, help="of the table, default 1")
    parser.add_argument("--seeds", type=int, default=0, help="sum up over so many seeds too")
    options = parser.parse_args(arguments)
    return run_where_packages_are(
        __file__, arguments, NEEDED, lambda: tables(options), extras=("geodesy",)
    )


def tables(options: argparse.Namespace) -> int:
    """Print the table, and the sums that were asked for."""
    from tests.diagnosis.rough_coordinates import rough_coordinates
    from tests.diagnosis.wrong_coordinates import wrong_coordinates

    right = table(options.seed)
    if options.seeds:
        totals("exact", options.seeds, wrong_coordinates)
        totals("rough", options.seeds, rough_coordinates)
    falsely = falsely_named(range(1, options.seeds + 1) if options.seeds else [options.seed])
    return 0 if right >= WANTED and not falsely else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
