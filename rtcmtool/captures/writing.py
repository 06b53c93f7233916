"""Write a capture so that a dead battery, a full disk or a second program spoils nothing.

Bytes go to the operating system at once and are forced to disk every second. An arrival is written
before its bytes: cut in between, a record that points past the end is left, which readers ignore;
the other way round bytes would take the time of those before them.
"""

import logging
import os
import shutil
from dataclasses import dataclass, replace
from pathlib import Path

from rtcmtool.captures import arrivals as arrival_records
from rtcmtool.captures.appending import AppendFile
from rtcmtool.captures.companions import (
    OUTAGE_COLUMNS,
    Description,
    Event,
    EventValue,
    OutageRow,
    csv_line,
    has_credentials,
)
from rtcmtool.captures.holding import hold
from rtcmtool.captures.naming import CaptureFiles, is_taken, part_stem, stem_of
from rtcmtool.errors import UsageError
from rtcmtool.gnss.time import iso_utc

log = logging.getLogger(__name__)

FORCE_EVERY_S = 1.0  # design 4.4
RETRY_EVERY_S = 10.0  # while the disk is full
HELD_LIMIT_BYTES = 4 * 1024 * 1024  # about an hour of corrections; what comes beyond is lost
MOST_NAMES = 10_000  # NAME-2, NAME-3 ... tried before giving up


@dataclass(frozen=True, slots=True)
class Split:
    """When a recording goes on in the next part: after a time, a size, or whichever is first."""

    duration_s: float | None = None
    size_bytes: int | None = None


class _Part:
    """The open files of one capture.

    Raises
    ------
    OSError
        If any of them exists or cannot be created; none is left behind.
    """

    def __init__(self, stem: Path, description: Description, monotonic_s: float) -> None:
        self.files = CaptureFiles.of_stem(stem)
        self.description = description
        self.began_s = monotonic_s
        opened: list[AppendFile] = []
        try:
            opened.extend(AppendFile(path) for path in self.files.all_paths())
            self.data, self.arrivals, document, self.events, self.outages = opened
            hold(self.data.descriptor)
            document.append(description.document())
            document.close()
            self.outages.append(csv_line(OUTAGE_COLUMNS))
            _force_folder(stem.parent)
        except OSError:
            for file in opened:
                _abandon(file)
            raise

    @property
    def appended(self) -> tuple[AppendFile, ...]:
        """The files that grow, in the order in which they are written."""
        return (self.arrivals, self.data, self.events, self.outages)

    def close(self, utc_ns: int) -> None:
        """Close the files and tell in the description how it ended."""
        failures: list[OSError] = []
        held_bytes = self.data.held_bytes
        for file in self.appended:
            try:
                file.close()
            except OSError as error:
                failures.append(error)
        size_bytes = self.data.size_bytes - min(held_bytes, self.data.held_bytes)
        self.description = replace(self.description, end_utc_ns=utc_ns, size_bytes=size_bytes)
        try:
            self._rewrite_description()
        except OSError as error:
            failures.append(error)
        if failures:
            raise failures[0]

    def _rewrite_description(self) -> None:
        """Put the new description in the place of the old one, whole or not at all."""
        path = Path(f"{self.files.stem}.json")
        temporary = path.with_name(f".{path.name}.{os.getpid()}.new")
        try:
            with temporary.open("xb") as stream:
                stream.write(self.description.document())
                stream.flush()
                os.fsync(stream.fileno())
            temporary.replace(path)
        except OSError:
            temporary.unlink(missing_ok=True)
            raise
        _force_folder(path.parent)


