"""The way from the base's port to the rover: a radio on a shared channel.

Frames that leave the port close together are one transmission: the radio keys, sends its headers
and then the bits, as fast as its rate allows. What waits meanwhile fills its buffer; what finds
the buffer full is lost. A frame of n bits survives a bit error rate p with the chance (1 - p)^n,
so long frames are damaged first.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss.time import NS_PER_MS, NS_PER_SECOND
from rtcmtool.simulation import radio_range
from rtcmtool.simulation.faults import Fault
from rtcmtool.simulation.messages import Frame
from rtcmtool.simulation.scenario import Radio
from rtcmtool.wire.framing import PREAMBLE

SAME_TRANSMISSION_NS = 60 * NS_PER_MS  # a longer pause at the port ends a transmission: judgement
_MEAN_BURST_S = 2.5  # others talk for so long: judgement
_GARBAGE_CHANCE = 0.3  # that a lost frame leaves some bytes behind: judgement
_MOST_GARBAGE = 12  # bytes
_REPEATER_PAUSE_NS = 40 * NS_PER_MS  # a store-and-forward repeater turns round: judgement
_TAG_LINK = 31  # of random numbers


@dataclass(frozen=True, slots=True)
class Channel:
    """What the radio and its channel do while some faults act; names as in `scenario.Radio`.

    Attributes
    ----------
    longest_bytes : float
        Longer frames are lost.
    busy_share : float
        Share of the time in which others talk.
    foreign_share : float
        Share of foreign bytes in what arrives.
    """

    rate_bit_s: float
    overhead: float
    keying_ns: int
    bit_error_rate: float
    repeater: bool
    delay_ns: int
    jitter_ns: float
    buffer_bytes: int
    longest_bytes: float = float("inf")
    busy_share: float = 0.0
    foreign_share: float = 0.0

    @property
    def byte_ns(self) -> float:
        """Time on the air of a byte of data."""
        return 8.0 * self.overhead / self.rate_bit_s * NS_PER_SECOND


def channel_of(radio: Radio, active: Mapping[str, Fault]) -> Channel:
    """Give the state of the channel while some faults act.

    Parameters
    ----------
    radio : Radio
        As it is without them.
    active : mapping
        Faults by kind.
    """
    wrong = radio.bit_error_rate
    if radio.path is not None:
        path = radio.path
        loss_db = path.extra_loss_db + radio_range.two_ray_loss_db(
            path.frequency_mhz, path.distance_km, path.base_antenna_m, path.rover_antenna_m
        )
        more = radio_range.bit_error_rate(radio_range.received_dbm(path.power_w, loss_db))
        wrong = wrong + more - 2.0 * wrong * more  # wrong twice is right again
    channel = Channel(
        rate_bit_s=radio.rate_bit_s,
        overhead=radio.overhead,
        keying_ns=round(radio.keying_ms * NS_PER_MS),
        bit_error_rate=wrong,
        repeater=radio.repeater or "repeater" in active,
        delay_ns=round(radio.delay_ms * NS_PER_MS),
        jitter_ns=radio.jitter_ms * NS_PER_MS,
        buffer_bytes=round(radio.buffer_bytes),
    )
    if "weak-radio" in active:
        channel = replace(channel, bit_error_rate=active["weak-radio"].number)
    if "long-lost" in active:
        channel = replace(channel, longest_bytes=active["long-lost"].number)
    if "busy-channel" in active:
        channel = replace(channel, busy_share=active["busy-channel"].number / 100.0)
    if "too-much" in active:
        channel = replace(channel, rate_bit_s=active["too-much"].number)
    if "late" in active:
        late_ns = round(active["late"].number * NS_PER_SECOND)
        channel = replace(channel, delay_ns=channel.delay_ns + late_ns)
    if "foreign-bytes" in active:
        channel = replace(channel, foreign_share=active["foreign-bytes"].number / 100.0)
    return channel


def damage(data: bytes, bit_error_rate: float, random: np.random.Generator) -> bytes:
    """Turn over bits of a frame at random.

    Parameters
    ----------
    data : bytes
        A frame.
    bit_error_rate : float
        Chance of each bit.
    random : Generator
        Source of chance.
    """
    count = int(random.binomial(8 * len(data), bit_error_rate)) if bit_error_rate else 0
    if not count:
        return data
    places = random.choice(8 * len(data), count, replace=False)
    bits = np.unpackbits(np.frombuffer(data, np.uint8))
    bits[places] ^= 1
    return np.packbits(bits).tobytes()


class RadioLink:
    """Carries the frames of one base; remembers what waits and when others talk.

    Parameters
    ----------
    seed : int
        Everything random follows from it.
    sender : int
        Tells several senders apart.
    """

    def __init__(self, seed: int, sender: int) -> None:
        self._random = np.random.default_rng([seed, _TAG_LINK, sender])
        self._free_ns = 0  # end of what is on the air or waits
        self._last_ns = 0  # latest arrival: nothing overtakes
        self._busy: list[tuple[int, int]] = []  # when others talk, rising

    def carry(self, frames: Sequence[Frame], channel: Channel) -> list[Frame]:
        """Carry frames of a block; give what arrives, in the order of its times.

        Parameters
        ----------
        frames : sequence of Frame
            As they leave the port, in order.
        channel : Channel
            Its state in this block.
        """
        arrived: list[Frame] = []
        for transmission in _transmissions(frames):
            late_ns = channel.delay_ns + round(self._random.exponential(1.0) * channel.jitter_ns)
            sent = self._send(transmission, channel)
            arrived += self._receive(sent, channel, late_ns)
            if channel.repeater and sent:
                self._free_ns += _REPEATER_PAUSE_NS
                copies = [Frame(self._free_ns, frame.data) for frame in sent]
                again = self._send(copies, replace(channel, buffer_bytes=1 << 30))
                arrived += self._receive(again, channel, late_ns)
        return arrived

    def _send(self, frames: Sequence[Frame], channel: Channel) -> list[Frame]:
        """Put a transmission on the air; give the frames that fit, with the times of their end."""
        sent: list[Frame] = []
        for frame in frames:
            waiting_ns = max(self._free_ns - frame.utc_ns, 0)
            if waiting_ns / channel.byte_ns + len(frame.data) > channel.buffer_bytes:
                continue
            begin_ns = self._free_ns
            if frame.utc_ns > self._free_ns:  # the channel was idle
                begin_ns = frame.utc_ns + (0 if sent else channel.keying_ns)
            self._free_ns = begin_ns + round(len(frame.data) * channel.byte_ns)
            sent.append(Frame(self._free_ns, frame.data))
        return sent

    def _receive(self, sent: Iterable[Frame], channel: Channel, late_ns: int) -> Iterator[Frame]:
        """Give what a receiver of the radio hands on."""
        for frame in sent:
            data = frame.data
            air_ns = round(len(data) * channel.byte_ns)
            if self._is_busy(frame.utc_ns - air_ns, frame.utc_ns, channel.busy_share):
                garbage = int(self._random.integers(1, _MOST_GARBAGE))
                if self._random.random() >= _GARBAGE_CHANCE:
                    continue
                data = self._foreign(garbage)
            elif len(data) > channel.longest_bytes:
                continue
            else:
                data = damage(data, channel.bit_error_rate, self._random)
            if channel.foreign_share:
                mean = len(data) * channel.foreign_share / (1.0 - channel.foreign_share)
                data += self._foreign(int(self._random.poisson(mean)))
            self._last_ns = max(self._last_ns, frame.utc_ns + late_ns)
            yield Frame(self._last_ns, data)

    def _foreign(self, count: int) -> bytes:
        """Give bytes of somebody else, none of them a preamble."""
        octets = self._random.integers(0, 255, count, np.uint8)
        octets[octets >= PREAMBLE] += 1
        return octets.tobytes()

    def _is_busy(self, begin_ns: int, end_ns: int, share: float) -> bool:
        """Tell whether others talk at any time of an interval."""
        if not share:
            self._busy.clear()
            return False
        if not self._busy or self._busy[-1][1] < begin_ns - 60 * NS_PER_SECOND:
            self._busy = [(begin_ns, begin_ns)]
        mean_pause_s = _MEAN_BURST_S * (1.0 - share) / share
        while self._busy[-1][1] < end_ns:
            pause_s, burst_s = self._random.exponential((mean_pause_s, _MEAN_BURST_S)).tolist()
            starts_ns = self._busy[-1][1] + round(pause_s * NS_PER_SECOND)
            self._busy.append((starts_ns, starts_ns + round(burst_s * NS_PER_SECOND)))
        self._busy = [burst for burst in self._busy if burst[1] >= begin_ns] or self._busy[-1:]
        return any(starts < end_ns and ends > begin_ns for starts, ends in self._busy)


def _transmissions(frames: Sequence[Frame]) -> Iterator[list[Frame]]:
    """Group frames that leave the port close together."""
    group: list[Frame] = []
    for frame in frames:
        if group and frame.utc_ns - group[-1].utc_ns > SAME_TRANSMISSION_NS + _own_ns(frame):
            yield group
            group = []
        group.append(frame)
    if group:
        yield group


def _own_ns(frame: Frame) -> int:
    """Give the most time that a frame itself takes on a slow line (9600 baud)."""
    return len(frame.data) * 10 * NS_PER_SECOND // 9600


def misread(data: bytes, ratio: float) -> bytes:
    """Read bytes off a serial line at the wrong rate.

    Parameters
    ----------
    data : bytes
        As sent: a start bit at 0, eight bits from the least, a stop bit at 1.
    ratio : float
        Rate of the reader by the rate of the sender.

    Returns
    -------
    bytes
        What the reader makes of the levels on the line: from each falling edge it samples the
        middles of the next eight of its own bits, stop bit or not.

    Examples
    --------
    >>> misread(b"GNSS", 1.0), misread(b"GNSS", 2.0) == b"GNSS"
    (b'GNSS', False)
    """
    octets = np.frombuffer(data, np.uint8)
    frame = np.ones((len(octets), 10), np.uint8)
    frame[:, 0] = 0
    frame[:, 1:9] = np.unpackbits(octets[:, None], axis=1, bitorder="little")
    levels: npt.NDArray[np.uint8] = np.append(frame.reshape(-1), 1)
    edges = np.flatnonzero((levels[1:] == 0) & (levels[:-1] == 1)) + 1
    starts = [0.0, *edges.tolist()]
    read = bytearray()
    free_at = 0.0
    middles = (np.arange(8) + 1.5) / ratio
    for start in starts:
        if start < free_at:
            continue
        places = np.minimum((start + middles).astype(np.int64), len(levels) - 1)
        read += np.packbits(levels[places], bitorder="little").tobytes()
        free_at = start + 9.5 / ratio
    return bytes(read)


_GARBLE_NOTHING = 1.0


@dataclass(frozen=True, slots=True)
class Listener:
    """The computer that listens: its serial line and its clock.

    Attributes
    ----------
    ratio : float
        Rate it reads at by the rate that is sent; 1 is right.
    clock_ns : int
        How far its clock is ahead.
    """

    ratio: float = _GARBLE_NOTHING
    clock_ns: int = 0

    def hear(self, frame: Frame) -> Frame:
        """Give a frame as the computer notes it."""
        data = frame.data if self.ratio == _GARBLE_NOTHING else misread(frame.data, self.ratio)
        return Frame(frame.utc_ns + self.clock_ns, data)


def listener_of(active: Mapping[str, Fault]) -> Listener:
    """Give the state of the listening computer while some faults act."""
    ratio, clock_s = _GARBLE_NOTHING, 0.0
    if "wrong-baud" in active:
        ratio = active["wrong-baud"].number
    if "clock-off" in active:
        clock_s += active["clock-off"].number
    if "wrong-date" in active:
        clock_s -= active["wrong-date"].number * 86_400.0
    return Listener(ratio, round(clock_s * NS_PER_SECOND))
