"""The virtual environment of this project: made once, found again at once by its stamp.

`run.py` and `test.py` share this module. Everything is kept in `.venv/` of the project:

    setup-stamp         what the environment was made from; written last, so it means "complete"
    setup-unfinished    there while somebody works on it; left behind only by a killed set-up
    setup-lock          held during a set-up, so that two starts do not work on it together

The file has to parse on a Python as old as 3.6, for there it says which one is needed. What only a
set-up needs is imported where it is used: every later start pays for the imports at the top.
"""

import hashlib
import os
import sys
from pathlib import Path

SETUP_FAILED = 69  # EX_UNAVAILABLE of sysexits.h: none of the exit codes of rtcmtool itself

if sys.version_info < (3, 11):  # noqa: UP036 - this is the place that refuses older ones
    sys.stderr.write(
        f"rtcmtool: this Python is too old: {sys.version.split()[0]} ({sys.executable})\n"
        "  why: Python 3.11 or newer is needed\n"
        "  do:  install a newer Python (packages of your system, or python.org), then start the\n"
        f"       same command with it, for example: python3.11 {sys.argv[0]}\n"
    )
    sys.exit(SETUP_FAILED)

PROJECT = Path(__file__).resolve().parent.parent
ON_WINDOWS = os.name == "nt"
KEPT_LINES = 12  # of pip's output, shown when it fails

# What the tools or the system say (parts between bars), why, what to do; the first match counts.
FAILURES = (
    ("no space left|disk quota", "the disk is full", "make room (600 MB) and start again"),
    (
        "temporary failure in name resolution|failed to establish a new connection|getaddrinfo"
        "|network is unreachable|nodename nor servname|connecttimeout|readtimeout|read timed out"
        "|connection refused|connection broken|connection aborted|proxyerror|sslerror"
        "|could not fetch url|certificate verify failed",
        "the package index could not be reached (no network, a proxy, or its certificate)",
        "connect this machine and start again; behind a proxy set HTTPS_PROXY, "
        "for an index of your own set PIP_INDEX_URL",
    ),
    (
        "permission denied|read-only file system|access is denied|operation not permitted",
        "there is no right to write there",
        "get that right, or copy the project to a folder of your own, and start again",
    ),
    ("no module named pip", "it has no pip", "remove the folder .venv and start again"),
    (
        "failed building wheel|failed-wheel-build|command 'gcc' failed|unable to execute"
        "|microsoft visual c++",
        "a package is not offered ready-made for this machine and could not be compiled",
        "install a C compiler and the Python headers "
        "(Debian: apt install build-essential python3-dev) and start again",
    ),
    (
        "(from versions: none)",  # also what pip says, and nothing else, of an index out of reach
        "a package was not found: the package index is out of reach, or does not have it",
        "check the network (HTTPS_PROXY, PIP_INDEX_URL if set) and start again",
    ),
    (
        "no matching distribution|could not find a version|resolutionimpossible",
        "a package is not offered in a version that fits this Python and machine",
        "try another Python, 3.11 or newer, or another package index (PIP_INDEX_URL)",
    ),
)


class SetupError(Exception):
    """The environment could not be made: what happened, why, and what to do.

    Parameters
    ----------
    what, why, do : str
        One line each.
    said : sequence of str, optional
        Last lines of the tool that failed.
    """

    def __init__(self, what: str, *, why: str, do: str, said: tuple[str, ...] = ()) -> None:
        lines = [f"rtcmtool: {what}", f"  why: {why}", f"  do:  {do}"]
        if said:
            lines += ["  it said last:", *(f"    | {line[:160]}" for line in said)]
        super().__init__("\n".join(lines))


class Environment:
    """The places of one project's virtual environment.

    Parameters
    ----------
    project : Path
        Folder that holds `pyproject.toml`.
    """

    def __init__(self, project: Path = PROJECT) -> None:
        self.project = project
        self.settings = project / "pyproject.toml"
        self.folder = project / ".venv"
        self.programs = self.folder / ("Scripts" if ON_WINDOWS else "bin")
        self.python = self.programs / ("python.exe" if ON_WINDOWS else "python")
        self.stamp = self.folder / "setup-stamp"
        self.unfinished = self.folder / "setup-unfinished"
        self.lock = self.folder / "setup-lock"

    def command(self, name: str) -> list[str]:
        """Give the start of a command line for a program that a package installed.

        On POSIX the program is handed to Python: its own first line may be too long for the
        system, or the folder mounted without the right to execute.
        """
        if ON_WINDOWS:
            return [str(self.programs / f"{name}.exe")]
        return [str(self.python), str(self.programs / name)]


def prepare(environment: Environment, extras: tuple[str, ...] = ()) -> None:
    """Make the environment, or bring it up to date; return at once when it is.

    Parameters
    ----------
    environment : Environment
        Where it belongs.
    extras : tuple of str
        Groups of `optional-dependencies` that are needed as well.

    Raises
    ------
    SetupError
        If it could not be made.
    """
    if is_ready(environment, extras):
        return
    check_tools()
    try:
        environment.folder.mkdir(exist_ok=True)
        with SetupLock(environment.lock) as lock:
            # Another start may have done the work while this one waited for the lock.
            if not is_ready(environment, extras):
                bring_up_to_date(environment, extras, lock.descriptor)
    except OSError as error:
        why, do = explain(str(error))
        raise SetupError(
            f"the environment in {environment.folder} could not be made",
            why=f"{why}: {error}" if why else str(error),
            do=do or "set this right and start again",
        ) from error


