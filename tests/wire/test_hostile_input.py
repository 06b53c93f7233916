"""Nothing that a stream holds raises past the decoder, and no number leaves its field's range."""

import math
from collections.abc import Mapping
from random import Random
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rtcmtool.views.decode_json import json_lines, json_objects
from rtcmtool.wire.catalogue import IGS_NUMBER, KNOWN_TITLES, LAYOUTS
from rtcmtool.wire.dissection import dissect
from rtcmtool.wire.encoding import encode_record, frame_message
from rtcmtool.wire.layout import Field, Group, Kind, Layout, Optional, Part
from rtcmtool.wire.observations import LIGHT_MS_M, Observations
from rtcmtool.wire.records import value_of
from rtcmtool.wire.stream import Chunk, decode_stream
from tests.strategies import ALL_LAYOUTS, layout_id, made_record, messages, streams
from tests.wire.test_dissection import tiles

NUMBERS = sorted({*LAYOUTS, *KNOWN_TITLES, 0, 1, 100, 999, 2000, 4001, 4095})
# 7 bits of two light-milliseconds, 25 bits of 0.02 m, and what the second band may add.
PSEUDORANGE_END_M = 254 * LIGHT_MS_M + 2**25 / 50 + 300


def all_objects(stream: bytes) -> list[dict[str, Any]]:
    """Decode a stream to JSON objects; write the lines and take the frames apart on the way."""
    items: list[dict[str, Any]] = []
    for batch in decode_stream([Chunk(stream)]):
        items += json_objects(batch)
        json_lines(batch)
        check_ranges(batch.observations)
        for message in batch.messages:
            check_values(message.layout.parts, message.record, message.values)
        for frame in batch.block.frames():
            assert tiles(dissect(frame.data))
    return items


def check_accounts(stream: bytes, items: list[dict[str, Any]]) -> None:
    """Every byte is in one object, in order."""
    at = 0
    for item in items:
        assert item["offset"] == at
        at += item["length"] + (0 if "reject" in item else 6)
    assert at == len(stream)


def check_ranges(rows: Observations) -> None:
    """No number of an observation leaves what its fields can say."""
    columns = {
        "pseudorange_m": (-1000.0, PSEUDORANGE_END_M),
        "phase_range_m": (-2500.0, PSEUDORANGE_END_M),
        "pseudorange_modulo_m": (-1000.0, 2**25 / 50 + 1200),
        "phase_range_modulo_m": (-2500.0, 2**25 / 50 + 1200),
        "phase_range_rate_m_s": (-8192.7, 8192.7),
        "cnr_dbhz": (0.0, 64.0),
        "lock_time_ms": (-1, 67_108_864),
        "half_cycle": (-1, 1),
    }
    for name, (least, most) in columns.items():
        column = getattr(rows, name)
        numbers = column[~np.isnan(column)]
        assert ((numbers >= least) & (numbers <= most)).all(), name
    assert (rows.satellite <= 83).all()


def check_values(
    parts: tuple[Part, ...], record: Mapping[str, Any], values: Mapping[str, Any]
) -> None:
    """No value of a record lies outside the range of its field."""
    for part in parts:
        if isinstance(part, Group):
            for row, shown in zip(record[part.name], values[part.name], strict=True):
                check_values(part.parts, row, shown)
            continue
        field = part.field if isinstance(part, Optional) else part
        value = values.get(part.name)
        if not isinstance(field, Field) or isinstance(value, (str, bool)) or value is None:
            continue
        if field.convert is not None:
            continue
        least = field.lowest + (field.kind is Kind.SIGN_MAGNITUDE)  # minus zero is no size
        raws = (least, least + 1, field.highest - 1, field.highest)
        ends = [end for end in (value_of(field, raw) for raw in raws) if end is not None]
        assert math.isfinite(value)
        assert min(ends) <= value <= max(ends), part.name


@pytest.mark.parametrize("number", NUMBERS)
def test_any_payload_of_any_number_is_an_object(number: int) -> None:
    random = Random(number)
    rows = []
    for size in (2, 3, 8, 22, 40, 80, 200, 600, 1023):
        payload = random.randbytes(size)
        rows.append((number << 4 | payload[0] & 15).to_bytes(2, "big") + payload[2:])
        rows.append((number << 4).to_bytes(2, "big") + b"\xff" * (size - 2))
    stream = b"".join(frame_message(row) for row in rows)
    items = all_objects(stream)
    check_accounts(stream, items)
    assert len(items) == len(rows)
    assert {item["number"] for item in items} == {number}
    assert {item.get("reject", "layout") for item in items} == {"layout"}
    if number not in LAYOUTS and number != IGS_NUMBER:
        assert all(item["payload_hex"] for item in items)


@pytest.mark.parametrize("layout", ALL_LAYOUTS, ids=layout_id)
def test_a_message_of_all_ones_or_zeros_is_an_object(layout: Layout) -> None:
    head = encode_record(layout, made_record(layout, Random(1), most=0))[:5]
    fixed = 3 if layout.subtype is not None else 2
    rows = [head[:fixed] + fill * 1000 for fill in (b"\xff", b"\x00", b"\xaa", b"\x80")]
    if layout.subtype is None:
        rows = [(layout.number << 4).to_bytes(2, "big") + row[2:] for row in rows]
    stream = b"".join(frame_message(row) for row in rows)
    check_accounts(stream, all_objects(stream))


@settings(max_examples=80)
@given(
    rows=st.lists(st.sampled_from(ALL_LAYOUTS).flatmap(lambda one: messages(one, 5)), max_size=5),
    seed=st.integers(0, 2**32),
)
def test_damage_under_a_good_check_sum_is_harmless(rows: list[bytes], seed: int) -> None:
    random = Random(seed)
    damaged = []
    for row in rows:
        data = bytearray(row)
        for _ in range(random.randint(1, 8)):
            data[random.randrange(len(data))] = random.choice((0, 0xFF, random.randrange(256)))
        damaged.append(bytes(data[: random.randint(0, len(data))]) + random.randbytes(3))
    stream = b"".join(frame_message(row) for row in damaged)
    items = all_objects(stream)
    check_accounts(stream, items)


@pytest.mark.open_data
@pytest.mark.parametrize("name", ["static-msm5.rtcm3", "ephemerides-ssr.rtcm3"])
def test_damaged_frames_of_real_recordings_are_harmless(name: str, open_data: Any) -> None:
    random = Random(11)
    with (open_data / name).open("rb") as file:
        data = file.read(60_000)
    found = [f.message for b in decode_stream([Chunk(data)]) for f in b.block.frames()]
    rows = []
    for message in found[:120]:
        changed = bytearray(message)
        for _ in range(random.randint(1, 6)):
            bit = random.randrange(8 * min(len(changed), random.choice((30, 1023))))
            changed[bit >> 3] ^= 1 << (bit & 7)
        rows.append(frame_message(bytes(changed)))
    stream = b"".join(rows)
    check_accounts(stream, all_objects(stream))


@given(st.one_of(st.binary(max_size=400), streams()))
def test_any_bytes_are_accounted_for(stream: bytes) -> None:
    check_accounts(stream, all_objects(stream))


def test_a_hundred_kilobytes_at_random_are_accounted_for() -> None:
    stream = Random(3).randbytes(100_000)
    check_accounts(stream, all_objects(stream))
