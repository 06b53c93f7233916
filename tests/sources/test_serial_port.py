import errno
import fcntl
import os
import random
import signal
import struct
import subprocess
import sys
import termios
import time
import tty
from pathlib import Path

import pytest
import serial
from serial.tools import list_ports

from rtcmtool.errors import SourceError, UsageError
from rtcmtool.sources import port_holders, ports
from rtcmtool.sources.base import RefusedError
from rtcmtool.sources.serial_port import SerialSource
from tests.sources.conftest import LESS_THAN_A_TICK_S, SAFETY_S, Reader, has

FRAME = bytes.fromhex("D300133ED7D30202980EDEEF34B4BD62AC0941986F33360B98")  # 1005, RTCM 10403


class Line:
    """A pseudo-terminal: what is written to one end comes out of a device at the other."""

    def __init__(self) -> None:
        self.end, self._device_end = os.openpty()
        tty.setraw(self._device_end)
        self.device = os.ttyname(self._device_end)

    def write(self, data: bytes) -> None:
        os.write(self.end, data)

    def settle(self, count: int) -> None:
        """Wait until so many bytes can be read at the device: the system hands them on later."""
        due_s = time.monotonic() + SAFETY_S
        while self.waiting_bytes() < count:
            assert time.monotonic() < due_s, f"{self.waiting_bytes()} of {count} bytes came"
            time.sleep(0.0001)

    def waiting_bytes(self) -> int:
        """Give how many bytes can be read at the device."""
        answer = fcntl.ioctl(self._device_end, termios.FIONREAD, bytes(4))
        return int(struct.unpack("i", answer)[0])

    def rate(self) -> int:
        """Give the rate that the device is set to, as a code of the system."""
        return int(termios.tcgetattr(self.end)[5])

    def close(self) -> None:
        for descriptor in {self.end, self._device_end} - {-1}:
            os.close(descriptor)
        self.end = self._device_end = -1

    def close_device(self) -> None:
        """Let go of the device, for another process that will be its only reader."""
        os.close(self._device_end)
        self._device_end = -1

    def unplug(self) -> None:
        """Take the other end away: the device then fails."""
        os.close(self.end)
        self.end = -1


@pytest.fixture
def line(monkeypatch):
    opened = Line()
    # The test itself holds the device's end open, or it would not be there yet.
    yield opened
    opened.close()


@pytest.fixture
def on_open():
    """Give a way to act once a source is open: bytes that came before are thrown away."""

    def arrange(reader: Reader, *actions) -> Reader:
        left = list(actions)
        keep = reader.statuses.append

        def on_status(status) -> None:
            keep(status)
            if status.state.value == "opened" and left:
                left.pop(0)()

        reader.source.on_status = on_status
        return reader

    return arrange


def test_bytes_come_as_they_are_sent(line: Line, on_open) -> None:
    reader = Reader(SerialSource(line.device, baud=9600))
    on_open(reader, lambda: line.write(bytes(range(256)))).read(has(256))
    assert reader.data == bytes(range(256))
    assert "9600 baud" in reader.texts
    assert reader.states == ["opened", "stopped"]


def test_the_rate_is_set_on_the_device(line: Line, on_open) -> None:
    rates: list[int] = []
    reader = Reader(SerialSource(line.device, baud=19200))
    on_open(reader, lambda: rates.append(line.rate()), lambda: None)
    reader.read(lambda reader: bool(rates))
    assert rates == [termios.B19200]


def test_a_device_that_vanishes_is_lost_and_heard_again_when_it_is_back(
    line: Line, on_open, tmp_path, hand_clock
) -> None:
    second = Line()
    link = tmp_path / "ttyBASE"
    link.symlink_to(line.device)

    def unplug() -> None:
        line.write(b"one")

    reader = Reader(SerialSource(str(link), baud=9600, clocks=hand_clock.clocks()))
    on_open(reader, unplug, lambda: second.write(b"two"))

    def enough(reader: Reader) -> bool:
        if reader.data == b"one" and line.end >= 0:
            line.unplug()
        if reader.states.count("retrying") == 2 and link.resolve() != second.device:
            link.unlink(missing_ok=True)
            link.symlink_to(second.device)
        elif "lost" in reader.states and reader.states.count("retrying") < 2:
            link.unlink(missing_ok=True)
        return reader.size_bytes >= 6

    try:
        reader.read(enough)
    finally:
        second.close()
    assert reader.data == b"onetwo"
    assert "is gone" in reader.texts
    assert "there is no port" in reader.texts
    assert reader.states.count("opened") == 2


