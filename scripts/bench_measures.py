"""What bench.py measures: each function runs one comparison and gives its results.

All sides of a comparison run in turn, in the same process, some rounds; the best of each counts.
Ratios are what says something: the speed of a machine changes from minute to minute.
"""

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path
from typing import Any

import numpy as np
import recorded_day
from bench_plan import (
    LARGE_BYTES,
    MEBIBYTE,
    MEGABYTE,
    Plan,
    Result,
    best_of,
)
from bench_simulation import simulated_base
from bitstring import Bits, Reader

from rtcmtool.wire.catalogue import LAYOUTS
from rtcmtool.wire.crc import crc24q
from rtcmtool.wire.encoded_frames import MessageHeads
from rtcmtool.wire.framing import FrameScanner
from rtcmtool.wire.layout import Field, Kind
from rtcmtool.wire.observation_encoding import encode_msm
from rtcmtool.wire.stream import DEFAULT_BLOCK_BYTES, Chunk, StreamDecoder, decode_stream

PROJECT = Path(__file__).resolve().parent.parent
RECORDING = PROJECT.parent / "shared" / "open-data" / "static-msm5.rtcm3"


def decode(data: bytes) -> int:
    """Decode block by block, keep nothing; give the number of observations."""
    size = DEFAULT_BLOCK_BYTES
    chunks = (Chunk(data[at : at + size]) for at in range(0, len(data), size))
    return sum(len(batch.observations) for batch in decode_stream(chunks))


def scan(data: bytes) -> None:
    """Find the frames block by block."""
    scanner = FrameScanner()
    for at in range(0, len(data), DEFAULT_BLOCK_BYTES):
        scanner.feed(data[at : at + DEFAULT_BLOCK_BYTES])
    scanner.finish()


def check_sums(data: bytes, spans: list[tuple[int, int]]) -> None:
    """Call the library's CRC once a frame; where the frames lie is known."""
    crc = crc24q
    for begin, end in spans:
        crc(data[begin:end])


@dataclass(frozen=True, slots=True)
class Fields:
    """The fields of an MSM number, prepared for the readers that take one at a time."""

    head: tuple[Field, ...]
    groups: tuple[tuple[Field, ...], tuple[Field, ...]]  # satellites, cells
    forms: dict[Field, str]  # as bitstring names them


@cache
def fields_of(number: int) -> Fields:
    """Prepare the fields of an MSM number."""
    layout = LAYOUTS[number]
    groups = (layout.group("satellites").fields, layout.group("cells").fields)
    every = (*layout.head, *groups[0], *groups[1])
    forms = {part: f"{'u' if part.kind is Kind.UNSIGNED else 'i'}{part.bits}" for part in every}
    return Fields(layout.head, groups, forms)


def read_with_bitstring(message: bytes) -> list[int]:
    """Read every field of an MSM with bitstring, one after the other."""
    fields = fields_of(message[0] << 4 | message[1] >> 4)
    read: Callable[[str], Any] = Reader(Bits.from_bytes(message)).read_value
    forms = fields.forms
    values: list[int] = [read(forms[part]) for part in fields.head]
    satellites, signals = values[-2].bit_count(), values[-1].bit_count()
    cells = 0
    if satellites * signals:
        values.append(read(f"u{satellites * signals}"))
        cells = values[-1].bit_count()
    for group, count in zip(fields.groups, (satellites, cells), strict=True):
        for part in group:
            form = forms[part]
            values += [read(form) for _ in range(count)]
    return values


