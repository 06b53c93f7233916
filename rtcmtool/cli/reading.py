"""SOURCE to decoded batches, with progress, and a word on what is no RTCM 3."""

import argparse
import codecs
import re
import sys
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from rtcmtool.captures.pauses import Pause
from rtcmtool.captures.reading import Capture, open_capture
from rtcmtool.cli.arguments import time_reference
from rtcmtool.cli.console import say
from rtcmtool.cli.leap_note import leap_note, tell_once
from rtcmtool.cli.progress import Tally, progress
from rtcmtool.errors import NoFrameError, UsageError
from rtcmtool.gnss import time as gnss_time
from rtcmtool.monitor.one_station import only_station
from rtcmtool.monitor.traffic import is_damage
from rtcmtool.wire.catalogue import OBSERVATION_NUMBERS, system_of
from rtcmtool.wire.decoding import Batch
from rtcmtool.wire.epochs import TimeReference
from rtcmtool.wire.stream import DEFAULT_BLOCK_BYTES, Chunk, decode_stream

STANDARD_INPUT = "-"
GLONASS_OBSERVATIONS = tuple(n for n in OBSERVATION_NUMBERS if system_of(n) == "R")
_HEAD_BYTES = 4096
_SENTENCE = re.compile(rb"^[$!][A-Z]{2}[A-Z0-9]{3},", re.MULTILINE)
_CONTROLS = frozenset(range(32)) - {9, 10, 13}


@dataclass(slots=True)
class Input:
    """What a command reads.

    Attributes
    ----------
    name : str
        For people and JSON.
    capture : Capture or None
        None for standard input.
    reference : TimeReference
        What is known of the time; moves on while reading.
    frames : int
        Valid frames so far.
    head : bytes
        The first bytes, for saying what it is if it is no RTCM 3.
    silent_at_end_s : float
        How long nothing came before the recording ended.
    pauses : tuple of Pause
        Times without listening inside it.
    """

    name: str
    capture: Capture | None
    reference: TimeReference
    frames: int = 0
    total_bytes: int = 0
    head: bytes = b""
    silent_at_end_s: float = 0.0
    pauses: tuple[Pause, ...] = ()
    _warned: bool = field(default=False, repr=False)

    def chunks(self) -> Iterator[Chunk]:
        """Give the bytes in large pieces."""
        yield from self._noted(self.capture.chunks() if self.capture else _standard_input())

    def _noted(self, chunks: Iterable[Chunk]) -> Iterator[Chunk]:
        """Keep the first bytes, and count them all."""
        for chunk in chunks:
            if len(self.head) < _HEAD_BYTES:
                self.head += chunk.data[: _HEAD_BYTES - len(self.head)]
            self.total_bytes += len(chunk.data)
            yield chunk

    def _stretches(self) -> Iterator[tuple[Pause | None, Iterator[Chunk]]]:
        """Give the bytes between two pauses, each stretch with the pause before it."""
        if self.capture is None or not self.pauses:
            yield None, self.chunks()
            return
        begins = [0, *(pause.offset for pause in self.pauses)]
        ends = [*begins[1:], self.capture.size_bytes]
        for pause, begin, end in zip((None, *self.pauses), begins, ends, strict=True):
            yield pause, self._noted(self.capture.chunks_between(begin, end))

    def batches(
        self,
        options: argparse.Namespace,
        *,
        tells_utc: bool = True,
        on_pause: Callable[[float, float], None] | None = None,
    ) -> Iterator[Batch]:
        """Decode everything, showing progress on long files.

        Parameters
        ----------
        options : Namespace
            Of the command.
        tells_utc : bool
            Whether the command turns the time of the data into UTC. Without it the leap second
            matters to GLONASS epochs alone.
        on_pause : callable, optional
            Called between what came before and behind a time without listening, with how long
            nothing came before and after it, s. Then the offsets of each stretch begin at 0.

        Yields
        ------
        Batch
            The next part of the stream.
        """
        matters = tells_utc
        size = self.capture.size_bytes if self.capture else None
        tally = Tally(size or 0)
        with progress(options, size) as shown:
            for batch in self._decoded(on_pause):
                self.frames += len(batch)
                tally.done_bytes = self.total_bytes
                tally.frames = self.frames
                tally.damaged += sum(is_damage(reject) for reject in batch.rejects)
                shown.move(tally)
                matters = matters or _has_glonass_epochs(batch)
                yield batch
        if matters:
            self._warn_of_leap_seconds(options)

    def _decoded(self, on_pause: Callable[[float, float], None] | None) -> Iterator[Batch]:
        if on_pause is None:
            yield from decode_stream(self.chunks(), self.reference)
            return
        for pause, chunks in self._stretches():
            if pause is not None:
                on_pause(pause.before_s, pause.after_s)
            yield from decode_stream(chunks, self.reference)

    def _warn_of_leap_seconds(self, options: argparse.Namespace) -> None:
        """Say so when the leap-second table may be out of date for these data."""
        reference = self.reference
        if options.quiet or reference.gps_ms is None or reference.leap_seconds is not None:
            return
        note = leap_note(gnss_time.utc_ns_from_gps_ms(reference.gps_ms))
        if note is not None:
            tell_once(note)

    def require_frames(self) -> None:
        """Refuse an input that held no frame, saying what it is instead.

        Raises
        ------
        NoFrameError
            If no valid frame came.
        """
        if not self.frames:
            raise no_frames(self.name, self.head, self.total_bytes)


