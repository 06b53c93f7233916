"""Legacy observations: columns against a reading bit by bit, marks and names by example."""

from random import Random
from typing import Any

import numpy as np
import pytest

from rtcmtool.wire.catalogue import LAYOUTS, LEGACY_NUMBERS
from rtcmtool.wire.encoding import encode_record
from rtcmtool.wire.framing import RejectReason
from rtcmtool.wire.layout import Record
from rtcmtool.wire.observations import SYSTEM_LETTERS, Observations
from rtcmtool.wire.signal_ids import SIGNALS
from tests.strategies import made_record
from tests.wire.field_by_field import rows_of
from tests.wire.test_msm_columns import batch_of
from tests.wire.test_observations import check

every_number = pytest.mark.parametrize("number", sorted(LEGACY_NUMBERS))
TWO_BANDS = [1003, 1004, 1011, 1012]
EXTENDED = [1002, 1004, 1010, 1012]

SATELLITE = {
    "satellite": 7,
    "l1_code": 0,
    "frequency_channel": 8,
    "l1_pseudorange": 5_000_000,
    "l1_phase_minus_code": -1000,
    "l1_lock": 30,
    "l1_whole_ms": 70,
    "l1_cnr": 180,
    "l2_code": 0,
    "l2_minus_l1_pseudorange": 100,
    "l2_phase_minus_code": 2000,
    "l2_lock": 127,
    "l2_cnr": 120,
}


def message_of(number: int, *satellites: dict[str, int]) -> bytes:
    """Encode a message with some satellites, each given by its differences to a plain one."""
    layout = LAYOUTS[number]
    names = [field.name for field in layout.group("satellites").fields]
    record: Record = {part.name: 1 for part in layout.head}
    record |= {"message_number": number, "satellite_count": len(satellites)}
    record["satellites"] = [
        {name: (SATELLITE | changed)[name] for name in names} for changed in satellites
    ]
    return encode_record(layout, record)


def rows(number: int, *satellites: dict[str, int]) -> Observations:
    """Decode what `message_of` encodes."""
    return batch_of(message_of(number, *satellites)).observations


def told(observations: Observations, row: int) -> dict[str, Any]:
    """Give a row as a dict, without the frame."""
    names = [name for name in Observations.__slots__ if name != "frame"]
    return {name: getattr(observations, name)[row].item() for name in names}


@every_number
def test_columns_agree_with_a_reading_bit_by_bit(number: int) -> None:
    layout = LAYOUTS[number]
    messages = [encode_record(layout, made_record(layout, Random(seed))) for seed in range(12)]
    messages = [message for message in messages if len(message) <= 1023]
    read = [rows_of(message) for message in messages]
    frames = [index for index, found in enumerate(read) for _ in found]
    assert len(frames) > 30
    check(batch_of(*messages).observations, [row for found in read for row in found], frames)


@every_number
def test_the_head_alone_is_an_empty_epoch(number: int) -> None:
    batch = batch_of(message_of(number), message_of(number, {}), message_of(number))
    assert len(batch) == 3
    assert set(batch.observations.frame.tolist()) == {1}


@every_number
def test_a_message_cut_at_any_byte_is_a_reject_without_rows(number: int) -> None:
    message = message_of(number, {}, {"satellite": 9})
    batch = batch_of(*(message[:size] for size in range(2, len(message) + 1)))
    assert len(batch) == 1
    assert {reject.reason for reject in batch.rejects} == {RejectReason.LAYOUT}
    assert len(batch.rejects) == len(message) - 2
    check(batch.observations, rows_of(message), [0] * len(rows_of(message)))


@every_number
def test_a_longer_message_gives_the_same_rows(number: int) -> None:
    message = message_of(number, {}, {})
    check(
        batch_of(message + b"\xff" * 3).observations, rows_of(message), [0] * len(rows_of(message))
    )


@pytest.mark.parametrize(
    ("number", "code_m", "phase_m", "l2_code_m", "l2_phase_m"),
    [
        # RTCM 10403.x, reconstruction, from memory: 70 x 299792.458 + 100000 and so on.
        (1004, 21085472.06, 21085471.56, 21085474.06, 21085473.06),
        (1012, 42070944.12, 42070943.62, 42070946.12, 42070945.12),
    ],
)
def test_ranges_are_as_the_formulas_say(
    number: int, code_m: float, phase_m: float, l2_code_m: float, l2_phase_m: float
) -> None:
    found = rows(number, {})
    assert found.pseudorange_m.tolist() == pytest.approx([code_m, l2_code_m], abs=1e-6)
    assert found.phase_range_m.tolist() == pytest.approx([phase_m, l2_phase_m], abs=1e-6)
    assert found.cnr_dbhz.tolist() == [45.0, 30.0]
    assert found.lock_time_ms.tolist() == [36_000, 937_000]
    assert np.isnan(found.phase_range_rate_m_s).all()
    assert found.half_cycle.tolist() == [-1, -1]


