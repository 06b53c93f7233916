"""What the air lost: frames of two ends of a radio link, matched by their content.

Each frame that the base sent is looked for among those that the other end heard. Frames of the same
content, such as a position that does not change, are matched in their order; they tell no delay,
since it is not known which of them came through.
"""

from collections import Counter, deque
from dataclasses import dataclass, field

MOST_DELAY_S = 10.0  # between sending and hearing; later is not the same transmission
EARLY_S = 1.0  # the two ends may be read in another order than they happened
SETTLES_S = 5.0  # what was sent so shortly before the end may still be on its way
CLASSES = ((0, 60, "short, to 60 B"), (61, 150, "61 to 150 B"), (151, 1 << 12, "long, over 150 B"))
FEWEST_TIMED = 10  # frames that tell a delay
LEAST_LEAD_S = 0.05  # radios take longer; less may be the order in which two ends are read
MOST_WAITING = 20_000  # frames: a hostile stream is cut off


@dataclass(slots=True)
class LengthClass:
    """Frames of a range of lengths: how many were sent, and how many of them heard."""

    label: str
    sent: int = 0
    heard: int = 0

    @property
    def lost(self) -> int:
        """Frames that were sent and not heard."""
        return self.sent - self.heard


@dataclass(slots=True)
class _Sent:
    at_s: float
    data: bytes
    is_single: bool  # no other of the same content was on its way
    is_heard: bool = False


@dataclass(slots=True)
class AirLoss:
    """Matches frames sent with frames heard.

    Attributes
    ----------
    classes : list of LengthClass
        By the length of the frames.
    foreign : int
        Frames heard that this base did not send.
    delay_sum_s : float
        Sum of the times from sending to hearing, below zero where the other end heard first, of the
        frames that tell it.
    timed : int
        Number of these frames.
    """

    classes: list[LengthClass] = field(
        default_factory=lambda: [LengthClass(label) for _, _, label in CLASSES]
    )
    foreign: int = 0
    delay_sum_s: float = 0.0
    timed: int = 0
    _waiting: deque[_Sent] = field(default_factory=deque)
    _by_content: dict[bytes, deque[_Sent]] = field(default_factory=dict)
    _on_the_way: Counter[bytes] = field(default_factory=Counter)
    _early: deque[tuple[float, bytes]] = field(default_factory=deque)
    _first_s: float | None = None

    @property
    def sent(self) -> int:
        """Frames whose way is settled."""
        return sum(each.sent for each in self.classes)

    @property
    def heard(self) -> int:
        """Frames of these that were heard."""
        return sum(each.heard for each in self.classes)

    @property
    def mean_delay_s(self) -> float | None:
        """Mean time from sending to hearing, s."""
        return max(self.delay_sum_s / self.timed, 0.0) if self.timed else None

    @property
    def lead_s(self) -> float | None:
        """How long before the base the other end has each frame, s: then they are mixed up.

        None where the order is right, or too few frames tell it.
        """
        if self.timed < FEWEST_TIMED or self.delay_sum_s > -LEAST_LEAD_S * self.timed:
            return None
        return -self.delay_sum_s / self.timed

    def send(self, frames: list[bytes], at_s: float) -> None:
        """Take frames that the base sent.

        Parameters
        ----------
        frames : list of bytes
            Whole frames.
        at_s : float
            When, on the clock of both ends.
        """
        if self._first_s is None:
            self._first_s = at_s
        for data in frames:
            sent = _Sent(at_s, data, is_single=data not in self._on_the_way)
            self._on_the_way[data] += 1
            self._waiting.append(sent)
            self._by_content.setdefault(data, deque()).append(sent)
        self._match_early(at_s)
        self._settle(at_s - MOST_DELAY_S)

    def hear(self, frames: list[bytes], at_s: float) -> None:
        """Take frames that the other end heard."""
        for data in frames:
            if not self._match(data, at_s):
                self._early.append((at_s, data))
        self._match_early(at_s)

    def finish(self, now_s: float) -> None:
        """Tell that nothing more comes: what was sent or heard just now is left out."""
        self._match_early(now_s)
        self._early.clear()
        self._settle(now_s - SETTLES_S)
        self._waiting.clear()
        self._by_content.clear()
        self._on_the_way.clear()

    def _match(self, data: bytes, at_s: float) -> bool:
        same = self._by_content.get(data)
        while same and same[0].at_s < at_s - MOST_DELAY_S:
            same.popleft()
        if not same or same[0].at_s > at_s + EARLY_S:
            return False
        sent = same.popleft()
        sent.is_heard = True
        if sent.is_single:
            self.timed += 1
            self.delay_sum_s += at_s - sent.at_s
        if not same:
            del self._by_content[data]
        return True

    def _match_early(self, now_s: float) -> None:
        """Look again for frames that were heard before they were seen being sent."""
        for _ in range(len(self._early)):
            at_s, data = self._early.popleft()
            if self._match(data, at_s):
                continue
            if now_s - at_s <= EARLY_S:
                self._early.append((at_s, data))
            elif self._first_s is not None and at_s > self._first_s + MOST_DELAY_S:
                self.foreign += 1  # not a leftover of the time before we listened

    def _settle(self, before_s: float) -> None:
        while self._waiting and (
            self._waiting[0].at_s <= before_s or len(self._waiting) > MOST_WAITING
        ):
            sent = self._waiting.popleft()
            self._on_the_way[sent.data] -= 1
            if not self._on_the_way[sent.data]:
                del self._on_the_way[sent.data]
            length = len(sent.data)
            index = next(i for i, (_, most, _) in enumerate(CLASSES) if length <= most)
            self.classes[index].sent += 1
            self.classes[index].heard += sent.is_heard
            if not sent.is_heard:
                self._forget(sent)

    def _forget(self, sent: _Sent) -> None:
        same = self._by_content.get(sent.data)
        if same and same[0] is sent:
            same.popleft()
        if same is not None and not same:
            del self._by_content[sent.data]
