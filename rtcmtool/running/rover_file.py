"""What a rover says, kept beside the recording of its base."""

from pathlib import Path
from typing import BinaryIO

SUFFIX = "-rover.nmea"  # as a simulation with a rover names it


class RoverFile:
    """A file of a rover's sentences, byte by byte as they came.

    Parameters
    ----------
    recording : Path
        The bytes of the base; the rover's stand beside them.

    Attributes
    ----------
    path : Path
        Where they are kept; the file is there once the first byte has come.
    size_bytes : int
        Written so far.
    failure : str or None
        Why nothing more is written.
    """

    def __init__(self, recording: Path) -> None:
        self.path = recording.with_name(recording.stem + SUFFIX)
        self.size_bytes = 0
        self.failure: str | None = None
        self._file: BinaryIO | None = None

    def write(self, data: bytes) -> bool:
        """Write bytes at once, behind what may be there; tell whether it has just failed."""
        if self.failure is not None:
            return False
        try:
            if self._file is None:
                self._file = self.path.open("ab")
            self._file.write(data)
            self._file.flush()
        except OSError as error:
            self.failure = error.strerror or str(error)
            self.close()
            return True
        self.size_bytes += len(data)
        return False

    def close(self) -> None:
        """Close it; may be called twice."""
        file, self._file = self._file, None
        if file is None:
            return
        try:
            file.close()
        except OSError as error:  # what it still held does not fit
            self.failure = self.failure or error.strerror or str(error)
