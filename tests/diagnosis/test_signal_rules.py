"""Rules about signals: ok, watch, bad and unknown of each, on made streams."""

import numpy as np
import pytest

from rtcmtool.diagnosis.signal_rules import SECOND_BAND_BAD, SECOND_BAND_OK
from rtcmtool.gnss.satellites import SatelliteTable, sight
from rtcmtool.gnss.signals import wavelength_m
from rtcmtool.monitor.stream_state import StreamState
from rtcmtool.wire.observations import LIGHT_MS_M
from rtcmtool.wire.signal_ids import SIGNAL_ID
from tests.diagnosis.finding_values import parts
from tests.diagnosis.judging import BAD, OK, UNKNOWN, WATCH, found, is_complete
from tests.made_skies import above, base_under_sky, constellation, state_under_sky
from tests.streams import ARP_M, START_MS, base_stream, observed, state_of

NO_RECORDS = ()


def without_sky(stream):
    """Follow a stream without ephemerides."""
    return state_under_sky(stream, NO_RECORDS)


def shifted(columns, name, amount, when, signal=None, satellite=None):
    here = when(columns["epoch"])
    if signal is not None:
        here &= columns["signal"] == signal
    if satellite is not None:
        here &= columns["name"] == satellite
    columns[name][here] += amount


def after(second):
    return lambda epoch: epoch >= second


def between(begin, end):
    return lambda epoch: (epoch >= begin) & (epoch < end)


# ---- slips -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("slips", "state"), [(0, OK), (1, WATCH), (2, BAD)])
def test_slips_of_the_phases_count_although_no_lock_falls(slips, state):
    def edit(columns):
        for index in range(slips):
            shifted(columns, "phase_m", 0.19, after(100 + 50 * index), "1C", above()[index])

    finding = found("slips", without_sky(base_under_sky(330, edit=edit)))
    assert (finding.state, parts(finding)["slips"]) == (state, slips)
    assert is_complete(finding)
    assert (finding.since is None) is (state is OK)
    if slips == 2:
        assert above()[0] in finding.text


@pytest.mark.parametrize("number", [1074, 1075, 1077])
@pytest.mark.parametrize(
    ("cycles", "words"),
    [(0.0, None), (-0.25, "a quarter cycle"), (0.5, "half a cycle"), (0.15, "0.15 cycle")],
)
def test_phases_that_stand_off_another_of_their_carrier_are_told_beside(number, cycles, words):
    def edit(columns):
        same = columns["signal"] == SIGNAL_ID["2X"]
        reference = columns["phase_range_m"][columns["signal"] == SIGNAL_ID["2W"]]
        columns["phase_range_m"][same] = reference + (9 + cycles) * wavelength_m("G", "2X")

    finding = found("slips", observed(number, 330, signals=("1C", "2W", "2X"), edit=edit))
    (value,) = parts(finding)["phase_offsets_cycles"].values()
    assert np.cos(2 * np.pi * (value - cycles)) == pytest.approx(1.0, abs=0.001)
    assert finding.state is OK
    assert finding.text.endswith(f"; phase of GPS 2X {words} off 2W" if words else "each)")


def test_messages_without_whole_ranges_leave_the_lock_times():
    finding = found("slips", observed(1073, 400, satellites=4))
    assert finding.state is OK
    assert parts(finding)["satellite_hours"] == pytest.approx(4 * 399 / 3600)


def test_slips_need_five_minutes_and_lock_times():
    assert found("slips", observed(1074, 290)).state is UNKNOWN
    assert found("slips", observed(1071, 400)).state is UNKNOWN


# ---- signal strength ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("high", "low", "state", "limit"),
    [
        (46.0, 39.0, OK, 45.0),
        (44.0, 39.0, WATCH, 45.0),
        (37.0, 39.0, BAD, 38.0),
        (46.0, 36.0, WATCH, 38.0),
        (46.0, 32.0, BAD, 33.0),
    ],
)
def test_strength_is_judged_by_elevation(high, low, state, limit):
    is_high = set(above(40.0))
    stream = base_under_sky(60, cnr=lambda name, signal: high if name in is_high else low)
    finding = found("signal_strength", state_under_sky(stream))
    assert (finding.state, finding.limit) == (state, limit)
    assert "degrees" in finding.text
    assert is_complete(finding)