def read_with_shifts(message: bytes) -> list[int]:
    """Read every field of an MSM with shifts of one big integer."""
    fields = fields_of(message[0] << 4 | message[1] >> 4)
    whole, left = int.from_bytes(message, "big"), 8 * len(message)
    values = []
    for part in fields.head:
        left -= part.bits
        values.append(whole >> left & ((1 << part.bits) - 1))
    satellites, signals = values[-2].bit_count(), values[-1].bit_count()
    cells = 0
    if satellites * signals:
        left -= satellites * signals
        values.append(whole >> left & ((1 << satellites * signals) - 1))
        cells = values[-1].bit_count()
    for group, count in zip(fields.groups, (satellites, cells), strict=True):
        for part in group:
            bits, mask = part.bits, (1 << part.bits) - 1
            sign = 0 if part.kind is Kind.UNSIGNED else 1 << (bits - 1)
            for _ in range(count):
                left -= bits
                values.append(((whole >> left & mask) ^ sign) - sign)
    return values


def each(read: Callable[[bytes], list[int]], messages: list[bytes]) -> None:
    """Read all messages with one of the readers above."""
    for message in messages:
        read(message)


def data_sets(plan: Plan) -> dict[str, bytes]:
    """Give the streams to decode by name: the recording, where it is there, and a made one."""
    found = {}
    if RECORDING.is_file():
        recorded = RECORDING.read_bytes()
        found["recorded MSM5"] = recorded * -(-plan.data_bytes // len(recorded))
    pieces = []
    size = 0
    for piece, _ in recorded_day.pieces():
        pieces.append(piece)
        size += len(piece)
        if size >= plan.data_bytes:
            break
    found["made MSM7"] = b"".join(pieces)
    return found


def against_baselines(plan: Plan) -> Iterator[Result]:
    """Compare scanner and pipeline with a CRC loop, a copy, and readers of single fields."""
    for name, data in data_sets(plan).items():
        block = FrameScanner().feed(data)
        ends = block.starts + block.lengths
        spans = list(zip(block.starts.tolist(), ends.tolist(), strict=True))
        slow = [data[begin + 3 : end - 3] for begin, end in spans if end <= plan.slow_bytes]
        octets = np.frombuffer(data, np.uint8)
        seconds = best_of(
            plan.rounds,
            {
                "crc": partial(check_sums, data, spans),
                "scan": partial(scan, data),
                "pipeline": partial(decode, data),
                "copy": octets.copy,
                "bitstring": partial(each, read_with_bitstring, slow),
                "shifts": partial(each, read_with_shifts, slow),
            },
        )
        a_byte = {task: took_s / len(data) for task, took_s in seconds.items()}
        slow_bytes = sum(map(len, slow))
        pipeline, crc = a_byte["pipeline"], a_byte["crc"]
        speed = f"{1e-6 / pipeline:.0f} MB/s; CRC loop {1e-6 / crc:.0f} MB/s"
        yield Result(
            "pipeline against CRC loop, time", name, pipeline / crc, "x", 5.5, 8, note=speed
        )
        yield Result("scanner against CRC loop, time", name, a_byte["scan"] / crc, "x", 1.8, 2.5)
        for task, of, good, acceptable in (
            ("bitstring", "bitstring, a read a field", 50, 30),
            ("shifts", "one big integer with shifts", 18, 10),
        ):
            ratio = seconds[task] / slow_bytes / pipeline
            note = f"{1e-6 * slow_bytes / seconds[task]:.1f} MB/s"
            yield Result(
                f"speed against {of}", name, ratio, "x", good, acceptable,
                less_is_better=False, note=note,
            )  # fmt: skip
        share = 100 * a_byte["copy"] / pipeline
        note = f"copy {1e-9 / a_byte['copy']:.1f} GB/s"
        if len(data) < Plan.data_bytes:  # the copy would not leave the cache
            yield Result("share of copy bandwidth", name, None, "%", note="needs more data")
            continue
        yield Result(
            "share of copy bandwidth", name, share, "%", 0.8, 0.5, less_is_better=False, note=note
        )


def whole_day(plan: Plan) -> Iterator[Result]:
    """Make a recorded day with the encoder, decode it, and compare its speed with a small piece."""
    scale = recorded_day.EPOCHS_A_DAY / plan.day_epochs
    note = "" if plan.is_whole_day else f"{plan.day_epochs} s of it, times {scale:.0f}"
    began_s = time.perf_counter()
    made = list(recorded_day.pieces(plan.day_epochs))
    encoding_s = time.perf_counter() - began_s
    data = b"".join(piece for piece, _ in made)
    observed = sum(count for _, count in made)
    assert decode(data) == observed, "not every observation came back"
    small = data[: 5 * MEGABYTE]
    tasks = {"day": lambda: decode(data)}
    if plan.is_whole_day:
        tasks["small"] = lambda: decode(small)
    seconds = best_of(plan.rounds, tasks)
    day = f"{len(data) / MEGABYTE:.0f} MB, {observed / 1e6:.1f} million observations"
    yield Result("a day of MSM7 decoded", day, scale * seconds["day"], "s", 0.8, 1.5, note=note)
    if plan.is_whole_day:
        growth = len(data) / seconds["day"] / (len(small) / seconds["small"])
        yield Result(
            "speed of the day against 5 MB of it", day, growth, "x", 0.7, 0.5, less_is_better=False
        )
    yield Result("a day of MSM7 made and encoded", day, scale * encoding_s, "s", 5, 10, note=note)


def one_epoch(plan: Plan) -> Iterator[Result]:
    """Decode single epochs as they come live; encode one system of one epoch."""
    count = 200
    epochs = [recorded_day.encoded(at, 1)[0] for at in range(0, 20 * count, 20)]

    def live() -> None:
        stream = StreamDecoder()
        for data in epochs:
            stream.feed(Chunk(data))

    gps = recorded_day.CONSTELLATIONS[0]
    observations = recorded_day.observations_of(gps, np.array([0]), np.random.default_rng(0))
    heads = MessageHeads.at(gps.letter, np.array([recorded_day.START_GPS_MS]), station=7)

    def encode() -> None:
        for _ in range(count):
            encode_msm(gps.number, heads, observations)

    seconds = best_of(plan.rounds, {"live": live, "encode": encode})
    yield Result(
        "one live epoch decoded", "4 MSM7 frames", 1e3 * seconds["live"] / count, "ms", 0.5, 2
    )
    yield Result(
        "one live message encoded", f"GPS MSM7, {len(observations)} cells",
        1e3 * seconds["encode"] / count, "ms", 0.3, 1,
    )  # fmt: skip


# A child inherits the peak of the process that forked it: a small one stands in between.
PEAK_PROGRAM = """
import os, subprocess, sys
child = subprocess.Popen(
    [sys.executable, *sys.argv[1:]], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL
)
_, status, usage = os.wait4(child.pid, 0)
child.returncode = os.waitstatus_to_exitcode(status)
print(child.returncode, usage.ru_maxrss * (1 if sys.platform == "darwin" else 1024))
"""
READ_PROGRAM = "import sys, bench_measures; data = open(sys.argv[1], 'rb').read()"
DECODE_PROGRAM = f"{READ_PROGRAM}; bench_measures.decode(data)"


def peak_bytes(arguments: list[str]) -> int:
    """Run Python with arguments; give the most memory that it held."""
    said = subprocess.run(
        [sys.executable, "-c", PEAK_PROGRAM, *arguments],
        env=child_environment(), capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    code, peak = map(int, said.split())
    if code:
        raise subprocess.CalledProcessError(code, arguments)
    return peak


def peak_memory(plan: Plan) -> Iterator[Result]:
    """Measure in processes of their own what decoding takes above the input."""
    title = "peak memory above the input"
    if sys.platform == "win32":
        yield Result(title, "", None, "MiB", note="this system does not tell")
        return
    for name, data in data_sets(plan).items():
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder, "input.rtcm3")
            path.write_bytes(data)
            read = peak_bytes(["-c", READ_PROGRAM, str(path)])
            above = peak_bytes(["-c", DECODE_PROGRAM, str(path)]) - read
        yield Result(title, name, above / MEBIBYTE, "MiB", 20, 60)


def child_environment() -> dict[str, str]:
    """Give the environment of a child that shall find the package and the scripts."""
    path = os.pathsep.join(
        [str(PROJECT), str(Path(__file__).parent), os.environ.get("PYTHONPATH", "")]
    )
    return {**os.environ, "PYTHONPATH": path}


def run_whole(arguments: list[str]) -> None:
    """Run Python with arguments and throw its output away."""
    subprocess.run(
        [sys.executable, *arguments], env=child_environment(), stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=True,
    )  # fmt: skip


def whole_processes(plan: Plan) -> Iterator[Result]:
    """Start the program, and decode a file with it in two ways."""
    for measure in (start_up, decode_files):
        try:
            yield from measure(plan)
        except subprocess.CalledProcessError as error:
            command = " ".join(error.cmd[2:4])
            yield Result(command, "", None, "s", note=f"it ended with {error.returncode}")


def start_up(plan: Plan) -> Iterator[Result]:
    """Start the program and let it tell its version."""
    seconds = best_of(
        plan.rounds,
        {
            "python": lambda: run_whole(["-c", "pass"]),
            "version": lambda: run_whole(["-m", "rtcmtool", "--version"]),
        },
    )
    bare = f"bare Python {1e3 * seconds['python']:.0f} ms"
    yield Result("rtcmtool --version", "", 1e3 * seconds["version"], "ms", note=bare)


def decode_files(plan: Plan) -> Iterator[Result]:
    """Decode a file with the program: as a table, and as JSON."""
    name, data = next(iter(data_sets(plan).items()))
    json_data = data[: plan.data_bytes // 10]
    with tempfile.TemporaryDirectory() as folder:
        whole, piece = Path(folder, "whole.rtcm3"), Path(folder, "piece.rtcm3")
        whole.write_bytes(data)
        piece.write_bytes(json_data)
        decode_file = ["-m", "rtcmtool", "decode"]
        seconds = best_of(
            min(plan.rounds, 3),
            {
                "summary": lambda: run_whole([*decode_file, str(whole), "--summary"]),
                "json": lambda: run_whole([*decode_file, str(piece), "--json"]),
                "pipeline": lambda: decode(data),
            },
        )
    pipeline = f"pipeline alone {seconds['pipeline']:.2f} s"
    size = f"{len(data) / MEGABYTE:.0f} MB {name}"
    yield Result("rtcmtool decode --summary", size, seconds["summary"], "s", note=pipeline)
    each = f"{1e6 * seconds['json'] / decode(json_data):.1f} us an observation, start included"
    size = f"{len(json_data) / MEGABYTE:.1f} MB {name}"
    yield Result("rtcmtool decode --json", size, seconds["json"], "s", note=each)


def large_file(plan: Plan) -> Iterator[Result]:
    """Decode a capture of 2 GB: its size must not show in the memory."""
    title = "peak memory, decode --summary of 2 GB"
    if not plan.large or sys.platform == "win32":
        note = "only with --large" if not plan.large else "this system does not tell"
        yield Result(title, "", None, "MB", note=note)
        return
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "large.rtcm3")
        day = b"".join(piece for piece, _ in recorded_day.pieces())
        with path.open("wb") as file:
            while file.tell() < LARGE_BYTES:
                file.write(day)
        size = path.stat().st_size
        began_s = time.perf_counter()
        peak = peak_bytes(["-m", "rtcmtool", "decode", str(path), "--summary"])
        took_s = time.perf_counter() - began_s
    note = f"{took_s:.0f} s, {size / MEGABYTE / took_s:.0f} MB/s"
    yield Result(title, f"{size / 1e9:.2f} GB", peak / MEGABYTE, "MB", 300, 300, note=note)


MEASURES: dict[str, Callable[[Plan], Iterator[Result]]] = {
    "baselines": against_baselines,
    "epoch": one_epoch,
    "day": whole_day,
    "memory": peak_memory,
    "simulation": simulated_base,
    "processes": whole_processes,
    "large": large_file,
}