@pytest.mark.parametrize("number", TWO_BANDS)
def test_an_invalid_first_phase_takes_the_first_code_and_leaves_the_second_band(
    number: int,
) -> None:
    whole, marked = rows(number, {}), rows(number, {"l1_phase_minus_code": -(1 << 19)})
    assert number in EXTENDED or np.isnan(whole.pseudorange_m).all()
    for name in (
        "pseudorange_m",
        "phase_range_m",
        "pseudorange_modulo_m",
        "phase_range_modulo_m",
    ):
        assert np.isnan(getattr(marked, name)[0])
        np.testing.assert_equal(getattr(marked, name)[1], getattr(whole, name)[1])
    assert marked.cnr_dbhz.tolist() == pytest.approx(whole.cnr_dbhz.tolist(), nan_ok=True)
    assert marked.lock_time_ms.tolist() == whole.lock_time_ms.tolist()


@pytest.mark.parametrize("number", TWO_BANDS)
@pytest.mark.parametrize(
    ("field", "raw", "column"),
    [
        ("l2_minus_l1_pseudorange", -8192, "pseudorange"),
        ("l2_phase_minus_code", -(1 << 19), "phase_range"),
    ],
)
def test_each_mark_of_the_second_band_empties_its_own_column_only(
    number: int, field: str, raw: int, column: str
) -> None:
    whole, marked = told(rows(number, {}), 1), told(rows(number, {field: raw}), 1)
    name = f"{column}_m" if number in EXTENDED else f"{column}_modulo_m"
    assert not np.isnan(whole[name])
    assert np.isnan(marked[name])
    marked[name] = whole[name]
    np.testing.assert_equal(marked, whole)
    np.testing.assert_equal(told(rows(number, {field: raw}), 0), told(rows(number, {}), 0))


@pytest.mark.parametrize("number", EXTENDED)
def test_no_signal_strength_is_told_as_zero(number: int) -> None:
    assert np.isnan(rows(number, {"l1_cnr": 0}).cnr_dbhz[0])


@pytest.mark.parametrize("number", [1001, 1003, 1009, 1011])
def test_messages_without_whole_milliseconds_give_remainders(number: int) -> None:
    found = rows(number, {})
    assert np.isnan(found.pseudorange_m).all()
    assert np.isnan(found.phase_range_m).all()
    assert found.pseudorange_modulo_m[0] == 100_000.0
    assert found.phase_range_modulo_m[0] == 99_999.5
    assert np.isnan(found.cnr_dbhz).all()


def test_a_remainder_rounded_above_the_modulus_is_accepted() -> None:
    found = rows(1004, {"l1_pseudorange": 14_989_623, "l1_whole_ms": 0})
    assert found.pseudorange_m[0] == 299_792.46  # 2 mm above the modulus


@pytest.mark.parametrize(
    ("number", "codes", "names"),
    [
        (1004, [(0, 0), (1, 1), (0, 2), (1, 3)], ["1C", "2X", "1P", "2P", "1C", "2D", "1P", "2W"]),
        (
            1012,
            [(0, 0), (1, 1), (0, 2), (1, 3)],
            ["1C", "2C", "1P", "2P", "1C", "?02", "1P", "?03"],
        ),
        (1002, [(0, 0), (1, 0)], ["1C", "1P"]),
        (1009, [(0, 0), (1, 0)], ["1C", "1P"]),
    ],
)
def test_signals_are_named_band_by_band(
    number: int, codes: list[tuple[int, int]], names: list[str]
) -> None:
    found = rows(number, *({"l1_code": first, "l2_code": second} for first, second in codes))
    assert [SIGNALS[signal] for signal in found.signal] == names


@every_number
@pytest.mark.parametrize(
    ("raw", "name"), [(1, None), (24, None), (39, None), (40, "S20"), (58, "S38"), (59, None)]
)
def test_satellites_of_sbas_are_named(number: int, raw: int, name: str | None) -> None:
    found = rows(number, {"satellite": raw})
    own = f"{'G' if number < 1005 else 'R'}{raw:02d}"
    shown = f"{SYSTEM_LETTERS[found.system[0]]}{found.satellite[0]:02d}"
    assert shown == (name or own)


@pytest.mark.parametrize("number", [1009, 1010, 1011, 1012])
def test_glonass_channels_are_told(number: int) -> None:
    told_channels = batch_of(
        message_of(1004, {}),
        message_of(
            number,
            {"satellite": 1, "frequency_channel": 0},
            {"satellite": 24, "frequency_channel": 20},
            {"satellite": 3, "frequency_channel": 21},  # beyond the named range
            {"satellite": 0, "frequency_channel": 7},  # slot unknown
            {"satellite": 41, "frequency_channel": 7},  # SBAS
        ),
    ).channels
    assert told_channels.tolist() == [[1, 1, -7], [1, 24, 13]]
