"""`replay`: play a job back on the dashboard, or send it on at its recorded pace."""

import argparse
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

from rtcmtool.captures.pacing import FASTEST, MAX_SPEED, SLOWEST
from rtcmtool.cli.arguments import day, time_reference, whole
from rtcmtool.cli.console import is_terminal, say
from rtcmtool.cli.moments import moment
from rtcmtool.cli.site_files import DEFAULT_SHEET, add_site, site_sheet
from rtcmtool.errors import UsageError

if TYPE_CHECKING:
    from contextlib import AbstractContextManager

    from rtcmtool.captures.reading import Capture
    from rtcmtool.running.judging import Judging
    from rtcmtool.running.replaying import Replay
    from rtcmtool.running.session import Session
    from rtcmtool.running.stopping import Stopper
    from rtcmtool.running.timeline import Mark, Timeline
    from rtcmtool.running.watching import Facts

EXAMPLES = (
    ("rtcmtool replay JOB.rtcm3", "the dashboard, as it was"),
    ("rtcmtool replay JOB --event 3 --speed 10", "from 10 s before an event"),
    ("rtcmtool replay JOB --to tcp-listen://127.0.0.1:5015", "feed other tools"),
)


def speed(text: str) -> float:
    """Read a speed: 0.1 to 1000 times recorded time, or max.

    Raises
    ------
    argparse.ArgumentTypeError
        If it is none.

    Examples
    --------
    >>> speed("10"), speed("x60"), speed("max")
    (10.0, 60.0, inf)
    """
    if text == "max":
        return MAX_SPEED
    try:
        value = float(text.removeprefix("x"))
    except ValueError:
        value = 0.0
    if not SLOWEST <= value <= FASTEST:
        raise argparse.ArgumentTypeError(
            f"{text!r} is no speed; write {SLOWEST} to {FASTEST:.0f}, or max"
        )
    return value


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.add_argument("source", metavar="CAPTURE", help="file of bytes, or NAME of a recording")
    group = parser.add_argument_group("what to play")
    group.add_argument(
        "--speed", type=speed, default=1.0, metavar="N|max", help="0.1 to 1000, or max; default 1"
    )
    group.add_argument("--since", type=moment, metavar="TIME", help="10:15 UTC, or with date, zone")
    group.add_argument("--until", type=moment, metavar="TIME", help="the same")
    group.add_argument(
        "--event", type=whole, metavar="N", help="from 10 s before the N-th event; 0 lists them"
    )
    group.add_argument("--date", type=day, metavar="DAY", help="day of a capture without one")
    group.add_argument("--station", type=whole, metavar="ID", help="this station number only")
    group = parser.add_argument_group("how to judge")
    add_site(group)
    group.add_argument("--clock", choices=("trusted",), help="the recording computer's was right")
    group = parser.add_argument_group("send the bytes on")
    group.add_argument(
        "--to", metavar="TARGET",
        help="tcp://HOST:PORT, tcp-listen://HOST:PORT, udp://HOST:PORT, a serial port, or -",
    )  # fmt: skip
    group.add_argument("--baud", type=whole, default=38_400, metavar="N", help="default 38400")
    group.add_argument("--yes", action="store_true", help="send to a serial port without asking")
    group = parser.add_argument_group("how to print")
    group.add_argument("--plain", action="store_true", help="lines instead of the dashboard")
    group.add_argument("--json", action="store_true", help="JSON Lines")
    group.add_argument("-q", "--quiet", action="store_true", help="say nothing on the side")
    group.add_argument("-v", "--verbose", action="count", default=0, help="print more")
    group.add_argument("--color", choices=("auto", "always", "never"), default="auto")


def run(options: argparse.Namespace) -> int:
    """Run the command; give its exit code."""
    from rtcmtool.captures.reading import open_capture
    from rtcmtool.cli.reading import no_frames
    from rtcmtool.running.stopping import stopping
    from rtcmtool.running.timeline import timed_by_epochs

    capture = open_capture(Path(options.source))
    for note in capture.notes:
        say(options, f"note: {note}")
    if not capture.size_bytes:
        raise no_frames(options.source, b"", 0)
    has_arrivals = capture.has_arrivals
    is_dated = True
    if not has_arrivals:
        capture, is_dated = timed_by_epochs(capture, time_reference(options))
        if not capture.has_arrivals:
            raise no_frames(options.source, _head(capture), capture.size_bytes)
        say(options, "note: no arrival times in this capture: its epochs drive the time.")
        if not is_dated:
            say(options, "note: its date is not known, its times of day are; add --date 2026-03-04")
    with stopping() as stopper:
        if options.to is not None:
            code = _send(options, capture, stopper)
        else:
            code = _play(options, capture, stopper, has_arrivals=has_arrivals, is_dated=is_dated)
    stopper.die_of_it()
    return code


