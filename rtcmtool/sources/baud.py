"""Find the baud rate of a serial stream by what can be read at it. No I/O, no clock.

A rate is left only after bytes that hold neither a valid frame nor a valid NMEA sentence: silence
says nothing about rates.
"""

import re
from enum import Enum

from rtcmtool.sources.position_line import checksum
from rtcmtool.wire.framing import LONGEST_FRAME, FrameScanner

RATES = (115_200, 57_600, 38_400, 19_200, 9_600, 230_400, 460_800, 4_800)  # user-experience 2.1
ENOUGH_BYTES = 200  # design 4.8
TRIAL_S = 2.0  # user-experience 2.1
DOUBT_S = 5.0  # of bytes at a rate that was given; judgement
# So many unreadable bytes settle it before the time is up: any frame that began in them is over.
PLENTY_BYTES = 4 * LONGEST_FRAME

_SENTENCE = re.compile(rb"\$([A-Z][A-Z0-9]{3,7},[ -#%-)+-~]{0,100})\*([0-9A-Fa-f]{2})")
_KEPT_BYTES = 128  # longer than any sentence


class Trial(Enum):
    """What to do at the present rate."""

    LISTEN = "listen"
    MOVED_ON = "moved on"
    FOUND = "found"


class BaudHunt:
    """Decides which rate to listen at.

    Parameters
    ----------
    rates : tuple of int
        Bit/s, in the order in which they are tried; after the last the first comes again.

    Attributes
    ----------
    found : int or None
        The rate, once it is known.
    found_by : str
        `frames` or `sentences`.
    rounds : int
        How often all rates have been tried in vain.
    trial_bytes : int
        Bytes heard at the present rate.
    """

    def __init__(self, rates: tuple[int, ...] = RATES) -> None:
        self.rates = rates
        self.found: int | None = None
        self.found_by = ""
        self.rounds = 0
        self.trial_bytes = 0
        self._index = 0
        self._first_s: float | None = None
        self._scanner = FrameScanner()
        self._tail = b""

    @property
    def rate(self) -> int:
        """The rate to listen at now, bit/s."""
        return self.rates[self._index]

    def feed(self, data: bytes, monotonic_s: float) -> Trial:
        """Take bytes that came at the present rate, or none, and decide.

        Parameters
        ----------
        data : bytes
            What came since the last call.
        monotonic_s : float
            Now.

        Returns
        -------
        Trial
            `MOVED_ON`: `rate` is another one now.
        """
        if self.found is not None:
            return Trial.FOUND
        if data:
            if self._first_s is None:
                self._first_s = monotonic_s
            self.trial_bytes += len(data)
            if self._is_readable(data):
                self.found = self.rate
                return Trial.FOUND
        if self.trial_bytes < ENOUGH_BYTES or self._first_s is None:
            return Trial.LISTEN
        if monotonic_s - self._first_s < TRIAL_S and self.trial_bytes < PLENTY_BYTES:
            return Trial.LISTEN
        self._index = (self._index + 1) % len(self.rates)
        self.rounds += self._index == 0
        self._begin()
        return Trial.MOVED_ON

    def _begin(self) -> None:
        self.trial_bytes = 0
        self._first_s = None
        self._scanner = FrameScanner()
        self._tail = b""

    def _is_readable(self, data: bytes) -> bool:
        """Look for a frame with a message number, or a sentence whose checksum holds."""
        block = self._scanner.feed(data)
        if any(frame.number is not None for frame in block.frames()):
            self.found_by = "frames"
            return True
        text = self._tail + data
        self._tail = text[-_KEPT_BYTES:]
        for sentence in _SENTENCE.finditer(text):
            if checksum(sentence[1].decode("ascii")) == int(sentence[2], 16):
                self.found_by = "sentences"
                return True
        return False


class RateDoubt:
    """Notices that nothing can be read at a rate that was not looked for.

    Once something could be read the rate is right, and what cannot be read has other reasons.

    Parameters
    ----------
    rate : int
        Bit/s.
    """

    def __init__(self, rate: int) -> None:
        self._hunt = BaudHunt((rate,))
        self._size_bytes = 0
        self._first_s: float | None = None
        self._is_over = False

    def feed(self, data: bytes, monotonic_s: float) -> str | None:
        """Take bytes that came, or none; give a sentence when the rate is in doubt, once."""
        if self._is_over:
            return None
        if data and self._first_s is None:
            self._first_s = monotonic_s
        self._size_bytes += len(data)
        if self._hunt.feed(data, monotonic_s) is Trial.FOUND:
            self._is_over = True
            return None
        if self._first_s is None or monotonic_s - self._first_s < DOUBT_S:
            return None
        if self._size_bytes < ENOUGH_BYTES:
            return None
        self._is_over = True
        rate = self._hunt.rate
        return (
            f"{self._size_bytes} bytes at {rate} baud, none readable: the rate is another one, or "
            f"this is no RTCM 3; usual rates are {rates_text(rate)}"
        )


def rates_text(besides: int | None = None) -> str:
    """Name the usual rates.

    Examples
    --------
    >>> rates_text(besides=115200)
    '4800, 9600, 19200, 38400, 57600, 230400 or 460800'
    """
    *most, last = [str(rate) for rate in sorted(RATES) if rate != besides]
    return f"{', '.join(most)} or {last}"
