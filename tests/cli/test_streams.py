"""`streams`: the source table of a caster on this computer, and what it is worth."""

import socket
from collections.abc import Callable
from pathlib import Path

import pytest

from rtcmtool.cli.streams import table_lines
from rtcmtool.sources import parse_sourcetable
from tests.cli.conftest import Run, Runner
from tests.cli.listening_time import ListeningTime
from tests.cli.servers import ANSWER, TABLE_HEAD, address, answers, chunked, sends
from tests.sources.conftest import Server, read_request
from tests.streams import GROUND, START_MS, base_stream, data_of

Serve = Callable[..., Server]
LATITUDE, LONGITUDE, _ = GROUND
MESSAGES = "1006(10),1033(10),1074(1),1084(1),1094(1),1124(1),1230(10)"
SYSTEMS = "GPS+GLO+GAL+BDS"


def record(
    name: str,
    messages: str = MESSAGES,
    systems: str = SYSTEMS,
    place: tuple[float, float] = (LATITUDE, LONGITUDE),
    needs_position: int = 0,
) -> bytes:
    return (
        f"STR;{name};{name.title()} Quarry;RTCM 3.3;{messages};2;{systems};CREW;ISL;"
        f"{place[0]:.2f};{place[1]:.2f};{needs_position};0;x;none;B;N;9600;\r\n"
    ).encode()


TABLE = TABLE_HEAD + record("HILL") + record("MARSH", needs_position=1) + b"ENDSOURCETABLE\r\n"


def test_the_streams_of_a_caster_are_listed(run: Runner, serve: Serve) -> None:
    done = run("streams", address(serve(answers(TABLE)), "ntrip"))
    assert done.code == 0
    assert done.lines[0].split() == ["stream", "place", "format", "systems", "lat", "lon", "needs"]
    assert done.lines[1].startswith("HILL")
    assert "password, position" in done.lines[2] or done.lines[2].endswith("~")
    assert done.lines[-1] == "2 streams"
    assert max(map(len, done.lines)) <= 80


@pytest.mark.parametrize("width", [40, 60, 80, 120])
def test_no_line_is_too_long(width: int) -> None:
    long = record("A" * 40, systems="+".join(["GPS", "GLONASS", "GALILEO", "BEIDOU", "QZSS"]))
    lines = table_lines(parse_sourcetable(long + record("HILL")), width)
    assert max(map(len, lines)) <= width
    assert any(line.startswith("HILL") for line in lines)


@pytest.mark.parametrize("width", [60, 80, 120])
def test_a_name_is_whole_since_it_is_what_is_typed_next(width: int) -> None:
    name = "QUARRY-NORTH-LONG-NAME"
    lines = table_lines(parse_sourcetable(record(name, needs_position=1) + record("HILL")), width)
    heads = lines[0].split()
    assert lines[1].startswith(f"{name}  ")
    assert lines[1].endswith("password, position")
    assert ("lat" in heads) == (width == 120)
    assert ("place" in heads) == (width >= 80)
    assert "GPS GLO GAL BDS" in lines[1]


def test_a_table_can_do_nothing_to_a_terminal() -> None:
    lines = table_lines(parse_sourcetable(record("HI\x1b[2JLL")), 80)
    assert "\x1b" not in "".join(lines)


def test_the_document_has_what_is_announced(run: Runner, serve: Serve) -> None:
    document = run("streams", address(serve(answers(TABLE)), "ntrip"), "--json").json
    assert document["complete"]
    assert [stream["mountpoint"] for stream in document["streams"]] == ["HILL", "MARSH"]
    assert document["streams"][0]["messages"]["1006"] == 10.0
    assert document["streams"][1]["needs_position"]


def test_one_stream_is_told_whole(run: Runner, serve: Serve) -> None:
    done = run("streams", address(serve(answers(TABLE)), "ntrip", "/HILL"))
    assert f"messages  {MESSAGES}" in done.lines
    assert "needs     password" in done.lines
    assert "MARSH" not in done.out