def _head(capture: "Capture") -> bytes:
    return next((chunk.data[:4096] for chunk in capture.chunks()), b"")


def _range(options: argparse.Namespace, capture: "Capture") -> tuple[int | None, int | None]:
    """Give --since and --until as UTC, ns.

    Raises
    ------
    UsageError
        If nothing of the capture lies between.
    """
    start_ns = int(capture.arrivals.utc_ns[0])
    since = None if options.since is None else options.since.after(start_ns)
    until = None if options.until is None else options.until.after(start_ns)
    begin, end = capture.byte_range(since, until)
    if begin == end:
        from rtcmtool.views.status_lines import stamp

        first, last = capture.arrivals.utc_ns[0], capture.arrivals.utc_ns[-1]
        raise UsageError(
            "nothing of the capture lies in that time.",
            why=f"it runs from {stamp(int(first))} to {stamp(int(last))}.",
        )
    return since, until


def _send(options: argparse.Namespace, capture: "Capture", stopper: "Stopper") -> int:
    """Send the bytes on."""
    from rtcmtool.captures.pacing import Pace
    from rtcmtool.running.sending import send, sending_target
    from rtcmtool.running.timeline import Timeline

    since, until = _range(options, capture)
    if options.event is not None:
        mark = _mark(options, Timeline(capture, since=since, until=until))
        if mark is None:
            return 0
        since = mark.utc_ns - 10 * 10**9
    target = sending_target(options.to, options.baud)
    if target.needs_yes:
        ask(options)
    pace = Pace(options.speed)
    stopper.on_stop(pace.stop)
    try:
        target.open(lambda text: say(options, text))
        sent = send(
            capture, target, pace, since=since, until=until, tell=lambda text: say(options, text)
        )
    finally:
        target.close()
    say(options, f"sent {sent.size_bytes} bytes in {sent.chunks} pieces")
    return stopper.exit_code or 0


def ask(options: argparse.Namespace) -> None:
    """Let the user type yes before old corrections go out of a port.

    Raises
    ------
    UsageError
        If there is no yes.
    """
    from rtcmtool.running.sending import CAUTION

    print(f"caution: {CAUTION}", file=sys.stderr)
    if options.yes:
        return
    if sys.stdin is None or not sys.stdin.isatty():
        raise UsageError("sending to a serial port needs a yes.", do="add --yes")
    print(f"send old corrections to {options.to}? type yes: ", end="", file=sys.stderr, flush=True)
    if sys.stdin.readline().strip().lower() != "yes":
        raise UsageError("nothing was sent.", why="the answer was not yes.")


def _mark(options: argparse.Namespace, timeline: "Timeline") -> "Mark | None":
    """Give the event that was asked for; None when they are to be listed.

    Raises
    ------
    UsageError
        If there is no such event.
    """
    from rtcmtool.views.status_lines import stamp

    marks = timeline.marks
    if options.event == 0:
        for mark in marks:
            print(f"{mark.number:4}  {stamp(mark.utc_ns)}  {mark.text}")
        if not marks:
            say(options, "no event is kept with this capture.")
        return None
    if options.event > len(marks):
        count = "no event is" if not marks else f"only {len(marks)} are"
        raise UsageError(
            f"there is no event {options.event}.",
            why=f"{count} kept with this capture.",
            do=f"list them: rtcmtool replay {options.source} --event 0",
        )
    found: Mark = marks[options.event - 1]
    return found


