"""Cells of the live table: a simulated base, a fault, a way, the real recorder; truth and file.

What is true follows from the fault that was put in and from the moments at which the base sent; no
part of the tool that finds outages has a hand in it.
"""

import hashlib
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType

from live_ways import CasterWay, Sent, SerialWay, TcpWay, Way

from rtcmtool.captures import Capture, open_capture
from rtcmtool.gnss.time import NS_PER_SECOND
from rtcmtool.simulation.builtin_scenarios import builtin_scenario
from rtcmtool.simulation.faults import Fault, make_fault
from rtcmtool.simulation.playing import Clock, play, starting_now
from rtcmtool.simulation.scenario import Radio, Scenario, Stream

PROJECT = Path(__file__).resolve().parent.parent
CASES = ("healthy", "silence", "garbled", "no-position", "late", "interrupted")
WAYS = ("pty", "tcp", "ntrip")
REVISION_1 = ("garbled", "interrupted")  # cases whose caster speaks the old revision
MONITOR_GAP = "monitor gap"
LATE_S = 6.0  # of corrections; 5 s are too late
POSITION_EVERY_S = 5.0
POSITION_LACKS_S = 60.0  # design: no-position opens so long after the last one
BIT_ERROR_RATE = 0.3  # no frame survives
ENDED_BY_US = 130
OPENING_S = 60.0  # for a recorder to start on a busy machine
_CLOSING_S = 120.0
_LAST_S = 1.0  # after the last byte: it is read and judged
_STEP_S = 0.05
_POSITION = 1006


@dataclass(frozen=True, slots=True)
class Plan:
    """How long what lasts.

    Attributes
    ----------
    before_s, length_s, after_s : float
        Healthy, with the fault, healthy again. The whole minute that a position must be missed
        for comes in addition to `length_s`.
    interval_s : float
        Between epochs.
    seed : int
        Of everything random.
    """

    before_s: float = 20.0
    length_s: float = 14.0
    after_s: float = 10.0
    interval_s: float = 1.0
    seed: int = 1

    def fault_s(self, case: str) -> tuple[float, float]:
        """Give begin and end of the fault of a case, s since the start of the stream."""
        length_s = self.length_s + (POSITION_LACKS_S if case == "no-position" else 0.0)
        return self.before_s, self.before_s + length_s

    def total_s(self, case: str) -> float:
        """Give the length of a case."""
        # The next try of a recorder comes after a wait about as long as those before together.
        more_s = {"late": LATE_S, "interrupted": self.length_s}.get(case, 0.0)
        return self.fault_s(case)[1] + more_s + self.after_s


@dataclass(frozen=True, slots=True)
class Booked:
    """A fault, as it was or as it was booked: its kind, from when to when, UTC ns."""

    kind: str
    start_utc_ns: int
    end_utc_ns: int


@dataclass(frozen=True, slots=True)
class Cell:
    """What came of a case over a way.

    Attributes
    ----------
    case, way : str
        Which.
    origin_utc_ns : int
        Start of the stream.
    truth, found : tuple of Booked
        What was done to the stream, and what the recorder made of it, outages and monitor gaps.
    bytes_equal : bool
        Whether what was recorded is what was sent.
    faults : tuple of str
        What is wrong; empty for a cell that passed.
    """

    case: str
    way: str
    origin_utc_ns: int
    truth: tuple[Booked, ...]
    found: tuple[Booked, ...]
    bytes_equal: bool
    faults: tuple[str, ...]


class GivenUpError(Exception):
    """The user has stopped the table."""


class RecorderError(Exception):
    """The recorder does not listen, or has ended by itself."""


def scenario_of(case: str, plan: Plan) -> Scenario:
    """Make the scenario of a case: four systems, a radio that is never the limit."""
    begin_s, end_s = plan.fault_s(case)
    healthy = builtin_scenario("healthy")
    observations = dict.fromkeys((1074, 1084, 1094, 1124), plan.interval_s)
    messages = dict(healthy.stream.messages) | observations | {_POSITION: POSITION_EVERY_S}
    kinds = {"garbled": ("weak-radio", BIT_ERROR_RATE), "late": ("late", LATE_S)}
    faults: tuple[Fault, ...] = ()
    if case not in {"healthy", "interrupted"}:
        kind, severity = kinds.get(case, (case, None))
        faults = (make_fault(kind, begin_s, end_s - begin_s, severity),)
    return replace(
        healthy,
        name=case,
        duration_s=plan.total_s(case),
        seed=plan.seed,
        stream=Stream(messages=MappingProxyType(messages)),
        radio=Radio(rate_bit_s=57_600.0, port_baud=115_200),
        faults=faults,
    )


