"""Decode what a recording gives next many pieces at once, and hand it out piece by piece.

A recording holds a message a piece mostly. What comes out is what a decoder gives that is fed piece
by piece: the same frames with the same pieces, so the same events at the same times.
"""

from collections import deque
from collections.abc import Iterable, Iterator
from copy import deepcopy

import numpy as np

from rtcmtool.monitor.live_state import LiveState
from rtcmtool.monitor.steady_clock import NS_PER_S
from rtcmtool.running.timeline import Piece
from rtcmtool.wire.decoding import Batch
from rtcmtool.wire.framing import LONGEST_FRAME
from rtcmtool.wire.joined_blocks import JoinedBlocks
from rtcmtool.wire.stream import StreamDecoder

AHEAD_BYTES = 64 * 1024  # more saves nothing, and a key would wait for it
AHEAD_PIECES = 1000
AHEAD_NS = 600 * NS_PER_S


class LookAhead:
    """Reads some pieces ahead, so that a decoder may take them at once."""

    def __init__(self) -> None:
        self._coming: list[Piece] = []

    def serve(self, live: LiveState) -> None:
        """Let a state that begins decode ahead."""
        live.decoder = AheadDecoder(self)

    def pieces(self, pieces: Iterable[Piece]) -> Iterator[Piece]:
        """Give pieces as they are."""
        group: list[Piece] = []
        size = 0
        for piece in pieces:
            is_full = size >= AHEAD_BYTES or len(group) >= AHEAD_PIECES
            if group and (is_full or piece.steady_ns - group[0].steady_ns > AHEAD_NS):
                yield from self._told(group)
                group, size = [], 0
            group.append(piece)
            size += len(piece.data)
        yield from self._told(group)

    def _told(self, group: list[Piece]) -> Iterator[Piece]:
        self._coming = [piece for piece in group if piece.data]
        yield from group

    def take(self) -> list[Piece]:
        """Give the pieces with bytes that are coming, once."""
        coming, self._coming = self._coming, []
        return coming


class AheadDecoder(StreamDecoder):
    """Decodes a stream whose next pieces are known.

    Parameters
    ----------
    ahead : LookAhead
        Knows them.
    """

    def __init__(self, ahead: LookAhead) -> None:
        super().__init__()
        self._ahead = ahead
        self._ready: deque[bytes] = deque()  # pieces decoded, not handed out yet
        self._told: list[tuple[bytes, int]] = []  # pieces of the group handed out, and when
        self._joined: JoinedBlocks
        self._arrived_with = np.zeros(0, np.int64)  # by frame: the place of its piece
        self._first = 0  # place of the first piece of the group
        self._before = self._snapshot()  # as it stood in front of the group

    def _snapshot(self) -> StreamDecoder:
        """Give a decoder that stands where this one does."""
        kept = StreamDecoder()
        kept.scanner, kept.decoder = deepcopy((self.scanner, self.decoder))
        kept._utc_ns, kept._offsets = self._utc_ns.copy(), self._offsets
        return kept

    def feed_now(self, data: bytes, utc_ns: int) -> Batch:
        """Take bytes that arrived just now."""
        if not self._ready:
            self._decode_ahead(data, utc_ns)
        if not self._ready or self._ready[0] is not data:
            self._go_back()
            return super().feed_now(data, utc_ns)
        self._ready.popleft()
        place = len(self._told)
        self._told.append((data, utc_ns))
        self._utc_ns[self._first + place] = utc_ns
        here = self._joined.frames(place)
        if here.start != here.stop:
            arrivals = self._utc_ns[self._arrived_with[here]]
            self._joined.whole.arrival_utc_ns[here] = arrivals
        return self._joined.batch(place)

    def finish(self) -> Batch:
        """Tell that nothing more comes; give the rest."""
        self._go_back()
        return super().finish()

    def _decode_ahead(self, data: bytes, utc_ns: int) -> None:
        """Decode what comes, if it begins with these bytes and may be decoded at once."""
        coming = self._ahead.take()
        if len(coming) < 2 or coming[0].data is not data:
            return
        self._before, self._told = self._snapshot(), []
        held = self.scanner.position - self.scanner.pending - LONGEST_FRAME
        keep = max(int(np.searchsorted(self._offsets, held, side="right")) - 1, 0)
        kept = self._offsets[keep:]
        begins = self.scanner.position + np.cumsum([0, *(len(each.data) for each in coming[:-1])])
        passed_ns = [piece.steady_ns - coming[0].steady_ns for piece in coming]
        self._first = len(kept)
        self._offsets = np.concatenate((kept, begins))
        self._utc_ns = np.concatenate((self._utc_ns[keep:], utc_ns + np.array(passed_ns)))
        blocks = [self.scanner.feed(piece.data) for piece in coming]
        last = [block.offset + block.starts + block.lengths - 1 for block in blocks]
        arrivals = self.arrivals_of(np.concatenate(last))
        self._joined = JoinedBlocks(blocks, self.decoder, arrivals)
        self._arrived_with = (
            np.searchsorted(self._offsets, self._joined.last_bytes, side="right") - 1
        )
        self._ready.extend(piece.data for piece in coming)
        if not self._joined.is_near(utc_ns):
            self._go_back()

    def _go_back(self) -> None:
        """Forget what was decoded ahead, and stand behind what was handed out."""
        if not self._ready:
            return
        self._ready.clear()
        kept: StreamDecoder = self._before
        for data, utc_ns in self._told:
            kept.feed_now(data, utc_ns)
        self.scanner, self.decoder = kept.scanner, kept.decoder
        self._utc_ns, self._offsets = kept._utc_ns, kept._offsets
