"""`site`: write down what the crew knows of the site, and see what it means."""

import argparse
import sys
from pathlib import Path

from rtcmtool.cli.arguments import add_printing
from rtcmtool.cli.console import product, product_bytes, say, show_error
from rtcmtool.cli.site_files import DEFAULT_SHEET, read_sheet
from rtcmtool.errors import UsageError

EXAMPLES = (
    ("rtcmtool site new", "six questions, then site.toml is written"),
    ("rtcmtool site new quarry.toml", "into another file; without a terminal to fill in"),
    ("rtcmtool site check quarry.toml", "what it means: mark, antenna, ARP"),
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    actions = parser.add_subparsers(dest="action", metavar="new | check", required=True)
    new = actions.add_parser("new", allow_abbrev=False, help="write a site sheet")
    new.add_argument("file", metavar="FILE", nargs="?", type=Path, default=DEFAULT_SHEET)
    new.add_argument("-q", "--quiet", action="store_true", help="say nothing on the side")
    check = actions.add_parser("check", allow_abbrev=False, help="say what a site sheet means")
    check.add_argument("file", metavar="FILE", nargs="?", type=Path, default=DEFAULT_SHEET)
    add_printing(check)


def run(options: argparse.Namespace) -> int:
    """Run the command; give its exit code."""
    return _new(options) if options.action == "new" else _check(options)


def _new(options: argparse.Namespace) -> int:
    from rtcmtool.diagnosis.site_template import template

    path: Path = options.file
    if path.exists():
        raise _taken(path)  # before six questions are asked for nothing
    asks = sys.stdin is not None and sys.stdin.isatty()
    text = template(_answers() if asks else {})
    try:
        with path.open("x", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
    except FileExistsError as error:
        raise _taken(path) from error
    except OSError as error:
        raise UsageError(
            f"{path} cannot be written.",
            why=f"{error.strerror or error}.",
            do="name a file in a folder that is there and may be written.",
        ) from error
    print(path)
    say(options, f"Next  fill in the rest, then: rtcmtool site check {path}")
    return 0


def _taken(path: Path) -> UsageError:
    return UsageError(
        f"{path} is there already; nothing was written.",
        do="name another file, or edit that one.",
    )


def _answers() -> dict[str, object]:
    """Ask the six questions; an answer that cannot be is asked again."""
    from rtcmtool.diagnosis.site_template import QUESTIONS, read_answer

    print("Empty answers are left out. Nothing is written before the last one.", file=sys.stderr)
    values: dict[str, object] = {}
    for place, question in enumerate(QUESTIONS, start=1):
        while True:
            print(f"{place} of {len(QUESTIONS)}  {question.text}: ", end="", file=sys.stderr)
            sys.stderr.flush()
            answer = sys.stdin.readline()
            if not answer:
                raise UsageError("the questions were broken off; nothing was written.")
            try:
                values |= read_answer(question, answer)
                break
            except UsageError as error:
                show_error(error)
    if values.get("position.kind") == "known-mark" and not set(values) & {
        "position.latitude_deg",
        "position.easting_m",
    }:
        del values["position.kind"]  # a known mark without coordinates is none yet
    return values


def _check(options: argparse.Namespace) -> int:
    from rtcmtool.views.site_text import sheet_object, wrapped_lines

    sheet = read_sheet(options.file)
    if options.json:
        import orjson

        with product_bytes(options) as stream:
            document = {"file": str(options.file), **sheet_object(sheet)}
            option = orjson.OPT_INDENT_2 | orjson.OPT_APPEND_NEWLINE
            stream.write(orjson.dumps(document, option=option))
        return 0
    with product(options) as console:
        console.print(f"{options.file} holds")
        for line in wrapped_lines(sheet, console.width):
            console.print(line)
    return 0
