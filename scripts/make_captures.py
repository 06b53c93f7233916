"""Make the demo captures anew: python3 scripts/make_captures.py [NAME ...] [--to FOLDER].

Without a name all are made, with the page about them and their site sheet. The same seeds give the
same bytes; what stands in the folder under the same names is replaced.
"""

import argparse
import sys
from pathlib import Path

from measuring_environment import run_where_packages_are

PROJECT = Path(__file__).resolve().parent.parent
NEEDED = ("rtcmtool", "numpy", "bitstring", "anycrc", "orjson")
LIMIT_BYTES = 3_000_000  # all files together: a repository is no archive


def main(arguments: list[str]) -> int:
    """Find the packages, or the environment that has them; make the captures."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("names", metavar="NAME", nargs="*", help="these captures only")
    parser.add_argument("--to", metavar="FOLDER", type=Path, default=PROJECT / "captures")
    options = parser.parse_args(arguments)
    return run_where_packages_are(
        __file__, arguments, NEEDED, lambda: make(options.names, options.to, parser)
    )


def make(names: list[str], folder: Path, parser: argparse.ArgumentParser) -> int:
    """Make some captures, or all with their companions."""
    from demo_captures import DEMOS, files_of, write_companions, write_demo

    known = [demo.name for demo in DEMOS]
    unknown = [name for name in names if name not in known]
    if unknown:
        parser.error(f"no capture {', '.join(unknown)}; there are {', '.join(known)}")
    folder.mkdir(parents=True, exist_ok=True)
    for demo in DEMOS:
        if names and demo.name not in names:
            continue
        write_demo(demo, folder)
        size = sum((folder / name).stat().st_size for name in files_of(demo))
        print(f"{demo.name:<18} {size / 1000:6.0f} kB   {demo.find}")
    if not names:
        write_companions(folder)
    total = sum(path.stat().st_size for path in folder.iterdir() if path.is_file())
    print(f"{'all files':<18} {total / 1000:6.0f} kB of {LIMIT_BYTES / 1000:.0f}")
    return 0 if total <= LIMIT_BYTES else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
