"""Frames to columns and records: what the rest of the tool works on.

Observation messages of a block become columns at once (`Batch.observations`); every other message
becomes a `Message` with its record. Which week it is, is kept from block to block in a
`TimeReference`; nothing else is remembered.
"""

from dataclasses import dataclass, field
from functools import cache

import numpy as np
import numpy.typing as npt

from rtcmtool.wire.catalogue import (
    LAYOUTS,
    LEGACY_NUMBERS,
    MSM_NUMBERS,
    SUBTYPES,
)
from rtcmtool.wire.columns import BitBlock
from rtcmtool.wire.epochs import (
    Origin,
    Scale,
    Timeline,
    TimeReference,
    scale_of,
    time_of_day_message,
    time_of_ephemeris,
)
from rtcmtool.wire.framing import FRAME_OVERHEAD, FrameBlock, Reject, RejectReason
from rtcmtool.wire.layout import Field, Layout, Record
from rtcmtool.wire.legacy_columns import LegacyResult, decode_legacy
from rtcmtool.wire.msm_columns import MsmResult, decode_msm
from rtcmtool.wire.observations import Observations, join
from rtcmtool.wire.records import ImpossibleMessageError, read_record, value_of, values_of

Integers = npt.NDArray[np.int64]

NONE = -1  # in the integer columns of a batch: the message has no such thing


@dataclass(frozen=True, slots=True)
class Message:
    """A message that is no observation, read by its layout.

    Attributes
    ----------
    frame : int
        Index in its batch.
    layout : Layout
        Its layout.
    record : dict
        Raw content.
    """

    frame: int
    layout: Layout
    record: Record = field(repr=False)

    @property
    def values(self) -> Record:
        """Values with units, as shown under `fields`."""
        return values_of(self.layout, self.record)

    def value(self, name: str) -> object:
        """Give the value of one plain field, also of those shown at the top."""
        part = next(p for p in self.layout.parts if p.name == name and isinstance(p, Field))
        return value_of(part, self.record[name])


@dataclass(frozen=True, eq=False, slots=True)
class Batch:
    """Everything that a block of a stream holds.

    Attributes
    ----------
    block : FrameBlock
        The bytes, and where frames and rejects lie. Frames that contradict their layout are among
        the rejects, not among the frames.
    number, station : ndarray of int64, shape (n_frames,)
        Message number and station; -1 where the message has none.
    epoch_ms : ndarray of int64, shape (n_frames,)
        Epoch field in ms, as sent; -1 where there is none.
    gps_ms : ndarray of int64, shape (n_frames,)
        GPS time, ms since 1980-01-06; -1 where there is none or the week is unknown.
    timeline_ms : ndarray of int64, shape (n_frames,)
        As `gps_ms`, but also while the week is unknown: an assumed week then stands in, so that
        differences are true; -1 where there is no epoch.
    arrival_utc_ns : ndarray of int64, shape (n_frames,)
        When the last byte of each frame arrived; -1 where that is not known.
    more_follow : ndarray of int8, shape (n_frames,)
        Multiple-message or synchronous flag of observations: 1 more of the epoch follows, 0 this
        was the last, -1 no observation message.
    observations : Observations
        A row a satellite and signal.
    messages : list of Message
        All others that have a layout, in order.
    channels : ndarray of int64, shape (n, 3)
        GLONASS frequency channels told: frame, slot, channel.
    """

    block: FrameBlock
    number: Integers
    station: Integers
    epoch_ms: Integers
    gps_ms: Integers
    timeline_ms: Integers
    arrival_utc_ns: Integers
    more_follow: npt.NDArray[np.int8]
    observations: Observations
    messages: list[Message]
    channels: Integers

    @property
    def rejects(self) -> list[Reject]:
        """Runs of bytes that are no usable frame, in order."""
        return self.block.rejects

    def __len__(self) -> int:
        return len(self.number)


@dataclass(frozen=True, slots=True)
class _HeadShape:
    """Bit offset and width of the fields of an observation message's head."""

    epoch: tuple[int, int]
    more_follow: int
    day_of_week: int | None
    scale: int
    bits: int


@cache
def _head_shape(number: int) -> _HeadShape:
    layout = LAYOUTS[number]
    at = {part.name: (offset, part.bits) for part, offset in layout.field_offsets()}
    flag = at.get("multiple_message") or at["synchronous_gnss"]
    day = at.get("day_of_week")
    scale = list(Scale).index(scale_of(number, layout.system))
    last = max(offset + bits for offset, bits in at.values())
    return _HeadShape(at["epoch_ms"], flag[0], day[0] if day else None, scale, last)


