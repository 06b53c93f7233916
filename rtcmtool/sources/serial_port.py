"""Bytes from a serial port, of this computer or behind a pyserial URL."""

import errno
import io
import logging
import os
from collections import deque
from collections.abc import Iterator

import serial

from rtcmtool.errors import SourceError, UsageError
from rtcmtool.sources.base import READ_BYTES, TICK_S, Arrival, Clocks, LiveSource, SourceState
from rtcmtool.sources.baud import RATES, BaudHunt, Trial
from rtcmtool.sources.ports import holder_of, in_use, not_opened

log = logging.getLogger(__name__)

if os.name == "posix":
    import termios

    CONFIGURE_ERRORS: tuple[type[Exception], ...] = (OSError, ValueError, termios.error)
else:
    CONFIGURE_ERRORS = (OSError, ValueError)

WITHOUT_RATE = ("socket://", "loop://")  # no line behind them whose rate could be wrong


class SerialSource(LiveSource):
    """Listens to a serial port; nothing is ever written to it.

    Parameters
    ----------
    text : str
        Device name, or a URL that pyserial knows.
    baud : int, optional
        Bit/s; None finds out, from what can be read.
    clocks, give_up_after_s
        See `LiveSource`.

    Attributes
    ----------
    baud : int or None
        The rate, once it is known.
    unreadable_bytes : int
        Bytes heard at wrong rates and not handed on. After one round over all rates everything is
        handed on, so that nobody takes an unknown stream for silence.
    """

    longest_wait_s = 4.0  # a plug that is put back should be noticed soon; nobody is bothered

    def __init__(
        self,
        text: str,
        *,
        baud: int | None = None,
        clocks: Clocks | None = None,
        give_up_after_s: float | None = None,
    ) -> None:
        super().__init__(text, clocks=clocks, give_up_after_s=give_up_after_s)
        self.baud = baud
        self.unreadable_bytes = 0
        has_rate = not text.lower().startswith(WITHOUT_RATE)
        self._hunt = BaudHunt() if baud is None and has_rate else None
        self._held: deque[Arrival] = deque()  # of the present trial
        self._port: serial.SerialBase | None = None
        self._descriptor: int | None = None

    @property
    def held_bytes(self) -> int:
        """Bytes of the present trial that are not handed on yet: none readable so far."""
        hunt = self._hunt
        return 0 if hunt is None or hunt.found is not None or hunt.rounds else hunt.trial_bytes

    def _open(self) -> Iterator[None]:
        yield from ()
        is_device = "://" not in self.text
        if is_device and (holder := holder_of(self.text)) is not None:
            # Two readers of one port take each other's bytes away: neither has a whole stream.
            raise in_use(self.text, holder)
        rate = self.baud or (self._hunt.rate if self._hunt else RATES[0])
        try:
            port = serial.serial_for_url(self.text, do_not_open=True, baudrate=rate)
            port.timeout = 0 if is_device else TICK_S
            if is_device and os.name == "posix":
                port.exclusive = True
            port.open()
        except (ValueError, KeyError) as error:  # KeyError: pyserial formats a message wrongly
            raise UsageError(f"{self.text} is no usable serial port.", why=f"{error}.") from error
        except OSError as error:  # serial.SerialException is one
            raise not_opened(self.text, error) from error
        self._port = port
        self._descriptor = _descriptor_of(port) if os.name == "posix" else None
        port.timeout = 0 if self._descriptor is not None else TICK_S

    def _read(self, wait_s: float) -> list[Arrival]:
        try:
            data = self._read_port(wait_s)
        except OSError as error:
            if error.errno == errno.EINTR:
                return []
            raise SourceError(
                f"{self.text} is gone.", why="it was unplugged, or its device has failed."
            ) from error
        arrivals = [self._stamp(data)] if data else []
        if self._hunt is None or self._hunt.found is not None:
            return arrivals
        return self._hunting(self._hunt, arrivals)

    def _read_port(self, wait_s: float) -> bytes:
        """Read what is there; wait for it at most so long."""
        assert self._port is not None
        if self._descriptor is not None:
            if not self._wait(wait_s, self._descriptor):
                return b""
            return bytes(self._port.read(READ_BYTES))
        self._wait(0.0)  # only to notice a stop: the port itself waits
        data = bytes(self._port.read(1))
        if data and (more := self._port.in_waiting):
            data += bytes(self._port.read(more))
        return data

    def _hunting(self, hunt: BaudHunt, arrivals: list[Arrival]) -> list[Arrival]:
        """Hand on nothing before the rate is found, then all that was heard at it."""
        data = b"".join(arrival.data for arrival in arrivals)
        rate, trial_bytes = hunt.rate, hunt.trial_bytes + len(data)
        is_first_round = hunt.rounds == 0
        trial = hunt.feed(data, self.clocks.monotonic())
        self._held.extend(arrivals)
        if trial is Trial.FOUND:
            self.baud = hunt.found
            self._tell(SourceState.NOTE, f"{rate} baud, found by its {hunt.found_by}")
        elif trial is Trial.MOVED_ON:
            text = f"{trial_bytes} bytes at {rate} baud, none readable; trying {hunt.rate}"
            self._tell(SourceState.NOTE, text)
            self._set_rate(hunt.rate)
            if is_first_round:
                self.unreadable_bytes += trial_bytes
                self._held.clear()
                return []
        if trial is not Trial.FOUND and is_first_round:
            return []
        held = list(self._held)
        self._held.clear()
        return held

    def _set_rate(self, rate: int) -> None:
        assert self._port is not None
        try:
            self._port.baudrate = rate
            self._port.reset_input_buffer()
        except CONFIGURE_ERRORS as error:
            log.info("%s does not take %d baud: %s", self.text, rate, error)

    def _close(self) -> None:
        self._held.clear()
        self._descriptor = None
        if self._port is not None:
            try:
                self._port.close()
            except OSError as error:  # the device has gone already
                log.debug("closing %s: %s", self.text, error)
            self._port = None

    def _opened_text(self) -> str:
        if self.baud is not None:
            return f"{self.text} is open at {self.baud} baud"
        if self._hunt is not None:
            return f"{self.text} is open, looking for the baud rate"
        return f"{self.text} is open"


def _descriptor_of(port: "serial.SerialBase") -> int | None:
    """Give what can be waited for; None where pyserial has only its own way of waiting."""
    try:
        return int(port.fileno())
    except (io.UnsupportedOperation, AttributeError):
        return None