def is_ready(environment: Environment, extras: tuple[str, ...] = ()) -> bool:
    """Tell whether the stamp says that the environment is complete and made from what is here."""
    stamp = read_stamp(environment)
    return (
        stamp.get("settings") == settings_hash(environment)
        and stamp.get("origin") == origin(environment)
        and set(extras) <= set(stamp.get("extras", "").split())
        and environment.python.exists()
    )


def settings_hash(environment: Environment) -> str:
    """Hash the whole of `pyproject.toml`."""
    return hashlib.sha256(environment.settings.read_bytes()).hexdigest()


def origin(environment: Environment) -> str:
    """Name the Python and the folder an environment belongs to: it fits no others.

    A copied project would otherwise run the code of the folder it was copied from.
    """
    return f"{sys.implementation.cache_tag} {sys.platform} {environment.project}"


def read_stamp(environment: Environment) -> dict[str, str]:
    """Read the stamp; empty when there is none, or none that can be read."""
    try:
        text = environment.stamp.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return {}
    return dict(line.split(" ", 1) for line in text.splitlines() if " " in line)


def write_stamp(environment: Environment, extras: tuple[str, ...]) -> None:
    """Say that the environment is complete: whole or not at all, so by a rename."""
    lines = {
        "settings": settings_hash(environment),
        "needs": needs_hash(environment),
        "origin": origin(environment),
        "extras": " ".join(sorted(extras)),
    }
    draft = environment.stamp.with_name(environment.stamp.name + ".draft")
    draft.write_text(
        "".join(f"{name} {value}\n" for name, value in lines.items()), encoding="utf-8"
    )
    draft.replace(environment.stamp)


def needs_hash(environment: Environment) -> str:
    """Hash the part of `pyproject.toml` that pip acts on.

    A changed setting of a checker must not ask for the network: in the field there may be none.
    """
    import json
    import tomllib

    tables = tomllib.loads(environment.settings.read_text(encoding="utf-8"))
    needs = {
        "build-system": tables.get("build-system"),
        "project": tables.get("project"),
        "setuptools": tables.get("tool", {}).get("setuptools"),
    }
    return hashlib.sha256(json.dumps(needs, sort_keys=True, default=str).encode()).hexdigest()


def check_tools() -> None:
    """Refuse a Python that came without the modules that make an environment."""
    from importlib.util import find_spec

    missing = [name for name in ("venv", "ensurepip") if find_spec(name) is None]
    if missing:
        version = f"{sys.version_info.major}.{sys.version_info.minor}"
        raise SetupError(
            f"this Python ({sys.executable}) cannot make a virtual environment",
            why=f"its standard module {' and '.join(missing)} is missing: a package of its own",
            do=f"install it (Debian, Ubuntu: apt install python3-venv, or python{version}-venv; "
            "elsewhere: the full Python of your system or of python.org) and start again",
        )


