"""MSM1 to MSM7 of all systems against a reading bit by bit; marks and tables by example."""

import math
from collections.abc import Callable
from random import Random

import numpy as np
import pytest

from rtcmtool.wire.catalogue import LAYOUTS, MSM_NUMBERS
from rtcmtool.wire.columns import BitBlock
from rtcmtool.wire.decoding import Batch
from rtcmtool.wire.encoding import encode_record, frame_message
from rtcmtool.wire.framing import RejectReason
from rtcmtool.wire.layout import Record
from rtcmtool.wire.msm_columns import decode_msm
from rtcmtool.wire.observations import LIGHT_MS_M, SYSTEM_LETTERS
from rtcmtool.wire.signal_ids import SIGNALS
from tests.strategies import made_record
from tests.wire.field_by_field import rows_of
from tests.wire.test_observations import check, decoded

every_number = pytest.mark.parametrize("number", sorted(MSM_NUMBERS))
WHOLE_NUMBERS = [number for number in sorted(MSM_NUMBERS) if number % 10 >= 4]


def batch_of(*messages: bytes) -> Batch:
    """Decode messages as one block."""
    return decoded([b"".join(frame_message(message) for message in messages)])[0]


def plain(number: int, satellites: int = 0b11, signals: int = 0b1 << 30) -> Record:
    """Give a record whose numbers are all small and valid; masks from the most significant bit."""
    layout, random = LAYOUTS[number], Random(number)
    sats, sigs = satellites.bit_count(), signals.bit_count()
    record: Record = {part.name: 1 for part in layout.head}
    record |= {
        "message_number": number,
        "satellite_mask": satellites << 62,
        "signal_mask": signals,
        "cell_mask": (1 << sats * sigs) - 1,
        "satellites": [
            {f.name: random.randint(1, 13) for f in layout.group("satellites").fields}
            for _ in range(sats)
        ],
        "cells": [
            {f.name: random.randint(0, 1) for f in layout.group("cells").fields} | {"cnr": 5}
            for _ in range(sats * sigs)
        ],
    }
    return record


@every_number
def test_columns_agree_with_a_reading_bit_by_bit(number: int) -> None:
    layout = LAYOUTS[number]
    messages = [encode_record(layout, made_record(layout, Random(seed))) for seed in range(8)]
    messages = [message for message in messages if len(message) <= 1023]
    read = [rows_of(message) for message in messages]
    frames = [index for index, found in enumerate(read) for _ in found]
    batch = batch_of(*messages)
    assert len(frames) > 30
    check(batch.observations, [row for found in read for row in found], frames)


@every_number
def test_64_cells_are_all_there(number: int) -> None:
    record = plain(number)
    record |= {"satellite_mask": (1 << 64) - 1, "signal_mask": 1 << 30}
    record |= {"cell_mask": (1 << 64) - 1}
    record["satellites"] *= 32
    record["cells"] *= 32
    batch = batch_of(encode_record(LAYOUTS[number], record))
    first = 20 if 1101 <= number <= 1107 else 1
    assert batch.observations.satellite.tolist() == list(range(first, first + 64))


@every_number
def test_an_empty_message_gives_no_row_and_no_reject(number: int) -> None:
    record = plain(number) | {"satellite_mask": 0, "signal_mask": 0, "cell_mask": 0}
    record |= {"satellites": [], "cells": []}
    message = encode_record(LAYOUTS[number], record)
    assert len(message) == 22
    batch = batch_of(message, encode_record(LAYOUTS[number], plain(number)), message)
    assert len(batch) == 3
    assert batch.rejects == []
    assert batch.observations.frame.tolist() == [1, 1]


@every_number
def test_a_message_cut_at_any_byte_is_a_reject_without_rows(number: int) -> None:
    message = encode_record(LAYOUTS[number], plain(number))
    batch = batch_of(*(message[:size] for size in range(2, len(message) + 1)))
    assert len(batch) == 1  # the whole one
    assert len(batch.observations) == 2
    assert batch.observations.frame.tolist() == [0, 0]
    assert {reject.reason for reject in batch.rejects} == {RejectReason.LAYOUT}
    assert [reject.length for reject in batch.rejects] == [
        size + 6 for size in range(2, len(message))
    ]
    assert {reject.number for reject in batch.rejects} == {number}


@every_number
def test_a_longer_message_gives_the_same_rows(number: int) -> None:
    message = encode_record(LAYOUTS[number], plain(number))
    batch = batch_of(message + b"\xff" * 9)
    check(batch.observations, rows_of(message), [0, 0])


