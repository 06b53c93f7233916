"""Lock-time indicators to lower bounds, in milliseconds.

An indicator names a class; the least time of the class is given, and the least time of the next
class is its upper bound. Tables from memory of RTCM 10403.x: DF013 and its kin (seconds, seven
bits), DF402 (MSM4, MSM5) and DF407 (MSM6, MSM7).
"""

import numpy as np
import numpy.typing as npt

UNKNOWN_MS = -1  # reserved indicators
NO_UPPER_BOUND_MS = np.iinfo(np.int32).max


def _legacy_ms(indicator: int) -> int:
    if indicator < 24:
        return 1000 * indicator
    if indicator == 127:
        return 937_000
    step = min((indicator - 24) // 24 + 1, 5)
    return 1000 * ((indicator << step) - (24, 120, 408, 1176, 3096)[step - 1])


def _msm_ms(indicator: int) -> int:
    return 1 << (indicator + 4) if indicator else 0


def _msm_extended_ms(indicator: int) -> int:
    if indicator < 64:
        return indicator
    if indicator > 704:
        return UNKNOWN_MS
    k = indicator // 32 - 1
    return (indicator - 32 * k) << k


LEGACY_LOCK_MS: npt.NDArray[np.int32] = np.array([_legacy_ms(i) for i in range(128)], np.int32)
MSM_LOCK_MS: npt.NDArray[np.int32] = np.array([_msm_ms(i) for i in range(16)], np.int32)
MSM_EXTENDED_LOCK_MS: npt.NDArray[np.int32] = np.array(
    [_msm_extended_ms(i) for i in range(1024)], np.int32
)
for _table in (LEGACY_LOCK_MS, MSM_LOCK_MS, MSM_EXTENDED_LOCK_MS):
    _table.setflags(write=False)


def upper_bounds_ms(
    table: npt.NDArray[np.int32], lower_ms: npt.NDArray[np.int32]
) -> npt.NDArray[np.int32]:
    """Give the time that a lock of these classes has not reached yet.

    Parameters
    ----------
    table : ndarray of int32
        One of the tables of this module.
    lower_ms : ndarray of int32, shape (n,)
        Lower bounds, ms; -1 where unknown.

    Returns
    -------
    ndarray of int32, shape (n,)
        Lower bound of the next class, ms; the greatest int32 where there is none.
    """
    steps = np.unique(table[table >= 0])
    position = np.searchsorted(steps, lower_ms, side="right")
    bounds = np.append(steps, NO_UPPER_BOUND_MS)[position]
    return np.where(lower_ms < 0, NO_UPPER_BOUND_MS, bounds).astype(np.int32)