def test_a_stream_that_is_not_there_gets_the_nearest(run: Runner, serve: Serve) -> None:
    done = run("streams", address(serve(answers(TABLE)), "ntrip", "/MARCH"))
    assert done.code == 3
    assert "has no stream MARCH" in done.err
    assert "did you mean MARSH?" in done.err


def test_a_table_that_was_cut_off_is_shown_and_said(run: Runner, serve: Serve) -> None:
    server = serve(answers(TABLE_HEAD + record("HILL"), stays=False))
    done = run("streams", address(server, "ntrip"))
    assert done.code == 0
    assert "HILL" in done.out
    assert "was cut off" in done.err


def test_a_caster_without_streams_says_so(run: Runner, serve: Serve) -> None:
    done = run("streams", address(serve(answers(TABLE_HEAD + b"ENDSOURCETABLE\r\n")), "ntrip"))
    assert done.out == "this caster offers no stream now\n"


@pytest.mark.parametrize("text", ["http://caster.example", "COM5", "tcp://gate:2101"])
def test_what_is_no_caster_is_wrong_use(run: Runner, text: str) -> None:
    done = run("streams", text)
    assert done.code == 2
    assert "write ntrip://HOST:PORT" in done.err


def test_a_caster_that_refuses_ends_with_3(run: Runner) -> None:
    assert run("streams", "ntrip://127.0.0.1:1").code == 3


def test_verify_needs_a_stream(run: Runner, serve: Serve) -> None:
    done = run("streams", address(serve(answers(TABLE)), "ntrip"), "--verify")
    assert done.code == 2
    assert "--verify HILL" in done.err


# ---- does it send what it says?


Verify = Callable[..., Run]


@pytest.fixture
def verify(run: Runner, serve: Serve, listening_time: ListeningTime) -> Verify:
    """Give a function that lets a stream be compared with its record."""

    def of(
        announced: bytes, sent: bytes | tuple[bytes, ...], *more: str, every_s: float = 0.0
    ) -> Run:
        table = TABLE_HEAD + announced + b"ENDSOURCETABLE\r\n"
        pieces = [sent] if isinstance(sent, bytes) else sent
        stream = listening_time.sends(*pieces, every_s=every_s, is_caster=True)
        source = address(serve(answers(table), stream), "ntrip")
        return run("streams", source, "--verify", "HILL", "--duration", "1.6", *more)

    return of


STREAM = data_of(base_stream(30))


@pytest.mark.slow
def test_a_stream_that_is_what_it_says(verify: Verify) -> None:
    done = verify(record("HILL"), STREAM)
    assert done.code == 0
    # Intervals are those of the stream's own time, although all of it came at once.
    assert done.out.startswith("AS ANNOUNCED - HILL")
    assert "all 7 come" in done.out
    assert max(map(len, done.lines)) <= 80


@pytest.mark.slow
@pytest.mark.parametrize(
    ("announced", "rule", "state"),
    [
        (record("HILL", messages="1005(0.2),1074(1)"), "stream_messages", "bad"),
        (record("HILL", messages="1006(10),1074(1)"), "stream_unannounced", "watch"),
        (record("HILL", messages="1006,1074"), "stream_intervals", "not-applicable"),
        (record("HILL", systems="GPS+GLO+GAL+BDS+QZS"), "stream_systems", "ok"),
        (record("HILL", systems="GPS+GLO"), "stream_systems", "watch"),
        (record("HILL", place=(LATITUDE + 1, LONGITUDE)), "stream_position", "bad"),
        (record("HILL", place=(LATITUDE + 0.05, LONGITUDE)), "stream_position", "watch"),
        (record("HILL", place=(LATITUDE + 1, LONGITUDE), needs_position=1), "stream_position",
         "not-applicable"),
    ],
)  # fmt: skip
def test_what_differs_is_told(verify: Verify, announced: bytes, rule: str, state: str) -> None:
    done = verify(announced, STREAM, "--json")
    found = {each["rule"]: each for each in done.json["rules"]}
    assert found[rule]["state"] == state
    assert done.code == done.json["exit_code"] == (1 if state == "bad" else 0)


