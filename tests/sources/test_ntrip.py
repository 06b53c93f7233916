import base64
import contextlib
import socket
import ssl
from pathlib import Path

import pytest

from rtcmtool.errors import SourceError
from rtcmtool.sources.base import RefusedError
from rtcmtool.sources.credentials import Credentials, Secret
from rtcmtool.sources.ntrip import NtripSource
from rtcmtool.sources.ntrip_request import CasterAddress, read_sourcetable
from rtcmtool.sources.position_line import Position
from tests.sources.conftest import Reader, has, read_request, until_closed
from tests.sources.localhost_certificate import CERTIFICATE, EXPIRED, KEY, OTHER_NAME

FRAME = bytes.fromhex("D300133ED7D30202980EDEEF34B4BD62AC0941986F33360B98")  # 1005, RTCM 10403
CHUNKED = (
    b"HTTP/1.1 200 OK\r\nNtrip-Version: Ntrip/2.0\r\nServer: NTRIP Example/1\r\n"
    b"Content-Type: gnss/data\r\nTransfer-Encoding: chunked\r\n\r\n"
)
TABLE = (
    b"STR;MARSH;Marsh Lane;RTCM 3.3;1005(10);2;GPS;CREW;GBR;51.5;-0.1;0;0;x;none;B;N;9600;\r\n"
    b"STR;HILL;Hill;RTCM 3.3;1005(10);2;GPS;CREW;GBR;51.5;-0.1;0;0;x;none;B;N;9600;\r\n"
    b"ENDSOURCETABLE\r\n"
)
WORD = "Sesam-öffne"


class Caster:
    """Answers each request with the bytes of its turn, and keeps the requests."""

    def __init__(self, serve, *answers: list[bytes] | bytes, stays_open: bool = True) -> None:
        self.requests: list[bytes] = []
        self.sent_later: list[bytes] = []
        self.answered = 0
        self.stays_open = stays_open
        scripts = [
            lambda connection, answer=answer: self._run(connection, answer) for answer in answers
        ]
        self.server = serve(*scripts)

    def _run(self, connection: socket.socket, answer: list[bytes] | bytes) -> None:
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.requests.append(read_request(connection))
        for piece in [answer] if isinstance(answer, bytes) else answer:
            connection.sendall(piece)
        self.answered += 1
        if self.stays_open:
            self.sent_later.append(until_closed(connection))

    def address(self, mountpoint: str = "MARSH", **more) -> CasterAddress:
        return CasterAddress("127.0.0.1", self.server.port, mountpoint, **more)

    def source(self, mountpoint: str = "MARSH", tls=None, credentials=None, **more) -> NtripSource:
        address = self.address(mountpoint, tls=tls, credentials=credentials)
        return NtripSource(f"{address.url}/{mountpoint}", address, **more)


def chunks(data: bytes, size: int) -> list[bytes]:
    pieces = [data[at : at + size] for at in range(0, len(data), size)]
    return [b"%x\r\n%b\r\n" % (len(piece), piece) for piece in pieces]


def test_revision_two_is_asked_as_the_standard_says(serve) -> None:
    caster = Caster(serve, CHUNKED + b"".join(chunks(FRAME, 25)))
    reader = Reader(caster.source()).read(has(25))
    assert reader.data == FRAME
    lines = caster.requests[0].decode().split("\r\n")
    assert lines[0] == "GET /MARSH HTTP/1.1"
    assert f"Host: 127.0.0.1:{caster.server.port}" in lines
    assert "Ntrip-Version: Ntrip/2.0" in lines
    assert any(line.startswith("User-Agent: NTRIP ") for line in lines)
    assert not any(line.startswith("Authorization") for line in lines)


@pytest.mark.parametrize("size", [1, 7, 24])
def test_chunk_borders_inside_frames_do_not_matter(serve, size: int) -> None:
    stream = CHUNKED + b"".join(chunks(FRAME * 3, size))
    pieces = [stream[at : at + 11] for at in range(0, len(stream), 11)]
    assert Reader(Caster(serve, pieces).source()).read(has(75)).data == FRAME * 3


def test_an_answer_of_revision_one_is_understood(serve) -> None:
    reader = Reader(Caster(serve, b"ICY 200 OK\r\n\r\n" + FRAME).source()).read(has(25))
    assert reader.data == FRAME
    # It was asked by revision 2 and answered by revision 1: that is what is told.
    assert any("(revision 1)" in status.text for status in reader.statuses)


def test_revision_one_is_asked_in_its_own_way(serve) -> None:
    caster = Caster(serve, b"ICY 200 OK\r\n" + FRAME)
    Reader(caster.source(revision=1)).read(has(25))
    assert caster.requests[0].startswith(b"GET /MARSH HTTP/1.0\r\nUser-Agent: NTRIP ")
    assert b"Ntrip-Version" not in caster.requests[0]


