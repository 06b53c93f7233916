"""Record a base that does not exist, live, with every fault over every way, and compare.

    python3 scripts/live_table.py

All cells run at once in real time, for about two minutes: `record` as a process of its own listens
to a pseudo-terminal, to TCP, and to a caster, each healthy, with a silence, garbled, without
position, late, and cut off for a while. The outages file must hold what was done to the stream:
kinds, and starts and ends within one interval. A time in which nothing could be heard is a monitor
gap and no outage. The bytes recorded must be those sent, by SHA-256. Times are seconds since the
start of a stream. The exit code is 1 when a cell fails.
"""

import argparse
import sys
import tempfile
import threading
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from itertools import product, zip_longest
from pathlib import Path
from typing import TYPE_CHECKING

from measuring_environment import run_where_packages_are

if TYPE_CHECKING:
    from live_cells import Booked, Cell, Plan

NEEDED = ("rtcmtool", "numpy", "bitstring", "anycrc", "orjson", "serial")
HEAD = "done to it  over      from     to booked        from     to off by, s   bytes"


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the table; 0 when every cell passed."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--before", type=float, default=20.0, metavar="S", help="healthy, at first")
    parser.add_argument("--length", type=float, default=14.0, metavar="S", help="of each fault")
    parser.add_argument("--after", type=float, default=10.0, metavar="S", help="healthy, at last")
    parser.add_argument("--interval", type=float, default=1.0, metavar="S", help="between epochs")
    parser.add_argument("--case", action="append", metavar="NAME", help="only this; again for more")
    parser.add_argument("--way", action="append", metavar="NAME", help="only this; again for more")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="leave the captures there")
    options = parser.parse_args(arguments)
    given = sys.argv[1:] if arguments is None else list(arguments)
    return run_where_packages_are(__file__, given, NEEDED, lambda: report(options, parser))


def report(options: argparse.Namespace, parser: argparse.ArgumentParser) -> int:
    """Do what the options ask for, and print what was found."""
    from live_cells import CASES, WAYS, Plan

    for chosen, known in ((options.case, CASES), (options.way, WAYS)):
        for name in chosen or ():
            if name not in known:
                parser.error(f"there is no {name!r}; there are {', '.join(known)}")
    plan = Plan(options.before, options.length, options.after, options.interval, options.seed)
    wanted = list(product(options.case or CASES, options.way or WAYS))
    lasts_s = max(plan.total_s(case) for case, _ in wanted)
    print(f"{len(wanted)} cells at once, about {lasts_s:.0f} s ...", file=sys.stderr, flush=True)
    if options.keep is not None:
        cells = run_all(wanted, plan, options.keep)
    else:
        with tempfile.TemporaryDirectory() as folder:
            cells = run_all(wanted, plan, Path(folder))
    print(HEAD)
    for cell in cells:
        for line in lines_of(cell):
            print(line)
    bad = [cell for cell in cells if cell.faults]
    print(f"{len(cells)} cells, {len(bad)} failed")
    for cell in bad:
        print(f"! {cell.case} over {cell.way}: {'; '.join(cell.faults)}")
    return 1 if bad else 0


def run_all(wanted: "Sequence[tuple[str, str]]", plan: "Plan", folder: Path) -> "list[Cell]":
    """Run cells at once, each in a folder of its own below one; Ctrl-C ends all."""
    from live_cells import run_cell

    stopped = threading.Event()
    with ThreadPoolExecutor(len(wanted)) as pool:
        running = []
        for case, way in wanted:
            place = folder / f"{case}-{way}"
            place.mkdir(parents=True)
            running.append(pool.submit(run_cell, case, way, plan, place, stopped))
        try:
            return [future.result() for future in running]
        finally:
            stopped.set()


def lines_of(cell: "Cell") -> list[str]:
    """Write a cell: a line, or as many as there are faults or bookings; 80 columns."""
    from live_cells import errors_s

    lines = []
    for true, booked in list(zip_longest(cell.truth, cell.found)) or [(None, None)]:
        off = ""
        if true is not None and booked is not None:
            off = " ".join(f"{error_s:+.2f}" for error_s in errors_s(true, booked))
        done, done_at = _columns(true, cell.origin_utc_ns)
        kind, kind_at = _columns(booked, cell.origin_utc_ns)
        equal = "equal" if cell.bytes_equal else "DIFFER"
        lines.append(f"{done} {cell.way:<7} {done_at} {kind} {kind_at} {off:<11} {equal}")
    return lines


def _columns(booked: "Booked | None", origin_utc_ns: int) -> tuple[str, str]:
    """Write a kind, and begin and end in seconds since the start of the stream."""
    if booked is None:
        return f"{'none':<11}", " " * 13
    times = (booked.start_utc_ns, booked.end_utc_ns)
    start_s, end_s = ((utc_ns - origin_utc_ns) / 1e9 for utc_ns in times)
    return f"{booked.kind:<11}", f"{start_s:6.2f} {end_s:6.2f}"


if __name__ == "__main__":
    sys.exit(main())
