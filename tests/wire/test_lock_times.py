"""Lock-time indicators against the check values of the standard's tables (from memory)."""

import numpy as np
import pytest

from rtcmtool.wire.lock_times import (
    LEGACY_LOCK_MS,
    MSM_EXTENDED_LOCK_MS,
    MSM_LOCK_MS,
    NO_UPPER_BOUND_MS,
    UNKNOWN_MS,
    upper_bounds_ms,
)

# RTCM 10403.x, table of DF013: first and last indicator of a row, multiplier, summand; from memory.
LEGACY_ROWS = [
    (0, 23, 1, 0),
    (24, 47, 2, -24),
    (48, 71, 4, -120),
    (72, 95, 8, -408),
    (96, 119, 16, -1176),
    (120, 126, 32, -3096),
    (127, 127, 0, 937),
]


@pytest.mark.parametrize(("first", "last", "times", "plus"), LEGACY_ROWS)
def test_legacy_indicators_follow_their_table(first: int, last: int, times: int, plus: int) -> None:
    expected = [1000 * (times * i + plus) for i in range(first, last + 1)]
    assert LEGACY_LOCK_MS[first : last + 1].tolist() == expected


def test_short_indicators_double() -> None:
    # DF402: RTCM 10403.x, from memory; its steps were seen on a recording.
    assert MSM_LOCK_MS.tolist() == [0, *(2 ** (i + 4) for i in range(1, 16))]
    assert MSM_LOCK_MS[1] == 32
    assert MSM_LOCK_MS[15] == 524_288


@pytest.mark.parametrize(
    ("indicator", "least_ms"),
    [
        (0, 0),
        (63, 63),
        (64, 64),
        (95, 126),
        (96, 128),
        (127, 252),
        (128, 256),
        (159, 504),
        (703, 66_060_288),
        (704, 67_108_864),
    ],
)
def test_long_indicators_have_their_check_values(indicator: int, least_ms: int) -> None:
    assert MSM_EXTENDED_LOCK_MS[indicator] == least_ms  # DF407: RTCM 10403.x, from memory


def test_reserved_indicators_tell_nothing() -> None:
    assert set(MSM_EXTENDED_LOCK_MS[705:].tolist()) == {UNKNOWN_MS}


@pytest.mark.parametrize(
    ("table", "size"),
    [(LEGACY_LOCK_MS, 128), (MSM_LOCK_MS, 16), (MSM_EXTENDED_LOCK_MS[:705], 705)],
)
def test_a_longer_lock_has_a_greater_indicator(table: np.ndarray, size: int) -> None:
    assert len(table) == size
    assert np.all(np.diff(table) > 0)


def test_tables_cannot_be_written() -> None:
    with pytest.raises(ValueError, match="read-only"):
        LEGACY_LOCK_MS[0] = 1


def test_the_upper_bound_of_a_class_is_the_next_class() -> None:
    lower = np.array([0, 32, 262_144, 524_288, -1], np.int32)
    expected = [32, 64, 524_288, NO_UPPER_BOUND_MS, NO_UPPER_BOUND_MS]
    assert upper_bounds_ms(MSM_LOCK_MS, lower).tolist() == expected
    lower = np.array([63, 64, 126, 67_108_864], np.int32)
    expected = [64, 66, 128, NO_UPPER_BOUND_MS]
    assert upper_bounds_ms(MSM_EXTENDED_LOCK_MS, lower).tolist() == expected
    lower = np.array([0, 23_000, 24_000, 937_000], np.int32)
    expected = [1000, 24_000, 26_000, NO_UPPER_BOUND_MS]
    assert upper_bounds_ms(LEGACY_LOCK_MS, lower).tolist() == expected
