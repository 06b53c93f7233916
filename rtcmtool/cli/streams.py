"""`streams`: what a caster offers, and whether a stream is what its record says."""

import argparse
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from rtcmtool.cli.arguments import add_printing, duration_s, time_reference
from rtcmtool.cli.console import product, product_bytes, say, show_error
from rtcmtool.cli.live_options import (
    CASTERS,
    GIVE_UP_S,
    credentials,
    let_values_be_negative,
    mark_position,
    open_source,
    position,
)
from rtcmtool.cli.site_files import add_site, site_sheet
from rtcmtool.errors import NoFrameError, UsageError

if TYPE_CHECKING:
    from rich.console import Console

    from rtcmtool.diagnosis.finding import Finding
    from rtcmtool.running.listening import Listening
    from rtcmtool.sources import CasterAddress, Position, SourceTable
    from rtcmtool.sources.sourcetable import Stream

EXAMPLES = (
    ("rtcmtool streams ntrip://caster.example", "what there is to listen to"),
    ("rtcmtool streams ntrip://caster.example/BASE", "one stream, all that is told"),
    ("rtcmtool streams ntrip://caster.example --verify BASE", "does it send what it says?"),
)
DEFAULT_S = 60.0
_NOT_AS_ANNOUNCED = 1
_INTERRUPTED = 130


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    from pathlib import Path

    let_values_be_negative(parser)
    parser.add_argument(
        "caster",
        metavar="CASTER",
        help="ntrip://HOST:PORT, ntrip://HOST/MOUNTPOINT; ntrips:// with TLS",
    )
    group = parser.add_argument_group("what to look at")
    group.add_argument(
        "--verify",
        metavar="MOUNTPOINT",
        nargs="?",
        const="",
        help="listen, and compare what comes with what is announced",
    )
    group.add_argument(
        "--duration", type=duration_s, metavar="TIME", help="how long to listen; default 60s"
    )
    group.add_argument("--user", metavar="NAME", help="the password is asked for")
    group.add_argument("--password-file", type=Path, metavar="FILE", help="its first line")
    group.add_argument(
        "--position", type=position, metavar="LAT,LON,HEIGHT", help="where the rover is"
    )
    add_site(group)
    add_printing(parser)
    parser.set_defaults(baud=None, date=None)


def run(options: argparse.Namespace) -> int:
    """Run the command; give its exit code."""
    from rtcmtool.sources import SourceOptions, parse_caster, read_sourcetable

    text: str = options.caster
    if not text.lower().startswith(CASTERS):
        raise UsageError(f"{text} is no caster.", do="write ntrip://HOST:PORT or ntrips://HOST.")
    address = parse_caster(text, SourceOptions(credentials=credentials(options)))
    say(options, f"Asking {address.name} ...")
    table = read_sourcetable(address)
    if not table.is_complete:
        say(options, "note: the source table was cut off; what came is shown.")
    wanted = options.verify or address.mountpoint
    if options.verify is not None:
        if not wanted:
            raise UsageError("--verify needs a stream.", do=f"add its name: --verify {_any(table)}")
        return _verify(options, address, _stream_of(address, table, wanted))
    if wanted:
        table.streams[:] = [_stream_of(address, table, wanted)]
    if options.json:
        _print_json(options, {"caster": address.url, **_table_object(table)})
        return 0
    with product(options) as console:
        for line in _details(table.streams[0]) if wanted else table_lines(table, console.width):
            console.print(line)
    return 0


def _any(table: "SourceTable") -> str:
    return table.streams[0].mountpoint if table.streams else "MOUNTPOINT"


def _stream_of(address: "CasterAddress", table: "SourceTable", mountpoint: str) -> "Stream":
    """Find a stream in the table.

    Raises
    ------
    SourceError
        If it is not there.
    """
    from dataclasses import replace

    from rtcmtool.sources.ntrip_request import no_mountpoint

    for stream in table.streams:
        if stream.mountpoint == mountpoint:
            return stream
    raise no_mountpoint(replace(address, mountpoint=mountpoint), table)


# ---- the table

# What gives way when the lines are too long, in this order, and to how many columns; 0: it goes.
_GIVE_WAY = (
    ("place", 8), ("lat", 0), ("lon", 0), ("place", 0), ("format", 0), ("systems", 7),
    ("systems", 0), ("needs", 4), ("stream", 10),
)  # fmt: skip


