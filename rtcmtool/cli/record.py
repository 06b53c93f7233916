"""`record`: keep the corrections, and every outage, of a base or of several ends of its link."""

import argparse
import logging
import os
import queue
import re
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, TextIO, cast

from rtcmtool.cli.arguments import duration_s
from rtcmtool.cli.console import quoted, show_error
from rtcmtool.cli.live_options import (
    SOURCE_HELP,
    add_live,
    mark_position,
    open_source,
    place,
    refuse_idle_caster,
    trust,
)
from rtcmtool.cli.site_files import DEFAULT_SHEET, add_site, site_sheet
from rtcmtool.errors import NoFrameError, RtcmtoolError, SourceError, UsageError

if TYPE_CHECKING:
    from rtcmtool.diagnosis.context import Context
    from rtcmtool.diagnosis.site_sheet import SiteSheet
    from rtcmtool.running.feed import Feed, FeedQueue
    from rtcmtool.running.printing import PatientStream
    from rtcmtool.running.recording import Order, Recording
    from rtcmtool.running.session import Listener
    from rtcmtool.running.stopping import Stopper
    from rtcmtool.sources import Source

EXAMPLES = (
    ("rtcmtool record COM5", "until Ctrl-C; the name is made"),
    ("rtcmtool record COM5 job --split 1h --keep 30d", "an unattended base"),
    ("rtcmtool record COM5 job --also COM7", "base and radio in one run"),
)
_SIZE = re.compile(r"([0-9]*\.?[0-9]+) ?(k|M|G|T)B", re.IGNORECASE)
_FACTORS = {"k": 10**3, "m": 10**6, "g": 10**9, "t": 10**12}


def duration_or_size(text: str) -> tuple[float | None, int | None]:
    """Read a duration, a size, or both: 1h, 100MB, 30d,20GB.

    Raises
    ------
    argparse.ArgumentTypeError
        If it is neither.

    Examples
    --------
    >>> duration_or_size("1h"), duration_or_size("100MB"), duration_or_size("30d,20GB")
    ((3600.0, None), (None, 100000000), (2592000.0, 20000000000))
    """
    length_s: float | None = None
    size: int | None = None
    for part in re.split(r"[,|]", text):
        found = _SIZE.fullmatch(part.strip())
        if found and float(found[1]) > 0:
            size = round(float(found[1]) * _FACTORS[found[2].lower()])
        elif found:
            raise argparse.ArgumentTypeError(f"{text!r} is nothing")
        else:
            try:
                length_s = duration_s(part)
            except argparse.ArgumentTypeError:
                raise argparse.ArgumentTypeError(
                    f"{text!r} is no duration and no size; write 1h, 30d, 100MB or 20GB"
                ) from None
    return length_s, size


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.add_argument("source", metavar="SOURCE", help=SOURCE_HELP)
    parser.add_argument(
        "name", metavar="NAME", nargs="?", help="of the capture; default SITE-20260304-0742Z"
    )
    group = parser.add_argument_group("what to record")
    group.add_argument("--duration", type=duration_s, metavar="TIME", help="90, 90s, 10m or 2h")
    group.add_argument(
        "--split", type=duration_or_size, metavar="1h|100MB", help="parts NAME-001, NAME-002 ..."
    )
    group.add_argument(
        "--keep", type=duration_or_size, metavar="30d|20GB",
        help="delete older parts of NAME, of earlier runs too; with --split",
    )  # fmt: skip
    group.add_argument(
        "--also", action="append", default=[], metavar="SOURCE",
        help="record this too, as NAME-<its name>; may be given again",
    )  # fmt: skip
    group.add_argument(
        "--on-outage", metavar="COMMAND",
        help="run it when an outage opens; facts in RTCMTOOL_EVENT, _KIND, _START_UTC, _END_UTC, "
        "_DURATION_S, _EPOCHS_MISSED, _CAPTURE, _SOURCE and more",
    )  # fmt: skip
    group.add_argument("--on-recovery", metavar="COMMAND", help="the same when the base is back")
    add_site(add_live(parser))
    group = parser.add_argument_group("how to print")
    group.add_argument("--watch", action="store_true", help="the dashboard meanwhile")
    group.add_argument("--json", action="store_true", help="JSON Lines")
    group.add_argument("-q", "--quiet", action="store_true", help="print the path only")
    group.add_argument("-v", "--verbose", action="count", default=0, help="print more")
    group.add_argument("--color", choices=("auto", "always", "never"), default="auto")


