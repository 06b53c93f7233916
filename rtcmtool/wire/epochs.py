"""Which week, which day: epoch fields of messages to GPS time.

Observations carry no week. It comes, in this order, from a date that the user gives, from the
arrival time, from a message 1013 or 1029, or from the week of an ephemeris; never by looking ahead.
From then on the reference moves forward with each resolved epoch and never back: a service may
repeat messages whose epoch is half a day old.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss import time as gnss_time
from rtcmtool.wire.layout import Layout, Record

Integers = npt.NDArray[np.int64]

UNKNOWN = -1
FIRST_WEEK_OF_TEN_BITS = 2048  # of 2019-04-07: a 10-bit week without other knowledge
_DAY_UNKNOWN = 7  # day of week that GLONASS MSM sends when it does not know
ASSUMED_WEEK = 2300  # of 2024: any week far from a leap second serves


class Scale(Enum):
    """Time scale of an epoch field."""

    GPS_WEEK = "ms of GPS week"
    BDT_WEEK = "ms of BeiDou week"
    GLONASS_DAY = "ms of GLONASS day"


def scale_of(number: int, system: str | None, subtype: int | None = None) -> Scale:
    """Give the time scale of a message's epoch field.

    Parameters
    ----------
    number : int
        Message number.
    system : str or None
        RINEX letter of its system.
    subtype : int, optional
        Of 4076, which counts GPS seconds for every system.
    """
    if subtype is not None or system not in ("R", "C"):
        return Scale.GPS_WEEK
    return Scale.GLONASS_DAY if system == "R" else Scale.BDT_WEEK


class Origin(Enum):
    """Where the week is known from."""

    DATE = "the date given"
    ARRIVAL = "the arrival time"
    MESSAGE = "a message 1013 or 1029"
    EPHEMERIS = "the week of an ephemeris"


@dataclass(slots=True)
class TimeReference:
    """A known time near which epochs are placed.

    Attributes
    ----------
    gps_ms : int or None
        The reference, ms; None while nothing is known.
    origin : Origin or None
        Where the knowledge is from.
    leap_seconds : int or None
        GPS time minus UTC where a message 1013 told it; else the table is used.
    """

    gps_ms: int | None = None
    origin: Origin | None = None
    leap_seconds: int | None = None

    def learn(self, gps_ms: int, origin: Origin) -> None:
        """Take a first knowledge; a later one changes nothing."""
        if self.gps_ms is None:
            self.gps_ms, self.origin = gps_ms, origin

    def arrive(self, utc_ns: int) -> None:
        """Take the arrival time of the bytes that follow, unless a date was given."""
        if self.origin is not Origin.DATE:
            self.gps_ms = gnss_time.gps_ms_from_utc_ns(utc_ns, leap_seconds=self.leap_seconds)
            self.origin = Origin.ARRIVAL

    def place(self, scale: Scale, epoch_ms: int, day_of_week: int = _DAY_UNKNOWN) -> int:
        """Place one epoch near the reference; the reference moves forward to it.

        Returns
        -------
        int
            GPS time, ms; -1 while the week is unknown.
        """
        if self.gps_ms is None:
            return UNKNOWN
        gps_ms = self._nearest(scale, epoch_ms, day_of_week)
        self.gps_ms = max(self.gps_ms, gps_ms)
        return gps_ms

    def _nearest(self, scale: Scale, epoch_ms: int, day_of_week: int) -> int:
        assert self.gps_ms is not None
        match scale:
            case Scale.GPS_WEEK:
                return gnss_time.resolve_gps_week(epoch_ms, self.gps_ms)
            case Scale.BDT_WEEK:
                return gnss_time.resolve_bdt_week(epoch_ms, self.gps_ms)
            case Scale.GLONASS_DAY:
                day = None if day_of_week == _DAY_UNKNOWN else day_of_week
                return gnss_time.resolve_glonass_day(
                    epoch_ms, self.gps_ms, day, leap_seconds=self.leap_seconds
                )

    def place_all(self, scales: Integers, epoch_ms: Integers, days: Integers) -> Integers:
        """Place epochs of a stream in their order.

        Parameters
        ----------
        scales : ndarray of int64, shape (n,)
            Index of each epoch's scale in the order of `Scale`.
        epoch_ms : ndarray of int64, shape (n,)
            Epoch fields.
        days : ndarray of int64, shape (n,)
            GLONASS day of week; 7 where there is none.

        Returns
        -------
        ndarray of int64, shape (n,)
            GPS time, ms; -1 while the week is unknown.
        """
        if self.gps_ms is None or not len(epoch_ms):
            return np.full(len(epoch_ms), UNKNOWN, np.int64)
        placed = self._place_at_once(scales, epoch_ms, days)
        if placed is None:
            kinds = list(Scale)
            rows: Iterable[tuple[int, int, int]] = zip(
                scales.tolist(), epoch_ms.tolist(), days.tolist(), strict=True
            )
            placed = np.array([self.place(kinds[s], e, d) for s, e, d in rows], dtype=np.int64)
        self.gps_ms = max(self.gps_ms, int(placed.max()))
        return placed

    def _place_at_once(
        self, scales: Integers, epoch_ms: Integers, days: Integers
    ) -> Integers | None:
        """Place all near the present reference, or None where the order could matter."""
        assert self.gps_ms is not None
        reference = self.gps_ms
        margin = gnss_time.MS_PER_DAY // 8  # far from half a day: the moving reference agrees
        glonass = scales == 2
        leap_ms = 1000 * (
            self.leap_seconds
            if self.leap_seconds is not None
            else gnss_time.leap_seconds_at_gps(reference)
        )
        if self.leap_seconds is None and (
            gnss_time.leap_seconds_at_gps(reference - gnss_time.MS_PER_WEEK) * 1000 != leap_ms
            or gnss_time.leap_seconds_at_gps(reference + gnss_time.MS_PER_WEEK) * 1000 != leap_ms
        ):
            return None
        dated = glonass & (days != _DAY_UNKNOWN)
        label = epoch_ms + np.where(scales == 1, gnss_time.BDT_BEHIND_GPS_MS, 0)
        label += np.where(glonass, leap_ms - gnss_time.GLONASS_AHEAD_OF_UTC_MS, 0)
        label += np.where(dated, days * gnss_time.MS_PER_DAY, 0)
        period = np.where(glonass & ~dated, gnss_time.MS_PER_DAY, gnss_time.MS_PER_WEEK)
        placed: Integers = label + (2 * (reference - label) + period) // (2 * period) * period
        if np.abs(placed - reference).max() > margin:
            return None
        return placed


class Timeline:
    """One axis for the epochs of a stream, also while its week is unknown.

    An assumed week then stands in. GLONASS epochs that tell no day may come before any that does:
    they are put on some day, and the others are shifted by whole days to stand beside them.
    """

    def __init__(self) -> None:
        self._reference = TimeReference()
        self._shift_ms: int | None = (
            None  # known as soon as an epoch tells more than the time of day
        )

    def place_all(
        self, scales: Integers, epoch_ms: Integers, days: Integers, known_ms: Integers
    ) -> Integers:
        """Place epochs of a stream in their order.

        Parameters
        ----------
        scales, epoch_ms, days : ndarray of int64, shape (n,)
            As of `TimeReference.place_all`.
        known_ms : ndarray of int64, shape (n,)
            GPS time, ms, where known; -1 elsewhere. That of the very first epoch is kept to.

        Returns
        -------
        ndarray of int64, shape (n,)
            ms; differences are true.
        """
        if not len(epoch_ms):
            return np.zeros(0, np.int64)
        reference, begin = self._reference, 0
        leading = np.zeros(0, np.int64)
        if reference.gps_ms is None and known_ms[0] != UNKNOWN:
            reference.gps_ms, self._shift_ms = int(known_ms[0]), 0
        if self._shift_ms is None:
            by_day = list(Scale).index(Scale.GLONASS_DAY)
            dated = np.flatnonzero((scales != by_day) | (days != _DAY_UNKNOWN))
            begin = int(dated[0]) if len(dated) else len(scales)
            leading = self._place_undated(scales[:begin], epoch_ms[:begin], days[:begin])
            if begin < len(scales):
                scale = list(Scale)[int(scales[begin])]
                self._fix_shift(scale, int(epoch_ms[begin]), int(days[begin]))
        placed = reference.place_all(
            scales[begin:], epoch_ms[begin:] + (self._shift_ms or 0), days[begin:]
        )
        return np.concatenate((leading, placed))

    def _place_undated(self, scales: Integers, epoch_ms: Integers, days: Integers) -> Integers:
        if len(epoch_ms) and self._reference.gps_ms is None:
            self._reference.gps_ms = _middle_of_assumed_week()
        return self._reference.place_all(scales, epoch_ms, days)

    def _fix_shift(self, scale: Scale, epoch_ms: int, day_of_week: int) -> None:
        """Bring the first epoch that tells its day beside those that did not."""
        label_ms = TimeReference(_middle_of_assumed_week()).place(scale, epoch_ms, day_of_week)
        if self._reference.gps_ms is None:
            self._reference.gps_ms = label_ms
        apart = self._reference.gps_ms - label_ms
        self._shift_ms = round(apart / gnss_time.MS_PER_DAY) * gnss_time.MS_PER_DAY


def _middle_of_assumed_week() -> int:
    return ASSUMED_WEEK * gnss_time.MS_PER_WEEK + gnss_time.MS_PER_WEEK // 2


def time_of_day_message(record: Record, leap_seconds: int | None) -> int:
    """Give the GPS time of a message that carries a date (1013, 1029), ms."""
    return gnss_time.gps_ms_from_mjd(record["mjd"], record["utc_s"], leap_seconds=leap_seconds)


# Modulus of the week in an ephemeris, and what to add for the GPS week.
_WEEKS = {
    1019: (1024, 0, FIRST_WEEK_OF_TEN_BITS),
    1041: (1024, 0, FIRST_WEEK_OF_TEN_BITS),
    1042: (8192, gnss_time.BDT_WEEK_OFFSET, gnss_time.BDT_WEEK_OFFSET),
    1044: (1024, 0, FIRST_WEEK_OF_TEN_BITS),
    1045: (4096, gnss_time.GALILEO_WEEK_OFFSET, gnss_time.GALILEO_WEEK_OFFSET),
    1046: (4096, gnss_time.GALILEO_WEEK_OFFSET, gnss_time.GALILEO_WEEK_OFFSET),
}


def time_of_ephemeris(layout: Layout, week: int, toe_s: float) -> int | None:
    """Give the GPS time that an ephemeris speaks of, ms; None for one that carries no week.

    Parameters
    ----------
    layout : Layout
        Layout of the ephemeris.
    week : int
        Week as sent.
    toe_s : float
        Reference time in that week, s.
    """
    if layout.number not in _WEEKS:
        return None
    modulus, offset, first = _WEEKS[layout.number]
    full = gnss_time.resolve_week_number(week + offset, modulus, None, first)
    return gnss_time.gps_ms_from_week(full, round(toe_s * 1000))
