"""Entry point: find the command, run it, turn errors into words and exit codes."""

import argparse
import difflib
import importlib
import os
import shutil
import sys
from collections.abc import Sequence
from typing import NamedTuple, NoReturn

from rtcmtool import __version__
from rtcmtool.cli.console import PLAIN_WIDTH, show_error
from rtcmtool.errors import RtcmtoolError, SourceError, UsageError


class Command(NamedTuple):
    """A command: its name, its module, the heading it stands under, and what it is for."""

    name: str
    module: str
    heading: str
    summary: str


# In the order of a crew's day. A command's module is loaded only when it is used: a quick start.
COMMANDS: tuple[Command, ...] = (
    Command("check", "rtcmtool.cli.check", "at the base", "May I drive off?"),
    Command("watch", "rtcmtool.cli.watch", "at the base", "What is happening now?"),
    Command("site", "rtcmtool.cli.site", "at the base", "Write down mark and antenna height."),
    Command("ports", "rtcmtool.cli.ports", "at the base", "Which ports are there, with what?"),
    Command("streams", "rtcmtool.cli.streams", "at the base", "What does a caster offer?"),
    Command("record", "rtcmtool.cli.record", "at the base", "Keep the log of the job."),
    Command("diagnose", "rtcmtool.cli.diagnose", "rover trouble", "Why is the rover in float?"),
    Command("replay", "rtcmtool.cli.replay", "in the office", "Play the job back."),
    Command("decode", "rtcmtool.cli.decode", "in the office", "What is inside these bytes?"),
    Command("inspect", "rtcmtool.cli.inspect", "in the office", "One frame, every bit of it."),
    Command("simulate", "rtcmtool.cli.simulate", "no hardware", "A base that does not exist."),
)
INTERRUPTED = 130
MOST_PORTS = 4  # named on the first screen
LISTENS = "It only listens: it changes nothing in base, radio or rover."
EXIT_CODES = (
    "exit codes  0 nothing wrong found   1 not fit, or not known   2 used wrongly\n"
    "            3 source not opened     4 no RTCM 3 frame       130 interrupted"
)


class Parser(argparse.ArgumentParser):
    """A parser that reports wrong use in our form, with the nearest name."""

    def parse_known_args(  # type: ignore[override]  # of its forms, the one that is used
        self, args: Sequence[str] | None = None, namespace: argparse.Namespace | None = None
    ) -> tuple[argparse.Namespace, list[str]]:
        """Parse; an argument that may be left out may also stand behind the options.

        `argparse` leaves its place empty as soon as an option stands in between.
        """
        found, left = super().parse_known_args(args, namespace)
        for action in self._actions:
            is_empty = getattr(found, action.dest, None) is action.default
            if action.option_strings or action.nargs != argparse.OPTIONAL or not is_empty:
                continue
            if left and not left[0].startswith("-"):
                setattr(found, action.dest, self._get_value(action, left.pop(0)))
        return found, left

    def error(self, message: str) -> NoReturn:
        """Refuse the arguments."""
        do = f"{self.prog} -h"
        if message.startswith("unrecognized arguments:"):
            given = message.split(": ", 1)[1].split()
            options = [name for action in self._actions for name in action.option_strings]
            for name in (part.split("=")[0] for part in given if part.startswith("-")):
                near = difflib.get_close_matches(name, options, 1)
                hint = f" Did you mean '{near[0]}'?" if near else ""
                raise UsageError(f"there is no option '{name}'.{hint}", do=do)
            raise UsageError(f"not understood: {' '.join(given)}", do=do)
        raise UsageError(message, do=do)


def build_parser(only: str | None = None) -> Parser:
    """Build the parser.

    Parameters
    ----------
    only : str, optional
        The one command whose options are needed; by default those of all.
    """
    from rich_argparse import RawDescriptionRichHelpFormatter

    parser = Parser(
        prog="rtcmtool",
        usage=None if only in _NAMES else argparse.SUPPRESS,
        allow_abbrev=False,
        formatter_class=RawDescriptionRichHelpFormatter,
        description=_overview(),
        epilog=EXIT_CODES,
    )
    parser.add_argument("-V", "--version", action="version", version=f"rtcmtool {__version__}")
    _add_completion(parser)
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", help=argparse.SUPPRESS)
    for command in COMMANDS:
        if only is not None and command.name != only:
            continue
        module = importlib.import_module(command.module)
        options = commands.add_parser(
            command.name,
            help=command.summary,  # for completion; the overview has its own list
            allow_abbrev=False,
            formatter_class=RawDescriptionRichHelpFormatter,
            description=f"{command.summary}\n\n{_examples(module.EXAMPLES)}",
            epilog=EXIT_CODES,
        )
        module.add_arguments(options)
        options.set_defaults(run=module.run, parser=options)
    return parser


def _examples(examples: Sequence[tuple[str, str]]) -> str:
    """Give examples with what they are for, below each where there is no room behind it."""
    lines = []
    for line, what in examples:
        beside = f"  {line:<46} {what}"
        lines += [beside] if len(beside) <= PLAIN_WIDTH else [f"  {line}", f"      {what}"]
    return "\n".join(lines)


def _add_completion(parser: argparse.ArgumentParser) -> None:
    import shtab

    shtab.add_argument_to(parser, ["--print-completion"], help=argparse.SUPPRESS)


