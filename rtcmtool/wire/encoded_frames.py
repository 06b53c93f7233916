"""Frames of many messages at once: their heads, their bits, their check sums.

`FrameCanvas` knows where each frame of a set begins and writes heads and repeated groups into all
of them at once; what the fields mean is the business of `observation_encoding` and
`legacy_encoding`.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt

from rtcmtool.errors import EncodeError
from rtcmtool.gnss import time as gnss_time
from rtcmtool.wire.columns import BitCanvas
from rtcmtool.wire.crc import crc24q
from rtcmtool.wire.framing import FRAME_OVERHEAD, PREAMBLE
from rtcmtool.wire.layout import Field, Group, Order

Integers = npt.NDArray[np.int64]
Numbers = int | npt.NDArray[np.integer[Any]]
Floats = npt.NDArray[np.float64]

_HEADER_BITS = 24  # preamble, reserved bits, length
_CRC_BYTES = 3
_WORD_BITS = 64  # fields that adjoin are written together, up to this width


@dataclass(frozen=True, eq=False, slots=True)
class MessageHeads:
    """What the heads of observation messages say: one entry an epoch.

    All but `epoch_ms` are numbers for every epoch, or arrays of shape (n,). What a message type
    does not carry is left out there.

    Attributes
    ----------
    epoch_ms : ndarray of int64, shape (n,)
        Epoch field as sent: ms of the GPS or BeiDou week, or of the GLONASS day.
    station : int or ndarray
        0 to 4095.
    day_of_week : int or ndarray
        GLONASS MSM: 0 Sunday to 6 Saturday, 7 unknown.
    more_follow : int or ndarray
        Multiple-message bit of an MSM, synchronous flag of a legacy message: 1 while another
        message of this epoch follows.
    iods, clock_steering, external_clock, divergence_free_smoothing, smoothing_interval
        Fields of these names, raw.
    """

    epoch_ms: Integers
    station: Numbers = 0
    day_of_week: Numbers = 7
    more_follow: Numbers = 0
    iods: Numbers = 0
    clock_steering: Numbers = 0
    external_clock: Numbers = 0
    divergence_free_smoothing: Numbers = 0
    smoothing_interval: Numbers = 0

    def __len__(self) -> int:
        return len(self.epoch_ms)

    @classmethod
    def at(
        cls,
        system: str,
        gps_ms: Integers,
        *,
        leap_seconds: int | None = None,
        station: Numbers = 0,
        more_follow: Numbers = 0,
    ) -> "MessageHeads":
        """Make heads for epochs of GPS time.

        Parameters
        ----------
        system : str
            RINEX letter: it decides the time scale of the epoch field.
        gps_ms : ndarray of int64, shape (n,)
            GPS time, ms since 1980-01-06.
        leap_seconds : int, optional
            GPS time minus UTC, s; by default that of the table.
        station, more_follow
            As the attributes.
        """
        day: Numbers = 7
        if system == "R":
            pairs = [
                gnss_time.glonass_day_and_ms(time, leap_seconds=leap_seconds)
                for time in gps_ms.tolist()
            ]
            days_and_ms = np.array(pairs, np.int64).reshape(-1, 2)
            day, epoch_ms = days_and_ms[:, 0], days_and_ms[:, 1]
        elif system == "C":
            epoch_ms = (gps_ms - gnss_time.BDT_BEHIND_GPS_MS) % gnss_time.MS_PER_WEEK
        else:
            epoch_ms = gps_ms % gnss_time.MS_PER_WEEK
        return cls(epoch_ms, station, day, more_follow)

    def values(self, epoch: Integers) -> dict[str, Numbers]:
        """Give the fields by name for messages of the given epochs (indices, shape (m,))."""
        found: dict[str, Numbers] = {}
        for part in fields(self):
            value = getattr(self, part.name)
            if isinstance(value, np.ndarray):
                found[part.name] = value.astype(np.int64)[epoch]
            else:
                found[part.name] = int(value)
        return found


@dataclass(frozen=True, eq=False, slots=True)
class EncodedFrames:
    """Frames, ready to be sent.

    Attributes
    ----------
    data : bytes
        All frames behind each other.
    starts, lengths : ndarray of int64, shape (m,)
        First byte and bytes of each frame.
    epoch : ndarray of int64, shape (m,)
        Index of its epoch in the heads it was made from, rising.
    """

    data: bytes
    starts: Integers
    lengths: Integers
    epoch: Integers

    def __len__(self) -> int:
        return len(self.starts)

    def frames(self) -> Iterator[bytes]:
        """Give the frames one by one."""
        for start, length in zip(self.starts.tolist(), self.lengths.tolist(), strict=True):
            yield self.data[start : start + length]


def interleave(parts: Sequence[EncodedFrames]) -> bytes:
    """Put frames of several messages into the order of their epochs.

    Parameters
    ----------
    parts : sequence of EncodedFrames
        Made from heads of the same epochs; within an epoch their order is kept.

    Returns
    -------
    bytes
        A stream: the first epoch of each part, then the second, ...
    """
    frames = [frame for part in parts for frame in part.frames()]
    epochs = [part.epoch for part in parts]
    order = np.argsort(np.concatenate(epochs), kind="stable") if epochs else ()
    return b"".join([frames[index] for index in order])


def quantised(field: Field, values: npt.NDArray[np.floating[Any]]) -> Integers:
    """Give the nearest raw integers of values; the invalid mark for NaN and what does not fit.

    Parameters
    ----------
    field : Field
        A field with an invalid value.
    values : ndarray of float64 or float32, shape (n,)
        In the unit of the field.

    Returns
    -------
    ndarray of int64, shape (n,)
        Raw values.
    """
    per_unit, least, most, invalid = _limits(field)
    steps = values * per_unit
    np.rint(steps, out=steps)
    steps[~((steps >= least) & (steps <= most))] = invalid
    return steps.astype(np.int64)


@cache
def _limits(field: Field) -> tuple[float, int, int, int]:
    """Give steps a unit, the least and the greatest raw value that is none, and the mark."""
    assert field.invalid is not None, field.name
    least = field.lowest + (field.invalid == field.lowest)
    return float(1 / field.scale), least, field.highest, field.invalid


@cache
def plain_fields(group: Group) -> dict[str, Field]:
    """Give the fields of a group by name, in wire order."""
    return {part.name: part for part in group.fields}


def firsts(counts: Integers) -> Integers:
    """Give the index of the first element of each message in a list of all elements."""
    return np.cumsum(counts) - counts


class FrameCanvas:
    """The frames of a set of messages, to be filled.

    Parameters
    ----------
    message_bits : ndarray of int64, shape (m,)
        Bits of each message; at most 8184, what a frame holds.
    """

    def __init__(self, message_bits: Integers) -> None:
        self._message_bytes = (message_bits + 7) // 8
        self._lengths = self._message_bytes + FRAME_OVERHEAD
        self._starts = firsts(self._lengths)
        self._canvas = BitCanvas(8 * int(self._lengths.sum()))
        self.message_at = 8 * self._starts + _HEADER_BITS

    def put_head(self, head: Sequence[Field], values: Mapping[str, Numbers]) -> None:
        """Write preamble, length and the first fields of every message.

        Parameters
        ----------
        head : sequence of Field
            Fields from the message number on.
        values : mapping
            Raw values by field name, for all messages or of shape (m,); 0 where missing.

        Raises
        ------
        EncodeError
            If a value does not fit its field.
        """
        begin = (PREAMBLE << 16) | self._message_bytes
        run: list[tuple[int, Numbers]] = [(_HEADER_BITS, begin)]
        for part in head:
            value = values.get(part.name, 0)
            _check(part, value)
            run.append((part.bits, value))
        self._put_run(8 * self._starts, run)

    def put_ones(self, offsets: Integers) -> None:
        """Set single bits to one; offsets are counted as `message_at` is."""
        self._canvas.put(offsets, 1, np.ones(len(offsets), np.uint64))

    def put_group(
        self, group: Group, begin: Integers, counts: Integers, values: Mapping[str, Integers]
    ) -> None:
        """Write a group of plain fields into all messages.

        Parameters
        ----------
        group : Group
            Its fields and their order.
        begin : ndarray of int64, shape (m,)
            Where the group begins in each message; counted as `message_at` is.
        counts : ndarray of int64, shape (m,)
            Repetitions in each message.
        values : mapping
            Raw values by field name that fit, in the order of the messages, shape (sum of counts,).
        """
        first = firsts(counts)
        size = int(counts.sum())
        if group.order is Order.ROW_BY_ROW:
            bits = sum(part.bits for part in plain_fields(group).values())
            offsets = np.repeat(begin - bits * first, counts)
            offsets += np.arange(0, bits * size, bits)
            parts = plain_fields(group).items()
            self._put_run(offsets, [(part.bits, values[name]) for name, part in parts])
            return
        before = 0
        for name, part in plain_fields(group).items():
            offsets = np.repeat(begin + before * counts - part.bits * first, counts)
            offsets += np.arange(0, part.bits * size, part.bits)
            self._canvas.put(offsets, part.bits, values[name])
            before += part.bits

    def _put_run(self, offsets: Integers, run: list[tuple[int, Numbers]]) -> None:
        """Write fields that adjoin, as few wide ones."""
        at = width = 0
        word: int | npt.NDArray[Any] = 0
        for bits, value in [*run, (_WORD_BITS, 0)]:  # the last only drives the rest out
            if width + bits > _WORD_BITS:
                words = np.broadcast_to(np.asarray(word, np.uint64), offsets.shape)
                self._canvas.put(offsets + at, width, words)
                at, width, word = at + width, 0, 0
            pattern = value & ((1 << bits) - 1)
            if isinstance(pattern, np.ndarray):
                pattern = pattern.view(np.uint64)
            word = (word << bits) | pattern if width else pattern
            width += bits

    def finish(self, epoch: Integers) -> EncodedFrames:
        """Add the check sums; nothing can be written any more.

        Parameters
        ----------
        epoch : ndarray of int64, shape (m,)
            Epoch of each message.
        """
        data = self._canvas.tobytes()
        starts, lengths = self._starts, self._lengths
        ends = starts + lengths - _CRC_BYTES
        crc = crc24q
        sums = [crc(data[a:b]) for a, b in zip(starts.tolist(), ends.tolist(), strict=True)]
        octets = np.array(sums, ">u4").view(np.uint8).reshape(-1, 4)[:, 1:]
        whole = np.frombuffer(bytearray(data), np.uint8)
        whole[ends[:, None] + np.arange(_CRC_BYTES)] = octets
        return EncodedFrames(whole.tobytes(), starts, lengths, epoch)


def _check(part: Field, value: Numbers) -> None:
    if isinstance(value, int):
        least = most = value
    elif not len(value):
        return
    else:
        least, most = int(value.min()), int(value.max())
    if least < part.lowest or most > part.highest:
        wrong = least if least < part.lowest else most
        raise EncodeError(f"{part.name}: {wrong} does not fit {part.lowest} to {part.highest}")
