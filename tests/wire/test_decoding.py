"""Blocks to batches: heads, records, rejects, and how a stream learns its week."""

from random import Random
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rtcmtool.gnss.time import gps_ms_from_date, gps_ms_from_week, iso
from rtcmtool.wire.catalogue import LAYOUTS, SUBTYPES
from rtcmtool.wire.decoding import Batch, Decoder, layout_of
from rtcmtool.wire.encoding import encode_record, encode_values, frame_message
from rtcmtool.wire.epochs import Origin, TimeReference
from rtcmtool.wire.framing import FrameScanner, RejectReason
from rtcmtool.wire.layout import Layout
from tests.strategies import (
    ALL_LAYOUTS,
    EMPTY_FRAME,
    STATION_POSITION,
    TEXT,
    layout_id,
    made_record,
    messages,
    pieces,
)

MIDNIGHT = gps_ms_from_date(2026, 3, 4)  # Wednesday, week 2408


def decoded(stream: bytes, reference: TimeReference | None = None) -> Batch:
    """Decode a stream as one block; what the end holds back must be nothing."""
    scanner = FrameScanner()
    batch = Decoder(reference).decode(scanner.feed(stream))
    assert len(scanner.finish()) == 0
    return batch


def message(number: int, **changed: Any) -> bytes:
    """Encode a message with every number zero but for those given; groups are empty."""
    layout = LAYOUTS[number]
    record: dict[str, Any] = {part.name: [] for part in layout.parts}
    record |= {part.name: 0 for part in layout.head} | {"cell_mask": 0, "message_number": number}
    return encode_record(layout, record | changed)


def frame(number: int, **changed: Any) -> bytes:
    return frame_message(message(number, **changed))


def date_frame(mjd: int = 61_103, utc_s: int = 18_367, leap: int = 255) -> bytes:
    """Encode 1013 of 2026-03-04 05:06:07 UTC (MJD 51544 is 2000-01-01)."""
    return frame(1013, mjd=mjd, utc_s=utc_s, leap_seconds=leap)


# ---- heads -------------------------------------------------------------------------------------


@pytest.mark.parametrize("layout", ALL_LAYOUTS, ids=layout_id)
def test_the_head_of_every_message_is_told(layout: Layout) -> None:
    record = made_record(layout, Random(7), most=2)
    batch = decoded(frame_message(encode_record(layout, record)))
    assert batch.number.tolist() == [layout.number]
    assert batch.station.tolist() == [record.get("station", -1)]
    epoch = record.get("epoch_ms", -1)
    if "epoch_s" in record:
        (field,) = [part for part in layout.head if part.name == "epoch_s"]
        epoch = int(record["epoch_s"] * field.scale * 1000)
    assert batch.epoch_ms.tolist() == [epoch]
    observed = layout.family in {"msm", "legacy_observations"}
    more = record.get("multiple_message", record.get("synchronous_gnss"))
    assert batch.more_follow.tolist() == [more if observed else -1]
    assert len(batch.messages) == (0 if observed else 1)
    if not observed:
        (found,) = batch.messages
        assert (found.layout, found.record, found.frame) == (layout, record, 0)


def test_values_of_a_message_can_be_asked_for() -> None:
    (found,) = decoded(STATION_POSITION).messages
    assert found.value("station") == 2003
    assert found.value("x_m") == 1114104.5999
    assert found.values["arp_ecef_m"][0] == 1114104.5999


@pytest.mark.parametrize(
    ("data", "layout"),
    [
        (b"", None),
        (b"\x3f", None),
        (b"\x3e\xd0", LAYOUTS[1005]),
        (b"\x40\x40", None),  # 1028
        (b"\xfe\xc0", None),  # 4076 without sub-type
        (b"\xfe\xc2\x2a", SUBTYPES[4076, 21]),  # version 1
        (b"\xfe\xc0\x00", None),
    ],
)
def test_the_layout_of_a_message_is_found(data: bytes, layout: Layout | None) -> None:
    assert layout_of(data) is layout


