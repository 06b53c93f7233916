"""Sessions driven through hours in moments: streams with faults, both clocks in the test's hand."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

from rtcmtool.captures import CaptureWriter, Description, Event
from rtcmtool.gnss import time as gnss_time
from rtcmtool.monitor.live_state import LiveState
from rtcmtool.monitor.outage_kinds import OutageChange
from rtcmtool.running.feed import Bytes, Changed, FeedItem
from rtcmtool.running.session import Session
from rtcmtool.sources import SourceState, Status
from tests.streams import START_MS, Sent, base_stream, bias, every, position

T0_NS = gnss_time.utc_ns_from_gps_ms(START_MS)
LATE_S = 0.3  # of each message behind its epoch
TICK_S = 0.2
MONOTONIC_S = 5000.0

Timed = tuple[float, bytes]  # seconds from T0, and what comes then


@cache
def stream_of(epochs: int) -> tuple[Sent, ...]:
    """Give a base of two systems that sends its position every 5 s and a bias every second."""
    extras = (every(position(), epochs, 5), every(bias(), epochs, 1))
    return tuple(base_stream(epochs, numbers=(1074, 1094), extras=extras))


def timed(stream: Iterable[Sent], late_s: Callable[[int], float] = lambda _: LATE_S) -> list[Timed]:
    """Let each message arrive some time after its epoch, those of one epoch in a row."""
    found, place, last = [], 0, -1
    for sent in stream:
        place = place + 1 if sent.epoch == last else 0
        last = sent.epoch
        found.append((sent.epoch + late_s(sent.epoch) + 0.01 * place, sent.data))
    return found


def by_epoch(
    stream: Iterable[Sent], late_s: Callable[[int], float] = lambda _: LATE_S
) -> list[Timed]:
    """Let the messages of each epoch arrive at once, some time after it."""
    found: dict[int, bytes] = {}
    for sent in stream:
        found[sent.epoch] = found.get(sent.epoch, b"") + sent.data
    return [(epoch + late_s(epoch), data) for epoch, data in found.items()]


def damaged_between(stream: Sequence[Sent], first: int, behind: int) -> list[Sent]:
    """Spoil every message of some epochs."""
    return [
        Sent(s.epoch, s.number, s.data[:-3] + bytes(b ^ 0x55 for b in s.data[-3:]))
        if first <= s.epoch < behind
        else s
        for s in stream
    ]


def with_ticks(stream: Iterable[Timed], end_s: float, begin_s: float = 0.0) -> Iterator[Timed]:
    """Put an empty arrival every 0.2 s between."""
    now_s = begin_s
    for at_s, data in stream:
        while now_s + TICK_S < at_s:
            now_s += TICK_S
            yield now_s, b""
        now_s = at_s
        yield at_s, data
    while now_s + TICK_S < end_s:
        now_s += TICK_S
        yield now_s, b""


def utc_ns(seconds: float) -> int:
    return T0_NS + round(seconds * 1e9)


def item(seconds: float, data: bytes = b"", step_s: float = 0.0) -> Bytes:
    """Give an arrival; `step_s` is how far the computer's clock was set meanwhile."""
    return Bytes(utc_ns(seconds + step_s), MONOTONIC_S + seconds, data)


def status(seconds: float, state: SourceState, text: str = "text") -> Changed:
    return Changed(MONOTONIC_S + seconds, Status(utc_ns(seconds), state, text))


@dataclass
class Kept:
    """A listener that keeps what it is told."""

    events: list[Event] = field(default_factory=list)
    outages: list[OutageChange] = field(default_factory=list)
    ticks: int = 0

    def on_tick(self, session: Session) -> None:
        self.ticks += 1

    def on_event(self, session: Session, event: Event) -> None:
        self.events.append(event)

    def on_outage(self, session: Session, change: OutageChange) -> None:
        self.outages.append(change)

    def of(self, kind: str) -> list[Event]:
        return [event for event in self.events if event.kind == kind]


@dataclass
class Driven:
    """A session that records, and what it told."""

    session: Session
    kept: Kept
    path: Path

    def take(self, *items: FeedItem) -> "Driven":
        for one in items:
            self.session.take(one)
        return self

    def play(self, stream: Iterable[Timed], end_s: float, begin_s: float = 0.0) -> "Driven":
        for at_s, data in with_ticks(stream, end_s, begin_s):
            self.session.take(item(at_s, data))
        return self

    def close(self) -> "Driven":
        self.session.close()
        return self


def drive(folder: Path, *, clock_trusted: bool = False, name: str = "job") -> Driven:
    """Begin a session that records into a folder."""
    description = Description(source="test", version="0", start_utc_ns=T0_NS)
    writer = CaptureWriter(folder / name, description, monotonic_s=MONOTONIC_S)
    live = LiveState(T0_NS, MONOTONIC_S, clock_trusted=clock_trusted)
    kept = Kept()
    return Driven(Session(live, writer, [kept]), kept, writer.path)
