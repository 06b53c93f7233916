"""`replay`: play a job back on the dashboard, or send it on at its recorded pace."""

import argparse
import shutil
import sys
import textwrap
import time
from typing import TYPE_CHECKING, TextIO

from rtcmtool.captures.pacing import FASTEST, MAX_SPEED, SLOWEST
from rtcmtool.cli.arguments import day, duration_s, whole
from rtcmtool.cli.console import is_terminal, quoted, say
from rtcmtool.cli.live_options import add_judging
from rtcmtool.cli.moments import moment
from rtcmtool.cli.navigation import add_navigation
from rtcmtool.cli.replay_job import (
    Job,
    facts_of,
    opened,
    scan_of,
    session_of,
    timeline_of,
)
from rtcmtool.cli.site_files import add_site
from rtcmtool.errors import UsageError

if TYPE_CHECKING:
    from contextlib import AbstractContextManager

    from rtcmtool.running.judging import Judging
    from rtcmtool.running.replaying import Replay
    from rtcmtool.running.scanning import EventScan
    from rtcmtool.running.session import Session
    from rtcmtool.running.stopping import Stopper
    from rtcmtool.running.timeline import Mark, Timeline
    from rtcmtool.running.watching import Facts

EXAMPLES = (
    ("rtcmtool replay JOB.rtcm3", "the dashboard, as it was"),
    ("rtcmtool replay JOB --event 3 --speed 10", "from 10 s before an event"),
    ("rtcmtool replay JOB --to tcp-listen://127.0.0.1:5015", "feed other tools"),
)

# Options without an effect where nothing is shown, or nothing is sent.
_SHOWN_ONLY = ("station", "refresh", "bell", "plain", "json")
_JUDGING = ("at", "clock", "navigation", "overhead", "radio_rate", "site")  # events are found so
_SENT_ONLY = ("baud", "yes")
LONG_S = 1.0  # work that takes longer says how far it is


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
    group = add_judging(parser, "the recording computer's was right: judge the delay")
    add_site(group)
    add_navigation(group)
    group = parser.add_argument_group("send the bytes on")
    group.add_argument(
        "--to", metavar="TARGET",
        help="tcp://HOST:PORT, tcp-listen://HOST:PORT, udp://HOST:PORT, a serial port, or -",
    )  # fmt: skip
    group.add_argument("--baud", type=whole, default=38_400, metavar="N", help="default 38400")
    group.add_argument("--yes", action="store_true", help="send to a serial port without asking")
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

    _refuse_idle(options)
    with stopping() as stopper, unheld(sys.stdout) as out:
        job = opened(options)
        code = _play(job, stopper, out) if options.to is None else _send(job, stopper)
    return stopper.leave(code, is_stuck=is_held(out))


def _refuse_idle(options: argparse.Namespace) -> None:
    """Refuse options that would do nothing.

    Raises
    ------
    UsageError
        If there is one.
    """
    parser = argparse.ArgumentParser()
    add_arguments(parser)
    is_sent = options.to is not None
    why = "all bytes are sent on as they are, and nothing is shown."
    idle = (*_SHOWN_ONLY, *(() if options.event is not None else _JUDGING))
    for name in idle if is_sent else _SENT_ONLY:
        if getattr(options, name) == parser.get_default(name):
            continue
        if is_sent:
            option = f"--{name.replace('_', '-')}"
            raise UsageError(f"{option} does not go with --to.", why=why, do="leave it out.")
        raise UsageError(f"--{name} goes with --to: nothing is sent without.", do="leave it out.")


def _send(job: Job, stopper: "Stopper") -> int:
    """Send the bytes on."""
    from rtcmtool.captures.pacing import Pace
    from rtcmtool.running.replaying import BEFORE_EVENT_NS
    from rtcmtool.running.sending import (
        Interruptible,
        Interruption,
        Stopped,
        forget_output,
        send,
        sending_target,
    )

    options, timeline, since = job.options, timeline_of(job), None
    target = sending_target(options.to, options.baud)
    if options.event is not None:
        mark = _mark(job, timeline, scan_of(job), stopper)
        if mark is None:
            return stopper.exit_code or 0
        since = mark.utc_ns - BEFORE_EVENT_NS
        say(options, f"from 10 s before event {mark.number}: {mark.text}")
    if target.needs_yes:
        ask(options)
    pace, interruption = Pace(options.speed), Interruption()
    stopper.on_stop(pace.stop)
    stopper.on_stop(interruption.ask)
    target = Interruptible(target, interruption)
    try:
        target.open(lambda text: say(options, text))
        tell = lambda text: say(options, text)  # noqa: E731  (short)
        sent = send(timeline, target, pace, since=since, tell=tell)
        say(options, f"sent {sent.size_bytes} bytes in {sent.chunks} pieces")
    except Stopped:
        if options.to == "-":
            forget_output()
        say(options, "stopped while the other side was waited for")
    finally:
        target.close()
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


