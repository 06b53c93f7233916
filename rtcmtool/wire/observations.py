"""Observations as columns: a row a satellite and signal, in the order of the stream."""

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

SYSTEM_LETTERS = "GRESJCI"  # RINEX; the index in this text is the system code of the columns
LIGHT_MS_M = 299_792.458  # metres that light travels in a millisecond, exact
HALF_CYCLE_NOT_TOLD = -1


@dataclass(frozen=True, eq=False, slots=True)
class Observations:
    """Observations of a batch; all columns have shape (n,).

    Attributes
    ----------
    frame : ndarray of int32
        Index of the frame in its batch, rising.
    system : ndarray of uint8
        Index in `SYSTEM_LETTERS`.
    satellite : ndarray of uint8
        RINEX number: 5 for G05 (S20 for SBAS PRN 120).
    signal : ndarray of uint8
        Index in `signal_ids.SIGNALS`.
    pseudorange_m, phase_range_m : ndarray of float64
        Metres; NaN where invalid, or where the message leaves out the whole milliseconds.
    pseudorange_modulo_m, phase_range_modulo_m : ndarray of float64
        What messages without the whole milliseconds give; NaN for all others.
    phase_range_rate_m_s : ndarray of float64
        Metres per second, positive when the range grows; NaN where invalid or not carried.
    cnr_dbhz : ndarray of float32
        dB-Hz; NaN where invalid or not carried.
    lock_time_ms : ndarray of int32
        Least time of continuous lock; -1 where not told.
    half_cycle : ndarray of int8
        1 unresolved, 0 resolved, -1 not told.
    """

    frame: npt.NDArray[np.int32]
    system: npt.NDArray[np.uint8]
    satellite: npt.NDArray[np.uint8]
    signal: npt.NDArray[np.uint8]
    pseudorange_m: npt.NDArray[np.float64]
    phase_range_m: npt.NDArray[np.float64]
    pseudorange_modulo_m: npt.NDArray[np.float64]
    phase_range_modulo_m: npt.NDArray[np.float64]
    phase_range_rate_m_s: npt.NDArray[np.float64]
    cnr_dbhz: npt.NDArray[np.float32]
    lock_time_ms: npt.NDArray[np.int32]
    half_cycle: npt.NDArray[np.int8]

    def __post_init__(self) -> None:
        size = len(self.frame)
        for column in fields(self):
            array = getattr(self, column.name)
            assert len(array) == size, column.name
            array.setflags(write=False)

    def __len__(self) -> int:
        return len(self.frame)

    def take(self, rows: npt.NDArray[np.int64] | npt.NDArray[np.bool_]) -> "Observations":
        """Give some of the rows.

        Parameters
        ----------
        rows : ndarray of int64 or bool
            Indices, or a mask of shape (n,).
        """
        return Observations(*(getattr(self, column.name)[rows] for column in fields(self)))

    def with_frames(self, frame: npt.NDArray[np.int32]) -> "Observations":
        """Give the same observations with other frame indices, shape (n,)."""
        rest = (getattr(self, column.name) for column in fields(self)[1:])
        return Observations(frame, *rest)


def nothing(size: int) -> npt.NDArray[np.float64]:
    """Give a column of NaN that takes no memory."""
    return np.broadcast_to(np.float64(np.nan), size)


def join(parts: Sequence[Observations]) -> Observations:
    """Put observations behind each other and into the order of their frames.

    Parameters
    ----------
    parts : sequence of Observations
        Of the same batch.

    Returns
    -------
    Observations
        All rows, sorted by frame; the order within a frame is kept.
    """
    if len(parts) == 1:
        return parts[0]
    if not parts:
        return EMPTY
    columns = [
        np.concatenate([getattr(part, column.name) for part in parts])
        for column in fields(Observations)
    ]
    if np.all(np.diff(columns[0]) >= 0):
        return Observations(*columns)
    order = np.argsort(columns[0], kind="stable")
    return Observations(*(column[order] for column in columns))


_NO_BYTES, _NO_FLOATS = np.zeros(0, np.uint8), np.zeros(0)
EMPTY = Observations(
    frame=np.zeros(0, np.int32),
    system=_NO_BYTES,
    satellite=_NO_BYTES,
    signal=_NO_BYTES,
    pseudorange_m=_NO_FLOATS,
    phase_range_m=_NO_FLOATS,
    pseudorange_modulo_m=_NO_FLOATS,
    phase_range_modulo_m=_NO_FLOATS,
    phase_range_rate_m_s=_NO_FLOATS,
    cnr_dbhz=np.zeros(0, np.float32),
    lock_time_ms=np.zeros(0, np.int32),
    half_cycle=np.zeros(0, np.int8),
)