def test_frames_without_number_or_layout_are_kept() -> None:
    odd = [frame_message(b"\x07"), frame_message(b"\xfa\x00ab"), frame(1230), EMPTY_FRAME]
    batch = decoded(b"".join(odd))
    assert batch.number.tolist() == [-1, 4000, 1230, -1]
    assert batch.station.tolist() == [-1, -1, 0, -1]
    assert [found.frame for found in batch.messages] == [2]
    assert batch.rejects == []


def test_an_empty_block_gives_an_empty_batch() -> None:
    batch = decoded(b"")
    assert len(batch) == len(batch.observations) == len(batch.messages) == 0
    assert batch.channels.shape == (0, 3)


# ---- layout rejects ----------------------------------------------------------------------------


def test_frames_are_renumbered_when_impossible_ones_are_taken_out() -> None:
    satellite = {"satellite": 5, "frequency_channel": 9}
    names = [f.name for f in LAYOUTS[1012].group("satellites").fields]
    row = dict.fromkeys(names, 0) | satellite
    whole = frame(1012, satellite_count=1, satellites=[row])
    short = frame_message(message(1074)[:-1])
    shorter = frame_message(STATION_POSITION[3:-4])
    noise = b"abc"
    stream = short + whole + noise + shorter + STATION_POSITION + short + whole
    batch = decoded(stream)
    assert batch.number.tolist() == [1012, 1005, 1012]
    assert batch.observations.frame.tolist() == [0, 0, 2, 2]
    assert batch.channels.tolist() == [[0, 5, 2], [2, 5, 2]]
    assert [(found.frame, found.layout.number) for found in batch.messages] == [(1, 1005)]
    reasons = [(r.reason, r.number) for r in batch.rejects]
    assert reasons == [
        (RejectReason.LAYOUT, 1074),
        (RejectReason.NOISE, None),
        (RejectReason.LAYOUT, 1005),
        (RejectReason.LAYOUT, 1074),
    ]
    ends = [(f.offset, f.offset + len(f.data)) for f in batch.block.frames()]
    ends += [(r.offset, r.offset + r.length) for r in batch.rejects]
    ends.sort()
    assert ends[0][0] == 0
    assert [begin for begin, _ in ends[1:]] == [end for _, end in ends[:-1]]
    assert ends[-1][1] == len(stream)
    for column in (batch.station, batch.epoch_ms, batch.gps_ms, batch.more_follow):
        assert len(column) == 3


# ---- the week ----------------------------------------------------------------------------------


def test_a_date_given_places_all_epochs() -> None:
    reference = TimeReference(MIDNIGHT, Origin.DATE)
    batch = decoded(frame(1074, epoch_ms=259_200_000) + STATION_POSITION, reference)
    assert batch.gps_ms.tolist() == [MIDNIGHT, -1]


@pytest.mark.parametrize("number", [1013, 1029])
def test_a_message_with_a_date_serves_those_behind_it(number: int) -> None:
    extra = {"text": b"", "leap_seconds": 255} if number == 1029 else {"leap_seconds": 255}
    names = {part.name for part in LAYOUTS[number].parts}
    told = frame(number, mjd=61_103, utc_s=18_367, **{k: v for k, v in extra.items() if k in names})
    observed = frame(1074, epoch_ms=277_585_000)
    batch = decoded(observed + told + observed)
    now = gps_ms_from_date(2026, 3, 4, 5, 6, 25)
    assert batch.gps_ms.tolist() == [-1, now, now]


EPHEMERIDES = {1019: 360, 1041: 360, 1042: 1052, 1044: 360, 1045: 1384, 1046: 1384}


@pytest.mark.parametrize("number", EPHEMERIDES)
def test_an_ephemeris_serves_the_frames_behind_it(number: int) -> None:
    # Week 2408 is 360 modulo 1024, Galileo 1384, BeiDou 1052; Wednesday 05:00.
    (toe,) = [p for p in LAYOUTS[number].head if p.name == "toe_s"]
    ephemeris = frame(number, week=EPHEMERIDES[number], toe_s=int(277_200 / toe.scale))
    observed = frame(1074, epoch_ms=277_585_000)
    batch = decoded(observed + ephemeris + observed)
    now = gps_ms_from_week(2408, 277_585_000)
    assert batch.gps_ms.tolist() == [-1, -1, now]


