"""`ports`: the serial ports of this computer, and what comes out of them."""

import argparse
import sys
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from rtcmtool.cli.arguments import add_printing
from rtcmtool.cli.console import is_terminal, product, product_bytes, say
from rtcmtool.cli.live_options import baud
from rtcmtool.errors import NoFrameError

if TYPE_CHECKING:
    from rtcmtool.running.probing import Probe
    from rtcmtool.sources import SerialPort

EXAMPLES = (
    ("rtcmtool ports", "which ports are there"),
    ("rtcmtool ports --probe", "which of them carries RTCM 3, at what baud"),
    ("rtcmtool ports /dev/rfcomm0 --probe", "this one, which is not listed"),
    ("rtcmtool ports --json", "for scripts"),
)
_GAP = "   "


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.add_argument(
        "port", metavar="PORT", nargs="*", help="these alone, also such as are not listed"
    )
    group = parser.add_argument_group("what to look at")
    group.add_argument("--probe", action="store_true", help="listen at each for up to 25 s")
    group.add_argument("--baud", type=baud, metavar="auto|N", help="listen at this rate alone")
    add_printing(parser)


def run(options: argparse.Namespace) -> int:
    """Run the command; give its exit code."""
    from rtcmtool.sources import serial_ports

    ports = _wanted(serial_ports(), options.port)
    probes: Mapping[str, Probe] | None = None
    code = 0
    if options.probe:
        probes, code = _probe(options, [port.device for port in ports])
    if options.json:
        _print_json(options, ports, probes)
        return code
    with product(options) as console:
        for line in table(ports, probes, console.width):
            console.print(line)
    return code


def _wanted(found: "list[SerialPort]", names: list[str]) -> "list[SerialPort]":
    """Give the ports that are named, in that order and once each; without names all.

    Raises
    ------
    UsageError
        If a name is an address with a password.
    """
    from rtcmtool.sources import SerialPort
    from rtcmtool.sources.parsing import refuse_credentials

    for name in names:
        refuse_credentials(name)
    if not names:
        return found
    known = {port.device: port for port in found}
    return [known.get(name) or SerialPort(name, "") for name in dict.fromkeys(names)]


def _probe(options: argparse.Namespace, devices: list[str]) -> "tuple[Mapping[str, Probe], int]":
    from rtcmtool.running.probing import probe_ports
    from rtcmtool.running.stopping import stopping

    if devices:
        say(options, f"Listening at {len(devices)} port{'s' if len(devices) > 1 else ''} ...")
    shown = is_terminal(sys.stderr) and not options.quiet
    last = ""

    def tell(probes: "Mapping[str, Probe]", left: int) -> None:
        nonlocal last
        size = sum(probe.all_bytes for probe in probes.values())
        text = f"{left} still listened to, {size} bytes so far"
        if shown and text != last:
            sys.stderr.write(f"\r\x1b[K{text}" if left else "\r\x1b[K")
            sys.stderr.flush()
            last = text

    with stopping() as stopper:
        probes = probe_ports(
            devices, baud=options.baud, tell=tell, is_stopped=lambda: stopper.is_asked
        )
    stopper.die_of_it()
    return probes, stopper.exit_code or 0


def table(ports: "list[SerialPort]", probes: "Mapping[str, Probe] | None", width: int) -> list[str]:
    """Give the ports as lines, none wider than `width` but what is to be copied."""
    if not ports:
        return [
            "no serial port is here",
            "  do    plug the cable in; a new adapter may need its driver. Then: rtcmtool ports",
        ]
    heads = ["port", "what it says of itself"] + (["carries"] if probes is not None else [])
    rows = [
        [port.device, port.description or "-"]
        + ([carries_text(probes[port.device])] if probes is not None else [])
        for port in ports
    ]
    columns = list(zip(heads, *rows, strict=True))
    widths = [max(map(len, column)) for column in columns]
    # The description gives way first: the port and what it carries are what is asked for.
    over = sum(widths) + len(_GAP) * (len(widths) - 1) - width
    if over > 0:
        widths[1] = max(widths[1] - over, 8)
    lines = [
        _GAP.join(_fitted(cell, size) for cell, size in zip(row, widths, strict=True)).rstrip()
        for row in [heads, *rows]
    ]
    lines = [line[:width] for line in lines]
    for probe in (probes[port.device] for port in ports) if probes is not None else ():
        lines += _trouble_lines(probe, width)
    return lines


def _trouble_lines(probe: "Probe", width: int) -> list[str]:
    """Say under the table why a port tells nothing."""
    from rtcmtool.running.folding import folded
    from rtcmtool.running.probing import Carries

    error = _not_readable(probe) if probe.carries is Carries.UNREADABLE else probe.error
    if error is None:
        return []
    lines = folded(f"{error}", width, 0)
    if error.why:
        lines += folded(f"  why   {error.why}", width)
    if error.do:  # a command is there to be copied: it is never broken
        lines.append(f"  do    {error.do}")
    return lines


def _not_readable(probe: "Probe") -> NoFrameError:
    """Say at which rates nothing could be read, in the words of `check`."""
    from rtcmtool.sources.baud import rates_text

    rates = str(probe.source.baud) if probe.source.baud else rates_text()
    return NoFrameError(
        f"{probe.source.text}: nothing readable at {rates} baud.",
        do=f"set the base's output to RTCM 3, and to {rates_text(probe.source.baud)} baud.",
    )


def carries_text(probe: "Probe") -> str:
    """Say what a port carries."""
    from rtcmtool.running.probing import Carries

    rate = f" at {probe.source.baud} baud" if probe.source.baud else ""
    match probe.carries:
        case Carries.RTCM3:
            return f"RTCM 3{rate}"
        case Carries.NMEA:
            return f"NMEA{rate}, no RTCM 3"
        case Carries.UNREADABLE:
            return f"{probe.all_bytes} bytes, none readable"
        case Carries.NOTHING:
            return "nothing came"
        case Carries.NOT_OPENED:
            return "not opened"


def _fitted(text: str, width: int) -> str:
    return f"{text[: width - 1]}~" if len(text) > width else text.ljust(width)


def _print_json(
    options: argparse.Namespace, ports: "list[SerialPort]", probes: "Mapping[str, Probe] | None"
) -> None:
    import orjson

    found: list[dict[str, Any]] = []
    for port in ports:
        entry: dict[str, Any] = {
            "port": port.device,
            "description": port.description or None,
            "serial_number": port.serial_number,
        }
        if probes is not None:
            probe = probes[port.device]
            entry["probe"] = {
                "carries": probe.carries.value,
                "baud": probe.source.baud if probe.frames or probe.has_sentences else None,
                "frames": probe.frames,
                "bytes": probe.all_bytes,
                "error": None if probe.error is None else str(probe.error),
            }
        found.append(entry)
    with product_bytes(options) as stream:
        document = {"ports": found}
        stream.write(orjson.dumps(document, option=orjson.OPT_INDENT_2 | orjson.OPT_APPEND_NEWLINE))
