"""Legacy encoder against the decoder, and an exact encoder of single records."""

from collections.abc import Mapping
from fractions import Fraction
from math import floor, isnan

import numpy as np
import pytest

from rtcmtool.errors import EncodeError
from rtcmtool.wire.catalogue import LAYOUTS, LEGACY_NUMBERS
from rtcmtool.wire.encoded_frames import MessageHeads
from rtcmtool.wire.encoding import encode_record, frame_message
from rtcmtool.wire.layout import Record
from rtcmtool.wire.legacy_encoding import encode_legacy
from rtcmtool.wire.lock_times import LEGACY_LOCK_MS
from rtcmtool.wire.observations import EMPTY, Observations
from rtcmtool.wire.records import read_record
from rtcmtool.wire.signal_ids import SIGNALS
from tests.wire.observation_rows import LIGHT_MS_M, Row, columns, decoded, made, row

NUMBERS = sorted(LEGACY_NUMBERS)
CHANNELS = {slot: slot % 21 - 7 for slot in range(1, 25)}
BANDS = {"G": (("1C", "1P"), ("2X", "2P", "2D", "2W")), "R": (("1C", "1P"), ("2C", "2P"))}
HALF_RANGE_M, HALF_PHASE_M = 0.01, 0.00025  # half steps


def letter_of(number: int) -> str:
    return "G" if number < 1009 else "R"


def observations_of(number: int, epochs: int, satellites: int, seed: int) -> Observations:
    """Make observations of both bands that a message has room for."""
    letter = letter_of(number)
    return made(letter, epochs, satellites, seed, signals=("1C", "2W" if letter == "G" else "2P"))


def heads(epochs: int) -> MessageHeads:
    return MessageHeads(
        5000 + 1000 * np.arange(epochs),
        station=9,
        more_follow=1,
        divergence_free_smoothing=1,
        smoothing_interval=6,
    )


def exact_row(number: int, satellite: int, rows: Mapping[int, int], o: Observations) -> Record:
    """Make the raw values of a satellite in exact fractions: RTCM 10403.x rules, from memory."""
    letter = letter_of(number)
    whole_m = Fraction(299_792_458, 1000) * (1 if letter == "G" else 2)

    def value(name: str, band: int) -> Fraction | None:
        number = getattr(o, name)[rows[band]] if band in rows else np.nan
        return None if isnan(number) else Fraction(float(number))

    def difference(of: Fraction | None, base: Fraction | None, step: Fraction, bits: int) -> int:
        mark = -(1 << (bits - 1))
        if of is None or base is None:
            return mark
        raw = round((of - base) / step)
        return raw if mark < raw < -mark else mark

    code = [value("pseudorange_m", 0), value("pseudorange_m", 1)]
    has_l2 = number in {1003, 1004, 1011, 1012}
    first = code[0] if code[0] is not None or not has_l2 else code[1]
    whole = steps = 0
    base = None
    if first is not None:
        whole = floor(first / whole_m)
        steps = round((first - whole * whole_m) * 50)
        base = whole * whole_m + Fraction(steps, 50)
    raw = {"satellite": satellite, "l1_pseudorange": steps, "l1_whole_ms": whole}
    if letter == "R":
        raw["frequency_channel"] = CHANNELS[satellite] + 7
    for band, name in enumerate(("l1", "l2")):
        lock = int(o.lock_time_ms[rows[band]]) if band in rows else 0
        cnr = value("cnr_dbhz", band)
        raw[f"{name}_lock"] = max(k for k, t in enumerate(LEGACY_LOCK_MS) if t <= max(lock, 0))
        raw[f"{name}_cnr"] = 0 if cnr is None else round(cnr * 4)
        names = BANDS[letter][band]
        raw[f"{name}_code"] = names.index(SIGNALS[o.signal[rows[band]]]) if band in rows else 0
        reference = None if band == 0 and code[0] is None else base
        phase = value("phase_range_m", band)
        raw[f"{name}_phase_minus_code"] = difference(phase, reference, Fraction(1, 2000), 20)
    raw["l2_minus_l1_pseudorange"] = difference(code[1], base, Fraction(1, 50), 14)
    return {part.name: raw[part.name] for part in LAYOUTS[number].group("satellites").fields}


@pytest.mark.parametrize("number", NUMBERS)
def test_an_encoder_of_single_records_makes_the_same_bytes(number: int) -> None:
    epochs = 8
    o = observations_of(number, epochs, 11, seed=number)
    frames = encode_legacy(number, heads(epochs), o, CHANNELS)
    bands = 2 if number in {1003, 1004, 1011, 1012} else 1
    for epoch, frame in enumerate(frames.frames()):
        found: dict[int, dict[int, int]] = {}
        for i in np.flatnonzero(o.frame == epoch).tolist():
            band = int(SIGNALS[o.signal[i]].startswith("2"))
            if band < bands:
                found.setdefault(int(o.satellite[i]), {})[band] = i
        record = {
            "message_number": number,
            "station": 9,
            "epoch_ms": 5000 + 1000 * epoch,
            "synchronous_gnss": 1,
            "satellite_count": len(found),
            "divergence_free_smoothing": 1,
            "smoothing_interval": 6,
            "satellites": [exact_row(number, s, found[s], o) for s in sorted(found)],
        }
        assert frame == frame_message(encode_record(LAYOUTS[number], record))


