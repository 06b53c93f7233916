"""Ways from a simulated base to a recorder: a serial line, TCP, and NTRIP through a small caster.

Each notes what went over it and when, and can be cut and made whole again. No threads: whoever
plays the base calls `attend` a few times a second.
"""

import time
from abc import abstractmethod
from dataclasses import dataclass
from pathlib import Path

from small_caster import HOST, MOUNTPOINT, Caster

from rtcmtool.gnss.time import NS_PER_MS
from rtcmtool.simulation.outputs import PseudoTerminal, Target, TcpListen, Tell

_PORT_SETTLES_NS = 100 * NS_PER_MS  # who opens a serial port throws away what waits in it


@dataclass(frozen=True, slots=True)
class Sent:
    """A piece that was sent, and when, UTC ns."""

    utc_ns: int
    data: bytes


class Way(Target):
    """What all ways share.

    Attributes
    ----------
    name : str
        For people.
    sent : list of Sent
        What went to a listener, in order.
    cut_ns : tuple of int or None
        From when to when nobody can listen, UTC ns; None: never.
    losses, returns : list of int
        When the listener was lost, and when one was there, UTC ns.
    """

    name = ""

    def __init__(self) -> None:
        self.sent: list[Sent] = []
        self.cut_ns: tuple[int, int] | None = None
        self.losses: list[int] = []
        self.returns: list[int] = []
        self._is_cut = self._has_listener = False

    @property
    @abstractmethod
    def source(self) -> str:
        """What the recorder is told to listen to."""

    @property
    @abstractmethod
    def _target(self) -> Target:
        """What really sends."""

    @property
    def is_heard(self) -> bool:
        """Whether somebody listens."""
        return self._target.is_heard

    def open(self, tell: Tell) -> None:
        """Make ready, without waiting for anybody."""
        self._target.open(tell)

    def write(self, data: bytes) -> None:
        """Send to whoever listens, and note it."""
        self.attend()
        if self._has_listener:
            self.sent.append(Sent(time.time_ns(), data))
            self._target.write(data)

    def close(self) -> None:
        """Close."""
        self._target.close()

    def attend(self) -> None:
        """Let listeners in; cut, or make whole, what is due."""
        now_ns = time.time_ns()
        is_cut = self.cut_ns is not None and self.cut_ns[0] <= now_ns < self.cut_ns[1]
        if is_cut and not self._is_cut:
            self.close()
        if self._is_cut and not is_cut:
            self.open(lambda _: None)
        self._is_cut = is_cut
        has_listener = not is_cut and self.is_heard
        if has_listener != self._has_listener:
            (self.returns if has_listener else self.losses).append(time.time_ns())
        self._has_listener = has_listener


class SerialWay(Way):
    """A pseudo-terminal, under a name that stays when it is plugged in again.

    Parameters
    ----------
    folder : Path
        Where the name is made.
    """

    name = "pty"

    def __init__(self, folder: Path) -> None:
        super().__init__()
        self._pair = PseudoTerminal()
        self._link = folder / "port"
        self._heard_ns = 0

    @property
    def source(self) -> str:
        """Name of the port."""
        return str(self._link)

    @property
    def _target(self) -> Target:
        return self._pair

    @property
    def is_heard(self) -> bool:
        """Whether somebody has the port open, and has had it for a moment."""
        now_ns = time.time_ns()
        if not super().is_heard:
            self._heard_ns = 0
            return False
        self._heard_ns = self._heard_ns or now_ns
        return now_ns - self._heard_ns >= _PORT_SETTLES_NS

    def open(self, tell: Tell) -> None:
        """Plug it in."""
        super().open(tell)
        self._link.symlink_to(self._pair.name)

    def close(self) -> None:
        """Unplug it."""
        self._link.unlink(missing_ok=True)
        super().close()


class TcpWay(Way):
    """A listening port."""

    name = "tcp"

    def __init__(self) -> None:
        super().__init__()
        self._listener = TcpListen(HOST, 0)

    @property
    def source(self) -> str:
        """Address of the port; known once it is open."""
        return f"tcp://{HOST}:{self._listener.port}"

    @property
    def _target(self) -> Target:
        return self._listener

    def open(self, tell: Tell) -> None:
        """Listen; the port stays the same when it is opened again."""
        self._listener.listen(tell)


class CasterWay(Way):
    """A caster with one stream.

    Parameters
    ----------
    revision : int
        The newest that it speaks: 1, or 2 (chunked, for clients that ask for it).
    seed : int
        Of the places where chunks and packets are cut.
    """

    def __init__(self, revision: int, seed: int) -> None:
        super().__init__()
        self.name = f"ntrip {revision}"
        self._caster = Caster(revision, seed)

    @property
    def source(self) -> str:
        """Address of the stream; known once it is open."""
        return f"ntrip://{HOST}:{self._caster.port}/{MOUNTPOINT}"

    @property
    def _target(self) -> Target:
        return self._caster
