"""Commands of the user that run when an outage begins and when the base is back.

They run through the shell, as they were typed. The facts reach them as environment variables only,
so nothing that a stream sends is ever part of a command. Nothing waits for them. What a command has
started is part of it: it counts as running until all of that has ended.
"""

import os
import signal
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from rtcmtool.captures.companions import Event, OutageRow
from rtcmtool.gnss.time import iso, iso_utc
from rtcmtool.monitor.outage_kinds import OutageChange
from rtcmtool.running.session import Session

LONGEST_S = 60.0  # a command that runs longer is ended
MOST_AT_ONCE = 8  # running: a base that comes and goes must not fill the computer with commands
_TOLD_BYTES = 300  # of what a failed command has said
_READ_BYTES = 65_536
_MOST_READS = 16  # a look: a command that floods is held up, not the recording
_SECRETS = ("RTCMTOOL_NTRIP_USER", "RTCMTOOL_NTRIP_PASSWORD")  # not for commands


class _Said:
    """What a command says: read as it comes, and only the end of it kept.

    A file would fill the disk of the recording; a pipe that nobody reads would stop the command.
    """

    def __init__(self) -> None:
        self.tail = b""
        self.into: int = subprocess.DEVNULL
        self._from: int | None = None
        if sys.platform != "win32":  # where pipes can be read without waiting
            self._from, self.into = os.pipe()
            os.set_blocking(self._from, False)

    def let_go(self) -> None:
        """Close the end that the command has now."""
        if self._from is not None:
            os.close(self.into)

    def read(self) -> None:
        """Take what is there."""
        for _ in range(_MOST_READS if self._from is not None else 0):
            assert self._from is not None
            try:
                data = os.read(self._from, _READ_BYTES)
            except BlockingIOError:
                return
            if not data:
                return
            self.tail = (self.tail + data)[-_TOLD_BYTES:]

    def close(self) -> None:
        """Take no more."""
        if self._from is not None:
            os.close(self._from)
            self._from = None

    @property
    def text(self) -> str:
        """The end of it in one line."""
        words = " ".join(self.tail.decode(errors="replace").split())
        return f", {words}" if words else ""


@dataclass(slots=True)
class _Run:
    """A command that runs."""

    option: str
    process: "subprocess.Popen[bytes]"
    said: _Said
    began_s: float | None = None  # of the first look at it
    is_told: bool = False  # that it failed, or was ended
    is_ended: bool = False

    @property
    def has_left_nothing(self) -> bool:
        """Whether everything that it has started has ended too."""
        if sys.platform == "win32":
            return True
        try:
            os.killpg(self.process.pid, 0)
        except ProcessLookupError:
            return True
        except PermissionError:  # it runs as somebody else
            return False
        return not runs_in_group(self.process.pid)

    def end(self) -> None:
        """End it with everything that it has started."""
        self.is_ended = True
        if sys.platform == "win32":
            self.process.kill()
            return
        try:
            os.killpg(self.process.pid, signal.SIGKILL)
        except (ProcessLookupError, PermissionError):
            return


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
        said = _Said()
        own = {name: value for name, value in os.environ.items() if name not in _SECRETS}
        try:
            process = subprocess.Popen(
                command,
                shell=True,
                env={**own, **self._fixed, **facts},
                stdin=subprocess.DEVNULL,
                stdout=said.into,
                stderr=said.into,
                start_new_session=True,  # Ctrl-C ends the recording, not a message on its way
            )
        except OSError as error:
            said.close()
            self._tell(session, f"{option} cannot be run: {error.strerror or error}")
            return
        finally:
            said.let_go()
        self._runs.append(_Run(option, process, said))

    def _look_after(self, session: Session) -> None:
        now_s = session.last_monotonic_s
        for run in list(self._runs):
            if run.began_s is None:
                run.began_s = now_s
            code = run.process.poll()
            run.said.read()  # after the look: then nothing that it said is missing
            if code and not run.is_told:
                run.is_told = True
                self._tell(session, f"{run.option} failed: exit {code}{run.said.text}")
            if code is not None and run.has_left_nothing:
                self._runs.remove(run)
                run.said.close()
            elif now_s - run.began_s > LONGEST_S and not run.is_ended:
                run.end()
                run.is_told = True
                what = "it" if code is None else "what it had started"
                text = f"{run.option} was ended: {what} ran longer than {LONGEST_S:.0f} s"
                self._tell(session, text)

    def _tell(self, session: Session, text: str) -> None:
        session.record_event(Event(session.last_utc_ns, "command", text))


def runs_in_group(group: int) -> bool:
    """Tell whether a process of a group that still exists runs.

    In a container whose first process does not look after orphans, those that have ended stay in
    the table of processes for ever: they no longer run. Where this cannot be seen, they do.
    """
    tables = list(Path("/proc").glob("[0-9]*/stat"))
    for table in tables:
        try:
            # proc(5): pid (comm) state ppid pgrp; the name may have spaces and parentheses
            state, _, member_of, *_ = table.read_text(errors="replace").rpartition(")")[2].split()
        except (OSError, ValueError):  # it ended just now
            continue
        if int(member_of) == group and state not in "ZX":
            return True
    return not tables


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
