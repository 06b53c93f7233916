"""A serial port behind the network: the server side of RFC 2217 that pyserial itself brings."""

import random
import socket
import threading
import time
from collections.abc import Callable, Iterable

import serial
from serial import rfc2217

SAFETY_S = 120.0


class FarPort:
    """A script for `Server`: a base talks at one rate; listened to at another it is noise.

    Attributes
    ----------
    rates : list of int
        At which it was listened to, one a piece of data.
    written : list of bytes
        What the listener sent to the base: nothing, if it only listens.
    """

    def __init__(self, rate: int, pieces: Iterable[bytes], every_s: float = 0.01) -> None:
        self.rate, self.pieces, self.every_s = rate, pieces, every_s
        self.rates: list[int] = []
        self.written: list[bytes] = []

    def __call__(self, connection: socket.socket) -> None:
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        device = serial.serial_for_url("loop://")  # only its settings and its lines are used
        opened = threading.Event()
        device.reset_output_buffer = opened.set  # the last that pyserial asks for when it opens
        manager = rfc2217.PortManager(device, _Writer(connection.sendall))
        gone = threading.Event()

        def listen() -> None:
            try:
                while data := connection.recv(1024):
                    if sent := b"".join(manager.filter(data)):
                        self.written.append(sent)
            except OSError:  # the listener has gone
                pass
            gone.set()
            opened.set()

        thread = threading.Thread(target=listen)
        thread.start()
        noise = random.Random(7)
        opened.wait(SAFETY_S)
        try:
            for piece in self.pieces:
                if gone.wait(self.every_s):
                    return
                self.rates.append(device.baudrate)
                heard = piece if device.baudrate == self.rate else noise.randbytes(len(piece))
                connection.sendall(b"".join(manager.escape(heard)))
            time.sleep(0.05)
            connection.shutdown(socket.SHUT_RDWR)
        finally:
            thread.join(SAFETY_S)


class _Writer:
    """What pyserial writes its answers to."""

    def __init__(self, write: Callable[[bytes], None]) -> None:
        self.write = write
