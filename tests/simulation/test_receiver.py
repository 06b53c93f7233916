"""Simulated measurements give the true position, close in differences, and look like real ones."""

import time

import numpy as np
import pytest

from rtcmtool.gnss.code_measurements import choose_signals, code_measurements
from rtcmtool.gnss.geodesy import ecef_from_enu, enu_from_ecef
from rtcmtool.gnss.positioning import solve_point
from rtcmtool.gnss.satellites import SatelliteTable, sight
from rtcmtool.gnss.signals import C_M_S, carrier_hz
from rtcmtool.simulation.receiver import Obstruction, ReceiverClock, observe
from rtcmtool.wire.observations import SYSTEM_LETTERS
from tests.simulation.skies import (
    BASE_M,
    SIGNALS_OF_TWO,
    SILENT,
    START_MS,
    baseline_m,
    by_cell,
    elevations_deg,
    name_of,
    pseudoranges,
    receiver,
    seconds,
    series,
    single_differences,
    sky,
)

COLUMNS = (
    "system", "satellite", "signal", "pseudorange_m", "phase_range_m", "phase_range_rate_m_s",
    "cnr_dbhz", "lock_time_ms", "half_cycle", "channel",
)  # fmt: skip


def solutions_enu_m(epochs, two_bands=True):
    """Give the code positions of all epochs, less the true place."""
    found = []
    for epoch, gps_ms in enumerate(epochs.gps_ms.tolist()):
        measured = pseudoranges(epochs, epoch)
        signals = choose_signals(measured, two_bands=two_bands)
        code = code_measurements(measured, sky().in_force(gps_ms), signals)
        solved = solve_point(code, gps_ms)
        assert solved is not None
        assert not solved.rejected
        found.append(enu_from_ecef(solved.ecef_m - BASE_M, BASE_M))
    return np.array(found)


def test_a_code_position_of_silent_measurements_is_the_true_one():
    """Left are the rounding of the broadcast records and the wet air no model has."""
    off = solutions_enu_m(observe(receiver(**SILENT), sky(), seconds(4, step=400)))
    assert np.abs(off[:, :2]).max() < 0.15
    assert np.abs(off[:, 2]).max() < 0.40


def test_a_code_position_of_usual_measurements_is_good_to_a_metre_and_not_to_a_centimetre():
    """Recorded, iono-free: scatter 0.2 to 0.9 m in the plane, 0.4 to 2 m in height."""
    off = solutions_enu_m(observe(receiver(), sky(), seconds(8, step=200)))
    scatter = off.std(axis=0)
    assert 0.05 < scatter[:2].max() < 1.0
    assert 0.1 < scatter[2] < 2.0


def test_single_differences_are_whole_cycles_and_one_clock():
    """Receivers at one place: all that is left is the clocks, to a tenth of a millimetre."""
    receivers = (receiver(7, **SILENT), receiver(8, east_m=5.0, **SILENT))
    epochs = [observe(one, sky(), seconds(2, step=300)) for one in receivers]
    places = [np.array(one.position_m) for one in receivers]
    for epoch in (0, 1):
        found = single_differences(sky(), epochs, places, epoch)
        assert len(found) > 60
        for signal in {cell[0][0] + cell[1] for cell in found}:
            # silent code is exact, so it tells the whole cycles
            rest = [
                phase - round((phase - code) / wavelength) * wavelength
                for cell, (phase, code, wavelength) in found.items()
                if cell[0][0] + cell[1] == signal
            ]
            assert np.ptp(rest) < 4e-4, signal


