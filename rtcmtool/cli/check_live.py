"""The live `check`: listen for a minute with a countdown, then the verdict."""

import argparse
import re
import shutil
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

from rtcmtool.cli import check
from rtcmtool.cli.arguments import time_reference
from rtcmtool.cli.console import is_terminal, product, quoted, say, show_error
from rtcmtool.cli.live_options import (
    GIVE_UP_S,
    mark_position,
    open_source,
    place,
    refuse_idle_caster,
    trust,
)
from rtcmtool.cli.navigation import state_maker
from rtcmtool.diagnosis.air_ends import mixed_up
from rtcmtool.diagnosis.air_rules import radio_path, with_finding
from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.earlier_captures import EarlierBase
from rtcmtool.diagnosis.finding import State
from rtcmtool.diagnosis.site_sheet import SiteSheet
from rtcmtool.diagnosis.verdict import RULE_FUNCTIONS, Verdict, judge
from rtcmtool.diagnosis.wording import grouped, seconds
from rtcmtool.errors import NoFrameError, RtcmtoolError, SourceError
from rtcmtool.running.listening import NOTHING_S, Ear, Ending, Listening
from rtcmtool.running.stopping import Stopper, stopping
from rtcmtool.sources import SourceState, Status
from rtcmtool.sources.baud import rates_text
from rtcmtool.sources.network import TcpListenSource
from rtcmtool.sources.ntrip import NtripSource
from rtcmtool.sources.serial_port import SerialSource

DEFAULT_S = 60.0
LINE_EVERY_S = 10.0  # where standard error is no terminal
SETTLING = ("position_on_earth", "position_steady", "one_base")  # bad stays bad
_SENTENCE = re.compile(rb"[$!]([A-Z]{2})[A-Z0-9]{3},")
_INTERRUPTED = 130
_FEWEST_BYTES = 200  # design: before that nothing is said of what they are


def run_live(
    options: argparse.Namespace, sheet: SiteSheet | None, earlier: tuple[EarlierBase, ...]
) -> int:
    """Listen to SOURCE, and with `--heard` to the other end too; give the exit code."""
    options.at = place(options)
    near = _ear(options, options.source, sheet)
    far = _ear(options, options.heard, sheet) if options.heard else None
    refuse_idle_caster(options, [near.source, *([far.source] if far else [])])
    clock = trust(options)

    def context_of(ear: Ear, silent_s: float | None) -> Context:
        context = check.context_of(options, ear.state, sheet, earlier)
        return replace(
            context,
            live=True,
            silent_s=silent_s,
            clock_trusted=clock.is_trusted,
            clock_error_s=clock.error_s,
        )

    def is_settled(listening: Listening) -> bool:
        context = context_of(listening.near, 0.0)
        return any(RULE_FUNCTIONS[name](context).state is State.BAD for name in SETTLING)

    tally = Tally(options)
    duration_s = options.duration or DEFAULT_S
    listening = Listening(near, far, duration_s, is_settled, tally.watch)
    with stopping() as stopper:
        stopper.on_stop(listening.interrupt)
        with tally.shown():
            listening.run()
        tally.ended(listening)
        code = _tell(options, listening, context_of(near, _silent_s(listening)), stopper)
    stopper.die_of_it()
    return code


def _ear(options: argparse.Namespace, text: str, sheet: SiteSheet | None) -> Ear:
    known = mark_position(sheet)
    source = open_source(options, text, give_up_after_s=GIVE_UP_S, known_position=known)
    say(options, f"Opening {text} ...")
    return Ear(
        source, options.station, state_maker(options),
        make_reference=lambda: time_reference(options),
    )  # fmt: skip


def _silent_s(listening: Listening) -> float | None:
    """Give the seconds since the last byte; where none came, those that were listened if enough."""
    silent_s = listening.near.silent_s(listening.now_s)
    if silent_s is not None:
        return silent_s
    listened_s = listening.near.listened_s(listening.now_s)
    return listened_s if listened_s >= NOTHING_S else None