@pytest.mark.parametrize("number", NUMBERS)
def test_decoding_gives_each_value_back_within_half_a_step(number: int) -> None:
    sent = observations_of(number, 30, 12, seed=50 + number)
    got = decoded(encode_legacy(number, heads(30), sent, CHANNELS).data).observations
    keys = [
        {key: i for i, key in enumerate(zip(o.frame, o.satellite, o.signal, strict=True))}
        for o in (sent, got)
    ]
    common = [key for key in keys[1] if key in keys[0]]
    has_l2 = number in {1003, 1004, 1011, 1012}
    assert len(common) == (len(sent) if has_l2 else np.sum(sent.signal == sent.signal.min()))
    a, b = (
        o.take(np.array([k[key] for key in common])) for o, k in zip((sent, got), keys, strict=True)
    )
    is_l1 = np.array([SIGNALS[i].startswith("1") for i in a.signal])
    no_l1 = is_l1 & (np.isnan(a.pseudorange_m) | np.isnan(a.phase_range_m))
    measured = ~np.isnan(a.pseudorange_m)
    known = set(zip(a.frame[measured], a.satellite[measured], strict=True))
    whole = number % 2 == 0
    modulus_m = LIGHT_MS_M * (1 if number < 1009 else 2)
    for name, half in (("pseudorange", HALF_RANGE_M), ("phase_range", HALF_PHASE_M)):
        given = getattr(a, f"{name}_m")
        back = getattr(b, f"{name}_m" if whole else f"{name}_modulo_m")
        assert np.isnan(getattr(b, f"{name}_modulo_m" if whole else f"{name}_m")).all()
        lost = np.isnan(back) & ~np.isnan(given) & ~no_l1
        assert not (np.isnan(given) & ~np.isnan(back)).any()
        assert not is_l1[lost].any()
        # What refers to L1 needs a pseudorange of the satellite: only without any is it lost.
        assert not known & set(zip(a.frame[lost], a.satellite[lost], strict=True))
        difference = back - given
        difference -= np.rint(difference / modulus_m) * modulus_m * (not whole)
        assert np.nanmax(np.abs(difference)) <= half + 1e-7
    if whole:
        assert np.array_equal(np.isnan(a.cnr_dbhz), np.isnan(b.cnr_dbhz))
        assert np.nanmax(np.abs(a.cnr_dbhz - b.cnr_dbhz)) <= 0.125
    assert np.all(b.lock_time_ms <= np.maximum(a.lock_time_ms, 0))


def raw_rows(number: int, *rows: Row, channels: Mapping[int, int] | None = None) -> list[Record]:
    """Encode rows as one message and give its satellites."""
    frames = encode_legacy(number, heads(1), columns(*rows), channels)
    (frame,) = frames.frames()
    satellites: list[Record] = read_record(LAYOUTS[number], frame[3:-3])["satellites"]
    return satellites


def test_without_l1_the_pseudorange_of_l2_takes_its_place() -> None:
    (raw,) = raw_rows(1004, row("G", 5, "2W", pseudorange_m=2.2e7, phase_range_m=2.2e7 + 1.0))
    assert raw["l1_phase_minus_code"] == -524288
    assert raw["l1_whole_ms"] * LIGHT_MS_M + raw["l1_pseudorange"] / 50 == pytest.approx(
        2.2e7, abs=HALF_RANGE_M
    )
    assert abs(raw["l2_minus_l1_pseudorange"]) <= 1
    assert raw["l2_phase_minus_code"] == pytest.approx(2000, abs=20)


def test_l1_without_phase_loses_its_pseudorange_but_l2_is_kept() -> None:
    sent = columns(
        row("G", 5, "1C", pseudorange_m=2.2e7, cnr_dbhz=40.0),
        row("G", 5, "2W", pseudorange_m=2.2e7 + 5.0, phase_range_m=2.2e7),
    )
    got = decoded(encode_legacy(1004, heads(1), sent).data).observations
    assert np.isnan(got.pseudorange_m[0])
    assert got.cnr_dbhz[0] == 40.0
    assert got.pseudorange_m[1] == pytest.approx(2.2e7 + 5.0, abs=2 * HALF_RANGE_M)
    assert got.phase_range_m[1] == pytest.approx(2.2e7, abs=1e-3)