@every_number
@pytest.mark.parametrize(("satellites", "signals"), [(64, 2), (33, 2), (3, 22), (64, 32)])
def test_more_than_64_cells_are_a_reject(number: int, satellites: int, signals: int) -> None:
    head = number << 157 | ((1 << satellites) - 1) << 32 | (1 << signals) - 1
    batch = batch_of((head << 7).to_bytes(22, "big") + bytes(1001))
    assert len(batch) == len(batch.observations) == 0
    assert batch.rejects[0].reason is RejectReason.LAYOUT


# ---- marks -------------------------------------------------------------------------------------


def change(number: int, alter: Callable[[Record], None]) -> dict[str, list[float]]:
    """Give the columns of two cells before and after a change; None stands for no number."""
    record = plain(number)
    alter(record)
    found = batch_of(encode_record(LAYOUTS[number], record)).observations
    names = ("pseudorange_m", "phase_range_m", "phase_range_rate_m_s", "cnr_dbhz")
    return {name: getattr(found, name).tolist() for name in names} | {
        "lock_time_ms": found.lock_time_ms.tolist(),
        "half_cycle": found.half_cycle.tolist(),
    }


def test_each_mark_empties_its_own_column_only() -> None:
    marks = {
        "pseudorange_m": ("fine_pseudorange", {4: -16384, 5: -16384, 6: -524288, 7: -524288}),
        "phase_range_m": ("fine_phase_range", {4: -2097152, 5: -2097152, 6: -(2**23), 7: -(2**23)}),
        "phase_range_rate_m_s": ("fine_rate", {5: -16384, 7: -16384}),
        "cnr_dbhz": ("cnr", dict.fromkeys((4, 5, 6, 7), 0)),
    }
    for column, (field, raw_of_kind) in marks.items():
        for kind, raw in raw_of_kind.items():
            for number in range(1070 + kind, 1140, 10):

                def alter(record: Record, field: str = field, raw: int = raw) -> None:
                    record["cells"][1][field] = raw

                before, after = change(number, lambda record: None), change(number, alter)
                assert math.isnan(after[column][1])
                assert not math.isnan(before[column][1])
                after[column][1] = before[column][1]
                np.testing.assert_equal(after, before)


@pytest.mark.parametrize("number", WHOLE_NUMBERS)
def test_a_rough_range_of_255_empties_both_ranges_of_its_satellite(number: int) -> None:
    def alter(record: Record) -> None:
        record["satellites"][0]["rough_range"] = 255

    before, after = change(number, lambda record: None), change(number, alter)
    for name in ("pseudorange_m", "phase_range_m"):
        assert math.isnan(after[name][0])
        after[name][0] = before[name][0]
    np.testing.assert_equal(after, before)


@pytest.mark.parametrize("number", [n for n in WHOLE_NUMBERS if n % 10 in {5, 7}])
def test_a_rough_rate_of_minus_8192_empties_the_rates_of_its_satellite(number: int) -> None:
    def alter(record: Record) -> None:
        record["satellites"][1]["rough_rate"] = -8192

    before, after = change(number, lambda record: None), change(number, alter)
    assert math.isnan(after["phase_range_rate_m_s"][1])
    after["phase_range_rate_m_s"][1] = before["phase_range_rate_m_s"][1]
    np.testing.assert_equal(after, before)


@pytest.mark.parametrize("number", range(1076, 1140, 10))
def test_reserved_lock_indicators_tell_nothing(number: int) -> None:
    def alter(record: Record) -> None:
        record["cells"][0]["lock"], record["cells"][1]["lock"] = 705, 704

    assert change(number, alter)["lock_time_ms"] == [-1, 67_108_864]


def test_the_half_cycle_bit_is_kept() -> None:
    def alter(record: Record) -> None:
        record["cells"][0]["half_cycle"], record["cells"][1]["half_cycle"] = 1, 0

    assert change(1074, alter)["half_cycle"] == [1, 0]


@pytest.mark.parametrize("kind", [1, 2, 3])
def test_types_without_whole_milliseconds_give_remainders(kind: int) -> None:
    record = plain(1070 + kind)
    record["satellites"][0]["rough_range_modulo"] = 1023
    found = batch_of(encode_record(LAYOUTS[1070 + kind], record)).observations
    assert np.isnan(found.pseudorange_m).all()
    assert np.isnan(found.phase_range_m).all()
    remainder = LIGHT_MS_M * 1023 / 1024
    if kind != 2:
        assert found.pseudorange_modulo_m[0] == pytest.approx(remainder, abs=0.02)
    else:
        assert np.isnan(found.pseudorange_modulo_m).all()
    if kind != 1:
        assert found.phase_range_modulo_m[0] == pytest.approx(remainder, abs=0.001)
        assert (found.lock_time_ms >= 0).all()
    else:
        assert np.isnan(found.phase_range_modulo_m).all()
        assert found.lock_time_ms.tolist() == found.half_cycle.tolist() == [-1, -1]


