"""Lock times of all signals: losses of lock that they prove, and restarts of the receiver.

A loss is certain when a lock time falls, or when it is shorter than the time that has passed since
the signal was seen before (RTCM 10403.x lock-time tables, from memory). An epoch is judged when a
later one comes, so that the result does not depend on how the stream is cut.
"""

import numpy as np
import numpy.typing as npt

from rtcmtool.wire.decoding import NONE
from rtcmtool.wire.lock_times import (
    LEGACY_LOCK_MS,
    MSM_EXTENDED_LOCK_MS,
    MSM_LOCK_MS,
    upper_bounds_ms,
)
from rtcmtool.wire.observations import SYSTEM_LETTERS, Observations
from rtcmtool.wire.signal_ids import SIGNALS

Integers = npt.NDArray[np.int64]

RESTART_SHARE = 0.8  # of the signals seen before: their lock times fall together
RESTART_WINDOW_MS = 15_000  # within so long: a receiver finds its satellites one after the other
SETTLING_MS = 30_000  # losses so soon behind a restart belong to it; judgement
FEWEST_FOR_RESTART = 8  # signals
LONGEST_STEP_MS = 60_000  # a satellite that was away longer begins anew: no slip
LONGEST_RESTART_STEP_MS = 1_800_000  # within it few satellites set and rise again; judgement
MOST_RESTARTS = 1000  # times kept

_SATELLITES = 256
_TABLES = (LEGACY_LOCK_MS, MSM_LOCK_MS, MSM_EXTENDED_LOCK_MS)  # by kind of message
_CELLS = len(_TABLES) * len(SYSTEM_LETTERS) * _SATELLITES * len(SIGNALS)
_PLACES = 1 << (len(SYSTEM_LETTERS) * _SATELLITES - 1).bit_length()  # satellites of all systems


