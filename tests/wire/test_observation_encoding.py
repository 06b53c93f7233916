"""MSM encoder against the decoder, an exact encoder of single records, and a real recording."""

from collections.abc import Mapping
from fractions import Fraction
from math import isnan
from pathlib import Path

import numpy as np
import pytest

from rtcmtool.errors import EncodeError
from rtcmtool.wire.catalogue import LAYOUTS
from rtcmtool.wire.encoded_frames import EncodedFrames, MessageHeads
from rtcmtool.wire.encoding import encode_record, frame_message
from rtcmtool.wire.layout import Field, Record
from rtcmtool.wire.lock_times import MSM_EXTENDED_LOCK_MS, MSM_LOCK_MS
from rtcmtool.wire.observation_encoding import encode_msm
from rtcmtool.wire.observations import EMPTY, SYSTEM_LETTERS, Observations
from rtcmtool.wire.records import read_head, read_record
from rtcmtool.wire.signal_ids import SIGNALS
from rtcmtool.wire.signal_tables import MSM_BASES, MSM_SIGNALS
from rtcmtool.wire.stream import Chunk, StreamDecoder
from tests.wire.observation_rows import LIGHT_MS_M, Row, columns, decoded, made, row

KINDS = range(1, 8)
LIGHT = Fraction(299_792_458, 1000)  # m a ms
HEAD = {"station": 19, "iods": 3, "clock_steering": 2, "external_clock": 1}


def heads(epochs: int, letter: str = "G") -> MessageHeads:
    """Give heads with something in every field."""
    return MessageHeads(
        10_000 + 1000 * np.arange(epochs),
        **HEAD,
        day_of_week=5 if letter == "R" else 7,
        more_follow=np.arange(epochs) % 2,
        divergence_free_smoothing=1,
        smoothing_interval=4,
    )


def cells_of(observations: Observations) -> list[tuple[int, ...]]:
    """Give epoch, system, satellite and signal of every row."""
    names = ("frame", "system", "satellite", "signal")
    return list(zip(*(getattr(observations, name).tolist() for name in names), strict=True))


def records_of(frames: EncodedFrames) -> list[Record]:
    """Read all frames with the reader of single messages."""
    return [
        read_record(LAYOUTS[frame[3] << 4 | frame[4] >> 4], frame[3:-3])
        for frame in frames.frames()
    ]


