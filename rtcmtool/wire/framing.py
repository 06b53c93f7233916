"""Find the frames of a byte stream, and account for every byte that is in none.

A frame on the wire (from memory of RTCM 10403.x, transport layer):

    D3 | 6 zero bits | 10 bits length n | n bytes message | 3 bytes CRC-24Q

A candidate is a frame only if its CRC holds. Behind a frame the search goes on after it, behind a
failed candidate one byte after its preamble. The result does not depend on how the input is sliced:
an incomplete candidate is given up only by `finish`, and nothing behind it is handed out before.
"""

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from rtcmtool.wire.crc import crc24q

PREAMBLE = 0xD3
FRAME_OVERHEAD = 6  # preamble, reserved bits and length, CRC; bytes
LONGEST_FRAME = 1023 + FRAME_OVERHEAD  # bytes


class RejectReason(Enum):
    """Why bytes are no usable frame."""

    CRC = "crc"  # a whole candidate whose check sum fails
    NOISE = "noise"  # bytes between frames
    TRUNCATED = "truncated"  # the input ended inside a frame
    LAYOUT = "layout"  # a valid frame that is impossible for its message number


@dataclass(frozen=True, slots=True)
class Reject:
    """A run of bytes that is no usable frame.

    Attributes
    ----------
    offset : int
        Byte of the stream where it begins.
    length : int
        All bytes that it covers.
    reason : RejectReason
        What is wrong with them.
    number : int or None
        Message number behind the preamble, as far as it can be read; damaged frames may lie.
    detail : str
        More, for people.
    """

    offset: int
    length: int
    reason: RejectReason
    number: int | None = None
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Frame:
    """A frame whose CRC holds: offset of its preamble in the stream, and all its bytes."""

    offset: int
    data: bytes

    @property
    def message(self) -> bytes:
        """Bytes of the message: no preamble, no length, no CRC."""
        return self.data[3:-3]

    @property
    def number(self) -> int | None:
        """Message number, or None for a message of less than two bytes."""
        data = self.data
        return (data[3] << 4) | (data[4] >> 4) if len(data) >= FRAME_OVERHEAD + 2 else None


@dataclass(frozen=True, eq=False, slots=True)
class FrameBlock:
    """What one call of the scanner found.

    Attributes
    ----------
    data : bytes
        A piece of the stream.
    offset : int
        Byte of the stream where `data` begins.
    starts, lengths : ndarray of int64, shape (n_frames,)
        Where frames begin in `data`, and their whole length.
    rejects : list of Reject
        In order; offsets are those of the stream.
    decided : int
        Offset of the stream before which every byte is known to be in a frame or in none.
    """

    data: bytes
    offset: int
    starts: npt.NDArray[np.int64]
    lengths: npt.NDArray[np.int64]
    rejects: list[Reject]
    decided: int

    def __len__(self) -> int:
        return len(self.starts)

    def frames(self) -> Iterator[Frame]:
        """Give the frames one by one."""
        for start, length in zip(self.starts.tolist(), self.lengths.tolist(), strict=True):
            yield Frame(self.offset + start, self.data[start : start + length])


