"""Bytes from a serial port, of this computer or behind a pyserial URL."""

import errno
import io
import logging
import os
import queue
import socket
import threading
from collections import deque
from collections.abc import Iterator

import serial

from rtcmtool.errors import SourceError, UsageError
from rtcmtool.sources.base import READ_BYTES, TICK_S, Arrival, Clocks, LiveSource, SourceState
from rtcmtool.sources.baud import RATES, BaudHunt, RateDoubt, Trial, rates_text
from rtcmtool.sources.port_holders import holder_of
from rtcmtool.sources.ports import in_use, not_opened

log = logging.getLogger(__name__)

if os.name == "posix":
    import termios

    CONFIGURE_ERRORS: tuple[type[Exception], ...] = (OSError, ValueError, termios.error)
else:
    CONFIGURE_ERRORS = (OSError, ValueError)

WITHOUT_RATE = ("socket://", "loop://")  # no line behind them whose rate could be wrong
THROUGH_NETWORK = ("rfc2217://", "socket://")
SILENT_NETWORK_S = 60.0  # half-open connections, as with tcp://; trade-facts 7.4, a judgement


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
        if text.lower().startswith(THROUGH_NETWORK):
            self.stall_s = SILENT_NETWORK_S
        self._has_rate = not text.lower().startswith(WITHOUT_RATE)
        self._hunt = BaudHunt() if baud is None and self._has_rate else None
        self._doubt: RateDoubt | None = None
        self._held: deque[Arrival] = deque()  # of the present trial
        self._port: serial.SerialBase | None = None
        self._descriptor: int | None = None

    @property
    def held_bytes(self) -> int:
        """Bytes of the present trial that are not handed on yet: none readable so far."""
        hunt = self._hunt
        return 0 if hunt is None or hunt.found is not None or hunt.rounds else hunt.trial_bytes

    def _open(self) -> Iterator[None]:
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
            if self.text.lower().startswith("socket://"):
                # A fresh connection has no old bytes: pyserial would throw away the first new ones.
                port.reset_input_buffer = lambda: None
            if self.text.lower().startswith(THROUGH_NETWORK):
                yield from self._opening_far(port)
            else:
                port.open()
            self._descriptor = _descriptor_of(port) if os.name == "posix" else None
            timeout_s = 0 if self._descriptor is not None else TICK_S
            if port.timeout != timeout_s:  # setting it negotiates anew with a far port
                port.timeout = timeout_s
        except (ValueError, KeyError) as error:  # KeyError: pyserial formats a message wrongly
            raise UsageError(f"{self.text} is no usable serial port.", why=f"{error}.") from error
        except OSError as error:  # serial.SerialException is one
            raise not_opened(self.text, error) from error
        self._port = port
        is_settled = self._has_rate and (self._hunt is None or self._hunt.found is not None)
        self._doubt = RateDoubt(rate) if is_settled else None

    def _opening_far(self, port: "serial.SerialBase") -> Iterator[None]:
        """Open a port behind the network in a thread: pyserial may need ten seconds for it."""
        opening = _Opening(port)
        try:
            while not self._wait(TICK_S, opening.ended):
                yield
        except BaseException:  # stopped meanwhile: nobody will read it
            opening.abandon()
            raise
        finally:
            opening.ended.close()
        if opening.failure is not None:
            raise opening.failure
        if not port.is_open:
            raise SourceError(f"{self.text} cannot be opened.")

    def _read(self, wait_s: float) -> list[Arrival]:
        try:
            data = self._read_port(wait_s)
        except OSError as error:
            if error.errno == errno.EINTR:
                return []
            raise self._gone() from error
        arrivals = [self._stamp(data)] if data else []
        if self._hunt is not None and self._hunt.found is None:
            return self._hunting(self._hunt, arrivals)
        if self._doubt and (text := self._doubt.feed(data, self.clocks.monotonic())):
            self._tell(SourceState.NOTE, text)
        return arrivals

    def _gone(self) -> SourceError:
        if self.text.lower().startswith(THROUGH_NETWORK):
            return SourceError(f"the connection to {self.text} broke.")
        return SourceError(
            f"{self.text} is gone.", why="it was unplugged, or its device has failed."
        )

    def _read_port(self, wait_s: float) -> bytes:
        """Read what is there; wait for it at most so long."""
        assert self._port is not None
        if self._descriptor is not None:
            if not self._wait(wait_s, self._descriptor):
                return b""
            return bytes(self._port.read(READ_BYTES))
        self._wait(0.0)  # only to notice a stop: the port itself waits
        waiting = getattr(self._port, "_read_buffer", None)
        if isinstance(waiting, queue.Queue):
            return _take(waiting, wait_s)
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
            if is_first_round:  # later ones would tell the same for ever
                text = f"{trial_bytes} bytes at {rate} baud, none readable; trying {hunt.rate}"
                self._tell(SourceState.NOTE, text)
            if is_first_round and hunt.rounds:
                text = f"bytes come, but none are readable at {rates_text()} baud; trying on"
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


class _Opening:
    """A port being opened by a thread; `ended` becomes readable when that is over."""

    def __init__(self, port: "serial.SerialBase") -> None:
        self.failure: OSError | ValueError | KeyError | None = None
        self.ended, self._telling = socket.socketpair()
        self._port = port
        self._is_abandoned = False
        self._lock = threading.Lock()
        threading.Thread(target=self._work, daemon=True, name=f"open {port.portstr}").start()

    def _work(self) -> None:
        try:
            self._port.open()
        except (OSError, ValueError, KeyError) as error:
            self.failure = error
        finally:  # also when a fault shows itself: nobody waits for ever
            with self._lock:
                self._telling.close()
                if self._is_abandoned:
                    self._port.close()

    def abandon(self) -> None:
        """Let the thread close what it opens, or has opened."""
        with self._lock:
            self._is_abandoned = True
        if self._port.is_open:
            self._port.close()


def _take(waiting: "queue.Queue[bytes | None]", wait_s: float) -> bytes:
    """Take what pyserial's own reader of a far port has received.

    Its `read` would lose what it has taken when that reader ends meanwhile.

    Raises
    ------
    SourceError
        If the reader has ended, and nothing is left.
    """
    taken = bytearray()
    try:
        piece = waiting.get(timeout=wait_s)
        while piece is not None:
            taken += piece
            piece = waiting.get_nowait()
    except queue.Empty:
        return bytes(taken)
    if not taken:
        raise SourceError("the reader of the port has ended.")
    waiting.put(None)  # told next time
    return bytes(taken)
