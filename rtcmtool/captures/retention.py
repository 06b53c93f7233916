"""Delete old parts of split recordings: of the same series, oldest first.

A series is what `record` was asked to record under one NAME in one folder, over all its runs: a
service that starts again goes on as NAME-2, and its disk must not fill for that. The description of
each part tells its series; what does not tell it is never touched.
"""

import logging
from dataclasses import dataclass, replace
from pathlib import Path

from rtcmtool.captures.companions import Description
from rtcmtool.captures.holding import is_surely_free
from rtcmtool.captures.naming import BYTES_SUFFIX, CaptureFiles, list_folder, split_part

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Keep:
    """What is kept: parts that ended less than `age_s` ago, and at most `size_bytes` in all."""

    age_s: float | None = None
    size_bytes: int | None = None


@dataclass(frozen=True, slots=True)
class _Part:
    """A part of the series that nobody writes any more."""

    path: Path
    run: str
    number: int
    start_utc_ns: int | None
    end_utc_ns: int
    size_bytes: int


class Retention:
    """Looks after the parts of one series.

    Parameters
    ----------
    keep : Keep
        What stays. With both limits a part goes that breaks either.
    series : str
        As the descriptions tell it.
    """

    def __init__(self, keep: Keep, series: str) -> None:
        self._keep, self._series = keep, series
        self._known: dict[Path, _Part] = {}  # closed in order: nothing of them changes any more

    def remove(self, present: Path, utc_ns: int) -> list[Path]:
        """Delete the parts that need not be kept.

        Only parts are touched whose description says that they are of this series, and that were
        closed in order or that nobody writes any more (a dead battery closes nothing). Captures
        that are no parts, and all other files, stay.

        Parameters
        ----------
        present : Path
            The bytes of the part that is being written; the others are looked for beside it.
        utc_ns : int
            Now.

        Returns
        -------
        list of Path
            Files of bytes that were deleted, each with its companions.
        """
        found = self._parts_beside(present)
        total_bytes = _size_of_all(present) + sum(part.size_bytes for part in found)
        deleted = []
        for part in found:
            age_s, most_bytes = self._keep.age_s, self._keep.size_bytes
            is_too_old = age_s is not None and utc_ns - part.end_utc_ns > age_s * 1e9
            is_too_much = most_bytes is not None and total_bytes > most_bytes
            if (is_too_old or is_too_much) and _delete(part.path):
                self._known.pop(part.path, None)
                total_bytes -= part.size_bytes
                deleted.append(part.path)
        return deleted

    def _parts_beside(self, present: Path) -> list[_Part]:
        """List the parts of the series that are over, the oldest first."""
        # By their descriptions, which are deleted last: what was cut short is found again.
        stems = [path.with_suffix("") for path in list_folder(present.parent) if _is_told(path)]
        files = (stem.with_name(stem.name + BYTES_SUFFIX) for stem in stems)
        paths = [path for path in files if path.name != present.name]
        self._known = {path: self._known[path] for path in paths if path in self._known}
        found = [part for path in paths if (part := self._read(path)) is not None]
        return sorted(_true_ends(found), key=lambda part: (part.end_utc_ns, part.run, part.number))

    def _read(self, path: Path) -> _Part | None:
        """Read what a part tells of itself; None unless it is surely a part that is over."""
        if path in self._known:
            return self._known[path]
        document = CaptureFiles.of_file(path).description
        if document is None:
            return None
        try:
            told = Description.read(document.read_bytes())
            written = path if path.exists() else document
            end_utc_ns = told.end_utc_ns or written.stat().st_mtime_ns
        except (OSError, ValueError):
            return None
        if told.series != self._series or told.recording is None or told.part is None:
            return None
        if not told.is_complete and not is_surely_free(written):
            return None
        part = _Part(
            path, told.recording, told.part, told.start_utc_ns, end_utc_ns, _size_of_all(path)
        )
        if told.is_complete:
            self._known[path] = part
        return part


def _is_told(path: Path) -> bool:
    """Tell whether a file may be the description of a part."""
    return path.suffix == ".json" and split_part(path.stem) is not None


def _true_ends(parts: list[_Part]) -> list[_Part]:
    """Let a part end no earlier than the next one of its run begins.

    A computer without a battery for its clock begins in the past; the part in which the clock was
    set would look years old.
    """
    begins = {(part.run, part.number): part.start_utc_ns for part in parts}
    found = []
    for part in parts:
        next_ns = begins.get((part.run, part.number + 1)) or part.end_utc_ns
        found.append(replace(part, end_utc_ns=max(part.end_utc_ns, next_ns)))
    return found


def _delete(path: Path) -> bool:
    """Delete the files of a part, its description last: cut in between, it can be done again."""
    files = CaptureFiles.of_file(path)
    others = (files.arrivals, files.events, files.outages, files.data, files.description)
    try:
        for each in others:
            if each is not None:
                each.unlink(missing_ok=True)
    except OSError as error:
        log.warning("an old part cannot be deleted: %s", error)
        return False
    return True


def _size_of_all(path: Path) -> int:
    """Add up the sizes of a capture's files, as far as they exist."""
    total_bytes = 0
    for each in CaptureFiles.of_file(path).all_paths():
        try:
            total_bytes += each.stat().st_size
        except OSError:
            continue
    return total_bytes