def table_lines(table: "SourceTable", width: int) -> list[str]:
    """Give the streams as lines, none wider than `width`."""
    if not table.streams:
        return ["this caster offers no stream now"]
    columns = {
        name: [name, *(cell(stream) for stream in table.streams)] for name, cell in _CELLS.items()
    }
    columns = _fitting(columns, width)
    count = len(table.streams)
    lines = ["  ".join(row).rstrip() for row in zip(*columns.values(), strict=True)]
    return [line[:width] for line in [*lines, f"{count} stream{'s' if count > 1 else ''}"]]


def _fitting(columns: dict[str, list[str]], width: int) -> dict[str, list[str]]:
    """Make columns narrower, then leave out whole ones, until the lines fit.

    The name is what is typed next, so it goes last; places are told with a stream of its own.
    """
    widths = {name: max(map(len, cells)) for name, cells in columns.items()}
    for name, least in _GIVE_WAY:
        over = sum(widths.values()) + 2 * (len(widths) - 1) - width
        if over > 0 and name in widths:
            widths[name] = max(widths[name] - over, min(widths[name], least))
            if least == 0:
                del widths[name]
    return {name: [_fitted(cell, size) for cell in columns[name]] for name, size in widths.items()}


def needs(stream: "Stream") -> str:
    """Say what a listener must bring."""
    parts = []
    if stream.authentication in {"B", "D"}:
        parts.append("password")
    if stream.needs_position:
        parts.append("position")
    if stream.has_fee:
        parts.append("fee")
    return ", ".join(parts) or "-"


_CELLS: dict[str, "Callable[[Stream], str]"] = {
    "stream": lambda stream: stream.mountpoint,
    "place": lambda stream: stream.identifier,
    "format": lambda stream: stream.format,
    "systems": lambda stream: " ".join(stream.systems),
    "lat": lambda stream: _degrees(stream.latitude_deg),
    "lon": lambda stream: _degrees(stream.longitude_deg),
    "needs": needs,
}


def _degrees(value_deg: float | None) -> str:
    return "" if value_deg is None else f"{value_deg:.2f}"


def _fitted(text: str, width: int) -> str:
    from rtcmtool.diagnosis.wording import printable

    text = printable(text)
    return f"{text[: width - 1]}~" if len(text) > width else text.ljust(width)


def _details(stream: "Stream") -> list[str]:
    from rtcmtool.diagnosis.wording import printable

    place = "-"
    if stream.latitude_deg is not None and stream.longitude_deg is not None:
        place = f"{stream.latitude_deg} {stream.longitude_deg} (rounded)"
    pairs = [
        ("stream", stream.mountpoint),
        ("place", stream.identifier),
        ("country", stream.country),
        ("format", stream.format),
        ("messages", stream.details),
        ("systems", " ".join(stream.systems)),
        ("network", stream.network),
        ("lat lon", place),
        ("from", "several bases" if stream.is_network else "one base"),
        ("made by", stream.generator),
        ("bit/s", "" if stream.bit_rate is None else str(stream.bit_rate)),
        ("needs", needs(stream)),
        ("more", stream.misc),
    ]
    return [f"{name:<10}{printable(text)}" for name, text in pairs if text]


def _stream_object(stream: "Stream") -> dict[str, Any]:
    return {
        "mountpoint": stream.mountpoint,
        "identifier": stream.identifier,
        "format": stream.format,
        "messages": stream.messages,
        "systems": list(stream.systems),
        "network": stream.network,
        "country": stream.country,
        "latitude_deg": stream.latitude_deg,
        "longitude_deg": stream.longitude_deg,
        "needs_position": stream.needs_position,
        "is_network": stream.is_network,
        "generator": stream.generator,
        "authentication": stream.authentication,
        "has_fee": stream.has_fee,
        "bit_rate": stream.bit_rate,
    }


def _table_object(table: "SourceTable") -> dict[str, Any]:
    return {
        "complete": table.is_complete,
        "streams": [_stream_object(stream) for stream in table.streams],
        "casters": [{"host": c.host, "port": c.port, "identifier": c.identifier}
                    for c in table.casters],
        "networks": [{"identifier": n.identifier, "operator": n.operator}
                     for n in table.networks],
    }  # fmt: skip


# ---- does it send what it says?