def truth_of(case: str, plan: Plan, origin_utc_ns: int, way: Way) -> tuple[Booked, ...]:
    """Say what is true of a case, from the fault and from what was sent when.

    By the definitions an outage starts at the arrival of the last whole epoch before the fault,
    and ends at that of the first whole one after it. What belongs to an epoch is sent before the
    next one begins.

    Parameters
    ----------
    case, plan
        What was done.
    origin_utc_ns : int
        Start of the stream.
    way : Way
        It has noted what was sent when.
    """
    begin_ns, end_ns = _span_ns(case, plan, origin_utc_ns)
    interval_ns = round(plan.interval_s * NS_PER_SECOND)
    match case:
        case "healthy":
            return ()
        case "interrupted":
            return tuple(
                Booked(MONITOR_GAP, lost_ns, back_ns)
                for lost_ns, back_ns in zip(way.losses, way.returns[1:], strict=False)
            )
        case "no-position":
            positions = [sent for sent in way.sent if _number(sent.data) == _POSITION]
            start_ns = _last(positions, begin_ns) + round(POSITION_LACKS_S * NS_PER_SECOND)
            return (Booked(case, start_ns, _first(positions, end_ns)),)
        case "late":
            # What follows the last late epoch has waited behind it and comes at the same moment.
            behind_ns = end_ns - interval_ns + round(LATE_S * NS_PER_SECOND)
            # Until the first late one arrives nothing does, for longer than an outage needs.
            first_ns = _first(way.sent, begin_ns)
            return (
                Booked("silence", _last(way.sent, begin_ns), first_ns),
                Booked(case, first_ns, _first(way.sent, behind_ns)),
            )
        case _:
            return (Booked(case, _last(way.sent, begin_ns), _last(way.sent, end_ns + interval_ns)),)


def _number(frame: bytes) -> int:
    """Give the message number of a frame: 12 bits behind preamble and length."""
    return int.from_bytes(frame[3:5]) >> 4


def _last(sent: Sequence[Sent], before_ns: int) -> int:
    return max((piece.utc_ns for piece in sent if piece.utc_ns < before_ns), default=0)


def _first(sent: Sequence[Sent], from_ns: int) -> int:
    return min((piece.utc_ns for piece in sent if piece.utc_ns >= from_ns), default=0)


def found_in(capture: Capture) -> tuple[Booked, ...]:
    """Give outages and monitor gaps of a capture, in order."""
    found = [Booked(row.kind, row.start_utc_ns, row.end_utc_ns) for row in capture.outages]
    begin_ns: int | None = None
    for event in capture.events:
        if event.kind != "monitor-gap":
            continue
        if event.values.get("state") == "open":
            begin_ns = event.utc_ns
        else:
            found.append(Booked(MONITOR_GAP, begin_ns or event.utc_ns, event.utc_ns))
            begin_ns = None
    if begin_ns is not None:
        found.append(Booked(MONITOR_GAP, begin_ns, begin_ns))
    return tuple(sorted(found, key=lambda booked: booked.start_utc_ns))


def differences(
    truth: Sequence[Booked], found: Sequence[Booked], interval_s: float
) -> tuple[str, ...]:
    """Say where the file is not the truth: number, kinds, starts and ends beyond an interval."""
    if len(truth) != len(found):
        kinds = ", ".join(booked.kind for booked in found) or "none"
        return (f"{len(found)} booked instead of {len(truth)}: {kinds}",)
    faults = []
    for true, booked in zip(truth, found, strict=True):
        if booked.kind != true.kind:
            faults.append(f"{booked.kind} instead of {true.kind}")
        for what, off_s in zip(("start", "end"), errors_s(true, booked), strict=True):
            if abs(off_s) > interval_s:
                faults.append(f"{what} {off_s:+.2f} s off")
    return tuple(faults)


def errors_s(true: Booked, booked: Booked) -> tuple[float, float]:
    """Give by how much start and end are booked too late, s."""
    return (
        (booked.start_utc_ns - true.start_utc_ns) / NS_PER_SECOND,
        (booked.end_utc_ns - true.end_utc_ns) / NS_PER_SECOND,
    )


def make_way(case: str, name: str, folder: Path, seed: int) -> Way:
    """Make the way of a cell."""
    if name == "pty":
        return SerialWay(folder)
    if name == "tcp":
        return TcpWay()
    return CasterWay(1 if case in REVISION_1 else 2, seed)


