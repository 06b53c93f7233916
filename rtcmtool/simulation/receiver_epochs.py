"""What a simulated receiver measured: columns over a block of epochs."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt


@dataclass(frozen=True, eq=False, slots=True)
class ReceiverEpochs:
    """Measurements of one receiver; columns of shape (n,), by epoch, system, satellite, signal.

    Attributes
    ----------
    gps_ms : ndarray of int64, shape (n_epochs,)
        Epoch labels on the receiver's clock, GPS time, ms.
    epoch : ndarray of int64
        Index in `gps_ms` of each row.
    system : ndarray of uint8
        Index in `wire.observations.SYSTEM_LETTERS`.
    satellite : ndarray of uint8
        RINEX number.
    signal : ndarray of uint8
        Index in `wire.signal_ids.SIGNALS`.
    pseudorange_m, phase_range_m, phase_range_rate_m_s : ndarray of float64
        Metres, metres per second; NaN where not measured. Phase ranges hold whole cycles.
    cnr_dbhz : ndarray of float64
        dB-Hz.
    lock_time_ms : ndarray of int64
        True time of continuous lock, ms.
    half_cycle : ndarray of bool
        Half-cycle ambiguity not resolved.
    channel : ndarray of int64
        GLONASS frequency channel; 0 for other systems.
    """

    gps_ms: npt.NDArray[np.int64]
    epoch: npt.NDArray[np.int64]
    system: npt.NDArray[np.uint8]
    satellite: npt.NDArray[np.uint8]
    signal: npt.NDArray[np.uint8]
    pseudorange_m: npt.NDArray[np.float64]
    phase_range_m: npt.NDArray[np.float64]
    phase_range_rate_m_s: npt.NDArray[np.float64]
    cnr_dbhz: npt.NDArray[np.float64]
    lock_time_ms: npt.NDArray[np.int64]
    half_cycle: npt.NDArray[np.bool_]
    channel: npt.NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.epoch)
