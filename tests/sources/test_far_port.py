"""Serial ports behind pyserial's addresses: through the network, and those that are not there."""

import random
import socket
import time
from itertools import repeat

import pytest

from rtcmtool.errors import SourceError
from rtcmtool.sources.base import NeverThereError, RefusedError
from rtcmtool.sources.serial_port import SerialSource
from tests.sources.conftest import LESS_THAN_A_TICK_S, Reader, has, until_closed
from tests.sources.far_port import FarPort

FRAME = bytes.fromhex("D300133ED7D30202980EDEEF34B4BD62AC0941986F33360B98")  # 1005, RTCM 10403


@pytest.mark.slow
def test_a_pyserial_address_is_read_from_its_first_byte(serve) -> None:
    def send(connection) -> None:
        connection.sendall(FRAME * 2000)
        until_closed(connection)

    source = SerialSource(f"socket://127.0.0.1:{serve(send).port}")
    assert Reader(source).read(has(50_000)).data == FRAME * 2000


PATIENT = "?timeout=120"  # of pyserial itself, in seconds: for each of its questions
# pyserial starts its threads in a way that Python no longer likes, and leaves the closing of a
# socket that was closed from the other end to the collection of garbage.
far_ports = pytest.mark.filterwarnings("ignore:set(Daemon|Name)", "ignore:unclosed <socket")


@far_ports
@pytest.mark.slow
def test_a_port_behind_the_network_is_set_to_its_rate_and_nothing_is_sent_to_the_base(
    serve,
) -> None:
    far = FarPort(57600, [bytes(range(256))] * 20)
    source = SerialSource(f"rfc2217://127.0.0.1:{serve(far).port}{PATIENT}", baud=57600)
    reader = Reader(source).read(has(256 * 10))
    assert reader.data.startswith(bytes(range(256)) * 10)
    assert set(far.rates) == {57600}
    assert far.written == []


@far_ports
@pytest.mark.slow
def test_the_rate_of_a_port_behind_the_network_is_found(serve) -> None:
    far = FarPort(38400, repeat(FRAME * 40))  # for as long as it is listened to
    source = SerialSource(f"rfc2217://127.0.0.1:{serve(far).port}{PATIENT}")
    reader = Reader(source).read(has(500))
    assert "38400 baud, found by its frames" in reader.texts


@far_ports
@pytest.mark.slow
def test_a_port_behind_the_network_that_breaks_off_is_lost_with_all_its_bytes_read(serve) -> None:
    sent = random.Random(3).randbytes(40_000)
    far = FarPort(9600, [sent])
    source = SerialSource(f"rfc2217://127.0.0.1:{serve(far).port}{PATIENT}", baud=9600)
    reader = Reader(source).read(lambda reader: "lost" in reader.states)
    assert reader.data == sent
    assert "the connection to rfc2217://127.0.0.1" in reader.texts


@far_ports
@pytest.mark.slow
def test_a_port_behind_the_network_that_does_not_answer_can_be_stopped_at_once(
    serve, quick_ticks
) -> None:
    source = SerialSource(f"rfc2217://127.0.0.1:{serve(until_closed).port}{PATIENT}", baud=9600)
    reader = Reader(source)
    began_s = time.monotonic()
    reader.read(lambda reader: reader.ticks >= 2)  # it ticks while it opens, too
    assert time.monotonic() - began_s < LESS_THAN_A_TICK_S
    assert reader.states == ["stopped"]


@far_ports
@pytest.mark.slow
def test_what_does_not_speak_rfc_2217_is_told(serve) -> None:
    source = SerialSource(  # it never answers: pyserial need not wait its three seconds
        f"rfc2217://127.0.0.1:{serve(until_closed).port}?timeout=0.1",
        baud=9600,
        give_up_after_s=0.0,
    )
    with pytest.raises(SourceError) as caught:
        Reader(source).read()
    assert "does not speak RFC 2217" in (caught.value.why or "")
    assert "tcp://" in (caught.value.do or "")


def test_a_half_open_connection_to_a_far_port_is_made_anew(serve, hand_clock, quick_ticks) -> None:
    server = serve(until_closed)
    reader = Reader(SerialSource(f"socket://127.0.0.1:{server.port}", clocks=hand_clock.clocks()))

    def later(reader: Reader) -> bool:
        hand_clock.now_s += 40.0 if reader.is_open else 0.0
        return reader.states.count("opened") >= 2

    reader.read(later)
    assert "for 60 s" in reader.texts


@pytest.mark.parametrize("text", ["hwgrep://no such port", "spy:///dev/ttyNOWHERE"])
def test_an_address_of_a_port_that_is_not_there_is_final(text: str) -> None:
    with pytest.raises(RefusedError, match="there is no port"):
        Reader(SerialSource(text)).read()


def test_an_address_without_a_name_that_is_known_is_final(monkeypatch) -> None:
    def unknown(*arguments: object, **more: object) -> None:
        raise socket.gaierror(socket.EAI_NONAME, "Name or service not known")

    monkeypatch.setattr(socket, "getaddrinfo", unknown)
    with pytest.raises(NeverThereError, match=r"box\.invalid cannot be found"):
        Reader(SerialSource("socket://box.invalid:4000")).read()


def test_a_loop_is_silent(quick_ticks) -> None:
    reader = Reader(SerialSource("loop://")).read(lambda reader: reader.ticks >= 3)
    assert reader.states == ["opened", "stopped"]
