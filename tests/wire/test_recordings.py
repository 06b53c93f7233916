"""Real recordings: every byte accounted for, physics holds, ephemerides agree with a RINEX file.

The recordings and the RINEX file are those of the open data; what is expected of them was found
with a bit-string decoder of its own, by physics or by the file beside them.
"""

import math
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from rtcmtool.gnss.time import gps_ms_from_date, iso
from rtcmtool.views.decode_json import json_lines, json_objects
from rtcmtool.wire.catalogue import LAYOUTS
from rtcmtool.wire.decoding import Batch
from rtcmtool.wire.encoding import encode_record
from rtcmtool.wire.epochs import Origin, TimeReference
from rtcmtool.wire.layout import transfer
from rtcmtool.wire.observations import SYSTEM_LETTERS
from rtcmtool.wire.records import BitReader, read_record
from rtcmtool.wire.signal_ids import SIGNALS
from rtcmtool.wire.stream import Chunk, decode_stream
from tests.wire.field_by_field import rows_of
from tests.wire.test_observations import check

pytestmark = pytest.mark.open_data

BLOCK = 1 << 19


def batches_of(path: Path, reference: TimeReference | None = None) -> list[Batch]:
    data = path.read_bytes()
    chunks = (Chunk(data[at : at + BLOCK]) for at in range(0, len(data), BLOCK))
    return list(decode_stream(chunks, reference))


@pytest.fixture(scope="module")
def static(open_data: Path) -> list[Batch]:
    return batches_of(open_data / "static-msm5.rtcm3")


@pytest.fixture(scope="module")
def service(open_data: Path) -> list[Batch]:
    return batches_of(open_data / "ephemerides-ssr.rtcm3")


def numbers(batches: list[Batch]) -> dict[int, int]:
    return dict(Counter(number for batch in batches for number in batch.number.tolist()))


def cells_of(message: bytes) -> int:
    """Count the cells of an MSM with shifts alone."""
    bits, size = int.from_bytes(message, "big"), 8 * len(message)
    masks = bits >> (size - 169) & ((1 << 96) - 1)
    width = (masks >> 32).bit_count() * (masks & 0xFFFFFFFF).bit_count()
    return (bits >> (size - 169 - width) & ((1 << width) - 1)).bit_count()


# ---- a static base, MSM5 -----------------------------------------------------------------------


def test_every_frame_of_the_base_is_read(static: list[Batch]) -> None:
    assert numbers(static) == {1075: 2698, 1085: 2699, 1095: 2699}
    rejects = [(r.offset, r.length, r.reason.value) for batch in static for r in batch.rejects]
    assert rejects == [(0, 219, "noise"), (575_010, 219, "noise")]
    cells = sum(cells_of(frame.message) for batch in static for frame in batch.block.frames())
    assert sum(len(batch.observations) for batch in static) == cells == 189_527


@pytest.mark.slow
def test_every_byte_of_the_base_is_in_an_object(static: list[Batch], open_data: Path) -> None:
    at = 0
    for batch in static:
        for item in json_objects(batch):
            assert item["offset"] == at
            at += item["length"] + (0 if "reject" in item else 6)
            assert "gps_time" not in item  # no week is in the stream, and no date is given
    assert at == (open_data / "static-msm5.rtcm3").stat().st_size


def test_a_date_given_places_the_epochs_of_the_base(open_data: Path) -> None:
    # Tow 504044 is a Friday, 20:00:44; the leap second and the 3 h of GLONASS must fit to it.
    date = TimeReference(gps_ms_from_date(2021, 3, 19, 12), Origin.DATE)
    dated = batches_of(open_data / "static-msm5.rtcm3", date)
    gps_ms = np.concatenate([batch.gps_ms for batch in dated])
    assert iso(int(gps_ms[0])) == "2021-03-19T20:00:44.000"
    assert iso(int(gps_ms[-1])) == "2021-03-19T20:46:04.000"
    epochs, counts = np.unique(gps_ms, return_counts=True)
    assert Counter(counts.tolist()) == {3: 2697, 2: 2, 1: 1}
    assert Counter(np.diff(epochs).tolist())[1000] == len(epochs) - 2


def test_the_order_in_an_epoch_is_kept_and_its_last_message_told(static: list[Batch]) -> None:
    number = np.concatenate([batch.number for batch in static])
    more = np.concatenate([batch.more_follow for batch in static])
    assert set(zip(number.tolist(), more.tolist(), strict=True)) == {
        (1075, 1),
        (1085, 1),
        (1095, 0),
    }
    assert number[:4].tolist() == [1085, 1095, 1075, 1085]


