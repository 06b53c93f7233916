"""`watch`: what is happening now."""

import argparse
import logging
import queue
import shutil
import sys
import textwrap
import time
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from rtcmtool.cli.arguments import duration_s, whole
from rtcmtool.cli.console import is_terminal, say
from rtcmtool.cli.live_options import (
    SOURCE_HELP,
    add_live,
    mark_position,
    open_source,
    place,
    refuse_idle_caster,
    trust,
)
from rtcmtool.cli.navigation import add_navigation, state_maker
from rtcmtool.cli.site_files import DEFAULT_SHEET, add_site, site_sheet
from rtcmtool.errors import NoFrameError, RtcmtoolError, UsageError

if TYPE_CHECKING:
    from contextlib import AbstractContextManager

    from rtcmtool.diagnosis.context import Context
    from rtcmtool.diagnosis.site_sheet import SiteSheet
    from rtcmtool.monitor.live_state import LiveState
    from rtcmtool.running.feed import Feed, FeedQueue
    from rtcmtool.running.judging import Judging
    from rtcmtool.running.recording import Recording
    from rtcmtool.running.rover_ear import RoverEar
    from rtcmtool.running.session import Session
    from rtcmtool.running.stopping import Stopper
    from rtcmtool.running.watching import Dashboard
    from rtcmtool.sources import Source

EXAMPLES = (
    ("rtcmtool watch COM5", "the base's data port"),
    ("rtcmtool watch COM5 --rover COM8 --record job", "rover too, and keep the log"),
    ("rtcmtool watch ntrip://caster.example/BASE --plain", "lines, for a small terminal"),
)
_WAIT_S = 0.1  # so soon a key is heard
_LIVE_ONLY = ("record", "rover", "user", "password_file", "position")
_ONLY_LIVE_DO = dict.fromkeys(("record", "rover"), "add --follow if the file still grows.")
_LIKE_REPLAY = (
    "at", "bell", "clock", "color", "json", "navigation", "overhead", "plain", "quiet",
    "radio_rate", "refresh", "site", "station",
)  # fmt: skip
CATCH_UP_JUDGED_S = 5.0  # between two judgements of the last minutes of a file


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.add_argument("source", metavar="SOURCE", help=SOURCE_HELP)
    group = parser.add_argument_group("what to look at")
    group.add_argument("--rover", metavar="SOURCE", help="NMEA of the rover: port, address or file")
    group.add_argument("--record", metavar="NAME", help="keep the log as well")
    group.add_argument("--follow", action="store_true", help="a file that still grows")
    group.add_argument("--station", type=whole, metavar="ID", help="this station number only")
    live = add_live(parser)
    add_site(live)
    add_navigation(live)
    group = parser.add_argument_group("how to print")
    group.add_argument("--refresh", type=duration_s, default=1.0, metavar="TIME", help="default 1s")
    group.add_argument("--bell", action="store_true", help="ring at a new BAD")
    group.add_argument("--plain", action="store_true", help="lines instead of the dashboard")
    group.add_argument("--json", action="store_true", help="JSON Lines")
    group.add_argument("-q", "--quiet", action="store_true", help="say nothing on the side")
    group.add_argument("-v", "--verbose", action="count", default=0, help="print more")
    group.add_argument("--color", choices=("auto", "always", "never"), default="auto")


def run(options: argparse.Namespace) -> int:
    """Run the command; give its exit code."""
    from rtcmtool.running.printing import is_held, unheld
    from rtcmtool.running.stopping import stopping
    from rtcmtool.sources.files import FileSource

    source = open_source(options)
    if isinstance(source, FileSource) and not options.follow:
        return _replay(options)
    if options.follow and not isinstance(source, FileSource):
        raise UsageError(f"{options.source} is no file: it is followed anyway.", do="leave it out.")
    if not options.verbose:
        logging.getLogger("rtcmtool").addHandler(logging.NullHandler())  # events tell it
    sheet = site_sheet(options)
    source = open_source(options, known_position=mark_position(sheet))
    rover = () if options.rover is None else (open_source(options, options.rover),)
    refuse_idle_caster(options, (source, *rover))
    say(options, f"Opening {source.text} ...")
    with stopping() as stopper, unheld(sys.stdout) as out:
        code = _Watch(options, sheet, source, stopper, out).run()
    return stopper.leave(code, is_stuck=is_held(out))


