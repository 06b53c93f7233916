"""Each fault of a receiver is to be seen in what it measures, while it lasts and not before."""

import numpy as np
import pytest

from rtcmtool.gnss.geodesy import enu_from_ecef
from rtcmtool.gnss.satellites import SatelliteTable, sight
from rtcmtool.gnss.signals import carrier_hz
from rtcmtool.simulation.receiver import observe
from rtcmtool.simulation.receiver_effects import (
    L1_HZ,
    L2_HZ,
    UPPER_BAND_HZ,
    BadCable,
    BlockedSky,
    Bumped,
    ClockJumps,
    HalfCycles,
    Interference,
    Multipath,
    OneFrequency,
    RaisedMask,
    Restart,
    Slips,
    Storm,
    SystemsOff,
)
from rtcmtool.wire.observations import SYSTEM_LETTERS
from rtcmtool.wire.signal_ids import SIGNALS
from tests.simulation.skies import (
    BASE_M,
    SILENT,
    START_MS,
    elevations_deg,
    receiver,
    seconds,
    series,
    single_differences,
    sky,
)

# Acts in the middle third of ninety seconds.
SPAN = {"start_gps_ms": START_MS + 30_000, "end_gps_ms": START_MS + 60_000}
CALM = {"slips_per_hour": 0.0, "half_cycle_s": 0.0}


def measured(*effects, systems="GREC", count=90, **settings):
    return observe(receiver(**(CALM | settings)), sky(systems), seconds(count), effects)


def parts(epochs):
    """Give masks of the rows before, during and after the effect."""
    return (
        epochs.epoch < 30,
        (epochs.epoch >= 30) & (epochs.epoch < 60),
        epochs.epoch >= 60,
    )


def letters(epochs):
    return np.array([SYSTEM_LETTERS[code] for code in epochs.system])


def carriers_hz(epochs):
    cells = zip(epochs.system, epochs.signal, epochs.channel, strict=True)
    return np.array([carrier_hz(SYSTEM_LETTERS[s], SIGNALS[n], c) for s, n, c in cells])


def test_a_wall_hides_its_sector_and_the_locks_begin_anew_behind_it():
    epochs = measured(BlockedSky(**SPAN, from_deg=95.0, to_deg=275.0, elevation_deg=55.0))
    before, during, after = (epochs.lock_time_ms[part] for part in parts(epochs))
    assert len(during) < 0.75 * len(before)
    assert len(after) == pytest.approx(len(before), rel=0.05)  # one rises
    assert (after < 31_000).sum() > 0.2 * len(after)
    table = SatelliteTable.stack(sky().truth(START_MS))
    seen = sight(table, START_MS + 45_000, BASE_M)
    hidden = {
        name
        for name, azimuth, elevation in zip(
            table.satellites,
            np.degrees(seen.azimuth_rad),
            np.degrees(seen.elevation_rad),
            strict=True,
        )
        if 95.5 < azimuth < 274.5 and elevation < 54.5
    }
    rows = np.flatnonzero(epochs.epoch == 45)
    names = {f"{SYSTEM_LETTERS[epochs.system[r]]}{epochs.satellite[r]:02d}" for r in rows}
    assert not names & hidden


def test_a_raised_mask_leaves_the_high_satellites():
    epochs = measured(RaisedMask(**SPAN, mask_deg=45.0))
    high = {
        n for n, elevation in elevations_deg(sky(), START_MS + 45_000).items() if elevation > 45
    }
    rows = np.flatnonzero(epochs.epoch == 45)
    names = {f"{SYSTEM_LETTERS[epochs.system[r]]}{epochs.satellite[r]:02d}" for r in rows}
    assert names == high
    assert len(high) < 15


def test_lost_systems_are_gone_and_come_back():
    epochs = measured(SystemsOff(**SPAN, systems="RC"))
    sets = [set(letters(epochs)[part]) for part in parts(epochs)]
    assert sets == [set("GREC"), set("GE"), set("GREC")]


def test_one_frequency_leaves_the_upper_band():
    epochs = measured(OneFrequency(**SPAN))
    carriers = carriers_hz(epochs)
    lowest = [carriers[part].min() for part in parts(epochs)]
    assert lowest[0] < 1.2e9
    assert lowest[1] > UPPER_BAND_HZ[0]
    assert lowest[2] < 1.2e9
    assert set(letters(epochs)[parts(epochs)[1]]) == set("GREC")


