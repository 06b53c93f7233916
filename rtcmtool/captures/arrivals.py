"""The file of arrival times: 16-byte records, read so that a damaged one spoils no other."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Integers = npt.NDArray[np.int64]

RECORD = np.dtype([("utc_ns", "<i8"), ("offset", "<u8")])  # design 4.4
RECORD_BYTES = 16

COUNTS = ("torn_bytes", "past_end", "backwards", "without_time", "clock_steps_back")


@dataclass(frozen=True, eq=False, slots=True)
class Arrivals:
    """When the bytes of a capture arrived, and which records were left out.

    Attributes
    ----------
    utc_ns, offsets : ndarray of int64, shape (n,)
        Time, and the offset in the capture of the first byte that arrived then; offsets rise.
    torn_bytes : int
        Bytes of a last record that was not written whole.
    past_end : int
        Records that point to or behind the end of the bytes.
    backwards : int
        Records whose offset contradicts the others.
    without_time : int
        Records with no possible time, as a block that was never written leaves behind.
    clock_steps_back : int
        Kept records with an earlier time than the one before: the computer's clock was set back.
    """

    utc_ns: Integers
    offsets: Integers
    torn_bytes: int = 0
    past_end: int = 0
    backwards: int = 0
    without_time: int = 0
    clock_steps_back: int = 0

    def __len__(self) -> int:
        return len(self.offsets)

    @property
    def dropped(self) -> int:
        """Records left out because they cannot be right; those at the very end apart."""
        return self.past_end + self.backwards + self.without_time

    def notes(self) -> list[str]:
        """Say what was left out, a sentence each."""
        counted = (
            (self.torn_bytes, "the last arrival record is not whole ({} bytes): dropped"),
            (self.past_end, "{} arrival records point past the end of the bytes: ignored"),
            (self.backwards, "{} arrival records go backwards: ignored"),
            (self.without_time, "{} arrival records have no time: ignored"),
            (self.clock_steps_back, "steps back of the computer's clock: {}"),
        )
        return [text.format(count) for count, text in counted if count]


def pack(utc_ns: int, offset: int) -> bytes:
    """Write one record."""
    return utc_ns.to_bytes(8, "little", signed=True) + offset.to_bytes(8, "little")


def read(content: bytes, size_bytes: int) -> Arrivals:
    """Read a file of arrival times.

    Parameters
    ----------
    content : bytes
        The whole file.
    size_bytes : int
        Number of bytes in the capture.

    Returns
    -------
    Arrivals
        Records that hold together. Of several for one byte the last counts.
    """
    torn_bytes = len(content) % RECORD_BYTES
    records = np.frombuffer(content, RECORD, len(content) // RECORD_BYTES)
    has_time = records["utc_ns"] > 0
    within = records["offset"] < np.uint64(size_bytes)
    kept = records[has_time & within]
    offsets = kept["offset"].astype(np.int64)
    utc_ns = kept["utc_ns"].astype(np.int64)
    rising = _rising(offsets)
    offsets, utc_ns = offsets[rising], utc_ns[rising]
    last_of_its_byte = np.append(np.diff(offsets) > 0, True)[: len(offsets)]
    offsets, utc_ns = offsets[last_of_its_byte], utc_ns[last_of_its_byte]
    offsets.flags.writeable = utc_ns.flags.writeable = False
    return Arrivals(
        utc_ns,
        offsets,
        torn_bytes=torn_bytes,
        past_end=int(np.count_nonzero(has_time & ~within)),
        backwards=int(np.count_nonzero(~rising)),
        without_time=int(np.count_nonzero(~has_time)),
        clock_steps_back=int(np.count_nonzero(np.diff(utc_ns) < 0)),
    )


def _rising(offsets: Integers) -> npt.NDArray[np.bool_]:
    """Mark offsets that never fall: one that is too low, or too high, spoils none but itself."""
    if not len(offsets):
        return np.zeros(0, np.bool_)
    not_below_earlier = offsets >= np.maximum.accumulate(offsets)
    not_above_later = offsets <= np.minimum.accumulate(offsets[::-1])[::-1]
    if np.count_nonzero(not_below_earlier) >= np.count_nonzero(not_above_later):
        return not_below_earlier
    return not_above_later
