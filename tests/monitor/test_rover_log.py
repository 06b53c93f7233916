"""A rover's log: what it collects, what it tells, and how it lies beside a stream."""

from collections.abc import Sequence

import numpy as np
import pytest

from rtcmtool.monitor.rover_log import MOST_SKIES, Columns, RoverLog, date_of, rinex_name
from rtcmtool.monitor.rover_statistics import (
    age_statistics,
    fix_losses,
    outages,
    place_step,
    shares,
    sky_of,
    time_to_fix_s,
    told_accuracy,
)
from tests.monitor.test_rover_state import gga, sentence

FIRST_MS = 1_772_607_540_000  # 2026-03-04T06:59:00Z


def rmc(time: str, date: str = "040326") -> bytes:
    return sentence(f"GNRMC,{time},A,1200.0,N,03400.6,W,0.0,,{date},,,R")


def log_of(data: bytes, about_utc_ns: int | None = None) -> RoverLog:
    log = RoverLog(about_utc_ns)
    log.feed(data)
    log.finish()
    return log


def columns(
    quality: Sequence[int],
    ages: Sequence[float] | None = None,
    plan_m: np.ndarray | None = None,
) -> Columns:
    """Give fixes of one a second; `plan_m` has east and north, shape (2, n)."""
    size = len(quality)
    plan = np.zeros((2, size)) if plan_m is None else plan_m
    nothing = np.full(size, np.nan)
    return Columns(
        FIRST_MS + 1000 * np.arange(size), np.array(quality),
        np.full(size, 1.0) if ages is None else np.array(ages, np.float64),
        nothing, nothing, nothing,
        np.degrees(plan[1] / 6_371_000.0), np.degrees(plan[0] / 6_371_000.0), np.zeros(size),
        nothing, nothing,
    )  # fmt: skip


def test_a_log_is_dated_by_its_own_rmc_however_wrong_the_guess() -> None:
    log = log_of(rmc("065943.00") + gga("065943.00"), about_utc_ns=0)
    assert log.is_dated
    assert log.columns.utc_ms.tolist() == [FIRST_MS + 43_000]


def test_a_log_without_a_date_takes_the_day_it_is_told_to_be_near() -> None:
    log = log_of(gga("065943.00"), about_utc_ns=(FIRST_MS + 5_000_000) * 1_000_000)
    assert not log.is_dated
    assert log.columns.utc_ms.tolist() == [FIRST_MS + 43_000]


def test_a_log_over_midnight_goes_on() -> None:
    log = log_of(
        rmc("235959.00", "030326") + gga("235959.00") + gga("000000.00") + gga("000001.00")
    )
    assert np.diff(log.columns.utc_ms).tolist() == [1000, 1000]


@pytest.mark.parametrize("size", [1, 7, 50])
def test_the_result_does_not_depend_on_how_the_log_is_cut(size: int) -> None:
    data = b"".join(gga(f"0659{second:02d}.00", quality=4 + second % 2) for second in range(30))
    log = RoverLog(FIRST_MS * 1_000_000)
    for begin in range(0, len(data), size):
        log.feed(data[begin : begin + size])
    log.finish()
    whole = log_of(data, FIRST_MS * 1_000_000)
    assert log.columns.quality.tolist() == whole.columns.quality.tolist()
    assert log.columns.utc_ms.tolist() == whole.columns.utc_ms.tolist()


def test_wrong_check_sums_are_counted_and_what_is_no_nmea_is_no_log() -> None:
    bad = gga("065943.00").replace(b"1200", b"1300")
    log = log_of(bad + b"\xd3\x00\x13 no line of a rover\r\n")
    assert (log.state.wrong_sums, log.is_rover_log, len(log.columns)) == (1, False, 0)


def test_changes_of_the_station_are_counted() -> None:
    log = log_of(b"".join(gga(f"06590{n}.00", station=s) for n, s in enumerate(("1", "1", "2"))))
    assert (dict(log.stations), log.station_changes) == ({"1": 2, "2": 1}, 1)