class ExactEncoder:
    """The rules of rounding once more, message by message in exact fractions.

    RTCM 10403.x, MSM formulas and marks, from memory.
    """

    def __init__(self, number: int, observations: Observations, channels: Mapping[int, int]):
        self.layout = LAYOUTS[number]
        self.satellite_fields = {f.name: f for f in self.layout.group("satellites").fields}
        self.cell_fields = {f.name: f for f in self.layout.group("cells").fields}
        self.observations, self.channels = observations, channels
        self.first_number = 20 if self.layout.system == "S" else 1

    def frame(self, epoch: int, head: Record) -> bytes:
        rows = np.flatnonzero(self.observations.frame == epoch).tolist()
        return frame_message(encode_record(self.layout, {**head, **self._content(rows)}))

    def _content(self, rows: list[int]) -> Record:
        o = self.observations
        names = MSM_SIGNALS[self.layout.system or ""]
        cell = {(int(o.satellite[i]), names.index(SIGNALS[int(o.signal[i])])): i for i in rows}
        satellites = sorted({satellite for satellite, _ in cell})
        signals = sorted({signal for _, signal in cell})
        mask = "".join("01"[(s, g) in cell] for s in satellites for g in signals)
        content: Record = {
            "satellite_mask": sum(1 << (64 - (s - self.first_number + 1)) for s in satellites),
            "signal_mask": sum(1 << (32 - g) for g in signals),
            "cell_mask": int(mask or "0", 2),
            "satellites": [],
            "cells": [],
        }
        for satellite in satellites:
            own = [cell[satellite, g] for g in signals if (satellite, g) in cell]
            rough, cells = self._satellite(satellite, own)
            content["satellites"].append(rough)
            content["cells"] += cells
        return content

    def _satellite(self, satellite: int, rows: list[int]) -> tuple[Record, list[Record]]:
        o = self.observations
        code = [exact(o.pseudorange_m[i]) for i in rows]
        phase = [exact(o.phase_range_m[i]) for i in rows]
        rate = [exact(o.phase_range_rate_m_s[i]) for i in rows]
        first = next((value for value in (*code, *phase) if value is not None), None)
        steps = None if first is None else round(first / LIGHT * 1024)
        first_rate = next((value for value in rate if value is not None), None)
        rough_rate = None if first_rate is None else round(first_rate)
        rough = {
            "rough_range": 255 if steps is None else steps // 1024,
            "rough_range_modulo": 0 if steps is None else steps % 1024,
            "rough_rate": -8192 if rough_rate is None else rough_rate,
            "extended_information": 0
            if self.layout.system != "R"
            else self.channels.get(satellite, 8) + 7,
        }
        cells = []
        for place, i in enumerate(rows):
            base = None if steps is None else Fraction(steps, 1024)
            lock = int(o.lock_time_ms[i])
            table = MSM_LOCK_MS if self.layout.number % 10 < 6 else MSM_EXTENDED_LOCK_MS
            cells.append(
                {
                    "fine_pseudorange": self._raw("fine_pseudorange", ms(code[place]), base),
                    "fine_phase_range": self._raw("fine_phase_range", ms(phase[place]), base),
                    "lock": max((k for k, t in enumerate(table) if 0 <= t <= lock), default=0),
                    "half_cycle": int(o.half_cycle[i] == 1),
                    "cnr": self._raw("cnr", exact(o.cnr_dbhz[i]), Fraction(0)),
                    "fine_rate": self._raw(
                        "fine_rate",
                        rate[place],
                        None if rough_rate is None else Fraction(rough_rate),
                    ),
                }
            )
        return (
            {name: rough[name] for name in self.satellite_fields},
            [{name: one[name] for name in self.cell_fields} for one in cells],
        )

    def _raw(self, name: str, value: Fraction | None, rough: Fraction | None) -> int | None:
        part: Field | None = self.cell_fields.get(name)
        if part is None:
            return None
        assert part.invalid is not None
        if value is None or rough is None:
            return part.invalid
        raw = round((value - rough) / part.scale)
        return raw if part.lowest <= raw <= part.highest else part.invalid


def exact(value: float) -> Fraction | None:
    return None if isnan(value) else Fraction(float(value))


def ms(range_m: Fraction | None) -> Fraction | None:
    return None if range_m is None else range_m / LIGHT


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("letter", SYSTEM_LETTERS)
def test_an_encoder_of_single_records_makes_the_same_bytes(letter: str, kind: int) -> None:
    number = MSM_BASES[letter] + kind
    observations = made(letter, 6, 7, seed=number)
    channels = {1: -7, 3: 6, 5: 0}
    frames = encode_msm(number, heads(6, letter), observations, channels)
    encoder = ExactEncoder(number, observations, channels)
    for epoch, frame in enumerate(frames.frames()):
        head = {
            **HEAD,
            "message_number": number,
            "epoch_ms": 10_000 + 1000 * epoch,
            "day_of_week": 5,
            "multiple_message": epoch % 2,
            "reserved": 0,
            "divergence_free_smoothing": 1,
            "smoothing_interval": 4,
        }
        head = {part.name: head.get(part.name, 0) for part in encoder.layout.head}
        assert frame == encoder.frame(epoch, head)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("letter", SYSTEM_LETTERS)