def test_double_differences_of_five_kilometres_leave_millimetres_and_fix_the_baseline():
    """Satellites above 25 degrees, one height: 1 ppm of ionosphere and air are left."""
    receivers = (receiver(7, **SILENT), receiver(8, 4000.0, 3000.0, 2.0, **SILENT))
    epochs = [observe(one, sky(), seconds(1, first=600)) for one in receivers]
    places = [np.array(one.position_m) for one in receivers]
    assert baseline_m(*places) == pytest.approx(5000.0, abs=3.0)
    gps_ms = int(epochs[0].gps_ms[0])
    high = {name for name, el in elevations_deg(sky(), gps_ms).items() if el > 25.0}
    table = SatelliteTable.stack(sky().truth(gps_ms))
    direction = dict(zip(table.satellites, sight(table, gps_ms, places[1]).direction, strict=True))
    found = single_differences(sky(), epochs, places, 0)
    rows, targets = [], []
    for letter, signal in (("G", "1C"), ("E", "1C"), ("C", "2I")):
        cells = [cell for cell in found if cell[0][0] == letter and cell[1] == signal]
        cells = sorted(cell for cell in cells if cell[0] in high)
        fixed = {
            cell: found[cell][0] - round((found[cell][0] - found[cell][1]) / found[cell][2])
            * found[cell][2]
            for cell in cells
        }  # fmt: skip
        for cell in cells[1:]:
            rows.append(direction[cells[0][0]] - direction[cell[0]])
            targets.append(fixed[cell] - fixed[cells[0]])
    assert len(rows) > 8
    assert np.abs(targets).max() < 0.035
    shift, *_ = np.linalg.lstsq(np.array(rows), np.array(targets), rcond=None)
    east, north, up = enu_from_ecef(shift, BASE_M)
    assert np.hypot(east, north) < 0.015
    assert abs(up) < 0.04


def test_an_epoch_is_the_same_in_whatever_block_it_is_asked_for():
    whole = observe(receiver(), sky(), seconds(90, first=560))
    for first, count in ((0, 1), (39, 2), (60, 30)):
        # across the border of two stretches, by a receiver that has been asked for nothing yet
        part = observe(receiver(), sky(), seconds(count, first=560 + first))
        rows = (whole.epoch >= first) & (whole.epoch < first + count)
        np.testing.assert_array_equal(part.epoch, whole.epoch[rows] - first)
        for name in COLUMNS:
            np.testing.assert_array_equal(getattr(part, name), getattr(whole, name)[rows], name)


def test_rows_stand_by_epoch_system_satellite_and_signal():
    epochs = observe(receiver(), sky(), seconds(3))
    keys = list(zip(epochs.epoch, epochs.system, epochs.satellite, epochs.signal, strict=True))
    assert keys == sorted(set(keys))


def test_phase_steps_are_the_rates_given():
    epochs = observe(receiver(), sky(), seconds(120))
    for system, signal in (("G", "1C"), ("R", "2C"), ("E", "7Q"), ("C", "6I")):
        phases = series(epochs, system, signal, "phase_range_m")
        rates = series(epochs, system, signal, "phase_range_rate_m_s")
        for number, phase in phases.items():
            rate = rates[number]
            rest = np.diff(phase) - (rate[1:] + rate[:-1]) / 2.0
            rest = rest[np.abs(rest) < 0.09]  # no slips
            assert abs(np.nanmedian(rest)) < 0.006, (system, number)
            assert np.nanstd(rest) < 0.04


def test_lock_times_grow_and_a_rising_satellite_begins_at_zero():
    calm = receiver(slips_per_hour=0.0)
    epochs = observe(calm, sky(), seconds(900, step=2))
    lock = series(epochs, "G", "1C", "lock_time_ms")
    risen = [values for values in lock.values() if np.isnan(values[0])]
    assert risen
    for values in risen:
        first = np.flatnonzero(np.isfinite(values))[0]
        assert values[first] <= 1000
    for values in lock.values():
        steps = np.diff(values[np.isfinite(values)])
        assert np.all(steps == 2000)
    # switched on half an hour before the start
    assert max(float(np.nanmax(values)) for values in lock.values()) >= 1_800_000 + 1_790_000