def run_cell(case: str, name: str, plan: Plan, folder: Path, stopped: threading.Event) -> Cell:
    """Record one case over one way, in real time, and compare.

    Parameters
    ----------
    case, name : str
        One of `CASES` and of `WAYS`.
    plan : Plan
        How long.
    folder : Path
        Empty; port and capture are made there.
    stopped : threading.Event
        Set by whoever wants it to end before its time.

    Raises
    ------
    GivenUpError
        If it was.
    """
    way = make_way(case, name, folder, plan.seed)
    way.open(lambda _: None)
    said = folder / "said.txt"
    try:
        with said.open("wb") as file:
            recorder = _start_recorder(way.source, folder / "job", file.fileno())
        try:
            origin_ns = _play(case, plan, way, _waiter(way, recorder, stopped))
            recorder.send_signal(signal.SIGINT)
            code = recorder.wait(_CLOSING_S)
        except (RecorderError, subprocess.TimeoutExpired) as error:
            words = said.read_text(encoding="utf-8").strip()
            return Cell(case, way.name, 0, (), (), False, (f"{error} {words}".strip(),))
        finally:
            if recorder.poll() is None:
                recorder.kill()
                recorder.wait()
    finally:
        way.close()
    cell = judge(case, plan, way, origin_ns, folder / "job.rtcm3")
    if code != ENDED_BY_US:
        cell = replace(cell, faults=(*cell.faults, f"the recorder's exit code is {code}"))
    return cell


def _start_recorder(source: str, name: Path, said: int) -> "subprocess.Popen[bytes]":
    options = ("--clock", "trusted", "--quiet")
    command = [sys.executable, "-m", "rtcmtool", "record", source, str(name), *options]
    path = os.pathsep.join(part for part in (str(PROJECT), os.environ.get("PYTHONPATH")) if part)
    return subprocess.Popen(
        command,
        cwd=name.parent,  # no site sheet lies there
        env={**os.environ, "PYTHONPATH": path},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=said,
    )


def _waiter(
    way: Way, recorder: "subprocess.Popen[bytes]", stopped: threading.Event
) -> Callable[[float], None]:
    """Make what waits for so many seconds and looks after the way meanwhile."""

    def wait(seconds: float) -> None:
        due_s = time.monotonic() + seconds
        while (left_s := due_s - time.monotonic()) > 0:
            if stopped.wait(min(left_s, _STEP_S)):
                raise GivenUpError
            if recorder.poll() is not None:
                raise RecorderError(f"the recorder ended with {recorder.returncode}:")
            way.attend()

    return wait


def _play(case: str, plan: Plan, way: Way, wait: Callable[[float], None]) -> int:
    """Wait for the recorder, send it the case, give the start of the stream, UTC ns."""
    due_s = time.monotonic() + OPENING_S
    while not way.returns:
        wait(_STEP_S)
        if time.monotonic() > due_s:
            raise RecorderError(f"the recorder does not listen within {OPENING_S:.0f} s.")
    clock = Clock(time.time_ns, time.monotonic, wait)
    scenario = starting_now(scenario_of(case, plan), clock)
    if case == "interrupted":
        way.cut_ns = _span_ns(case, plan, scenario.start_utc_ns)
    play(scenario, clock, speed=1.0, is_now=True, target=way)
    wait(_LAST_S)
    return scenario.start_utc_ns


def _span_ns(case: str, plan: Plan, origin_utc_ns: int) -> tuple[int, int]:
    """Give begin and end of the fault of a case, UTC ns."""
    begin_s, end_s = plan.fault_s(case)
    return (
        origin_utc_ns + round(begin_s * NS_PER_SECOND),
        origin_utc_ns + round(end_s * NS_PER_SECOND),
    )


def judge(case: str, plan: Plan, way: Way, origin_utc_ns: int, path: Path) -> Cell:
    """Compare what was recorded with what was sent and done.

    Parameters
    ----------
    case, plan
        What was done.
    way : Way
        What was sent.
    origin_utc_ns : int
        Start of the stream.
    path : Path
        The capture.
    """
    recorded, sent = path.read_bytes(), b"".join(piece.data for piece in way.sent)
    is_equal = hashlib.sha256(recorded).digest() == hashlib.sha256(sent).digest()
    truth = truth_of(case, plan, origin_utc_ns, way)
    found = found_in(open_capture(path))
    faults = list(differences(truth, found, plan.interval_s))
    if not is_equal:
        faults.append(f"{len(recorded)} bytes recorded, {len(sent)} sent")
    return Cell(case, way.name, origin_utc_ns, truth, found, is_equal, tuple(faults))
