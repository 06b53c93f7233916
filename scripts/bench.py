"""Measure how fast rtcmtool decodes and encodes: python3 scripts/bench.py [--quick] [--json].

Everything is measured in one run, as ratios wherever there is something to compare with, and judged
by targets. The whole takes a few minutes; `--quick` takes less than half a minute and is coarse.
The exit code is 0, also when a target is missed: a machine may be busy.
"""

import argparse
import json
import os
import platform
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from measuring_environment import run_where_packages_are

if TYPE_CHECKING:
    from bench_plan import Result

NEEDED = ("rtcmtool", "numpy", "bitstring", "anycrc", "rich")
MARKS = {"good": "+", "acceptable": "~", "missed": "!", "skipped": "-", "no target": " "}


def main(arguments: list[str]) -> int:
    """Find the packages, or the environment that has them; measure and report."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--quick", action="store_true", help="less data, fewer rounds")
    parser.add_argument("--large", action="store_true", help="also a capture of 2 GB, on the disk")
    parser.add_argument("--only", metavar="NAMES", help="these measures, separated by commas")
    parser.add_argument("--json", action="store_true", help="one JSON document")
    options = parser.parse_args(arguments)
    return run_where_packages_are(__file__, arguments, NEEDED, lambda: measure(options, parser))


def measure(options: argparse.Namespace, parser: argparse.ArgumentParser) -> int:
    """Run the measures that were asked for."""
    from bench_measures import MEASURES
    from bench_plan import QUICK, Plan

    names = options.only.split(",") if options.only else list(MEASURES)
    unknown = [name for name in names if name not in MEASURES]
    if unknown:
        parser.error(f"no measure {', '.join(unknown)}; there are {', '.join(MEASURES)}")
    plan = replace(QUICK if options.quick else Plan(), large=options.large)
    results: list[Result] = []
    for name in names:
        if not options.json:
            print(f"{name} ...", file=sys.stderr, flush=True)
        results += MEASURES[name](plan)
    if options.json:
        document = {
            "machine": machine(),
            "quick": options.quick,
            "results": [as_object(result) for result in results],
        }
        print(json.dumps(document, indent=2))
    else:
        show(machine(), results)
    return 0


def machine() -> dict[str, str]:
    """Name what it ran on, in general terms."""
    import numpy as np

    processor = platform.processor() or platform.machine()
    described = Path("/proc/cpuinfo")
    if described.is_file():
        for line in described.read_text(encoding="utf-8", errors="replace").splitlines():
            if line.startswith("model name"):
                processor = line.partition(":")[2].strip()
                break
    return {
        "processor": f"{processor}, {os.cpu_count()} cores",
        "system": f"{platform.system()} {platform.machine()}",
        "python": platform.python_version(),
        "numpy": np.__version__,
    }


def as_object(result: "Result") -> dict[str, object]:
    """Give a result as a JSON object."""
    return {
        "measure": result.measure,
        "data": result.data,
        "value": None if result.value is None else float(f"{result.value:.4g}"),
        "unit": result.unit,
        "good": result.good,
        "acceptable": result.acceptable,
        "less_is_better": result.less_is_better,
        "verdict": result.verdict,
        "note": result.note,
    }


def _digits(value: float) -> str:
    """Write three digits, without an exponent."""
    return f"{value:.0f}" if value >= 100 else f"{value:.3g}"


def show(host: dict[str, str], results: "list[Result]") -> None:
    """Print a table for people."""
    from rich.console import Console
    from rich.table import Table

    table = Table(title=", ".join(f"{name} {value}" for name, value in host.items()))
    for heading in ("measure", "on", "value", "good", "acceptable", "verdict", "more"):
        table.add_column(heading, justify="right" if heading == "value" else "left")
    for result in results:
        value = "" if result.value is None else f"{_digits(result.value)} {result.unit}"
        sign = "<=" if result.less_is_better else ">="
        targets = [
            "" if target is None else f"{sign} {target:g}"
            for target in (result.good, result.acceptable)
        ]
        verdict = f"{MARKS[result.verdict]} {result.verdict}"
        table.add_row(result.measure, result.data, value, *targets, verdict, result.note)
    Console(width=None if sys.stdout.isatty() else 180).print(table)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
