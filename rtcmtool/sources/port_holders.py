"""Which program holds a serial port, told so that a person finds it: what, which process, since."""

import os
import re
import stat
import sys
from dataclasses import dataclass
from pathlib import Path

from rtcmtool.gnss.time import NS_PER_SECOND, iso_utc

PSEUDO_TERMINALS = range(136, 144)  # list of device numbers of Linux, from memory
PSEUDO_TERMINAL_MAKER = os.makedev(5, 2) if hasattr(os, "makedev") else 0  # ptmx; the same
MEMORY_DEVICES = 1  # null, zero and the like: list of device numbers of Linux, from memory
OUR_NAME = "rtcmtool"
CAPTURE_SUFFIX = ".rtcm3"

_PROCESSES = Path("/proc")
_INTERPRETER = re.compile(r"python[0-9.]*|pypy[0-9.]*|perl|ruby|node|sh|bash|dash")
_WITH_VALUE = {"-X", "-W"}  # options of Python whose value is a word of its own
_START_FIELD = 19  # of those behind the name: the 22nd of proc(5), counted from 1
_BOOTED = re.compile(r"^btime (\d+)$", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class Holder:
    """A process that holds a device open.

    Attributes
    ----------
    program : str
        Its name; of our own also the command, `rtcmtool record`. No arguments: they are private.
    process : int
        Its number.
    since_utc_ns : int or None
        When it was started.
    capture : str or None
        The file of bytes that it writes, where it is our own; seen from the current folder.
    """

    program: str
    process: int
    since_utc_ns: int | None = None
    capture: str | None = None

    def __str__(self) -> str:
        """Give program and process in words."""
        return f"{self.program} (process {self.process})"

    @property
    def is_ours(self) -> bool:
        """Whether it is this tool, run a second time."""
        return self.program.partition(" ")[0] == OUR_NAME

    @property
    def since(self) -> str | None:
        """When it was started, in words."""
        if self.since_utc_ns is None:
            return None
        day, _, clock = iso_utc(self.since_utc_ns, 0).partition("T")
        return f"{day} {clock[:5]} UTC"


def holder_of(device: str) -> Holder | None:
    """Find the process that holds a device open; None where that cannot be found.

    Only Linux tells, and only about processes of the same user (or to root). The program that made
    a pseudo-terminal may hold both of its ends: that one is no reader of the port.
    """
    if sys.platform != "linux":
        return None
    try:
        wanted = Path(device).stat().st_rdev
        if os.major(wanted) == MEMORY_DEVICES:
            return None
        processes = [entry for entry in _PROCESSES.iterdir() if entry.name.isdigit()]
    except OSError:
        return None
    for process in processes:
        if int(process.name) == os.getpid():
            continue
        if _holds(process, wanted) and not _made(process, wanted):
            return _described(process)
    return None


def program_name(arguments: list[str], name: str) -> str:
    """Name a program by its command line: what was run, not what ran it, and no arguments.

    Parameters
    ----------
    arguments : list of str
        The command line, as the process table gives it; empty where it is not told.
    name : str
        Short name of the process, for where the command line tells nothing better.

    Examples
    --------
    >>> program_name(["/usr/bin/python3", "-m", "rtcmtool", "record", "COM5"], "python3")
    'rtcmtool record'
    >>> program_name(["python3", "/opt/logger.py", "--password", "x"], "python3"), program_name(
    ...     ["python3", "-c", "pass"], "python3")
    ('logger.py', 'python3')
    """
    run = arguments
    is_interpreted = bool(run) and _INTERPRETER.fullmatch(Path(run[0]).name) is not None
    if is_interpreted:
        run = run[1:]
        while run and run[0].startswith("-") and run[0] not in {"-m", "-c"}:
            run = run[2 if run[0] in _WITH_VALUE else 1 :]
        run = run[1:] if run[:1] == ["-m"] else run
    if not run or run[0] == "-c":
        return name
    program = Path(run[0])
    if program.stem == OUR_NAME:
        command = next((word for word in run[1:] if not word.startswith("-")), "")
        return f"{OUR_NAME} {command}" if command.isalpha() else OUR_NAME
    return program.name if is_interpreted else name


def _described(process: Path) -> Holder:
    arguments = _read(process / "cmdline").rstrip("\0").split("\0")
    name = program_name(arguments, _read(process / "comm").strip() or "a program")
    holder = Holder(name, int(process.name), _started_utc_ns(process))
    if holder.is_ours:
        return Holder(name, holder.process, holder.since_utc_ns, _capture_of(process))
    return holder


def _started_utc_ns(process: Path) -> int | None:
    """Give when a process was started, by the clock as it is set now, UTC ns."""
    behind_name = _read(process / "stat").rpartition(")")[2].split()
    booted = _BOOTED.search(_read(_PROCESSES / "stat"))
    if booted is None or len(behind_name) <= _START_FIELD:
        return None
    ticks = int(behind_name[_START_FIELD])
    return int(booted[1]) * NS_PER_SECOND + ticks * NS_PER_SECOND // os.sysconf("SC_CLK_TCK")


def _capture_of(process: Path) -> str | None:
    """Give the file of bytes that a process has open."""
    try:
        targets = [str(entry.readlink()) for entry in (process / "fd").iterdir()]
    except OSError:
        return None
    found = next((target for target in targets if target.endswith(CAPTURE_SUFFIX)), None)
    if found is not None and Path(found).is_relative_to(Path.cwd()):
        return str(Path(found).relative_to(Path.cwd()))
    return found


def _holds(process: Path, device_number: int) -> bool:
    """Tell whether a process has a device open."""
    try:
        entries = list((process / "fd").iterdir())
    except OSError:
        return False
    for entry in entries:
        try:
            status = entry.stat()
        except OSError:
            continue
        if stat.S_ISCHR(status.st_mode) and status.st_rdev == device_number:
            return True
    return False


def _made(process: Path, device_number: int) -> bool:
    """Tell whether a device is a pseudo-terminal, and a process has the other end of one."""
    if os.major(device_number) not in PSEUDO_TERMINALS:
        return False
    return _holds(process, PSEUDO_TERMINAL_MAKER)


def _read(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8", errors="replace")
    except OSError:  # the process has ended, or is not ours to look at
        return ""
