"""Times in which a recorder did not listen: they are no gaps of the base."""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from rtcmtool.captures.arrivals import Arrivals
from rtcmtool.captures.companions import Event

_NS_PER_S = 1e9


@dataclass(frozen=True, slots=True)
class Pause:
    """A time without listening inside a recording.

    Attributes
    ----------
    offset : int
        Of the first byte behind it.
    before_s, after_s : float
        How long nothing had come when it began, and came when it had ended.
    """

    offset: int
    before_s: float
    after_s: float


def pauses_between(arrivals: Arrivals, events: Iterable[Event]) -> tuple[Pause, ...]:
    """Find the times without listening between the bytes of a recording.

    Parameters
    ----------
    arrivals : Arrivals
        On the computer's clock, as the events are.
    events : iterable of Event
        In order.

    Returns
    -------
    tuple of Pause
        In order; those before the first byte and behind the last are none.
    """
    found: list[Pause] = []
    begin_ns: int | None = None
    for event in events:
        if event.kind != "monitor-gap":
            continue
        if event.values.get("state") == "open":
            begin_ns = event.utc_ns
            continue
        after = np.flatnonzero(arrivals.utc_ns >= event.utc_ns)
        place = int(after[0]) if len(after) else 0
        if begin_ns is not None and place:
            before_ns = begin_ns - int(arrivals.utc_ns[place - 1])
            after_ns = int(arrivals.utc_ns[place]) - event.utc_ns
            before_s, after_s = (max(each, 0) / _NS_PER_S for each in (before_ns, after_ns))
            found.append(Pause(int(arrivals.offsets[place]), before_s, after_s))
        begin_ns = None
    return tuple(found)
