import signal
import socket
import struct
import threading
import time
from itertools import pairwise

import pytest

from rtcmtool.errors import SourceError
from rtcmtool.sources.base import NeverThereError, RefusedError
from rtcmtool.sources.network import TcpListenSource, TcpSource, UdpSource
from rtcmtool.sources.waker import Waker
from tests.sources.conftest import LESS_THAN_A_TICK_S, SAFETY_S, Reader, has, until_closed

HOST = "127.0.0.1"


def tcp(port: int, **more) -> TcpSource:
    return TcpSource(f"tcp://{HOST}:{port}", HOST, port, **more)


def reset(connection: socket.socket) -> None:
    """Close a connection by RST, as a crashed peer or a middle box does."""
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    connection.close()


def test_bytes_come_as_they_are_sent_with_the_time_of_now(serve) -> None:
    def send(connection: socket.socket) -> None:
        connection.sendall(b"\xd3\x00\x13")
        until_closed(connection)

    server = serve(send)
    before_ns = time.time_ns()
    reader = Reader(tcp(server.port)).read(has(3))
    assert reader.data == b"\xd3\x00\x13"
    assert before_ns <= reader.arrivals[0].utc_ns <= time.time_ns()
    assert reader.states == ["opened", "stopped"]


def test_chunks_carry_positions_and_times(serve) -> None:
    def send(connection: socket.socket) -> None:
        connection.sendall(b"abc")
        connection.recv(1)

    source = tcp(serve(send).port)
    chunks = source.chunks()
    chunk = next(chunks)
    assert (chunk.data, chunk.offsets.tolist(), len(chunk.utc_ns)) == (b"abc", [0], 1)
    source.stop()
    assert list(chunks) == []


@pytest.mark.slow
def test_silence_ticks_about_five_times_a_second(serve, monkeypatch) -> None:
    asked_s: list[float] = []
    wait = Waker.wait

    def noted(waker: Waker, seconds: float, *descriptors) -> bool:
        asked_s.append(seconds)
        return wait(waker, seconds, *descriptors)

    monkeypatch.setattr(Waker, "wait", noted)
    reader = Reader(tcp(serve(until_closed).port))
    began_s = time.monotonic()
    reader.read(lambda reader: reader.open_ticks >= 3)
    assert time.monotonic() - began_s > 0.5
    assert set(asked_s) == {0.2}  # how much later a wait ends depends on the machine
    assert reader.data == b""


@pytest.mark.slow
def test_a_byte_at_a_time_arrives_a_byte_at_a_time(serve) -> None:
    has_ticked = threading.Semaphore(1)  # the next byte comes a tick after the one before

    def send(connection: socket.socket) -> None:
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        for byte in b"\xd3\x00\x02":
            assert has_ticked.acquire(timeout=SAFETY_S)
            connection.sendall(bytes([byte]))
        until_closed(connection)

    ticks_after: dict[int, int] = {}  # by the bytes that had come

    def enough(reader: Reader) -> bool:
        before = ticks_after.setdefault(reader.size_bytes, reader.ticks)
        if reader.size_bytes and reader.ticks == before + 2:
            has_ticked.release()
        return reader.size_bytes >= 3

    reader = Reader(tcp(serve(send).port)).read(enough)
    assert [arrival.data for arrival in reader.arrivals] == [b"\xd3", b"\x00", b"\x02"]
    steps_ns = [b.utc_ns - a.utc_ns for a, b in pairwise(reader.arrivals)]
    assert all(step > 0.2e9 for step in steps_ns)
    assert reader.ticks >= 2


@pytest.mark.slow
def test_a_burst_of_fifty_megabytes_arrives_whole(serve) -> None:
    block = bytes(range(256)) * 4096  # 1 MiB

    def send(connection: socket.socket) -> None:
        for _ in range(50):
            connection.sendall(block)
        until_closed(connection)

    reader = Reader(tcp(serve(send).port)).read(has(50 * len(block)))
    assert reader.data == block * 50


