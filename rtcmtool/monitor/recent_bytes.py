"""The bytes of the last half minute, so that rules can be asked about just that time."""

from collections import deque

import numpy as np

from rtcmtool.monitor.epochs import EpochTracker
from rtcmtool.monitor.steady_clock import NS_PER_S
from rtcmtool.monitor.stream_state import StreamState
from rtcmtool.wire.stream import Chunk, StreamDecoder

SPAN_S = 30.0
SPAN_INTERVALS = 30
LONGEST_SPAN_S = 600.0
MOST_BYTES = 1_000_000


class RecentBytes:
    """Keeps what arrived lately, beginning where no frame is cut.

    Attributes
    ----------
    interval_s : float or None
        The stream's epoch interval; slow streams are kept for longer. Set by the caller.
    """

    def __init__(self) -> None:
        self.interval_s: float | None = None
        self._chunks: deque[tuple[int, int, bytes]] = deque()  # offset, time, data
        self._edges: deque[tuple[int, int]] = deque()  # time, offset where no frame is cut
        self._size = 0

    @property
    def span_s(self) -> float:
        """How far back it reaches, s."""
        wanted = max(SPAN_S, SPAN_INTERVALS * (self.interval_s or 0.0))
        return min(wanted, LONGEST_SPAN_S)

    def add(self, data: bytes, offset: int, decided: int, now_ns: int) -> None:
        """Take a chunk.

        Parameters
        ----------
        data : bytes
            What arrived now.
        offset : int
            Byte of the stream where it begins.
        decided : int
            Offset before which every byte is in a frame or in none.
        now_ns : int
            Now, on the steady axis.
        """
        self._chunks.append((offset, now_ns, data))
        self._edges.append((now_ns, decided))
        self._size += len(data)
        self._forget(now_ns - round(self.span_s * NS_PER_S))

    def _forget(self, before_ns: int) -> None:
        while len(self._edges) > 1 and (self._edges[1][0] <= before_ns or self._size > MOST_BYTES):
            self._edges.popleft()
            edge = self._edges[0][1]
            while self._chunks and self._chunks[0][0] + len(self._chunks[0][2]) <= edge:
                self._size -= len(self._chunks.popleft()[2])

    def clear(self) -> None:
        """Forget everything."""
        self._chunks.clear()
        self._edges.clear()
        self._size = 0

    def state(self, now_ns: int, like: StreamState) -> StreamState:
        """Give the state of a stream that began half a minute ago.

        Parameters
        ----------
        now_ns : int
            Now, on the steady axis.
        like : StreamState
            The state of the whole stream: its station is judged, and its set of messages is known
            from the start.
        """
        self._forget(now_ns - round(self.span_s * NS_PER_S))
        station = like.main_station
        state = StreamState(station)
        whole = like.epochs
        if station is not None and whole is not None:
            state.trackers[station] = EpochTracker()
            state.trackers[station].types = set(whole.types)
        edge = self._edges[0][1] if self._edges else 0
        pieces, times, offsets, at = [], [], [], 0
        for offset, time_ns, data in self._chunks:
            piece = data[max(edge - offset, 0) :]
            if piece:
                pieces.append(piece)
                times.append(time_ns)
                offsets.append(at)
                at += len(piece)
        chunk = Chunk(b"".join(pieces), np.array(times, np.int64), np.array(offsets, np.int64))
        state.update(StreamDecoder().feed(chunk))
        return state