def _play(
    options: argparse.Namespace,
    capture: "Capture",
    stopper: "Stopper",
    *,
    has_arrivals: bool,
    is_dated: bool,
) -> int:
    """Play on the dashboard, as lines or as JSON Lines."""
    from rtcmtool.running.replaying import PlayClocks, Replay
    from rtcmtool.running.timeline import Timeline

    since, until = _range(options, capture)
    timeline = Timeline(capture, since=since, until=until)
    replay = Replay(timeline, PlayClocks(time.monotonic, time.sleep), options.speed)
    if options.event is not None:
        mark = _mark(options, timeline)
        if mark is None:
            return 0
        replay.jump_to_event(mark)
        say(options, replay.message)
    session, judging, facts = _session(options, capture, replay, has_arrivals=has_arrivals)
    replay.epoch = lambda: session.live.state.epochs and session.live.state.epochs.latest_ms
    stopper.on_stop(replay.stop)
    with _shown(options, replay, session, judging, facts, is_dated=is_dated):
        session.run(replay)
    return _end(options, session, stopper)


def _session(
    options: argparse.Namespace, capture: "Capture", replay: "Replay", *, has_arrivals: bool
) -> "tuple[Session, Judging, Facts]":
    """Make the session, the listener that judges it, and what is known of it."""
    from rtcmtool.diagnosis.context import Context
    from rtcmtool.monitor.live_state import LiveState
    from rtcmtool.monitor.stream_state import StreamState
    from rtcmtool.running.judging import Judging
    from rtcmtool.running.replay_keys import Cadence
    from rtcmtool.running.session import Session
    from rtcmtool.running.watching import Facts

    is_trusted = options.clock == "trusted"

    def begin(utc_ns: int, monotonic_s: float) -> LiveState:
        return LiveState(
            utc_ns,
            monotonic_s,
            station=options.station,
            has_arrivals=has_arrivals,
            clock_trusted=is_trusted,
        )

    sheet = site_sheet(options)
    context = Context.for_site(StreamState(), sheet, live=True, clock_trusted=is_trusted)
    session = Session(begin(replay.timeline.begin_utc_ns, 0.0), anew=begin)
    judging = Judging(context)
    session.listeners += [Cadence(replay, judging), judging]
    description = capture.description
    site = sheet.name if sheet else description.site if description else None
    facts = Facts(
        capture.path.name,
        site=site,
        sheet=(options.site or DEFAULT_SHEET).name if sheet else None,
        radio_rate_bit_s=context.radio_rate_bit_s,
        overhead=context.overhead,
    )
    return session, judging, facts


def _shown(
    options: argparse.Namespace,
    replay: "Replay",
    session: "Session",
    judging: "Judging",
    facts: "Facts",
    *,
    is_dated: bool,
) -> "AbstractContextManager[None]":
    """Add whoever shows the session; give what is open meanwhile."""
    from contextlib import nullcontext

    from rtcmtool.running.telling import JsonLines, StatusTold, without_date

    if options.json:
        session.listeners.append(JsonLines(_print, judging, options.source, is_dated=is_dated))
        return nullcontext()
    if options.plain or not is_terminal(sys.stdout):
        write = _print if is_dated else without_date(_print)
        session.listeners.append(StatusTold(write, judging))
        return nullcontext()
    from rtcmtool.running.replay_keys import ReplayKeys
    from rtcmtool.running.watching import Dashboard, screen_console

    keys = ReplayKeys(replay, lambda text: _read_time(text, replay.timeline.begin_utc_ns))
    dashboard = Dashboard(
        screen_console(sys.stdout, options.color),
        judging,
        facts,
        replay.stop,
        on_key=keys.press,
        title=lambda: replay.title,
    )
    keys.say = dashboard.say
    replay.stays_at_end = True
    session.listeners += [keys, dashboard]
    return dashboard.shown()


def _read_time(text: str, begin_utc_ns: int) -> int | None:
    try:
        return moment(text).after(begin_utc_ns)
    except argparse.ArgumentTypeError:
        return None


def _print(text: str) -> None:
    print(text, flush=True)


def _end(options: argparse.Namespace, session: "Session", stopper: "Stopper") -> int:
    from rtcmtool.cli.reading import no_frames
    from rtcmtool.views.status_lines import summary_lines

    for line in summary_lines(session.live):
        say(options, line)
    if stopper.exit_code is not None:
        return stopper.exit_code
    if not stopper.is_asked and not session.live.state.traffic.frames and session.received_bytes:
        raise no_frames(options.source, b"", session.received_bytes)
    return 0
