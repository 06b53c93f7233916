"""A session driven without waiting: time passes in ticks between what happened, as it does live.

A recorder and whoever looks through a recording later see the same moments, so they find the same.
"""

from rtcmtool.monitor.steady_clock import NS_PER_S
from rtcmtool.running.feed import Bytes, Told
from rtcmtool.running.session import Session
from rtcmtool.running.timeline import Piece

TICK_NS = NS_PER_S // 5  # a live source says so often that nothing came


class VirtualTime:
    """Hands pieces to a session, and a tick every 0.2 s between them.

    Parameters
    ----------
    session : Session
        What is driven.
    utc_ns : int
        By the computer's clock at the start; the steady axis of the pieces begins there with 0.

    Attributes
    ----------
    utc_ns : int
        Time that was told last.
    """

    def __init__(self, session: Session, utc_ns: int) -> None:
        self.utc_ns = utc_ns
        self._session = session
        self._steady_ns = 0

    def take(self, piece: Piece) -> None:
        """Let the time up to a piece pass, and hand it on.

        Parameters
        ----------
        piece : Piece
            No earlier than the one before.
        """
        self.pass_until(piece.steady_ns)
        self.utc_ns, self._steady_ns = piece.utc_ns, max(piece.steady_ns, self._steady_ns)
        at_s = self._steady_ns / NS_PER_S
        if piece.event is not None:
            self._session.take(Told(at_s, piece.event))
        else:
            self._session.take(Bytes(piece.utc_ns, at_s, piece.data))

    def pass_until(self, steady_ns: int) -> None:
        """Let time pass, ns on the steady axis; the last tick comes before it."""
        while self._steady_ns + TICK_NS < steady_ns:
            self._steady_ns += TICK_NS
            self.utc_ns += TICK_NS
            self._session.take(Bytes(self.utc_ns, self._steady_ns / NS_PER_S, b""))

    def finish(self, steady_ns: int) -> None:
        """Let the time up to the end pass, and tell it."""
        self.pass_until(steady_ns)
        if steady_ns > self._steady_ns:
            self.utc_ns += steady_ns - self._steady_ns
            self._steady_ns = steady_ns
            self._session.take(Bytes(self.utc_ns, steady_ns / NS_PER_S, b""))
