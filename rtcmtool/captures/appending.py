"""A file that is only ever appended to, and that a full disk does not spoil."""

import os
from pathlib import Path

MODE = 0o666  # as the user's mask allows


class AppendFile:
    """Hands bytes to the operating system at once, in order, without a hole.

    What could not be written is held back and written first at the next try, so the file is always
    a beginning of what was handed over.

    Parameters
    ----------
    path : Path
        A name that is free.

    Raises
    ------
    FileExistsError
        If the name is taken: the creation is one step, so two programs cannot both have it.
    OSError
        If it cannot be created.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.size_bytes = 0  # handed over, the held-back bytes included
        self._held = bytearray()
        self._is_dirty = False
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND
        flags |= getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_BINARY", 0)
        self._descriptor: int | None = os.open(path, flags, MODE)

    @property
    def descriptor(self) -> int:
        """The open file, for the operating system.

        Raises
        ------
        ValueError
            If it is closed.
        """
        if self._descriptor is None:
            raise ValueError("the file is closed")
        return self._descriptor

    @property
    def held_bytes(self) -> int:
        """Bytes that wait for room on the disk."""
        return len(self._held)

    def append(self, data: bytes) -> None:
        """Take bytes, and write them unless earlier ones wait.

        Raises
        ------
        OSError
            If the disk does not take them now; they are held back, not lost.
        """
        self.size_bytes += len(data)
        had_to_wait = bool(self._held)
        self._held += data
        if not had_to_wait:
            self.flush()

    def hold(self, data: bytes) -> None:
        """Take bytes without trying to write them."""
        self.size_bytes += len(data)
        self._held += data

    def flush(self) -> None:
        """Write what is held back.

        Raises
        ------
        OSError
            If the disk does not take all of it.
        """
        while self._held:
            if self._descriptor is None:
                raise OSError("the file is closed")
            written = os.write(self._descriptor, self._held)
            self._is_dirty = True
            del self._held[:written]

    def force(self) -> None:
        """Force to disk what was written since the last time.

        Raises
        ------
        OSError
            If the disk fails.
        """
        if self._is_dirty and self._descriptor is not None:
            os.fsync(self._descriptor)
            self._is_dirty = False

    def close(self) -> None:
        """Force and close; the second time nothing happens.

        Raises
        ------
        OSError
            If the disk fails; the file is closed all the same.
        """
        if self._descriptor is None:
            return
        try:
            self.flush()
            self.force()
        finally:
            descriptor, self._descriptor = self._descriptor, None
            os.close(descriptor)