def test_satellites_are_named_as_rinex_does() -> None:
    # Numbers of NMEA 0183 4.11, from memory: GLONASS from 65 on, SBAS 33 to 64 is 120 to 151.
    assert [rinex_name(name) for name in ("GP07", "GL65", "GA11", "GB19", "GQ02", "GP33")] == [
        "G07", "R01", "E11", "C19", "J02", "S20",
    ]  # fmt: skip


def test_the_sky_is_what_was_mostly_there() -> None:
    view = sentence("GPGSV,1,1,02,07,80,100,47,09,20,200,35,0")
    fixes = b"".join(gga(f"06590{n}.00") + view for n in range(5))
    log = log_of(fixes)
    sky = sky_of(log, log.columns)
    assert sky.names == {"G07", "G09"}
    assert (sky.in_view, sky.used, sky.high_cnr_dbhz) == (2, 14, 47)


def test_a_date_is_found_in_zda_too() -> None:
    assert date_of(sentence("GNZDA,065943.00,04,03,2026,00,00")) == (FIRST_MS + 43_000) * 1_000_000
    assert date_of(gga("065943.00")) is None


def test_the_first_start_is_apart_up_to_half_a_minute() -> None:
    told = shares(columns([5] * 20 + [4] * 80))
    assert (told.fixed, told.floating) == (80, 0)
    long = shares(columns([5] * 90 + [4] * 10))
    assert (long.fixed, long.floating) == (10, 60)
    never = shares(columns([1] * 10 + [5] * 40))
    assert (never.floating, never.no_rtk) == (40, 10)


def test_time_to_fix_runs_from_the_first_sentence() -> None:
    assert time_to_fix_s(columns([1, 5, 5, 4])) == 3.0
    assert time_to_fix_s(columns([1, 5])) is None


def test_single_missing_updates_are_no_bursts_and_bursts_are() -> None:
    single = age_statistics(columns([4] * 200, [1, 1, 2, 1, 1] * 40))
    bursts = age_statistics(columns([4] * 200, ([1] * 12 + [2, 3, 4, 5, 1, 1, 1, 1]) * 10))
    assert single is not None
    assert bursts is not None
    assert single.late_share == pytest.approx(0.2)
    assert single.bunching == 0.0
    assert bursts.late_share == pytest.approx(0.2)
    assert bursts.bunching > 3
    assert bursts.longest_s == 4.0


def test_an_age_that_saws_at_the_pace_of_the_base_misses_nothing() -> None:
    told = age_statistics(columns([4] * 90, [1, 2, 3] * 30), update_s=3.0)
    found = age_statistics(columns([4] * 90, [1, 2, 3] * 30))
    assert told is not None
    assert found is not None
    assert told.late_share == found.late_share == 0.0
    assert found.update_s == 3.0


def test_too_few_ages_tell_nothing() -> None:
    assert age_statistics(columns([1] * 50, [np.nan] * 50)) is None
    assert age_statistics(columns([4] * 19)) is None


def test_an_outage_begins_with_old_corrections_and_not_before_the_first() -> None:
    ages = [np.nan] * 5 + [1.0] * 20 + [11.0, 12.0, np.nan] + [1.0] * 5
    (found,) = outages(columns([1] * 5 + [4] * 20 + [4, 4, 1] + [4] * 5, ages))
    assert (found.row, found.length_s) == (25, 3.0)


def test_losses_of_fix_are_tied_to_old_corrections() -> None:
    ages = [1.0] * 30 + [6.0] + [1.0] * 60
    told = fix_losses(columns([4] * 31 + [5] * 10 + [4] * 40 + [5] * 10, ages))
    assert (told.count, told.with_outage) == (2, 1)


def wandering(size: int, sigma_m: float = 0.006) -> np.ndarray:
    return np.random.default_rng(5).normal(0.0, sigma_m, (2, size))


def test_a_standing_rover_that_steps_is_seen_and_one_that_stands_or_walks_is_not() -> None:
    step = wandering(300)
    step[0, 180:] += 0.05
    found = place_step(columns([4] * 300, plan_m=step))
    assert found is not None
    assert found.plan_m == pytest.approx(0.05, abs=0.01)
    assert found.row == pytest.approx(180, abs=12)
    assert place_step(columns([4] * 300, plan_m=wandering(300))) is None
    walk = wandering(300) + np.linspace(0, 200, 300)
    assert place_step(columns([4] * 300, plan_m=walk)) is None
    assert place_step(columns([5] * 300, plan_m=step)) is None


