"""A made-up base that records GPS, GLONASS, Galileo and BeiDou at 1 Hz: data for bench.py.

Satellites rise and set, single signals come and go, locks grow and break; ranges move as ranges do,
but belong to no orbit. Some 37 satellites and 80 signals an epoch make 94 MB of MSM7 a day.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rtcmtool.wire.encoded_frames import EncodedFrames, MessageHeads, interleave
from rtcmtool.wire.observation_encoding import encode_msm
from rtcmtool.wire.observations import SYSTEM_LETTERS, Observations, nothing
from rtcmtool.wire.signal_ids import SIGNAL_ID

EPOCHS_A_DAY = 86_400
EPOCHS_A_CALL = 400  # the encoder is quickest with some hundreds
START_GPS_MS = 2300 * 604_800_000 + 345_600_000  # a Thursday of 2024

Integers = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Constellation:
    """A system of the made-up base."""

    letter: str
    number: int  # of its MSM
    satellites: int
    visible: float  # share of the time
    signals: tuple[tuple[str, float], ...]  # RINEX code, share of the satellites that send it


CONSTELLATIONS = (
    Constellation("G", 1077, 31, 0.323, (("1C", 1.0), ("2W", 0.9), ("5Q", 0.5))),
    Constellation("R", 1087, 24, 0.324, (("1C", 1.0), ("2P", 0.95))),
    Constellation("E", 1097, 27, 0.324, (("1C", 1.0), ("5Q", 0.8), ("7Q", 0.5))),
    Constellation("C", 1127, 35, 0.284, (("2I", 1.0), ("6I", 0.75), ("5P", 0.5))),
)
CHANNELS = {slot: (1, -4, 5, 6, 1, -4, 5, 6, -2, -7, 0, -1)[slot % 12] for slot in range(1, 25)}


def observations_of(
    constellation: Constellation, epochs: Integers, rng: np.random.Generator
) -> Observations:
    """Make the observations of one system.

    Parameters
    ----------
    constellation : Constellation
        The system.
    epochs : ndarray of int64, shape (n,)
        Seconds since the start, rising by one.
    rng : Generator
        For noise.

    Returns
    -------
    Observations
        In the order of the messages; `frame` counts from the first epoch.
    """
    number = np.arange(constellation.satellites)
    phase = (number * 0.618) % 1.0  # spreads the risings over the day
    turn = (epochs[:, None] / 43_082.0 + phase) % 1.0  # two passes a day
    is_up = turn < constellation.visible
    code = np.array([SIGNAL_ID[name] for name, _ in constellation.signals], np.uint8)
    shares = np.array([share for _, share in constellation.signals])
    sends = (number[:, None] * 0.377) % 1.0 < shares
    there = is_up[:, :, None] & sends
    there &= rng.random(there.shape) > 0.03
    epoch, satellite, signal = np.nonzero(there)
    angle = 2 * np.pi * turn[epoch, satellite] / constellation.visible
    range_m = 2.2e7 + 2.0e6 * np.cos(angle) + 10_000.0 * satellite
    rate_m_s = -2.0e6 * np.sin(angle) * 2 * np.pi / constellation.visible / 43_082.0
    size = len(epoch)
    up_s = turn[epoch, satellite] * 43_082.0
    return Observations(
        epoch.astype(np.int32),
        np.full(size, SYSTEM_LETTERS.index(constellation.letter), np.uint8),
        (satellite + 1).astype(np.uint8),
        code[signal],
        range_m + rng.normal(0.0, 0.3, size),
        range_m + rng.normal(0.0, 0.003, size) + 5.0 * signal,
        nothing(size),
        nothing(size),
        rate_m_s + rng.normal(0.0, 0.02, size),
        (44.0 + 6.0 * np.sin(angle / 2) - 3.0 * signal).astype(np.float32),
        (1000 * up_s).astype(np.int32),
        np.zeros(size, np.int8),
    )


def encoded(first: int, count: int) -> tuple[bytes, int]:
    """Make the stream of some epochs; give its bytes and the number of observations."""
    epochs = np.arange(first, first + count)
    rng = np.random.default_rng(first)
    parts: list[EncodedFrames] = []
    observed = 0
    for place, constellation in enumerate(CONSTELLATIONS):
        observations = observations_of(constellation, epochs, rng)
        more_follow = int(place < len(CONSTELLATIONS) - 1)
        heads = MessageHeads.at(
            constellation.letter, START_GPS_MS + 1000 * epochs, station=7, more_follow=more_follow
        )
        parts.append(encode_msm(constellation.number, heads, observations, CHANNELS))
        observed += len(observations)
    return interleave(parts), observed


def pieces(epochs: int = EPOCHS_A_DAY) -> Iterator[tuple[bytes, int]]:
    """Make a recording piece by piece: bytes and number of observations of each."""
    for first in range(0, epochs, EPOCHS_A_CALL):
        yield encoded(first, min(EPOCHS_A_CALL, epochs - first))
