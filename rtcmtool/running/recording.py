"""One source recorded into one capture: the session, its account, its old parts and its disk."""

import re
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

from rtcmtool import __version__
from rtcmtool.captures import CaptureWriter, Description, Event, OutageRow, Split
from rtcmtool.captures.naming import CaptureFiles, stem_of
from rtcmtool.captures.retention import Keep, Retention
from rtcmtool.diagnosis.context import Context
from rtcmtool.gnss.time import iso_utc
from rtcmtool.monitor.live_state import LiveState
from rtcmtool.monitor.outage_kinds import OutageChange
from rtcmtool.running.disk import DiskWatch
from rtcmtool.running.feed import Feed, FeedQueue
from rtcmtool.running.hooks import Hooks
from rtcmtool.running.judging import Judging
from rtcmtool.running.session import Session
from rtcmtool.sources import Source
from rtcmtool.views.recording_text import Account

CLOCK_EVERY_S = 60.0
JUDGE_EVERY_S = 2.0
_NOT_IN_A_NAME = re.compile(r"[^A-Za-z0-9]+")


@dataclass(frozen=True, slots=True)
class Order:
    """What somebody wants recorded.

    Attributes
    ----------
    context : Context
        What the crew told; findings become events. The state in it is not looked at.
    site, sheet_text : str or None
        Name of the site, and the text of its sheet, kept in the capture.
    split, keep
        Parts, and which old ones go.
    on_outage, on_recovery : str or None
        Commands.
    clock_trusted : bool
        Whether the computer's clock is right.
    judge_every_s : float
        How often the rules are asked.
    is_clock_right : callable or None
        Tells it later; None: it stays as it is.
    """

    context: Context
    site: str | None = None
    sheet_text: str | None = None
    split: Split | None = None
    keep: Keep | None = None
    on_outage: str | None = None
    on_recovery: str | None = None
    clock_trusted: bool = False
    judge_every_s: float = JUDGE_EVERY_S
    is_clock_right: Callable[[], bool] | None = None


@dataclass(slots=True)
class Tally:
    """A listener that counts what the account of the session tells.

    Attributes
    ----------
    outages, outage_s : dict
        Number and seconds of the outages by kind; changes of kind count for each.
    not_watched, not_watched_s
        Times in which we were not listening.
    """

    outages: dict[str, int] = field(default_factory=dict)
    outage_s: dict[str, float] = field(default_factory=dict)
    not_watched: int = 0
    not_watched_s: float = 0.0

    def on_tick(self, session: Session) -> None:
        """Do nothing: only what happens is counted."""

    def on_event(self, session: Session, event: Event) -> None:
        """Count the times of not listening."""
        if event.kind != "monitor-gap":
            return
        if event.values.get("state") == "open":
            self.not_watched += 1
        length_s = event.values.get("seconds")
        if isinstance(length_s, int | float):
            self.not_watched_s += length_s

    def on_outage(self, session: Session, change: OutageChange) -> None:
        """Count the outages."""
        if not change.is_open:
            self.add(change.row)

    def add(self, row: OutageRow) -> None:
        """Count an outage that is over."""
        self.outages[row.kind] = self.outages.get(row.kind, 0) + 1
        self.outage_s[row.kind] = self.outage_s.get(row.kind, 0.0) + row.duration_s


class ClockWatch:
    """A listener that asks again whether the computer's clock is right.

    A base that starts without a network learns the time later; a clock that was set was wrong.

    Parameters
    ----------
    is_right : callable
        Tells it now.
    """

    def __init__(self, is_right: Callable[[], bool]) -> None:
        self._is_right = is_right
        self._due_s: float | None = None

    def on_tick(self, session: Session) -> None:
        """Ask now and then."""
        now_s = session.last_monotonic_s
        if self._due_s is None or now_s >= self._due_s:
            self._due_s = now_s + CLOCK_EVERY_S
            session.live.clock_trusted = self._is_right()

    def on_event(self, session: Session, event: Event) -> None:
        """Ask at the next tick when the clock was set."""
        if event.kind == "clock-step":
            self._due_s = None

    def on_outage(self, session: Session, change: OutageChange) -> None:
        """Do nothing."""


class Simulated:
    """A listener that lets every part tell that the base does not exist, as soon as it is known."""

    def on_tick(self, session: Session) -> None:
        """Tell the recorder."""
        if session.writer is not None and session.live.state.base.is_simulated:
            session.writer.mark_simulated()

    def on_event(self, session: Session, event: Event) -> None:
        """Do nothing."""

    def on_outage(self, session: Session, change: OutageChange) -> None:
        """Do nothing."""