def test_slips_restart_the_lock_and_step_the_phase_by_whole_cycles():
    shaky = receiver(**SILENT | {"slips_per_hour": 60.0})
    epochs = observe(shaky, sky(), seconds(300))
    phase = series(epochs, "G", "1C", "phase_range_m")
    code = series(epochs, "G", "1C", "pseudorange_m")
    lock = series(epochs, "G", "1C", "lock_time_ms")
    slips = 0
    for number, values in lock.items():
        at = np.flatnonzero(np.diff(values) < 0)
        slips += len(at)
        step = np.diff(phase[number] - code[number])[at] / (C_M_S / carrier_hz("G", "1C"))
        assert np.all(np.abs(step - np.round(step)) < 0.02)
        assert np.all(np.abs(np.round(step)) >= 1)
    assert slips > 3


def test_phases_start_near_their_codes():
    """The fields of MSM hold 1171 m between the two."""
    epochs = observe(receiver(), sky(), seconds(3, step=800))
    apart = np.abs(epochs.phase_range_m - epochs.pseudorange_m)
    assert 1.0 < apart.max() < 100.0


def test_young_locks_have_an_open_half_cycle():
    epochs = observe(receiver(half_cycle_s=4.0, slips_per_hour=50.0), sky(), seconds(120))
    young = epochs.lock_time_ms < 4000
    assert young.any()
    np.testing.assert_array_equal(epochs.half_cycle, young)


def test_strengths_rise_with_elevation_and_scatter_by_some_tenths():
    epochs = observe(receiver(), sky(), seconds(60))
    elevation = elevations_deg(sky(), START_MS)
    strengths = {
        f"G{number:02d}": values for number, values in series(epochs, "G", "1C", "cnr_dbhz").items()
    }
    high = [np.median(v) for name, v in strengths.items() if elevation[name] > 50.0]
    low = [np.median(v) for name, v in strengths.items() if 8.0 < elevation[name] < 22.0]
    assert 44.0 < np.mean(high) < 52.0
    assert 32.0 < np.mean(low) < 42.0
    jumps = np.std(np.diff(np.stack(list(strengths.values())), axis=1)) / 2**0.5
    assert jumps == pytest.approx(0.3, abs=0.05)


def multipath_m(epochs, system, first, second):
    """Give the multipath combination of the first code by satellite (Estey and Meertens 1999)."""
    a = (carrier_hz(system, first) / carrier_hz(system, second)) ** 2
    codes = series(epochs, system, first, "pseudorange_m")
    ones = series(epochs, system, first, "phase_range_m")
    others = series(epochs, system, second, "phase_range_m")
    found = {}
    for number in codes.keys() & others.keys():
        value = (
            codes[number]
            - (1.0 + 2.0 / (a - 1.0)) * ones[number]
            + 2.0 / (a - 1.0) * others[number]
        )
        found[number] = value - np.nanmean(value)
    return found


def test_code_multipath_is_that_of_a_usual_site():
    """Below 0.5 m for two thirds of permanent stations; recorded 0.10 m high to 0.6 m low."""
    steady = receiver(slips_per_hour=0.0, half_cycle_s=0.0)
    epochs = observe(steady, sky("GE"), seconds(300, step=4))
    elevation = elevations_deg(sky("GE"), START_MS + 600_000)
    for system, second in (("G", "2W"), ("E", "5Q")):
        found = multipath_m(epochs, system, "1C", second)
        rms = {number: float(np.sqrt(np.nanmean(value**2))) for number, value in found.items()}
        assert 0.1 < np.median(list(rms.values())) < 0.45
        high = [v for n, v in rms.items() if elevation[f"{system}{n:02d}"] > 45.0]
        low = [v for n, v in rms.items() if 8.0 < elevation[f"{system}{n:02d}"] < 25.0]
        assert np.mean(high) < 0.2 < np.mean(low) < 0.7