def _overview() -> str:
    """Give the first page: examples, then the commands; it must fit a screen of 24 lines."""
    lines = [
        "Does this RTK base send corrections a rover can use?",
        LISTENS,
        "",
        "  rtcmtool check COM5      listen for a minute: may I drive off?",
        "  rtcmtool COMMAND -h      options and examples of a command",
        "",
    ]
    lines += [f"  {c.name:<9} {c.heading:<14} {c.summary}" for c in COMMANDS]
    return "\n".join(lines)


def first_screen() -> str:
    """Give what is shown without arguments; lists serial ports and opens none."""
    from rtcmtool.sources.ports import serial_ports

    ports = serial_ports()
    port = ports[0].device if ports else "COM5" if os.name == "nt" else "/dev/ttyUSB0"
    named = [f"{p.device} ({p.description})" if p.description else p.device for p in ports]
    examples = (
        ("at the base", f"check {port}", "may I drive off?"),
        ("", f"watch {port}", "what happens now"),
        ("", f"record {port}", "keep the log"),
        ("rover trouble", "diagnose JOB --rover LOG.nmea", "why is it in float?"),
        ("in the office", "replay JOB.rtcm3", "play the job back"),
        ("", "decode JOB.rtcm3 --summary", "what is inside?"),
        ("no hardware", "watch captures/weak-radio.rtcm3", ""),
    )
    lines = ["rtcmtool - does this RTK base send corrections a rover can use? It only listens."]
    lines += [
        f"  {when:<15} {'rtcmtool ' + command:<39} {what}".rstrip()
        for when, command, what in examples
    ]
    more = "More: rtcmtool -h"
    here = f"Serial ports here: {', '.join(named[:MOST_PORTS]) or 'none'}"
    if len(named) > MOST_PORTS:
        here += f" and {len(named) - MOST_PORTS} more"
    lines += [f"{here}     {more}"] if len(here) + 5 + len(more) <= 80 else [here, more]
    return "\n".join(lines)


def main(argv: Sequence[str] | None = None) -> int:
    """Run the tool.

    Parameters
    ----------
    argv : sequence of str, optional
        Arguments without the program's name; by default those of the process.

    Returns
    -------
    int
        Exit code.
    """
    arguments = list(sys.argv[1:] if argv is None else argv)
    if not arguments:
        print(first_screen())
        return 0
    try:
        _refuse_unknown_command(arguments)
        _refuse_empty_values(arguments)
        if arguments[0] == "help":
            return _help(arguments[1:])
        parser = _parser_for(arguments)
        options, rest = parser.parse_known_args(arguments)
        if rest:
            getattr(options, "parser", parser).error(f"unrecognized arguments: {' '.join(rest)}")
        if getattr(options, "run", None) is None:
            raise UsageError("a command is missing.", do="rtcmtool -h")
        return int(options.run(options))
    except RtcmtoolError as error:
        sys.stdout.flush()
        show_error(error)
        return error.exit_code
    except KeyboardInterrupt:
        return INTERRUPTED


_NAMES = tuple(command.name for command in COMMANDS)


def _parser_for(arguments: Sequence[str]) -> Parser:
    """Build no more of the parser than these arguments need."""
    if arguments[0].startswith("--print-completion"):
        parser = build_parser()
        for action in parser._actions:
            if isinstance(action, argparse._SubParsersAction):
                action.help = "command"  # shtab leaves out what has none
        return parser
    return build_parser(arguments[0])


def _refuse_unknown_command(arguments: Sequence[str]) -> None:
    given = arguments[0]
    if given.startswith("-") or given == "help" or given in _NAMES:
        return
    near = difflib.get_close_matches(given, _NAMES, 1)
    hint = f" Did you mean '{near[0]}'?" if near else ""
    raise UsageError(f"there is no command '{given}'.{hint}", do="all commands: rtcmtool -h")


def _refuse_empty_values(arguments: Sequence[str]) -> None:
    """Refuse "--option=--": argparse would take it for no value at all."""
    for given in arguments:
        if given.startswith("-") and given.endswith("=--"):
            raise UsageError(f"{given[:-3]} needs a value.", do="rtcmtool -h")


def _help(words: Sequence[str]) -> int:
    from rtcmtool.cli.glossary import explain

    if not words:
        build_parser().print_help()
        return 0
    word = " ".join(words)
    if word in _NAMES:
        build_parser(word).parse_args([word, "-h"])
    print(explain(word, min(shutil.get_terminal_size().columns, 100)))
    return 0


def entry() -> NoReturn:
    """Run the tool as a process: standard streams in UTF-8, a closed reader ends it quietly."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(encoding="utf-8", errors="replace")
    code: int | str | None
    try:
        try:
            code = main()
        except SystemExit as done:  # --help and --version: what they said is written here too
            code = done.code
        sys.stdout.flush()
    except BrokenPipeError:
        code = 0  # the reader has gone
        _forget_output()
    except OSError as error:
        # Sources tell their own troubles: this is standard output or --output, on a full disk.
        show_error(SourceError("the output cannot be written.", why=error.strerror))
        code = SourceError.exit_code
        _forget_output()
    sys.exit(code)


def _forget_output() -> None:
    """Send what is left to nowhere: Python would complain when it closes the stream at exit."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
