"""Phases of one carrier: quarter cycles of real receivers, and of made ones."""

import numpy as np
import pytest

from rtcmtool.gnss.signals import wavelength_m
from rtcmtool.monitor.observed_epochs import satellite_at
from rtcmtool.monitor.phase_alignment import FEWEST_EPOCHS, PhaseAlignment
from rtcmtool.monitor.signal_quality import SignalQuality
from rtcmtool.wire.signal_ids import SIGNAL_ID
from rtcmtool.wire.stream import Chunk, StreamDecoder
from tests.gnss.rinex_observations import read_observations
from tests.monitor.made_rows import made
from tests.monitor.rinex_rows import pieces, rows_of_file

SIX = ("G01", "G02", "G03", "G04", "G05", "G06")


def offsets_of(*parts, channels=None):
    alignment = PhaseAlignment()
    for rows in parts:
        alignment.update(rows, channels or {})
    return {(o.system, o.signal, o.reference): o for o in alignment.offsets}


def off_by(cycles, signal="2X", system="G"):
    """Give an edit: a signal stands off 2W by whole cycles and a part of one."""

    def edit(columns):
        length_m = wavelength_m(system, "2W")
        for name in np.unique(columns["satellite"]).tolist():
            own = columns["satellite"] == name
            same = own & np.isin(columns["signal"], [signal])
            reference = columns["phase_m"][own & (columns["signal"] == "2W")]
            part = cycles(name) if callable(cycles) else cycles
            columns["phase_m"][same] = reference + length_m * (part + 7 * int(name[1:]))

    return edit


# Reference: the L2X of the base minus its L2W have a part of -0.246 to -0.250 cycle on all six
# satellites, as its header says (SYS / PHASE SHIFT, -0.25000; it says 0.25000 for L1X of QZSS).
@pytest.mark.open_data
def test_the_base_of_the_pair_has_quarter_cycles_as_its_header_says(pair_rows):
    found = offsets_of(pair_rows)
    quarter = found["G", "2X", "2W"]
    assert quarter.cycles == pytest.approx(-0.248, abs=0.002)
    assert quarter.satellites == 6
    assert not quarter.is_aligned
    assert found["J", "1X", "1C"].cycles == pytest.approx(0.25, abs=0.005)


# Reference: +0.004 to +0.009 cycle for L2L minus L2W of the rover.
@pytest.mark.open_data
def test_the_rover_of_the_pair_is_aligned(open_data):
    found = offsets_of(rows_of_file(read_observations(open_data / "pair-rover.rnx")))
    assert 0.004 <= found["G", "2L", "2W"].cycles <= 0.009
    assert found["G", "2L", "2W"].is_aligned


@pytest.mark.open_data
def test_signals_whose_satellites_disagree_have_no_offset(pair_rows):
    # L1Z of QZSS comes over another antenna of the satellite: -0.01, -0.38, -0.32, -0.22 cycle.
    assert ("J", "1Z", "1C") not in offsets_of(pair_rows)


@pytest.mark.open_data
@pytest.mark.slow
def test_a_real_stream_of_msm5_is_aligned_as_the_standard_asks(open_data):
    quality = SignalQuality()
    quality.update(StreamDecoder().feed(Chunk((open_data / "static-msm5.rtcm3").read_bytes())))
    (found,) = quality.alignment.offsets
    assert (found.system, found.signal, found.reference) == ("G", "2S", "2W")
    assert found.satellites == 10
    assert abs(found.cycles) < 0.005


@pytest.mark.parametrize("cycles", [0.0, 0.25, -0.25, 0.5, 0.12])
def test_a_made_offset_comes_back(cycles):
    found = offsets_of(made(signals=("1C", "2W", "2X"), edit=off_by(cycles)))
    assert set(found) == {("G", "2X", "2W")}
    offset = found["G", "2X", "2W"]
    assert np.cos(2 * np.pi * (offset.cycles - cycles)) == pytest.approx(1.0, abs=1e-9)
    assert offset.is_aligned is (cycles == 0.0)
    assert offset.satellites == 6


def test_half_of_the_satellites_off_by_half_a_cycle_is_no_offset_of_the_signal():
    edit = off_by(lambda name: 0.5 * (int(name[1:]) % 2))
    assert not offsets_of(made(signals=("2W", "2X"), edit=edit))


def test_slips_of_whole_cycles_change_nothing():
    def edit(columns):
        off_by(0.25)(columns)
        late = (columns["epoch"] > 60) & (columns["signal"] == "2X")
        columns["phase_m"][late] += 3 * wavelength_m("G", "2W")

    assert offsets_of(made(signals=("2W", "2X"), edit=edit))["G", "2X", "2W"].cycles == (
        pytest.approx(0.25, abs=1e-6)
    )


def test_less_than_a_minute_or_three_satellites_do_not_tell():
    def of(satellites, epochs):
        return offsets_of(made(satellites, ("2W", "2X"), epochs=epochs, edit=off_by(0.25)))

    assert not of(SIX, FEWEST_EPOCHS - 1)
    assert of(SIX, FEWEST_EPOCHS)
    assert not of(SIX[:2], FEWEST_EPOCHS)
    assert of(SIX[:3], FEWEST_EPOCHS)


@pytest.mark.parametrize(
    ("column", "value"), [("half_cycle", 1), ("is_legacy", True), ("elevation_deg", 5.0)]
)
def test_what_cannot_be_trusted_is_left_out(column, value):
    def edit(columns):
        off_by(0.25)(columns)
        columns[column][columns["signal"] == "2X"] = value

    assert not offsets_of(made(signals=("2W", "2X"), edit=edit))


def test_glonass_needs_the_channel():
    def edit(columns):
        for slot, name in enumerate(np.unique(columns["satellite"]).tolist(), start=1):
            own = columns["satellite"] == name
            same = own & (columns["signal"] == "2P")
            reference = columns["phase_m"][own & (columns["signal"] == "2C")]
            columns["phase_m"][same] = reference + wavelength_m("R", "2C", slot - 4) * (40 + 0.25)

    rows = made(("R01", "R02", "R03", "R04"), ("2C", "2P"), edit=edit)
    assert not offsets_of(rows)
    found = offsets_of(rows, channels={slot: slot - 4 for slot in range(1, 5)})
    (offset,) = found.values()
    assert (offset.signal, offset.reference) == ("2C", "2P")
    assert offset.cycles == pytest.approx(-0.25, abs=1e-6)


def test_cuts_change_nothing():
    rows = made(signals=("1C", "2W", "2X"), edit=off_by(0.25))
    begin = int(rows.time_ms[0])
    cut = offsets_of(*pieces(rows, begin + 17_000, begin + 30_000, begin + 31_000))
    whole = offsets_of(rows)
    assert cut.keys() == whole.keys()
    for key, offset in cut.items():
        assert offset.cycles == pytest.approx(whole[key].cycles, abs=1e-12)


def test_one_signal_a_band_tells_nothing():
    rows = made(signals=("1C", "2W", "5Q"))
    assert satellite_at(int(rows.place[0])) == "G01"
    assert SIGNAL_ID["2W"] in rows.signal
    assert not offsets_of(rows)
    assert not offsets_of()