def test_interference_weakens_its_band_in_the_seconds_in_which_it_is_keyed():
    epochs = measured(Interference(**SPAN, band_hz=L1_HZ, drop_db=12.0, duty=0.4))
    _, during, _ = parts(epochs)
    carriers = carriers_hz(epochs)
    hit = (carriers >= L1_HZ[0]) & (carriers <= L1_HZ[1])
    by_second = np.array([np.median(epochs.cnr_dbhz[hit & (epochs.epoch == k)]) for k in range(90)])
    usual = np.median(by_second[:30])
    keyed = by_second[30:60] < usual - 6.0
    assert 0.2 < keyed.mean() < 0.7
    assert np.all(np.abs(by_second[60:] - usual) < 2.0)
    other = np.median(epochs.cnr_dbhz[~hit & during]) - np.median(epochs.cnr_dbhz[~hit & ~during])
    assert abs(other) < 1.0


def test_interference_makes_codes_noisier_and_loses_weak_signals():
    plain, hit = measured(), measured(Interference(band_hz=L2_HZ, drop_db=14.0, duty=1.0))
    noise = []
    for epochs in (plain, hit):
        codes = series(epochs, "R", "2C", "pseudorange_m")
        phases = series(epochs, "R", "2C", "phase_range_m")
        noise.append([np.nanstd(np.diff(codes[n] - phases[n])) for n in codes])
    assert len(noise[1]) < len(noise[0])
    assert np.median(noise[1]) > 1.8 * np.median(noise[0])


def test_a_bad_cable_weakens_all_bands_the_lower_ones_more_and_slips():
    plain, bad = (measured(*effects, count=300) for effects in ((), (BadCable(loss_db=9.0),)))
    for signal, least, most in (("1C", 6.0, 12.0), ("5Q", 8.5, 16.0)):
        usual = series(plain, "E", signal, "cnr_dbhz")
        weak = series(bad, "E", signal, "cnr_dbhz")
        both = usual.keys() & weak.keys()
        loss = np.median([np.nanmedian(usual[n] - weak[n]) for n in both])
        assert least < loss < most
    slips = [(epochs.lock_time_ms[epochs.epoch > 0] == 0).sum() for epochs in (plain, bad)]
    assert slips[1] > slips[0] + 10
    assert len(bad) < len(plain)


def test_multipath_grows_by_its_factor_and_codes_swing():
    plain, bad = (
        measured(*effects, systems="E", count=300) for effects in ((), (Multipath(factor=6.0),))
    )
    swing = []
    for epochs in (plain, bad):
        codes = series(epochs, "E", "1C", "pseudorange_m")
        phases = series(epochs, "E", "1C", "phase_range_m")
        swing.append({n: np.nanstd(codes[n] - phases[n]) for n in codes})
    ratio = [swing[1][n] / swing[0][n] for n in swing[0]]
    assert 3.5 < np.median(ratio) < 6.5


def storm_rates_m_s(epochs):
    """Give the ionospheric rate on L1 of each Galileo satellite over half a minute."""
    first = series(epochs, "E", "1C", "phase_range_m")
    second = series(epochs, "E", "5Q", "phase_range_m")
    a = (carrier_hz("E", "1C") / carrier_hz("E", "5Q")) ** 2
    return [
        np.abs(np.diff((first[n] - second[n])[::30])) / 30.0 / (a - 1.0)
        for n in first.keys() & second.keys()
    ]


def test_a_storm_moves_the_delays_by_millimetres_a_second_on_several_satellites():
    storm = Storm(start_gps_ms=START_MS + 60_000, rate_m_s=0.015, share=0.7)
    rates = storm_rates_m_s(measured(storm, systems="E", count=600, **SILENT))
    calm = storm_rates_m_s(measured(systems="E", count=600, **SILENT))
    assert max(float(np.nanmax(rate)) for rate in calm) < 0.004
    # without slips the highest rates are those of the sky
    hit = [float(np.nanpercentile(rate, 80)) for rate in rates]
    assert sum(rate > 0.005 for rate in hit) >= len(hit) // 3
    before = [rate[0] for rate in rates if np.isfinite(rate[0])]
    assert max(before) < 0.004


def test_a_storm_makes_the_lower_bands_slip_and_the_strengths_flicker():
    plain, bad = (
        measured(*effects, count=400) for effects in ((), (Storm(rate_m_s=0.020, share=1.0),))
    )
    lower = carriers_hz(bad) < 1.3e9
    slipped = (bad.lock_time_ms == 0) & (bad.epoch > 0)
    assert slipped[lower].sum() > 5 * max(1, slipped[~lower].sum())
    flicker = []
    for epochs in (plain, bad):
        strengths = series(epochs, "G", "1C", "cnr_dbhz").values()
        flicker.append(np.median([np.nanstd(np.diff(values)) for values in strengths]))
    assert flicker[1] > 2.0 * flicker[0]


