"""Drive a whole day of a base through session, rules and recorder, and measure time and memory.

    python3 scripts/long_session.py --hours 24 --systems 4

Nothing is waited for: both clocks are in the hand of this script. The state of a session must not
grow with its length, so the memory after the first hours is compared with that at the end.
"""

import argparse
import resource
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING

from measuring_environment import run_where_packages_are

PROJECT = Path(__file__).resolve().parent.parent
NEEDED = ("rtcmtool", "numpy", "bitstring", "anycrc", "orjson")
BLOCK_EPOCHS = 600  # made at once
PIECES = 4  # arrivals an epoch
SETTLED_H = 2.0  # from then on memory must stay
FAULT_EVERY = 1800  # epochs: so often a silence
FAULT_EPOCHS = 20

if TYPE_CHECKING:
    from rtcmtool.running.session import Session


@dataclass(frozen=True, slots=True)
class Measured:
    """What a long session took.

    Attributes
    ----------
    seconds : float
        Of processor time.
    settled_mb, peak_mb : float
        Memory of the process when it had settled, and at most.
    outages : int
        Rows in the file.
    size_bytes : int
        Recorded.
    """

    seconds: float
    settled_mb: float
    peak_mb: float
    outages: int
    size_bytes: int


def epochs_of(hours: float, numbers: Sequence[int]) -> Iterator[tuple[int, bytes]]:
    """Give what a base sends, an epoch a second, with a silence now and then."""
    from tests.streams import START_MS, base_stream

    total = round(hours * 3600)
    for first in range(0, total, BLOCK_EPOCHS):
        count = min(BLOCK_EPOCHS, total - first)
        stream = base_stream(count, numbers=numbers, start_ms=START_MS + 1000 * first)
        for epoch, messages in groupby(stream, key=lambda sent: sent.epoch):
            place = first + epoch
            if place % FAULT_EVERY < FAULT_EPOCHS and place >= FAULT_EVERY:
                continue
            yield place, b"".join(sent.data for sent in messages)


def memory_mb() -> float:
    """Give the memory that the process holds now."""
    try:
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    except OSError:
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return pages * resource.getpagesize() / 1e6


def run(folder: Path, hours: float, numbers: Sequence[int], judge_every_s: float) -> Measured:
    """Record a made-up day.

    Parameters
    ----------
    folder : Path
        Where the capture is written.
    hours : float
        Length.
    numbers : sequence of int
        Observation messages of each epoch.
    judge_every_s : float
        So often the rules are asked.
    """
    from rtcmtool.captures import CaptureWriter, Description, open_capture
    from rtcmtool.diagnosis.context import Context
    from rtcmtool.gnss import time as gnss_time
    from rtcmtool.monitor.live_state import LiveState
    from rtcmtool.monitor.stream_state import StreamState
    from rtcmtool.running.judging import Judging
    from rtcmtool.running.session import Session
    from tests.streams import START_MS

    start_ns = gnss_time.utc_ns_from_gps_ms(START_MS)
    writer = CaptureWriter(folder / "day", Description("long", "0", start_ns), monotonic_s=0.0)
    live = LiveState(start_ns, 0.0, clock_trusted=True)
    session = Session(live, writer, [Judging(Context(StreamState()), judge_every_s)])
    began_s, settled_mb, last = time.process_time(), 0.0, 0
    for place, data in epochs_of(hours, numbers):
        for second in range(last + 1, place):
            _take(session, start_ns, second + 0.5, b"")
        last = place
        step = -(-len(data) // PIECES)
        for piece in range(PIECES):
            part = data[piece * step : (piece + 1) * step]
            _take(session, start_ns, place + 0.3 + 0.05 * piece, part)
        _take(session, start_ns, place + 0.8, b"")
        if not settled_mb and place >= SETTLED_H * 3600:
            settled_mb = memory_mb()
    session.close()
    if session.failures:
        print(session.failures[-1])
    seconds = time.process_time() - began_s
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    capture = open_capture(writer.path)
    return Measured(seconds, settled_mb, peak_mb, len(capture.outages), capture.size_bytes)


def _take(session: "Session", start_ns: int, at_s: float, data: bytes) -> None:
    from rtcmtool.running.feed import Bytes

    session.take(Bytes(start_ns + round(at_s * 1e9), at_s, data))


def main(arguments: Sequence[str] | None = None) -> int:
    """Run and print; 1 when memory has grown after it had settled."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--systems", type=int, default=4, choices=(1, 2, 3, 4))
    parser.add_argument("--judge-every", type=float, default=10.0, metavar="SECONDS")
    options = parser.parse_args(arguments)
    given = sys.argv[1:] if arguments is None else list(arguments)
    return run_where_packages_are(__file__, given, NEEDED, lambda: report(options))


def report(options: argparse.Namespace) -> int:
    """Do what the options ask for, and print what was found."""
    numbers = (1077, 1087, 1097, 1127)[: options.systems]
    with tempfile.TemporaryDirectory() as folder:
        found = run(Path(folder), options.hours, numbers, options.judge_every)
        end_mb = memory_mb()
    speed = options.hours * 3600 / found.seconds
    print(f"{options.hours:g} h, {found.size_bytes} bytes, {found.outages} outages")
    print(f"processor {found.seconds:.0f} s, {speed:.0f} times real time")
    print(f"memory after {SETTLED_H:g} h {found.settled_mb:.0f} MB, at the end {end_mb:.0f} MB,")
    print(f"at most {found.peak_mb:.0f} MB")
    return 1 if found.settled_mb and end_mb > found.settled_mb * 1.25 + 5 else 0


if __name__ == "__main__":
    sys.exit(main())