class FrameScanner:
    """Finds frames in a stream that comes in pieces of any size.

    Attributes
    ----------
    position : int
        Bytes of the stream fed so far.
    """

    def __init__(self) -> None:
        self.position = 0
        self._rest = b""  # from the first undecided byte on
        self._need = 0  # bytes that the undecided candidate asks for
        self._reported = 0  # stream offset of the first byte not handed out yet
        self._failures: deque[_Failure] = deque()

    @property
    def pending(self) -> int:
        """Bytes held back because a frame that they may begin is not complete yet."""
        return len(self._rest)

    @property
    def open_bytes(self) -> int:
        """Bytes behind the last frame that are decided to be none, not handed out yet."""
        return self.position - len(self._rest) - self._reported

    def feed(self, data: bytes) -> FrameBlock:
        """Take the next bytes of the stream; give what is now certain.

        Parameters
        ----------
        data : bytes
            Any number of bytes.

        Returns
        -------
        FrameBlock
            Frames that are complete, and the rejects that have ended. A run of noise stays open
            until a frame, a failed candidate or `finish` ends it.
        """
        self.position += len(data)
        if self._rest:
            data = self._rest + data
            if len(data) < self._need:  # do not look again at a tail that cannot be decided
                self._rest = data
                at = self.position - len(data)
                return FrameBlock(b"", at, _NONE, _NONE, [], at)
        base = self.position - len(data)
        starts, ends, stop, self._need = self._scan(data, base, 0, self._reported)
        self._rest = data[stop:]
        block = self._block(data, base, starts, ends, base + stop)
        self._flush(base + stop, block.rejects)
        return block

    def finish(self) -> FrameBlock:
        """Tell that nothing more comes; give what the held-back bytes hold.

        Returns
        -------
        FrameBlock
            The last frames and rejects. Together with all blocks before, frames and rejects cover
            each byte of the stream once. The scanner can be fed on: a new piece then begins.
        """
        data, base = self._rest, self.position - len(self._rest)
        self._rest, self._need = b"", 0
        starts: list[int] = []
        ends: list[int] = []
        cuts: list[int] = []  # candidates that the end of the input cuts
        at = 0
        while at < len(data):
            behind = base + ends[-1] if ends else self._reported
            more_starts, more_ends, stop, _ = self._scan(data, base, at, behind)
            starts += more_starts
            ends += more_ends
            if stop < len(data):
                cuts.append(base + stop)
            at = stop + 1
        block = self._block(data, base, starts, ends, self.position)
        cut = next(
            (
                cut
                for cut in cuts
                if cut >= self._reported
                and not any(failure.begin <= cut < failure.end for failure in self._failures)
            ),
            None,
        )
        if cut is not None:
            self._failures = deque(f for f in self._failures if f.begin < cut)
        self._close_gap(self.position if cut is None else cut, block.rejects)
        if cut is not None:
            number = _number_behind(data, cut - base)
            length = self.position - cut
            block.rejects.append(Reject(cut, length, RejectReason.TRUNCATED, number))
        self._reported = self.position
        return block

    def _scan(
        self, data: bytes, base: int, at: int, behind: int
    ) -> tuple[list[int], list[int], int, int]:
        """Give starts and ends of frames, the first undecided byte, and the bytes it needs.

        `behind` is the stream offset behind the last frame before `at`.
        """
        starts: list[int] = []
        ends: list[int] = []
        crc, find, size = crc24q, data.find, len(data)
        need = 0
        while at < size:
            if data[at] != PREAMBLE:
                at = find(b"\xd3", at)
                if at < 0:
                    at = size
                    break
            if at + 2 >= size:
                if at + 1 < size and data[at + 1] > 3:
                    at += 1
                    continue
                need = 3
                break
            high = data[at + 1]
            if high > 3:
                at += 1
                continue
            end = at + (high << 8 | data[at + 2]) + FRAME_OVERHEAD
            if end > size:
                need = end - at
                break
            if crc(data[at:end]) == 0:
                starts.append(at)
                ends.append(end)
                at = end
                continue
            self._fail(data, base, at, end, base + ends[-1] if ends else behind)
            at += 1
        return starts, ends, at, need

    def _fail(self, data: bytes, base: int, at: int, end: int, behind: int) -> None:
        """Note a whole candidate whose CRC fails, unless an earlier one covers it."""
        if self._failures:
            last = self._failures[-1]
            if last.begin >= behind and base + at < last.end:
                return
        self._failures.append(_Failure(base + at, base + end, _number_behind(data, at)))

    def _block(
        self, data: bytes, base: int, starts: list[int], ends: list[int], decided: int
    ) -> FrameBlock:
        if not starts:
            return FrameBlock(data, base, _NONE, _NONE, [], decided)
        first = np.array(starts, dtype=np.int64)
        last = np.array(ends, dtype=np.int64)
        rejects: list[Reject] = []
        before = np.concatenate((np.array([self._reported - base]), last[:-1]))
        for index in np.flatnonzero(first != before).tolist():
            self._reported = base + int(before[index])
            self._close_gap(base + starts[index], rejects)
        self._reported = base + ends[-1]
        return FrameBlock(data, base, first, last - first, rejects, decided)

    def _flush(self, decided: int, rejects: list[Reject]) -> None:
        """Hand out failed candidates that no frame can cut short any more."""
        while self._failures and self._failures[0].end <= decided:
            self._hand_out(self._failures.popleft(), decided, rejects)

    def _close_gap(self, end: int, rejects: list[Reject]) -> None:
        """Hand out everything between the last frame and `end`."""
        while self._failures and self._failures[0].begin < end:
            self._hand_out(self._failures.popleft(), end, rejects)
        if self._reported < end:
            rejects.append(Reject(self._reported, end - self._reported, RejectReason.NOISE))
        self._reported = end

    def _hand_out(self, failure: "_Failure", end: int, rejects: list[Reject]) -> None:
        if self._reported < failure.begin:
            length = failure.begin - self._reported
            rejects.append(Reject(self._reported, length, RejectReason.NOISE))
        till = min(failure.end, end)
        length = till - failure.begin
        rejects.append(Reject(failure.begin, length, RejectReason.CRC, failure.number))
        self._reported = till


class _Failure(NamedTuple):
    """A whole candidate whose CRC fails: stream offsets, and the number it claims."""

    begin: int
    end: int
    number: int | None


_NONE = np.zeros(0, dtype=np.int64)


def _number_behind(data: bytes, at: int) -> int | None:
    """Read the message number behind a preamble, where there are bytes enough for one."""
    if at + 5 > len(data) or (data[at + 1] == 0 and data[at + 2] < 2):
        return None
    return data[at + 3] << 4 | data[at + 4] >> 4