class CaptureWriter:
    """Writes one recording, in one capture or in parts.

    Parameters
    ----------
    name : str or Path
        NAME, with or without the suffix of a capture. A taken one gets `-2`, `-3` and so on.
    description : Description
        What is recorded, with its start; without user and password.
    monotonic_s : float
        Now, on the clock of the later calls of `tick`.
    split : Split, optional
        Parts NAME-001, NAME-002 ... instead of one capture.

    Attributes
    ----------
    failure : str or None
        Why the disk takes nothing at the moment. Bytes are held back meanwhile, up to
        `HELD_LIMIT_BYTES`, and tried again every `RETRY_EVERY_S`.
    lost_bytes : int
        Bytes that could not even be held back.
    paths : list of Path
        The files of bytes of all parts begun so far.

    Raises
    ------
    UsageError
        If the capture cannot be created there.
    """

    def __init__(
        self,
        name: str | Path,
        description: Description,
        *,
        monotonic_s: float,
        split: Split | None = None,
    ) -> None:
        if any(has_credentials(text) for text in (description.source, description.note or "")):
            raise UsageError("the text of a source must not hold a user and password")
        self.failure: str | None = None
        self.lost_bytes = 0
        self._split = split if split and (split.duration_s or split.size_bytes) else None
        self._now_s = self._forced_s = monotonic_s
        self._retry_s = 0.0
        self._lost_since_utc_ns: int | None = None
        self._lost_now_bytes = 0
        self._new_events: list[Event] = []
        self._is_closed = False
        self._part_number = 1
        self._description = description
        self._stem, self._part = self._create(stem_of(Path(name)))
        self.paths = [self._part.files.data]

    @property
    def path(self) -> Path:
        """The file of bytes that is being written."""
        return self._part.files.data

    @property
    def name(self) -> Path:
        """NAME as it was given or as it became, without suffix and part number."""
        return self._stem

    @property
    def size_bytes(self) -> int:
        """Bytes of the present part."""
        return self._part.data.size_bytes

    @property
    def free_bytes(self) -> int:
        """Room on the disk."""
        return shutil.disk_usage(self._part.files.data.parent).free

    def write(self, data: bytes, utc_ns: int) -> None:
        """Take bytes that have just arrived.

        Never raises for the disk's sake: look at `failure`.

        Parameters
        ----------
        data : bytes
            One chunk as it came; a split never cuts it.
        utc_ns : int
            Its arrival.
        """
        if self._is_closed:
            raise ValueError("the capture is closed")
        if not data:
            return
        if self._is_split_due(len(data)):
            self._begin_next_part(utc_ns)
        if self.failure and self._is_lost(len(data)):
            if self._lost_since_utc_ns is None:
                self._lost_since_utc_ns = utc_ns
            self._lost_now_bytes += len(data)
            self.lost_bytes += len(data)
            return
        record = arrival_records.pack(utc_ns, self._part.data.size_bytes)
        self._append(self._part.arrivals, record, utc_ns)
        self._append(self._part.data, data, utc_ns)

    def event(self, event: Event) -> None:
        """Write an event."""
        self._append(self._part.events, event.line(), event.utc_ns)

    def outage(self, row: OutageRow) -> None:
        """Write an outage that has ended."""
        self._append(self._part.outages, row.line(), row.end_utc_ns)

    def tick(self, monotonic_s: float, utc_ns: int) -> None:
        """Force to disk every second, and try a full disk again; call it several times a second.

        Parameters
        ----------
        monotonic_s : float
            Now, on a clock that does not step.
        utc_ns : int
            Now, for the events.
        """
        self._now_s = monotonic_s
        if self._is_closed:
            return
        if self.failure:
            if monotonic_s >= self._retry_s:
                self._retry(utc_ns)
        elif monotonic_s - self._forced_s >= FORCE_EVERY_S:
            self._forced_s = monotonic_s
            try:
                for file in self._part.appended:
                    file.force()
            except OSError as error:
                self._fail(error, utc_ns)

    def take_events(self) -> list[Event]:
        """Give the events that the writer itself has caused since the last call."""
        events, self._new_events = self._new_events, []
        return events

    def close(self, utc_ns: int) -> None:
        """Close the capture; the second time nothing happens.

        Never raises for the disk's sake: look at `failure` and `lost_bytes` afterwards.
        """
        if self._is_closed:
            return
        if self.failure:
            self._retry(utc_ns)
        self._is_closed = True
        held_bytes = self._part.data.held_bytes if self.failure else 0
        try:
            self._part.close(utc_ns)
        except OSError as error:
            self.failure = self.failure or _reason(error)
            self.lost_bytes += min(held_bytes, self._part.data.held_bytes)
            log.warning("the capture could not be closed whole: %s", error)

    def mark_simulated(self) -> None:
        """Tell in this and all later descriptions that a base that does not exist was recorded."""
        if not self._description.simulated:
            self._description = replace(self._description, simulated=True)
        if not self._part.description.simulated:
            self._part.description = replace(self._part.description, simulated=True)

    def _create(self, wanted: Path) -> tuple[Path, _Part]:
        """Open the files under the wanted name, or under the next that is free."""
        for number in range(1, MOST_NAMES):
            stem = wanted if number == 1 else wanted.with_name(f"{wanted.name}-{number}")
            if is_taken(stem):
                continue
            try:
                return stem, self._open_part(stem)
            except FileExistsError:
                continue  # somebody else was quicker
            except OSError as error:
                raise _not_created(wanted, error) from error
        raise UsageError(
            f"the capture {wanted} cannot be created.",
            why=f"{MOST_NAMES} captures have this name already.",
            do="choose another name.",
        )

    def _open_part(self, stem: Path) -> _Part:
        if self._split is None:
            description = replace(self._description, recording=stem.name)
            return _Part(stem, description, self._now_s)
        description = replace(self._description, recording=stem.name, part=self._part_number)
        return _Part(part_stem(stem, self._part_number), description, self._now_s)

    def _is_lost(self, coming_bytes: int) -> bool:
        """Tell whether bytes cannot be held back; what is lost is one hole, not many small ones."""
        is_too_much = self._part.data.held_bytes + coming_bytes > HELD_LIMIT_BYTES
        return is_too_much or self._lost_since_utc_ns is not None

    def _is_split_due(self, coming_bytes: int) -> bool:
        """Tell whether the next chunk belongs to the next part."""
        if self._split is None or self.failure or not self._part.data.size_bytes:
            return False
        duration_s, size_bytes = self._split.duration_s, self._split.size_bytes
        if size_bytes and self._part.data.size_bytes + coming_bytes > size_bytes:
            return True
        return bool(duration_s) and self._now_s - self._part.began_s >= (duration_s or 0.0)

    def _begin_next_part(self, utc_ns: int) -> None:
        """Go on in a new part; where that fails, in the old one."""
        old, number = self._part, self._part_number
        self._description = replace(self._description, start_utc_ns=utc_ns)
        new = None
        while new is None:
            self._part_number += 1
            try:
                new = self._open_part(self._stem)
            except FileExistsError:
                continue  # never written over: the next number
            except OSError as error:
                self._part_number = number
                self._fail(error, utc_ns)
                return
        self._part = new
        self.paths.append(new.files.data)
        try:
            old.close(utc_ns)
        except OSError as error:
            self._fail(error, utc_ns)
        text = f"continues {old.files.data.name}"
        self._tell(Event(utc_ns, "part", text, {"part": self._part_number}))

    def _append(self, file: AppendFile, data: bytes, utc_ns: int) -> None:
        if self.failure:
            file.hold(data)
            return
        try:
            file.append(data)
        except OSError as error:
            self._fail(error, utc_ns)

    def _fail(self, error: OSError, utc_ns: int) -> None:
        """Note that the disk takes nothing more."""
        self._retry_s = self._now_s + RETRY_EVERY_S
        if self.failure:
            return
        self.failure = _reason(error)
        log.warning("%s: %s", self._part.files.data, self.failure)
        text = f"cannot write: {self.failure}; trying again every {RETRY_EVERY_S:.0f} s"
        self._tell(Event(utc_ns, "not-written", text))

    def _retry(self, utc_ns: int) -> None:
        """Write what was held back, and say what was lost meanwhile."""
        try:
            for file in self._part.appended:
                file.flush()
        except OSError as error:
            self._fail(error, utc_ns)
            return
        self.failure = None
        if self._lost_since_utc_ns is None:
            self._tell(Event(utc_ns, "written-again", "writing works again, nothing was lost"))
            return
        text = f"writing works again, {self._lost_now_bytes} bytes were lost"
        since, self._lost_since_utc_ns = self._lost_since_utc_ns, None
        lost, self._lost_now_bytes = self._lost_now_bytes, 0
        values: dict[str, EventValue] = {"since_utc": iso_utc(since, 6), "bytes_lost": lost}
        self._tell(Event(utc_ns, "monitor-gap", text, values))

    def _tell(self, event: Event) -> None:
        """Write an event of the writer's own, and keep it for the caller."""
        self._new_events.append(event)
        self.event(event)


def _reason(error: OSError) -> str:
    """Give the operating system's reason in its own words."""
    return error.strerror or str(error)


def _not_created(stem: Path, error: OSError) -> UsageError:
    """Say why a capture cannot be created, and what to do."""
    message = f"the capture {stem} cannot be created."
    is_missing = isinstance(error, FileNotFoundError | NotADirectoryError)
    if is_missing and not stem.parent.is_dir():
        return UsageError(
            message,
            why=f"there is no folder {stem.parent}.",
            do=f'make it (mkdir "{stem.parent}") or choose another name.',
        )
    if isinstance(error, PermissionError):
        return UsageError(
            message,
            why=f"this user may not write in {stem.parent}.",
            do="choose a name in a folder of your own.",
        )
    return UsageError(
        message,
        why=f"nothing new can be written into {stem.parent}." if is_missing else _reason(error),
        do="make room on the disk, or choose a name on another one.",
    )


def _abandon(file: AppendFile) -> None:
    """Close and remove a file of a capture that never began."""
    try:
        file.close()
    except OSError as error:
        log.debug("%s: %s", file.path, error)
    file.path.unlink(missing_ok=True)


def _force_folder(folder: Path) -> None:
    """Force the names in a folder to disk, where the system can."""
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
