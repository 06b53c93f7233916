"""What `replay` plays: a capture with its times, the session that follows it, its events."""

import argparse
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from rtcmtool.cli.arguments import time_reference
from rtcmtool.cli.console import say
from rtcmtool.cli.live_options import place
from rtcmtool.cli.navigation import state_maker
from rtcmtool.cli.site_files import sheet_path, site_sheet
from rtcmtool.errors import UsageError

if TYPE_CHECKING:
    from rtcmtool.captures.reading import Capture
    from rtcmtool.diagnosis.context import Context
    from rtcmtool.diagnosis.site_sheet import SiteSheet
    from rtcmtool.monitor.stream_state import StreamState
    from rtcmtool.running.decoding_ahead import LookAhead
    from rtcmtool.running.judging import Judging
    from rtcmtool.running.scanning import EventScan
    from rtcmtool.running.session import Session
    from rtcmtool.running.timeline import Timeline
    from rtcmtool.running.watching import Facts


@dataclass(frozen=True, slots=True)
class Job:
    """What is played, and what is known of its times.

    Attributes
    ----------
    options : Namespace
        Of the command line.
    capture : Capture
        With arrival times, or with those of its epochs.
    has_arrivals, is_dated : bool
        Whether they are arrivals, and whether the day is known.
    sheet : SiteSheet or None
        Of the site.
    make_state : callable
        Makes the state of a stream, with the orbits that the user has given.
    """

    options: argparse.Namespace
    capture: "Capture"
    has_arrivals: bool
    is_dated: bool
    sheet: "SiteSheet | None"
    make_state: "Callable[..., StreamState]"

    def stamp(self, utc_ns: int) -> str:
        """Write a time; without the day where that is not known."""
        from rtcmtool.views.status_lines import stamp

        text = stamp(utc_ns)
        return text if self.is_dated else text.partition(" ")[2]

    @property
    def is_clock_trusted(self) -> bool:
        """Whether the recording computer's clock was right: told now, or by the capture."""
        told = (event.values.get("clock_trusted") for event in self.capture.events)
        return self.options.clock == "trusted" or any(value is True for value in told)


def opened(options: argparse.Namespace) -> Job:
    """Open the capture, and time it.

    Raises
    ------
    NoFrameError
        If it holds nothing that could be timed.
    """
    from rtcmtool.captures.reading import open_capture
    from rtcmtool.cli.reading import no_frames
    from rtcmtool.running.patient_state import PatientState
    from rtcmtool.running.timeline import timed_by_epochs

    capture = open_capture(Path(options.source))
    for note in capture.notes:
        say(options, f"note: {note}")
    if not capture.size_bytes:
        raise no_frames(options.source, b"", 0)
    has_arrivals, is_dated = capture.has_arrivals, True
    if not has_arrivals:
        capture, is_dated = timed_by_epochs(capture, time_reference(options))
        if not capture.has_arrivals:
            raise no_frames(options.source, _head(capture), capture.size_bytes)
        say(options, "note: no arrival times in this capture: its epochs drive the time.")
        if not is_dated:
            say(options, "note: its date is not known, its times of day are; add --date 2026-03-04")
    sheet = site_sheet(options, str(capture.path))
    make_state = state_maker(options, PatientState)
    return Job(options, capture, has_arrivals, is_dated, sheet, make_state)


def _head(capture: "Capture") -> bytes:
    return next((chunk.data[:4096] for chunk in capture.chunks()), b"")


def timeline_of(job: Job) -> "Timeline":
    """Give what is played, within --since and --until.

    Raises
    ------
    UsageError
        If nothing of the capture lies between.
    """
    from rtcmtool.running.timeline import Timeline

    options, arrivals = job.options, job.capture.arrivals
    start_ns = int(arrivals.utc_ns[0])
    since = None if options.since is None else options.since.after(start_ns)
    until = None if options.until is None else options.until.after(start_ns)
    begin, end = job.capture.byte_range(since, until)
    if begin == end:
        first, last = job.stamp(start_ns), job.stamp(int(arrivals.utc_ns[-1]))
        raise UsageError(
            "nothing of the capture lies in that time.", why=f"it runs from {first} to {last}."
        )
    return Timeline(job.capture, since=since, until=until)


def scan_of(job: Job) -> "EventScan":
    """Make the search for events: over the whole capture, judging as a recorder does."""
    from rtcmtool.running.recording import JUDGE_EVERY_S
    from rtcmtool.running.scanning import EventScan
    from rtcmtool.running.timeline import Timeline

    whole = Timeline(job.capture)

    def make() -> "Session":
        session, judging, _ = session_of(job, whole.begin_utc_ns)
        judging.every_s = JUDGE_EVERY_S
        return session

    return EventScan(whole, make)


def _context_of(job: Job, state: "StreamState") -> "Context":
    """Give what the rules are told, by the site sheet and by the capture."""
    from rtcmtool.diagnosis.context import Context

    return Context.for_site(
        state,
        job.sheet,
        radio_rate_bit_s=job.options.radio_rate,
        overhead=job.options.overhead,
        at=place(job.options),
        live=True,
        clock_trusted=job.is_clock_trusted,
    )


def session_of(
    job: Job, begin_utc_ns: int, ahead: "LookAhead | None" = None
) -> "tuple[Session, Judging, Context]":
    """Make a session, the listener that judges it, and what that is told.

    Parameters
    ----------
    job : Job
        What is played.
    begin_utc_ns : int
        When it begins.
    ahead : LookAhead, optional
        Knows what is played next.
    """
    from rtcmtool.monitor.live_state import LiveState
    from rtcmtool.running.judging import Judging
    from rtcmtool.running.session import Session

    def begin(utc_ns: int, monotonic_s: float) -> LiveState:
        live = LiveState(
            utc_ns,
            monotonic_s,
            station=job.options.station,
            has_arrivals=job.has_arrivals,
            clock_trusted=job.is_clock_trusted,
            state=job.make_state(station=job.options.station),
        )
        if ahead is not None:
            ahead.serve(live)
        return live

    live = begin(begin_utc_ns, 0.0)
    context = _context_of(job, live.state)
    judging = Judging(context)
    return Session(live, None, [judging], anew=begin), judging, context


def facts_of(job: Job, context: "Context") -> "Facts":
    """Give what the dashboard shows of the capture."""
    from rtcmtool.running.watching import Facts

    description, sheet = job.capture.description, context.sheet
    kept_in = job.capture.path.with_suffix(".json")
    return Facts(
        job.capture.path.name,
        site=sheet.name if sheet else description.site if description else None,
        sheet=(sheet_path(job.options) or kept_in).name if sheet else None,
        radio_rate_bit_s=context.radio_rate_bit_s,
        overhead=context.overhead,
        is_dated=job.is_dated,
    )
