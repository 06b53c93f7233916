"""The files of `diagnose`: streams with their link record, and the rover's log."""

import argparse
import copy
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from rtcmtool.captures.reading import open_capture
from rtcmtool.cli.arguments import time_reference
from rtcmtool.cli.navigation import navigation_of
from rtcmtool.cli.reading import Input, heard_from, open_input
from rtcmtool.diagnosis.evidence_link import LinkRecord
from rtcmtool.errors import NoFrameError, RtcmtoolError, SourceError, UsageError
from rtcmtool.gnss import time as gnss_time
from rtcmtool.monitor.one_station import only_station
from rtcmtool.monitor.rover_log import RoverLog
from rtcmtool.monitor.stream_state import StreamState
from rtcmtool.wire.framing import FrameScanner

if TYPE_CHECKING:
    from rtcmtool.diagnosis.site_sheet import SiteSheet

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
    failure : RtcmtoolError or None
        Why it holds nothing: not opened, or no frame.
    is_nmea : bool
        Whether it is a rover's position output instead.
    """

    name: str
    state: StreamState = field(default_factory=StreamState)
    record: LinkRecord = field(default_factory=lambda: LinkRecord(keeps_frames=True))
    failure: RtcmtoolError | None = None
    is_nmea: bool = False


def make_state(options: argparse.Namespace) -> StreamState:
    """Make the state of a stream, with the orbits of `--navigation`."""
    navigation = navigation_of(options)
    if navigation is None:
        return StreamState()
    return StreamState(navigation=navigation.ephemerides, klobuchar=navigation.klobuchar.get("G"))


def hear_file(options: argparse.Namespace, name: str, station: int | None = None) -> Heard:
    """Read a stream; what is wrong with it is noted, not raised.

    Parameters
    ----------
    options : Namespace
        Of the command.
    name : str
        File, or - for standard input.
    station : int, optional
        Keep this station alone.
    """
    heard = Heard(name, make_state(options), LinkRecord(keeps_frames=options.at_rover is not None))
    own = copy.copy(options)
    own.source = name
    source: Input | None = None
    try:
        source = open_input(own)
        for batch in source.batches(own):
            kept = heard_from(options, batch)
            heard.state.update(kept if station is None else only_station(kept, station))
            heard.record.update(kept)
        heard.state.finish()
        source.require_frames()
    except (SourceError, NoFrameError) as error:
        heard.failure = error
        log = RoverLog()
        if source is not None and source.head:
            log.feed(source.head)
        heard.is_nmea = log.state.sentences > 0
    return heard


def heard_alone(
    options: argparse.Namespace, stream: Heard, sheet: "SiteSheet | None"
) -> Heard | None:
    """Read a file again as if our base alone were heard; None where it is."""
    from rtcmtool.diagnosis.context import Context
    from rtcmtool.diagnosis.evidence_gathering import our_station

    station = our_station(Context.for_site(stream.state, sheet))
    if station is None or stream.failure is not None or stream.name == "-":
        return None
    quiet = copy.copy(options)
    quiet.quiet = True
    return hear_file(quiet, stream.name, station)


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
    require_rover(options, log, head, name)
    return log


def about_utc_ns(options: argparse.Namespace, stream: Heard | None) -> int | None:
    """Give a time near the rover's log, for sentences without a date."""
    reference = time_reference(options)
    if reference.gps_ms is not None:
        return gnss_time.utc_ns_from_gps_ms(reference.gps_ms)
    if stream is None or stream.state.clock.now_ms is None:
        return None
    return stream.state.clock.utc_ns(stream.state.clock.now_ms)


def require_rover(options: argparse.Namespace, log: RoverLog, head: bytes, name: str) -> None:
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
        do = f"rtcmtool diagnose {name} --rover NMEA"
        if options.source is not None:
            do = f"change them over: rtcmtool diagnose {name} --rover {options.source}"
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
