"""Sizes from memory of RTCM 10403.x; those of 1242 and 1243 also from recordings."""

import pytest

from rtcmtool.wire.catalogue import LAYOUTS
from rtcmtool.wire.framing import FrameScanner
from rtcmtool.wire.messages.state_space import accuracy_mm
from rtcmtool.wire.records import read_record, value_of, values_of
from rtcmtool.wire.signal_tables import STATE_SPACE_SIGNALS
from tests.wire.messages.parts import bits_of

# First number, header without datum, bits of a satellite number and of an issue of data.
SYSTEMS = {"G": (1057, 67, 6, 8), "R": (1063, 64, 5, 8), "E": (1240, 67, 6, 10)}
ORBIT, CLOCK = 121, 70


@pytest.mark.parametrize("system", SYSTEMS)
def test_each_satellite_adds_its_blocks(system):
    first, head, satellite, issue = SYSTEMS[system]
    rows = [
        (head + 1, satellite + issue + ORBIT),
        (head, satellite + CLOCK),
        (head, satellite + 5),  # code biases of no signal
        (head + 1, satellite + issue + ORBIT + CLOCK),
        (head, satellite + 6),
        (head, satellite + 22),
    ]
    for place, (header, row) in enumerate(rows):
        layout = LAYOUTS[first + place]
        assert layout.system == system
        assert [bits_of(layout, satellite_count=n) for n in (0, 9)] == [header, header + 9 * row]


@pytest.mark.parametrize(
    ("number", "row"),
    [(1057, 135), (1058, 76), (1060, 205), (1063, 134), (1064, 75), (1066, 204), (1240, 137),
     (1241, 76), (1243, 207)],
)  # fmt: skip
def test_satellites_have_the_bits_of_the_standard(number, row):
    assert LAYOUTS[number].group("satellites").bits == row


@pytest.mark.parametrize(("number", "bias_count", "bits"), [(1243, 0, 4622), (1242, 4, 1981)])
def test_22_galileo_satellites_have_the_recorded_size(number, bias_count, bits):
    assert bits_of(LAYOUTS[number], satellite_count=22, bias_count=bias_count) == bits


def test_update_intervals_are_decoded():
    field = next(f for f in LAYOUTS[1060].head if f.name == "update_interval_s")
    assert [value_of(field, raw) for raw in (0, 5, 6, 15)] == [1, 30, 60, 10800]


def test_signals_are_rinex_codes():
    assert [STATE_SPACE_SIGNALS["G"][i] for i in (0, 8, 10)] == ["1C", "2L", "2P"]
    assert [STATE_SPACE_SIGNALS["E"][i] for i in (2, 6, 9, 16)] == ["1C", "5Q", "7Q", "6C"]
    assert STATE_SPACE_SIGNALS["S"][4] == "?04"
    assert {len(table) for table in STATE_SPACE_SIGNALS.values()} == {32}


def test_accuracy_rises_with_its_code():
    # Bounds of RTCM 10403.x DF389: 5466.5 mm is the greatest that can be told.
    bounds = [accuracy_mm(raw) or 0.0 for raw in range(1, 63)]
    assert bounds == sorted(bounds)
    assert bounds[-1] == 5466.5
    assert accuracy_mm(0) is accuracy_mm(63) is None


@pytest.mark.open_data
def test_recorded_corrections_fill_their_frames_and_name_known_signals(open_data):
    with (open_data / "ephemerides-ssr.rtcm3").open("rb") as file:
        frames = FrameScanner().feed(file.read(40_000)).frames()
    seen = set()
    for frame in frames:
        if frame.number not in {1059, 1060, 1242, 1243}:
            continue
        seen.add(frame.number)
        layout = LAYOUTS[frame.number]
        values = values_of(layout, read_record(layout, frame.message))
        rows = values["satellites"]
        assert rows
        if frame.number in {1060, 1243}:
            bits = 68 + len(rows) * layout.group("satellites").bits
        else:
            bits = 67 + sum(11 + 19 * len(row["biases"]) for row in rows)
            signals = {bias["signal"] for row in rows for bias in row["biases"]}
            known = {1059: {"1C", "2L", "2P"}, 1242: {"1C", "5Q", "7Q", "6C"}}
            assert signals <= known[frame.number]
        assert 0 <= 8 * len(frame.message) - bits < 8
    assert seen == {1059, 1060, 1242, 1243}