@dataclass(frozen=True, eq=False)
class Pairs:
    """Observations of one satellite and signal in neighbouring epochs, 1 s apart."""

    before: dict[str, npt.NDArray[Any]]
    after: dict[str, npt.NDArray[Any]]
    signal: npt.NDArray[np.int64]


@pytest.fixture(scope="module")
def columns(static: list[Batch]) -> dict[str, npt.NDArray[Any]]:
    """Join all columns, with the epoch on the timeline as `time_ms`."""
    first = static[0].observations
    joined = {
        column.name: np.concatenate([getattr(b.observations, column.name) for b in static])
        for column in fields(first)
    }
    joined["time_ms"] = np.concatenate([b.timeline_ms[b.observations.frame] for b in static])
    return joined


@pytest.fixture(scope="module")
def seconds(columns: dict[str, npt.NDArray[Any]]) -> Pairs:
    key = (columns["system"].astype(np.int64) * 256 + columns["satellite"]) * 256
    key += columns["signal"]
    order = np.lexsort((columns["time_ms"], key))
    ordered = {name: column[order] for name, column in columns.items()}
    key = key[order]
    pair = np.flatnonzero((np.diff(key) == 0) & (np.diff(ordered["time_ms"]) == 1000))
    return Pairs(
        {name: column[pair] for name, column in ordered.items()},
        {name: column[pair + 1] for name, column in ordered.items()},
        ordered["system"][pair].astype(np.int64) * 256 + ordered["signal"][pair],
    )


def test_marks_take_their_own_value_only(columns: dict[str, npt.NDArray[Any]]) -> None:
    no_code, no_phase = np.isnan(columns["pseudorange_m"]), np.isnan(columns["phase_range_m"])
    assert (no_code.sum(), no_phase.sum(), (no_code & no_phase).sum()) == (7, 10, 0)
    assert (columns["lock_time_ms"][no_phase] == 0).all()  # a new satellite shows code first
    assert (columns["lock_time_ms"][no_code] > 16_000).all()
    assert not np.isnan(columns["phase_range_rate_m_s"]).any()
    assert (columns["half_cycle"] == 0).all()


def test_ranges_are_those_of_satellites(columns: dict[str, npt.NDArray[Any]]) -> None:
    for name in ("pseudorange_m", "phase_range_m"):
        assert np.nanmin(columns[name]) > 18.9e6  # GLONASS in the zenith
        assert np.nanmax(columns[name]) < 30.0e6  # Galileo at the horizon
    assert np.nanmin(columns["cnr_dbhz"]) > 5
    assert np.nanmax(columns["cnr_dbhz"]) < 63


def test_signals_are_those_of_the_masks(columns: dict[str, npt.NDArray[Any]]) -> None:
    named = {
        (SYSTEM_LETTERS[int(code)], SIGNALS[int(signal)])
        for code, signal in zip(columns["system"], columns["signal"], strict=True)
    }
    assert named == {
        *(("G", signal) for signal in ("1C", "2W", "2S", "5Q")),
        *(("R", signal) for signal in ("1C", "2P")),
        *(("E", signal) for signal in ("1C", "7Q", "5Q")),
    }


def test_code_minus_phase_is_smooth(seconds: Pairs) -> None:
    change = (
        seconds.after["pseudorange_m"]
        - seconds.after["phase_range_m"]
        - seconds.before["pseudorange_m"]
        + seconds.before["phase_range_m"]
    )
    assert np.nanmax(np.abs(change)) < 50
    for signal in np.unique(seconds.signal):
        spread = np.nanstd(change[seconds.signal == signal])
        name = SYSTEM_LETTERS[signal >> 8] + SIGNALS[signal & 255]
        assert spread < (0.25 if name in {"G1C", "G2W"} else 0.03), name


def test_rates_agree_with_phase_differences(seconds: Pairs) -> None:
    moved = seconds.after["phase_range_m"] - seconds.before["phase_range_m"]
    rate = (seconds.after["phase_range_rate_m_s"] + seconds.before["phase_range_rate_m_s"]) / 2
    fast = np.abs(rate) > 10
    assert fast.sum() > 185_000
    usable = fast & ~np.isnan(moved)
    assert (np.sign(moved[usable]) == np.sign(rate[usable])).all()
    assert np.nanmax(np.abs(moved - rate)) < 0.2
    assert np.nanstd(moved - rate) < 0.03


