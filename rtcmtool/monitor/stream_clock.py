"""When things happened, on one axis, from what the data tell.

Where arrival times are known they are the axis; else the epochs of the observations are, each
message taking the time of the latest epoch before it. Both run in milliseconds; only differences
are used until a date is known.
"""

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss import time as gnss_time
from rtcmtool.wire.decoding import NONE, Batch

Integers = npt.NDArray[np.int64]

_NS_PER_MS = 1_000_000


class StreamClock:
    """The time axis of one stream.

    Attributes
    ----------
    has_arrivals : bool or None
        Whether arrival times are the axis; None before the first frame.
    first_ms, now_ms : int or None
        First and latest time on the axis.
    """

    def __init__(self) -> None:
        self.has_arrivals: bool | None = None
        self.first_ms: int | None = None
        self.now_ms: int | None = None
        self._latest_epoch_ms = NONE
        self._gps_minus_timeline_ms: int | None = None

    def times(self, batch: Batch) -> Integers:
        """Give the time of each frame of a batch, and move on to the last of them.

        Parameters
        ----------
        batch : Batch
            The next frames of the stream.

        Returns
        -------
        ndarray of int64, shape (n_frames,)
            Time on the axis, ms; -1 before the first epoch of a stream without arrivals.
        """
        if not len(batch):
            return np.zeros(0, np.int64)
        self._learn_date(batch)
        if self.has_arrivals is None:
            self.has_arrivals = bool(batch.arrival_utc_ns[0] != NONE)
        times = (
            batch.arrival_utc_ns // _NS_PER_MS if self.has_arrivals else self._carried_epochs(batch)
        )
        known = times[times >= 0]
        if len(known):
            if self.first_ms is None:
                self.first_ms = int(known[0])
            self.now_ms = max(self.now_ms or 0, int(known.max()))
        return times

    def _carried_epochs(self, batch: Batch) -> Integers:
        epochs = np.where(batch.more_follow != NONE, batch.timeline_ms, NONE)
        epochs = np.concatenate(([self._latest_epoch_ms], epochs))
        carried = np.maximum.accumulate(epochs)[1:]
        self._latest_epoch_ms = int(carried[-1])
        return carried

    def _learn_date(self, batch: Batch) -> None:
        if self._gps_minus_timeline_ms is None:
            dated = np.flatnonzero((batch.gps_ms != NONE) & (batch.timeline_ms != NONE))
            if len(dated):
                frame = dated[0]
                self._gps_minus_timeline_ms = int(batch.gps_ms[frame] - batch.timeline_ms[frame])

    @property
    def seconds(self) -> float:
        """Seconds from the first to the latest time."""
        if self.first_ms is None or self.now_ms is None:
            return 0.0
        return (self.now_ms - self.first_ms) / 1000

    def utc_ns(self, time_ms: int) -> int | None:
        """Give a time of the axis as UTC, ns; None while no date is known."""
        if self.has_arrivals:
            return time_ms * _NS_PER_MS
        return self.utc_ns_of_epoch(time_ms)

    def utc_ns_of_epoch(self, timeline_ms: int) -> int | None:
        """Give an epoch on the batches' timeline as UTC, ns; None while no date is known."""
        if self._gps_minus_timeline_ms is None:
            return None
        return gnss_time.utc_ns_from_gps_ms(timeline_ms + self._gps_minus_timeline_ms)

    def gps_ms_of_epoch(self, timeline_ms: int) -> int | None:
        """Give an epoch on the batches' timeline as GPS time, ms; None while no date is known."""
        if self._gps_minus_timeline_ms is None:
            return None
        return timeline_ms + self._gps_minus_timeline_ms

    def since(self, time_ms: int | None) -> str | None:
        """Give a time of the axis as text in UTC; None where there is none or no date."""
        utc_ns = None if time_ms is None or time_ms < 0 else self.utc_ns(time_ms)
        return None if utc_ns is None else gnss_time.iso_utc(utc_ns, decimals=0)

    @staticmethod
    def since_utc(utc_ns: int) -> str:
        """Give a UTC time as text, to the second."""
        return gnss_time.iso_utc(utc_ns, decimals=0)