def test_leap_seconds_told_place_glonass_days() -> None:
    glonass = frame(1084, epoch_ms=50_000_000, day_of_week=3)
    batch = decoded(date_frame(leap=255) + glonass + date_frame(leap=20) + glonass)
    assert batch.gps_ms[3] - batch.gps_ms[1] == 2_000
    assert batch.gps_ms[2] - batch.gps_ms[0] == 2_000


def test_a_date_before_gps_time_is_no_knowledge() -> None:
    # A base whose clock was never set sends day 0; the published text example has day 132.
    observed = frame(1074, epoch_ms=277_585_000)
    batch = decoded(TEXT + observed + date_frame() + observed)
    assert batch.gps_ms[1] == -1
    assert iso(int(batch.gps_ms[3])) == "2026-03-04T05:06:25.000"


def test_state_space_of_the_igs_counts_gps_seconds_for_all() -> None:
    layout = SUBTYPES[4076, 42]
    record = made_record(layout, Random(1), most=0) | {"epoch_s": 259_200}
    reference = TimeReference(MIDNIGHT + 5_000, Origin.DATE)
    batch = decoded(frame_message(encode_record(layout, record)), reference)
    assert batch.gps_ms.tolist() == [MIDNIGHT]


def test_epochs_of_all_systems_at_one_instant_are_one_time() -> None:
    reference = TimeReference(MIDNIGHT, Origin.DATE)
    of_day = (12 * 3600 - 18 + 10_800) * 1000
    noon = 259_200_000 + 43_200_000
    rows = [
        frame(1074, epoch_ms=noon),
        frame(1094, epoch_ms=noon),
        frame(1124, epoch_ms=noon - 14_000),
        frame(1084, epoch_ms=of_day, day_of_week=3),
        frame(1084, epoch_ms=of_day, day_of_week=7),
        frame(1012, epoch_ms=of_day),
        frame(1004, epoch_ms=noon),
    ]
    batch = decoded(b"".join(rows), reference)
    assert set(batch.gps_ms.tolist()) == {MIDNIGHT + 43_200_000}


def test_a_stream_over_the_end_of_a_week_goes_on() -> None:
    reference = TimeReference(gps_ms_from_week(2408, 604_700_000), Origin.DATE)
    epochs = [604_799_000, 0, 1_000, 604_798_000]
    batch = decoded(b"".join(frame(1074, epoch_ms=epoch) for epoch in epochs), reference)
    expected = [(2408, 604_799_000), (2409, 0), (2409, 1_000), (2408, 604_798_000)]
    assert batch.gps_ms.tolist() == [gps_ms_from_week(*pair) for pair in expected]


# ---- the timeline ------------------------------------------------------------------------------


def test_the_timeline_tells_differences_while_the_week_is_unknown() -> None:
    epochs = [604_799_000, 0, 1_000]
    batch = decoded(b"".join(frame(1074, epoch_ms=epoch) for epoch in epochs) + STATION_POSITION)
    assert batch.gps_ms.tolist() == [-1] * 4
    assert np.diff(batch.timeline_ms[:3]).tolist() == [1000, 1000]
    assert batch.timeline_ms[3] == -1


def test_the_timeline_is_the_gps_time_where_that_is_known_from_the_start() -> None:
    reference = TimeReference(MIDNIGHT, Origin.DATE)
    batch = decoded(
        frame(1074, epoch_ms=259_201_000) + frame(1074, epoch_ms=259_202_000), reference
    )
    assert batch.timeline_ms.tolist() == batch.gps_ms.tolist()


def stream_that_learns() -> list[bytes]:
    """Give the frames of a stream that tells its week after some epochs."""
    rows: list[bytes] = []
    for second in range(6):
        of_week = 277_585_000 + 1000 * second
        rows.append(frame(1074, epoch_ms=of_week, multiple_message=1))
        rows.append(frame(1124, epoch_ms=of_week - 14_000, multiple_message=1))
        of_day = (of_week - 259_200_000 + 10_800_000 - 18_000) % 86_400_000
        rows.append(frame(1084, epoch_ms=of_day, day_of_week=3))
        if second == 2:
            rows += [date_frame(), frame(1019, week=360, toe_s=17_325)]
    return rows


