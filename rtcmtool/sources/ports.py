"""The serial ports of this computer, and why one of them cannot be opened."""

import errno
import re
import socket
import stat
import sys
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

from serial.tools import list_ports

from rtcmtool.errors import SourceError
from rtcmtool.sources.base import RefusedError
from rtcmtool.sources.connecting import not_connected, not_found
from rtcmtool.sources.port_holders import Holder, holder_of


@dataclass(frozen=True, slots=True)
class SerialPort:
    """A serial port: its name, what it says of itself, and the serial number of a USB device."""

    device: str
    description: str
    serial_number: str | None = None


def serial_ports() -> list[SerialPort]:
    """List the serial ports, those of USB first, each group in the order of their numbers."""
    found = list_ports.comports()
    found.sort(key=lambda port: (port.vid is None, natural_key(port.device)))
    return [
        SerialPort(port.device, _describe(port.description, port.device), port.serial_number)
        for port in found
    ]


def natural_key(name: str) -> list[tuple[int, int, str]]:
    """Make a key that sorts COM5 before COM10."""
    parts = re.split(r"(\d+)", name)
    return [(1, int(part), "") if part.isdigit() else (0, 0, part) for part in parts]


def not_opened(device: str, error: OSError) -> SourceError:
    """Say why a port cannot be opened, and what to do.

    Parameters
    ----------
    device : str
        Name of the port.
    error : OSError
        As the operating system or pyserial raised it.
    """
    if device.lower().startswith(("rfc2217://", "socket://")):
        return _far_not_opened(device, error)
    code = _code_of(error)
    is_there = not device.startswith("/") or Path(device).exists()
    if code == errno.ENOENT or not is_there or "no ports found" in str(error):
        return _no_port(device)
    if code in {errno.EACCES, errno.EPERM} and sys.platform != "win32":
        return _not_permitted(device)
    # Windows tells a port in use by 'access denied'.
    busy = {errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK, errno.EACCES, errno.EPERM}
    if code in busy:
        return in_use(device, holder_of(device))
    if code in {errno.ENOTTY, errno.EINVAL} or "configure" in str(error):
        return RefusedError(f"{device} is no serial port.", do=_ports_now())
    return SourceError(
        f"{device} cannot be opened.",
        why=(error.strerror or str(error)).rstrip(".") + ".",
        do="unplug it, plug it in again, then run the same line again.",
    )


def _far_not_opened(device: str, error: OSError) -> SourceError:
    """Say why a port behind the network cannot be opened."""
    parts, cause = urlsplit(device), error.__context__
    host = parts.hostname or ""
    if isinstance(cause, socket.gaierror):
        return not_found(host, cause)
    if isinstance(cause, OSError):
        return not_connected(host, parts.port or 0, cause)
    if "does not accept" in str(error):
        why, do = "it does not take the rate of the port.", "set --baud to a rate that it knows."
    elif "RFC2217" in str(error):
        why = "what answers there does not speak RFC 2217."
        do = "check the port; bytes alone are heard with tcp://."
    else:
        why = f"{str(error).rstrip('.')}."
        do = "check the address, and that the device behind it is switched on."
    return SourceError(f"{device} cannot be opened.", why=why, do=do)


def in_use(device: str, holder: Holder | None) -> RefusedError:
    """Say that another program holds the port: which, since when, and what to do about it."""
    one = "one program at a time can hold a port."
    if holder is None:
        return RefusedError(
            f"{device} cannot be opened: another program is using it.",
            why=one,
            do="close the other program, then run the same line again.",
        )
    since = f"that program was started {holder.since}; " if holder.since else ""
    if holder.capture is not None:
        do = f"kill {holder.process} stops it; to look on: rtcmtool watch {holder.capture} --follow"
    elif holder.is_ours:
        do = f"stop it: kill {holder.process}    then run the same line again."
    else:
        do = "close the other program, then run the same line again."
    message = f"{device} cannot be opened: {holder} is using it."
    return RefusedError(message, why=f"{since}{one}", do=do)


def _no_port(device: str) -> RefusedError:
    return RefusedError(f"there is no port {device}.", do=_ports_now())


def _ports_now() -> str:
    """Name the ports that are there."""
    names = [port.device for port in serial_ports()]
    shown = ", ".join(names[:8]) if names else "none"
    return f"ports now: {shown}. Plug it in, then: rtcmtool ports"


def _not_permitted(device: str) -> RefusedError:
    """Name the group that owns the device, as found."""
    message = f"{device} may not be opened by this user."
    try:
        status = Path(device).stat()
    except OSError:
        return RefusedError(message, why="the system refuses it.")
    import grp  # noqa: PLC0415 - not on Windows

    try:
        group = grp.getgrgid(status.st_gid).gr_name
    except KeyError:
        group = str(status.st_gid)
    may_group = status.st_mode & stat.S_IRGRP and status.st_mode & stat.S_IWGRP
    if not may_group or group == "root":
        return RefusedError(
            message,
            why=f"only its owner may open it (group {group}).",
            do=f"sudo chmod a+rw {device}    until it is plugged in again; or ask who set it up.",
        )
    if sys.platform == "darwin":
        do = f"sudo dseditgroup -o edit -a $USER -t user {group}    then log out and in again"
    else:
        do = f"sudo usermod -aG {group} $USER    then log out and in again"
    return RefusedError(message, why=f"the port belongs to group {group}.", do=do)


def _code_of(error: OSError) -> int | None:
    """Find the number of the system's error: pyserial hides it now and then in the text."""
    if error.errno is not None:
        return error.errno
    cause = error.__context__
    if isinstance(cause, OSError) and cause.errno is not None:
        return cause.errno
    for name, code in (("FileNotFoundError", errno.ENOENT), ("PermissionError", errno.EACCES)):
        if name in str(error):
            return code
    return None


def _describe(description: str | None, device: str) -> str:
    """Give what the port says of itself; pyserial writes n/a or its name where it says nothing."""
    if not description or description == "n/a" or description == Path(device).name:
        return ""
    return description