def test_a_peer_that_resets_is_lost_and_found_again(serve, hand_clock) -> None:
    def first(connection: socket.socket) -> None:
        connection.sendall(b"one")
        connection.shutdown(socket.SHUT_WR)
        until_closed(connection)

    def second(connection: socket.socket) -> None:
        connection.sendall(b"two")
        until_closed(connection)

    def reset_once_open(connection: socket.socket) -> None:
        # A reset that overtakes the end of the connecting would be a refusal, not a loss.
        while reader.states.count("opened") < 2 and not server.is_closing:
            time.sleep(0.001)
        reset(connection)

    server = serve(first, reset_once_open, second)
    reader = Reader(tcp(server.port, clocks=hand_clock.clocks()))
    reader.read(has(6))
    assert reader.data == b"onetwo"
    assert reader.states == [
        *("opened", "lost", "retrying"),
        *("opened", "lost", "retrying"),
        *("opened", "stopped"),
    ]
    assert server.connections == 3


def test_waits_between_tries_grow_to_a_minute(hand_clock, refusing_port: int) -> None:
    reader = Reader(tcp(refusing_port, clocks=hand_clock.clocks()))
    reader.read(lambda reader: reader.states.count("retrying") >= 9)
    told = [status.text for status in reader.statuses if status.state.value == "retrying"]
    seconds = [int(text.split()[-2]) for text in told]
    assert seconds == [1, 2, 4, 8, 16, 32, 60, 60, 60]
    assert "refuses a connection" in reader.texts


def test_waits_are_longer_by_chance_so_that_not_all_come_back_at_once(
    hand_clock, refusing_port: int
) -> None:
    hand_clock.jitter = 1.0
    reader = Reader(tcp(refusing_port, clocks=hand_clock.clocks()))
    reader.read(lambda reader: reader.states.count("retrying") >= 5)
    began_s, told = hand_clock.now_s, reader.texts
    assert "trying again in 20 s" in told  # 16 s and a quarter more
    assert began_s - 1000.0 >= 1.25 * (1 + 2 + 4 + 8)


def test_waiting_ticks_so_that_the_silence_can_be_counted(hand_clock, refusing_port: int) -> None:
    reader = Reader(tcp(refusing_port, clocks=hand_clock.clocks()))
    reader.read(lambda reader: reader.states.count("retrying") >= 3)
    assert reader.ticks >= 15  # three seconds
    assert max(hand_clock.waits) <= 0.2


def test_a_source_that_stays_away_is_given_up(hand_clock, refusing_port: int) -> None:
    source = tcp(refusing_port, clocks=hand_clock.clocks(), give_up_after_s=60.0)
    with pytest.raises(SourceError, match="within 60 s") as caught:
        Reader(source).read()
    assert "refuses a connection" in (caught.value.why or "")
    assert 60.0 <= hand_clock.now_s - 1000.0 < 61.0


def test_a_connection_that_held_is_forgiven_its_earlier_failures(
    serve, hand_clock, quick_ticks
) -> None:
    def steady(connection: socket.socket) -> None:
        connection.sendall(b"a")
        until_closed(connection)

    source = tcp(serve(steady).port, clocks=hand_clock.clocks())
    source._wait_s = 32.0
    reader = Reader(source)

    began_s = hand_clock.now_s

    def later(reader: Reader) -> bool:
        if reader.data:
            hand_clock.now_s += 4.0
        return bool(hand_clock.now_s - began_s >= 16.0)

    reader.read(later)
    assert source._wait_s == 1.0


def test_a_connection_that_says_nothing_for_a_minute_is_made_anew(
    serve, hand_clock, quick_ticks
) -> None:
    server = serve(until_closed)
    reader = Reader(tcp(server.port, clocks=hand_clock.clocks()))

    def later(reader: Reader) -> bool:
        hand_clock.now_s += 40.0 if reader.is_open else 0.0
        return reader.states.count("opened") >= 2

    reader.read(later)
    assert "nothing came" in reader.texts
    assert server.connections == 2


def unknown_name(*arguments: object, **more: object) -> None:
    raise socket.gaierror(socket.EAI_NONAME, "Name or service not known")


def network_away(*arguments: object, **more: object) -> None:
    raise socket.gaierror(socket.EAI_AGAIN, "Temporary failure in name resolution")