def run(options: argparse.Namespace) -> int:
    """Run the command; give its exit code."""
    from rtcmtool.running.printing import PatientStream
    from rtcmtool.running.stopping import stopping

    if not options.verbose:
        logging.getLogger("rtcmtool").addHandler(logging.NullHandler())  # events tell it
    _refuse_contradictions(options)
    sheet = site_sheet(options)
    sources = [_source(options, text, sheet) for text in (options.source, *options.also)]
    refuse_idle_caster(options, sources)
    out, aside = PatientStream(sys.stdout), PatientStream(sys.stderr)
    try:
        with stopping(outlives_terminal=True) as stopper:
            code = _Run(options, sheet, stopper, out, aside).run(sources)
    finally:
        aside.close()
        out.close()
    return stopper.leave(code, is_stuck=out.is_stuck or aside.is_stuck)


def _refuse_contradictions(options: argparse.Namespace) -> None:
    if options.keep and not options.split:
        raise UsageError(
            "--keep needs --split.",
            why="old parts are deleted, and without --split there is one part only.",
            do="add --split 1h",
        )
    if options.watch and (options.json or options.quiet):
        raise UsageError("--watch is for people: it does not go with --json or --quiet.")


def _source(options: argparse.Namespace, text: str, sheet: "SiteSheet | None") -> "Source":
    """Make a source that is live."""
    from rtcmtool.sources.files import FileSource

    source = open_source(options, text, known_position=mark_position(sheet))
    if isinstance(source, FileSource):
        if not Path(text).exists():
            raise SourceError(
                f"there is no port or file {text}.",
                do="ports: rtcmtool ports; addresses: tcp://HOST:PORT, ntrip://HOST/MOUNTPOINT",
            )
        raise UsageError(
            f"{text} is a file: it is recorded already.",
            do=f"look at it again: rtcmtool replay {quoted(text)}",
        )
    return source


