"""Who is writing a file: the recorder holds it, so that nobody takes a live capture for an old one.

A lock of the operating system ends with the process however that ends. It is advisory: readers and
copies are not kept out.
"""

import os
from pathlib import Path

if os.name == "posix":
    import fcntl


def hold(descriptor: int) -> None:
    """Hold an open file until it is closed; where locks do not work it stays unheld."""
    if os.name != "posix":
        return
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:  # a file system without locks
        return


def is_surely_free(path: Path) -> bool:
    """Tell whether nobody holds a file; False where that cannot be told."""
    if os.name != "posix":
        return False
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    finally:
        os.close(descriptor)
    return True