def test_a_name_that_does_not_exist_is_told_at_once(hand_clock, monkeypatch) -> None:
    monkeypatch.setattr(socket, "getaddrinfo", unknown_name)
    source = TcpSource("tcp://base.invalid:5015", "base.invalid", 5015, clocks=hand_clock.clocks())
    with pytest.raises(NeverThereError, match=r"base\.invalid cannot be found") as caught:
        Reader(source).read()
    assert caught.value.why == "Name or service not known."
    assert "spelling" in (caught.value.do or "")
    assert hand_clock.waits == []


def test_a_name_service_that_is_away_is_waited_for(hand_clock, monkeypatch) -> None:
    monkeypatch.setattr(socket, "getaddrinfo", network_away)
    reader = Reader(tcp(1, clocks=hand_clock.clocks()))
    reader.read(lambda reader: reader.states.count("retrying") >= 3)
    assert "cannot be found: Temporary failure in name resolution." in reader.texts


def test_a_name_that_was_known_once_is_asked_for_again_soon(serve, hand_clock, monkeypatch) -> None:
    def send(connection: socket.socket) -> None:
        connection.sendall(b"one")

    known = socket.getaddrinfo
    reader = Reader(tcp(serve(send).port, clocks=hand_clock.clocks()))

    def enough(reader: Reader) -> bool:
        lost = "lost" in reader.states and reader.states.count("retrying") < 3
        monkeypatch.setattr(socket, "getaddrinfo", unknown_name if lost else known)
        return reader.size_bytes >= 6

    reader.read(enough)
    waits = [s.text for s in reader.statuses if s.state.value == "retrying"]
    assert waits[:3] == ["trying again in 1 s", "trying again in 2 s", "trying again in 4 s"]


def test_an_address_of_a_kind_that_this_computer_lacks_is_passed_over(serve, monkeypatch) -> None:
    known = socket.getaddrinfo

    def both(*arguments, **more):
        lacking = (socket.AddressFamily.AF_INET6, socket.SOCK_STREAM, 77_777, "", ("::1", 1, 0, 0))
        return [lacking, *known(*arguments, **more)]

    def send(connection: socket.socket) -> None:
        connection.sendall(b"one")
        until_closed(connection)

    server = serve(send)
    monkeypatch.setattr(socket, "getaddrinfo", both)
    assert Reader(tcp(server.port)).read(has(3)).data == b"one"


@pytest.mark.parametrize("seconds", [0.0, 0.05])
def test_a_stop_from_another_thread_works_at_once(serve, seconds: float, slow_ticks) -> None:
    source = tcp(serve(until_closed).port)
    timer = threading.Timer(seconds, source.stop)
    timer.start()
    began_s = time.monotonic()
    Reader(source).read()
    timer.join()
    assert time.monotonic() - began_s < LESS_THAN_A_TICK_S


@pytest.mark.skipif(not hasattr(signal, "SIGALRM"), reason="no such signal here")
def test_a_stop_from_a_signal_handler_works_at_once(serve, slow_ticks) -> None:
    source = tcp(serve(until_closed).port)
    old = signal.signal(signal.SIGALRM, lambda *_: source.stop())
    try:
        signal.setitimer(signal.ITIMER_REAL, 0.05)
        began_s = time.monotonic()
        Reader(source).read()
        assert time.monotonic() - began_s < LESS_THAN_A_TICK_S
    finally:
        signal.signal(signal.SIGALRM, old)


def test_a_stop_ends_the_wait_before_a_new_try(slow_ticks, refusing_port: int) -> None:
    source = tcp(refusing_port)
    source._wait_s = 60.0  # or the wait would soon end by itself
    timer = threading.Timer(0.05, source.stop)
    reader = Reader(source)
    keep = reader.statuses.append

    def on_status(status) -> None:
        keep(status)
        if status.state.value == "retrying":
            timer.start()

    source.on_status = on_status
    began_s = time.monotonic()
    reader.read()
    timer.join()
    assert time.monotonic() - began_s < LESS_THAN_A_TICK_S
    assert reader.states == ["note", "retrying", "stopped"]


def test_a_source_stopped_before_it_begins_gives_nothing(refusing_port: int) -> None:
    source = tcp(refusing_port)
    source.stop()
    assert Reader(source).read().arrivals == []