class _Run:
    """One run of the command."""

    def __init__(
        self,
        options: argparse.Namespace,
        sheet: "SiteSheet | None",
        stopper: "Stopper",
        out: "PatientStream",
        aside: "PatientStream",
    ) -> None:
        self._options, self._sheet, self._stopper = options, sheet, stopper
        self._out, self._aside = out, aside
        self._recordings: list[Recording] = []
        self._is_shown = False
        self._context = _context(options, sheet)

    def run(self, sources: "Sequence[Source]") -> int:
        """Record until it is to end, tell the account, give the exit code."""
        from rtcmtool.running.sessions import run_all

        items: FeedQueue = queue.SimpleQueue()
        self._create(sources, items)
        self._tell_start()
        sessions = {recording.feed: recording.session for recording in self._recordings}
        self._stopper.on_stop(self._stop)
        with self._shown():
            run_all(sessions, items, self._until(), self._tell_failed)
        for recording in self._recordings:
            recording.let_go()
        return self._tell_end()

    def _create(self, sources: "Sequence[Source]", items: "FeedQueue") -> None:
        from rtcmtool.monitor.live_state import LiveState
        from rtcmtool.running.feed import steady_s
        from rtcmtool.running.recording import (
            Recording,
            default_name,
            default_series,
            names_for,
        )

        context = self._context
        order = _order(self._options, self._sheet, context)
        utc_ns, now_s = time.time_ns(), steady_s()
        # The rules look at a state from the start: it is that of the first source, no spare one.
        live: LiveState | None = LiveState(
            utc_ns, now_s, clock_trusted=context.clock_trusted, state=context.state
        )
        name = Path(self._options.name or default_name(order.site, utc_ns))
        texts = [source.text for source in sources]
        try:
            for source, wanted in zip(sources, names_for(name, texts), strict=True):
                is_made_up = self._options.name is None
                recording = Recording(
                    source, wanted, order, items,
                    utc_ns=utc_ns, monotonic_s=now_s, tell=self._say,
                    series=default_series(order.site, source.text) if is_made_up else None,
                    live=live,
                )  # fmt: skip
                live = None  # further ones have their own
                label = f"{source.text}: " if len(texts) > 1 else ""
                recording.session.listeners.append(self._listener(recording, label))
                self._recordings.append(recording)
        except RtcmtoolError:
            for made in self._recordings:
                made.session.close()
                made.discard_if_empty()
            raise

    def _listener(self, recording: "Recording", label: str) -> "Listener":
        from rtcmtool.running.telling import JsonLines, PlainLines

        if self._options.json:
            return JsonLines(self._out.line, recording.judging, recording.source.text)
        return PlainLines(self._say, label)

    def _say(self, text: str) -> None:
        from rtcmtool.running.folding import folding

        if not self._options.quiet and not self._is_shown:
            folding(self._aside.line, self._aside)(text)

    @contextmanager
    def _shown(self) -> Iterator[None]:
        """Show the dashboard while recording, where it is wanted and there is a terminal."""
        if not self._options.watch or not self._out.isatty():
            yield
            return
        from rtcmtool.running.watching import Dashboard, Facts, screen_console

        first, sheet, context = self._recordings[0], self._sheet, self._context
        facts = Facts(
            first.source.text,
            site=sheet.name if sheet else None,
            sheet=(self._options.site or DEFAULT_SHEET).name if sheet else None,
            radio_rate_bit_s=context.radio_rate_bit_s,
            overhead=context.overhead,
        )
        # Through the patient stream: a terminal that is stuck must not hold up the loop.
        console = screen_console(cast(TextIO, self._out), self._options.color)
        dashboard = Dashboard(console, first.judging, facts, self._stop)
        first.session.listeners.append(dashboard)
        with dashboard.shown(can_suspend=False):
            self._is_shown = True
            try:
                yield
            finally:
                self._is_shown = False

    def _stop(self) -> None:
        for recording in self._recordings:
            recording.feed.stop()
        self._say("closing the capture, 1 s ... (Ctrl-C again to leave it unfinished)")

    def _tell_failed(self, feed: "Feed", error: Exception) -> None:
        from rtcmtool.sources.base import one_sentence

        why = one_sentence(error) if isinstance(error, SourceError) else str(error)
        self._say(f"NOT RECORDED: {why}. The other sources go on.")

    def _until(self) -> Callable[[], bool]:
        from rtcmtool.running.feed import steady_s

        if self._options.duration is None:
            return lambda: False
        end_s = steady_s() + self._options.duration
        return lambda: steady_s() >= end_s

    def _tell_start(self) -> None:
        from rtcmtool.captures.naming import COMPANION_SUFFIXES
        from rtcmtool.running.disk import size_text

        for recording in self._recordings:
            self._say(f"recording {recording.source.text} into {recording.writer.path}")
        self._say(f"files     beside it {', '.join(COMPANION_SUFFIXES)}")
        self._say(f"stop      with Ctrl-C, or: kill {os.getpid()}")
        free = size_text(self._recordings[0].writer.free_bytes)
        self._say(f"disk      {free} free; in a minute you are told how long that lasts")

    def _tell_end(self) -> int:
        error = next((e for r in self._recordings if (e := r.session.source_error)), None)
        kept = [r for r in self._recordings if not r.discard_if_empty()]
        if self._options.json:
            self._tell_objects(kept)
        else:
            self._tell_accounts(kept)
        if error is not None and not isinstance(error, RtcmtoolError):
            raise error
        return self._exit_code(error)

    def _tell_objects(self, kept: "Sequence[Recording]") -> None:
        from rtcmtool.views.recording_text import account_object

        for recording in kept:
            self._out.line(_json(account_object(recording.account())))

    def _tell_accounts(self, kept: "Sequence[Recording]") -> None:
        """Tell on one screen what came, then the paths: the product."""
        from rtcmtool.views.recording_text import account_lines, short_account_lines

        lines_of = account_lines if len(self._recordings) == 1 else short_account_lines
        self._say("")
        for recording in kept:
            for line in lines_of(recording.account()):
                self._say(line)
        for recording in self._recordings:
            if recording not in kept and recording.session.source_error is None:
                self._say(f"{recording.source.text}: never open, so there is no capture of it")
        if kept:
            self._say(f"\nNext  {_next(str(kept[0].product))}")
        self._aside.settle()  # on a terminal the path is the last line
        for recording in kept:
            self._out.line(str(recording.product))

    def _exit_code(self, error: RtcmtoolError | None) -> int:
        self._aside.close()
        if error is not None:
            self._show(error)
            return error.exit_code
        if self._stopper.exit_code is not None:
            return self._stopper.exit_code
        recordings = self._recordings
        if not any(r.session.live.state.traffic.frames for r in recordings):
            self._show(
                NoFrameError(
                    "no RTCM 3 frame came while recording.",
                    do="look at the base's output, then: rtcmtool check SOURCE --duration 60s",
                )
            )
            return NoFrameError.exit_code
        return 1 if any(r.session.failures or r.writer.lost_bytes for r in recordings) else 0

    def _show(self, error: RtcmtoolError) -> None:
        if not self._aside.is_stuck:
            show_error(error)