def test_decoding_gives_each_value_back_within_half_a_step(letter: str, kind: int) -> None:
    number = MSM_BASES[letter] + kind
    sent = made(letter, 20, 9, seed=100 + number)
    got = decoded(encode_msm(number, heads(20), sent).data).observations
    assert cells_of(got) == cells_of(sent)
    fields = {part.name: part for part in LAYOUTS[number].group("cells").fields}

    def agree(name: str, of_field: str, given: np.ndarray, back: np.ndarray, unit: float) -> None:
        if of_field not in fields:
            assert np.isnan(back).all(), name
            return
        assert np.array_equal(np.isnan(back), np.isnan(given)), name
        step = float(fields[of_field].scale) * unit
        assert np.nanmax(np.abs(back - given)) <= step / 2 * 1.001 + 1e-8, name

    for name in ("pseudorange", "phase_range"):
        given = getattr(sent, f"{name}_m")
        if kind <= 3:
            assert np.isnan(getattr(got, f"{name}_m")).all()
            back = getattr(got, f"{name}_modulo_m")
            back = back + np.rint((given - back) / LIGHT_MS_M) * LIGHT_MS_M
        else:
            back = getattr(got, f"{name}_m")
        agree(name, f"fine_{name}", given, back, LIGHT_MS_M)
    agree("rate", "fine_rate", sent.phase_range_rate_m_s, got.phase_range_rate_m_s, 1.0)
    agree("cnr", "cnr", sent.cnr_dbhz, got.cnr_dbhz, 1.0)
    if "lock" in fields:
        assert np.array_equal(got.half_cycle, sent.half_cycle)
        assert np.all(got.lock_time_ms <= np.maximum(sent.lock_time_ms, 0))
        again = encode_msm(number, heads(20), got)
        assert np.array_equal(decoded(again.data).observations.lock_time_ms, got.lock_time_ms)


def test_an_epoch_without_satellites_is_an_empty_message_of_22_bytes() -> None:
    # Recorded GLONASS messages of a base that tracks no GLONASS are of this kind.
    frames = encode_msm(1085, heads(3), columns(row("R", 4, "1C", epoch=1, pseudorange_m=2e7)))
    assert [len(frame) - 6 for frame in frames.frames()] == [22, 34, 22]  # 169 + 1 + 36 + 63 bits
    empty = records_of(frames)[0]
    assert (empty["satellite_mask"], empty["signal_mask"], empty["cells"]) == (0, 0, [])
    assert not encode_msm(1077, heads(0), EMPTY).data


