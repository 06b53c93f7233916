"""SOURCE to decoded batches, with progress, and a word on what is no RTCM 3."""

import argparse
import codecs
import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from rtcmtool.captures.reading import Capture, open_capture
from rtcmtool.cli.arguments import time_reference
from rtcmtool.cli.console import say
from rtcmtool.cli.progress import Tally, progress
from rtcmtool.errors import NoFrameError, UsageError
from rtcmtool.gnss import time as gnss_time
from rtcmtool.monitor.one_station import only_station
from rtcmtool.monitor.traffic import is_damage
from rtcmtool.wire.decoding import Batch
from rtcmtool.wire.epochs import TimeReference
from rtcmtool.wire.stream import DEFAULT_BLOCK_BYTES, Chunk, decode_stream

STANDARD_INPUT = "-"
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
    """

    name: str
    capture: Capture | None
    reference: TimeReference
    frames: int = 0
    total_bytes: int = 0
    head: bytes = b""
    _warned: bool = field(default=False, repr=False)

    def chunks(self) -> Iterator[Chunk]:
        """Give the bytes in large pieces."""
        chunks = self.capture.chunks() if self.capture else _standard_input()
        for chunk in chunks:
            if len(self.head) < _HEAD_BYTES:
                self.head += chunk.data[: _HEAD_BYTES - len(self.head)]
            self.total_bytes += len(chunk.data)
            yield chunk

    def batches(self, options: argparse.Namespace) -> Iterator[Batch]:
        """Decode everything, showing progress on long files."""
        size = self.capture.size_bytes if self.capture else None
        tally = Tally(size or 0)
        with progress(options, size) as shown:
            for batch in decode_stream(self.chunks(), self.reference):
                self.frames += len(batch)
                tally.done_bytes = self.total_bytes
                tally.frames = self.frames
                tally.damaged += sum(is_damage(reject) for reject in batch.rejects)
                shown.move(tally)
                yield batch
        self._warn_of_leap_seconds(options)

    def _warn_of_leap_seconds(self, options: argparse.Namespace) -> None:
        """Say so when the leap-second table may be out of date for these data."""
        reference = self.reference
        if reference.gps_ms is None or reference.leap_seconds is not None:
            return
        utc_ns = gnss_time.utc_ns_from_gps_ms(reference.gps_ms)
        if not gnss_time.is_leap_table_valid(utc_ns):
            until = gnss_time.LEAP_TABLE_VALID_UNTIL.isoformat()
            say(
                options,
                f"note: the leap-second table is known to hold until {until}; UTC and GLONASS "
                "times of these data are right if no leap second has come since.",
            )

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
    capture = open_capture(Path(options.source))
    _refuse_to_overwrite(options, capture)
    for note in capture.notes:
        say(options, f"note: {note}")
    return Input(str(options.source), capture, time_reference(options))


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