def _mark(job: Job, timeline: "Timeline", scan: "EventScan", stopper: "Stopper") -> "Mark | None":
    """Give the event that was asked for; None when they are listed, or a stop was asked for.

    Raises
    ------
    UsageError
        If there is no such event.
    """
    number, marks = job.options.event, timeline.marks
    if not timeline.has_marks:
        _look_through(job, scan, stopper, number)
        marks = scan.marks
        if stopper.is_asked:
            return None
    if number == 0:
        for each in marks:
            print(f"{each.number:4}  {job.stamp(each.utc_ns)}  {each.text}")
        if not marks:
            say(job.options, "no event is in this capture.")
        return None
    if number > len(marks):
        raise UsageError(
            f"there is no event {number}.",
            why=f"{'no event is' if not marks else f'only {len(marks)} are'} in this capture.",
            do=f"list them: rtcmtool replay {quoted(job.options.source)} --event 0",
        )
    mark: Mark = marks[number - 1]
    if not timeline.begin_utc_ns <= mark.utc_ns <= timeline.end_utc_ns:
        raise UsageError(
            f"event {number} lies outside --since and --until.",
            why=f"it began at {job.stamp(mark.utc_ns)}: {mark.text}.",
        )
    return mark


def _look_through(job: Job, scan: "EventScan", stopper: "Stopper", number: int) -> None:
    """Look for events until the wanted one is there, or to the end; tell how far it is."""
    began_s = time.monotonic()
    is_screen, told = is_terminal(sys.stderr), 0

    def tell() -> None:
        nonlocal told
        share = round(100 * scan.share)
        if time.monotonic() - began_s < LONG_S or share < told + (1 if is_screen else 10):
            return
        told = share
        text = f"looking for events: {share} %, {len(scan.marks)} found"
        if not job.options.quiet:
            print(f"\r{text}" if is_screen else text, end="" if is_screen else "\n",
                  file=sys.stderr, flush=True)  # fmt: skip

    def is_enough(scan: "EventScan") -> bool:
        tell()
        return stopper.is_asked or 0 < number <= len(scan.marks)

    scan.run(is_enough)
    if told and is_screen:
        print(f"\r{'':<60}\r", end="", file=sys.stderr, flush=True)


def _play(job: Job, stopper: "Stopper", out: TextIO) -> int:
    """Play on the dashboard, as lines or as JSON Lines."""
    from rtcmtool.running.decoding_ahead import LookAhead
    from rtcmtool.running.printing import is_held
    from rtcmtool.running.replay_keys import Cadence
    from rtcmtool.running.replaying import PlayClocks, Replay

    options, timeline, scan = job.options, timeline_of(job), scan_of(job)
    mark = None
    if options.event is not None:
        mark = _mark(job, timeline, scan, stopper)
        if mark is None:
            return stopper.exit_code or 0
    ahead, clocks = LookAhead(), PlayClocks(time.monotonic, time.sleep)
    replay = Replay(timeline, clocks, options.speed, scan, ahead)
    if mark is not None:
        replay.jump_to_event(mark)
        say(options, replay.message)
    session, judging, context = session_of(job, timeline.begin_utc_ns, ahead)
    session.listeners.insert(0, Cadence(replay, judging))
    replay.epoch = lambda: session.live.state.epochs and session.live.state.epochs.latest_ms
    stopper.on_stop(replay.stop)
    with _shown(job, replay, session, judging, facts_of(job, context), out):
        session.run(replay)
    return _end(options, session, stopper, is_quiet=is_held(out))


def _shown(
    job: Job,
    replay: "Replay",
    session: "Session",
    judging: "Judging",
    facts: "Facts",
    out: TextIO,
) -> "AbstractContextManager[None]":
    """Add whoever shows the session; give what is open meanwhile."""
    from contextlib import nullcontext

    from rtcmtool.running.folding import folding
    from rtcmtool.running.telling import JsonLines, StatusTold, without_date

    options = job.options
    if options.json:
        lines = JsonLines(_print, judging, options.source, is_dated=job.is_dated)
        session.listeners.append(lines)
        return nullcontext()
    if options.plain or not is_terminal(sys.stdout):
        fold = folding(_print, sys.stdout)
        write = fold if job.is_dated else without_date(fold)
        session.listeners.append(StatusTold(write, judging))
        return nullcontext()
    from rtcmtool.running.replay_keys import ReplayKeys
    from rtcmtool.running.watching import Dashboard, screen_console

    keys = ReplayKeys(replay, lambda text: _read_time(text, replay.timeline.begin_utc_ns))
    dashboard = Dashboard(
        screen_console(out, options.color),
        judging,
        facts,
        replay.stop,
        on_key=keys.press,
        title=lambda: replay.title,
        refresh_s=options.refresh,
        has_bell=options.bell,
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


def _end(
    options: argparse.Namespace, session: "Session", stopper: "Stopper", *, is_quiet: bool
) -> int:
    """Tell the summary, unless nobody takes it; give the exit code."""
    from rtcmtool.cli.reading import no_frames
    from rtcmtool.views.status_lines import summary_lines

    width = shutil.get_terminal_size().columns if sys.stderr.isatty() else 0
    for line in [] if is_quiet else summary_lines(session.live):
        for part in textwrap.wrap(line, width) if width else [line]:
            say(options, part)
    if stopper.exit_code is not None:
        return stopper.exit_code
    if not stopper.is_asked and not session.live.state.traffic.frames and session.received_bytes:
        raise no_frames(options.source, b"", session.received_bytes)
    return 0