@pytest.mark.parametrize(("strongest", "state"), [(45, OK), (44, WATCH), (38, WATCH), (37, BAD)])
def test_without_elevations_the_strongest_tenth_is_judged(strongest, state):
    stream = base_under_sky(60, cnr=lambda name, signal: float(strongest))
    finding = found("signal_strength", without_sky(stream))
    assert (finding.state, finding.value) == (state, strongest)
    assert "strongest tenth" in finding.text


def test_semi_codeless_signals_are_never_judged():
    def strength(name, signal):
        return 11.0 if signal == "2W" else 48.0

    for state in (state_under_sky, without_sky):
        finding = found("signal_strength", state(base_under_sky(60, cnr=strength)))
        assert finding.state is OK
        assert not any("2W" in name for name in parts(finding)["median"])


def test_strength_that_is_not_sent_is_unknown():
    assert found("signal_strength", observed(1073, 60)).state is UNKNOWN
    assert found("signal_strength", b"").state is UNKNOWN


# ---- band drop ---------------------------------------------------------------------------------


def dropped(depth_db, *signals):
    def edit(columns):
        for signal in signals:
            shifted(columns, "cnr", -depth_db, between(150, 170), signal)

    return without_sky(base_under_sky(240, edit=edit))


@pytest.mark.parametrize(("depth", "state"), [(0.0, OK), (1.5, OK), (3.0, WATCH), (6.0, BAD)])
def test_a_drop_of_one_band_points_to_interference(depth, state):
    finding = found("band_drop", dropped(depth, "2W", "5Q"))
    assert finding.state is state
    assert finding.value == pytest.approx(depth, abs=0.01) or depth == 0.0
    assert is_complete(finding)


def test_a_drop_of_all_bands_points_to_the_antenna():
    finding = found("band_drop", dropped(8.0, "1C", "5Q", "2W"))
    assert finding.state is BAD
    assert "cable" in (finding.action or "")
    one = found("band_drop", dropped(8.0, "1C"))
    assert "jammer" in (one.action or "")
    assert one.since == "2026-03-04T07:02:12Z"  # 150 s after 07:00 GPS time, 18 leap seconds
    assert "20 s in all" in one.text


def test_epochs_too_far_apart_hide_a_drop_and_that_is_said():
    def edit(columns):
        shifted(columns, "cnr", -8.0, between(45, 60), "1C")

    def judged(interval_ms):
        few = base_under_sky(70, satellites=above()[:5], interval_ms=interval_ms, edit=edit)
        return found("band_drop", without_sky(few))

    slow, fast = judged(30_000), judged(20_000)
    assert slow.state is UNKNOWN
    assert "30 s" in slow.text
    assert fast.state is BAD


@pytest.mark.parametrize("stream", [base_stream(60), observed(1073, 300), b""])
def test_a_drop_needs_a_normal_and_strengths(stream):
    finding = found("band_drop", stream)
    assert finding.state is UNKNOWN
    assert finding.text


SIX_HOURS, FIFTH_HOUR = 6 * 240, 4 * 240  # epochs 15 s apart


