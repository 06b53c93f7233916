"""Bytes: in frames, damaged, foreign; NMEA lines on the same port told apart."""

import re
from functools import reduce
from operator import xor

from rtcmtool.wire.catalogue import KNOWN_TITLES, LAYOUTS
from rtcmtool.wire.decoding import Batch
from rtcmtool.wire.framing import Reject, RejectReason

# A sentence of NMEA 0183 with its check sum; lines of high-precision receivers run past 82.
# "$" and "!" stand only at the front: behind a torn sentence the next one is found.
_SENTENCE = re.compile(rb"[$!]([A-Z]{2}[A-Z0-9]{3}[ \"#%-)+-~]{0,200})\*([0-9A-Fa-f]{2})\r?\n?")
_LONGEST_SENTENCE = 256  # bytes


class Traffic:
    """Counts of what came.

    Attributes
    ----------
    total_bytes, frame_bytes, nmea_bytes : int
        All bytes, those in valid frames, those of NMEA sentences with a right check sum.
    frames : int
        Valid frames, those that contradict their layout left out.
    damaged : int
        Damaged frames: failed candidates where a frame was due, and layout rejects.
    outside_bytes : int
        Bytes in no frame and in no damaged frame, NMEA included.
    first_damage, last_damage : int or None
        Offsets of the first and last damaged frame.
    """

    def __init__(self) -> None:
        self.total_bytes = 0
        self.frame_bytes = 0
        self.frames = 0
        self.damaged = 0
        self.damaged_bytes = 0
        self.layout_rejects = 0
        self.truncated_bytes = 0
        self.outside_bytes = 0
        self.nmea_bytes = 0
        self.nmea_sentences = 0
        self.first_damage: int | None = None
        self.last_damage: int | None = None
        self._searched = 0  # offset up to which bytes outside frames were looked at
        self._carry = b""

    @property
    def foreign_bytes(self) -> int:
        """Bytes that are neither RTCM 3 nor NMEA."""
        # A damaged head may cover a sentence: that one is counted on both sides.
        return max(self.outside_bytes - self.nmea_bytes, 0)

    @property
    def noise_bytes(self) -> int:
        """Bytes of a stretch without frames that goes on: a reject tells of it when it has ended.

        Only where all stations are counted.
        """
        told = self.frame_bytes + self.damaged_bytes + self.truncated_bytes + self.outside_bytes
        return self.total_bytes - told

    @property
    def foreign_so_far(self) -> int:
        """Foreign bytes, those of a stretch that goes on included: for live streams."""
        return max(self.outside_bytes + self.noise_bytes - self.nmea_bytes, 0)

    def update(self, batch: Batch) -> None:
        """Count a batch."""
        self.total_bytes = batch.block.decided
        self.frames += len(batch)
        self.frame_bytes += int(batch.block.lengths.sum())
        for reject in batch.rejects:
            self._count_reject(reject)
        self._find_sentences(batch)

    def _count_reject(self, reject: Reject) -> None:
        if reject.reason is RejectReason.TRUNCATED:
            self.truncated_bytes += reject.length
        elif is_damage(reject):
            self.damaged += 1
            self.damaged_bytes += reject.length
            self.layout_rejects += reject.reason is RejectReason.LAYOUT
            if self.first_damage is None:
                self.first_damage = reject.offset
            self.last_damage = reject.offset
        else:
            self.outside_bytes += reject.length

    def _find_sentences(self, batch: Batch) -> None:
        """Look for NMEA in the decided bytes that are in no frame."""
        block = batch.block
        if self.frame_bytes + self.truncated_bytes == self.total_bytes:
            self._searched = block.decided
            return  # nothing but frames
        begins = [max(self._searched - block.offset, 0)]
        ends = []
        for start, length in zip(block.starts.tolist(), block.lengths.tolist(), strict=True):
            ends.append(start)
            begins.append(start + length)
        ends.append(block.decided - block.offset)
        for begin, end in zip(begins, ends, strict=True):
            if end > begin:
                self._search(block.data[begin:end])
            if len(ends) > 1 and end != ends[-1]:
                self._carry = b""  # a frame comes between
        self._searched = block.decided

    def _search(self, piece: bytes) -> None:
        data = self._carry + piece
        at = 0
        for found in _SENTENCE.finditer(data):
            if not found.group(0).endswith(b"\n") and found.end() == len(data):
                break  # its line end may still come
            if reduce(xor, found.group(1)) == int(found.group(2), 16):
                self.nmea_sentences += 1
                self.nmea_bytes += len(found.group(0))
            at = found.end()
        self._carry = data[at:][-_LONGEST_SENTENCE:]


def is_damage(reject: Reject) -> bool:
    """Tell whether a reject stands where a frame was due, so that a frame was damaged."""
    return reject.reason is RejectReason.LAYOUT or (
        reject.reason is RejectReason.CRC and is_known(reject.number)
    )


def is_known(number: int | None) -> bool:
    """Tell whether a number behind a preamble is one that a base may send."""
    return number is not None and (
        number in LAYOUTS or number in KNOWN_TITLES or 4001 <= number <= 4095
    )