def test_a_loss_beside_a_gap_of_the_stream_is_told_apart_from_one_without() -> None:
    fixes = columns([4] * 30 + [5] * 10 + [4] * 40 + [5] * 20 + [4] * 5)
    gaps = np.array([[FIRST_MS + 20_000, FIRST_MS + 28_000]])
    told = fix_losses(fixes, gaps)
    assert (told.count, told.with_outage, told.with_gap) == (2, 0, 1)
    assert (told.longest_back_s, told.usual_back_s) == (20.0, 15.0)
    assert fix_losses(fixes, gaps + 35_000).with_gap == 1  # 80 s is 17 s behind its end
    assert fix_losses(fixes, gaps + 100_000).with_gap == 0
    assert fix_losses(fixes).with_gap is None


def test_a_rover_that_never_tells_an_age_has_no_losses_with_old_corrections() -> None:
    told = fix_losses(columns([4] * 30 + [5] * 10 + [4] * 30, [np.nan] * 70))
    assert (told.count, told.with_outage) == (1, 0)


def test_time_to_fix_counts_seconds_where_the_log_has_holes() -> None:
    fixes = columns([1, 1, 1, 4, 4])
    fixes.utc_ms[3:] += 60_000
    assert time_to_fix_s(fixes) == 63.0


def test_accuracy_is_that_of_the_fixed_ones_where_there_are_any() -> None:
    def told(quality: int, sigma: str) -> bytes:
        second = f"0659{told_seconds.pop():02d}.00"
        return gga(second, quality) + sentence(f"GNGST,{second},5.1,,,,{sigma}")

    told_seconds = list(range(9, -1, -1))
    mixed = log_of(
        told(5, "0.3,0.4,0.9") + told(4, "0.009,0.012,0.019") + told(4, "0.009,0.012,0.021")
    )
    found = told_accuracy(mixed.columns)
    assert found is not None
    # sqrt(0.009^2 + 0.012^2) = 0.015
    assert (found.plan_m, found.height_m) == pytest.approx((0.015, 0.020))
    assert found.is_fixed
    floating = told_accuracy(log_of(told(5, "0.3,0.4,0.9")).columns)
    assert floating is not None
    assert floating.plan_m == pytest.approx(0.5)
    assert not floating.is_fixed
    assert told_accuracy(log_of(gga("065901.00")).columns) is None


def test_lines_cut_off_are_counted_and_the_next_sentence_is_read() -> None:
    whole = gga("065901.00")
    log = log_of(gga("065900.00")[:40] + whole + b"4,14,0.8*77\r\n" + gga("065902.00")[:30])
    assert log.columns.utc_ms.tolist() == [25_141_000]  # 06:59:01 of no known day
    assert (log.state.wrong_sums, log.state.unreadable) == (2, 1)


def test_talkers_may_be_mixed_in_one_log() -> None:
    lines = [
        gga(f"06590{second}.00").replace(b"GNGGA", talker + b"GGA")
        for second in range(5)
        for talker in (b"GP", b"GN", b"GL")
    ]
    fixes = b"".join(sentence(line.split(b"*")[0][1:].decode()) for line in lines)
    log = log_of(fixes + sentence("PXYZ,1,2") + sentence("GPTXT,01,01,02,hello"))
    assert len(log.columns) == 5
    assert log.state.wrong_sums == log.state.unreadable == 0


def test_directions_are_kept_now_and_then_however_long_the_log() -> None:
    view = sentence("GPGSV,1,1,02,07,80,100,47,09,20,200,35,0")
    hours = [(h, m, s) for h in range(3) for m in range(60) for s in (0, 30)]
    log = log_of(b"".join(gga(f"{h:02d}{m:02d}{s:02d}.00") + view for h, m, s in hours))
    assert MOST_SKIES // 2 <= len(log.sky) <= MOST_SKIES
    assert log.sky[0].names == ("G07", "G09")
    assert log.sky[0].azimuth_deg.tolist() == [100, 200]
