"""The JSON of `decode`: keys, nulls and numbers for every message of the catalogue.

Contract: the keys of the decode command and the decisions where it leaves room (null ranges,
extents of rejects, counters left out).
"""

import math
import re
from collections.abc import Iterator
from random import Random
from typing import Any

import numpy as np
import orjson
import pytest

from rtcmtool.gnss.time import gps_ms_from_date
from rtcmtool.views.decode_json import json_lines, json_objects
from rtcmtool.wire.catalogue import KNOWN_TITLES, LAYOUTS, SUBTYPES
from rtcmtool.wire.decoding import Batch
from rtcmtool.wire.encoding import encode_record, frame_message
from rtcmtool.wire.epochs import Origin, TimeReference
from rtcmtool.wire.layout import Field, Group, Layout, Mask, Optional, Part, Role
from rtcmtool.wire.stream import Chunk, decode_stream
from tests.strategies import (
    ALL_LAYOUTS,
    EMPTY_FRAME,
    STATION_POSITION,
    TEXT,
    layout_id,
    made_record,
)

DATE = gps_ms_from_date(2026, 3, 4)
OBSERVATION_KEYS = [
    "satellite",
    "signal",
    "pseudorange_m",
    "phase_range_m",
    "phase_range_rate_m_s",
    "cnr_dbhz",
    "lock_time_ms",
    "half_cycle_ambiguity",
]
MODULO_KEYS = ["pseudorange_modulo_m", "phase_range_modulo_m"]
SATELLITE = re.compile(r"[GRESJCI]\d\d")
SIGNAL = re.compile(r"[1-9][A-Z]|\?\d\d")
GPS_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}")

every_layout = pytest.mark.parametrize("layout", ALL_LAYOUTS, ids=layout_id)


def batches(stream: bytes, *, dated: bool = False) -> list[Batch]:
    reference = TimeReference(DATE, Origin.DATE) if dated else None
    return list(decode_stream([Chunk(stream)], reference))


def lines(stream: bytes, *, dated: bool = False) -> list[dict[str, Any]]:
    """Decode a stream and read its JSON Lines back."""
    text = b"".join(json_lines(batch) for batch in batches(stream, dated=dated))
    return [orjson.loads(line) for line in text.splitlines()]


def object_of(message: bytes, *, dated: bool = False) -> dict[str, Any]:
    """Decode one message to its object."""
    (item,) = lines(frame_message(message), dated=dated)
    return item


def made_message(layout: Layout, seed: int = 5, most: int = 4) -> bytes:
    return encode_record(layout, made_record(layout, Random(seed), most))


def names_shown(parts: tuple[Part, ...], used: set[Any]) -> set[str]:
    """Give the names that `fields` must have: no counters, reserved bits, nothing of the top."""
    return {
        part.name
        for part in parts
        if not (isinstance(part, Field) and part.role is not Role.VALUE)
        and not isinstance(part, Mask)
    } - used


# ---- frames ------------------------------------------------------------------------------------


@every_layout
def test_every_message_has_the_keys_of_the_contract(layout: Layout) -> None:
    message = made_message(layout)
    item = object_of(message, dated=True)
    names = {part.name for part in layout.parts}
    expected = ["offset", "length", "number", "title"]
    expected += ["station"] if "station" in names else []
    has_epoch = bool(names & {"epoch_ms", "epoch_s"})
    if has_epoch or (layout.number in {1013, 1029} and "gps_time" in item):
        expected += ["gps_time"]
    expected += ["epoch_ms"] if has_epoch else []
    expected += ["satellite"] if layout.family == "ephemerides" else []
    if layout.number in {1005, 1006, 1032}:
        expected += ["arp_ecef_m"]
    expected += ["antenna_height_m"] if layout.number == 1006 else []
    expected += ["fields"]
    observed = layout.family in {"msm", "legacy_observations"}
    expected += ["observations"] if observed else []
    assert list(item) == expected
    assert (item["offset"], item["length"]) == (0, len(message))
    assert (item["number"], item["title"]) == (layout.number, layout.title)