@pytest.mark.parametrize(
    ("column", "difference_m", "name", "mark"),
    [
        # 2^19 x 0.0005 m and 2^13 x 0.02 m are the spans.
        ("phase_range_m", 262.2, "l2_phase_minus_code", -524288),
        ("phase_range_m", -262.2, "l2_phase_minus_code", -524288),
        ("pseudorange_m", 163.9, "l2_minus_l1_pseudorange", -8192),
    ],
)
def test_a_difference_beyond_its_span_is_marked_invalid_and_not_wrapped(
    column: str, difference_m: float, name: str, mark: int
) -> None:
    base = row("G", 5, "1C", pseudorange_m=2.2e7, phase_range_m=2.2e7)
    (raw,) = raw_rows(1004, base, row("G", 5, "2W", **{column: 2.2e7 + difference_m}))
    assert raw[name] == mark
    inside_m = difference_m * 0.999
    (raw,) = raw_rows(1004, base, row("G", 5, "2W", **{column: 2.2e7 + inside_m}))
    assert raw[name] != mark


@pytest.mark.parametrize("range_m", [-1.0, 256 * LIGHT_MS_M, 1e12])
def test_a_range_beyond_its_field_is_marked_invalid(range_m: float) -> None:
    (raw,) = raw_rows(1002, row("G", 5, "1C", pseudorange_m=range_m, phase_range_m=range_m))
    assert (raw["l1_whole_ms"], raw["l1_pseudorange"]) == (0, 0)
    assert raw["l1_phase_minus_code"] == -524288


def test_remainders_are_sent_where_no_whole_part_is() -> None:
    sent = columns(
        row("G", 5, "1C", pseudorange_modulo_m=299_790.0, phase_range_modulo_m=10.0)  # wrapped
    )
    got = decoded(encode_legacy(1001, heads(1), sent).data).observations
    assert got.pseudorange_modulo_m[0] == pytest.approx(299_790.0, abs=HALF_RANGE_M)
    assert got.phase_range_modulo_m[0] - LIGHT_MS_M == pytest.approx(10.0, abs=HALF_PHASE_M)


def test_sbas_satellites_go_with_gps_as_40_to_58() -> None:
    rows = [row(letter, n, "1C") for letter, n in (("S", 20), ("G", 32), ("S", 38), ("R", 3))]
    assert [raw["satellite"] for raw in raw_rows(1001, *rows)] == [32, 40, 58]
    frames = encode_legacy(1001, heads(1), columns(*rows))
    assert decoded(frames.data).observations.satellite.tolist() == [32, 20, 38]
    only_glonass = raw_rows(1009, *rows, channels=CHANNELS)
    assert [raw["satellite"] for raw in only_glonass] == [3]


def test_more_than_31_satellites_are_split_over_messages_that_say_that_more_follows() -> None:
    rows = [row("G", n, "1C", epoch=1) for n in range(1, 33)]
    rows += [row("S", n, "1C", epoch=1) for n in range(20, 39)]
    plain = MessageHeads(np.array([0, 1000, 2000]), station=9)
    frames = encode_legacy(1002, plain, columns(*rows))
    batch = decoded(frames.data)
    assert frames.epoch.tolist() == [0, 1, 1, 2]
    assert batch.more_follow.tolist() == [0, 1, 0, 0]
    assert np.bincount(batch.observations.frame, minlength=4).tolist() == [0, 31, 20, 0]
    assert len(set(zip(batch.observations.system, batch.observations.satellite, strict=True))) == 51


def test_signals_without_a_field_are_left_out() -> None:
    (raw,) = raw_rows(1003, row("G", 5, "5Q"), row("G", 5, "1P"), row("G", 6, "5Q"))
    assert (raw["satellite"], raw["l1_code"], raw["l2_code"]) == (5, 1, 0)
    frames = encode_legacy(1002, heads(2), EMPTY)
    assert [len(frame) for frame in frames.frames()] == [14, 14]


@pytest.mark.parametrize(
    ("number", "rows", "says"),
    [
        (1077, [], "no legacy"),
        (1002, [row("G", 5, "1C"), row("G", 5, "1P")], "two signals"),
        (1002, [row("G", 5, "1C"), row("G", 5, "1C")], "two signals"),
        (1002, [row("G", 40, "1C")], "satellite 40"),
        (1002, [row("S", 39, "1C")], "satellite 59"),
        (1010, [row("R", 7, "1C")], "slot 7"),
        (1002, [row("G", 5, "1C", epoch=1)], "1 heads"),
    ],
)
def test_what_a_message_has_no_place_for_is_refused(
    number: int, rows: list[Row], says: str
) -> None:
    with pytest.raises(EncodeError, match=says):
        encode_legacy(number, heads(1), columns(*rows), {1: 0, 7: 14})
