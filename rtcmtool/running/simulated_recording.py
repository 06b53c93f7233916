"""A simulation recorded as `record` would: the monitor follows it and writes events and outages.

It goes by the simulated time, so a simulation as fast as it goes and one at its own pace give the
same files.
"""

from pathlib import Path

from rtcmtool.captures import CaptureWriter
from rtcmtool.captures.companions import Event
from rtcmtool.diagnosis.context import Context
from rtcmtool.monitor.live_state import LiveState
from rtcmtool.monitor.outage_kinds import OutageChange
from rtcmtool.running.judging import Judging
from rtcmtool.running.recording import JUDGE_EVERY_S
from rtcmtool.running.session import Session
from rtcmtool.running.timeline import Piece
from rtcmtool.running.virtual_time import VirtualTime
from rtcmtool.simulation import run as simulated
from rtcmtool.simulation.recording import Recorder, clock_ahead_ns, is_clock_right
from rtcmtool.simulation.run import Port
from rtcmtool.simulation.scenario import Scenario


class _Companions:
    """A listener that writes what happens beside the bytes."""

    def __init__(self, writer: CaptureWriter) -> None:
        self._writer = writer

    def on_tick(self, session: Session) -> None:
        """Do nothing: the bytes are written already."""

    def on_event(self, session: Session, event: Event) -> None:
        """Write an event."""
        self._writer.event(event)

    def on_outage(self, session: Session, change: OutageChange) -> None:
        """Write an outage that is over."""
        if not change.is_open:
            self._writer.outage(change.row)


class _Follower:
    """What happens at one port, found by the monitor and its rules.

    Parameters
    ----------
    writer : CaptureWriter
        Takes it.
    scenario : Scenario
        What is played.
    port : Port
        Where.
    """

    def __init__(self, writer: CaptureWriter, scenario: Scenario, port: Port) -> None:
        is_trusted = is_clock_right(scenario, port)
        self._start_ns = scenario.start_utc_ns
        start_utc_ns = scenario.start_utc_ns + clock_ahead_ns(scenario, port)
        live = LiveState(start_utc_ns, 0.0, clock_trusted=is_trusted)
        context = Context.for_site(
            live.state,
            None,
            at="base" if port is Port.BASE else "rover",
            live=True,
            clock_trusted=is_trusted,
        )
        self._session = Session(live)
        self._session.listeners += [Judging(context, JUDGE_EVERY_S), _Companions(writer)]
        self._time = VirtualTime(self._session, start_utc_ns)

    def take(self, piece: simulated.Piece) -> None:
        """Take bytes of this port."""
        steady_ns = piece.true_utc_ns - self._start_ns
        self._time.take(Piece(piece.utc_ns, steady_ns, piece.data))

    def close(self, true_utc_ns: int) -> None:
        """End: what lasts is closed with a note."""
        self._time.finish(true_utc_ns - self._start_ns)
        self._session.close()


class FollowedRecorder(Recorder):
    """Writes the captures of one simulation, whole: with events and outages.

    Parameters
    ----------
    name, scenario, monotonic_s
        As of `Recorder`.

    Raises
    ------
    UsageError
        If they cannot be created.
    """

    has_monitor = True

    def __init__(self, name: str | Path, scenario: Scenario, monotonic_s: float) -> None:
        super().__init__(name, scenario, monotonic_s)
        self._followers = {
            port: _Follower(writer, scenario, port) for port, writer in self.writers.items()
        }
        self._is_closed = False

    def write(self, piece: simulated.Piece, monotonic_s: float) -> None:
        """Take a piece of any port: first its bytes, then what they mean."""
        super().write(piece, monotonic_s)
        follower = self._followers.get(piece.port)
        if follower is not None:
            follower.take(piece)

    def close(self, utc_ns: int) -> None:
        """Close all; `utc_ns` is the end of the simulation as far as it came, true time."""
        if not self._is_closed:
            self._is_closed = True
            for follower in self._followers.values():
                follower.close(utc_ns)
        super().close(utc_ns)
