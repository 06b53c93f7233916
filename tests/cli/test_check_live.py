"""`check` on sources that run: servers on this computer, pseudo-terminals; each state is told."""

import contextlib
import errno
import os
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from rtcmtool.cli import check_live
from rtcmtool.cli.check_live import no_rtcm, nothing_came, tally_text
from rtcmtool.running.listening import Ear, Listening
from rtcmtool.sources.network import TcpListenSource, TcpSource
from rtcmtool.sources.ports import not_opened
from rtcmtool.sources.serial_port import SerialSource
from rtcmtool.wire.stream import StreamDecoder
from tests.cli.conftest import Runner
from tests.cli.listening_time import ListeningTime
from tests.cli.servers import TABLE_HEAD, address, answers, sends, until_read
from tests.monitor.test_traffic import GGA
from tests.sources.conftest import SAFETY_S, Server, until_closed
from tests.streams import ARP_M, Sent, base_stream, data_of, every, position, without

Serve = Callable[..., Server]
TABLE = b"STR;HILL;Hill;RTCM 3.3;1005(10);2;GPS;CREW;ISL;0.0;0.0;0;0;x;none;B;N;9600;\r\n"
END = b"ENDSOURCETABLE\r\n"
HEALTHY = data_of(base_stream(60))


@pytest.fixture(autouse=True)
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Give up soon what cannot be opened."""
    monkeypatch.setattr(check_live, "GIVE_UP_S", 0.2)


def test_a_stream_that_a_rover_can_fix_with_is_a_go(
    run: Runner, serve: Serve, listening_time: ListeningTime
) -> None:
    server = serve(listening_time.sends(HEALTHY))
    done = run("check", address(server), "--duration", "1", "--date", "2026-03-04")
    assert done.code == 0
    assert done.out.startswith("GO - ")
    assert "last one " in done.out
    assert "rtcmtool record tcp://127.0.0.1" in " ".join(done.out.split())
    assert done.err.splitlines()[0] == f"Opening {address(server)} ..."
    assert "Listened 1 s ... done" in done.err


def test_the_document_holds_the_rules_and_nothing_else_is_printed(
    run: Runner, serve: Serve, listening_time: ListeningTime
) -> None:
    server = serve(listening_time.sends(HEALTHY))
    done = run("check", address(server), "--duration", "1", "--json")
    assert done.json["verdict"] == "go"
    assert done.json["exit_code"] == done.code == 0
    assert done.json["seconds"] == pytest.approx(1.0, abs=0.4)
    states = {rule["rule"]: rule for rule in done.json["rules"]}
    assert states["bytes_arrive"]["state"] == "ok"
    assert 0 < states["bytes_arrive"]["value"] < 2


def test_an_impossible_position_is_told_without_waiting(
    run: Runner, serve: Serve, listening_time: ListeningTime
) -> None:
    stream = base_stream(60, extras=[every(position((0.0, 0.0, 0.0)), 60, 10)])
    server = serve(listening_time.sends(data_of(stream)))
    done = run("check", address(server), "--duration", "60s")
    assert listening_time.passed_s < 8
    assert done.code == 1
    assert done.out.startswith("NO-GO - ")
    assert "more time cannot change the verdict" in done.err


def test_a_position_that_changes_is_told_without_waiting(
    run: Runner, serve: Serve, listening_time: ListeningTime
) -> None:
    x_m, y_m, z_m = ARP_M
    moved = every(position((x_m + 1.0, y_m, z_m)), 60, 60, first=30)
    stream = base_stream(60, extras=[every(position(), 30, 10), moved])
    server = serve(listening_time.sends(data_of(stream)))
    done = run("check", address(server), "--duration", "60s")
    assert listening_time.passed_s < 8
    assert done.code == 1
    assert "BAD    position steady" in done.out


def test_no_byte_is_a_no_go_with_code_4(
    run: Runner, serve: Serve, listening_time: ListeningTime
) -> None:
    done = run("check", address(serve(sends())), "--duration", "30s")
    assert listening_time.passed_s == pytest.approx(15.0, abs=1.0)
    assert done.code == 4
    assert done.out.startswith("NO-GO - nothing received on tcp://127.0.0.1:")
    assert "\n  do    " in done.out


@pytest.mark.usefixtures("listening_time")
def test_no_byte_makes_a_document_too(run: Runner, serve: Serve) -> None:
    done = run("check", address(serve(sends())), "--duration", "30s", "--json")
    assert done.code == done.json["exit_code"] == 4


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (GGA * 40, "lines starting with $"),
        (b"The base is in survey-in mode.\r\n" * 40, "this is text"),
        (bytes(range(256)) * 10, "another format"),
        (bytes(range(128, 228)), "so few bytes do not tell"),
    ],
)
def test_bytes_that_are_no_rtcm_are_told_apart(
    run: Runner, serve: Serve, listening_time: ListeningTime, content: bytes, words: str
) -> None:
    server = serve(listening_time.sends(content))
    done = run("check", address(server), "--duration", "0.6")
    assert done.code == 4
    assert f"sends data ({len(content):,} bytes) but no RTCM 3".replace(",", " ") in done.err
    assert words in done.err
    assert done.out == ""


@pytest.mark.slow
def test_a_host_that_refuses_is_given_up(run: Runner, refusing_port: int) -> None:
    done = run("check", f"tcp://127.0.0.1:{refusing_port}", "--json")
    assert done.code == done.json["exit_code"] == 3
    assert "refuses a connection" in done.err


@pytest.mark.slow
def test_a_host_that_is_not_known_is_given_up(run: Runner, monkeypatch: pytest.MonkeyPatch) -> None:
    def unknown(*arguments: object, **more: object) -> None:
        raise socket.gaierror(socket.EAI_NONAME, "Name or service not known")

    monkeypatch.setattr(socket, "getaddrinfo", unknown)
    done = run("check", "tcp://no-such-host.invalid:5015")
    assert done.code == 3
    assert "the name no-such-host.invalid cannot be found" in done.err


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (b"HTTP/1.1 401 Unauthorized\r\nWWW-Authenticate: Basic\r\n\r\n", "asks for a user"),
        (b"HTTP/1.1 404 Not Found\r\n\r\n", "has no stream MARSH"),
        (TABLE_HEAD + TABLE + END, "has no stream MARSH"),
        (b"HTTP/1.1 200 OK\r\nContent-Type: text/html\r\n\r\n<html>", "web page"),
        (b"ERROR - Bad Password\r\n", "refuses"),
        (b"220 mail.example ready\r\n", "no caster"),
    ],
)
def test_what_a_caster_refuses_is_said_at_once(
    run: Runner, serve: Serve, answer: bytes, words: str
) -> None:
    done = run("check", address(serve(answers(answer)), "ntrip", "/MARSH"))
    assert done.code == 3
    assert words in done.err


def test_a_caster_without_tls_is_told(run: Runner, serve: Serve) -> None:
    done = run("check", address(serve(sends(b"HTTP/1.1 400 Bad\r\n\r\n")), "ntrips", "/MARSH"))
    assert done.code == 3
    assert "TLS" in done.err


def test_a_stream_of_a_caster_is_judged_as_heard_on_the_network(
    run: Runner, serve: Serve, listening_time: ListeningTime
) -> None:
    server = serve(listening_time.sends(HEALTHY, is_caster=True))
    done = run("check", address(server, "ntrip", "/MARSH"), "--duration", "1", "--json")
    assert (done.json["verdict"], done.json["at"]) == ("go", "net")


def test_a_connection_that_is_half_open_is_silent(
    run: Runner, serve: Serve, listening_time: ListeningTime
) -> None:
    server = serve(listening_time.sends(HEALTHY[:5000]))
    done = run("check", address(server), "--duration", "6", "--json")
    rules = {rule["rule"]: rule for rule in done.json["rules"]}
    assert rules["bytes_arrive"]["state"] == "watch"
    assert rules["bytes_arrive"]["value"] > 5


@pytest.mark.slow
def test_a_burst_of_50_mb_is_judged_whole(
    run: Runner, serve: Serve, listening_time: ListeningTime
) -> None:
    whole = HEALTHY * (50_000_000 // len(HEALTHY))
    server = serve(listening_time.sends(whole))
    done = run("check", address(server), "--duration", "8", "--json")
    rules = {rule["rule"]: rule for rule in done.json["rules"]}
    assert rules["frames_whole"]["value"] == 0.0
    assert rules["frames_whole"]["values"]["frames"] > 100_000
    assert rules["foreign_bytes"]["values"]["foreign_bytes"] == 0


def test_a_file_is_not_listened_to(
    run: Runner, healthy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def not_wanted(*_: object) -> None:
        pytest.fail("it listens")

    monkeypatch.setattr(Listening, "run", not_wanted)
    assert run("check", healthy).code == 0
    refused = run("check", healthy, "--heard", "tcp://127.0.0.1:1")
    assert refused.code == 2


def heard_stream(is_lost: Callable[[Sent], bool]) -> bytes:
    return data_of(without(base_stream(60), is_lost))


@pytest.mark.parametrize(
    ("is_lost", "state", "words"),
    [
        (lambda sent: False, "ok", "frames heard at"),
        (lambda sent: sent.number == 1074 and sent.epoch % 2 == 0, "watch", "long, over 150 B"),
        (lambda sent: True, "bad", "nothing of"),
    ],
)
def test_both_ends_at_once_tell_what_the_air_lost(
    run: Runner,
    serve: Serve,
    listening_time: ListeningTime,
    is_lost: Callable[[Sent], bool],
    state: str,
    words: str,
) -> None:
    near = address(serve(listening_time.sends(HEALTHY, at_s=1.2)))
    far = address(serve(listening_time.sends(heard_stream(is_lost), at_s=1.4)))
    done = run("check", near, "--heard", far, "--duration", "12", "--json")
    rules = {rule["rule"]: rule for rule in done.json["rules"]}
    assert rules["radio_path"]["state"] == state
    assert words in rules["radio_path"]["text"]
    assert (done.code == 1) == (state == "bad")


def test_ends_that_are_mixed_up_are_told_with_what_to_do(
    run: Runner, serve: Serve, listening_time: ListeningTime
) -> None:
    listening_time.step_s = 0.1
    radio, base = (address(serve(listening_time.sends(HEALTHY, at_s=at_s))) for at_s in (1.5, 1.2))
    done = run("check", radio, "--heard", base, "--duration", "20", "--json")
    (rule,) = [rule for rule in done.json["rules"] if rule["rule"] == "radio_path"]
    assert rule["state"] == "unknown"
    assert "0.3 s before it is at" in rule["text"]
    assert rule["action"] == f"name the base first: rtcmtool check {base} --heard {radio}"


def test_the_line_that_the_air_cannot_be_seen_goes_away(
    run: Runner, serve: Serve, listening_time: ListeningTime
) -> None:
    pieces = [data_of(base_stream(10))] * 20
    near, far = (address(serve(listening_time.sends(*pieces, every_s=1.0))) for _ in range(2))
    done = run("check", near, "--heard", far, "--duration", "20")
    assert "radio path to rover" in done.out
    assert "cannot be seen from here" not in done.out


def checking(source: str, word: str) -> "subprocess.Popen[str]":
    """Start `check` as a process, and wait until it has told a word on the side."""
    process = subprocess.Popen(
        [sys.executable, "-m", "rtcmtool", "check", source],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stderr is not None
    assert any(word in line for line in process.stderr)
    return process


@pytest.mark.slow
def test_ctrl_c_ends_it_with_the_verdict_so_far(serve: Serve) -> None:
    has_read = threading.Event()

    def send(connection: socket.socket) -> None:
        connection.sendall(HEALTHY)
        until_read(connection)
        has_read.set()
        until_closed(connection)

    process = checking(address(serve(send)), "connected")
    assert has_read.wait(SAFETY_S)
    process.send_signal(2)
    out, err = process.communicate(timeout=SAFETY_S)
    assert process.returncode == 130
    assert out.startswith("GO - ")
    assert "Stopped after" in err


@pytest.mark.slow
def test_a_listening_that_was_too_short_is_told_to_be_longer(run: Runner, serve: Serve) -> None:
    source = address(serve(sends(data_of(base_stream(10)))))
    done = run("check", source, "--duration", "1s")
    assert done.code == 1
    assert done.out.startswith("CANNOT TELL - ")
    told = " ".join(done.out.split())
    assert f"Next listen longer: rtcmtool check {source} --duration 60s" in told


@pytest.mark.slow
def test_ctrl_c_before_the_source_is_open_gives_no_verdict(refusing_port: int) -> None:
    process = checking(f"tcp://127.0.0.1:{refusing_port}", "trying again")
    process.send_signal(2)
    out, err = process.communicate(timeout=SAFETY_S)
    assert (process.returncode, out) == (130, "")
    assert "was not open yet, so there is nothing to judge" in err


# ---- serial ports

if sys.platform != "win32":
    from tests.sources.test_serial_port import Line


@pytest.fixture
def line() -> Iterator["Line"]:
    opened = Line()
    yield opened
    opened.close()


@pytest.fixture
def talking(line: "Line") -> Iterator[Callable[[bytes], None]]:
    """Let a port talk until the test ends."""
    ending = threading.Event()
    threads: list[threading.Thread] = []
    os.set_blocking(line.end, False)

    def talk(data: bytes) -> None:
        def work() -> None:
            while not ending.wait(0.05):
                with contextlib.suppress(BlockingIOError):  # nobody reads any more
                    line.write(data)

        threads.append(threading.Thread(target=work))
        threads[0].start()

    yield talk
    ending.set()
    for thread in threads:
        thread.join()


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals")
@pytest.mark.slow
def test_the_rate_of_a_port_is_found_and_told(
    run: Runner, line: "Line", talking: Callable[[bytes], None], listening_time: ListeningTime
) -> None:
    listening_time.stands_until(lambda heard: heard.near.state.traffic.frames > 0)
    talking(data_of(base_stream(1)))
    done = run("check", line.device, "--duration", "2")
    assert "115200 baud, found by its frames" in done.err
    assert done.code == 1  # too short to tell


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals")
@pytest.mark.slow
def test_a_wrong_rate_is_suspected_where_one_was_given(
    run: Runner, line: "Line", talking: Callable[[bytes], None], listening_time: ListeningTime
) -> None:
    listening_time.stands_until(lambda heard: heard.near.size_bytes > 400)
    talking(bytes(range(100, 200)))
    done = run("check", line.device, "--baud", "9600", "--duration", "1")
    assert done.code == 4
    assert "at 9600 baud) but no RTCM 3" in done.err
    assert "leave out --baud" in done.err


def test_rates_that_were_tried_in_vain_are_named() -> None:
    source = SerialSource("COM5")
    source.unreadable_bytes = 2310
    error = no_rtcm(Ear(source))
    assert "COM5 sends data (2 310 bytes) but no RTCM 3." in str(error)
    assert "4800, 9600, 19200, 38400, 57600, 115200, 230400 or 460800 baud" in (error.why or "")


def test_a_port_that_is_not_there_ends_with_code_3(run: Runner) -> None:
    done = run("check", "/dev/ttyNOWHERE")
    assert done.code == 3
    assert "there is no port /dev/ttyNOWHERE" in done.err


@pytest.mark.parametrize(
    ("code", "words"),
    [(errno.EBUSY, "another program is using it"), (errno.EACCES, "may not be opened")],
)
def test_a_port_that_cannot_be_opened_ends_with_code_3(
    run: Runner, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, code: int, words: str
) -> None:
    device = tmp_path / "ttyBASE"
    device.touch()

    def refuse(self: SerialSource) -> Iterator[None]:
        yield from ()
        raise not_opened(str(device), OSError(code, os.strerror(code)))

    monkeypatch.setattr(SerialSource, "_open", refuse)
    done = run("check", "/dev/ttyBASE")
    assert done.code == 3
    assert words in done.err


# ---- words


@pytest.mark.parametrize(
    ("source", "words"),
    [
        (SerialSource("COM5"), "data cable"),
        (TcpListenSource("tcp-listen://:5015", "", 5015), "let the base connect"),
        (TcpSource("tcp://gate:5015", "gate", 5015), "switch on the sender"),
    ],
)
def test_silence_has_its_own_advice_for_each_kind_of_source(source, words: str) -> None:
    ear = Ear(source)
    ear.opened_s = 100.0
    error = nothing_came(ear, 115.2)
    assert str(error) == f"nothing received on {source.text} in 15 s"
    assert words in (error.do or "")


def test_the_tally_tells_a_silent_port_at_once() -> None:
    ear = Ear(SerialSource("COM5"))
    ear.opened_s = 100.0
    waiting = Listening(ear)
    waiting.now_s = 103.0
    assert tally_text(waiting).startswith("Listening, 57 s left: nothing for 3 s")


def test_the_tally_of_both_ends_fits_80_columns() -> None:
    ear, far = Ear(SerialSource("COM5")), Ear(SerialSource("COM7"))
    batch = StreamDecoder().feed_now(HEALTHY, 10**18)
    for each in (ear, far):
        each.opened_s, each.first_s, each.last_s = 100.0, 100.0, 122.5
        each.state.update(batch)
    both = Listening(ear, far)
    both.now_s = 123.0
    line = tally_text(both)
    assert line.startswith("37 s left: frames 2")
    assert "(far end 2" in line
    assert len(line) < 80
