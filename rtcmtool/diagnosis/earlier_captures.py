"""What earlier captures say of their base, to compare today's position with."""

from collections.abc import Iterable
from dataclasses import dataclass
from math import dist

import numpy as np

from rtcmtool.diagnosis.lengths import east_north_up
from rtcmtool.gnss.geodesy import FloatArray, degrees_from_ecef, enu_from_ecef, mark_from_arp
from rtcmtool.monitor.base_station import (
    POSITION_NUMBERS,
    SAME_POSITION_M,
    BaseDescription,
    Position,
)
from rtcmtool.monitor.stream_clock import StreamClock
from rtcmtool.wire.decoding import Batch

# Two bases farther apart than this stand on different marks, unless the site has the same name;
# judgement: averages differ by metres, slips of the pen mostly by more.
SAME_PLACE_M = 1000.0


@dataclass(frozen=True, slots=True)
class EarlierBase:
    """The base of an earlier capture.

    Attributes
    ----------
    name : str
        Of the capture.
    day : str or None
        Day of the capture in UTC, where known.
    position : Position or None
        The last one it sent; None where it sent none.
    positions : int
        How many different ones it sent.
    site : str or None
        Name of the site, as recorded.
    """

    name: str
    day: str | None
    position: Position | None
    positions: int = 1
    site: str | None = None

    @property
    def label(self) -> str:
        """How to call it in a sentence."""
        return f"{self.name} ({self.day})" if self.day else self.name


@dataclass(frozen=True, slots=True)
class Shift:
    """From the mark of an earlier base to today's.

    Attributes
    ----------
    earlier : EarlierBase
        Where from.
    east_m, north_m, up_m : float
        Today's minus earlier, at the earlier place.
    height_known : bool
        Whether both antenna heights are known, so that `up_m` is that of the marks, not of the
        antennas.
    plan_m, distance_m : float
        Horizontal, and in space.
    """

    earlier: EarlierBase
    east_m: float
    north_m: float
    up_m: float
    height_known: bool
    plan_m: float
    distance_m: float

    @property
    def text(self) -> str:
        """East, north, up in words."""
        return east_north_up(self.east_m, self.north_m, self.up_m)


def earlier_base(
    name: str, batches: Iterable[Batch], site: str | None = None
) -> EarlierBase | None:
    """Follow an earlier capture as far as its base's position.

    Parameters
    ----------
    name : str
        Of the capture, for people.
    batches : iterable of Batch
        The decoded capture.
    site : str, optional
        Name of the site in its description.

    Returns
    -------
    EarlierBase or None
        None if it holds no position. Of several stations the one with most position messages.
    """
    clock, base = StreamClock(), BaseDescription()
    for batch in batches:
        times = clock.times(batch).tolist()
        for message in batch.messages:
            if message.layout.number in POSITION_NUMBERS:
                time_ms = times[message.frame]
                base.hear(message.record["station"], time_ms, time_ms, 1)
                base.update(message, time_ms)
    sent = [station for station in base.stations.values() if station.latest_position]
    if not sent:
        return None
    station = max(sent, key=lambda one: one.position_count)
    position = station.latest_position
    assert position is not None
    begin = None if clock.first_ms is None else clock.since(clock.first_ms)
    different = len({one.arp_ecef_m for one in station.positions})
    return EarlierBase(name, begin[:10] if begin else None, position, different, site)


def shift_from(earlier: EarlierBase, position: Position, today_height_m: float | None) -> Shift:
    """Give the shift from the mark of an earlier base to today's.

    Parameters
    ----------
    earlier : EarlierBase
        Where from; with a position.
    position : Position
        What is sent today.
    today_height_m : float or None
        Vertical antenna height today, from message or sheet.

    Returns
    -------
    Shift
        The antenna stands at another height each day, so heights are taken off where both are
        known. Else the antennas are compared: the very same position needs no height.
    """
    assert earlier.position is not None, "there is nothing to compare with"
    old_m, new_m = earlier.position.arp_ecef_m, position.arp_ecef_m
    same = dist(old_m, new_m) <= SAME_POSITION_M
    old, new = np.array(old_m), np.array(new_m)
    before_m = earlier.position.antenna_height_m or None
    known = before_m is not None and today_height_m is not None
    if before_m is not None and today_height_m is not None:
        old, new = mark_from_arp(old, before_m), mark_from_arp(new, today_height_m)
    vector: FloatArray = enu_from_ecef(new - old, old)
    up_m = degrees_from_ecef(new)[2] - degrees_from_ecef(old)[2]
    east_m, north_m = float(vector[0]), float(vector[1])
    plan_m = (east_m**2 + north_m**2) ** 0.5
    distance_m = dist(old.tolist(), new.tolist())
    return Shift(earlier, east_m, north_m, up_m, known or same, plan_m, distance_m)


def is_same_place(shift: Shift, site: str | None) -> bool:
    """Tell whether two bases are meant to stand on one mark: near by, or sites of one name."""
    named = site is not None and shift.earlier.site == site
    return named or shift.distance_m <= SAME_PLACE_M