@pytest.mark.parametrize("answer", [b"HTTP/1.0 400 Bad Request\r\n\r\n", b""])
def test_a_caster_that_knows_only_revision_one_is_asked_again(serve, answer: bytes) -> None:
    caster = Caster(serve, answer, b"ICY 200 OK\r\n\r\n" + FRAME, stays_open=False)
    source = caster.source()
    Reader(source).read(has(25))
    assert [request.split()[2] for request in caster.requests[:2]] == [b"HTTP/1.1", b"HTTP/1.0"]
    assert source.revision == 1


def test_a_caster_that_says_yes_and_waits_for_its_base_is_open(
    serve, hand_clock, quick_ticks
) -> None:
    caster = Caster(serve, b"ICY 200 OK\r\n")
    reader = Reader(caster.source(clocks=hand_clock.clocks()))
    began_s = hand_clock.now_s

    def later(reader: Reader) -> bool:
        hand_clock.now_s += 0.25 if caster.answered else 0.0
        return "opened" in reader.states

    reader.read(later)
    assert reader.data == b""
    assert 1.0 <= hand_clock.now_s - began_s < 10.0


def test_user_and_password_go_out_in_basic_form_and_nowhere_else(serve, caplog) -> None:
    caplog.set_level(0)
    caster = Caster(serve, b"ICY 200 OK\r\n\r\n" + FRAME)
    reader = Reader(caster.source(credentials=Credentials("crew", Secret(WORD)))).read(has(25))
    expected = base64.b64encode(f"crew:{WORD}".encode())
    assert b"\r\nAuthorization: Basic " + expected + b"\r\n" in caster.requests[0]
    told = reader.texts + caplog.text + repr(vars(reader.source))
    assert WORD not in told
    assert expected.decode() not in told


@pytest.mark.parametrize(
    ("credentials", "expected"),
    [(None, "asks for a user"), (Credentials("crew", Secret(WORD)), "refuses user and password")],
)
def test_a_wrong_password_is_final_and_not_tried_again(serve, credentials, expected) -> None:
    answer = b'HTTP/1.0 401 Unauthorized\r\nWWW-Authenticate: Basic realm="x"\r\n\r\n'
    caster = Caster(serve, answer)
    with pytest.raises(RefusedError, match=expected) as caught:
        Reader(caster.source(credentials=credentials)).read()
    assert caught.value.exit_code == 3
    assert caught.value.do
    told = f"{caught.value} {caught.value.why} {caught.value.do}"
    assert WORD not in told
    assert "crew" not in told
    assert caster.server.connections == 1


def test_a_log_in_of_another_kind_is_told(serve) -> None:
    answer = b'HTTP/1.1 401 Unauthorized\r\nWWW-Authenticate: Digest realm="x"\r\n\r\n'
    with pytest.raises(RefusedError, match="Digest"):
        Reader(Caster(serve, answer).source()).read()


def test_an_unknown_stream_is_final_when_it_was_never_there(serve) -> None:
    caster = Caster(serve, b"HTTP/1.1 404 Not Found\r\n\r\n")
    with pytest.raises(RefusedError, match="no stream MARSH") as caught:
        Reader(caster.source()).read()
    assert "rtcmtool streams ntrip://127.0.0.1" in (caught.value.do or "")


@pytest.mark.parametrize(
    "head",
    [
        b"SOURCETABLE 200 OK\r\nContent-Type: text/plain\r\n\r\n",
        b"HTTP/1.1 200 OK\r\nContent-Type: gnss/sourcetable\r\n\r\n",
    ],
)
def test_a_source_table_instead_of_data_names_the_nearest_stream(serve, head: bytes) -> None:
    with pytest.raises(RefusedError, match="no stream MARCH") as caught:
        Reader(Caster(serve, [head, TABLE]).source("MARCH")).read()
    assert "did you mean MARSH?" in (caught.value.do or "")


@pytest.mark.parametrize(
    "head", [b"HTTP/1.1 401 Unauthorized", b"HTTP/1.1 403 Forbidden", b"HTTP/1.1 404 Not Found"]
)
def test_a_stream_that_goes_away_later_is_tried_again_but_seldom(
    serve, hand_clock, head: bytes
) -> None:
    def stream(connection: socket.socket) -> None:
        read_request(connection)
        connection.sendall(b"ICY 200 OK\r\n\r\n" + FRAME)

    def missing(connection: socket.socket) -> None:
        read_request(connection)
        connection.sendall(head + b"\r\n\r\n")

    server = serve(stream, missing, missing, stream)
    address = CasterAddress("127.0.0.1", server.port, "MARSH")
    reader = Reader(NtripSource("ntrip://x/MARSH", address, clocks=hand_clock.clocks()))
    reader.read(has(50))
    waits = [s.text for s in reader.statuses if s.state.value == "retrying"]
    assert waits == ["trying again in 1 s", "trying again in 60 s", "trying again in 60 s"]