def _tell(
    options: argparse.Namespace, listening: Listening, context: Context, stopper: Stopper
) -> int:
    """Print the verdict, or why there is none."""
    verdict = judge(context, strict=options.strict)
    far, air = listening.far, listening.air
    if far is not None and air is not None:
        names = listening.near.source.text, far.source.text
        finding = mixed_up(air, *names) or radio_path(
            air, listening.near.state, far.state, far.source.text
        )
        verdict = with_finding(verdict, finding, strict=options.strict)
    failure = _failure(listening)
    code = verdict.exit_code if failure is None else failure.exit_code
    if stopper.is_asked:
        code = stopper.exit_code or _INTERRUPTED
    if options.json:
        seconds_ = listening.near.listened_s(listening.now_s)
        check.print_json(options, verdict, context, options.source, code, seconds_)
    elif failure is None:
        after = _next(verdict, options.source, options.duration or DEFAULT_S)
        check.print_text(options, verdict, context, after)
    elif listening.ending is Ending.SILENT:
        _print_silence(options, failure)
        return code
    if failure is not None:
        show_error(failure)
    return code


def _failure(listening: Listening) -> RtcmtoolError | None:
    """Say why there is nothing to judge; None if there is."""
    if isinstance(listening.error, RtcmtoolError):
        return listening.error
    near = listening.near
    if near.state.traffic.frames:
        return None
    if listening.ending is Ending.INTERRUPTED and not near.size_bytes:
        if near.opened_s is not None:
            return nothing_came(near, listening.now_s)
        return SourceError(
            f"{near.source.text} was not open yet, so there is nothing to judge.",
            why="it was stopped before that.",
            do="the reason stands above, if one was told; put it right and try again.",
        )
    if not near.size_bytes and not near.unreadable_bytes:
        return nothing_came(near, listening.now_s)
    return no_rtcm(near)


def nothing_came(ear: Ear, now_s: float) -> NoFrameError:
    """Say that not a single byte came, and what to do."""
    source = ear.source
    do = "switch on the sender, and look at the way between."
    if isinstance(source, SerialSource):
        do = "switch on the base's RTCM output on this connector; use a data cable."
    elif isinstance(source, TcpListenSource):
        do = "let the base connect to this computer's address and port; look at any firewall."
    elif isinstance(source, NtripSource):
        do = "the caster answers, but the base behind it is silent: look at the base's modem."
    text = f"nothing received on {source.text} in {seconds(int(ear.listened_s(now_s)))}"
    return NoFrameError(text, do=do)


def no_rtcm(ear: Ear) -> NoFrameError:
    """Say what came instead of RTCM 3, and what to do."""
    source, size, baud = ear.source, ear.size_bytes, None
    hunted = False
    if isinstance(source, SerialSource):
        baud = source.baud
        size += ear.unreadable_bytes
        hunted = baud is None
    at_rate = f" at {baud} baud" if baud else ""
    text = f"{source.text} sends data ({grouped(size)} bytes{at_rate}) but no RTCM 3."
    sentence = _SENTENCE.search(ear.head)
    if sentence is not None:
        talker = sentence[1].decode("ascii")
        why = f"lines starting with ${talker} were seen: this is the position output (NMEA)."
        do = "set this port of the base to RTCM 3, or give the port to --rover."
    elif hunted:
        why = f"nothing readable at {rates_text()} baud."
        do = "set the base's output to RTCM 3 and to one of these rates; change the cable."
    elif baud is not None:
        why = "no frame is whole: the rate is another one, or the output is not RTCM 3."
        do = "leave out --baud so that the usual rates are tried; look at the base's output format."
    elif _is_text(ear.head):
        why = "this is text."
        do = "set the output of the base to RTCM 3."
    elif size < _FEWEST_BYTES:
        why = "so few bytes do not tell what they are."
        do = "listen longer; look whether the base sends corrections, and how often."
    else:
        why = "the bytes are of another format."
        do = "set the output of the base to RTCM 3."
    return NoFrameError(text, why=why, do=do)


def _is_text(head: bytes) -> bool:
    return all(byte in b"\t\r\n" or 32 <= byte < 127 for byte in head)


def _print_silence(options: argparse.Namespace, failure: NoFrameError | RtcmtoolError) -> None:
    """Print the verdict on a source from which nothing came."""
    with product(options) as console:
        console.print(f"NO-GO - {failure}", style="verdict.no-go")
        console.print(f"  do    {failure.do}")


