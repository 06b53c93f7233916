"""Arrival times without the steps of the computer's clock.

The recorder knows by a second clock that the first was set, and keeps it as an event. Times between
arrivals are right only when those steps are taken out again: then all arrivals are on the clock as
it ran at the beginning.
"""

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from rtcmtool.captures.arrivals import Arrivals
from rtcmtool.captures.companions import Event

CLOCK_STEP = "clock-step"
_LATE_NS = 1_000_000_000  # an event is kept so long after its step at most
_EARLY_NS = 600_000_000  # a step is measured so well


def without_steps(arrivals: Arrivals, events: Iterable[Event]) -> Arrivals:
    """Give arrival times on one clock.

    Parameters
    ----------
    arrivals : Arrivals
        As they were stamped.
    events : iterable of Event
        Of the same capture; those of clock steps are used, in order.

    Returns
    -------
    Arrivals
        The same offsets; the same object where no step was told between arrivals.
    """
    steps = [
        (event.utc_ns, round(step_s * 1e9))
        for event in events
        if event.kind == CLOCK_STEP
        and isinstance(step_s := event.values.get("step_s"), int | float)
    ]
    stamped = arrivals.utc_ns
    if not steps or len(stamped) < 2:
        return arrivals
    elapsed = np.diff(stamped)
    first = 1
    steady = stamped.copy()
    for told_ns, step_ns in steps:
        after = np.arange(first, len(stamped))
        gap = elapsed[after - 1] - step_ns  # how long nothing came, if the step lies here
        fits = gap >= -_EARLY_NS
        fits &= stamped[after] >= told_ns - _LATE_NS
        fits &= stamped[after - 1] <= told_ns - step_ns + _LATE_NS
        if not fits.any():
            continue  # before the first arrival, or behind the last
        place = int(after[fits][np.argmin(gap[fits])])
        steady[place:] -= step_ns
        first = place + 1
        if first >= len(stamped):
            break
    return replace(arrivals, utc_ns=steady, clock_steps_back=0) if first > 1 else arrivals
