"""What a rover's log tells: shares, ages, losses of fix, outages, steps, accuracy and sky.

Everything is computed from the columns of a `RoverLog`, once, when it is asked for.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rtcmtool.monitor.rover_log import FIXED, FLOAT, NONE, Columns, Floats, RoverLog

Booleans = npt.NDArray[np.bool_]

START_S = 30.0  # a rover in the open fixes so soon after its start: common practice
OUTAGE_S = 10.0  # corrections so old: an outage at the rover
_HIGH_DEG = 40.0  # above, a signal is strong in the open


@dataclass(frozen=True, slots=True)
class Shares:
    """Fixes by state, the first start apart.

    Attributes
    ----------
    fixed, floating, no_rtk, not_tracking : int
        Quality 4; 5; 1, 2, 3 and 6; and 0.
    """

    fixed: int
    floating: int
    no_rtk: int
    not_tracking: int

    @property
    def total(self) -> int:
        """All of them."""
        return self.fixed + self.floating + self.no_rtk + self.not_tracking


def shares(columns: Columns, start_s: float = START_S) -> Shares:
    """Count the fixes by state; the first start, at most `start_s` before the first fix, is apart.

    A rover that never fixes has no start that could be left out.
    """
    quality = columns.quality
    fixed = np.flatnonzero(quality == FIXED)
    begin = 0
    if len(fixed):
        begin = min(int(fixed[0]), int(start_s / interval_s(columns)))
    kept = quality[begin:]
    counts = [int(np.count_nonzero(kept == each)) for each in (FIXED, FLOAT, NONE)]
    return Shares(counts[0], counts[1], len(kept) - sum(counts), counts[2])


def interval_s(columns: Columns) -> float:
    """Give the usual time between fixes, s; 1 where it is not known."""
    told = columns.utc_ms[columns.utc_ms >= 0]
    steps = np.diff(told)
    steps = steps[steps > 0]
    return float(np.median(steps)) / 1000 if len(steps) else 1.0


def time_to_fix_s(columns: Columns) -> float | None:
    """Give the time from the first sentence to the first fix; None without one."""
    fixed = np.flatnonzero(columns.quality == FIXED)
    return float(seconds_into(columns)[fixed[0]]) if len(fixed) else None


def seconds_into(columns: Columns) -> Floats:
    """Give the time of each fix since the first, s; by number where times are not told or jump."""
    step_s = interval_s(columns)
    by_number = step_s * np.arange(len(columns), dtype=np.float64)
    if not len(columns) or (columns.utc_ms < 0).any():
        return by_number
    since = (columns.utc_ms - columns.utc_ms[0]) / 1000
    return since if (np.diff(since) >= 0).all() else by_number


@dataclass(frozen=True, slots=True)
class AgeStatistics:
    """How fresh the corrections at the rover were.

    Attributes
    ----------
    told : int
        Fixes with an age.
    median_s, floor_s, most_s : float
        Median, lower decile and largest age.
    update_s : float
        Usual time between updates.
    late_share : float
        Share of the fixes at which an update was missing; outages over 20 s apart.
    bunching : float
        How much likelier an update was missing after a missing one: about 1 by chance, more in
        bursts. 0 where too few were missing.
    longest_s : float
        Longest run of missing updates.
    """

    told: int
    median_s: float
    floor_s: float
    most_s: float
    update_s: float
    late_share: float
    bunching: float
    longest_s: float


_FEWEST_AGES = 20
_FEWEST_LATE = 8
_OUTAGE_RUN_S = 20.0


def age_statistics(columns: Columns, update_s: float | None = None) -> AgeStatistics | None:
    """Judge the ages of the corrections.

    Parameters
    ----------
    columns : Columns
        The log.
    update_s : float, optional
        The base's interval; by default found from how far the age usually climbs.

    Returns
    -------
    AgeStatistics or None
        None where fewer than 20 fixes tell an age.
    """
    told = np.isfinite(columns.age_s) & (columns.age_s >= 0)
    ages = columns.age_s[told]
    if len(ages) < _FEWEST_AGES:
        return None
    step_s = interval_s(columns)
    floor_s = float(np.percentile(ages, 10))
    if update_s is None:
        update_s = _usual_update_s(ages, floor_s, step_s)
    late: Booleans = ages > floor_s + max(update_s - step_s, 0.0) + 0.6 * max(step_s, 0.2)
    for begin, end in runs(late):
        if (end - begin) * step_s > _OUTAGE_RUN_S:
            late[begin:end] = False  # an outage of its own, no missing update
    count = int(late.sum())
    after = late[1:][late[:-1]]
    usual = count / len(ages)
    bunching = float(after.mean()) / usual if count >= _FEWEST_LATE and len(after) else 0.0
    return AgeStatistics(
        told=len(ages),
        median_s=float(np.median(ages)),
        floor_s=floor_s,
        most_s=float(ages.max()),
        update_s=update_s,
        late_share=usual,
        bunching=bunching,
        longest_s=max((end - begin for begin, end in runs(late)), default=0) * step_s,
    )


def _usual_update_s(ages: Floats, floor_s: float, step_s: float) -> float:
    """Find the base's interval where the age saws: it climbs as far each time, and never rests."""
    climbed = ages[np.flatnonzero(np.diff(ages) < 0)] - floor_s
    if not len(climbed) or np.std(climbed) >= 0.3 * step_s:
        return step_s
    update_s = float(np.median(climbed)) + step_s
    rests = np.mean(ages <= floor_s + 0.6 * step_s)
    return max(update_s, step_s) if rests <= 1.25 * step_s / update_s else step_s