def _next(verdict: Verdict, source: str, duration_s: float) -> str:
    """Say what comes after the verdict."""
    if verdict.word == "go":
        return (
            "shoot a check point before the first real point, then keep a log: "
            f"rtcmtool record {quoted(source)}"
        )
    if verdict.word == "cannot-tell" and duration_s < DEFAULT_S:
        return f"listen longer: rtcmtool check {quoted(source)} --duration {DEFAULT_S:.0f}s"
    return f"see it change: rtcmtool watch {quoted(source)}"


class Tally:
    """The countdown and what was found so far, on standard error."""

    def __init__(self, options: argparse.Namespace) -> None:
        self._options = options
        self._is_shown = False
        self._is_terminal = is_terminal(sys.stderr)
        self._due_s: float | None = None
        self._last = ""
        self._told: set[str] = set()

    @contextmanager
    def shown(self) -> Iterator[None]:
        """Show it while this is open; the line goes away at the end."""
        try:
            yield
        finally:
            self._clear()

    def watch(self, listening: Listening, status: Status | None) -> None:
        """Take a status of a source, or just the time."""
        if status is not None:
            self._tell(listening, status)
        if self._options.quiet or listening.near.opened_s is None:
            return
        every_s = 1.0 if self._is_terminal else LINE_EVERY_S
        now_s = listening.now_s
        if self._due_s is None:
            self._due_s = now_s + (0.0 if self._is_terminal else every_s)
        if now_s < self._due_s:
            return
        self._due_s = now_s + every_s
        text = tally_text(listening)
        if not self._is_terminal:
            print(text, file=sys.stderr, flush=True)
            return
        columns = shutil.get_terminal_size().columns
        self._write(f"\r\x1b[K{text[: max(columns - 1, 1)]}")
        self._is_shown = True

    def ended(self, listening: Listening) -> None:
        """Say how listening ended, where that is not by time."""
        near, now_s = listening.near, listening.now_s
        heard = seconds(round(near.listened_s(now_s)))
        match listening.ending:
            case Ending.EARLY:
                say(self._options, f"Listened {heard}: more time cannot change the verdict.")
            case Ending.INTERRUPTED:
                say(self._options, f"Stopped after {heard}.")
            case Ending.TIME if near.state.traffic.frames:
                say(self._options, f"Listened {heard} ... done")
            case _:
                return

    def _tell(self, listening: Listening, status: Status) -> None:
        """Keep a line for what happened to a source; the same is said once."""
        if self._options.quiet or status.state is SourceState.STOPPED or status.text in self._told:
            return
        self._told.add(status.text)
        self._clear()
        print(status.text, file=sys.stderr, flush=True)

    def _clear(self) -> None:
        if self._is_shown:
            self._write("\r\x1b[K")
            self._is_shown = False

    @staticmethod
    def _write(text: str) -> None:
        sys.stderr.write(text)
        sys.stderr.flush()


def tally_text(listening: Listening) -> str:
    """Give the countdown and what was found so far in one line."""
    near, now_s = listening.near, listening.now_s
    left = f"Listening, {listening.left_s:.0f} s left"
    if not near.is_open:
        return f"{left}: not open now"
    traffic = near.state.traffic
    if near.first_s is None:
        if near.unreadable_bytes:
            return f"{left}: {grouped(near.unreadable_bytes)} bytes, none readable so far"
        return f"{left}: nothing for {near.listened_s(now_s):.0f} s, ends at {NOTHING_S:.0f} s"
    if not traffic.frames:
        return f"{left}: {grouped(near.size_bytes)} bytes, no RTCM 3 so far"
    frames = f"frames {grouped(traffic.frames)}"
    if listening.far is not None:
        left = left.removeprefix("Listening, ")  # 80 columns hold no more
        frames += f" (far end {grouped(listening.far.state.traffic.frames)})"
    parts = [frames, f"damaged {grouped(traffic.damaged)}"]
    epochs = near.state.epochs
    if epochs is not None and epochs.due:
        parts.append(f"epochs {epochs.whole} of {epochs.due}")
    parts.append("position came" if near.has_position else "no position yet")
    silent_s = near.silent_s(now_s)
    if silent_s is not None and silent_s >= 3:
        parts.insert(0, f"silent {silent_s:.0f} s")  # a narrow terminal cuts the end
    return f"{left}: {', '.join(parts)}"
