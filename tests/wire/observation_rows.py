"""Made observations for the tests of the encoders, and their way through the decoder."""

from typing import Any

import numpy as np

from rtcmtool.wire.decoding import Batch
from rtcmtool.wire.observations import SYSTEM_LETTERS, Observations
from rtcmtool.wire.signal_ids import SIGNAL_ID
from rtcmtool.wire.stream import Chunk, StreamDecoder

Row = dict[str, Any]

LIGHT_MS_M = 299_792.458

# In the order of the signal masks.
SIGNALS = {
    "G": ("1C", "2W", "5Q"),
    "R": ("1C", "2P"),
    "E": ("1C", "7Q", "8Q", "5Q"),
    "S": ("1C", "5I"),
    "J": ("1C", "2L", "5Q"),
    "C": ("2I", "6I", "5P"),
    "I": ("9A", "5A"),
}
FIRST_SATELLITE = {"S": 20}


def made(
    letter: str, epochs: int, satellites: int, seed: int, *, signals: tuple[str, ...] = ()
) -> Observations:
    """Make observations with gaps of every kind, sorted as messages are."""
    rng = np.random.default_rng(seed)
    names = signals or SIGNALS[letter]
    shape = (epochs, satellites, len(names))
    there = rng.random(shape) < 0.85
    epoch, satellite, signal = np.nonzero(there)
    size = len(epoch)
    base_m = rng.uniform(1.9e7, 7.0e7, shape[:2])[epoch, satellite]
    rate_m_s = rng.uniform(-900.0, 900.0, shape[:2])[epoch, satellite]

    def gappy(values: np.ndarray) -> np.ndarray:
        return np.where(rng.random(size) < 0.06, np.nan, values)

    return Observations(
        epoch.astype(np.int32),
        np.full(size, SYSTEM_LETTERS.index(letter), np.uint8),
        (FIRST_SATELLITE.get(letter, 1) + 2 * satellite).astype(np.uint8),
        np.array([SIGNAL_ID[name] for name in names], np.uint8)[signal],
        gappy(base_m + rng.uniform(-60.0, 60.0, size)),
        gappy(base_m + rng.uniform(-100.0, 100.0, size)),
        np.full(size, np.nan),
        np.full(size, np.nan),
        gappy(rate_m_s + rng.uniform(-0.4, 0.4, size)),
        gappy(rng.uniform(1.0, 62.9, size)).astype(np.float32),
        rng.integers(-1, 2_000_000, size).astype(np.int32),
        rng.integers(0, 2, size).astype(np.int8),
    )


def row(letter: str, satellite: int, signal: str, **values: float) -> Row:
    """Describe one observation of epoch 0, or of another; everything not given is missing."""
    return {"letter": letter, "satellite": satellite, "signal": signal, "epoch": 0, **values}


def columns(*rows: Row) -> Observations:
    """Make columns of rows, in their order."""

    def column(name: str, dtype: type, missing: float = np.nan) -> np.ndarray:
        return np.array([one.get(name, missing) for one in rows], dtype)

    return Observations(
        column("epoch", np.int32),
        np.array([SYSTEM_LETTERS.index(one["letter"]) for one in rows], np.uint8),
        column("satellite", np.uint8),
        np.array([SIGNAL_ID[one["signal"]] for one in rows], np.uint8),
        column("pseudorange_m", np.float64),
        column("phase_range_m", np.float64),
        column("pseudorange_modulo_m", np.float64),
        column("phase_range_modulo_m", np.float64),
        column("phase_range_rate_m_s", np.float64),
        column("cnr_dbhz", np.float32),
        column("lock_time_ms", np.int32, -1),
        column("half_cycle", np.int8, -1),
    )


def decoded(data: bytes) -> Batch:
    """Decode a whole stream that holds frames only."""
    stream = StreamDecoder()
    batch = stream.feed(Chunk(data))
    assert not batch.block.rejects
    assert not stream.finish().block.rejects
    return batch