def runs(flags: Booleans) -> list[tuple[int, int]]:
    """Give the stretches in which a flag is set, as begin and end (not included)."""
    edges = np.diff(np.concatenate(([0], flags.astype(np.int8), [0])))
    begins, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    return list(zip(begins.tolist(), ends.tolist(), strict=True))


@dataclass(frozen=True, slots=True)
class RoverOutage:
    """A time in which the rover had no or old corrections: row, UTC ms and length."""

    row: int
    utc_ms: int
    length_s: float


def outages(columns: Columns) -> list[RoverOutage]:
    """Find the times without usable corrections, after the first of them came."""
    old = ~(columns.age_s <= OUTAGE_S)  # not told counts as old
    told = np.flatnonzero(np.isfinite(columns.age_s))
    if not len(told):
        return []
    # Some rovers tell no age with a fix: what is fixed or floating has corrections.
    old &= ~(np.isnan(columns.age_s) & np.isin(columns.quality, (FIXED, FLOAT)))
    old[: told[0]] = False
    step_s = interval_s(columns)
    return [
        RoverOutage(begin, int(columns.utc_ms[begin]), (end - begin) * step_s)
        for begin, end in runs(old)
    ]


@dataclass(frozen=True, slots=True)
class FixLosses:
    """How often a fix was lost, what preceded that, and how long it took to come again.

    Attributes
    ----------
    count, with_outage : int
        All, and those with corrections older than 5 s within 20 s before.
    with_gap : int or None
        Those during a gap of the stream, or within 20 s behind it; None where no stream lies
        beside the log.
    longest_back_s, usual_back_s : float or None
        Longest and median time until it was fixed again; None where it never was.
    """

    count: int
    with_outage: int
    with_gap: int | None = None
    longest_back_s: float | None = None
    usual_back_s: float | None = None


_FRESH_S, _BEFORE_S = 5.0, 20.0


def fix_losses(columns: Columns, gaps_ms: npt.NDArray[np.int64] | None = None) -> FixLosses:
    """Count the losses of fix.

    Parameters
    ----------
    columns : Columns
        The log.
    gaps_ms : ndarray of int64, shape (n, 2), optional
        Begin and end of the gaps of the stream on the log's clock, UTC ms.
    """
    quality = columns.quality
    lost = np.flatnonzero((quality[:-1] == FIXED) & (quality[1:] != FIXED)) + 1
    old = columns.age_s > _FRESH_S
    if np.isfinite(columns.age_s).any():  # some rovers tell no age with a fix, or never
        old |= np.isnan(columns.age_s) & ~np.isin(quality, (FIXED, FLOAT))
    reach = max(int(_BEFORE_S / interval_s(columns)), 1)
    tied = sum(bool(old[max(row - reach, 0) : row + 1].any()) for row in lost.tolist())
    back = _times_until_fixed(columns, lost)
    with_gap = None
    if gaps_ms is not None:
        at = columns.utc_ms[lost]
        after = gaps_ms[:, 1] + round(1000 * _BEFORE_S)
        within = (at[:, np.newaxis] >= gaps_ms[:, 0]) & (at[:, np.newaxis] <= after)
        with_gap = int(within.any(axis=1).sum())
    return FixLosses(
        len(lost), tied, with_gap,
        float(back.max()) if len(back) else None, float(np.median(back)) if len(back) else None,
    )  # fmt: skip


def _times_until_fixed(columns: Columns, lost: npt.NDArray[np.int64]) -> Floats:
    """Give the times from each loss to the next fix, s; the last may have none."""
    fixed = np.flatnonzero(columns.quality == FIXED)
    place = np.searchsorted(fixed, lost)
    known = place < len(fixed)
    since = seconds_into(columns)
    return np.asarray(since[fixed[place[known]]] - since[lost[known]], np.float64)


@dataclass(frozen=True, slots=True)
class ToldAccuracy:
    """Standard deviations that the rover tells of its fixes (GST), medians, m."""

    plan_m: float
    height_m: float
    is_fixed: bool


def told_accuracy(columns: Columns) -> ToldAccuracy | None:
    """Give what the rover thinks of its own fixes, of the fixed ones where there are any.

    Returns
    -------
    ToldAccuracy or None
        None without GST.
    """
    told = np.isfinite(columns.plan_sigma_m) & np.isfinite(columns.height_sigma_m)
    fixed = told & (columns.quality == FIXED)
    rows = fixed if fixed.any() else told & (columns.quality > NONE)
    if not rows.any():
        return None
    plan_m, height_m = (
        float(np.median(sigma_m[rows]))
        for sigma_m in (columns.plan_sigma_m, columns.height_sigma_m)
    )
    return ToldAccuracy(plan_m, height_m, bool(fixed.any()))