def test_lock_times_grow(seconds: Pairs) -> None:
    before, after = seconds.before["lock_time_ms"], seconds.after["lock_time_ms"]
    assert len(before) > 189_000
    assert (after >= before).all()
    # The classes double from 512 ms on; 0 to 512 ms within the first second.
    steps = {(int(a), int(b)) for a, b in zip(before, after, strict=True) if a != b}
    doubling = {(512 << k, 1024 << k) for k in range(10)}
    assert steps == {(0, 512), *doubling}


def test_glonass_channels_are_those_of_the_constellation(static: list[Batch]) -> None:
    told = {(slot, channel) for batch in static for slot, channel in batch.channels[:, 1:].tolist()}
    assert told == {(1, 1), (7, 5), (8, 6), (22, -3), (23, 3), (24, 2)}


def test_frames_of_the_base_are_read_as_bit_by_bit(static: list[Batch]) -> None:
    for batch in static:
        for index, frame in list(enumerate(batch.block.frames()))[::170]:
            rows = batch.observations.take(batch.observations.frame == index)
            check(rows, rows_of(frame.message), [index] * len(rows))


@pytest.mark.slow
def test_300_frames_of_the_base_are_rebuilt_byte_for_byte(static: list[Batch]) -> None:
    frames = [frame for batch in static for frame in batch.block.frames()][::27]
    assert len(frames) >= 299
    for frame in frames:
        assert frame.number is not None
        layout = LAYOUTS[frame.number]
        assert encode_record(layout, read_record(layout, frame.message)) == frame.message


# ---- a service stream: ephemerides and state space ---------------------------------------------


def test_every_frame_of_the_service_is_read(service: list[Batch], open_data: Path) -> None:
    expected = {1019: 1730, 1046: 1312, 1059: 178, 1060: 180, 1242: 180, 1243: 179}
    assert numbers(service) == expected
    size = sum(int(batch.block.lengths.sum()) for batch in service)
    assert size == (open_data / "ephemerides-ssr.rtcm3").stat().st_size
    assert not any(batch.rejects for batch in service)
    assert sum(len(batch.messages) for batch in service) == sum(expected.values())


@pytest.mark.slow
def test_the_service_is_rebuilt_byte_for_byte(service: list[Batch]) -> None:
    for batch in service:
        found = zip(batch.messages, batch.block.frames(), strict=True)
        for message, frame in found:
            assert encode_record(message.layout, message.record) == frame.message


def test_messages_are_used_up_to_the_last_bit(service: list[Batch]) -> None:
    for batch in service:
        for message, frame in list(zip(batch.messages, batch.block.frames(), strict=True))[::5]:
            reader = BitReader(frame.message)
            transfer(message.layout.parts, reader, {}, {})
            assert reader.left < 8
            rest = frame.message[-1] & ((1 << reader.left) - 1)
            assert rest == 0


def test_the_service_learns_its_week_from_the_first_ephemeris(service: list[Batch]) -> None:
    number = np.concatenate([batch.number for batch in service])
    gps_ms = np.concatenate([batch.gps_ms for batch in service])
    epoch_ms = np.concatenate([batch.epoch_ms for batch in service])
    first = int(np.flatnonzero((number == 1019) | (number == 1046))[0])
    has_epoch = epoch_ms >= 0
    assert (gps_ms[:first] == -1).all()
    assert (gps_ms[first:][has_epoch[first:]] > 0).all()
    assert (gps_ms[~has_epoch] == -1).all()
    orbits = gps_ms[(number == 1060) & (gps_ms > 0)]
    # 2023-08-17 is a Thursday of week 2275: the truth file beside the recording.
    assert {iso(int(value))[:10] for value in orbits} == {"2023-08-17"}
    assert (np.diff(orbits) > 0).all()
    assert Counter(np.diff(orbits).tolist()).most_common(1)[0][0] == 10_000
    # Code biases repeat an epoch half a day old: they must not drag the clock back.
    biases = gps_ms[(number == 1059) & (gps_ms > 0)]
    assert set(biases.tolist()) == {gps_ms_from_date(2023, 8, 13) + 309_621_000}


def test_every_issue_of_data_belongs_to_an_ephemeris(service: list[Batch]) -> None:
    known: set[tuple[str, int]] = set()
    asked: set[tuple[str, int]] = set()
    names = {1060: "iode", 1243: "iodnav"}
    for message in (message for batch in service for message in batch.messages):
        number, values = message.layout.number, message.values
        if number in names:
            asked |= {(row["satellite"], row[names[number]]) for row in values["satellites"]}
        elif number in {1019, 1046}:
            issue = values["iode" if number == 1019 else "iodnav"]
            known.add((str(message.value("satellite")), issue))
    assert len(asked) > 100
    assert asked <= known