def _replay(options: argparse.Namespace) -> int:
    """Play a file at its own pace: the same screen."""
    from rtcmtool.cli.main import main

    for name in _LIVE_ONLY:
        if getattr(options, name):
            raise UsageError(
                f"--{name.replace('_', '-')} goes with a live source, "
                f"and {options.source} is a file.",
                do=_ONLY_LIVE_DO.get(name, "leave it out."),
            )
    arguments = ["replay", options.source]
    for name in _LIKE_REPLAY:
        value = getattr(options, name)
        option = f"--{name.replace('_', '-')}"
        if value is True:
            arguments.append(option)
        elif value not in (None, False):
            arguments += [option, str(value)]
    arguments += ["-v"] * options.verbose
    return main(arguments)


class _Watch:
    """One run of the command."""

    def __init__(
        self,
        options: argparse.Namespace,
        sheet: "SiteSheet | None",
        source: "Source",
        stopper: "Stopper",
        out: TextIO,
    ) -> None:
        self._options, self._sheet, self._stopper, self._out = options, sheet, stopper, out
        self._items: FeedQueue = queue.SimpleQueue()
        self._recording: Recording | None = None
        self._context = self._make_context()
        self._feed, self._session, self._judging = self._make_session(source)
        self._rover = self._make_rover()
        self._dashboard: Dashboard | None = None

    def run(self) -> int:
        """Watch until it is to end, and tell the summary; give the exit code."""
        is_screen = not (self._options.plain or self._options.json) and is_terminal(self._out)
        with self._shown(is_screen=is_screen):
            self._stopper.on_stop(self._stop)
            self._loop()
        return self._end()

    # ---- what it is made of

    def _make_context(self) -> "Context":
        from rtcmtool.diagnosis.context import Context
        from rtcmtool.monitor.stream_state import StreamState

        clock = trust(self._options)
        return Context.for_site(
            StreamState(),
            self._sheet,
            radio_rate_bit_s=self._options.radio_rate,
            overhead=self._options.overhead,
            at=place(self._options),
            live=True,
            clock_trusted=clock.is_trusted,
            clock_error_s=clock.error_s,
        )

    def _make_session(self, source: "Source") -> "tuple[Feed, Session, Judging]":
        from rtcmtool.monitor.live_state import LiveState
        from rtcmtool.running.feed import Feed, steady_s
        from rtcmtool.running.judging import Judging
        from rtcmtool.running.session import Session

        utc_ns, now_s = time.time_ns(), steady_s()
        begin_ns = self._followed_from(source)

        live = LiveState(
            utc_ns if begin_ns is None else begin_ns,
            now_s if begin_ns is None else now_s - (utc_ns - begin_ns) / 1e9,
            station=self._options.station,
            clock_trusted=self._context.clock_trusted,
            state=state_maker(self._options)(station=self._options.station),
        )
        if self._options.record is None:
            self._context = replace(self._context, state=live.state)
            judging = Judging(self._context)
            session = Session(live, None, [judging])
            if begin_ns is not None:
                self._catch_up(source, session, judging, utc_ns, now_s)
            return Feed(source, self._items), session, judging
        recording = self._recording = self._make_recording(source, utc_ns, now_s, live)
        return recording.feed, recording.session, recording.judging

    def _followed_from(self, source: "Source") -> int | None:
        """Give from when a file is read that is followed, UTC ns; None for other sources."""
        from rtcmtool.running.catching_up import begin_of
        from rtcmtool.sources.files import FileSource

        if not isinstance(source, FileSource) or self._options.record is not None:
            return None
        return begin_of(source.capture)

    def _catch_up(
        self, source: "Source", session: "Session", judging: "Judging", utc_ns: int, now_s: float
    ) -> None:
        """Look at the last minutes of a file before it is followed."""
        from rtcmtool.running.catching_up import catch_up
        from rtcmtool.sources.files import FileSource

        assert isinstance(source, FileSource)
        usual_s, judging.every_s = judging.every_s, CATCH_UP_JUDGED_S
        catch_up(session, source.capture, utc_ns, now_s)
        judging.every_s = usual_s

    def _make_recording(
        self, source: "Source", utc_ns: int, now_s: float, live: "LiveState"
    ) -> "Recording":
        from rtcmtool.running.recording import Order, Recording

        sheet = self._sheet
        order = Order(
            self._context,
            site=sheet.name if sheet else None,
            sheet_text=_text_of(self._options) if sheet else None,
            clock_trusted=self._context.clock_trusted,
            judge_every_s=1.0,
        )
        return Recording(
            source,
            Path(self._options.record),
            order,
            self._items,
            utc_ns=utc_ns,
            monotonic_s=now_s,
            live=live,
            tell=lambda text: None,  # the dashboard shows size and disk all the time
        )

    def _make_rover(self) -> "RoverEar | None":
        from rtcmtool.running.feed import Feed
        from rtcmtool.running.rover_ear import RoverEar
        from rtcmtool.running.rover_file import RoverFile

        if self._options.rover is None:
            return None
        source = open_source(self._options, self._options.rover)
        recording = self._recording
        return RoverEar(
            Feed(source, self._items),
            tells_position=self._options.position is None,
            file=None if recording is None else RoverFile(recording.writer.path),
        )

    # ---- what people and programs see

    def _shown(self, *, is_screen: bool) -> "AbstractContextManager[None]":
        """Add whoever shows the session; give what is open meanwhile."""
        from rtcmtool.running.folding import folding
        from rtcmtool.running.telling import JsonLines, StatusTold

        listeners = self._session.listeners
        if self._options.json:
            listeners.append(JsonLines(self._print, self._judging, self._feed.source.text))
            return nullcontext()
        if not is_screen:
            listeners.append(StatusTold(folding(self._print, self._out), self._judging))
            return nullcontext()
        from rtcmtool.running.watching import Dashboard, Facts, screen_console

        sheet = self._sheet
        facts = Facts(
            self._feed.source.text,
            site=sheet.name if sheet else None,
            sheet=(self._options.site or DEFAULT_SHEET).name if sheet else None,
            radio_rate_bit_s=self._context.radio_rate_bit_s,
            overhead=self._context.overhead,
            rover=self._rover.state if self._rover else None,
        )
        self._dashboard = Dashboard(
            screen_console(self._out, self._options.color),
            self._judging,
            facts,
            self._stop,
            refresh_s=self._options.refresh,
            has_bell=self._options.bell,
        )
        listeners.append(self._dashboard)
        return self._dashboard.shown(can_suspend=self._recording is None)

    # ---- the loop

    def _loop(self) -> None:
        from rtcmtool.running.feed import Ended

        session, feed, rover = self._session, self._feed, self._rover
        session.attach(feed)
        feed.start()
        if rover is not None:
            rover.feed.start()
        while True:
            try:
                origin, item = self._items.get(timeout=_WAIT_S)
            except queue.Empty:
                if self._dashboard in session.listeners and self._dashboard is not None:
                    self._dashboard.on_tick(session)
                continue
            if rover is not None and origin is rover.feed:
                rover.take(item, session, feed)
                if isinstance(item, Ended) and item.error is not None:
                    session.live.note(f"the rover's source: {item.error}", "rover")
                continue
            session.take(item)
            if isinstance(item, Ended):
                break
        if rover is not None:
            rover.feed.stop()
            rover.feed.join()
            if rover.file is not None:
                rover.file.close()
        feed.join()
        session.close()
        if self._recording is not None:
            self._recording.let_go()

    def _stop(self) -> None:
        self._feed.stop()

    def _end(self) -> int:
        """Print the summary, and give the exit code."""
        session = self._session
        error = session.source_error
        if error is not None and not isinstance(error, RtcmtoolError):
            raise error
        kept = self._recording
        if kept is not None and kept.discard_if_empty():
            kept = None
        if error is not None:
            raise error
        self._tell_summary(kept)
        has_quit = self._dashboard is not None and self._dashboard.has_quit
        if self._stopper.exit_code is not None and not has_quit:
            return self._stopper.exit_code
        if not has_quit and not self._stopper.is_asked and not session.live.state.traffic.frames:
            raise NoFrameError(
                f"{self._feed.source.text} has ended, and held no RTCM 3 frame.",
                do="look at the base's output format.",
            )
        if session.failures:
            if not self._is_held():
                say(self._options, session.failures[-1])
            return 1
        return 0

    def _is_held(self) -> bool:
        from rtcmtool.running.printing import is_held

        return is_held(self._out)

    def _tell_summary(self, kept: "Recording | None") -> None:
        from rtcmtool.views.status_lines import summary_lines

        lines = summary_lines(self._session.live)
        if kept is not None:
            lines.append(f"Log: {kept.product}")
        file = self._rover.file if self._rover is not None else None
        if file is not None and file.size_bytes:
            lines.append(f"Rover: {file.path}")
        if self._options.json:
            return
        width = shutil.get_terminal_size().columns if self._out.isatty() else 0
        for line in lines:
            for part in textwrap.wrap(line, width) if width else [line]:
                self._print(part)

    def _print(self, text: str) -> None:
        print(text, file=self._out, flush=True)


def _text_of(options: argparse.Namespace) -> str | None:
    """Give the text of the site sheet, which the capture keeps."""
    path: Path = options.site or DEFAULT_SHEET
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):  # it was there a moment ago
        return None
