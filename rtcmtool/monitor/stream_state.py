"""The state of one stream: everything that rules and views ask about it."""

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss.atmosphere import Klobuchar
from rtcmtool.gnss.ephemerides import Ephemeris
from rtcmtool.monitor.base_station import BaseDescription
from rtcmtool.monitor.delays import Delays
from rtcmtool.monitor.epochs import EpochTracker
from rtcmtool.monitor.message_stats import MessageTable
from rtcmtool.monitor.signal_quality import SignalQuality
from rtcmtool.monitor.signal_stats import FrameCounts, SignalStats
from rtcmtool.monitor.stream_clock import StreamClock
from rtcmtool.monitor.traffic import Traffic
from rtcmtool.wire.decoding import NONE, Batch

Integers = npt.NDArray[np.int64]

MOST_TRACKERS = 16  # stations whose epochs are followed


class StreamState:
    """Follows a stream batch by batch; its size does not grow with the stream.

    Parameters
    ----------
    station : int, optional
        The station to judge; by default the one with most observation epochs.
    navigation : iterable of Ephemeris
        Records of a navigation file, for streams without ephemerides.
    klobuchar : Klobuchar, optional
        Ionosphere model of that file.

    Attributes
    ----------
    clock, traffic, messages, base, signals, quality, delays
        The parts of the state, each with its own description.
    trackers : dict of EpochTracker
        By station number.
    finished : bool
        Whether the stream has ended.
    silent_s : float
        How long nothing came before the recording ended; known of finished streams alone.
    """

    def __init__(
        self,
        station: int | None = None,
        navigation: Iterable[Ephemeris] = (),
        klobuchar: Klobuchar | None = None,
    ) -> None:
        self._wanted = station
        self.clock = StreamClock()
        self.traffic = Traffic()
        self.messages = MessageTable()
        self.base = BaseDescription()
        self.signals = SignalStats()
        self.delays = Delays()
        self.quality = SignalQuality(station, navigation, klobuchar)
        self.trackers: dict[int, EpochTracker] = {}
        self.finished = False
        self.silent_s = 0.0
        self._silent_ms: int | None = None  # before the first message since we listen again

    def update(self, batch: Batch) -> None:
        """Take the next batch of the stream."""
        self.traffic.update(batch)
        times_ms = self.clock.times(batch)
        known_ms = times_ms[times_ms >= 0]
        if self._silent_ms is not None and len(known_ms):
            self.messages.resume(int(known_ms[0]) - self._silent_ms)
            self._silent_ms = None
        self.messages.update(batch, times_ms)
        self.delays.update(batch)
        self._hear_stations(batch, times_ms)
        times = times_ms.tolist()
        for message in batch.messages:
            self.base.update(message, times[message.frame])
        self._follow_epochs(batch, times_ms, self._take_signals(batch))

    def pause(self, before_s: float, after_s: float) -> None:
        """Tell that nobody listened for a while: what was due then is not missing.

        Parameters
        ----------
        before_s, after_s : float
            How long nothing came before the listening ended, and after it began again.
        """
        before_ms, after_ms = round(1000 * before_s), round(1000 * after_s)
        for tracker in self.trackers.values():
            tracker.pause(before_ms, after_ms)
        if self.clock.now_ms is not None:
            self.messages.pause(self.clock.now_ms + before_ms)
            self._silent_ms = after_ms

    def finish(self, silent_s: float | None = None) -> None:
        """Tell that the stream has ended.

        Parameters
        ----------
        silent_s : float, optional
            How long nothing came before the end of a recording with arrival times: the epochs that
            were due then are missing. None where that is not known, or judged apart.
        """
        end_ms = None
        if silent_s is not None and self.clock.has_arrivals and self.clock.now_ms is not None:
            self.silent_s = silent_s
            end_ms = self.clock.now_ms + round(1000 * silent_s)
        for tracker in self.trackers.values():
            tracker.finish(end_ms)
        self.signals.finish()
        self.delays.finish()
        self.quality.finish()
        self.finished = True

    def _take_signals(self, batch: Batch) -> FrameCounts:
        """Sum up the signals of a batch; give the counts of its frames."""
        counts = self.signals.update(batch)
        self.quality.update(batch)
        return counts

    def _hear_stations(self, batch: Batch, times_ms: Integers) -> None:
        stations, first = np.unique(batch.station, return_index=True)
        for station in stations[np.argsort(first)].tolist():  # in the order of the stream
            if station != NONE:
                times = times_ms[batch.station == station]
                self.base.hear(station, int(times[0]), int(times[-1]), len(times))

    def _follow_epochs(self, batch: Batch, times_ms: Integers, counts: FrameCounts) -> None:
        frames = np.flatnonzero(batch.more_follow != NONE)
        columns = (
            batch.station,
            batch.timeline_ms,
            times_ms,
            batch.number,
            batch.more_follow == 0,
            counts.satellites,
            counts.two_bands,
        )
        trackers = self.trackers
        for station, *message in zip(*(c[frames].tolist() for c in columns), strict=True):
            tracker = trackers.get(station)
            if tracker is None:
                if len(trackers) >= MOST_TRACKERS:
                    continue
                tracker = trackers[station] = EpochTracker()
            tracker.add(*message)

    @property
    def main_station(self) -> int | None:
        """The station to judge: the wanted one, else that with most epochs or messages."""
        if self._wanted is not None:
            return self._wanted
        if self.trackers:
            return max(self.trackers, key=lambda s: self.trackers[s].came)
        stations = self.base.stations
        return max(stations, key=lambda s: stations[s].messages) if stations else None

    @property
    def epochs(self) -> EpochTracker | None:
        """The epochs of the main station."""
        station = self.main_station
        return None if station is None else self.trackers.get(station)