def open_input(options: argparse.Namespace) -> Input:
    """Open SOURCE.

    Raises
    ------
    SourceError
        If it is missing, a folder, or not readable.
    """
    if options.source == STANDARD_INPUT:
        return Input("standard input", None, time_reference(options))
    told = open_capture(Path(options.source))
    capture = told.without_clock_steps()
    _refuse_to_overwrite(options, capture)
    for note in capture.notes:
        say(options, f"note: {note}")
    if capture.arrivals is not told.arrivals:
        say(
            options,
            "note: the computer's clock was set while this was recorded; "
            "times here go on as it ran before.",
        )
    reference, silent_s = time_reference(options), told.silent_at_end_s
    return Input(
        str(options.source), capture, reference, silent_at_end_s=silent_s, pauses=told.pauses
    )


def heard_from(options: argparse.Namespace, batch: Batch) -> Batch:
    """Give a batch, of one station alone where --station says so."""
    return batch if options.station is None else only_station(batch, options.station)


def _refuse_to_overwrite(options: argparse.Namespace, capture: Capture) -> None:
    """Keep --output off the recording itself."""
    output: Path | None = options.output
    if output is None or not output.exists():
        return
    if any(output.samefile(files.data) for files in capture.files):
        raise UsageError(
            f"{output} is the recording that is read: it is never written to.",
            do="give --output another name.",
        )


def _standard_input() -> Iterator[Chunk]:
    read = getattr(sys.stdin.buffer, "read1", sys.stdin.buffer.read)
    while data := read(DEFAULT_BLOCK_BYTES):
        yield Chunk(data)


def _has_glonass_epochs(batch: Batch) -> bool:
    """Tell whether GLONASS observations are among it: their epochs count in UTC."""
    return bool(np.isin(batch.number, GLONASS_OBSERVATIONS).any())


def _is_text(head: bytes) -> bool:
    """Tell whether bytes are text; the last character may be cut."""
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return False
    return not any(byte in _CONTROLS for byte in head)


def no_frames(name: str, head: bytes, size: int) -> NoFrameError:
    """Say what an input without frames is instead."""
    if not size:
        return NoFrameError(
            f"{name} is empty.",
            why="there is no byte in it, so no RTCM 3 frame.",
            do="check that the recording ran, and that the base's output was on.",
        )
    if _SENTENCE.search(head):
        why = "lines starting with $ were seen: this is the position output (NMEA)."
        do = "set the port of the base to RTCM 3 and record again."
    elif b"RINEX VERSION" in head[:100]:
        why = "this is a RINEX file: observations or orbits as text, not a correction stream."
        do = "give the recording of the base's RTCM 3 output."
    elif _is_text(head):
        why = "this is text."
        do = "give the recording of the base's RTCM 3 output."
    else:
        why = "the bytes are of another format, or from a serial line at a wrong baud rate."
        do = "check the base's output format (RTCM 3) and the baud rate at both ends."
    return NoFrameError(f"{name} holds {size} bytes but no RTCM 3 frame.", why=why, do=do)
