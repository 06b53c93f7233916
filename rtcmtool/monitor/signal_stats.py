"""Signals: strength, half cycles, lock times, bands of each satellite, channels."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss.signals import band
from rtcmtool.monitor.lock_history import LockHistory
from rtcmtool.wire.decoding import NONE, Batch
from rtcmtool.wire.observations import SYSTEM_LETTERS, Observations
from rtcmtool.wire.signal_ids import SIGNALS

Integers = npt.NDArray[np.int64]

CNR_BINS = 64  # of 1 dB-Hz


def _band_bits() -> npt.NDArray[np.uint32]:
    """Give a bit for the band of each system and signal; 0 for reserved signals."""
    table = np.zeros((len(SYSTEM_LETTERS), len(SIGNALS)), np.uint32)
    for row, letter in enumerate(SYSTEM_LETTERS):
        for column, signal in enumerate(SIGNALS):
            digit = band(letter, signal)
            table[row, column] = 1 << int(digit) if digit.isdigit() else 0
    return table


_BAND_BITS = _band_bits()


@dataclass(frozen=True, slots=True)
class FrameCounts:
    """Satellites of each frame, and those with code and phase on two bands; shape (n_frames,)."""

    satellites: Integers
    two_bands: Integers


class CellCounts:
    """Observations counted by system and signal.

    Attributes
    ----------
    cells, code_cells, phase_cells : ndarray of int64, shape (systems, signals)
        Observations, and those with a valid whole pseudorange or phase range.
    half_told, half_set : int
        Cells that tell of a half-cycle ambiguity, and those that have one.
    """

    def __init__(self) -> None:
        shape = (len(SYSTEM_LETTERS), len(SIGNALS))
        self.cells = np.zeros(shape, np.int64)
        self.code_cells = np.zeros(shape, np.int64)
        self.phase_cells = np.zeros(shape, np.int64)
        self.half_told = self.half_set = 0

    def count(self, observations: Observations) -> None:
        """Count observations."""
        place = _place(observations)
        code = ~np.isnan(observations.pseudorange_m)
        phase = ~np.isnan(observations.phase_range_m)
        size = self.cells.size
        shape = self.cells.shape
        self.cells += np.bincount(place, minlength=size).reshape(shape)
        self.code_cells += (
            np.bincount(place, weights=code, minlength=size).reshape(shape).astype(int)
        )
        self.phase_cells += (
            np.bincount(place, weights=phase, minlength=size).reshape(shape).astype(int)
        )
        self.half_told += int(np.count_nonzero(observations.half_cycle != NONE))
        self.half_set += int(np.count_nonzero(observations.half_cycle == 1))


class SignalStats(CellCounts):
    """What the observations of a stream show.

    Attributes
    ----------
    cnr : ndarray of int64, shape (systems, signals, bins)
        How often each strength (whole dB-Hz) was seen.
    locks : LockHistory
        Losses of lock that the lock times prove.
    channels : dict
        GLONASS frequency channel by slot.
    """

    def __init__(self) -> None:
        super().__init__()
        self.cnr = np.zeros((*self.cells.shape, CNR_BINS), np.int64)
        self.locks = LockHistory()
        self.channels: dict[int, int] = {}

    def update(self, batch: Batch) -> FrameCounts:
        """Take a batch; give the counts of its frames."""
        observations = batch.observations
        for _, slot, channel in batch.channels[-64:].tolist():
            self.channels[slot] = channel
        if len(observations):
            self.count(observations)
            self.locks.update(observations, batch.number, batch.timeline_ms)
        return frame_counts(observations, len(batch))

    def count(self, observations: Observations) -> None:
        """Count observations and their strengths."""
        super().count(observations)
        place = _place(observations)
        told = ~np.isnan(observations.cnr_dbhz)
        strength = np.clip(observations.cnr_dbhz[told], 0, CNR_BINS - 1).astype(np.int64)
        counts = np.bincount(place[told] * CNR_BINS + strength, minlength=self.cnr.size)
        self.cnr += counts.reshape(self.cnr.shape)

    def finish(self) -> None:
        """Tell that the stream has ended."""
        self.locks.finish()


def _place(observations: Observations) -> Integers:
    """Give system and signal of each row in one number."""
    return observations.system.astype(np.int64) * len(SIGNALS) + observations.signal


def _leads(observations: Observations) -> npt.NDArray[np.bool_]:
    """Tell which rows are the first of their satellite in their frame."""
    frame, system, satellite = observations.frame, observations.system, observations.satellite
    changed = (
        (frame[1:] != frame[:-1]) | (satellite[1:] != satellite[:-1]) | (system[1:] != system[:-1])
    )
    return np.concatenate(([True], changed))


def frame_counts(observations: Observations, frames: int) -> FrameCounts:
    """Count satellites, and satellites with code and phase on two bands, by frame."""
    if not len(observations):
        none = np.zeros(frames, np.int64)
        return FrameCounts(none, none)
    frame = observations.frame
    begins = np.flatnonzero(_leads(observations))
    usable = ~np.isnan(observations.pseudorange_m) & ~np.isnan(observations.phase_range_m)
    bits = np.where(usable, _BAND_BITS[observations.system, observations.signal], 0)
    bands = np.bitwise_or.reduceat(bits, begins)
    two = bands & (bands - 1) != 0
    owner = frame[begins]
    return FrameCounts(
        np.bincount(owner, minlength=frames), np.bincount(owner[two], minlength=frames)
    )