def _verify(options: argparse.Namespace, address: "CasterAddress", stream: "Stream") -> int:
    """Listen, and compare; give the exit code."""
    from rtcmtool.cli.check_live import Tally, no_rtcm, nothing_came
    from rtcmtool.diagnosis.announced_stream import compare_announced
    from rtcmtool.running.listening import Ear, Ending, Listening
    from rtcmtool.running.stopping import stopping

    known = _site_position(options) if stream.needs_position else None
    if stream.needs_position and options.position is None and known is None:
        say(options, "note: this stream asks where the rover is: --position LAT,LON,HEIGHT")
    source = open_source(
        options,
        f"{address.url}/{stream.mountpoint}",
        give_up_after_s=GIVE_UP_S,
        known_position=known,
    )
    ear = Ear(source, make_reference=lambda: time_reference(options))
    tally = Tally(options)
    listening = Listening(ear, duration_s=options.duration or DEFAULT_S, watch=tally.watch)
    with stopping() as stopper:
        stopper.on_stop(listening.interrupt)
        with tally.shown():
            listening.run()
        tally.ended(listening)
    if listening.error is not None:
        raise listening.error
    heard_s = ear.listened_s(listening.now_s)
    findings = compare_announced(stream, ear.state, heard_s)
    failure: NoFrameError | None = None
    if not ear.state.traffic.frames and listening.ending is not Ending.INTERRUPTED:
        failure = no_rtcm(ear) if ear.size_bytes else nothing_came(ear, listening.now_s)
    code = _code(findings) if failure is None else failure.exit_code
    if stopper.is_asked:
        code = stopper.exit_code or _INTERRUPTED
    _print_comparison(options, stream, listening, findings, code)
    if failure is not None:
        show_error(failure)
    stopper.die_of_it()
    return code


def _site_position(options: argparse.Namespace) -> "Position | None":
    """Give the position of the mark in the site sheet, where there is one."""
    return mark_position(site_sheet(options))


def _headline(findings: "list[Finding]") -> str:
    """Answer whether the stream is what its record says."""
    from rtcmtool.diagnosis.finding import State, Weight

    def names(state: State, *, blocks: bool) -> str:
        return ", ".join(
            finding.rule.printed
            for finding in findings
            if finding.state is state and (finding.rule.weight is Weight.BLOCKS or not blocks)
        )

    if names(State.BAD, blocks=True):
        return "NOT AS ANNOUNCED"
    if unseen := names(State.UNKNOWN, blocks=True):
        return f"CANNOT TELL (not seen: {unseen})"
    if other := names(State.WATCH, blocks=False):
        return f"AS ANNOUNCED EXCEPT {other}"
    return "AS ANNOUNCED"


def _code(findings: "list[Finding]") -> int:
    from rtcmtool.diagnosis.finding import State, Weight

    wrong = {State.BAD, State.UNKNOWN}
    blocks = any(f.state in wrong and f.rule.weight is Weight.BLOCKS for f in findings)
    return _NOT_AS_ANNOUNCED if blocks else 0


def _print_comparison(
    options: argparse.Namespace,
    stream: "Stream",
    listening: "Listening",
    findings: "list[Finding]",
    code: int,
) -> None:
    from rtcmtool.views.verdict_json import finding_object

    ear = listening.near
    heard_s = round(ear.listened_s(listening.now_s), 1)
    if options.json:
        document = {
            "stream": _stream_object(stream),
            "exit_code": code,
            "seconds": heard_s,
            "heard": {
                str(number): {"count": stats.count, "interval_s": stats.interval_s}
                for number, stats in sorted(ear.state.messages.by_number.items())
                if number >= 0
            },
            "rules": [finding_object(finding) for finding in findings],
        }
        _print_json(options, document)
        return
    if not ear.state.traffic.frames:
        return
    with product(options) as console:
        _print_findings(console, stream, findings, heard_s)


def _print_findings(
    console: "Console", stream: "Stream", findings: "list[Finding]", heard_s: float
) -> None:
    import textwrap

    from rtcmtool.diagnosis.wording import printable, seconds
    from rtcmtool.views.theme import STATE_WORDS

    head = f"{_headline(findings)} - {printable(stream.mountpoint)}"
    for line in textwrap.wrap(f"{head}, listened {seconds(round(heard_s))}", console.width):
        console.print(line)
    console.print()
    for finding in findings:
        lead = f"  {STATE_WORDS[finding.state]:<7}{finding.rule.printed:<15}"
        text = finding.text
        if finding.limit_text:
            text += f" (announced: {printable(finding.limit_text)})"
        for line in textwrap.wrap(
            text, console.width, initial_indent=lead, subsequent_indent=" " * len(lead)
        ):
            console.print(line)
        if finding.action:
            console.print(f"         do   {finding.action}")


def _print_json(options: argparse.Namespace, document: dict[str, Any]) -> None:
    import orjson

    with product_bytes(options) as out:
        out.write(orjson.dumps(document, option=orjson.OPT_INDENT_2 | orjson.OPT_APPEND_NEWLINE))