@every_layout
def test_fields_are_those_of_the_layout_without_counters(layout: Layout) -> None:
    item = object_of(made_message(layout))
    shown = names_shown(layout.parts, {"satellites", "cells"} if "observations" in item else set())
    extra = {"arp_ecef_m", "accuracy_m", "frequency_channels"}
    assert set(item["fields"]) - extra == shown
    assert not {"message_number", "station", "epoch_ms", "reserved", "cell_mask"} & shown


@every_layout
def test_groups_are_lists_of_objects(layout: Layout) -> None:
    record = made_record(layout, Random(6), most=4)
    item = object_of(encode_record(layout, record))

    def compare(parts: tuple[Part, ...], shown: dict[str, Any], raw: dict[str, Any]) -> None:
        for part in parts:
            if isinstance(part, Group) and "observations" not in item:
                assert len(shown[part.name]) == len(raw[part.name])
                for row, raw_row in zip(shown[part.name], raw[part.name], strict=True):
                    assert set(row) == names_shown(part.parts, set())
                    compare(part.parts, row, raw_row)

    compare(layout.parts, item["fields"], record)


@every_layout
def test_marks_are_null_and_absent_options_too(layout: Layout) -> None:
    record = made_record(layout, Random(8), most=4)
    for part in layout.parts:
        if isinstance(part, Field) and part.invalid is not None:
            record[part.name] = part.invalid
    item = object_of(encode_record(layout, record))
    for part in layout.parts:
        if isinstance(part, Field) and part.invalid is not None and part.role is Role.VALUE:
            assert item["fields"][part.name] is None
        if isinstance(part, Optional) and part.name not in record:
            assert item["fields"][part.name] is None


def numbers_of(value: Any) -> Iterator[float]:
    match value:
        case dict():
            for inner in value.values():
                yield from numbers_of(inner)
        case list() | tuple():
            for inner in value:
                yield from numbers_of(inner)
        case bool() | None | str():
            pass
        case _:
            yield value


@every_layout
def test_numbers_read_back_equal(layout: Layout) -> None:
    stream = frame_message(made_message(layout))
    objects = [item for batch in batches(stream) for item in json_objects(batch)]
    written = list(numbers_of(objects))
    read = list(numbers_of(lines(stream)))
    assert [number for number in written if not math.isnan(number)] == read


# ---- observations ------------------------------------------------------------------------------

OBSERVED = [layout for layout in ALL_LAYOUTS if layout.family in {"msm", "legacy_observations"}]


@pytest.mark.parametrize("layout", OBSERVED, ids=layout_id)
def test_observations_have_the_keys_of_the_contract(layout: Layout) -> None:
    number, kind = layout.number, layout.number % 10
    modulo = number in {1001, 1003, 1009, 1011} or (number > 1070 and kind <= 3)
    seen = 0
    for seed in range(6):
        item = object_of(made_message(layout, seed, most=6))
        for row in item["observations"]:
            seen += 1
            assert list(row) == OBSERVATION_KEYS + (MODULO_KEYS if modulo else [])
            unknown = layout.number < 1013 and layout.system == "R"  # slot 0: not told
            assert (unknown and row["satellite"] is None) or SATELLITE.fullmatch(row["satellite"])
            assert SIGNAL.fullmatch(row["signal"])
            if modulo:
                assert row["pseudorange_m"] is row["phase_range_m"] is None
            if number < 1070:
                assert row["half_cycle_ambiguity"] is row["phase_range_rate_m_s"] is None
            elif kind not in {5, 7}:
                assert row["phase_range_rate_m_s"] is None
            if number > 1070 and kind == 1:
                assert row["lock_time_ms"] is row["half_cycle_ambiguity"] is None
            elif number > 1070:
                assert isinstance(row["half_cycle_ambiguity"], bool)
    assert seen > 5


