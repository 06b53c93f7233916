"""Time of the commands that listen for a while, in the hand of a test.

It passes with the ticks of all sources that are listened to, and stands while one of them is not
open or something is still on its way: so what is found does not depend on the machine's speed.
"""

import socket
import threading
import time
from collections.abc import Callable, Iterator
from functools import partial
from itertools import count

import pytest

from rtcmtool.running import listening
from rtcmtool.running.feed import Feed
from rtcmtool.running.listening import Ear, Ending, Listening
from rtcmtool.sources import base, connecting, ntrip_request, serial_port
from tests.cli.servers import ANSWER, ScriptOf, chunked
from tests.sources.conftest import SAFETY_S, read_request, until_closed

BEGIN_S = 1000.0
WAITED_S = 0.002  # really, for a tick


class ListeningTime:
    """The clock of whoever listens; 0 is the moment at which all sources are open.

    Attributes
    ----------
    step_s : float
        By how much a tick moves it.
    passed_s : float
        Since all sources were open.
    """

    def __init__(self) -> None:
        self.step_s = 0.2
        self._steps = 0
        self._begin_ns = time.time_ns()
        self._listening: Listening | None = None
        self._is_over = False
        self._appointments: dict[int, float] = {}
        self._numbers = count()
        self._conditions: list[Callable[[Listening], bool]] = []
        self._ticked: set[str] = set()
        self._lock = threading.Lock()

    @property
    def passed_s(self) -> float:
        return self._steps * self.step_s

    def monotonic(self) -> float:
        return BEGIN_S + self.passed_s

    def time_ns(self) -> int:
        return self._begin_ns + round(self.passed_s * 1e9)

    def begin(self, of: Listening) -> None:
        of.monotonic, self._listening, self._is_over = self.monotonic, of, False
        self._ticked.clear()

    def end(self) -> None:
        self._is_over = True

    def stands_until(self, condition: Callable[[Listening], bool]) -> None:
        """Let no time pass before something has been heard."""
        self._conditions.append(condition)

    def sends(
        self, *pieces: bytes, at_s: float = 0.0, every_s: float = 0.0, is_caster: bool = False
    ) -> ScriptOf:
        """Give the script of a server: each piece is sent in its time, and heard in it."""
        numbers = [next(self._numbers) for _ in pieces]
        for place, number in enumerate(numbers):
            self._appointments[number] = at_s + place * every_s

        def script(connection: socket.socket) -> None:
            if is_caster:
                read_request(connection)
                connection.sendall(ANSWER)
            port, size = connection.getsockname()[1], 0
            for number, piece in zip(numbers, pieces, strict=True):
                due_s = self._appointments.get(number, 0.0)
                self._wait(partial(self._is_due, due_s))
                connection.sendall(chunked(piece) if is_caster else piece)
                size += len(piece)
                self._wait(partial(self._has_heard, port, size))
                self._appointments.pop(number, None)
            until_closed(connection)

        return script

    def tick(self, source: str) -> None:
        """Let time pass, once all sources have ticked."""
        with self._lock:
            heard, ears = self._listening, self._ears()
            if heard is None or not all(ear.is_open for ear in ears):
                return
            self._ticked.add(source)
            if len(self._ticked) < len(ears):
                return
            if any(self._is_due(due_s) for due_s in list(self._appointments.values())):
                return
            if all(condition(heard) for condition in self._conditions):
                self._ticked.clear()
                self._steps += 1

    def _ears(self) -> list[Ear]:
        heard = self._listening
        if heard is None:
            return []
        return [heard.near] if heard.far is None else [heard.near, heard.far]

    def _is_due(self, due_s: float) -> bool:
        ears = self._ears()
        are_open = bool(ears) and all(ear.is_open for ear in ears)
        return are_open and self.passed_s > due_s - self.step_s / 2

    def _has_heard(self, port: int, size: int) -> bool:
        return self._heard(port) >= size

    def _heard(self, port: int) -> int:
        return sum(ear.size_bytes for ear in self._ears() if f":{port}" in ear.source.text)

    def _wait(self, is_true: Callable[[], bool]) -> None:
        due_s = time.monotonic() + SAFETY_S
        while not is_true():
            if self._is_over or time.monotonic() > due_s:
                raise ConnectionAbortedError
            time.sleep(0.001)


@pytest.fixture
def listening_time(monkeypatch: pytest.MonkeyPatch) -> Iterator[ListeningTime]:
    """Put a clock of the test's own in the place of that of whoever listens."""
    moved = ListeningTime()
    run = Listening.run

    class MovedFeed(Feed):
        def _take(self, utc_ns: int, data: bytes) -> None:
            if not data:
                moved.tick(self.source.text)
            super()._take(moved.time_ns(), data)

    def run_in_it(self: Listening) -> Ending:
        moved.begin(self)
        try:
            return run(self)
        finally:
            moved.end()

    for module in (base, connecting, ntrip_request, serial_port):
        monkeypatch.setattr(module, "TICK_S", WAITED_S)
    monkeypatch.setattr(listening, "Feed", MovedFeed)
    monkeypatch.setattr(Listening, "run", run_in_it)
    yield moved
    moved.end()