EPOCHS = tuple(data_of(base_stream(1, start_ms=START_MS + 250 * index)) for index in range(12))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("messages", "state", "words"),
    [
        ("1074(0.25),1006(0.25)", "ok", "as announced, 2 of 2 seen twice"),
        ("1074(1)", "watch", "1074 every 0.25 s, not every 1 s"),
        ("1074(0.05)", "watch", ", not every 0.05 s"),
    ],
)
def test_intervals_are_compared_as_they_come(
    verify: Verify, listening_time: ListeningTime, messages: str, state: str, words: str
) -> None:
    listening_time.step_s = 0.05
    announced = record("HILL", messages=messages)
    done = verify(announced, EPOCHS, "--json", every_s=0.25)
    found = {each["rule"]: each for each in done.json["rules"]}["stream_intervals"]
    assert found["state"] == state
    assert words in found["text"]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("announced", "head"),
    [
        (record("HILL", place=(LATITUDE + 1, LONGITUDE)), "NOT AS ANNOUNCED - HILL"),
        (record("HILL", systems="GPS+GLONASS"), "AS ANNOUNCED EXCEPT intervals, systems - HILL"),
        (record("HILL", messages="1074,1084,1094,1124,1006,1033,1230,1019(60)"),
         "CANNOT TELL (not seen: messages) - HILL"),
    ],
)  # fmt: skip
def test_the_first_line_says_what_is_not_as_announced(
    verify: Verify, announced: bytes, head: str
) -> None:
    done = verify(announced, EPOCHS, every_s=0.25)
    assert " ".join(done.out.split()).startswith(head)
    assert done.code == (0 if head.startswith("AS") else 1)


@pytest.mark.slow
def test_a_stream_that_asks_where_the_rover_is_gets_the_mark_of_the_site_sheet(
    run: Runner, serve: Serve, tmp_path: Path, listening_time: ListeningTime
) -> None:
    sheet = tmp_path / "site.toml"
    sheet.write_text(
        "[position]\nlatitude_deg = -33.5\nlongitude_deg = 151.25\nellipsoidal_height_m = 12.0\n"
    )
    asked: list[bytes] = []

    def stream(connection: socket.socket) -> None:
        asked.append(read_request(connection))
        sends(ANSWER, chunked(STREAM))(connection)

    table = TABLE_HEAD + record("HILL", needs_position=1) + b"ENDSOURCETABLE\r\n"
    server = serve(answers(table), stream)
    more = ("--verify", "HILL", "--duration", "1")
    run("streams", address(server, "ntrip"), *more, "--site", sheet)
    assert b",3330.0000,S,15115.0000,E,1," in asked[0]
    server = serve(answers(table), stream)
    run("streams", address(server, "ntrip"), *more, "--position", "-12.5,-34.25")
    assert b",1230.0000,S,03415.0000,W,1," in asked[1]
    server = serve(answers(table), stream)
    done = run("streams", address(server, "ntrip"), *more)
    assert b"GGA" not in asked[2]
    assert "asks where the rover is: --position" in done.err


@pytest.mark.slow
def test_a_table_of_the_first_revision_and_one_in_chunks_are_read_by_the_program(
    run_process: Runner, serve: Serve
) -> None:
    body = record("HILL") + b"ENDSOURCETABLE\r\n"
    old = b"SOURCETABLE 200 OK\r\nServer: caster\r\nContent-Type: text/plain\r\n\r\n"
    new = TABLE_HEAD.replace(b"\r\n\r\n", b"\r\nTransfer-Encoding: chunked\r\n\r\n")
    cut = [chunked(body[at : at + 17]) for at in range(0, len(body), 17)]
    for answer in ([old, body], [new, *cut, b"0\r\n\r\n"]):
        done = run_process("streams", address(serve(answers(*answer)), "ntrip"))
        assert done.code == 0
        assert done.lines[-1] == "1 stream"


@pytest.mark.slow
def test_a_stream_without_rtcm_ends_with_4(verify: Verify) -> None:
    done = verify(record("HILL"), b"nothing to see here\r\n" * 30)
    assert done.code == 4
    assert "this is text" in done.err
