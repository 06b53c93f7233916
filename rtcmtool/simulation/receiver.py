"""What a receiver measures under an invented sky."""

from collections.abc import Iterable, Iterator
from typing import Any

import numpy as np
import numpy.typing as npt

from rtcmtool.simulation.constellation import Constellation
from rtcmtool.simulation.measuring import measure
from rtcmtool.simulation.receiver_effects import Effect
from rtcmtool.simulation.receiver_epochs import ReceiverEpochs
from rtcmtool.simulation.receiver_settings import (
    Obstruction,
    Receiver,
    ReceiverClock,
    Trajectory,
)
from rtcmtool.simulation.tracking import STRETCH_S, Stretch, Tracking, tracking_of

__all__ = ["Obstruction", "Receiver", "ReceiverClock", "Trajectory", "observe"]

IntArray = npt.NDArray[np.int64]


def observe(
    receiver: Receiver,
    constellation: Constellation,
    gps_ms: npt.ArrayLike,
    effects: Iterable[Effect] = (),
) -> ReceiverEpochs:
    """Simulate what a receiver measures.

    Parameters
    ----------
    receiver : Receiver
        Keep one object a receiver: its tracking is remembered from call to call.
    constellation : Constellation
        Likewise.
    gps_ms : array_like of int, shape (n_epochs,)
        Epoch labels on the receiver's clock, rising. Blocks of about sixty cost least.
    effects : iterable of Effect
        What goes wrong; the same in all calls.

    Returns
    -------
    ReceiverEpochs
        Each epoch comes out the same in whatever blocks it is asked for.
    """
    labels = np.atleast_1d(np.asarray(gps_ms, dtype=np.int64))
    tracking = tracking_of(receiver, constellation, tuple(effects))
    blocks = [
        measure(tracking, stretch, labels[place], place)
        for stretch, place in _by_stretch(tracking, labels)
    ]
    columns: dict[str, Any] = {
        name: np.concatenate([_empty(kind), *(getattr(block, name) for block in blocks)])
        for name, kind in _KINDS.items()
    }
    return ReceiverEpochs(labels, **columns)


def _by_stretch(tracking: Tracking, labels: IntArray) -> Iterator[tuple[Stretch, IntArray]]:
    """Sort epochs into the stretches of the tracking; leave out those before it began."""
    numbers = labels // (1000 * STRETCH_S)
    for number in np.unique(numbers[labels >= tracking.started_s * 1000]):
        yield tracking.stretch(int(number)), np.flatnonzero(numbers == number)


def _empty(kind: type[np.generic]) -> npt.NDArray[np.generic]:
    return np.zeros(0, dtype=kind)


_KINDS: dict[str, type[np.generic]] = {
    "epoch": np.int64,
    "system": np.uint8,
    "satellite": np.uint8,
    "signal": np.uint8,
    "pseudorange_m": np.float64,
    "phase_range_m": np.float64,
    "phase_range_rate_m_s": np.float64,
    "cnr_dbhz": np.float64,
    "lock_time_ms": np.int64,
    "half_cycle": np.bool_,
    "channel": np.int64,
}
