"""Listen at several serial ports at once, to find the one with RTCM 3 and its baud rate."""

import queue
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from rtcmtool.errors import SourceError
from rtcmtool.running.feed import Bytes, Ended, Feed, FeedQueue, steady_s
from rtcmtool.sources.serial_port import SerialSource
from rtcmtool.wire.framing import FrameScanner

SILENT_S = 12.0  # a base that sends every 10 s is still found
LONGEST_S = 25.0  # eight rates of 2 s, and what a slow stream takes at its own
MORE_S = 3.0  # behind the first sentence: frames may come on the same line
_WAIT_S = 0.1
_SENTENCE = re.compile(rb"[$!][A-Z]{2}[A-Z0-9]{3},[ -~]*\*[0-9A-F]{2}")


class Carries(StrEnum):
    """What a port carries; the words of JSON."""

    RTCM3 = "rtcm3"
    NMEA = "nmea"
    UNREADABLE = "unreadable"
    NOTHING = "nothing"
    NOT_OPENED = "not-opened"


@dataclass(slots=True)
class Probe:
    """What was found at one port.

    Attributes
    ----------
    source : SerialSource
        The port.
    frames, size_bytes : int
        Frames whose CRC holds, and bytes handed on.
    has_sentences : bool
        Whether NMEA was seen.
    error : SourceError or None
        Why it could not be opened, or was lost.
    """

    source: SerialSource
    frames: int = 0
    size_bytes: int = 0
    has_sentences: bool = False
    error: SourceError | None = None
    began_s: float = 0.0
    first_s: float | None = None
    scanner: FrameScanner = field(default_factory=FrameScanner)
    tail: bytes = b""

    @property
    def all_bytes(self) -> int:
        """Bytes at all rates."""
        return self.size_bytes + self.source.unreadable_bytes + self.source.held_bytes

    @property
    def carries(self) -> Carries:
        """What the port carries."""
        if self.frames:
            return Carries.RTCM3
        if self.has_sentences:
            return Carries.NMEA
        if self.error is not None:
            return Carries.NOT_OPENED
        return Carries.UNREADABLE if self.all_bytes else Carries.NOTHING

    def hear(self, item: Bytes) -> None:
        """Take bytes that came."""
        if not item.data:
            return
        if self.first_s is None:
            self.first_s = item.monotonic_s
        self.size_bytes += len(item.data)
        found = self.scanner.feed(item.data).frames()
        self.frames += sum(frame.number is not None for frame in found)
        text = self.tail + item.data
        self.has_sentences = self.has_sentences or _SENTENCE.search(text) is not None
        self.tail = text[-200:]

    def is_over(self, now_s: float) -> bool:
        """Tell whether more listening tells nothing more."""
        if self.frames:
            return True
        listened_s = now_s - self.began_s
        if self.has_sentences and self.first_s is not None and now_s - self.first_s >= MORE_S:
            return True
        if not self.all_bytes and self.first_s is None:
            return listened_s >= SILENT_S
        return listened_s >= LONGEST_S


def probe_ports(
    devices: list[str],
    *,
    baud: int | None = None,
    tell: Callable[[Mapping[str, Probe], int], None] = lambda *_: None,
    is_stopped: Callable[[], bool] = lambda: False,
    monotonic: Callable[[], float] = steady_s,
) -> dict[str, Probe]:
    """Listen at ports until it is known what each carries, all at the same time.

    Parameters
    ----------
    devices : list of str
        Names of the ports.
    baud : int, optional
        The one rate to listen at; by default all usual ones.
    tell : callable
        Takes the probes and the number of ports that are still listened to.
    is_stopped : callable
        Whether somebody wants it to end.
    monotonic : callable
        Clock, s.

    Returns
    -------
    dict of Probe
        By name, in the order of the names.
    """
    taken: FeedQueue = queue.SimpleQueue()
    probes: dict[str, Probe] = {}
    feeds: dict[Feed, Probe] = {}
    for device in devices:
        # A port that cannot be opened now is told, not waited for.
        source = SerialSource(device, baud=baud, give_up_after_s=0.0)
        probe = probes[device] = Probe(source, began_s=monotonic())
        feeds[Feed(source, taken, monotonic=monotonic)] = probe
    running = set(feeds)
    for feed in feeds:
        feed.start()
    while running:
        try:
            feed, item = taken.get(timeout=_WAIT_S)
        except queue.Empty:
            pass
        else:
            probe = feeds[feed]
            if isinstance(item, Bytes):
                probe.hear(item)
            elif isinstance(item, Ended):
                running.discard(feed)
                probe.error = _expected(item.error)
        now_s = monotonic()
        for feed in running:
            if is_stopped() or feeds[feed].is_over(now_s):
                feed.stop()
        tell(probes, len(running))
    for feed in feeds:
        feed.join()
    return probes


def _expected(error: Exception | None) -> SourceError | None:
    """Give an error of the port; anything else is a fault of ours and shows itself."""
    if error is None:
        return None
    if isinstance(error, SourceError):
        cause = error.__cause__
        return cause if isinstance(cause, SourceError) else error
    raise error