# ---- ephemerides against a RINEX navigation file -----------------------------------------------

NUMBER = re.compile(r"[-+ ]?\d?\.\d{12}[DE][-+]\d\d")

# Fields of RINEX 3.04 navigation records, tables A6 and A8, from memory: clock, then orbit lines.
# fmt: off
ORBIT = [
    "crs_m", "delta_n_rad_s", "m0_rad", "cuc_rad", "eccentricity", "cus_rad",
    "sqrt_a_sqrt_m", "toe_s", "cic_rad", "omega0_rad", "cis_rad", "i0_rad",
    "crc_m", "omega_rad", "omega_dot_rad_s", "idot_rad_s",
]
# fmt: on
GPS = ["af0_s", "af1_s_s", "af2_s_s2", "iode", *ORBIT]
GPS += ["code_on_l2", "week", "l2p_data_flag", "accuracy_m", "health", "tgd_s", "iodc"]
GALILEO = ["af0_s", "af1_s_s", "af2_s_s2", "iodnav", *ORBIT]
GALILEO += ["data_source", "week", "", "accuracy_m", "health", "bgd_e5a_e1_s", "bgd_e5b_e1_s"]


def navigation_records(path: Path) -> Iterator[tuple[str, tuple[int, ...], list[float]]]:
    """Read satellite, time of clock (calendar) and the printed numbers of each record."""
    lines = path.read_text(encoding="ascii").split("END OF HEADER")[1].splitlines()[1:]
    for at in range(0, len(lines) - 7, 8):
        head, rest = lines[at], lines[at + 1 : at + 8]
        printed = [head[i : i + 19] for i in (23, 42, 61)]
        printed += [line[i : i + 19] for line in rest for i in (4, 23, 42, 61) if line[i : i + 19]]
        values = [float(text.replace("D", "E")) for text in printed if text.strip()]
        yield head[:3], tuple(int(part) for part in head[4:23].split()), values


def step_of(value: float) -> float:
    """Give one unit of the last printed digit: twelve behind the point, .ddddD+ee."""
    return 10.0 ** (math.floor(math.log10(abs(value))) + 1 - 12) if value else 1e-12


def records_of(service: list[Batch], number: int) -> dict[tuple[str, int, int], dict[str, Any]]:
    """Give the values of all ephemerides by satellite, time of clock and issue of data."""
    found = {}
    for message in (message for batch in service for message in batch.messages):
        if message.layout.number == number:
            values = message.values
            issue = values["iode" if number == 1019 else "iodnav"]
            found[str(message.value("satellite")), values["toc_s"], issue] = values
    return found


def in_rinex(values: dict[str, Any], system: str) -> dict[str, Any]:
    """Turn the values of an ephemeris into those that RINEX prints."""
    if system == "G":
        return values | {"week": values["week"] + 2048}
    health = values["e1b_data_invalid"] | int(values["e1b_health"]) << 1
    health |= int(values["e5b_data_invalid"]) << 6 | int(values["e5b_health"]) << 7
    return values | {"week": values["week"] + 1024, "health": health, "data_source": 517}


@pytest.mark.parametrize(
    ("system", "number", "names", "records", "compared"),
    [("G", 1019, GPS, 11, 27), ("E", 1046, GALILEO, 19, 25)],
)
def test_ephemerides_agree_with_the_navigation_file_to_the_last_digit(
    service: list[Batch],
    open_data: Path,
    system: str,
    number: int,
    names: list[str],
    records: int,
    compared: int,
) -> None:
    sent = records_of(service, number)
    matched = 0
    for satellite, toc, printed in navigation_records(open_data / "ephemerides-truth.rnx"):
        truth = dict(zip(names, printed, strict=False))
        if satellite[0] != system or truth.get("data_source", 517) != 517:
            continue
        toc_s = gps_ms_from_date(*toc) // 1000 % 604_800
        values = sent.get((satellite, toc_s, int(printed[3])))
        if values is None:
            continue
        matched += 1
        ours = in_rinex(values, system) | {"": 0.0}
        assert len(truth.keys() - {"", "data_source"}) == compared
        for name, value in truth.items():
            assert ours[name] == pytest.approx(value, abs=0.51 * step_of(value), rel=0), name
    assert matched == records


@pytest.mark.slow
def test_lines_of_the_decoder_are_one_json_object_each(service: list[Batch]) -> None:
    lines = json_lines(service[0]).splitlines()
    assert len(lines) == len(service[0])
