"""Sizes from memory of RTCM 10403.x: 169 + X + S a satellite + C a cell."""

import pytest

from rtcmtool.wire.catalogue import LAYOUTS, MSM_NUMBERS
from rtcmtool.wire.framing import FrameScanner
from rtcmtool.wire.layout import Kind, Order
from rtcmtool.wire.messages import msm
from rtcmtool.wire.records import read_record
from rtcmtool.wire.signal_tables import (
    LEGACY_L1_SIGNALS,
    LEGACY_L2_SIGNALS,
    MSM_SIGNALS,
    STATE_SPACE_SIGNALS,
    msm_satellite_name,
)
from tests.wire.messages.parts import bits_of

SATELLITE_BITS = {1: 10, 2: 10, 3: 10, 4: 18, 5: 36, 6: 18, 7: 36}
CELL_BITS = {1: 15, 2: 27, 3: 42, 4: 48, 5: 63, 6: 65, 7: 80}


@pytest.mark.parametrize("number", sorted(MSM_NUMBERS))
def test_the_size_follows_from_the_masks(number):
    layout, kind = LAYOUTS[number], number % 10
    assert bits_of(layout) == 169
    masks = {"satellite_mask": 0b10110, "signal_mask": 0b11, "cell_mask": 0b110111}
    assert bits_of(layout, **masks) == 169 + 6 + 3 * SATELLITE_BITS[kind] + 5 * CELL_BITS[kind]


@pytest.mark.parametrize(("kind", "frame"), [(4, 492), (7, 820)])
def test_32_satellites_of_two_signals_have_the_published_frame_size(kind, frame):
    masks = {"satellite_mask": 2**32 - 1, "signal_mask": 3, "cell_mask": 2**64 - 1}
    bits = bits_of(LAYOUTS[1070 + kind], **masks)
    assert (bits + 7) // 8 + 6 == frame


def test_all_epochs_have_30_bits_in_all():
    assert {sum(field.bits for field in fields) for fields in msm.EPOCHS.values()} == {30}


def test_glonass_tells_the_day_of_week_before_the_epoch():
    names = [field.name for field in LAYOUTS[1087].head]
    assert names[:4] == ["message_number", "station", "day_of_week", "epoch_ms"]
    assert "day_of_week" not in [field.name for field in LAYOUTS[1077].head]


def test_both_blocks_lie_field_by_field():
    for number in MSM_NUMBERS:
        assert LAYOUTS[number].group("satellites").order is Order.FIELD_BY_FIELD
        assert LAYOUTS[number].group("cells").order is Order.FIELD_BY_FIELD


def test_all_kinds_name_the_cell_fields_alike():
    names = ["fine_pseudorange", "fine_phase_range", "lock", "half_cycle", "cnr", "fine_rate"]
    for kind, wanted in {1: names[:1], 2: names[1:4], 4: names[:5], 5: names, 7: names}.items():
        assert [field.name for field in msm.CELL_FIELDS[kind]] == wanted


def test_the_invalid_value_of_signed_fields_is_the_most_negative_one():
    fields = [field for kind in msm.CELL_FIELDS.values() for field in kind] + [msm.ROUGH_RATE]
    signed = [field for field in fields if field.kind is Kind.SIGNED]
    assert signed
    assert all(field.invalid == field.lowest for field in signed)


def test_only_glonass_puts_the_frequency_channel_into_the_extended_information():
    channel = {
        number: next(
            f
            for f in LAYOUTS[number].group("satellites").fields
            if f.name == "extended_information"
        )
        for number in (1075, 1085, 1087, 1097)
    }
    assert channel[1085] is channel[1087]
    assert channel[1085].offset == -7
    assert channel[1085].invalid == 15
    assert channel[1075].offset == channel[1097].offset == 0


def test_steps_are_those_of_the_standard():
    # 17.87, 0.558 and 0.140 mm, computed from the widths.
    light_ms_mm = 299_792_458
    assert float(msm.PSEUDORANGE.scale) * light_ms_mm == pytest.approx(17.87, abs=0.005)
    assert float(msm.PHASE_RANGE.scale) * light_ms_mm == pytest.approx(0.558, abs=0.0005)
    assert msm.PSEUDORANGE_EXTENDED.scale == msm.PHASE_RANGE.scale
    assert float(msm.PHASE_RANGE_EXTENDED.scale) * light_ms_mm == pytest.approx(0.140, abs=0.0005)


def test_signal_masks_have_33_places_and_name_reserved_ones():
    assert {len(table) for table in MSM_SIGNALS.values()} == {33}
    assert MSM_SIGNALS["G"][2] == "1C"
    assert MSM_SIGNALS["G"][1] == "?01"
    assert MSM_SIGNALS["C"][26] == "?26"
    assert [MSM_SIGNALS["G"][i] for i in (2, 10, 15, 23)] == ["1C", "2W", "2S", "5Q"]
    assert [MSM_SIGNALS["E"][i] for i in (2, 15, 19, 23)] == ["1C", "7Q", "8Q", "5Q"]
    assert [MSM_SIGNALS["C"][i] for i in (2, 8, 14, 22)] == ["2I", "6I", "7I", "5D"]


def test_no_signal_comes_twice_in_a_table():
    for tables in (MSM_SIGNALS, STATE_SPACE_SIGNALS, LEGACY_L1_SIGNALS, LEGACY_L2_SIGNALS):
        for table in tables.values():
            assert len(set(table)) == len(table)


def test_satellites_have_rinex_names():
    # RINEX 3.05: QZSS J = PRN - 192, SBAS S = PRN - 100; the masks begin at PRN 193 and 120.
    assert [msm_satellite_name(system, 2) for system in "GRESJCI"] == [
        "G02",
        "R02",
        "E02",
        "S21",
        "J02",
        "C02",
        "I02",
    ]


@pytest.mark.open_data
def test_recorded_msm5_fill_their_frames_to_the_last_byte(open_data):
    with (open_data / "static-msm5.rtcm3").open("rb") as file:
        frames = list(FrameScanner().feed(file.read(30_000)).frames())
    assert len(frames) > 100
    for frame in frames:
        layout = LAYOUTS[frame.number or 0]
        record = read_record(layout, frame.message)
        masks = {name: record[name] for name in ("satellite_mask", "signal_mask", "cell_mask")}
        assert 0 <= 8 * len(frame.message) - bits_of(layout, **masks) < 8
