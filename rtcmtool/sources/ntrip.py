"""Bytes from a caster: the client of NTRIP revisions 1 and 2, with and without TLS."""

import socket
from collections.abc import Iterator

from rtcmtool.errors import SourceError
from rtcmtool.sources.base import Arrival, Clocks, LiveSource
from rtcmtool.sources.http_answer import AnswerReader
from rtcmtool.sources.network import receive
from rtcmtool.sources.ntrip_request import (
    CasterAddress,
    ask,
    collect_table,
    is_ready,
    no_mountpoint,
    refusal,
    send,
)
from rtcmtool.sources.position_line import Position, position_line

POSITION_EVERY_S = 10.0  # common practice: 5 to 60 s


class NtripSource(LiveSource):
    """Listens to a mountpoint of a caster.

    Parameters
    ----------
    text : str
        SOURCE as the user wrote it.
    address : CasterAddress
        Caster, mountpoint, TLS and credentials.
    revision : int, optional
        1 or 2; None finds out.
    position : Position, optional
        Sent at the start and every 10 s. Only for a stream that asks for it: others forbid it.
    clocks, give_up_after_s
        See `LiveSource`.
    """

    stall_s: float | None = 30.0  # half-open connections; trade-facts 7.4, a judgement

    def __init__(
        self,
        text: str,
        address: CasterAddress,
        *,
        revision: int | None = None,
        position: Position | None = None,
        clocks: Clocks | None = None,
        give_up_after_s: float | None = None,
    ) -> None:
        super().__init__(text, clocks=clocks, give_up_after_s=give_up_after_s)
        self.address = address
        self.revision = revision
        self.position = position
        self._connection: socket.socket | None = None
        self._reader = AnswerReader()
        self._first_body = b""
        self._position_due_s = 0.0
        self._answered_revision = revision

    def _open(self) -> Iterator[None]:
        assert self._waker is not None
        exchange = yield from ask(
            self.address, self._waker, self.clocks, revision=self.revision, gga=self._gga()
        )
        self._connection = exchange.connection  # from here on `_close` closes it
        answer = exchange.reader.answer
        if answer is not None:
            if error := refusal(self.address, answer):
                raise error
            if answer.is_sourcetable:
                table = yield from collect_table(exchange, self.address, self._waker, self.clocks)
                raise no_mountpoint(self.address, table)
        self.revision = exchange.revision
        # A caster of revision 1 may answer a request of 2 in its own way.
        self._answered_revision = 1 if exchange.reader.is_acknowledged else exchange.revision
        self._reader, self._first_body = exchange.reader, exchange.body
        self._position_due_s = self.clocks.monotonic()

    def _read(self, wait_s: float) -> list[Arrival]:
        assert self._connection is not None
        assert self._waker is not None
        if self._first_body:
            data, self._first_body = self._first_body, b""
            return [self._stamp(data)]
        self._send_position()
        if self._reader.is_broken:
            raise SourceError(
                f"{self.address.name} sends a broken stream.", why="a chunk has no length."
            )
        if self._reader.has_ended:
            raise SourceError(f"{self.address.name} has ended the stream.")
        if not is_ready(self._connection, wait_s, self._waker):
            return []
        received = receive(self._connection, self.address.name)
        data = self._reader.feed(received or b"")
        return [self._stamp(data)] if data else []

    def _close(self) -> None:
        self._first_body = b""
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def _gga(self) -> str | None:
        if self.position is None:
            return None
        return position_line(self.position, self.clocks.time_ns())

    def _send_position(self) -> None:
        """Send the position line when it is due."""
        gga = self._gga()
        if gga is None or self.clocks.monotonic() < self._position_due_s:
            return
        assert self._connection is not None
        assert self._waker is not None
        self._position_due_s = self.clocks.monotonic() + POSITION_EVERY_S
        line = f"{gga}\r\n".encode("ascii")
        for _ in send(self._connection, line, self.address.name, self._waker, self.clocks):
            continue

    def _opened_text(self) -> str:
        revision = f"revision {self._answered_revision}"
        kept = "encrypted" if self.address.tls is not None else revision
        return f"connected to {self.address.name}, stream {self.address.mountpoint} ({kept})"