def test_multipath_goes_on_for_minutes_and_noise_does_not():
    steady = receiver(slips_per_hour=0.0, half_cycle_s=0.0)
    epochs = observe(steady, sky("GE"), seconds(300))
    none = observe(receiver(**SILENT | {"noise": 1.0}), sky("GE"), seconds(300))
    for measured, least, most in ((epochs, 0.25, 1.0), (none, -0.15, 0.15)):
        found = multipath_m(measured, "E", "1C", "5Q").values()
        whole = [values for values in found if np.isfinite(values).all()]
        alike = [np.corrcoef(values[10:], values[:-10])[0, 1] for values in whole]
        assert least < np.median(alike) < most


def test_smoothed_codes_lose_their_noise_and_keep_the_slow_multipath():
    """A recorded smoothing receiver: 6 mm from epoch to epoch, yet 0.12 m of multipath."""
    settings = {"slips_per_hour": 0.0, "half_cycle_s": 0.0}
    two = {
        smoothing_s: multipath_m(
            observe(receiver(smoothing_s=smoothing_s, **settings), sky("E"), seconds(200)),
            "E", "1C", "5Q",
        )
        for smoothing_s in (0.0, 100.0)
    }  # fmt: skip
    quick = {key: np.nanstd(np.diff(np.stack(list(v.values())))) for key, v in two.items()}
    slow = {key: np.nanstd(np.stack(list(v.values()))) for key, v in two.items()}
    assert quick[100.0] < 0.15 * quick[0.0]
    assert slow[100.0] > 0.3 * slow[0.0]


def test_masks_and_obstructions_hide_what_is_behind_them():
    wall = Obstruction(from_deg=300.0, to_deg=60.0, elevation_deg=50.0)
    epochs = observe(receiver(mask_deg=20.0, obstructions=(wall,)), sky(), seconds(4, step=300))
    for epoch, gps_ms in enumerate(epochs.gps_ms.tolist()):
        table = SatelliteTable.stack(sky().truth(gps_ms))
        seen = sight(table, gps_ms, BASE_M)
        row_of = {name: row for row, name in enumerate(table.satellites)}
        names = {name for name, _ in by_cell(epochs, epoch)}
        assert len(names) > 8
        for name in names:
            elevation = np.degrees(seen.elevation_rad[row_of[name]])
            azimuth = np.degrees(seen.azimuth_rad[row_of[name]])
            assert elevation > 19.99
            assert elevation > 49.99 or 59.9 < azimuth < 300.1


def test_nothing_is_measured_before_the_receiver_is_on():
    late = receiver(started_gps_ms=START_MS + 30_000)
    epochs = observe(late, sky(), seconds(60))
    assert epochs.epoch.min() == 30
    assert set(epochs.lock_time_ms[epochs.epoch == 30]) == {0}
    assert len(observe(late, sky(), seconds(10))) == 0


def test_glonass_biases_grow_with_the_channel():
    plain, biased = (
        observe(receiver(**SILENT, **more), sky("R"), seconds(1))
        for more in ({}, {"glonass_code_bias_m": 0.4, "glonass_phase_bias_m": 0.025})
    )
    assert np.ptp(plain.channel) > 4
    code = biased.pseudorange_m - plain.pseudorange_m
    phase = biased.phase_range_m - plain.phase_range_m
    np.testing.assert_allclose(code, 0.4 * plain.channel, atol=1e-6)
    np.testing.assert_allclose(phase, 0.025 * plain.channel, atol=1e-6)


def test_a_drifting_clock_moves_all_ranges_and_rates_alike():
    steady = observe(receiver(**SILENT), sky("GE"), seconds(2, step=60))
    clock = ReceiverClock(offset_s=1e-5, drift_s_s=2e-7)
    drifting = observe(receiver(**SILENT, clock=clock), sky("GE"), seconds(2, step=60))
    more = drifting.pseudorange_m - steady.pseudorange_m
    # the satellites move on for the ten microseconds the clock is late: up to a centimetre
    expected = C_M_S * (1e-5 - 4e-8 + 2e-7 * 60.0 * steady.epoch)
    assert np.abs(more - expected).max() < 0.03
    rates = drifting.phase_range_rate_m_s - steady.phase_range_rate_m_s
    np.testing.assert_allclose(rates, 2e-7 * C_M_S, atol=1e-3)