def six_hours(depth_db, when):
    """Make a capture under a sky that turns: satellites rise and set, and strength with them."""
    names = [record.satellite for record in constellation()]
    times = (START_MS + 15_000 * np.arange(SIX_HOURS))[:, np.newaxis]
    seen = sight(SatelliteTable.stack(constellation()), times, ARP_M)
    elevation_deg = np.degrees(seen.elevation_rad)  # by epoch and satellite

    def edit(columns):
        row = np.array([names.index(name) for name in columns["name"].tolist()])
        own_deg = elevation_deg[columns["epoch"], row]
        columns["cnr"] = 36.0 + 12.0 * np.sin(np.radians(own_deg))
        columns["keep"] &= own_deg > 10.0
        shifted(columns, "cnr", -depth_db, when, "1C")

    return without_sky(base_under_sky(SIX_HOURS, satellites=names, interval_ms=15_000, edit=edit))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("depth", "end", "state"),
    [
        (0.0, SIX_HOURS, OK),
        (3.5, SIX_HOURS, WATCH),
        (6.5, SIX_HOURS, BAD),
        (6.5, FIFTH_HOUR + 3, BAD),
    ],
)
def test_a_drop_in_the_last_third_of_six_hours_is_found(depth, end, state):
    finding = found("band_drop", six_hours(depth, between(FIFTH_HOUR, end)))
    assert finding.state is state
    assert (finding.value or 0.0) == pytest.approx(depth, abs=0.5)
    if depth:
        assert "L1" in finding.text
        assert finding.since == "2026-03-04T10:59:42Z"  # 4 h after 07:00 GPS time, 18 leap seconds


# ---- multipath ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("first_m", "second_m", "state", "limit"),
    [
        (0.3, 0.3, OK, 0.5),
        (0.4, 0.65, OK, 0.75),
        (0.7, 0.3, WATCH, 0.5),
        (0.3, 0.9, WATCH, 0.75),
        (1.2, 0.3, BAD, 1.0),
        (0.3, 1.4, BAD, 1.2),
    ],
)
def test_multipath_has_limits_by_band(first_m, second_m, state, limit):
    noise = {"1C": first_m, "2W": second_m, "5Q": second_m}
    finding = found("multipath", without_sky(base_under_sky(330, code_noise_m=noise)))
    assert finding.state is state
    assert finding.limit == pytest.approx(limit)
    assert finding.value == pytest.approx(max(first_m, second_m), rel=0.05)
    assert is_complete(finding)


def test_the_limits_of_the_second_band_follow_a_changed_limit():
    noise = {"1C": 0.1, "2W": 1.0, "5Q": 0.1}
    state = without_sky(base_under_sky(330, code_noise_m=noise))
    finding = found("multipath", state, limits={"multipath": 0.8, "multipath_bad": 0.9})
    assert finding.state is OK
    assert finding.limit == pytest.approx(0.8 * SECOND_BAND_OK)
    finding = found("multipath", state, limits={"multipath": 0.2, "multipath_bad": 0.3})
    assert finding.state is BAD
    assert finding.limit == pytest.approx(0.3 * SECOND_BAND_BAD)


def test_bad_multipath_names_the_worst_satellites_and_where_they_stand():
    low = above()[-1]

    def edit(columns):
        wave = 2.0 * np.sin(columns["epoch"] / 25.0)
        columns["code_m"][:] += np.where(columns["name"] == low, wave, 0.0)

    stream = base_under_sky(330, satellites=[*above()[:3], low], edit=edit)
    finding = found("multipath", without_sky(stream))
    assert finding.state in {WATCH, BAD}
    assert f"most on {low}" in finding.text
    known = found("multipath", state_under_sky(base_under_sky(330, edit=edit, code_noise_m=1.1)))
    assert "degrees high" in known.text


def test_smoothed_code_is_told():
    finding = found("multipath", without_sky(base_under_sky(330, code_noise_m=0.005)))
    assert finding.state is OK
    assert "smoothed" in finding.text
    assert parts(finding)["code_noise_m"] < 0.02


def test_multipath_needs_five_minutes_unbroken_and_two_bands():
    def broken(columns):
        columns["keep"][:] = columns["epoch"] % 200 != 0

    def one_band(columns):
        columns["keep"][:] = columns["signal"] == "1C"

    for stream in (
        base_under_sky(200),
        base_under_sky(330, edit=broken),
        base_under_sky(330, edit=one_band),
        observed(1073, 330),
    ):
        finding = found("multipath", without_sky(stream))
        assert finding.state is UNKNOWN
        assert finding.text