def test_a_range_and_a_rate_are_as_the_formulas_say() -> None:
    record = plain(1077)
    record["satellites"][0] |= {"rough_range": 70, "rough_range_modulo": 512, "rough_rate": -400}
    record["cells"][0] |= {"fine_pseudorange": 2**19 - 1, "fine_phase_range": -1, "fine_rate": 5}
    found = batch_of(encode_record(LAYOUTS[1077], record)).observations
    # RTCM 10403.x, MSM formulas, from memory; the steps are 0.558 mm and 0.140 mm.
    assert found.pseudorange_m[0] == pytest.approx(
        299792.458 * (70.5 + (2**19 - 1) / 2**29), abs=1e-7
    )
    assert found.phase_range_m[0] == pytest.approx(299792.458 * 70.5 - 0.0001396, abs=1e-7)
    assert found.phase_range_rate_m_s[0] == -399.9995


# ---- names -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("number", "index", "name"),
    [
        (1074, 1, "?01"),
        (1074, 2, "1C"),
        (1084, 4, "?04"),
        (1094, 32, "?32"),
        (1104, 22, "5I"),
        (1114, 31, "1L"),
        (1124, 2, "2I"),
        (1124, 26, "?26"),
        (1134, 22, "5A"),
        (1134, 30, "?30"),
    ],
)
def test_signals_have_their_names_and_reserved_ones_a_number(
    number: int, index: int, name: str
) -> None:
    record = plain(number, signals=1 << (32 - index))
    found = batch_of(encode_record(LAYOUTS[number], record)).observations
    assert [SIGNALS[signal] for signal in found.signal] == [name, name]
    assert not np.isnan(found.pseudorange_m).any()


@pytest.mark.parametrize(
    ("number", "names"),
    [
        (1074, ["G01", "G02"]),
        (1084, ["R01", "R02"]),
        (1094, ["E01", "E02"]),
        (1104, ["S20", "S21"]),  # PRN 120, 121
        (1114, ["J01", "J02"]),  # PRN 193, 194
        (1124, ["C01", "C02"]),
        (1134, ["I01", "I02"]),
    ],
)
def test_satellites_have_their_names(number: int, names: list[str]) -> None:
    found = batch_of(encode_record(LAYOUTS[number], plain(number))).observations
    pairs = zip(found.system.tolist(), found.satellite.tolist(), strict=True)
    assert [f"{SYSTEM_LETTERS[code]}{number:02d}" for code, number in pairs] == names


# ---- GLONASS channels --------------------------------------------------------------------------


@pytest.mark.parametrize("number", [1085, 1087])
def test_glonass_channels_are_told(number: int) -> None:
    record = plain(number)
    for raw, row in zip((0, 13), record["satellites"], strict=True):
        row["extended_information"] = raw
    other = plain(number)
    for raw, row in zip((15, 14), other["satellites"], strict=True):  # not available, reserved
        row["extended_information"] = raw
    layout = LAYOUTS[number]
    gps = encode_record(LAYOUTS[1075], plain(1075))
    batch = batch_of(gps, encode_record(layout, other), encode_record(layout, record))
    assert batch.channels.tolist() == [[2, 1, -7], [2, 2, 6]]


@pytest.mark.parametrize("number", [1081, 1084, 1086, 1075, 1097])
def test_other_messages_tell_no_channel(number: int) -> None:
    assert len(batch_of(encode_record(LAYOUTS[number], plain(number))).channels) == 0


def test_the_positions_of_impossible_messages_are_given() -> None:
    message = encode_record(LAYOUTS[1074], plain(1074))
    data = message + bytes(5) + message
    result = decode_msm(
        BitBlock(data),
        4,
        np.array([0, 0, len(message) + 5]),
        np.array([len(message), len(message) - 1, len(message)]),
        np.array([1074, 1074, 1074]),
        np.array([3, 5, 8]),
    )
    assert result.impossible.tolist() == [1]
    assert result.observations.frame.tolist() == [3, 3, 8, 8]
