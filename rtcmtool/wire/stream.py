"""Bytes in, batches out: scanner and decoder as one."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from rtcmtool.wire.decoding import NONE, Batch, Decoder
from rtcmtool.wire.epochs import TimeReference
from rtcmtool.wire.framing import LONGEST_FRAME, FrameBlock, FrameScanner

Integers = npt.NDArray[np.int64]

# Bytes a step for whoever reads a recording: below, fixed costs show; above, the cache ends.
DEFAULT_BLOCK_BYTES = 512 * 1024

_KEPT_BYTES = 8 * 1024 * 1024  # more than the columns of a block take on their way


def _no_times() -> Integers:
    return np.zeros(0, np.int64)


@dataclass(frozen=True, eq=False, slots=True)
class Chunk:
    """A piece of a stream, with what is known of its arrival.

    Attributes
    ----------
    data : bytes
        Any number of bytes.
    utc_ns, offsets : ndarray of int64, shape (n,)
        Arrival times, and the offset in the stream of the first byte that arrived then; rising.
        Empty where no arrival is known. Live there is one of each.
    """

    data: bytes
    utc_ns: Integers = field(default_factory=_no_times)
    offsets: Integers = field(default_factory=_no_times)


def _keep_freed_memory() -> None:
    """Tell the allocator to keep what a block frees for the next one.

    The allocator of glibc gives freed memory back to the system, and takes it again page by page,
    until it has seen a larger piece freed: show it one. Its pages are never touched, so it costs
    nothing; other allocators are not impressed. Decoding is a tenth quicker for it.
    """
    np.empty(_KEPT_BYTES, np.uint8)


class StreamDecoder:
    """Decodes a stream that comes in pieces of any size.

    Parameters
    ----------
    reference : TimeReference, optional
        What is known of the time.
    """

    def __init__(self, reference: TimeReference | None = None) -> None:
        _keep_freed_memory()
        self.scanner = FrameScanner()
        self.decoder = Decoder(reference)
        self._utc_ns, self._offsets = _no_times(), _no_times()

    def feed(self, chunk: Chunk) -> Batch:
        """Take the next bytes; give what is certain now."""
        if len(chunk.offsets):
            held = self.scanner.position - self.scanner.pending - LONGEST_FRAME
            keep = max(int(np.searchsorted(self._offsets, held, side="right")) - 1, 0)
            self._offsets = np.concatenate((self._offsets[keep:], chunk.offsets))
            self._utc_ns = np.concatenate((self._utc_ns[keep:], chunk.utc_ns))
        return self._decode(self.scanner.feed(chunk.data))

    def feed_now(self, data: bytes, utc_ns: int) -> Batch:
        """Take bytes that arrived just now."""
        offsets = np.array([self.scanner.position], np.int64)
        return self.feed(Chunk(data, np.array([utc_ns], np.int64), offsets))

    def finish(self) -> Batch:
        """Tell that nothing more comes; give the rest."""
        return self._decode(self.scanner.finish())

    def _decode(self, block: FrameBlock) -> Batch:
        if not len(self._offsets):
            return self.decoder.decode(block)
        last_byte = block.offset + block.starts + block.lengths - 1
        return self.decoder.decode(block, self.arrivals_of(last_byte))

    def arrivals_of(self, offsets: Integers) -> Integers:
        """Give the arrival times (UTC, ns) of bytes of the latest pieces; -1 where unknown."""
        index = np.searchsorted(self._offsets, offsets, side="right") - 1
        return np.where(index < 0, NONE, self._utc_ns[np.maximum(index, 0)])


def decode_stream(
    chunks: Iterable[Chunk], reference: TimeReference | None = None
) -> Iterator[Batch]:
    """Decode the chunks of a stream.

    Parameters
    ----------
    chunks : iterable of Chunk
        Pieces of any size, in order.
    reference : TimeReference, optional
        What is known of the time.

    Yields
    ------
    Batch
        One a chunk, and one for the end.
    """
    stream = StreamDecoder(reference)
    for chunk in chunks:
        yield stream.feed(chunk)
    yield stream.finish()
