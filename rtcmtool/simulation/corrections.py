"""What a rover has made of the corrections that arrived: nothing but what it could decode."""

from collections.abc import Collection
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss import time as gnss_time
from rtcmtool.simulation.messages import Frame
from rtcmtool.wire.catalogue import LEGACY_NUMBERS, OBSERVATION_NUMBERS
from rtcmtool.wire.decoding import Batch
from rtcmtool.wire.epochs import Origin, TimeReference
from rtcmtool.wire.observations import SYSTEM_LETTERS
from rtcmtool.wire.signal_ids import SIGNALS
from rtcmtool.wire.stream import Chunk, StreamDecoder

Floats = npt.NDArray[np.float64]

_WEAKEST_DBHZ = 28.0  # below it a phase is of no use: trade practice
_SAME_RANGE_M = 1.0  # of an epoch that comes twice the ranges are the same
_KEPT_EPOCHS = 4
_BANDS = np.array([int(name[0]) if name[0].isdigit() else 0 for name in SIGNALS], np.int64)


@dataclass(slots=True)
class BaseEpoch:
    """Observations of one base at one epoch, as far as they have come.

    Attributes
    ----------
    gps_ms, station : int
        Epoch and number of the base.
    satellites : dict
        RINEX name to the bands with usable code and phase.
    code_satellites : set of str
        Satellites with at least a code.
    locks_ms : dict
        Longest lock time by satellite.
    is_closed : bool
        Whether the message that says 'last' has come.
    ranges_m : dict
        Pseudoranges by satellite and signal id.
    is_contradictory : bool
        Whether two different ranges of one signal have come: two bases of one number.
    """

    gps_ms: int
    station: int
    satellites: dict[str, set[int]] = field(default_factory=dict)
    code_satellites: set[str] = field(default_factory=set)
    locks_ms: dict[str, int] = field(default_factory=dict)
    is_closed: bool = False
    ranges_m: dict[tuple[str, int], float] = field(default_factory=dict)
    is_contradictory: bool = False


@dataclass(slots=True)
class BaseKnown:
    """What is known of a base beside its observations."""

    arp_ecef_m: Floats | None = None
    has_bias: bool = False  # a 1230 has come
    is_bias_false: bool = False  # it says aligned, with zeros


class Corrections:
    """Decodes what arrives and keeps the newest epochs of every base.

    Parameters
    ----------
    start_gps_ms : int
        The rover knows the time.
    families : collection of str
        What it can read: "msm", "legacy".

    Attributes
    ----------
    bases : dict
        What is known of each base, by number.
    newest : list of BaseEpoch
        In the order in which they began to arrive.
    """

    def __init__(self, start_gps_ms: int, families: Collection[str]) -> None:
        reference = TimeReference()
        reference.learn(start_gps_ms, Origin.DATE)
        self._decoder = StreamDecoder(reference)
        self.families = frozenset(families)
        self.bases: dict[int, BaseKnown] = {}
        self.newest: list[BaseEpoch] = []

    def take(self, frames: Collection[Frame]) -> None:
        """Decode what has arrived since the last call."""
        if frames:
            self._learn(self._decoder.feed(Chunk(b"".join(frame.data for frame in frames))))

    def usable(self) -> list[BaseEpoch]:
        """Give the newest epoch of each base that the rover holds for whole.

        It is whole when its last message has come, or when a message of a later epoch shows that
        no more will come.
        """
        found: dict[int, BaseEpoch] = {}
        begun: dict[int, int] = {}  # newest epoch of each base of which anything has come
        for epoch in sorted(self.newest, key=lambda epoch: epoch.gps_ms, reverse=True):
            newest_ms = begun.setdefault(epoch.station, epoch.gps_ms)
            if epoch.station not in found and (epoch.is_closed or epoch.gps_ms < newest_ms):
                found[epoch.station] = epoch
        return list(found.values())

    def _learn(self, batch: Batch) -> None:
        for message in batch.messages:
            station = int(batch.station[message.frame])
            known = self.bases.setdefault(station, BaseKnown())
            match message.layout.number:
                case 1005 | 1006:
                    known.arp_ecef_m = np.array(
                        [message.values[name] for name in ("x_m", "y_m", "z_m")]
                    )
                case 1230:
                    known.has_bias = True
                    known.is_bias_false = message.values["aligned"] and not any(
                        message.values[f"bias_{name}_m"] for name in ("1c", "1p", "2c", "2p")
                    )
        for frame in np.flatnonzero(np.isin(batch.number, list(OBSERVATION_NUMBERS))).tolist():
            family = "legacy" if int(batch.number[frame]) in LEGACY_NUMBERS else "msm"
            if family in self.families and batch.gps_ms[frame] >= 0:
                self._take_observations(batch, frame)
        del self.newest[: -2 * _KEPT_EPOCHS]

    def _take_observations(self, batch: Batch, frame: int) -> None:
        gps_ms, station = int(batch.gps_ms[frame]), int(batch.station[frame])
        epoch = next((e for e in self.newest if e.gps_ms == gps_ms and e.station == station), None)
        if epoch is None:
            epoch = BaseEpoch(gps_ms, station)
            self.newest.append(epoch)
        epoch.is_closed |= bool(batch.more_follow[frame] == 0)
        seen = batch.observations
        rows = slice(*np.searchsorted(seen.frame, (frame, frame + 1)).tolist())
        has_code = np.isfinite(seen.pseudorange_m[rows])
        strong = ~(seen.cnr_dbhz[rows] < _WEAKEST_DBHZ)  # one that is not told counts as strong
        whole = has_code & np.isfinite(seen.phase_range_m[rows]) & strong
        whole &= seen.half_cycle[rows] != 1
        columns = (
            seen.system[rows], seen.satellite[rows], seen.signal[rows], has_code, whole,
            seen.lock_time_ms[rows], seen.pseudorange_m[rows],
        )  # fmt: skip
        listed = (column.tolist() for column in columns)
        for system, number, signal, code, phase, lock_ms, range_m in zip(*listed, strict=True):
            name = f"{SYSTEM_LETTERS[system]}{number:02d}"
            known_m = epoch.ranges_m.setdefault((name, signal), range_m)
            epoch.is_contradictory |= abs(known_m - range_m) > _SAME_RANGE_M
            epoch.locks_ms[name] = max(epoch.locks_ms.get(name, -1), lock_ms)
            if code:
                epoch.code_satellites.add(name)
            if phase:
                epoch.satellites.setdefault(name, set()).add(int(_BANDS[signal]))


def age_s(epoch: BaseEpoch, now_gps_ms: int) -> float:
    """Give the age of an epoch, s."""
    return (now_gps_ms - epoch.gps_ms) / gnss_time.MS_PER_SECOND