def test_both_receivers_under_a_storm_see_the_same_one_and_not_quite():
    storm = Storm(rate_m_s=0.015, share=1.0)
    near, far = (
        [
            observe(one, sky("E"), seconds(2, first=300), (storm,))
            for one in (receiver(7, **SILENT), receiver(8, east_m=east_m, **SILENT))
        ]
        for east_m in (10.0, 8000.0)
    )
    spreads = []
    for pair, east_m in ((near, 10.0), (far, 8000.0)):
        places = [np.array(receiver(1, east_m=e).position_m) for e in (0.0, east_m)]
        found = single_differences(sky("E"), pair, places, 0)
        codes = [code for (_, signal), (_, code, _) in found.items() if signal == "1C"]
        spreads.append(np.std(codes))
    assert spreads[0] < 0.003
    assert 0.01 < spreads[1] < 1.5


def test_clock_jumps_move_all_ranges_by_a_millisecond_and_leave_the_locks():
    jumps = ClockJumps(**SPAN, every_s=10.0)
    epochs = measured(jumps, systems="GE", **SILENT)
    for column in ("pseudorange_m", "phase_range_m"):
        values = np.stack(list(series(epochs, "G", "1C", column).values()))
        rates = np.stack(list(series(epochs, "G", "1C", "phase_range_rate_m_s").values()))
        step = np.nanmedian(np.diff(values) - rates[:, 1:], axis=0) / 299_792.458
        at = np.flatnonzero(np.abs(step) > 0.5) + 1
        assert at.tolist() == [40, 50]
        np.testing.assert_allclose(step[at - 1], [1.0, -1.0], atol=1e-4)
    assert (epochs.lock_time_ms[epochs.epoch > 0] == 0).sum() == 0


def test_half_cycles_stay_open_on_the_share_asked_for():
    epochs = measured(HalfCycles(**SPAN, share=0.4))
    shares = [epochs.half_cycle[part].mean() for part in parts(epochs)]
    assert shares[0] == shares[2] == 0.0
    assert 0.3 < shares[1] < 0.5


def test_slips_come_as_often_as_asked_for():
    epochs = measured(Slips(per_hour=120.0), count=300)
    slips = (epochs.lock_time_ms[epochs.epoch > 0] == 0).sum()
    assert slips / (len(epochs) / 3600.0) == pytest.approx(120.0, rel=0.15)


def test_a_restart_is_silence_and_then_everything_from_the_beginning():
    epochs = measured(Restart(start_gps_ms=START_MS + 30_000, silent_s=20.0))
    counts = np.bincount(epochs.epoch, minlength=90)
    assert np.all(counts[30:50] == 0)
    assert counts[50] > 0
    assert counts[50] < 0.7 * counts[29]
    assert counts[58] == pytest.approx(counts[29], rel=0.05)
    assert epochs.lock_time_ms[epochs.epoch >= 50].max() < 40_000
    first, last = (series(epochs, "G", "1C", name) for name in ("phase_range_m", "pseudorange_m"))
    changed = [
        abs((first[n] - last[n])[70] - (first[n] - last[n])[20]) > 0.15
        for n in first
        if np.isfinite(first[n][[20, 70]]).all()
    ]
    assert np.mean(changed) > 0.6


def test_a_bumped_antenna_is_somewhere_else_from_then_on():
    bump = Bumped(start_gps_ms=START_MS + 30_000, east_m=0.031, north_m=-0.018, up_m=-0.012)
    moved, still = measured(bump, systems="GE", **SILENT), measured(systems="GE", **SILENT)
    assert np.array_equal(
        moved.phase_range_m[moved.epoch < 30], still.phase_range_m[still.epoch < 30]
    )
    places = [BASE_M, BASE_M]
    found = single_differences(sky("GE"), [still, moved], places, 60)
    table = SatelliteTable.stack(sky("GE").truth(START_MS))
    seen = sight(table, START_MS + 60_000, BASE_M)
    rows, targets = [], []
    for (satellite, signal), (phase, _, _) in found.items():
        if signal == "1C":
            rows.append(-seen.direction[table.satellites.index(satellite)])
            targets.append(phase)
    shift, *_ = np.linalg.lstsq(np.array(rows), np.array(targets), rcond=None)
    np.testing.assert_allclose(enu_from_ecef(shift, BASE_M), [0.031, -0.018, -0.012], atol=5e-4)
    assert np.array_equal(moved.lock_time_ms, still.lock_time_ms)


def test_effects_do_not_depend_on_blocks_either():
    effects = (
        Storm(**SPAN),
        Slips(per_hour=100.0),
        Restart(start_gps_ms=START_MS + 50_000, silent_s=5.0),
        BadCable(**SPAN, loss_db=4.0),
    )
    whole = measured(*effects)
    part = observe(receiver(**CALM), sky(), seconds(20, first=45), effects)
    rows = (whole.epoch >= 45) & (whole.epoch < 65)
    for name in ("phase_range_m", "pseudorange_m", "cnr_dbhz", "lock_time_ms"):
        np.testing.assert_array_equal(getattr(part, name), getattr(whole, name)[rows])
