"""Which signals are compared with which, and phases as they were before legacy adjustments."""

import numpy as np
import pytest

from rtcmtool.gnss.signals import carrier_hz, wavelength_m
from rtcmtool.monitor.observed_epochs import place_of
from rtcmtool.monitor.phase_pairs import (
    NO_PARTNER,
    PhaseAdjustments,
    carriers_hz,
    pair,
    satellite_signal,
)
from rtcmtool.wire.signal_ids import SIGNAL_ID, SIGNALS
from tests.monitor.made_rows import made
from tests.monitor.rinex_rows import rows_of_columns


def one_satellite(name, *signals):
    size = len(signals)
    return rows_of_columns(
        [0] * size, [0] * size, [place_of(name)] * size, [SIGNAL_ID[one] for one in signals],
        [2e7] * size, [2e7] * size, [45.0] * size,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("name", "signals", "hub", "second"),
    [
        ("G05", ("1C", "1W", "2W", "2L", "5Q"), "1C", "2L"),
        ("G05", ("1W", "2W"), "1W", "2W"),
        ("E11", ("1X", "7X", "5X"), "1X", "5X"),
        ("C30", ("1P", "2I", "6I", "5P"), "2I", "1P"),
        ("R07", ("2C", "1C"), "1C", "2C"),
        ("J02", ("5Q", "2L"), "2L", "5Q"),
    ],
)
def test_the_hub_is_on_the_first_band_and_the_second_on_another(name, signals, hub, second):
    pairs = pair(one_satellite(name, *signals))
    assert {signals[row] for row in pairs.hub.tolist()} == {hub}
    assert [signals[row] for row in np.flatnonzero(pairs.is_second).tolist()] == [second]
    partner_of_hub = pairs.partner[signals.index(hub)]
    assert signals[partner_of_hub] == second
    for row, signal in enumerate(signals):
        assert signals[pairs.partner[row]][0] != signal[0]


def test_one_band_has_no_partner_and_a_reserved_signal_no_pair():
    assert pair(one_satellite("G05", "1C", "1W")).partner.tolist() == [NO_PARTNER] * 2
    pairs = pair(one_satellite("G05", "?07", "1C", "2W"))
    assert pairs.partner.tolist() == [NO_PARTNER, 2, 1]
    assert pair(one_satellite("G05", "?07")).hub.tolist() == [NO_PARTNER]


def test_carriers_take_the_channel_and_the_middle_where_it_is_unknown():
    rows = one_satellite("R07", "1C", "2C")
    assert carriers_hz(rows, {7: -4}).tolist() == [
        carrier_hz("R", "1", -4),
        carrier_hz("R", "2", -4),
    ]
    assert carriers_hz(rows, {})[0] == carrier_hz("R", "1", 0)


@pytest.mark.parametrize("cut", [0, 40, 50, 51])
def test_adjustments_of_1500_cycles_are_undone_across_batches(cut):
    def edit(columns):
        columns["is_legacy"][:] = True
        for since, turns in ((50, 1), (80, -1)):
            later = (columns["epoch"] >= since) & (columns["satellite"] == "G03")
            later &= columns["signal"] == "2W"
            columns["phase_m"][later] += turns * 1500 * wavelength_m("G", "2W")

    rows, plain = made(edit=edit), made()
    adjustments = PhaseAdjustments()
    epoch = (rows.time_ms - rows.time_ms[0]) // 1000
    parts = (rows.take(epoch < cut), rows.take(epoch >= cut))
    found = [adjustments.undo(part, carriers_hz(part, {})) for part in parts]
    assert np.concatenate(found) == pytest.approx(plain.phase_range_m, abs=1e-5)


def test_phases_of_other_messages_are_left_alone():
    rows = made()
    assert PhaseAdjustments().undo(rows, carriers_hz(rows, {})) is rows.phase_range_m


def test_a_cell_tells_its_satellite_and_signal():
    rows = one_satellite("E33", "7Q")
    assert satellite_signal(int(rows.cell[0])) == ("E33", "7Q")
    assert SIGNALS[int(rows.signal[0])] == "7Q"
