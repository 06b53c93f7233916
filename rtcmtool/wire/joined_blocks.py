"""Many small blocks decoded at once, and cut into their batches again.

What a call of the decoder costs is nearly the same for one frame as for hundreds. The batches are
those that the blocks would have given one after the other, as long as it makes no difference when
each has arrived: see `JoinedBlocks.is_near`.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss import time as gnss_time
from rtcmtool.wire.decoding import NONE, Batch, Decoder, Message
from rtcmtool.wire.framing import FrameBlock, Reject
from rtcmtool.wire.observations import Observations

Integers = npt.NDArray[np.int64]

# The arrival tells in which week, or on which day, an epoch lies: that which puts it within half a
# day. So near to the arrivals all of them tell the same.
NEAR_MS = 2 * 3_600_000


@dataclass(frozen=True, eq=False, slots=True)
class CutBatch(Batch):
    """The batch of one block, cut out of a larger one.

    Attributes
    ----------
    whole : Batch
        The larger one; its arrival times are known up to here.
    begin, end : int
        The frames of it that these are.
    """

    whole: Batch
    begin: int
    end: int


class JoinedBlocks:
    """Blocks of a stream that follow each other, decoded at once.

    Parameters
    ----------
    blocks : sequence of FrameBlock
        At least one.
    decoder : Decoder
        Stands in front of the first, and behind the last afterwards.
    arrivals : ndarray of int64, shape (n_frames,)
        Arrival times of all frames, about right (UTC, ns).

    Attributes
    ----------
    whole : Batch
        What all of them hold; its offsets count from the first block on.
    last_bytes : ndarray of int64, shape (n_frames,)
        Offset in the stream of the last byte of each frame of `whole`.
    """

    def __init__(self, blocks: Sequence[FrameBlock], decoder: Decoder, arrivals: Integers) -> None:
        self._blocks = blocks
        sizes = [len(block.data) for block in blocks]
        self._shifts = np.cumsum([0, *sizes[:-1]])
        self._less = np.array([block.offset for block in blocks], np.int64) - self._shifts
        counts = [len(block) for block in blocks]
        starts = np.concatenate([block.starts for block in blocks])
        starts = starts + np.repeat(self._shifts, counts)
        lengths = np.concatenate([block.lengths for block in blocks])
        data = b"".join(block.data for block in blocks)
        joined = FrameBlock(data, 0, starts, lengths, [], len(data))
        self.whole = decoder.decode(joined, arrivals)
        self._find_bounds()

    def _find_bounds(self) -> None:
        """Find where the batches of the blocks begin."""
        whole, places = self.whole, np.arange(len(self._blocks) + 1)
        starts = whole.block.starts
        # A block without frames may be empty: then it begins where the next one does.
        owner = np.searchsorted(self._shifts, starts, side="right") - 1
        bounds = np.searchsorted(owner, places)
        self._frames = bounds.tolist()
        self._rows = np.searchsorted(whole.observations.frame, bounds).tolist()
        told = [message.frame for message in whole.messages]
        self._messages = np.searchsorted(np.array(told, np.int64), bounds).tolist()
        told_by = owner[whole.channels[:, 0]]
        order = np.argsort(told_by, kind="stable")
        self._channels = whole.channels[order]
        self._channel_rows = np.searchsorted(told_by[order], places).tolist()
        self.last_bytes = starts + whole.block.lengths - 1 + self._less[owner]
        self._starts = starts - self._shifts[owner]
        self._columns = [
            getattr(whole.observations, column.name) for column in fields(Observations)
        ]
        self._rejects: dict[int, list[Reject]] = {}
        for reject in whole.block.rejects:
            place = int(np.searchsorted(self._shifts, reject.offset, side="right")) - 1
            there = replace(reject, offset=reject.offset + int(self._less[place]))
            self._rejects.setdefault(place, []).append(there)

    def __len__(self) -> int:
        return len(self._blocks)

    def is_near(self, utc_ns: int) -> bool:
        """Tell whether all epochs lie near a time of arrival (UTC, ns) of the blocks."""
        gps_ms = self.whole.gps_ms[self.whole.gps_ms != NONE]
        arrived_ms = gnss_time.gps_ms_from_utc_ns(utc_ns)
        return not len(gps_ms) or bool(np.abs(gps_ms - arrived_ms).max() <= NEAR_MS)

    def frames(self, place: int) -> slice:
        """Give the frames of `whole` that lie in a block."""
        return slice(self._frames[place], self._frames[place + 1])

    def batch(self, place: int) -> CutBatch:
        """Give the batch of a block; the arrival times are those of `whole` by now."""
        whole, here = self.whole, self.frames(place)
        begin, block = here.start, self._blocks[place]
        rejects = block.rejects
        if place in self._rejects:
            rejects = sorted([*rejects, *self._rejects[place]], key=lambda r: r.offset)
        cut = FrameBlock(
            block.data, block.offset, self._starts[here], whole.block.lengths[here], rejects,
            block.decided,
        )  # fmt: skip
        channels = self._channels[slice(*self._channel_rows[place : place + 2])]
        if len(channels):
            channels = channels - np.array((begin, 0, 0))
        return CutBatch(
            cut,
            *_frame_columns(whole, here),
            self._observations(place, begin),
            [
                Message(message.frame - begin, message.layout, message.record)
                for message in whole.messages[slice(*self._messages[place : place + 2])]
            ],
            channels,
            whole,
            begin,
            here.stop,
        )

    def _observations(self, place: int, begin: int) -> Observations:
        rows = slice(*self._rows[place : place + 2])
        frame, *rest = (column[rows] for column in self._columns)
        return Observations(frame - np.int32(begin), *rest)


def _frame_columns(
    whole: Batch, here: slice
) -> tuple[Integers, Integers, Integers, Integers, Integers, Integers, npt.NDArray[np.int8]]:
    """Give what a batch tells of some of its frames, in the order of `Batch`."""
    return (
        whole.number[here], whole.station[here], whole.epoch_ms[here], whole.gps_ms[here],
        whole.timeline_ms[here], whole.arrival_utc_ns[here], whole.more_follow[here],
    )  # fmt: skip


def joined_cuts(batches: Sequence[Batch]) -> list[Batch]:
    """Put batches that were cut from the same one together again, as far as they follow each other.

    Parameters
    ----------
    batches : sequence of Batch
        In the order of the stream.

    Returns
    -------
    list of Batch
        With the frames of the given ones, in order; rejects are left out.
    """
    runs: list[list[Batch]] = []
    for batch in batches:
        last = runs[-1][-1] if runs else None
        follows = (
            isinstance(batch, CutBatch)
            and isinstance(last, CutBatch)
            and batch.whole is last.whole
            and batch.begin == last.end
        )
        if follows:
            runs[-1].append(batch)
        else:
            runs.append([batch])
    return [_joined(run) for run in runs]


def _joined(run: Sequence[Batch]) -> Batch:
    first, last = run[0], run[-1]
    if len(run) == 1 or not (isinstance(first, CutBatch) and isinstance(last, CutBatch)):
        return first
    whole, here = first.whole, slice(first.begin, last.end)
    block = whole.block
    rows = slice(*np.searchsorted(whole.observations.frame, (here.start, here.stop)).tolist())
    frame, *rest = (getattr(whole.observations, c.name)[rows] for c in fields(Observations))
    channels = whole.channels
    told = channels[(channels[:, 0] >= here.start) & (channels[:, 0] < here.stop)]
    messages: list[Message] = []
    for batch in run:
        assert isinstance(batch, CutBatch)
        shift = batch.begin - here.start
        messages += (Message(m.frame + shift, m.layout, m.record) for m in batch.messages)
    return Batch(
        FrameBlock(block.data, 0, block.starts[here], block.lengths[here], [], block.decided),
        *_frame_columns(whole, here),
        Observations(frame - np.int32(here.start), *rest),
        messages,
        told - np.array((here.start, 0, 0)),
    )
