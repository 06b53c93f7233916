"""The live `diagnose`: listen to stream and rover for two minutes, then look for causes."""

import argparse
import sys
from dataclasses import dataclass, field

from rtcmtool.cli.arguments import time_reference
from rtcmtool.cli.check_live import nothing_came
from rtcmtool.cli.console import is_terminal, say
from rtcmtool.cli.diagnose import tell
from rtcmtool.cli.diagnose_files import (
    Heard,
    about_utc_ns,
    hear_file,
    read_rover,
    require_rover,
)
from rtcmtool.cli.live_options import GIVE_UP_S, listens_live, mark_position, open_source, trust
from rtcmtool.cli.navigation import state_maker
from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.earlier_captures import EarlierBase
from rtcmtool.diagnosis.evidence_link import LinkRecord
from rtcmtool.diagnosis.site_sheet import SiteSheet
from rtcmtool.diagnosis.wording import grouped
from rtcmtool.errors import NoFrameError, RtcmtoolError, UsageError
from rtcmtool.monitor.one_station import StationStates, only_station
from rtcmtool.monitor.rover_log import RoverLog
from rtcmtool.running.feed import Bytes
from rtcmtool.running.listening import Ear, Ending, Listening
from rtcmtool.running.stopping import stopping
from rtcmtool.sources import Status
from rtcmtool.wire.decoding import Batch

DEFAULT_S = 120.0
TELL_EVERY_S = 10.0
_INTERRUPTED = 130


@dataclass(slots=True)
class StreamEar(Ear):
    """Listens to the stream, and keeps how it came, and each of its stations apart."""

    record: LinkRecord = field(init=False)
    apart: StationStates = field(init=False)

    def _begin(self) -> None:
        Ear._begin(self)
        self.record = LinkRecord()
        self.apart = StationStates(self.make_state)

    def _update(self, batch: Batch) -> Batch:
        kept = batch if self.station is None else only_station(batch, self.station)
        self.apart.update(kept, self.state)
        self.record.update(kept)
        return Ear._update(self, batch)

    def finish(self) -> Batch:
        """Tell that listening has ended."""
        batch = Ear.finish(self)
        self.apart.finish()
        return batch


@dataclass(slots=True)
class RoverPort(Ear):
    """Listens to the rover's sentences; the bytes are kept."""

    sentences: bytearray = field(default_factory=bytearray)

    def hear(self, item: Bytes) -> Batch | None:
        """Take bytes."""
        self.sentences += item.data
        return Ear.hear(self, item)


def run_live(
    options: argparse.Namespace, sheet: SiteSheet | None, earlier: tuple[EarlierBase, ...]
) -> int:
    """Listen, diagnose and print; give the exit code."""
    rover_live = options.rover is not None and listens_live(options, options.rover)
    stream_live = options.source is not None and listens_live(options, options.source)
    if options.source is not None and not stream_live:
        raise UsageError(
            f"{options.source} is a file, {options.rover} runs now: they are of different times.",
            do="give two files, or two ports.",
        )
    stream = _stream_ear(options, sheet) if stream_live else None
    rover = _rover_port(options) if rover_live else None
    near = stream or rover
    assert near is not None
    far = rover if stream is not None else None
    clock = trust(options)
    watch = _Progress(options)
    listening = Listening(
        near, far, options.duration or DEFAULT_S, lambda _: False, watch.look
    )  # nothing can settle early: the log must be long enough
    with stopping() as stopper:
        stopper.on_stop(listening.interrupt)
        listening.run()
        heard, failure, told = None, None, None
        if stream is not None:
            heard = Heard(options.source, stream.state, stream.record, stream.apart)
            failure = _failure(stream, listening)
            told = Context(
                stream.state, live=True, silent_s=stream.silent_s(listening.now_s),
                clock_trusted=clock.is_trusted, clock_error_s=clock.error_s,
            )  # fmt: skip
        log = _log(options, rover, heard, listening)
        other = hear_file(options, options.at_rover) if options.at_rover is not None else None
        code = (stopper.exit_code or _INTERRUPTED) if stopper.is_asked else None
        code = tell(
            options, sheet, earlier, heard, far=other, log=log, failure=failure, code=code,
            told=told, is_rover_live=rover is not None,
        )  # fmt: skip
    stopper.die_of_it()
    return code


def _stream_ear(options: argparse.Namespace, sheet: SiteSheet | None) -> StreamEar:
    say(options, f"Opening {options.source} ...")
    known = mark_position(sheet)
    return StreamEar(
        open_source(options, options.source, give_up_after_s=GIVE_UP_S, known_position=known),
        options.station,
        make_state=state_maker(options),
        make_reference=lambda: time_reference(options),
    )


def _rover_port(options: argparse.Namespace) -> RoverPort:
    say(options, f"Opening {options.rover} ...")
    return RoverPort(open_source(options, options.rover, give_up_after_s=GIVE_UP_S))


def _failure(stream: StreamEar, listening: Listening) -> RtcmtoolError | None:
    """Say why there is no stream; None if there is."""
    if isinstance(listening.error, RtcmtoolError):
        return listening.error
    if stream.state.traffic.frames:
        return None
    if not stream.size_bytes:
        return nothing_came(stream, listening.now_s)
    return NoFrameError(
        f"{stream.source.text} sends {grouped(stream.size_bytes)} bytes but no RTCM 3.",
        do="set the output of the base to RTCM 3; a rover's NMEA is given with --rover.",
    )


def _log(
    options: argparse.Namespace, rover: RoverPort | None, stream: Heard | None, listening: Listening
) -> RoverLog | None:
    """Read what the rover said, from its port or its file."""
    if options.rover is None:
        return None
    if rover is None:
        return read_rover(options, options.rover, stream)
    if isinstance(listening.error, RtcmtoolError) and not rover.sentences:
        raise listening.error
    log = RoverLog(about_utc_ns(options, stream) or rover_utc_ns(rover))
    log.feed(bytes(rover.sentences))
    log.finish()
    if stream is None and listening.ending is Ending.INTERRUPTED and not log.is_rover_log:
        return None
    require_rover(options, log, bytes(rover.sentences), options.rover, stream)
    return log


def rover_utc_ns(rover: RoverPort) -> int | None:
    """Give the time of the computer at which the rover was heard."""
    clock = rover.state.clock
    return None if clock.now_ms is None else clock.utc_ns(clock.now_ms)


class _Progress:
    """One line now and then on standard error: what was heard so far."""

    def __init__(self, options: argparse.Namespace) -> None:
        self._options = options
        self._due_s: float | None = None
        self._told: set[str] = set()

    def look(self, listening: Listening, status: Status | None) -> None:
        """Take a status of a source, or just the time."""
        if status is not None and status.text not in self._told:
            self._told.add(status.text)
            say(self._options, status.text)
        if listening.near.opened_s is None:
            return
        if self._due_s is not None and listening.now_s < self._due_s:
            return
        first = self._due_s is None
        self._due_s = listening.now_s + TELL_EVERY_S
        if not first or is_terminal(sys.stderr):
            say(self._options, _tally(listening))


def _tally(listening: Listening) -> str:
    """Give what was heard so far in one line."""
    parts = [f"Listening, {listening.left_s:.0f} s left"]
    for ear in (listening.near, listening.far):
        if isinstance(ear, RoverPort):
            lines = ear.sentences.count(b"GGA,")
            parts.append(f"rover: {grouped(lines)} fixes")
        elif ear is not None:
            parts.append(f"stream: {grouped(ear.state.traffic.frames)} frames")
    return ", ".join(parts)