def test_more_than_64_cells_are_split_over_messages_that_say_that_more_follows() -> None:
    signals = ("1C", "2W", "5Q", "1X")
    sent = made("G", 3, 30, seed=7, signals=signals)  # 4 signals: 16 satellites a message
    frames = encode_msm(1077, heads(3), sent)
    batch = decoded(frames.data)
    assert frames.epoch.tolist() == [0, 0, 1, 1, 2, 2]
    assert batch.epoch_ms.tolist() == [10_000, 10_000, 11_000, 11_000, 12_000, 12_000]
    assert batch.more_follow.tolist() == [1, 0, 1, 1, 1, 0]  # the last as the heads say
    got = batch.observations.with_frames(batch.observations.frame // 2)
    assert cells_of(got) == cells_of(sent)
    records = records_of(frames)
    assert all(
        r["satellite_mask"].bit_count() * r["signal_mask"].bit_count() <= 64 for r in records
    )


def test_exactly_64_cells_go_into_one_message() -> None:
    rows = [
        row("G", satellite, signal, pseudorange_m=2.1e7)
        for satellite in range(1, 17)
        for signal in ("1C", "2W", "5Q", "1X")
    ]
    assert len(encode_msm(1074, heads(1), columns(*rows))) == 1
    rows.append(row("G", 17, "1C", pseudorange_m=2.1e7))
    assert len(encode_msm(1074, heads(1), columns(*rows))) == 2


def test_the_order_of_rows_and_other_systems_change_nothing() -> None:
    gps, galileo = made("G", 4, 6, seed=1), made("E", 4, 6, seed=2)
    both = Observations(
        *(
            np.concatenate([getattr(gps, name), getattr(galileo, name)])
            for name in Observations.__slots__
        )
    )
    mixed = both.take(np.random.default_rng(3).permutation(len(both)))
    for number, own in ((1077, gps), (1096, galileo)):
        assert encode_msm(number, heads(4), mixed).data == encode_msm(number, heads(4), own).data


def test_the_first_signal_with_a_pseudorange_gives_the_rough_range() -> None:
    middle = 80.5 * LIGHT_MS_M + 146.0  # just below half a step of 292.8 m
    rows = [
        row("G", 9, "1C", phase_range_m=middle + 900.0),
        row("G", 9, "2W", pseudorange_m=middle, phase_range_m=middle),
        row("G", 9, "5Q", pseudorange_m=middle + 60.0),
    ]
    satellite = records_of(encode_msm(1077, heads(1), columns(*rows)))[0]["satellites"][0]
    assert (satellite["rough_range"], satellite["rough_range_modulo"]) == (80, 512)
    satellite = records_of(encode_msm(1077, heads(1), columns(rows[0])))[0]["satellites"][0]
    assert (satellite["rough_range"], satellite["rough_range_modulo"]) == (80, 516)  # of the phase


def test_what_is_missing_is_marked_invalid() -> None:
    record = records_of(encode_msm(1077, heads(1), columns(row("G", 9, "1C"))))[0]
    assert record["satellites"] == [
        {
            "rough_range": 255,
            "extended_information": 0,
            "rough_range_modulo": 0,
            "rough_rate": -8192,
        }
    ]
    assert record["cells"] == [
        {
            "fine_pseudorange": -524288,
            "fine_phase_range": -8388608,
            "lock": 0,
            "half_cycle": 0,
            "cnr": 0,
            "fine_rate": -16384,
        }
    ]


@pytest.mark.parametrize(
    ("number", "column", "fits", "beyond"),
    [
        # The span of a fine part is half the field's range: 2^14 x 2^-24 ms of light, and so on.
        (1074, "pseudorange_m", 292.7, 292.8),
        (1074, "phase_range_m", 1171.0, 1171.1),
        (1077, "pseudorange_m", -292.7, -292.8),
        (1077, "phase_range_m", -1171.0, -1171.1),
    ],
)
def test_a_fine_part_beyond_its_span_is_marked_invalid_and_not_wrapped(
    number: int, column: str, fits: float, beyond: float
) -> None:
    base = 70 * LIGHT_MS_M
    for difference, is_there in ((fits, True), (beyond, False)):
        sent = columns(
            row("G", 3, "1C", pseudorange_m=base),
            row("G", 3, "2W", **{column: base + difference}),
        )
        got = getattr(decoded(encode_msm(number, heads(1), sent).data).observations, column)
        assert (not isnan(got[1])) is is_there
        assert not is_there or abs(got[1] - base - difference) < 0.01


@pytest.mark.parametrize(
    ("column", "value", "comes_back"),
    [
        ("pseudorange_m", 254.999 * LIGHT_MS_M, True),
        ("pseudorange_m", 254.9996 * LIGHT_MS_M, False),  # rounds to 255 ms, which is the mark
        ("pseudorange_m", -0.0006 * LIGHT_MS_M, False),
        ("pseudorange_m", 9e9, False),
        ("phase_range_rate_m_s", 8191.4, True),
        ("phase_range_rate_m_s", -8192.0, False),
        ("phase_range_rate_m_s", 1e6, False),
        ("cnr_dbhz", 63.9, True),
        ("cnr_dbhz", 64.0, False),
        ("cnr_dbhz", 0.03, False),
        ("cnr_dbhz", -3.0, False),
    ],
)
def test_a_value_beyond_its_field_is_marked_invalid(
    column: str, value: float, comes_back: bool
) -> None:
    sent = columns(row("G", 3, "1C", **{"pseudorange_m": 2e7, column: value}))
    got = getattr(decoded(encode_msm(1077, heads(1), sent).data).observations, column)
    assert (not isnan(got[0])) is comes_back


def test_short_messages_take_ranges_without_their_whole_milliseconds() -> None:
    # 0.9999 ms and 0.0001 ms are 60 m apart: code and phase may lose different whole parts.
    sent = columns(
        row(
            "G", 3, "1C",
            pseudorange_modulo_m=0.9999 * LIGHT_MS_M, phase_range_modulo_m=0.0001 * LIGHT_MS_M,
        )
    )  # fmt: skip
    got = decoded(encode_msm(1073, heads(1), sent).data).observations
    assert abs(got.pseudorange_modulo_m[0] - -0.0001 * LIGHT_MS_M) < 0.01
    assert abs(got.phase_range_modulo_m[0] - 0.0001 * LIGHT_MS_M) < 0.01


@pytest.mark.parametrize(
    ("channels", "raw"), [({}, 15), ({4: -7}, 0), ({4: 6}, 13), ({4: 7}, 15), ({5: 1}, 15)]
)
def test_glonass_channels_are_told_where_they_are_known(channels: dict[int, int], raw: int) -> None:
    frames = encode_msm(1087, heads(1), columns(row("R", 4, "1C")), channels)
    assert records_of(frames)[0]["satellites"][0]["extended_information"] == raw


@pytest.mark.parametrize(
    ("number", "rows", "epochs", "says"),
    [
        (1004, [], 1, "no multiple-signal"),
        (1078, [], 1, "no multiple-signal"),
        (1077, [row("G", 5, "1C"), row("G", 5, "1C")], 1, "G05 has signal 1C twice"),
        (1077, [row("G", 65, "1C")], 1, "G65 has no place"),
        (1107, [row("S", 19, "1C")], 1, "S19 has no place"),
        (1077, [row("G", 5, "6C")], 1, "signal 6C of system G"),
        (1077, [row("G", 5, "1C", epoch=1)], 1, "1 heads"),
        (1077, [row("G", 5, "1C", epoch=-1)], 1, "1 heads"),
    ],
)
def test_what_a_message_has_no_place_for_is_refused(
    number: int, rows: list[Row], epochs: int, says: str
) -> None:
    with pytest.raises(EncodeError, match=says):
        encode_msm(number, heads(epochs), columns(*rows))


def test_a_head_value_that_does_not_fit_is_refused() -> None:
    for wrong in ({"station": 4096}, {"iods": 8}, {"station": np.array([5, -1])}):
        with pytest.raises(EncodeError, match="does not fit"):
            encode_msm(1077, MessageHeads(np.array([0, 1000]), **wrong), EMPTY)


@pytest.mark.open_data
def test_a_recording_is_made_again_byte_for_byte(open_data: Path) -> None:
    # One frame differs: a rough rate within a rounding error of half a metre per second.
    batch = StreamDecoder().feed(Chunk((open_data / "static-msm5.rtcm3").read_bytes()))
    recorded = [frame.data for frame in batch.block.frames()]
    channels = dict(batch.channels[:, 1:].tolist())
    day = np.array(
        [read_head(LAYOUTS[n], f[3:-3]).get("day_of_week", 7)
         for n, f in zip(batch.number.tolist(), recorded, strict=True)]
    )  # fmt: skip
    made_again: dict[int, bytes] = {}
    for number in np.unique(batch.number).tolist():
        frames = np.flatnonzero(batch.number == number)
        index = np.full(len(recorded), -1, np.int32)
        index[frames] = np.arange(len(frames))
        rows = batch.observations.take(index[batch.observations.frame] >= 0)
        encoded = encode_msm(
            number,
            MessageHeads(
                batch.epoch_ms[frames], batch.station[frames], day[frames],
                batch.more_follow[frames],
            ),
            rows.with_frames(index[rows.frame]),
            channels,
        )  # fmt: skip
        made_again.update(zip(frames.tolist(), encoded.frames(), strict=True))
    differ = [i for i, frame in enumerate(recorded) if made_again[i] != frame]
    assert len(recorded) == 8096
    assert len(differ) <= 1