class Decoder:
    """Turns blocks of frames into batches.

    Parameters
    ----------
    reference : TimeReference, optional
        What is known of the time; by default nothing. It is carried on from block to block.
    """

    def __init__(self, reference: TimeReference | None = None) -> None:
        self.reference = reference if reference is not None else TimeReference()
        self.timeline = Timeline()

    def decode(self, block: FrameBlock, arrival_utc_ns: Integers | None = None) -> Batch:
        """Decode all frames of a block.

        Parameters
        ----------
        block : FrameBlock
            What the scanner found.
        arrival_utc_ns : ndarray of int64, shape (n_frames,), optional
            When the last byte of each frame arrived; -1 where that is not known.

        Returns
        -------
        Batch
            Columns, records and rejects.
        """
        if arrival_utc_ns is None:
            arrival_utc_ns = np.full(len(block), NONE, np.int64)
        elif len(block) and arrival_utc_ns[0] != NONE:
            self.reference.arrive(int(arrival_utc_ns[0]))
        return _Work(block, self.reference, self.timeline, arrival_utc_ns).batch()


class _Work:
    """One block on its way to a batch."""

    def __init__(
        self,
        block: FrameBlock,
        reference: TimeReference,
        timeline: Timeline,
        arrival_utc_ns: Integers,
    ) -> None:
        self.block, self.reference, self.timeline = block, reference, timeline
        self.arrival_utc_ns = arrival_utc_ns
        size = len(block)
        self.bits = BitBlock(block.data) if size else BitBlock(b"")
        self.starts = block.starts + 3
        self.sizes = block.lengths - FRAME_OVERHEAD
        head = self.bits.unsigned(8 * self.starts, 24).view(np.int64)
        self.number = np.where(self.sizes >= 2, head >> 12, NONE)
        self.station = np.full(size, NONE, np.int64)
        self.epoch_ms = np.full(size, NONE, np.int64)
        self.gps_ms = np.full(size, NONE, np.int64)
        self.more_follow = np.full(size, NONE, np.int8)
        self.days = np.full(size, 7, np.int64)
        self.scales = np.zeros(size, np.int64)
        self.head_station = head & 0xFFF
        self.impossible: dict[int, str] = {}
        self.parts: list[MsmResult | LegacyResult] = []
        self.messages: list[Message] = []

    def batch(self) -> Batch:
        self._other_messages(self._observation_messages())
        self._place_in_order()
        self.timeline_ms = self._on_timeline()
        return self._assembled()

    def _observation_messages(self) -> Integers:
        """Decode the observations; give the indices of the other frames."""
        if not len(self.number):
            return np.zeros(0, np.int64)
        order = np.argsort(self.number, kind="stable")
        numbers, first = np.unique(self.number[order], return_index=True)
        others: list[Integers] = []
        by_type: dict[int, list[Integers]] = {}
        for number, frames in zip(numbers.tolist(), np.split(order, first[1:]), strict=True):
            if number in MSM_NUMBERS:
                by_type.setdefault(number % 10, []).append(frames)
                self._head(number, frames)
            elif number in LEGACY_NUMBERS:
                result = decode_legacy(
                    self.bits, number, self.starts[frames], self.sizes[frames], frames
                )
                self._keep(result, frames)
                self._head(number, frames)
            else:
                others.append(frames)
        for kind, groups in sorted(by_type.items()):
            frames = np.sort(np.concatenate(groups)) if len(groups) > 1 else groups[0]
            self._keep(
                decode_msm(
                    self.bits, kind, self.starts[frames], self.sizes[frames],
                    self.number[frames], frames,
                ),
                frames,
            )  # fmt: skip
        return np.sort(np.concatenate(others)) if others else np.zeros(0, np.int64)

    def _keep(self, result: MsmResult | LegacyResult, frames: Integers) -> None:
        self.parts.append(result)
        for frame in frames[result.impossible].tolist():
            self.impossible[frame] = "shorter than its layout, or more than 64 cells"

    def _head(self, number: int, frames: Integers) -> None:
        shape = _head_shape(number)
        frames = frames[8 * self.sizes[frames] >= shape.bits]
        at = 8 * self.starts[frames]
        offset, width = shape.epoch
        self.station[frames] = self.head_station[frames]
        self.epoch_ms[frames] = self.bits.unsigned(at + offset, width).view(np.int64)
        self.more_follow[frames] = self.bits.unsigned(at + shape.more_follow, 1)
        if shape.day_of_week is not None:
            self.days[frames] = self.bits.unsigned(at + shape.day_of_week, 3).view(np.int64)
        self.scales[frames] = shape.scale

    def _other_messages(self, frames: Integers) -> None:
        """Read all other messages, and what they tell of the time."""
        data, starts, sizes = self.block.data, self.starts.tolist(), self.sizes.tolist()
        for frame in frames.tolist():
            message = data[starts[frame] : starts[frame] + sizes[frame]]
            layout = layout_of(message)
            if layout is None:
                continue
            try:
                record = read_record(layout, message)
            except ImpossibleMessageError as error:
                self.impossible[frame] = str(error)
                continue
            self.messages.append(Message(frame, layout, record))
            self.station[frame] = record.get("station", NONE)
            part = _field(layout, "epoch_s")
            if part is not None:
                self.epoch_ms[frame] = int(record["epoch_s"] * part.scale * 1000)
                scale = scale_of(layout.number, layout.system, layout.subtype)
                self.scales[frame] = list(Scale).index(scale)

    def _place_in_order(self) -> None:
        """Give every epoch its GPS time; what a message tells serves those behind it."""
        frames = np.flatnonzero(self.epoch_ms != NONE)
        begin = 0
        for message in self.messages:
            told = self._told(message)
            if told is None:
                continue
            end = int(np.searchsorted(frames, message.frame))
            self._place(frames[begin:end])
            begin = end
            gps_ms, origin, leap_seconds = told
            self.reference.leap_seconds = leap_seconds
            self.reference.learn(gps_ms, origin)
        self._place(frames[begin:])

    def _on_timeline(self) -> Integers:
        """Place all epochs on one axis, in an assumed week while the true one is unknown."""
        placed = np.full(len(self.number), NONE, np.int64)
        frames = np.flatnonzero(self.epoch_ms != NONE)
        placed[frames] = self.timeline.place_all(
            self.scales[frames], self.epoch_ms[frames], self.days[frames], self.gps_ms[frames]
        )
        return placed

    def _place(self, frames: Integers) -> None:
        self.gps_ms[frames] = self.reference.place_all(
            self.scales[frames], self.epoch_ms[frames], self.days[frames]
        )

    def _told(self, message: Message) -> tuple[int, Origin, int | None] | None:
        """Give what a message tells of the time, if that is news to the reference."""
        reference, record = self.reference, message.record
        leap_seconds = reference.leap_seconds
        if message.layout.number in (1013, 1029):
            if record.get("leap_seconds", 255) != 255:
                leap_seconds = record["leap_seconds"]
            gps_ms = time_of_day_message(record, leap_seconds)
            if gps_ms < 0:  # a clock that was never set, such as day 0
                return None
            self.gps_ms[message.frame] = gps_ms
            origin = Origin.MESSAGE
        elif reference.gps_ms is None and "week" in record:
            toe = _field(message.layout, "toe_s")
            assert toe is not None
            toe_s = value_of(toe, record["toe_s"])
            told = time_of_ephemeris(message.layout, record["week"], toe_s)
            if told is None:
                return None
            gps_ms, origin = told, Origin.EPHEMERIS
        else:
            return None
        if reference.gps_ms is not None and leap_seconds == reference.leap_seconds:
            return None
        return gps_ms, origin, leap_seconds

    def _assembled(self) -> Batch:
        block, rejects = self.block, self.block.rejects
        observations = join([part.observations for part in self.parts if len(part.observations)])
        channels = np.concatenate(
            [np.zeros((0, 3), np.int64)]
            + [
                np.stack((part.channel_frame, part.channel_slot, part.channel), axis=1)
                for part in self.parts
            ]
        )
        columns = (
            self.number, self.station, self.epoch_ms, self.gps_ms, self.timeline_ms,
            self.arrival_utc_ns,
        )  # fmt: skip
        more_follow, messages = self.more_follow, self.messages
        if self.impossible:
            keep = np.ones(len(block), np.bool_)
            keep[list(self.impossible)] = False
            renumbered = np.cumsum(keep) - 1
            rejects = sorted([*rejects, *self._layout_rejects()], key=lambda r: r.offset)
            observations = observations.with_frames(renumbered[observations.frame].astype(np.int32))
            channels[:, 0] = renumbered[channels[:, 0]]
            messages = [Message(int(renumbered[m.frame]), m.layout, m.record) for m in messages]
            columns = tuple(column[keep] for column in columns)  # type: ignore[assignment]  # six
            more_follow = more_follow[keep]
            block = FrameBlock(
                block.data,
                block.offset,
                block.starts[keep],
                block.lengths[keep],
                rejects,
                block.decided,
            )
        return Batch(block, *columns, more_follow, observations, messages, channels)

    def _layout_rejects(self) -> list[Reject]:
        starts, lengths = self.block.starts, self.block.lengths
        return [
            Reject(
                self.block.offset + int(starts[frame]),
                int(lengths[frame]),
                RejectReason.LAYOUT,
                int(self.number[frame]),
                detail,
            )
            for frame, detail in self.impossible.items()
        ]


def _field(layout: Layout, name: str) -> Field | None:
    return next((p for p in layout.head if p.name == name), None)


def layout_of(message: bytes) -> Layout | None:
    """Give the layout of a message, or None where its number (or sub-type) has none.

    Parameters
    ----------
    message : bytes
        Message without frame.
    """
    if len(message) < 2:
        return None
    number = message[0] << 4 | message[1] >> 4
    if number != 4076:
        return LAYOUTS.get(number)
    if len(message) < 3:
        return None
    subtype = (message[1] << 8 | message[2]) >> 1 & 0xFF  # behind three bits of version
    return SUBTYPES.get((number, subtype))