@dataclass(frozen=True, slots=True)
class PlaceStep:
    """A sudden step of a standing rover: row, UTC ms, size in plan and in height, m."""

    row: int
    utc_ms: int
    plan_m: float
    height_m: float


_STEP_WINDOW_S, _EDGE_S = 60.0, 10.0
_STANDS_M = 0.03  # scatter of a fixed rover that stands, in plan
LEAST_STEP_M = 0.02
STEP_SIGMAS = 5.0
_CORRELATED_S = 20.0  # neighbouring fixes tell little new: judgement
_EARTH_M = 6_371_000.0


def place_step(columns: Columns) -> PlaceStep | None:
    """Find the largest step of a rover that is fixed and stands still.

    The means of a minute before and after are compared, so a fix that only scatters makes no step;
    a rover that is carried about is not judged.

    Returns
    -------
    PlaceStep or None
        None where the rover moves, is not fixed long enough, or nothing stepped.
    """
    rows = np.flatnonzero((columns.quality == FIXED) & np.isfinite(columns.latitude_deg))
    step_s = interval_s(columns)
    window, edge = int(_STEP_WINDOW_S / step_s), max(int(_EDGE_S / step_s), 1)
    if len(rows) < 2 * window or window < edge:
        return None
    latitude = np.radians(columns.latitude_deg[rows])
    longitude = np.radians(columns.longitude_deg[rows])
    east = (longitude - longitude[0] + np.pi) % (2 * np.pi) - np.pi  # over the date line too
    place = np.stack(
        (
            east * np.cos(latitude[0]) * _EARTH_M,
            (latitude - latitude[0]) * _EARTH_M,
            columns.height_m[rows],
        )
    )
    before, after = _means(place, window)
    gap = np.hypot(*(after - before)[:2])
    at = int(np.argmax(gap)) + window
    parts = place[:, at - window : at], place[:, at : at + window]
    scatter = max(float(np.hypot(*np.std(part[:2], axis=1))) for part in parts)
    plan_m = float(gap[at - window])
    error_m = scatter * np.sqrt(2 * _CORRELATED_S / _STEP_WINDOW_S)
    near = place[:2, at : at + edge].mean(axis=1) - place[:2, at - edge : at].mean(axis=1)
    is_sharp = float(np.hypot(*near)) > plan_m / 2
    if scatter > _STANDS_M or plan_m < max(LEAST_STEP_M, STEP_SIGMAS * error_m) or not is_sharp:
        return None
    up_m = float((after - before)[2, at - window])
    row = int(rows[at])
    return PlaceStep(row, int(columns.utc_ms[row]), plan_m, up_m)


def _means(place: Floats, window: int) -> tuple[Floats, Floats]:
    """Give the means of the window before and after each place between."""
    sums = np.concatenate((np.zeros((3, 1)), np.cumsum(place, axis=1)), axis=1)
    means = (sums[:, window:] - sums[:, :-window]) / window
    return means[:, :-window], means[:, window:]


@dataclass(frozen=True, slots=True)
class RoverSky:
    """The sky as the rover sees it.

    Attributes
    ----------
    in_view, used : float or None
        Medians of the satellites of GSV, and of those used.
    hdop : float or None
        Nine tenths are at or below it.
    high_cnr_dbhz : float or None
        Median C/N0 of satellites above 40 degrees.
    comings_per_hour : float or None
        How often a satellite that had gone came anew, a satellite and hour.
    names : frozenset of str
        Satellites that were there at least half of the time.
    """

    in_view: float | None
    used: float | None
    hdop: float | None
    high_cnr_dbhz: float | None
    comings_per_hour: float | None
    names: frozenset[str]


def sky_of(log: RoverLog, columns: Columns) -> RoverSky:
    """Sum up the rover's sky."""
    hours = len(columns) * interval_s(columns) / 3600
    high = [
        seen.cnr_dbhz
        for seen in log.seen.values()
        if seen.cnr_dbhz is not None and (seen.elevation_deg or 0.0) >= _HIGH_DEG
    ]
    anew = sum(seen.comings - 1 for seen in log.seen.values())
    return RoverSky(
        in_view=_quantile(columns.in_view, 0.5),
        used=_quantile(columns.satellites, 0.5),
        hdop=_quantile(columns.hdop, 0.9),
        high_cnr_dbhz=float(np.median(high)) if high else None,
        comings_per_hour=anew / len(log.seen) / hours if log.seen and hours else None,
        names=frozenset(n for n, seen in log.seen.items() if 2 * seen.count >= len(columns)),
    )


def _quantile(values: Floats, share: float) -> float | None:
    told = values[np.isfinite(values)]
    return float(np.quantile(told, share)) if len(told) else None