def test_a_port_that_is_not_there_is_final_and_names_those_that_are(monkeypatch) -> None:
    there = [ports.SerialPort("/dev/ttyUSB7", "USB serial")]
    monkeypatch.setattr(ports, "serial_ports", lambda: there)
    with pytest.raises(RefusedError, match="there is no port /dev/ttyNOWHERE") as caught:
        Reader(SerialSource("/dev/ttyNOWHERE")).read()
    assert caught.value.exit_code == 3
    assert "/dev/ttyUSB7" in (caught.value.do or "")


def test_a_port_that_another_process_holds_names_the_process(line: Line) -> None:
    script = (
        "import os, sys; os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY); "
        "print(flush=True); sys.stdin.read()"
    )
    command = [sys.executable, "-c", script, line.device]
    other = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    try:
        assert other.stdout is not None
        other.stdout.readline()
        with pytest.raises(RefusedError, match="cannot be opened") as caught:
            Reader(SerialSource(line.device, baud=9600)).read()
        assert f"process {other.pid}" in str(caught.value)
        assert "python" in str(caught.value)
    finally:
        other.send_signal(signal.SIGKILL)
        other.communicate()


def test_the_program_that_made_a_pseudo_terminal_is_no_reader_of_it(line: Line) -> None:
    script = (
        "import os, tty; ours, theirs = os.openpty(); tty.setraw(theirs); "
        "print(os.ttyname(theirs), flush=True); input()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", script], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as maker:
        assert maker.stdout is not None
        device = maker.stdout.readline().strip()
        assert port_holders.holder_of(device) is None
        source = SerialSource(device, baud=9600)
        assert "opened" in Reader(source).read(lambda reader: "opened" in reader.states).states
        maker.kill()


def test_a_port_that_is_locked_is_in_use(line: Line) -> None:
    descriptor = os.open(line.device, os.O_RDWR | os.O_NOCTTY)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        with pytest.raises(RefusedError, match="is using it"):
            Reader(SerialSource(line.device, baud=9600)).read()
    finally:
        os.close(descriptor)


def test_the_port_is_locked_while_it_is_open(line: Line, on_open) -> None:
    failures: list[int | None] = []

    def open_again() -> None:
        try:
            Reader(SerialSource(line.device, baud=9600)).read()
        except SourceError as error:
            failures.append(error.exit_code)

    reader = on_open(Reader(SerialSource(line.device, baud=9600)), open_again)
    reader.read(lambda reader: bool(failures))
    assert failures == [3]


def test_a_permission_error_names_the_group_that_owns_the_device(monkeypatch, tmp_path) -> None:
    class FakeStatus:
        st_gid, st_mode = 12345678, 0o020660

    device = tmp_path / "ttyBASE"
    device.touch()
    monkeypatch.setattr(Path, "stat", lambda self: FakeStatus)
    monkeypatch.setattr(Path, "exists", lambda self: True)
    error = ports.not_opened(str(device), PermissionError(errno.EACCES, "Permission denied"))
    assert isinstance(error, RefusedError)
    assert "may not be opened by this user" in str(error)
    assert error.why == "the port belongs to group 12345678."
    assert "12345678 $USER" in (error.do or "")


def test_a_device_that_only_its_owner_may_open_is_told_so(monkeypatch) -> None:
    class FakeStatus:
        st_gid, st_mode = 12345678, 0o020600

    monkeypatch.setattr(Path, "stat", lambda self: FakeStatus)
    monkeypatch.setattr(Path, "exists", lambda self: True)
    error = ports.not_opened("/dev/ttyBASE", PermissionError(errno.EACCES, "Permission denied"))
    assert "only its owner" in (error.why or "")


def test_a_device_that_is_no_serial_port_is_told() -> None:
    with pytest.raises(RefusedError, match="is no serial port"):
        Reader(SerialSource("/dev/null", baud=9600)).read()


def test_an_impossible_url_is_wrong_use() -> None:
    with pytest.raises(UsageError):
        Reader(SerialSource("loop://?nonsense=1")).read()


def test_a_stop_while_the_port_is_silent_works(line: Line, on_open, slow_ticks) -> None:
    source = SerialSource(line.device, baud=9600)
    reader = on_open(Reader(source), source.stop)
    began_s = time.monotonic()
    assert reader.read().states == ["opened", "stopped"]
    assert time.monotonic() - began_s < LESS_THAN_A_TICK_S


def test_a_pyserial_address_that_does_not_answer_is_tried_again(hand_clock) -> None:
    source = SerialSource("socket://127.0.0.1:1", clocks=hand_clock.clocks(), give_up_after_s=5.0)
    with pytest.raises(SourceError, match="within 5 s"):
        Reader(source).read()


