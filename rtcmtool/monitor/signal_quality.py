"""Signal quality of a stream: feeds whole epochs to everything that judges signals and place."""

from collections.abc import Callable, Iterable, Iterator

import numpy as np

from rtcmtool.gnss.atmosphere import Klobuchar
from rtcmtool.gnss.ephemerides import Ephemeris
from rtcmtool.monitor.base_fix import BaseFix, Epoch, pseudoranges_of
from rtcmtool.monitor.base_station import POSITION_NUMBERS
from rtcmtool.monitor.cnr_normals import CnrNormals
from rtcmtool.monitor.observed_epochs import EpochBuffer, Floats, Rows
from rtcmtool.monitor.phase_alignment import PhaseAlignment
from rtcmtool.monitor.phase_arcs import PhaseArcs
from rtcmtool.monitor.signal_set import SignalSet
from rtcmtool.monitor.staleness import Staleness
from rtcmtool.wire.decoding import NONE, Batch
from rtcmtool.wire.ephemeris_records import ephemeris_from_message

_FIRST_EPHEMERIS, _LAST_EPHEMERIS = 1019, 1046


class SignalQuality:
    """Follows the signals of one station.

    Parameters
    ----------
    station : int, optional
        The station followed; by default the first that sends observations.
    navigation : iterable of Ephemeris
        Records of a navigation file.
    klobuchar : Klobuchar, optional
        Ionosphere model of that file.

    Attributes
    ----------
    arcs, alignment, strengths, fix, signals, staleness
        Phases, how they stand to each other, signal strengths, the base's own code solution, which
        signals come, and how fast corrections go stale.
    followers : list of callable
        Are given the rows of whole epochs with their elevations, and the GLONASS channels.

    Notes
    -----
    Ephemerides, positions and GLONASS channels count from the frame on that tells them, so that
    results do not depend on how the stream was cut.
    """

    def __init__(
        self,
        station: int | None = None,
        navigation: Iterable[Ephemeris] = (),
        klobuchar: Klobuchar | None = None,
    ) -> None:
        self.arcs = PhaseArcs()
        self.alignment = PhaseAlignment()
        self.strengths = CnrNormals()
        self.fix = BaseFix(navigation, klobuchar)
        self.signals = SignalSet()
        self.staleness = Staleness()
        self.followers: list[Callable[[Rows, dict[int, int]], None]] = []
        self._buffer = EpochBuffer(station)
        self._channels: dict[int, int] = {}
        self._reference_ms = NONE  # GPS time of the latest dated frame

    def update(self, batch: Batch) -> None:
        """Take a batch."""
        records = _records(batch, self._reference_ms)
        waiting = next(records, None)
        begin = 0
        for frame, rows in self._buffer.add(batch):
            while waiting is not None and waiting[0] < frame:
                self.fix.store.hear(waiting[1])
                waiting = next(records, None)
            self._hear_channels(batch, begin, frame)
            self._hear_positions(batch, begin, frame)
            begin = frame
            self._take(rows)
        while waiting is not None:
            self.fix.store.hear(waiting[1])
            waiting = next(records, None)
        self._hear_channels(batch, begin, len(batch))
        self._hear_positions(batch, begin, len(batch))
        dated = batch.gps_ms[batch.gps_ms != NONE]
        if len(dated):
            self._reference_ms = int(dated[-1])

    def finish(self) -> None:
        """Tell that the stream ends."""
        rows = self._buffer.finish()
        if rows is not None:
            self._take(rows)
        self.arcs.finish()
        self.strengths.finish()
        self.staleness.finish(self.fix)

    def _hear_channels(self, batch: Batch, begin: int, end: int) -> None:
        told = batch.channels
        here = told[(told[:, 0] >= begin) & (told[:, 0] < end)]
        self._channels.update(zip(here[:, 1].tolist(), here[:, 2].tolist(), strict=True))

    def _hear_positions(self, batch: Batch, begin: int, end: int) -> None:
        """Take the position that the station followed sends."""
        for message in batch.messages:
            if (
                message.layout.number in POSITION_NUMBERS
                and begin <= message.frame < end
                and message.record["station"] == self._buffer.station
            ):
                self.staleness.sent_m = message.values["arp_ecef_m"]

    def _take(self, rows: Rows) -> None:
        """Take whole epochs: solve some, then judge all with the elevations found."""
        dated = np.flatnonzero(rows.gps_ms != NONE)
        if len(dated):
            self.fix.learn_date(int(rows.time_ms[dated[0]]), int(rows.gps_ms[dated[0]]))
        rows = rows.with_elevations(self._elevations(rows))
        self.arcs.update(rows, self._channels)
        self.alignment.update(rows, self._channels)
        self.strengths.update(rows)
        self.signals.update(rows)
        self.staleness.update(rows, self.fix)
        for follower in self.followers:
            follower(rows, self._channels)

    def _elevations(self, rows: Rows) -> Floats:
        """Solve the epochs that are due; give each row the elevation known by then."""
        elevations = np.empty(len(rows))
        begin = 0
        for time_ms in np.unique(rows.time_ms).tolist():
            if not self.fix.is_due(time_ms):
                continue
            at, end = np.searchsorted(rows.time_ms, (time_ms, time_ms + 1)).tolist()
            elevations[begin:at] = self.fix.sky.elevation_deg[rows.place[begin:at]]
            self.fix.take(Epoch(time_ms, pseudoranges_of(rows.take(slice(at, end)))))
            begin = at
        elevations[begin:] = self.fix.sky.elevation_deg[rows.place[begin:]]
        return elevations


def _records(batch: Batch, reference_ms: int) -> Iterator[tuple[int, Ephemeris]]:
    """Give the ephemerides of a batch with their frames.

    Each takes its week, and the time it was sent, from the latest dated frame before it.
    """
    latest = np.maximum.accumulate(np.where(batch.gps_ms != NONE, np.arange(len(batch)), NONE))
    for message in batch.messages:
        if not _FIRST_EPHEMERIS <= message.layout.number <= _LAST_EPHEMERIS:
            continue
        dated = int(latest[message.frame]) if len(latest) else NONE
        reference = reference_ms if dated == NONE else int(batch.gps_ms[dated])
        record = ephemeris_from_message(message, None if reference == NONE else reference)
        if record is not None:
            yield message.frame, record
