"""The disk of a recording: how long it lasts, and which old parts make room."""

from collections.abc import Callable

from rtcmtool.captures.companions import Event
from rtcmtool.captures.naming import CaptureFiles
from rtcmtool.captures.retention import Retention
from rtcmtool.captures.writing import CaptureWriter
from rtcmtool.diagnosis.wording import grouped
from rtcmtool.monitor.outage_kinds import OutageChange
from rtcmtool.running.session import Session

RATE_KNOWN_S = 60.0  # of bytes: then it is told how long the disk lasts
DISK_EVERY_S = 300.0
DISK_LOW_H = 2.0  # time to act: judgement
KEEP_EVERY_S = 600.0
_NAMED = 5  # of the parts that were deleted


class DiskWatch:
    """A listener that says how long the disk lasts, and deletes what need not be kept.

    Parameters
    ----------
    tell : callable
        Takes a line for people.
    retention : Retention or None
        Looks after old parts; None: all stay.
    """

    def __init__(self, tell: Callable[[str], None], retention: Retention | None) -> None:
        self._tell, self._retention = tell, retention
        self._first: tuple[float, int] | None = None  # of the first byte: when, and how many
        self._due_s: float | None = None
        self._keep_due_s: float | None = None
        self._is_told = self._is_low = False

    def on_tick(self, session: Session) -> None:
        """Look at the disk now and then."""
        now_s = session.last_monotonic_s
        if self._first is None and session.received_bytes:
            self._first = (now_s, session.received_bytes)
            self._due_s = now_s + RATE_KNOWN_S
        if self._due_s is not None and now_s >= self._due_s:
            self._due_s = now_s + DISK_EVERY_S
            self._look(session)
        if self._keep_due_s is None or now_s >= self._keep_due_s:
            self._keep_due_s = now_s + KEEP_EVERY_S
            self._delete_old(session)

    def on_event(self, session: Session, event: Event) -> None:
        """Delete old parts when a new one has begun, or when the disk is full."""
        if event.kind in {"part", "not-written"}:
            self._delete_old(session)

    def on_outage(self, session: Session, change: OutageChange) -> None:
        """Do nothing."""

    def _look(self, session: Session) -> None:
        writer = session.writer
        assert writer is not None
        assert self._first is not None
        began_s, before = self._first
        rate = (session.received_bytes - before) / (session.last_monotonic_s - began_s)
        rate *= _with_companions(writer)
        if rate <= 0:
            return
        free = writer.free_bytes
        hours = free / rate / 3600
        if not self._is_told:
            self._is_told = True
            self._tell(f"disk      {size_text(free)} free: {hours_text(hours)} at this rate")
        if hours < DISK_LOW_H and not self._is_low:
            text = f"the disk is nearly full: {hours_text(hours)} at this rate"
            session.record_event(Event(session.last_utc_ns, "disk-low", text))
        self._is_low = hours < DISK_LOW_H

    def _delete_old(self, session: Session) -> None:
        writer = session.writer
        if self._retention is None or writer is None:
            return
        deleted = self._retention.remove(writer.path, _prudent_utc_ns(session))
        if deleted:
            names = ", ".join(path.name for path in deleted[:_NAMED])
            more = f" and {len(deleted) - _NAMED} more" if len(deleted) > _NAMED else ""
            text = f"old parts deleted: {names}{more}"
            session.record_event(Event(session.last_utc_ns, "deleted", text))


def _prudent_utc_ns(session: Session) -> int:
    """Give the time by which parts are old; a clock set far ahead must not make all of them so."""
    live = session.live
    if live.clock_trusted:
        return session.last_utc_ns
    return min(session.last_utc_ns, live.now.steady_ns)


def size_text(size_bytes: int) -> str:
    """Write a size for people.

    Examples
    --------
    >>> size_text(999), size_text(61_200_000_000), size_text(4_600_000)
    ('999 bytes', '61 GB', '4.6 MB')
    """
    if size_bytes < 1000:
        return f"{size_bytes} bytes"
    value, unit = float(size_bytes), ""
    for unit in ("kB", "MB", "GB", "TB"):  # noqa: B007  (the last one used counts)
        value /= 1000
        if value < 999.5:
            break
    return f"{value:.1f} {unit}" if value < 9.95 else f"{value:.0f} {unit}"


def hours_text(hours: float) -> str:
    """Write how long a disk lasts.

    Examples
    --------
    >>> hours_text(0.52), hours_text(24312.7)
    ('0.5 hours', 'about 24 300 hours')
    """
    if hours < 10:
        return f"{hours:.1f} hours"
    digits = max(len(str(int(hours))) - 3, 0)
    return f"about {grouped(round(hours / 10**digits) * 10**digits)} hours"


def _with_companions(writer: CaptureWriter) -> float:
    """Give how much more the companions take than the bytes alone."""
    files = CaptureFiles.of_file(writer.path)
    try:
        data = files.data.stat().st_size
        arrivals = files.arrivals.stat().st_size if files.arrivals else 0
    except OSError:
        return 1.1
    return 1.0 + arrivals / data if data else 1.1