# ---- ionosphere --------------------------------------------------------------------------------


def drifting(rate_mm_s, satellites=None):
    def edit(columns):
        rate = rate_mm_s / 1000 * columns["epoch"]
        # L1 - L2 grows by gamma - 1 times the delay; the delay of L1 itself cancels in no rule
        gamma = np.where(columns["signal"] == "2W", (77 / 60) ** 2, (154 / 115) ** 2)
        here = columns["signal"] != "1C"
        if satellites is not None:
            here &= np.isin(columns["name"], satellites)
        columns["phase_m"][here] -= (rate * (gamma - 1.0))[here]

    return without_sky(base_under_sky(330, edit=edit))


@pytest.mark.parametrize(("rate", "state"), [(0.0, OK), (1.5, OK), (3.0, WATCH), (12.0, BAD)])
def test_a_rate_common_to_the_sky_is_judged(rate, state):
    finding = found("ionosphere", drifting(rate))
    assert finding.state is state
    assert finding.value == pytest.approx(rate, abs=0.05)
    assert is_complete(finding)


def test_one_fast_satellite_is_a_watch_at_most():
    finding = found("ionosphere", drifting(12.0, above()[:1]))
    assert (finding.state, finding.limit) == (WATCH, 10.0)
    assert "one or two" in finding.text
    assert found("ionosphere", drifting(5.0, above()[:2])).state is OK
    assert found("ionosphere", drifting(12.0, above()[:3])).state is BAD


def test_the_ionosphere_needs_five_minutes_and_two_bands():
    def one_band(columns):
        columns["keep"][:] = columns["signal"] == "1C"

    def soon_one_band(columns):
        columns["keep"][:] = (columns["signal"] == "1C") | (columns["epoch"] < 150)

    for stream in (
        base_under_sky(200),
        base_under_sky(330, edit=one_band),
        base_under_sky(330, edit=soon_one_band),
        observed(1073, 330),
    ):
        assert found("ionosphere", without_sky(stream)).state is UNKNOWN


# ---- clock jumps -------------------------------------------------------------------------------


def jumping(*seconds):
    def edit(columns):
        for second in seconds:
            for name in ("code_m", "phase_m"):
                shifted(columns, name, LIGHT_MS_M, after(second))

    return without_sky(base_under_sky(60, edit=edit))


@pytest.mark.parametrize(("jumps", "state"), [((), OK), ((30,), WATCH), ((20, 40), BAD)])
def test_jumps_of_the_clock_are_counted(jumps, state):
    finding = found("clock_jumps", jumping(*jumps))
    assert (finding.state, finding.value) == (state, len(jumps))
    assert is_complete(finding)
    if jumps:
        assert "+1.000 ms in code and phase" in finding.text


def test_steps_of_single_codes_are_told_beside():
    def edit(columns):
        shifted(columns, "code_m", 20.0, between(20, 40), "1C", above()[0])

    finding = found("clock_jumps", without_sky(base_under_sky(60, edit=edit)))
    assert finding.state is OK
    assert [step["size_m"] for step in parts(finding)["code_steps"]] == pytest.approx(
        [20.0, -20.0], abs=2.0
    )
    assert above()[0] in finding.text


def test_clock_jumps_need_whole_ranges_and_twenty_epochs():
    for stream in (base_stream(10), observed(1073, 60), b""):
        assert found("clock_jumps", stream).state is UNKNOWN


def test_a_stream_without_a_byte_gives_no_verdict_of_signals():
    state = StreamState()
    state.finish()
    for rule in ("slips", "signal_strength", "band_drop", "multipath", "ionosphere", "clock_jumps"):
        assert found(rule, state).state is UNKNOWN


def test_a_stream_of_one_satellite_and_position_is_no_trouble():
    state = state_of(base_stream(330, numbers=(1074,), satellites={"GPS": 1}))
    for rule in ("band_drop", "ionosphere"):
        assert found(rule, state).state is UNKNOWN