class LockHistory:
    """Follows the lock times of a stream.

    Attributes
    ----------
    told : int
        Observations with a lock time.
    slips : int
        Losses of lock, one a satellite and epoch, restarts apart.
    satellite_ms : int
        Time over which satellites were followed, summed over the satellites.
    restarts : list of int
        Epochs (ms, timeline) at which nearly all lock times fell together.
    """

    def __init__(self) -> None:
        self.told = self.slips = self.satellite_ms = 0
        self.restarts: list[int] = []
        self._last_lock = np.full(_CELLS, NONE, np.int64)
        self._last_time = np.full(_CELLS, NONE, np.int64)
        self._latest_ms = NONE
        # Rows of the latest epoch: time, satellite, step from the epoch before, lost, signal.
        self._open = np.zeros((5, 0), np.int64)
        self._lost_at = np.full(_CELLS, NONE, np.int64)  # latest loss of each signal
        self._slipping: list[tuple[int, int]] = []  # time and satellites that may yet be a restart
        self._settled_ms = NONE  # losses up to here belong to a restart

    def update(self, observations: Observations, number: Integers, timeline_ms: Integers) -> None:
        """Take the observations of a batch.

        Parameters
        ----------
        observations : Observations
            Of one batch.
        number, timeline_ms : ndarray of int64, shape (n_frames,)
            Message number and epoch of each of its frames.
        """
        frame = observations.frame
        told = observations.lock_time_ms != NONE
        self.told += int(np.count_nonzero(told))
        # An epoch that was over and comes again tells nothing new.
        before = np.concatenate(([self._latest_ms], timeline_ms[frame]))
        latest = np.maximum.accumulate(before)
        rows = np.flatnonzero(told & (timeline_ms[frame] >= latest[:-1]))
        self._latest_ms = int(latest[-1])
        if not len(rows):
            return
        kind = _kinds(number)[frame[rows]]
        satellite = observations.system[rows].astype(np.int64) * _SATELLITES
        satellite += observations.satellite[rows]
        key = kind * (_CELLS // len(_TABLES)) + satellite * len(SIGNALS) + observations.signal[rows]
        lock = observations.lock_time_ms[rows].astype(np.int64)
        compared = self._compare(key, kind, satellite, lock, timeline_ms[frame[rows]])
        waiting = np.concatenate((self._open, compared), axis=1)
        over = waiting[0] < self._latest_ms
        self._judge(waiting[:, over])
        self._open = waiting[:, ~over]

    def finish(self) -> None:
        """Tell that the stream ends: judge its last epoch."""
        self._judge(self._open)
        self._open = self._open[:, :0]
        self.slips += sum(count for _, count in self._slipping)
        self._slipping.clear()

    def _compare(
        self, key: Integers, kind: Integers, satellite: Integers, lock: Integers, time: Integers
    ) -> Integers:
        """Compare each lock time with the one before it; give rows as `_open` holds them."""
        order = np.argsort(key, kind="stable")
        key, lock, time = key[order], lock[order], time[order]
        first = np.concatenate(([True], key[1:] != key[:-1]))
        before_lock = np.where(first, self._last_lock[key], np.roll(lock, 1))
        before_time = np.where(first, self._last_time[key], np.roll(time, 1))
        last = np.concatenate((first[1:], [True]))
        self._last_lock[key[last]], self._last_time[key[last]] = lock[last], time[last]
        step = time - before_time
        known = (before_time != NONE) & (step > 0) & (step <= LONGEST_RESTART_STEP_MS)
        # A lock time that is 0 for ever is not told at all, rather than lost at every epoch.
        short = (lock > 0) & (_upper_ms(kind[order], lock) <= step)
        lost = (lock < before_lock) | short
        rows = np.stack((time, satellite[order], step, lost.astype(np.int64), key))
        return rows[:, known]

    def _judge(self, rows: Integers) -> None:
        """Count what whole epochs show."""
        time, satellite, step, lost, key = rows
        if not len(time):
            return
        near = step <= LONGEST_STEP_MS
        pair = time * _PLACES + satellite
        _, row = np.unique(pair[near], return_index=True)
        self.satellite_ms += int(step[near][row].sum())
        for epoch in np.unique(time[lost == 1]).tolist():
            here = time == epoch
            self._judge_epoch(epoch, key[here], satellite[here], lost[here] == 1, near[here])

    def _judge_epoch(
        self,
        epoch: int,
        key: Integers,
        satellite: Integers,
        lost: npt.NDArray[np.bool_],
        near: npt.NDArray[np.bool_],
    ) -> None:
        """Tell slips from a restart, after which the signals come back one after the other."""
        self._lost_at[key[lost]] = epoch
        begin = epoch - RESTART_WINDOW_MS
        self.slips += sum(count for time, count in self._slipping if time < begin)
        self._slipping = [entry for entry in self._slipping if entry[0] >= begin]
        at_once = len(key) >= FEWEST_FOR_RESTART and lost.sum() >= RESTART_SHARE * len(key)
        if epoch <= self._settled_ms and not at_once:
            return
        recent = self._lost_at[key]
        recent = recent[recent >= begin]
        if len(key) >= FEWEST_FOR_RESTART and len(recent) >= RESTART_SHARE * len(key):
            first = epoch if at_once else int(recent.min())
            if len(self.restarts) < MOST_RESTARTS:
                self.restarts.append(first)
            self._settled_ms = first + SETTLING_MS
            self._slipping.clear()
            return
        # A satellite that lost several signals at once slipped once.
        count = len(np.unique(satellite[lost & near]))
        if count:
            self._slipping.append((epoch, count))


def _kinds(number: Integers) -> Integers:
    """Give the index in `_TABLES` of messages."""
    return np.where(number < 1070, 0, np.where(number % 10 < 6, 1, 2))


def _upper_ms(kind: Integers, lock_ms: Integers) -> Integers:
    """Give times that locks of these classes have not reached yet."""
    upper = np.zeros(len(lock_ms), np.int64)
    for index, table in enumerate(_TABLES):
        rows = kind == index
        upper[rows] = upper_bounds_ms(table, lock_ms[rows].astype(np.int32))
    return upper