@pytest.mark.parametrize(
    ("answer", "expected"),
    [
        (b"HTTP/1.1 200 OK\r\nContent-Type: text/html\r\n\r\n<html>", "web page"),
        (b"HTTP/1.1 302 Found\r\nLocation: http://login.example\r\n\r\n", "web page"),
        (b"ERROR - Bad Password\r\n", "refuses"),
        (b"ERROR - Bad Password", "refuses"),
        (b"\x15\x03\x03\x00\x02\x02\x46", "wants TLS"),
        (FRAME * 3, "no caster"),
    ],
)
def test_what_is_no_caster_is_told(serve, answer: bytes, expected: str) -> None:
    with pytest.raises(RefusedError, match=expected):
        Reader(Caster(serve, answer, stays_open=False).source()).read()


@pytest.mark.parametrize(
    "answer",
    [
        b"ERROR - no such user crew, password %b\r\n",
        b"HTTP/1.1 503 no %b for crew (Basic Y3Jldzpz)\r\n\r\n",
        b"who is crew:%b?\r\n",
    ],
)
def test_what_a_caster_gives_back_of_user_and_password_is_blotted_out(serve, answer) -> None:
    word = "s"
    credentials = Credentials("crew", Secret(word))
    answer %= word.encode()
    caster = Caster(serve, answer, stays_open=False)
    with pytest.raises(SourceError) as caught:
        Reader(caster.source(credentials=credentials, give_up_after_s=0.0)).read()
    assert "***" in (caught.value.why or "")
    assert "crew" not in (caught.value.why or "")
    assert "Y3Jldzpz" not in (caught.value.why or "")


def test_a_busy_caster_is_tried_again(serve, hand_clock) -> None:
    busy = b"HTTP/1.1 503 Service Unavailable\r\n\r\n"
    caster = Caster(serve, busy, b"ICY 200 OK\r\n\r\n" + FRAME)
    reader = Reader(caster.source(clocks=hand_clock.clocks())).read(has(25))
    assert "503 Service Unavailable" in reader.texts


def test_the_end_of_a_chunked_stream_is_a_loss(serve, hand_clock) -> None:
    ended = CHUNKED + b"".join(chunks(FRAME, 25)) + b"0\r\n\r\n"
    reader = Reader(Caster(serve, ended).source(clocks=hand_clock.clocks())).read(has(50))
    assert "has ended the stream" in reader.texts


def test_a_broken_chunk_is_a_loss(serve, hand_clock) -> None:
    broken = CHUNKED + b"5\r\nhello\r\n\xd3\x00\r\n"
    reader = Reader(Caster(serve, broken).source(clocks=hand_clock.clocks()))
    reader.read(lambda reader: "lost" in reader.states)
    assert "broken stream" in reader.texts


def test_a_half_open_connection_is_made_anew(serve, hand_clock, quick_ticks) -> None:
    caster = Caster(serve, b"ICY 200 OK\r\n\r\n" + FRAME)
    reader = Reader(caster.source(clocks=hand_clock.clocks()))

    def later(reader: Reader) -> bool:
        hand_clock.now_s += 16.0 if reader.data and reader.is_open else 0.0
        return reader.states.count("opened") >= 2

    reader.read(later)
    assert "for 30 s" in reader.texts


def test_the_position_goes_out_at_once_and_every_ten_seconds(
    serve, hand_clock, quick_ticks
) -> None:
    caster = Caster(serve, CHUNKED)
    position = Position(51.5, -0.12, 30.0)
    reader = Reader(caster.source(clocks=hand_clock.clocks(), position=position))

    def later(reader: Reader) -> bool:
        hand_clock.now_s += 2.0 if reader.is_open else 0.0
        return reader.open_ticks >= 12  # 24 s: at 0, 10 and 20 s

    reader.read(later)
    caster.server.close()
    assert b"\r\nNtrip-GGA: $GPGGA," in caster.requests[0]
    lines = caster.sent_later[0].split(b"\r\n")
    assert len(lines) == 4
    assert lines[-1] == b""
    assert all(line.startswith(b"$GPGGA,") and b",5130.0000,N," in line for line in lines[:-1])