def _context(options: argparse.Namespace, sheet: "SiteSheet | None") -> "Context":
    from rtcmtool.diagnosis.context import Context
    from rtcmtool.monitor.stream_state import StreamState

    clock = trust(options)
    return Context.for_site(
        StreamState(),
        sheet,
        radio_rate_bit_s=options.radio_rate,
        overhead=options.overhead,
        at=place(options),
        live=True,
        clock_trusted=clock.is_trusted,
        clock_error_s=clock.error_s,
    )


def _order(options: argparse.Namespace, sheet: "SiteSheet | None", context: "Context") -> "Order":
    from rtcmtool.captures import Split
    from rtcmtool.captures.retention import Keep
    from rtcmtool.running.recording import JUDGE_EVERY_S, Order

    return Order(
        context,
        site=sheet.name if sheet else None,
        sheet_text=_text_of(options) if sheet else None,
        split=Split(*options.split) if options.split else None,
        keep=Keep(*options.keep) if options.keep else None,
        on_outage=options.on_outage,
        on_recovery=options.on_recovery,
        clock_trusted=context.clock_trusted,
        is_clock_right=lambda: trust(options).is_trusted,
        judge_every_s=1.0 if options.json or options.watch else JUDGE_EVERY_S,
    )


def _text_of(options: argparse.Namespace) -> str | None:
    """Give the text of the site sheet, which the capture keeps."""
    path: Path = options.site or DEFAULT_SHEET
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):  # it was there a moment ago
        return None


def _json(document: dict[str, object]) -> str:
    import orjson

    return orjson.dumps(document).decode()


def _next(path: str) -> str:
    """Say what comes after a recording: the command of the office, as soon as there is one."""
    from rtcmtool.cli.main import COMMANDS

    names = {command.name for command in COMMANDS}
    return f"rtcmtool {'report' if 'report' in names else 'check'} {quoted(path)}"
