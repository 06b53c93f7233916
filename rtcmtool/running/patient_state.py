"""The state of a stream that is played fast: what nobody asks about yet is not computed yet.

What is summed up of the signals costs the same for a message as for some seconds of them. Here it
waits until somebody looks, so between two judgements it is computed once.
"""

from collections.abc import Iterable
from typing import Self

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss.atmosphere import Klobuchar
from rtcmtool.gnss.ephemerides import Ephemeris
from rtcmtool.monitor.observed_epochs import SLOT_MS
from rtcmtool.monitor.signal_quality import SignalQuality
from rtcmtool.monitor.signal_stats import FrameCounts, SignalStats, frame_counts
from rtcmtool.monitor.stream_state import StreamState
from rtcmtool.wire.decoding import NONE, Batch
from rtcmtool.wire.joined_blocks import CutBatch, joined_cuts

Integers = npt.NDArray[np.int64]

MOST_WAITING = 1000  # batches


class PatientState(StreamState):
    """Follows a stream as `StreamState` does; `signals` and `quality` are computed when asked for.

    Parameters
    ----------
    station, navigation, klobuchar
        As of `StreamState`.
    """

    def __init__(
        self,
        station: int | None = None,
        navigation: Iterable[Ephemeris] = (),
        klobuchar: Klobuchar | None = None,
    ) -> None:
        self._waiting: list[Batch] = []
        self._slot = 0  # half minute of the timeline in which the epochs lie
        self._counted: Batch | None = None
        self._counts: FrameCounts
        super().__init__(station, navigation, klobuchar)

    @property
    def signals(self) -> SignalStats:
        """As of `StreamState`."""
        self._settle()
        return self._signals

    @signals.setter
    def signals(self, value: SignalStats) -> None:
        self._signals = value

    @property
    def quality(self) -> SignalQuality:
        """As of `StreamState`."""
        self._settle()
        return self._quality

    @quality.setter
    def quality(self, value: SignalQuality) -> None:
        self._quality = value

    def _take_signals(self, batch: Batch) -> FrameCounts:
        """Keep a batch until somebody looks; its frames are counted now."""
        if len(batch):
            self._waiting.append(batch)
            # Whole half minutes are handed on; what follows looks at the signals of that moment.
            slots = {time // SLOT_MS for time in batch.timeline_ms.tolist() if time >= 0}
            if len(self._waiting) >= MOST_WAITING or slots - {self._slot}:
                self._slot = max(slots, default=self._slot)
                self._settle()
        return self._counts_of(batch)

    def finish(self, silent_s: float | None = None) -> None:
        """Tell that the stream has ended."""
        self._settle()
        super().finish(silent_s)

    def __copy__(self) -> Self:
        """Give one that goes its own way from here."""
        self._settle()
        other = type(self).__new__(type(self))
        other.__dict__.update(self.__dict__)
        other._waiting = []
        return other

    def _settle(self) -> None:
        """Compute what waits."""
        waiting, self._waiting = self._waiting, []
        for batch in joined_cuts(waiting):
            self._signals.update(batch)
            self._quality.update(batch)

    def _counts_of(self, batch: Batch) -> FrameCounts:
        """Give the satellites of each frame; those of a larger batch are counted once."""
        if not isinstance(batch, CutBatch):
            return frame_counts(batch.observations, len(batch))
        if batch.whole is not self._counted:
            self._counted = batch.whole
            self._counts = frame_counts(batch.whole.observations, len(batch.whole))
        here = slice(batch.begin, batch.end)
        return FrameCounts(self._counts.satellites[here], self._counts.two_bands[here])

    def _hear_stations(self, batch: Batch, times_ms: Integers) -> None:
        if len(batch) != 1:
            super()._hear_stations(batch, times_ms)
            return
        station, time_ms = int(batch.station[0]), int(times_ms[0])
        if station != NONE:
            self.base.hear(station, time_ms, time_ms, 1)
