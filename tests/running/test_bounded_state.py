"""Two days of a base in virtual time: what a session holds must not grow with its length."""

import gc
import sys
from itertools import groupby
from types import BuiltinFunctionType, FunctionType, MethodType, ModuleType

import pytest

from rtcmtool.diagnosis.context import Context
from rtcmtool.monitor.live_state import LiveState
from rtcmtool.running.feed import Bytes
from rtcmtool.running.judging import Judging
from rtcmtool.running.session import Session
from tests.monitor.following import UTC_NS
from tests.streams import START_MS, Sent, base_stream, data_of, every, text

EVERY_S = 120
BLOCK_EPOCHS = 240  # made at once
FAULT_EVERY, FAULT_EPOCHS = 20, 2  # epochs: a silence of four minutes each 40 min
SETTLED_H, END_H = 30, 48  # at the same place between two faults
# Lists of events differ by the length of a word; what has a bound has long been full.
GROWTH_BYTES = {"events": 20_000, "judging": 20_000}
USUAL_GROWTH_BYTES = 10_000
MOST_BYTES = 15_000_000
_SHARED = (ModuleType, type, FunctionType, BuiltinFunctionType, MethodType)


def size_of(root: object) -> int:
    """Give the bytes of everything that can be reached, code apart."""
    seen: set[int] = set()
    waiting, total = [root], 0
    while waiting:
        each = waiting.pop()
        if id(each) in seen or isinstance(each, _SHARED):
            continue
        seen.add(id(each))
        total += sys.getsizeof(each)
        waiting.extend(gc.get_referents(each))
    return total


class TwoDays:
    """A base that sends little, is silent now and then, and changes what it says."""

    def __init__(self) -> None:
        live = LiveState(UTC_NS, 0.0, clock_trusted=True)
        self.judging = Judging(Context(live.state), every_s=60.0)
        self.session = Session(live, None, [self.judging])
        self.epoch = 0

    def take(self, at_s: float, data: bytes) -> None:
        self.session.take(Bytes(UTC_NS + round(at_s * 1e9), at_s, data))

    def fill(self) -> None:
        """Fill at once what has a bound of its own: notes, texts, stations, readings."""
        for place in range(300):
            self.session.live.note(f"note {place}")
        texts = [text(f"block {place}", station=place % 97) for place in range(200)]
        for place in range(4500):  # a line that hands over single bytes, or as good as
            self.take(place / 100, texts[place // 9] if place % 9 == 0 and place < 1800 else b"x")

    def run(self, hours: float) -> dict[str, int]:
        """Go on to an hour; give the size of each part then, by its name."""
        if not self.epoch:
            self.fill()
            self.epoch = 1
        last = round(hours * 3600 / EVERY_S)
        while self.epoch < last:
            count = min(BLOCK_EPOCHS, last - self.epoch)
            first, self.epoch = self.epoch, self.epoch + count
            stream = base_stream(
                count, numbers=(1077,), satellites={"GPS": 4}, interval_ms=1000 * EVERY_S,
                start_ms=START_MS + 1000 * EVERY_S * first, extras=self.extras(first, count),
            )  # fmt: skip
            for epoch, sent in groupby(stream, key=lambda each: each.epoch):
                self.one(first + epoch, data_of(sent))
        gc.collect()
        parts = {**vars(self.session.live), "judging": self.judging}
        return {name: size_of(part) for name, part in parts.items()}

    def extras(self, first: int, count: int) -> list[list[Sent]]:
        """Say something new in each block: another text, another station now and then."""
        return [every(text(f"block {first}", station=first % 97), count, 80)]

    def one(self, place: int, data: bytes) -> None:
        at_s = place * EVERY_S + 0.4
        is_lost = place > FAULT_EVERY and place % FAULT_EVERY < FAULT_EPOCHS
        self.take(at_s, b"" if is_lost else data)
        if place % 40 == 7:
            self.take(at_s + 1, b"noise" * 9)
        self.take(at_s + EVERY_S / 2, b"")


@pytest.mark.slow
def test_what_a_session_holds_does_not_grow_with_its_length() -> None:
    days = TwoDays()
    settled = days.run(SETTLED_H)
    end = days.run(END_H)
    live = days.session.live
    assert days.epoch == END_H * 3600 // EVERY_S
    assert live.gaps.count > 40  # the faults were seen
    growth = {name: size - settled[name] for name, size in end.items()}
    assert not {
        name for name, size in growth.items() if size > GROWTH_BYTES.get(name, USUAL_GROWTH_BYTES)
    }
    # Parts know each other: all together is less than their sum.
    assert size_of([vars(live), days.judging]) < MOST_BYTES
