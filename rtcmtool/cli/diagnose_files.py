"""The files of `diagnose`: streams with their link record, and the rover's log."""

import argparse
import copy
from dataclasses import dataclass, field
from pathlib import Path

from rtcmtool.captures.reading import open_capture
from rtcmtool.cli.arguments import time_reference
from rtcmtool.cli.console import quoted
from rtcmtool.cli.navigation import state_maker
from rtcmtool.cli.reading import Input, heard_from, open_input
from rtcmtool.diagnosis.evidence_ends import two_ends
from rtcmtool.diagnosis.evidence_link import LinkRecord
from rtcmtool.diagnosis.wording import grouped, seconds
from rtcmtool.errors import NoFrameError, RtcmtoolError, SourceError, UsageError
from rtcmtool.gnss import time as gnss_time
from rtcmtool.monitor.one_station import StationStates
from rtcmtool.monitor.rover_log import RoverLog
from rtcmtool.monitor.stream_state import StreamState
from rtcmtool.wire.framing import FrameScanner

_FEW_FRAMES = 5  # of RTCM 3 in what should be NMEA


@dataclass(slots=True)
class Heard:
    """A stream that was read.

    Attributes
    ----------
    name : str
        As given.
    state : StreamState
    record : LinkRecord
    apart : StationStates
        The states of its stations, where several are heard.
    failure : RtcmtoolError or None
        Why it holds nothing: not opened, or no frame.
    is_nmea : bool
        Whether it is a rover's position output instead.
    """

    name: str
    state: StreamState = field(default_factory=StreamState)
    record: LinkRecord = field(default_factory=lambda: LinkRecord(keeps_frames=True))
    apart: StationStates = field(default_factory=StationStates)
    failure: RtcmtoolError | None = None
    is_nmea: bool = False

    def pause(self, before_s: float, after_s: float) -> None:
        """Tell that nobody listened for a while, as of `StreamState.pause`."""
        self.state.pause(before_s, after_s)
        self.apart.pause(before_s, after_s)
        self.record.pause()


def hear_file(options: argparse.Namespace, name: str) -> Heard:
    """Read a stream; what is wrong with it is noted, not raised.

    Parameters
    ----------
    options : Namespace
        Of the command.
    name : str
        File, or - for standard input.
    """
    record = LinkRecord(keeps_frames=options.at_rover is not None)
    make_state = state_maker(options)
    heard = Heard(name, make_state(), record, StationStates(make_state))
    own = copy.copy(options)
    own.source = name
    source: Input | None = None
    try:
        source = open_input(own)
        for batch in source.batches(own, on_pause=heard.pause):
            kept = heard_from(options, batch)
            heard.apart.update(kept, heard.state)
            heard.state.update(kept)
            heard.record.update(kept)
        heard.state.finish(source.silent_at_end_s)
        heard.apart.finish(source.silent_at_end_s)
        source.require_frames()
    except (SourceError, NoFrameError) as error:
        heard.failure = error
        log = RoverLog()
        if source is not None and source.head:
            log.feed(source.head)
        heard.is_nmea = log.state.sentences > 0
    return heard


def read_rover(options: argparse.Namespace, name: str, stream: Heard | None) -> RoverLog:
    """Read the rover's log.

    Raises
    ------
    SourceError
        If it cannot be opened.
    UsageError
        If it is no position output.
    """
    capture = open_capture(Path(name))
    log = RoverLog(about_utc_ns(options, stream))
    head = b""
    for chunk in capture.chunks():
        head = head or chunk.data
        log.feed(chunk.data)
    log.finish()
    require_rover(options, log, head, name, stream)
    return log


def about_utc_ns(options: argparse.Namespace, stream: Heard | None) -> int | None:
    """Give a time near the rover's log, for sentences without a date."""
    reference = time_reference(options)
    if reference.gps_ms is not None:
        return gnss_time.utc_ns_from_gps_ms(reference.gps_ms)
    if stream is None or stream.state.clock.now_ms is None:
        return None
    return stream.state.clock.utc_ns(stream.state.clock.now_ms)


def require_rover(
    options: argparse.Namespace, log: RoverLog, head: bytes, name: str, stream: Heard | None
) -> None:
    """Refuse what is no position output, saying what it is instead.

    Raises
    ------
    UsageError
        If no fix was told.
    """
    if log.is_rover_log:
        return
    scanner = FrameScanner()
    frames = len(scanner.feed(head)) + len(scanner.finish())
    if frames >= _FEW_FRAMES:
        do = f"rtcmtool diagnose {quoted(name)} --rover NMEA"
        if stream is not None and stream.is_nmea:
            do = (
                f"change them over: rtcmtool diagnose {quoted(name)} "
                f"--rover {quoted(options.source)}"
            )
        elif options.source is not None:
            do = (
                f"heard at the rover's radio? rtcmtool diagnose {quoted(options.source)} "
                f"--at-rover {quoted(name)}"
            )
        raise UsageError(
            f"{name} is a correction stream (RTCM 3), not a rover's position output.", do=do
        )
    if log.state.sentences:
        raise UsageError(
            f"{name} holds {log.state.sentences} NMEA lines, but none tells the quality of a fix.",
            why="quality, age and station stand in GGA.",
            do="switch on GGA at the rover, once a second; GST and GSV help too.",
        )
    why = "the file is empty." if not log.bytes_read else "no line in it is NMEA."
    if log.state.wrong_sums:
        why = f"the check sum of all {log.state.wrong_sums} lines is wrong."
    raise UsageError(
        f"{name} holds no position of a rover.",
        why=why,
        do="record the rover's position output (NMEA: GGA once a second).",
    )


def require_ends(near: Heard, far: Heard) -> None:
    """Refuse two recordings that are not the two ends of one radio link.

    Raises
    ------
    UsageError
        If the other end is a rover's position output, of another time, or changed over with SOURCE.
    """
    if far.is_nmea:
        raise UsageError(
            f"{far.name} is a rover's position output (NMEA), not what its radio heard.",
            do=f"rtcmtool diagnose {quoted(near.name)} --rover {quoted(far.name)}",
        )
    ends = two_ends(near.record, near.state, far.record, far.state)
    if ends.apart_s is not None:
        raise UsageError(
            f"{near.name} and {far.name} are of different times: nothing can be compared.",
            why=f"they lie {seconds(round(ends.apart_s))} apart.",
            do="give two recordings of the same minutes; --date if one tells no day.",
        )
    if ends.is_changed_over and near.name != far.name:
        raise UsageError(
            f"{near.name} lacks {grouped(ends.only_far)} messages that {far.name} has: they are "
            "changed over.",
            why="a rover's radio hears no more than its base sends.",
            do=f"rtcmtool diagnose {quoted(far.name)} --at-rover {quoted(near.name)}",
        )
