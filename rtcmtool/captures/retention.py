"""Delete old parts of a recording: complete ones, of the same recording, oldest first."""

import logging
from dataclasses import dataclass
from pathlib import Path

from rtcmtool.captures.companions import Description
from rtcmtool.captures.naming import CaptureFiles, part_files, stem_of

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Keep:
    """What is kept: parts that ended less than `age_s` ago, and at most `size_bytes` in all."""

    age_s: float | None = None
    size_bytes: int | None = None


@dataclass(frozen=True, slots=True)
class _OldPart:
    paths: tuple[Path, ...]
    size_bytes: int
    end_utc_ns: int


def remove_old_parts(name: str | Path, keep: Keep, utc_ns: int) -> list[Path]:
    """Delete the older parts of a split recording that need not be kept.

    Only parts whose description says that they belong to this recording and were closed in order
    are touched, and never the newest part. Other files of the same folder are not looked at.

    Parameters
    ----------
    name : str or Path
        NAME of the recording, without part number.
    keep : Keep
        What stays. With both limits a part goes that breaks either.
    utc_ns : int
        Now.

    Returns
    -------
    list of Path
        Files of bytes that were deleted, each with its companions.
    """
    stem = stem_of(Path(name))
    files = part_files(stem)
    if not files:
        return []
    # The newest part and those still open count for the size, but stay.
    total_bytes = sum(_size_of_all(CaptureFiles.of_file(path).all_paths()) for path in files)
    deleted = []
    for path in files[:-1]:
        part = _complete_part(path, stem.name)
        if part is None:
            continue
        is_too_old = keep.age_s is not None and utc_ns - part.end_utc_ns > keep.age_s * 1e9
        is_too_much = keep.size_bytes is not None and total_bytes > keep.size_bytes
        if not (is_too_old or is_too_much):
            continue
        if _delete(part):
            total_bytes -= part.size_bytes
            deleted.append(path)
    return deleted


def _complete_part(path: Path, recording: str) -> _OldPart | None:
    """Read a part's description; None unless it is a complete part of this recording."""
    files = CaptureFiles.of_file(path)
    if files.description is None:
        return None
    try:
        description = Description.read(files.description.read_bytes())
    except (OSError, ValueError):
        return None
    end_utc_ns = description.end_utc_ns
    if description.recording != recording or description.part is None or end_utc_ns is None:
        return None
    paths = tuple(files.all_paths())
    return _OldPart(paths, _size_of_all(paths), end_utc_ns)


def _delete(part: _OldPart) -> bool:
    """Delete the files of a part, its description last: cut in between, it can be done again."""
    description = next(path for path in part.paths if path.suffix == ".json")
    others = [path for path in part.paths if path != description]
    try:
        for path in (*others[1:], others[0], description):
            path.unlink(missing_ok=True)
    except OSError as error:
        log.warning("an old part cannot be deleted: %s", error)
        return False
    return True


def _size_of_all(paths: "list[Path] | tuple[Path, ...]") -> int:
    """Add up the sizes of the files that exist."""
    total_bytes = 0
    for path in paths:
        try:
            total_bytes += path.stat().st_size
        except OSError:
            continue
    return total_bytes
