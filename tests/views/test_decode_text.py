"""Lines of `decode`, one a frame, and the table of `decode --summary`."""

import io
from random import Random

import pytest
from hypothesis import given
from rich.console import Console

from rtcmtool.views.decode_json import json_objects
from rtcmtool.views.decode_text import REJECT_TITLES, frame_line, summary_table
from rtcmtool.wire.encoding import encode_record, frame_message
from rtcmtool.wire.epochs import TimeReference
from rtcmtool.wire.framing import RejectReason
from rtcmtool.wire.stream import Chunk, decode_stream
from tests.strategies import ALL_LAYOUTS, EMPTY_FRAME, STATION_POSITION, TEXT, made_record, streams
from tests.streams import antenna, base_stream, bias, dated, observed, state_of, without_epochs


def told(data: bytes, reference: TimeReference | None = None, *, fields: bool = False) -> list[str]:
    """Give the lines of a stream."""
    batches = decode_stream([Chunk(data)], reference)
    return [frame_line(item, all_fields=fields) for b in batches for item in json_objects(b)]


def test_a_position_is_told_in_one_line() -> None:
    assert told(STATION_POSITION) == [
        "-  1005  station position  2003  19 B  "
        "arp_ecef_m [1114104.5999, -4850729.7108, 3975521.4643]"
    ]


def test_a_text_is_quoted() -> None:
    (line,) = told(TEXT)
    assert line.endswith("text 'UTF-8 проверка wörter'")


def test_an_observation_is_told_by_its_satellites() -> None:
    (line,) = told(observed(1074, 1, satellites=3)[0].data, dated())
    assert line == (
        "2026-03-04T07:00:00.000 GPS  1074  GPS MSM4  417  65 B  "
        "satellites 3  observations 6  G01 G02 G03"
    )


def test_without_a_date_the_second_of_the_week_or_day_is_told() -> None:
    assert told(observed(1074, 1)[0].data)[0].startswith("284400.000 s of week  1074")
    assert told(observed(1084, 1)[0].data)[0].startswith("35982.000 s of GLONASS day  1084")


def test_all_fields_are_told_when_asked_for() -> None:
    (short,), (full,) = told(antenna()), told(antenna(), fields=True)
    assert "antenna_descriptor 'SURVEYANT-1     NONE'" in short
    assert "antenna_setup_id" not in short
    assert "antenna_setup_id 0" in full
    assert "receiver_firmware '1.0'" in full


def test_what_is_not_available_is_said_to_be_so() -> None:
    (line,) = told(bias())
    assert "aligned no  bias_1c_m 0.02  bias_1p_m not available" in line


def test_a_frame_of_an_unknown_number_is_told_and_given_in_hex_when_asked_for() -> None:
    data = frame_message(bytes.fromhex("7d00ff"))
    assert told(data) == ["-  2000  unknown message  -  3 B  not decoded"]
    assert told(data, fields=True)[0].endswith("payload_hex 7d00ff")


def test_an_empty_frame_is_a_line_too() -> None:
    assert told(EMPTY_FRAME) == ["-  -  empty frame  -  0 B"]


def test_rejects_are_told_with_their_place() -> None:
    damaged = bytearray(STATION_POSITION)
    damaged[10] ^= 1
    lines = told(b"noise" + STATION_POSITION + bytes(damaged) + STATION_POSITION + TEXT[:20])
    assert lines[0] == "-  reject  not RTCM  -  5 B  offset 0"
    assert lines[2] == "-  reject  damaged (CRC)  -  25 B  offset 30  number 1005"
    assert lines[4] == "-  reject  cut at the end  -  20 B  offset 80  number 1029"


def test_a_frame_that_contradicts_its_layout_says_why() -> None:
    (line,) = told(frame_message(STATION_POSITION[3:12]))
    assert line.startswith("-  reject  impossible for its number  -  15 B  offset 0  number 1005  ")


def test_every_kind_of_reject_has_a_title() -> None:
    assert set(REJECT_TITLES) == {reason.value for reason in RejectReason}


@pytest.mark.parametrize("layout", ALL_LAYOUTS, ids=lambda layout: str(layout.number))
def test_every_message_is_one_line(layout) -> None:
    random = Random(layout.number)
    messages = [encode_record(layout, made_record(layout, random, 5)) for _ in range(5)]
    data = b"".join(frame_message(message) for message in messages if len(message) < 1024)
    for fields in (False, True):
        for line in told(data, fields=fields):
            assert line.isprintable()


@given(streams())
def test_any_stream_is_told_line_by_line(stream: bytes) -> None:
    for line in told(stream, fields=True):
        assert line.isprintable()


# ---- the table ---------------------------------------------------------------------------------


def table(
    state, rejects: dict[str, tuple[int, int]] | None = None, width: int = 80, **more: object
) -> list[str]:
    """Give the table of a stream as lines."""
    stream = io.StringIO()
    console = Console(file=stream, width=width, color_system=None)
    console.print(summary_table(state, rejects or {}, width=width, **more))  # type: ignore[arg-type]
    return stream.getvalue().splitlines()


def test_the_table_has_a_row_a_number() -> None:
    shown = table(state_of(without_epochs(base_stream(60), 20, 21), reference=dated()))
    row = next(line for line in shown if line.startswith("1074"))
    assert row.split() == [
        "1074", "GPS", "MSM4", "58", "1", "s", "9", "164", "2", "06:59:42", "07:00:41",
    ]  # fmt: skip
    assert [line[:4] for line in shown if line[:4].isdigit()] == [
        "1006", "1033", "1074", "1084", "1094", "1124", "1230",
    ]  # fmt: skip


def test_without_a_date_seconds_of_the_week_are_told() -> None:
    (row,) = [line for line in table(state_of(base_stream(3))) if line.startswith("1074")]
    assert row.split()[-4:] == ["284400", "s", "284402", "s"]


def test_what_came_before_the_first_epoch_stands_beside_it() -> None:
    shown = table(state_of(base_stream(20), reference=dated()))
    row = next(line for line in shown if line.startswith("1006"))
    assert row.split()[-2:] == ["06:59:42", "06:59:51"]


def test_rejects_have_rows_of_their_own() -> None:
    shown = table(state_of(base_stream(3)), {"crc": (18, 1234), "noise": (2, 7)})
    assert [line.split() for line in shown if line.startswith("reject")] == [
        ["reject", "damaged", "(CRC)", "18", "1", "234"],
        ["reject", "not", "RTCM", "2", "7"],
    ]


def test_frames_without_number_have_a_row() -> None:
    assert any("no number" in line for line in table(state_of(EMPTY_FRAME * 2)))


def test_a_table_of_some_numbers_leaves_out_the_others_and_the_rejects() -> None:
    shown = table(state_of(base_stream(3)), {"crc": (1, 1)}, only={1074, 1006})
    assert [line.split()[0] for line in shown[2:] if line[:1].strip()] == ["1006", "1074"]


@pytest.mark.parametrize("width", [20, 36, 40, 46, 56, 66, 76, 80, 120])
def test_the_table_is_never_wider_than_the_screen(width: int) -> None:
    shown = table(state_of(base_stream(30), reference=dated()), {"crc": (18, 1234)}, width)
    assert max(len(line) for line in shown) <= width
    assert any("1074" in line and "30" in line for line in shown)
