"""Commands of the user that run when an outage begins and when the base is back.

They run through the shell, as they were typed. The facts reach them as environment variables only,
so nothing that a stream sends is ever part of a command. Nothing waits for them.
"""

import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from typing import IO

from rtcmtool.captures.companions import Event, OutageRow
from rtcmtool.gnss.time import iso, iso_utc
from rtcmtool.monitor.outage_kinds import OutageChange
from rtcmtool.running.session import Session

LONGEST_S = 60.0  # a command that runs longer is ended
MOST_AT_ONCE = 8  # running: a base that comes and goes must not fill the computer with commands
_TOLD_BYTES = 300  # of what a failed command has said


@dataclass(slots=True)
class _Run:
    """A command that runs."""

    option: str
    process: "subprocess.Popen[bytes]"
    said: IO[bytes]
    began_s: float | None = None  # of the first look at it
    is_ended: bool = False


class Hooks:
    """Runs the commands of one recording; a listener of its session.

    Parameters
    ----------
    on_outage, on_recovery : str or None
        Commands as typed. Recovery is told once after each outage, when whole epochs come again;
        not when another kind of outage has taken over, nor when we stopped listening.
    capture : str
        Path of the capture, for the commands.
    source : str
        What is recorded, without secrets.
    """

    def __init__(
        self, on_outage: str | None, on_recovery: str | None, *, capture: str, source: str
    ) -> None:
        self._on_outage, self._on_recovery = on_outage, on_recovery
        self._fixed = {"RTCMTOOL_CAPTURE": capture, "RTCMTOOL_SOURCE": source}
        self._runs: list[_Run] = []
        self._unrecovered: OutageRow | None = None  # closed without a recovery
        self._unrecovered_ns = 0

    def on_tick(self, session: Session) -> None:
        """Look after the commands that run, and for a base that came back unseen."""
        self._look_after(session)
        self._look_for_recovery(session)

    def on_event(self, session: Session, event: Event) -> None:
        """Do nothing: commands are for outages."""

    def on_outage(self, session: Session, change: OutageChange) -> None:
        """Run the command that is due."""
        row = change.row
        if change.is_open:
            self._unrecovered = None
            self._start(session, "--on-outage", self._on_outage, outage_facts(row, is_open=True))
        elif change.goes_on:
            self._unrecovered = row
            self._unrecovered_ns = session.live.now.steady_ns
        else:
            facts = outage_facts(row, is_open=False)
            self._start(session, "--on-recovery", self._on_recovery, facts)

    def close(self, session: Session) -> None:
        """Look once more; what still runs is left to end by itself."""
        self._look_after(session)
        for run in self._runs:
            run.process.returncode = 0  # nobody waits for it: no complaint at exit
            run.said.close()
        self._runs.clear()

    @property
    def running(self) -> int:
        """Commands that run."""
        return len(self._runs)

    def _look_for_recovery(self, session: Session) -> None:
        """Tell a recovery that no row tells: the outage was cut by a time of not listening."""
        row, live = self._unrecovered, session.live
        if row is None or live.blind is not None or live.outages.open_kind is not None:
            return
        good = live.outages.last_good
        if good is None or good.at.steady_ns <= self._unrecovered_ns:
            return
        self._unrecovered = None
        facts = outage_facts(row, is_open=False)
        self._start(session, "--on-recovery", self._on_recovery, facts)

    def _start(
        self, session: Session, option: str, command: str | None, facts: Mapping[str, str]
    ) -> None:
        if not command:
            return
        if len(self._runs) >= MOST_AT_ONCE:
            self._tell(session, f"{option} was not run: {len(self._runs)} commands still run")
            return
        said = tempfile.TemporaryFile()  # noqa: SIM115  (closed when the command has ended)
        try:
            process = subprocess.Popen(
                command,
                shell=True,
                env={**os.environ, **self._fixed, **facts},
                stdin=subprocess.DEVNULL,
                stdout=said,
                stderr=said,
                start_new_session=True,  # Ctrl-C ends the recording, not a message on its way
            )
        except OSError as error:
            said.close()
            self._tell(session, f"{option} cannot be run: {error.strerror or error}")
            return
        self._runs.append(_Run(option, process, said))

    def _look_after(self, session: Session) -> None:
        now_s = session.last_monotonic_s
        for run in list(self._runs):
            if run.began_s is None:
                run.began_s = now_s
            code = run.process.poll()
            if code is not None:
                self._runs.remove(run)
                if code and not run.is_ended:
                    self._tell(session, f"{run.option} failed: exit {code}{_said(run.said)}")
                run.said.close()
            elif now_s - run.began_s > LONGEST_S and not run.is_ended:
                run.is_ended = True
                _end(run.process)
                self._tell(session, f"{run.option} was ended: it ran longer than {LONGEST_S:.0f} s")

    def _tell(self, session: Session, text: str) -> None:
        session.record_event(Event(session.last_utc_ns, "command", text))


def outage_facts(row: OutageRow, *, is_open: bool) -> dict[str, str]:
    """Give the facts of an outage as environment variables; what is not known is empty."""
    epoch, missed = row.last_good_epoch_gps_ms, row.epochs_missed
    return {
        "RTCMTOOL_EVENT": "outage" if is_open else "recovery",
        "RTCMTOOL_KIND": row.kind,
        "RTCMTOOL_START_UTC": iso_utc(row.start_utc_ns),
        "RTCMTOOL_END_UTC": "" if is_open else iso_utc(row.end_utc_ns),
        "RTCMTOOL_DURATION_S": f"{row.duration_s:.3f}",
        "RTCMTOOL_LAST_GOOD_EPOCH_GPS": "" if epoch is None else iso(epoch),
        "RTCMTOOL_EPOCHS_MISSED": "" if missed is None else str(missed),
        "RTCMTOOL_BYTES_RECEIVED": str(row.bytes_received),
        "RTCMTOOL_CRC_FAILURES": str(row.crc_failures),
        "RTCMTOOL_STATIONS_HEARD": " ".join(str(station) for station in row.stations_heard),
    }


def _said(said: IO[bytes]) -> str:
    """Give the end of what a command has said."""
    said.seek(0, os.SEEK_END)
    said.seek(max(said.tell() - _TOLD_BYTES, 0))
    words = " ".join(said.read().decode(errors="replace").split())
    return f", {words}" if words else ""


def _end(process: "subprocess.Popen[bytes]") -> None:
    """End a command with everything that it has started."""
    if sys.platform == "win32":
        process.kill()
        return
    try:
        os.killpg(process.pid, signal.SIGKILL)
    except ProcessLookupError:
        return
