"""Bands that vanish for moments while their satellites go on with others.

A strong transmitter near by does not weaken a band: the receiver loses it, and no strength is told
any more. So the moments are counted in which most satellites lack a band that they had within the
last minute. They count once the band is back: one that stays away was switched off, or has left.
"""

from dataclasses import dataclass, field

import numpy as np

from rtcmtool.monitor.observed_epochs import PLACES, Integers, Rows

REMEMBERED_MS = 60_000  # a signal that is away for longer has left (as of the signal set)
MOST_SHARE = 0.8  # of the satellites that had the band: judgement
BACK_SHARE = 0.5  # of them: so many must have it again
FEWEST = 4  # satellites, as for the level of a band

# A receiver that starts again has L1 first and the others seconds later, so that what was before is
# no measure. Such a silence is longer than this, and than three of the stream's own intervals.
SILENCE_MS = 5_000

_NO_TIME = -(1 << 62)


@dataclass
class Absence:
    """The moments without a band.

    Attributes
    ----------
    epochs : int
        Without it.
    since_ms, last_ms : int or None
        First and last of them.
    waiting : list of int
        Epochs without it that count when it comes back.
    had : int
        Satellites that had it before.
    """

    epochs: int = 0
    since_ms: int | None = None
    last_ms: int | None = None
    waiting: list[int] = field(default_factory=list, repr=False)
    had: int = 0

    def note(self, time_ms: int, had: int, seen: int, *, is_away: bool) -> None:
        """Take one epoch: satellites that had the band within the last minute, and have it now."""
        if self.waiting and time_ms - self.waiting[0] > REMEMBERED_MS:
            self.waiting.clear()
        if is_away:
            self.had = self.had if self.waiting else had
            self.waiting.append(time_ms)
        elif self.waiting and seen >= BACK_SHARE * self.had:
            self.epochs += len(self.waiting)
            self.since_ms = self.waiting[0] if self.since_ms is None else self.since_ms
            self.last_ms = self.waiting[-1]
            self.waiting.clear()


class BandAbsence:
    """Follows the bands of one station; its size does not grow with the stream.

    Parameters
    ----------
    bands : int
        How many bands there are.

    Attributes
    ----------
    found : dict of Absence
        By the number of the band, of those that were ever away.
    """

    def __init__(self, bands: int) -> None:
        self.found: dict[int, Absence] = {}
        self._bands = bands
        self._pairs = np.zeros(0, np.int64)  # band and place, rising
        self._last_ms = np.zeros(0, np.int64)  # when each was there
        self._latest_ms: int | None = None
        self._interval_ms = REMEMBERED_MS  # the shortest

    def update(self, rows: Rows, band: Integers) -> None:
        """Take whole epochs, in order of time.

        Parameters
        ----------
        rows : Rows
            All that was measured.
        band : ndarray of int64, shape (n,)
            Number of the band of each row, below the number of bands.
        """
        if not len(rows):
            return
        times = np.unique(rows.time_ms)
        steps_ms = np.diff(times, prepend=times[0] if self._latest_ms is None else self._latest_ms)
        forward_ms = np.where(steps_ms > 0, steps_ms, REMEMBERED_MS)
        interval_ms = np.minimum.accumulate(np.concatenate(([self._interval_ms], forward_ms)))
        self._latest_ms, self._interval_ms = int(times[-1]), int(interval_ms[-1])
        # Where it was silent, or the time was set back.
        is_new = (steps_ms < 0) | (steps_ms > np.maximum(SILENCE_MS, 3 * interval_ms[:-1]))
        begins = np.flatnonzero(is_new)
        if not len(begins):
            self._take(rows, band)
            return
        part = np.searchsorted(times[begins], rows.time_ms, side="right")
        for number in range(len(begins) + 1):
            if number:
                self._forget()
            chosen = part == number
            self._take(rows.take(chosen), band[chosen])

    def _forget(self) -> None:
        """Begin anew: what is away now was not there before."""
        self._pairs, self._last_ms = self._pairs[:0], self._last_ms[:0]
        for absence in self.found.values():
            absence.waiting.clear()

    def _take(self, rows: Rows, band: Integers) -> None:
        """Take epochs without a silence."""
        if not len(rows):
            return
        times, epoch = np.unique(rows.time_ms, return_inverse=True)
        pair = band * PLACES + rows.place
        pairs = np.union1d(self._pairs, pair)
        before_ms = np.full(len(pairs), _NO_TIME, np.int64)
        before_ms[np.searchsorted(pairs, self._pairs)] = self._last_ms
        seen = np.zeros((len(times), len(pairs)), np.bool_)
        seen[epoch, np.searchsorted(pairs, pair)] = True
        # When each pair was there last, before and with each epoch.
        last_ms = np.where(seen, times[:, None], before_ms)
        last_ms = np.maximum.accumulate(np.vstack((before_ms, last_ms)))
        known = times[:, None] - last_ms[:-1] <= REMEMBERED_MS
        places, place = np.unique(pairs % PLACES, return_inverse=True)
        here = np.zeros((len(times), len(places)), np.bool_)
        here[epoch, np.searchsorted(places, rows.place)] = True
        carriers = known & here[:, place]
        of_band = np.zeros((len(pairs), self._bands), np.int64)
        of_band[np.arange(len(pairs)), pairs // PLACES] = 1
        had, away, seen_now = (of @ of_band for of in (carriers, carriers & ~seen, seen))
        is_away = (away >= FEWEST) & (away >= MOST_SHARE * had)
        waiting = {number for number, absence in self.found.items() if absence.waiting}
        for number in sorted(waiting | set(np.flatnonzero(is_away.any(axis=0)).tolist())):
            absence = self.found.setdefault(number, Absence())
            columns = (times, had[:, number], seen_now[:, number], is_away[:, number])
            for time_ms, before, now, gone in zip(*(c.tolist() for c in columns), strict=True):
                absence.note(time_ms, before, now, is_away=gone)
        kept = times[-1] - last_ms[-1] <= REMEMBERED_MS
        self._pairs, self._last_ms = pairs[kept], last_ms[-1][kept]