def test_without_a_position_nothing_is_sent_behind_the_request(serve, quick_ticks) -> None:
    caster = Caster(serve, CHUNKED)
    Reader(caster.source()).read(lambda reader: reader.open_ticks >= 5)
    caster.server.close()
    assert caster.sent_later == [b""]


@pytest.fixture
def encrypting(serve, tmp_path: Path):
    """Give a maker of servers with TLS that send frames."""

    def make(certificate: str):
        for name, text in (("key", KEY), ("certificate", certificate)):
            (tmp_path / name).write_text(text)
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(tmp_path / "certificate", tmp_path / "key")

        def answer(connection: socket.socket) -> None:
            with (
                contextlib.suppress(ssl.SSLError),
                context.wrap_socket(connection, server_side=True) as secured,
            ):
                read_request(secured)
                secured.sendall(b"ICY 200 OK\r\n\r\n" + FRAME * 1000)
                until_closed(secured)

        return serve(answer)

    return make


@pytest.fixture
def encrypted(encrypting):
    """Give a server with TLS that sends frames."""
    return encrypting(CERTIFICATE)


def secured_source(server, tls: ssl.SSLContext) -> NtripSource:
    address = CasterAddress("localhost", server.port, "MARSH", tls)
    return NtripSource("ntrips://localhost/MARSH", address)


def test_a_stream_comes_through_tls(encrypted) -> None:
    trusting = ssl.create_default_context(cadata=CERTIFICATE)
    reader = Reader(secured_source(encrypted, trusting)).read(has(25_000))
    assert reader.data == FRAME * 1000
    assert "encrypted" in reader.texts


@pytest.mark.parametrize(
    ("certificate", "trusted", "why", "do"),
    [
        (CERTIFICATE, None, "self-signed certificate.", "SSL_CERT_FILE"),
        (EXPIRED, EXPIRED, "certificate has expired.", "date of this computer"),
        (OTHER_NAME, OTHER_NAME, "not valid for 'localhost'.", "write the host name"),
    ],
)
def test_a_certificate_that_does_not_hold_is_refused(
    encrypting, certificate: str, trusted: str | None, why: str, do: str
) -> None:
    tls = ssl.create_default_context(cadata=trusted)
    with pytest.raises(RefusedError, match="certificate of localhost cannot be trusted") as caught:
        Reader(secured_source(encrypting(certificate), tls)).read()
    assert (caught.value.why or "").endswith(why)
    assert do in (caught.value.do or "")


def test_a_peer_that_never_greets_may_not_speak_tls(serve, hand_clock, quick_ticks) -> None:
    server = serve(until_closed)
    source = secured_source(server, ssl.create_default_context())
    source.clocks, source.give_up_after_s = hand_clock.clocks(), 0.0

    def later(reader: Reader) -> bool:
        hand_clock.now_s += 1.0 if server.connections else 0.0  # connecting has no hurry
        return False

    with pytest.raises(SourceError) as caught:
        Reader(source).read(later)
    assert "did not finish the TLS greeting in 10 s" in (caught.value.why or "")
    assert "ntrip://" in (caught.value.do or "")


def test_a_port_without_tls_is_told(serve) -> None:
    server = serve(lambda connection: connection.sendall(b"ICY 200 OK\r\n\r\n" + FRAME))
    with pytest.raises(RefusedError, match="does not speak TLS") as caught:
        Reader(secured_source(server, ssl.create_default_context())).read()
    assert "ntrip://" in (caught.value.do or "")


@pytest.mark.parametrize(
    "head",
    [
        b"SOURCETABLE 200 OK\r\nContent-Type: text/plain\r\nContent-Length: 999\r\n\r\n",
        b"HTTP/1.1 200 OK\r\nContent-Type: gnss/sourcetable\r\n\r\n",
    ],
)
def test_the_source_table_is_fetched(serve, head: bytes) -> None:
    caster = Caster(serve, [head, TABLE])
    table = read_sourcetable(caster.address())
    assert [stream.mountpoint for stream in table.streams] == ["MARSH", "HILL"]
    assert table.is_complete
    assert caster.requests[0].startswith(b"GET / HTTP/1.1\r\n")


def test_a_chunked_source_table_is_fetched(serve) -> None:
    head = CHUNKED.replace(b"gnss/data", b"gnss/sourcetable")
    caster = Caster(serve, [head, *chunks(TABLE, 33), b"0\r\n\r\n"])
    assert len(read_sourcetable(caster.address()).streams) == 2


def test_a_caster_that_is_not_there_is_told_when_the_table_is_asked(refusing_port: int) -> None:
    with pytest.raises(SourceError, match="refuses a connection"):
        read_sourcetable(CasterAddress("127.0.0.1", refusing_port))