@pytest.mark.parametrize("layout", OBSERVED, ids=layout_id)
def test_observations_are_the_columns(layout: Layout) -> None:
    stream = frame_message(made_message(layout, 3, most=9))
    found = batches(stream)[0].observations
    (item,) = lines(stream)
    for name in ("pseudorange_m", "phase_range_m", "phase_range_rate_m_s", "cnr_dbhz"):
        shown = [math.nan if row[name] is None else row[name] for row in item["observations"]]
        np.testing.assert_array_equal(shown, getattr(found, name))
    locks = [
        -1 if row["lock_time_ms"] is None else row["lock_time_ms"] for row in item["observations"]
    ]
    assert locks == found.lock_time_ms.tolist()
    halves = [row["half_cycle_ambiguity"] for row in item["observations"]]
    assert halves == [{-1: None, 0: False, 1: True}[half] for half in found.half_cycle.tolist()]


@pytest.mark.parametrize("number", [1009, 1010, 1011, 1012, 1085, 1087])
def test_glonass_messages_tell_channels_by_satellite(number: int) -> None:
    layout = LAYOUTS[number]
    random = Random(9)
    record = made_record(layout, random, most=6)
    while len(record["satellites"]) < 3 or len(record.get("cells", "abc")) < 3:
        record = made_record(layout, random, most=6)
    item = object_of(encode_record(layout, record))
    channels = item["fields"]["frequency_channels"]
    names = [r["satellite"] for r in item["observations"]]
    glonass = [name for name in names if name and name[0] == "R"]
    assert list(channels) == list(dict.fromkeys(glonass))
    assert all(value is None or -7 <= value <= 13 for value in channels.values())


@pytest.mark.parametrize("number", [1081, 1084, 1086, 1075])
def test_other_messages_tell_no_channels(number: int) -> None:
    assert "frequency_channels" not in object_of(made_message(LAYOUTS[number]))["fields"]


# ---- what has no fields ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("number", "title"),
    [
        *((number, title) for number, title in KNOWN_TITLES.items() if number != 4076),
        (4050, "proprietary message"),
        (7, "experimental message"),
        (2000, "unknown message"),
    ],
)
def test_undecoded_messages_are_given_as_hex(number: int, title: str) -> None:
    message = (number << 4 | 5).to_bytes(2, "big") + bytes(range(20))
    item = object_of(message, dated=True)
    assert item == {
        "offset": 0,
        "length": 22,
        "number": number,
        "title": title,
        "fields": {},
        "payload_hex": message.hex(),
    }


def test_an_unknown_subtype_is_given_as_hex() -> None:
    item = object_of(b"\xfe\xc0\x00" + bytes(8))
    assert (item["number"], item["fields"]) == (4076, {})
    assert item["payload_hex"] == "fec000" + "00" * 8
    assert (4076, 0) not in SUBTYPES


def test_an_empty_frame_has_no_number() -> None:
    assert lines(EMPTY_FRAME) == [
        {"offset": 0, "length": 0, "number": None, "title": "empty frame", "fields": {}}
    ]


def test_a_message_of_one_byte_has_no_number() -> None:
    item = object_of(b"\x3e")
    assert (item["number"], item["payload_hex"]) == (None, "3e")


# ---- rejects and order -------------------------------------------------------------------------


def test_rejects_stand_in_their_place_and_every_byte_is_told() -> None:
    bad = STATION_POSITION[:9] + b"\xff" + STATION_POSITION[10:]
    short = frame_message(STATION_POSITION[3:-4])
    stream = b"\r\n" + STATION_POSITION + bad + TEXT + short + b"abc" + EMPTY_FRAME + TEXT[:7]
    items = lines(stream)
    whats = [item.get("reject", item.get("number")) for item in items]
    assert whats == ["noise", 1005, "crc", 1029, "layout", "noise", None, "truncated"]
    at = 0
    for item in items:
        assert item["offset"] == at
        at += item["length"] + (0 if "reject" in item else 6)
    assert at == len(stream)
    assert items[2] == {"offset": 27, "length": 25, "reject": "crc", "number": 1005}
    assert items[4]["number"] == 1005
    assert items[4]["detail"]
    assert items[7]["number"] == 1029
    assert "number" not in items[0]


# ---- stations, ephemerides, times ---------------------------------------------------------------


def test_the_published_station_position_is_shown() -> None:
    (item,) = lines(STATION_POSITION)
    assert item["station"] == 2003
    assert item["arp_ecef_m"] == [1114104.5999, -4850729.7108, 3975521.4643]
    assert item["fields"]["gps"] is True
    assert item["fields"]["glonass"] is False