class AfterOpening:
    """Does something with the port as soon as the source is open."""

    def __init__(self, reader: Reader, action) -> None:
        self.reader, self.action, self.thread = reader, action, None
        keep = reader.statuses.append

        def on_status(status) -> None:
            keep(status)
            if status.state.value == "opened" and self.thread is None:
                port = getattr(reader.source, "bound_port")  # noqa: B009 - only listeners have it
                self.thread = threading.Thread(target=action, args=(port,))
                self.thread.start()

        reader.source.on_status = on_status

    def read(self, is_enough) -> Reader:
        self.reader.read(is_enough)
        assert self.thread is not None
        self.thread.join()
        return self.reader


def listening(**more) -> TcpListenSource:
    return TcpListenSource(f"tcp-listen://{HOST}:0", HOST, 0, **more)


def test_a_sender_that_calls_is_heard_and_so_is_the_next_one() -> None:
    def call(port: int) -> None:
        for word in (b"first", b"second"):
            with socket.create_connection((HOST, port)) as sender:
                sender.sendall(word)
                sender.shutdown(socket.SHUT_WR)
                until_closed(sender)

    reader = AfterOpening(Reader(listening()), call).read(has(11))
    assert reader.data == b"firstsecond"
    assert reader.states == ["opened", "opened", "lost", "opened", "stopped"]


def test_a_second_sender_is_turned_away_while_the_first_one_sends(hand_clock) -> None:
    refused: list[bytes] = []

    def call(port: int) -> None:
        with socket.create_connection((HOST, port)) as first:
            first.sendall(b"a")
            with socket.create_connection((HOST, port)) as second:
                refused.append(second.recv(1))
            first.sendall(b"b")
            until_closed(first)

    # The clock stands: the first one has not been silent for long, however slow the machine is.
    reader = AfterOpening(Reader(listening(clocks=hand_clock.clocks())), call).read(has(2))
    assert reader.data == b"ab"
    assert refused == [b""]
    assert "turned away" in reader.texts


def test_a_sender_that_dials_again_takes_the_place_of_its_silent_connection(hand_clock) -> None:
    reader = Reader(listening(clocks=hand_clock.clocks()))
    is_silent = threading.Event()

    def call(port: int) -> None:
        with socket.create_connection((HOST, port)) as first:
            first.sendall(b"a")
            is_silent.wait(SAFETY_S)
            with socket.create_connection((HOST, port)) as second:
                second.sendall(b"b")
                until_closed(second)

    def enough(reader: Reader) -> bool:
        if reader.data == b"a" and not is_silent.is_set():
            hand_clock.now_s += 6.0
            is_silent.set()
        return len(reader.data) >= 2

    AfterOpening(reader, call).read(enough)
    assert "takes its place" in reader.texts


def test_a_port_in_use_is_told_at_once() -> None:
    with socket.create_server((HOST, 0)) as other:
        port = other.getsockname()[1]
        source = TcpListenSource(f"tcp-listen://{HOST}:{port}", HOST, port)
        with pytest.raises(RefusedError, match="cannot be used") as caught:
            Reader(source).read()
    assert caught.value.why == "another program is using it."


def test_an_address_of_another_computer_cannot_be_listened_at() -> None:
    source = UdpSource("udp://192.0.2.1:5015", "192.0.2.1", 5015)
    with pytest.raises(RefusedError) as caught:
        Reader(source).read()
    assert "no address of this computer" in (caught.value.why or "")


def test_every_datagram_is_an_arrival_of_its_own() -> None:
    def send(port: int) -> None:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            for word in (b"one", b"", b"two", b"x" * 2000):
                sender.sendto(word, (HOST, port))

    source = UdpSource(f"udp://{HOST}:0", HOST, 0)
    reader = AfterOpening(Reader(source), send).read(has(2006))
    assert [arrival.data for arrival in reader.arrivals] == [b"one", b"two", b"x" * 2000]


@pytest.mark.parametrize("kind", [TcpListenSource, UdpSource])
def test_without_a_host_all_addresses_are_listened_at(
    kind: type[TcpListenSource | UdpSource], quick_ticks
) -> None:
    source = kind("udp://:0", "", 0)
    reader = Reader(source).read(lambda reader: reader.ticks >= 1)
    assert "all addresses" in reader.texts