@settings(max_examples=30)
@given(at=st.lists(st.integers(0, 1500), max_size=12))
def test_times_do_not_depend_on_the_slicing(at: list[int]) -> None:
    undated = (277_584_000 - 259_200_000 + 10_800_000 - 18_000) % 86_400_000
    stream = frame(1012, epoch_ms=undated) + b"".join(stream_that_learns())
    whole = decoded(stream)
    for chunks in (pieces(stream, at), [stream[i : i + 5] for i in range(0, len(stream), 5)]):
        scanner, decoder = FrameScanner(), Decoder()
        batches = [decoder.decode(scanner.feed(chunk)) for chunk in chunks]
        for name in ("number", "station", "epoch_ms", "gps_ms", "timeline_ms", "more_follow"):
            column = np.concatenate([getattr(batch, name) for batch in batches])
            np.testing.assert_array_equal(column, getattr(whole, name), err_msg=name)


def test_no_epoch_before_the_date_has_a_time_and_all_behind_it_have() -> None:
    batch = decoded(b"".join(stream_that_learns()))
    assert batch.gps_ms[:9].tolist() == [-1] * 9
    later = batch.gps_ms[11:].reshape(-1, 3)
    assert (later == later[:, :1]).all()
    assert np.diff(later[:, 0]).tolist() == [1000, 1000]
    steps = batch.timeline_ms[batch.timeline_ms >= 0].reshape(-1, 3)
    assert (steps == steps[:, :1]).all()
    assert np.diff(steps[:, 0]).tolist() == [1000] * 5


# ---- everything at once ------------------------------------------------------------------------


@settings(max_examples=40)
@given(
    rows=st.lists(st.sampled_from(ALL_LAYOUTS).flatmap(lambda one: messages(one, 4)), max_size=8),
    at=st.lists(st.integers(0, 3000), max_size=8),
)
def test_batches_do_not_depend_on_the_slicing(rows: list[bytes], at: list[int]) -> None:
    stream = b"".join(frame_message(row) for row in rows)
    whole = decoded(stream)
    scanner, decoder = FrameScanner(), Decoder()
    batches = [decoder.decode(scanner.feed(chunk)) for chunk in pieces(stream, at)]
    for name in ("number", "station", "epoch_ms", "gps_ms", "more_follow"):
        column = np.concatenate([getattr(batch, name) for batch in batches])
        np.testing.assert_array_equal(column, getattr(whole, name), err_msg=name)
    records = [(m.layout.number, m.record) for batch in batches for m in batch.messages]
    assert records == [(m.layout.number, m.record) for m in whole.messages]


def test_arrival_times_are_kept_and_give_the_week() -> None:
    scanner, decoder = FrameScanner(), Decoder()
    block = scanner.feed(frame(1074, epoch_ms=277_585_000))
    arrival = 1_772_600_767 * 10**9  # 2026-03-04 05:06:07 UTC
    batch = decoder.decode(block, np.array([arrival]))
    assert batch.arrival_utc_ns.tolist() == [arrival]
    assert batch.gps_ms.tolist() == [gps_ms_from_week(2408, 277_585_000)]
    again = decoder.decode(scanner.feed(frame(1074, epoch_ms=277_586_000)), np.array([-1]))
    assert again.gps_ms.tolist() == [gps_ms_from_week(2408, 277_586_000)]


def test_values_that_were_encoded_come_out() -> None:
    values = {"station": 9, "aligned": False, "bias_1c_m": 0.04, "bias_2c_m": None}
    (found,) = decoded(frame_message(encode_values(LAYOUTS[1230], values))).messages
    assert found.values == {
        "aligned": False,
        "bias_1c_m": 0.04,
        "bias_1p_m": None,
        "bias_2c_m": None,
        "bias_2p_m": None,
    }