def test_the_published_text_is_shown() -> None:
    (item,) = lines(TEXT)
    assert item["station"] == 23
    assert item["fields"] == {
        "mjd": 132,
        "utc_s": 59100,
        "characters": 21,
        "text": "UTF-8 проверка wörter",
    }


def test_the_antenna_height_is_at_the_top() -> None:
    record = made_record(LAYOUTS[1006], Random(1)) | {"antenna_height_m": 15_321}
    item = object_of(encode_record(LAYOUTS[1006], record))
    assert item["antenna_height_m"] == item["fields"]["antenna_height_m"] == 1.5321


def test_ephemerides_name_their_satellite_and_give_the_week_as_sent() -> None:
    record = made_record(LAYOUTS[1019], Random(1)) | {"satellite": 5, "week": 360, "ura_index": 1}
    item = object_of(encode_record(LAYOUTS[1019], record))
    assert (item["satellite"], item["fields"]["week"]) == ("G05", 360)
    assert item["fields"]["accuracy_m"] == 2.8
    assert "gps_time" not in item
    assert "epoch_ms" not in item


def test_gps_time_is_a_label_of_gps_time_with_three_decimals() -> None:
    record = made_record(LAYOUTS[1077], Random(1)) | {"epoch_ms": 277_585_007}
    item = object_of(encode_record(LAYOUTS[1077], record), dated=True)
    assert item["gps_time"] == "2026-03-04T05:06:25.007"
    assert item["epoch_ms"] == 277_585_007


def test_a_coarse_epoch_is_given_in_milliseconds() -> None:
    record = made_record(LAYOUTS[1015], Random(1)) | {"epoch_s": 2_775_851}  # steps of 0.1 s
    assert object_of(encode_record(LAYOUTS[1015], record))["epoch_ms"] == 277_585_100
    record = made_record(LAYOUTS[1060], Random(1), most=1) | {"epoch_s": 277_585}
    item = object_of(encode_record(LAYOUTS[1060], record), dated=True)
    assert item["epoch_ms"] == 277_585_000
    assert item["gps_time"] == "2026-03-04T05:06:25.000"


def test_gps_time_comes_once_the_week_is_known_and_not_before() -> None:
    system = made_record(LAYOUTS[1013], Random(1), most=0)
    system |= {"mjd": 61_103, "utc_s": 18_367, "leap_seconds": 18}
    observed = frame_message(
        encode_record(
            LAYOUTS[1074], made_record(LAYOUTS[1074], Random(2)) | {"epoch_ms": 277_586_000}
        )
    )
    dated = frame_message(encode_record(LAYOUTS[1013], system))
    before, told, after = lines(observed + dated + observed)
    assert "gps_time" not in before
    assert told["gps_time"] == "2026-03-04T05:06:25.000"
    assert after["gps_time"] == "2026-03-04T05:06:26.000"
    assert all(GPS_TIME.fullmatch(item["gps_time"]) for item in (told, after))


@pytest.mark.parametrize(("raw", "seconds"), [(0, 1), (2, 5), (15, 10800)])
def test_update_intervals_are_decoded(raw: int, seconds: int) -> None:
    record = made_record(LAYOUTS[1060], Random(1), most=1) | {"update_interval_s": raw}
    item = object_of(encode_record(LAYOUTS[1060], record))
    assert item["fields"]["update_interval_s"] == seconds


@pytest.mark.parametrize("cut", [1, 30, 60, 97])
def test_lines_do_not_depend_on_the_slicing(cut: int) -> None:
    stream = STATION_POSITION + b"x" + TEXT + made_frame() + EMPTY_FRAME
    whole = b"".join(json_lines(batch) for batch in batches(stream))
    sliced = decode_stream([Chunk(stream[:cut]), Chunk(stream[cut:])])
    assert b"".join(json_lines(batch) for batch in sliced) == whole


def made_frame() -> bytes:
    return frame_message(made_message(LAYOUTS[1087], 3, most=6))