class Recording:
    """A source, the session that records it, and everything that looks after the recording.

    Parameters
    ----------
    source : Source
        What is recorded.
    name : Path
        NAME of the capture; a taken one gets `-2`.
    order : Order
        How.
    out : queue
        Of the loop that runs it.
    utc_ns, monotonic_s : int and float
        Now.
    tell : callable
        Takes a line for people.
    series : str, optional
        What it is told by over all its runs, when old parts are deleted; else NAME.
    live : LiveState, optional
        Follows the stream; else a new one.

    Raises
    ------
    UsageError
        If the capture cannot be created.
    """

    def __init__(
        self,
        source: Source,
        name: Path,
        order: Order,
        out: FeedQueue,
        *,
        utc_ns: int,
        monotonic_s: float,
        tell: Callable[[str], None],
        series: str | None = None,
        live: LiveState | None = None,
    ) -> None:
        self.source = source
        self._is_split = order.split is not None
        series = series or stem_of(name).name
        description = Description(
            source=source.text,
            version=__version__,
            start_utc_ns=utc_ns,
            site=order.site,
            site_sheet=order.sheet_text,
            series=series,
        )
        self.writer = CaptureWriter(name, description, monotonic_s=monotonic_s, split=order.split)
        if live is None:
            live = LiveState(utc_ns, monotonic_s, clock_trusted=order.clock_trusted)
        self.session = Session(live, self.writer)
        self.feed = Feed(source, out)
        self.tally = Tally()
        self.judging = Judging(replace(order.context, state=live.state), order.judge_every_s)
        retention = Retention(order.keep, series) if order.keep else None
        disk = DiskWatch(tell, retention)
        self.session.listeners += [self.tally, self.judging, disk, Simulated()]
        if order.is_clock_right is not None:
            self.session.listeners.insert(0, ClockWatch(order.is_clock_right))
        self._hooks: Hooks | None = None
        if order.on_outage or order.on_recovery:
            self._hooks = Hooks(
                order.on_outage,
                order.on_recovery,
                capture=str(self.product.resolve()),
                source=source.text,
            )
            self.session.listeners.append(self._hooks)
        text, values = f"recording of {source.text}", {"clock_trusted": order.clock_trusted}
        self.session.record_event(Event(utc_ns, "start", text, values))

    @property
    def product(self) -> Path:
        """What the user opens afterwards: the file of bytes, or NAME of a split recording."""
        return self.writer.name if self._is_split else self.writer.path

    def account(self) -> Account:
        """Give what is told at the end: the parts that are there, a time of not listening that
        lasts to the end counted up to it.
        """  # noqa: D205  (one sentence)
        live = self.session.live
        written = self.writer.paths
        kept = [path for path in written if path.exists()]
        still_s = 0.0 if live.blind is None else live.ago_s(live.blind.since)
        return Account(
            live=live,
            source=self.source.text,
            received_bytes=self.session.received_bytes,
            lost_bytes=self.writer.lost_bytes,
            paths=kept or [self.writer.path],
            deleted_parts=len(written) - len(kept) if kept else 0,
            outages=self.tally.outages,
            outage_s=self.tally.outage_s,
            not_watched=self.tally.not_watched,
            not_watched_s=self.tally.not_watched_s + still_s,
            is_blind=live.blind is not None,
        )

    def let_go(self) -> None:
        """Look after commands that still run."""
        if self._hooks is not None:
            self._hooks.close(self.session)

    def discard_if_empty(self) -> bool:
        """Remove a capture into which nothing came because its source was never open.

        Returns
        -------
        bool
            Whether it was removed.
        """
        if self.session.was_open or self.session.received_bytes or self.writer.size_bytes:
            return False
        for path in CaptureFiles.of_file(self.writer.path).all_paths():
            path.unlink(missing_ok=True)
        return True


def default_name(site: str | None, utc_ns: int) -> str:
    """Name a capture by site and time.

    Examples
    --------
    >>> default_name("Hillcrest Quarry", 1772610154000000000)
    'hillcrest-quarry-20260304-0742Z'
    >>> default_name(None, 1772610154000000000)
    'capture-20260304-0742Z'
    """
    date, _, time = iso_utc(utc_ns, 0).partition("T")
    stem = _NOT_IN_A_NAME.sub("-", site or "").strip("-").lower() or "capture"
    return f"{stem}-{date.replace('-', '')}-{time[:5].replace(':', '')}Z"


def default_series(site: str | None, source: str) -> str:
    """Tell what belongs together where the names are made: the same source of the same site.

    Examples
    --------
    >>> default_series("Hillcrest Quarry", "COM5")
    'Hillcrest Quarry from COM5'
    """
    return f"{site or 'no site'} from {source}"


def word_for(source: str) -> str:
    """Make of a source the word that tells its capture from others of the same run.

    Examples
    --------
    >>> word_for("/dev/ttyUSB1"), word_for("tcp://gate:5015"), word_for("ntrip://host/BASE-001")
    ('ttyUSB1', 'gate_5015', 'BASE_001')
    """
    end = source.partition("://")[2] or source
    last = end.rstrip("/").rpartition("/")[2]
    # No hyphen: NAME-5015 would read as a part of NAME.
    return _NOT_IN_A_NAME.sub("_", last).strip("_") or "input"


def names_for(name: Path, sources: list[str]) -> list[Path]:
    """Name the captures of several sources: NAME, then NAME and a word for each further one."""
    found = [name]
    for source in sources[1:]:
        word = word_for(source)
        wanted, count = name.with_name(f"{name.name}-{word}"), 1
        while wanted in found:
            count += 1
            wanted = name.with_name(f"{name.name}-{word}_{count}")
        found.append(wanted)
    return found
