"""The names of a capture's files, of its parts, and which names are taken.

NAME.rtcm3 holds the bytes; its companions are NAME.arrivals, NAME.json, NAME.events.jsonl and
NAME.outages.csv. The parts of a split recording are NAME-001, NAME-002 and so on.
"""

import re
from dataclasses import dataclass
from pathlib import Path

BYTES_SUFFIX = ".rtcm3"
COMPANION_SUFFIXES = (".arrivals", ".json", ".events.jsonl", ".outages.csv")
SUFFIXES = (BYTES_SUFFIX, *COMPANION_SUFFIXES)

_PART = re.compile(r"(?P<name>.+)-(?P<number>\d{3,6})")


@dataclass(frozen=True, slots=True)
class CaptureFiles:
    """The five files of one capture, whether they exist or not.

    Attributes
    ----------
    data : Path
        The bytes.
    stem : str or None
        Path without suffix; None for a file of another suffix, which has no companions.
    """

    data: Path
    stem: str | None

    @classmethod
    def of_stem(cls, stem: Path) -> "CaptureFiles":
        """Name the files of a capture by its path without suffix."""
        return cls(stem.with_name(stem.name + BYTES_SUFFIX), str(stem))

    @classmethod
    def of_file(cls, path: Path) -> "CaptureFiles":
        """Name the companions of a file of bytes."""
        if path.name.lower().endswith(BYTES_SUFFIX) and len(path.name) > len(BYTES_SUFFIX):
            return cls(path, str(path)[: -len(BYTES_SUFFIX)])
        return cls(path, None)

    def companion(self, suffix: str) -> Path | None:
        """Give the path of a companion, or None where the capture cannot have one."""
        return None if self.stem is None else Path(self.stem + suffix)

    @property
    def arrivals(self) -> Path | None:
        """The file of arrival times."""
        return self.companion(".arrivals")

    @property
    def description(self) -> Path | None:
        """The file that tells what was recorded."""
        return self.companion(".json")

    @property
    def events(self) -> Path | None:
        """The file of events."""
        return self.companion(".events.jsonl")

    @property
    def outages(self) -> Path | None:
        """The file of outages."""
        return self.companion(".outages.csv")

    def all_paths(self) -> list[Path]:
        """Give the paths of all files of the capture, the bytes first."""
        paths = (self.companion(suffix) for suffix in COMPANION_SUFFIXES)
        return [self.data, *(path for path in paths if path is not None)]


def stem_of(path: Path) -> Path:
    """Cut the suffix of a capture's file from a path, if it has one.

    Examples
    --------
    >>> stem_of(Path("job.v2.rtcm3")).name, stem_of(Path("job.v2")).name
    ('job.v2', 'job.v2')
    """
    for suffix in SUFFIXES:
        if path.name.lower().endswith(suffix) and len(path.name) > len(suffix):
            return path.with_name(path.name[: -len(suffix)])
    return path


def split_part(stem_name: str) -> tuple[str, int] | None:
    """Split the name of a part into the recording's name and the part's number.

    Examples
    --------
    >>> split_part("job-012"), split_part("job-2"), split_part("job")
    (('job', 12), None, None)
    """
    found = _PART.fullmatch(stem_name)
    return (found["name"], int(found["number"])) if found else None


def part_stem(stem: Path, number: int) -> Path:
    """Name a part of a recording.

    Examples
    --------
    >>> part_stem(Path("job"), 7).name
    'job-007'
    """
    return stem.with_name(f"{stem.name}-{number:03d}")


def part_files(stem: Path) -> list[Path]:
    """List the files of bytes of all parts of a recording, in order."""
    numbered = []
    for path in list_folder(stem.parent):
        if not path.name.endswith(BYTES_SUFFIX):
            continue
        found = split_part(path.name[: -len(BYTES_SUFFIX)])
        if found and found[0] == stem.name:
            numbered.append((found[1], path))
    return [path for _, path in sorted(numbered)]


def is_taken(stem: Path) -> bool:
    """Tell whether any file of a capture, or of a part of one, has this name already."""
    names = {stem.name + suffix for suffix in SUFFIXES}
    for path in list_folder(stem.parent):
        if path.name in names:
            return True
        found = split_part(stem_of(path).name)
        if found and found[0] == stem.name and path.name.endswith(SUFFIXES):
            return True
    return False


def list_folder(folder: Path) -> list[Path]:
    """List a folder; empty where it cannot be read."""
    try:
        return sorted(folder.iterdir())
    except OSError:
        return []
