"""Waiting that another thread or a signal handler can end at once."""

import select
import socket
from collections.abc import Sequence
from typing import Protocol


class StopRequestedError(Exception):
    """The source shall stop: ends the waiting inside this room, never seen outside."""


class HasDescriptor(Protocol):
    """A socket, a file or a port."""

    def fileno(self) -> int:
        """Give the descriptor to wait for."""


class Waker:
    """A pair of sockets: `stop` writes a byte to one end, and whoever waits looks at the other.

    No lock is used, so a signal handler may call `stop` whatever it has interrupted.
    """

    def __init__(self) -> None:
        self.is_stopped = False
        self._reader, self._writer = socket.socketpair()
        self._writer.setblocking(False)

    def stop(self) -> None:
        """End the present wait, and all later ones."""
        self.is_stopped = True
        try:
            self._writer.send(b"x")
        except OSError:  # closed already, or full of such bytes
            return

    def wait(
        self,
        seconds: float,
        read: Sequence[HasDescriptor | int] = (),
        write: Sequence[HasDescriptor | int] = (),
    ) -> bool:
        """Wait until one of the descriptors is ready.

        Returns
        -------
        bool
            False if the time ran out.

        Raises
        ------
        StopRequestedError
            If `stop` has been called.
        """
        if self.is_stopped:
            raise StopRequestedError
        readable, writable, broken = select.select(
            [self._reader, *read], write, write, max(seconds, 0.0)
        )
        if self.is_stopped:
            raise StopRequestedError
        return bool(readable or writable or broken)

    def close(self) -> None:
        """Give the sockets back."""
        self._reader.close()
        self._writer.close()