class Sender:
    """Sends what a receiver at one rate would: garbage while the device listens at another."""

    def __init__(self, line: Line, rate: int) -> None:
        self.line = line
        self.code = getattr(termios, f"B{rate}")
        self.noise = random.Random(5)

    def send(self, is_at_rate: bytes, garbage_bytes: int = 250) -> int:
        """Send one of both, and give how many bytes it was."""
        is_heard = self.line.rate() == self.code
        data = is_at_rate if is_heard else self.noise.randbytes(garbage_bytes)
        self.line.write(data)
        return len(data)


def hunt(line: Line, hand_clock, rate: int, good: bytes, enough) -> Reader:
    sender = Sender(line, rate)
    reader = Reader(SerialSource(line.device, clocks=hand_clock.clocks()))

    def each(reader: Reader) -> bool:
        hand_clock.now_s += 1.0
        if not enough(reader):
            # All of it is there before the source reads on, or changes its rate.
            line.settle(line.waiting_bytes() + sender.send(good))
            return False
        return True

    return reader.read(each)


def test_the_rate_is_found_and_nothing_heard_at_wrong_ones_is_handed_on(
    line: Line, hand_clock, quick_ticks
) -> None:
    reader = hunt(line, hand_clock, 38400, FRAME, has(50))
    source = reader.source
    assert isinstance(source, SerialSource)
    assert source.baud == 38400
    assert set(reader.data) <= set(FRAME)
    assert reader.data.startswith(FRAME)
    assert "38400 baud, found by its frames" in reader.texts
    assert "none readable; trying 57600" in reader.texts
    assert source.unreadable_bytes >= 400


def test_an_unknown_stream_is_handed_on_after_one_round(
    line: Line, hand_clock, quick_ticks
) -> None:
    reader = hunt(line, hand_clock, 50, b"", lambda reader: reader.size_bytes >= 250)
    assert reader.texts.count("none readable; trying") == 8
    assert "none are readable at 4800, 9600, 19200, " in reader.texts
    source = reader.source
    assert isinstance(source, SerialSource)
    assert source.baud is None


def test_an_unreadable_stream_fills_no_log_however_long_it_lasts(
    line: Line, hand_clock, quick_ticks
) -> None:
    reader = hunt(line, hand_clock, 50, b"", lambda reader: reader.size_bytes >= 12_000)
    assert reader.states.count("note") == 9


def test_a_rate_that_was_given_is_doubted_when_nothing_is_readable(
    line: Line, hand_clock, quick_ticks
) -> None:
    reader = Reader(SerialSource(line.device, baud=9600, clocks=hand_clock.clocks()))

    def each(reader: Reader) -> bool:
        hand_clock.now_s += 1.0
        line.write(random.Random(reader.size_bytes).randbytes(100))
        return reader.size_bytes >= 3000

    reader.read(each)
    assert reader.states.count("note") == 1
    assert "bytes at 9600 baud, none readable" in reader.texts
    assert "usual rates are 4800, 19200, 38400, 57600, 115200, " in reader.texts


def test_silence_never_changes_the_rate(line: Line, hand_clock, quick_ticks) -> None:
    reader = Reader(SerialSource(line.device, clocks=hand_clock.clocks()))

    def each(reader: Reader) -> bool:
        hand_clock.now_s += 10.0
        return reader.ticks >= 10

    reader.read(each)
    assert "readable" not in reader.texts


def test_a_found_rate_is_kept_when_the_port_is_opened_again(
    line: Line, hand_clock, quick_ticks
) -> None:
    reader = hunt(line, hand_clock, 57600, FRAME, has(25))
    again = Reader(reader.source)
    again.source._is_stopped = False
    again.read(lambda reader: "opened" in reader.states)
    assert "open at 57600 baud" in again.texts


def test_the_serial_ports_are_listed_in_the_order_of_their_numbers(monkeypatch) -> None:
    from serial.tools.list_ports_common import ListPortInfo

    found = []
    for device, description, vendor in (
        ("/dev/ttyS0", "n/a", None),
        ("/dev/ttyUSB10", "USB serial", 0x1234),
        ("/dev/ttyUSB2", "ttyUSB2", 0x1234),
    ):
        port = ListPortInfo(device)
        port.description, port.vid = description, vendor
        found.append(port)
    monkeypatch.setattr(list_ports, "comports", lambda: found)
    assert ports.serial_ports() == [
        ports.SerialPort("/dev/ttyUSB2", ""),
        ports.SerialPort("/dev/ttyUSB10", "USB serial"),
        ports.SerialPort("/dev/ttyS0", ""),
    ]


def test_pyserial_is_the_library_that_opens_ports() -> None:
    assert issubclass(serial.SerialException, OSError)
