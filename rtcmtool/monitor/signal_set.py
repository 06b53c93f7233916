"""Which signals a base usually sends, and which of them stopped while their satellites went on.

A signal is in the set when it came in at least 80 % of the last 60 epochs, as message types are. It
has left when no satellite has carried it for 60 s although at least two of those that carried it
last still come with other signals. So a band that few satellites carry is not missed when they set,
nor a system that left as a whole, nor the weak band of a single low satellite.
"""

from copy import copy
from dataclasses import dataclass

import numpy as np

from rtcmtool.monitor.epochs import LEAVES_AFTER_MS, MOST_CHANGES, SET_SHARE, WINDOW
from rtcmtool.monitor.observed_epochs import PLACES, SATELLITES, Booleans, Integers, Rows
from rtcmtool.wire.decoding import NONE
from rtcmtool.wire.observations import SYSTEM_LETTERS
from rtcmtool.wire.signal_ids import SIGNALS

FEWEST_EPOCHS = 20  # before any signal is in the set
FEWEST_CARRIERS = 2  # satellites that must go on without the signal: judgement
_STILL_MS = 60_000  # who carried a signal within so long of its end carried it last
_KEYS = len(SYSTEM_LETTERS) * len(SIGNALS)


@dataclass(frozen=True, slots=True)
class SignalChange:
    """A signal that left the set, or came back.

    Attributes
    ----------
    time_ms : int
        First epoch without it, or with it again, on the timeline.
    system, signal : str
        RINEX letter and signal.
    left : bool
        Whether it left.
    satellites : int
        How many go on without it; 0 where it came back.
    """

    time_ms: int
    system: str
    signal: str
    left: bool
    satellites: int = 0


class SignalSet:
    """Follows the signals of one station; its size does not grow with the stream.

    Attributes
    ----------
    changes : list of SignalChange
        The first thousand.
    """

    def __init__(self) -> None:
        self.changes: list[SignalChange] = []
        self._is_in = np.zeros(_KEYS, np.bool_)
        self._has_left = np.zeros(_KEYS, np.bool_)
        self._recent = np.zeros((0, _KEYS), np.bool_)  # the last epochs, oldest first
        self._seen_ms = np.full(_KEYS, NONE, np.int64)
        self._absent_ms = np.full(_KEYS, NONE, np.int64)  # first epoch without it
        self._cell_ms = np.full(PLACES * len(SIGNALS), NONE, np.int64)
        self._place_ms = np.full(PLACES, NONE, np.int64)

    @property
    def gone(self) -> list[SignalChange]:
        """Signals that have left and not come back."""
        latest = {(change.system, change.signal): change for change in self.changes}
        return [change for change in latest.values() if change.left]

    @property
    def present(self) -> set[tuple[str, str]]:
        """Systems and signals that are in the set now."""
        keys = np.flatnonzero(self._is_in).tolist()
        return {(SYSTEM_LETTERS[key // len(SIGNALS)], SIGNALS[key % len(SIGNALS)]) for key in keys}

    def since(self, count: int) -> "SignalSet":
        """Give a copy without the first changes, but with those of what is still gone.

        Parameters
        ----------
        count : int
            How many changes there were at the time in question. Their epochs do not tell: a base
            may set its time back.
        """
        late, gone = copy(self), self.gone
        late.changes = [c for c in self.changes[:count] if c in gone] + self.changes[count:]
        return late

    def update(self, rows: Rows) -> None:
        """Take whole epochs, in order of time."""
        rows = rows.take(np.isfinite(rows.pseudorange_m) | np.isfinite(rows.phase_range_m))
        if not len(rows):
            return
        times, epoch = np.unique(rows.time_ms, return_inverse=True)
        if times[0] <= self._place_ms.max():
            self._forget()  # the base's time was set back
        seen = np.zeros((len(times), _KEYS), np.bool_)
        seen[epoch, rows.place // SATELLITES * len(SIGNALS) + rows.signal] = True
        self._note_times(times, seen)
        self._cell_ms[rows.cell] = rows.time_ms  # rising: the last one stays
        self._place_ms[rows.place] = rows.time_ms
        self._recent = np.concatenate((self._recent, seen))[-WINDOW:]
        self._leave(int(times[-1]))
        self._enter(int(times[-1]))

    def _forget(self) -> None:
        for times_ms in (self._seen_ms, self._absent_ms, self._cell_ms, self._place_ms):
            times_ms[:] = NONE

    def _note_times(self, times: Integers, seen: Booleans) -> None:
        """Note when each signal was seen last, and since when it is absent."""
        came = seen.any(axis=0)
        last = len(times) - 1 - np.argmax(seen[::-1], axis=0)
        after = times[np.minimum(last + 1, len(times) - 1)]
        is_absent = came & (last < len(times) - 1)
        self._absent_ms[came] = NONE
        self._absent_ms[is_absent] = after[is_absent]
        self._absent_ms[~came & (self._absent_ms == NONE)] = times[0]
        self._seen_ms[came] = times[last][came]

    def _leave(self, now_ms: int) -> None:
        """Take out what is absent for a minute, and note it where its satellites are still here."""
        over = self._is_in & (self._absent_ms != NONE)
        over &= now_ms - self._absent_ms > LEAVES_AFTER_MS
        for key in np.flatnonzero(over).tolist():
            self._is_in[key] = False
            system, signal = divmod(key, len(SIGNALS))
            places = np.arange(system * SATELLITES, (system + 1) * SATELLITES)
            carried = self._cell_ms[places * len(SIGNALS) + signal]
            carried_last = carried >= max(int(self._seen_ms[key]) - _STILL_MS, 0)
            go_on = carried_last & (self._place_ms[places] >= now_ms - _STILL_MS // 2)
            satellites = int(np.count_nonzero(go_on))
            if 2 * satellites >= np.count_nonzero(carried_last) and satellites >= FEWEST_CARRIERS:
                self._has_left[key] = True
                self._note(int(self._absent_ms[key]), key, left=True, satellites=satellites)

    def _enter(self, now_ms: int) -> None:
        """Take in what came in most of the last epochs."""
        if len(self._recent) < FEWEST_EPOCHS:
            return
        enters = ~self._is_in & (self._recent.mean(axis=0) >= SET_SHARE)
        enters &= self._absent_ms == NONE  # most of 60 slow epochs may lie long before
        for key in np.flatnonzero(enters).tolist():
            self._is_in[key] = True
            if self._has_left[key]:
                self._has_left[key] = False
                self._note(now_ms, key, left=False)

    def _note(self, time_ms: int, key: int, *, left: bool, satellites: int = 0) -> None:
        if len(self.changes) < MOST_CHANGES:
            system, signal = divmod(key, len(SIGNALS))
            self.changes.append(
                SignalChange(time_ms, SYSTEM_LETTERS[system], SIGNALS[signal], left, satellites)
            )