def test_a_clock_kept_within_half_a_millisecond_jumps_by_one():
    clock = ReceiverClock(offset_s=4.999e-4, drift_s_s=1e-7, is_kept_within_half_ms=True)
    epochs = observe(receiver(**SILENT, clock=clock), sky("G"), seconds(40))
    for column, rate in (("pseudorange_m", 0.0), ("phase_range_m", 0.0)):
        values = np.stack(list(series(epochs, "G", "1C", column).values()))
        steps = (
            np.diff(values)
            - np.stack(list(series(epochs, "G", "1C", "phase_range_rate_m_s").values()))[:, 1:]
        )
        jump = np.nanmedian(steps, axis=0)
        at = np.flatnonzero(np.abs(jump) > 1000.0)
        assert len(at) == 1
        assert jump[at[0]] == pytest.approx(-299_792.458 + rate, abs=5.0)


def test_a_moving_rover_is_where_its_trajectory_is_and_its_rates_say_so():
    speed_m_s = ecef_from_enu([3.0, -4.0, 0.0], BASE_M)

    def along(gps_ms):
        return BASE_M + (gps_ms - START_MS)[:, np.newaxis] / 1000.0 * speed_m_s

    rover = receiver(9, trajectory=along, **SILENT)
    epochs = observe(rover, sky(), seconds(61))
    base = observe(receiver(**SILENT), sky(), seconds(61))
    places = [BASE_M, BASE_M + 60.0 * speed_m_s]
    found = single_differences(sky(), [base, epochs], places, 60)
    rest = [code for (satellite, signal), (_, code, _) in found.items()
            if satellite[0] == "G" and signal == "1C"]  # fmt: skip
    assert np.ptp(rest) < 0.02
    phase = series(epochs, "G", "1C", "phase_range_m")
    rate = series(epochs, "G", "1C", "phase_range_rate_m_s")
    for number, values in phase.items():
        steps = np.diff(values) - (rate[number][1:] + rate[number][:-1]) / 2.0
        assert abs(np.nanmedian(steps)) < 0.003


def test_receivers_of_one_sky_share_air_and_satellites_but_not_noise():
    first, second = (observe(receiver(seed), sky(), seconds(50)) for seed in (7, 8))
    assert len(first) == pytest.approx(len(second), abs=0.02 * len(first))
    codes = [series(one, "E", "1C", "pseudorange_m") for one in (first, second)]
    apart = np.stack([codes[0][n] - codes[1][n] for n in codes[0].keys() & codes[1].keys()])
    apart -= np.nanmean(apart, axis=0)  # the clocks
    assert 0.05 < np.nanmedian(np.nanstd(apart, axis=1)) < 1.0


def test_signals_are_those_the_receiver_is_set_to():
    epochs = observe(receiver(signals=SIGNALS_OF_TWO), sky(), seconds(1))
    cells = by_cell(epochs, 0)
    assert {(name[0], signal) for name, signal in cells} == {
        ("G", "1C"), ("G", "2W"), ("E", "1C"), ("E", "5Q"),
    }  # fmt: skip
    assert {SYSTEM_LETTERS[code] for code in epochs.system} == {"G", "E"}
    assert name_of(epochs, 0).startswith("G")


@pytest.mark.slow
def test_an_epoch_of_four_systems_costs_well_under_a_millisecond_and_a_half():
    """Measured 0.1 ms on an idle machine, stretches of tracking included."""
    subject = receiver(seed=99)
    began = time.thread_time()  # not what others on the machine take
    for block in range(30):
        observe(subject, sky(), seconds(60, first=60 * block))
    assert (time.thread_time() - began) / 1800 < 0.0015