class SetupLock:
    """Hold a file so that no other process prepares the same environment.

    The system lets go of it when its holder ends, however that happens. On POSIX the tools that
    are started inherit it: a pip that outlives its killed parent still keeps others out.
    The file stays: removing it would let two processes hold two files of one name.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.descriptor = -1

    def __enter__(self) -> "SetupLock":
        """Wait until the lock is ours."""
        import time

        self.descriptor = os.open(self.path, os.O_RDWR | os.O_CREAT, 0o666)
        if not try_lock(self.descriptor):
            report("another start prepares the environment in .venv; waiting for it")
            while not try_lock(self.descriptor):
                time.sleep(0.05)
        return self

    def __exit__(self, *error: object) -> None:
        """Let go: closing the file is enough."""
        os.close(self.descriptor)


def try_lock(descriptor: int) -> bool:
    """Lock an open file and tell whether that went well, without waiting."""
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except (BlockingIOError, PermissionError):  # the second one is what Windows answers
        return False
    return True


def bring_up_to_date(environment: Environment, extras: tuple[str, ...], lock: int) -> None:
    """Do the least that makes the environment fit; to be called with the lock held."""
    stamp = read_stamp(environment)
    had = tuple(stamp.get("extras", "").split())
    ours = stamp.get("origin") == origin(environment) and environment.python.exists()
    if ours and stamp.get("needs") == needs_hash(environment) and set(extras) <= set(had):
        write_stamp(environment, had)
        return
    foreign = not ours and is_foreign_and_fits(environment)
    wanted = tuple(sorted({*extras, *had})) if ours else extras
    old_stamp = environment.stamp.read_bytes() if ours else b""
    if not foreign:  # an unfinished environment is removed next time: never somebody's own
        environment.unfinished.write_text("a set-up began and has not ended\n", encoding="utf-8")
    environment.stamp.unlink(missing_ok=True)
    try:
        if not ours and not foreign:
            clear(environment)
            report("making a virtual environment in .venv (once; needs the network, a minute)")
            create(environment, lock)
        report(f"installing what pyproject.toml asks for {' '.join(wanted)}".rstrip())
        install(environment, wanted, lock)
    except (SetupError, OSError):
        if ours:  # pip undoes what it did not finish: the code it was made for still runs
            environment.stamp.write_bytes(old_stamp)
        elif not foreign:
            clear(environment)
        environment.unfinished.unlink(missing_ok=True)
        raise
    write_stamp(environment, wanted)
    environment.unfinished.unlink(missing_ok=True)
    report("the environment is ready")


def is_foreign_and_fits(environment: Environment) -> bool:
    """Tell whether `.venv` is somebody's own environment of this very Python.

    Raises
    ------
    SetupError
        If it is something else of somebody's own, which is not ours to remove.
    """
    import re

    ours = environment.stamp.exists() or environment.unfinished.exists()
    names = {path.name for path in environment.folder.iterdir()} - {environment.lock.name}
    if ours or not names:
        return False
    description = environment.folder / "pyvenv.cfg"
    text = description.read_text(encoding="utf-8") if description.exists() else ""
    version = f"{sys.version_info.major}.{sys.version_info.minor}"
    fits = re.search(rf"^version(_info)?\s*=\s*{re.escape(version)}\.", text, re.MULTILINE)
    if fits and environment.python.exists():
        return True
    raise SetupError(
        f"{environment.folder} is there, but was not made by this script",
        why=f"it is no environment of Python {version}, and what is yours is not removed unasked",
        do="move it away or remove it, then start again",
    )


def clear(environment: Environment) -> None:
    """Empty the folder, but for the lock that is held and the mark that says it is ours."""
    import shutil

    for path in environment.folder.iterdir():
        if path in (environment.lock, environment.unfinished):
            continue
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        else:
            path.unlink()


def create(environment: Environment, lock: int) -> None:
    """Make the bare environment, with pip in it."""
    # Started from inside an environment, the Python below it is meant: ours may just be cleared.
    base = str(getattr(sys, "_base_executable", "") or sys.executable)
    run_tool([base, "-m", "venv", str(environment.folder)], "venv", environment, lock)


def install(environment: Environment, extras: tuple[str, ...], lock: int) -> None:
    """Install the project where it stands, with its dependencies."""
    target = f".[{','.join(extras)}]" if extras else "."
    options = ["--no-input", "--disable-pip-version-check", "--progress-bar", "off"]
    command = [str(environment.python), "-m", "pip", "install", *options, "--editable", target]
    run_tool(command, "pip", environment, lock)


def run_tool(command: list[str], name: str, environment: Environment, lock: int) -> None:
    """Run venv or pip in the project's folder; tell its progress on standard error.

    Raises
    ------
    SetupError
        If it ends with another code than 0.
    """
    import subprocess

    last: list[str] = []
    with subprocess.Popen(
        command,
        cwd=environment.project,
        env=tool_variables(),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        errors="replace",
        pass_fds=() if ON_WINDOWS else (lock,),
    ) as process:
        try:
            for line in process.stdout or ():
                last = [*last, line.rstrip()] if line.strip() else last
                if line.startswith(("Collecting ", "Installing ")):
                    report(f"  {line.split(' (')[0].split(': ')[0].strip()}")
        except KeyboardInterrupt:
            process.terminate()
            raise
    if process.returncode:
        why, do = explain("\n".join(last))
        raise SetupError(
            f"the environment in .venv could not be made: {name} ended with {process.returncode}",
            why=why or f"{name} says it below",
            do=do or "set this right and start again; in doubt, remove the folder .venv first",
            said=tuple(last[-KEPT_LINES:]),
        )


def tool_variables() -> dict[str, str]:
    """Give the environment variables for pip, without those that would lead it elsewhere."""
    elsewhere = {"PIP_TARGET", "PIP_PREFIX", "PIP_ROOT", "PYTHONPATH", "PYTHONHOME"}
    variables = {name: value for name, value in os.environ.items() if name not in elsewhere}
    return {**variables, "PIP_USER": "0"}


def explain(text: str) -> tuple[str, str]:
    """Find why a tool failed, and what to do, in what it said; empty texts when unknown."""
    said = text.lower()
    for signs, why, do in FAILURES:
        if any(sign in said for sign in signs.split("|")):
            return why, do
    return "", ""


def report(text: str) -> None:
    """Tell the progress of the set-up; standard output belongs to the program."""
    sys.stderr.write(f"rtcmtool: {text}\n")
    sys.stderr.flush()


def run_instead(command: list[str]) -> int:
    """Put a program in the place of this process; its exit code where that cannot be done.

    Parameters
    ----------
    command : list of str
        The program and its arguments.

    Returns
    -------
    int
        Exit code of the program, on Windows only: elsewhere this call does not come back.
    """
    if not ON_WINDOWS:
        os.execv(command[0], command)
    import signal
    import subprocess

    with subprocess.Popen(command) as process:
        # Ctrl-C reaches both: the program decides what it means, this one only waits.
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        return process.wait()
