"""`check`: may I drive off? The verdict on a base's stream."""

import argparse

from rtcmtool.cli.arguments import add_input, add_printing, duration_s, systems
from rtcmtool.cli.console import product, product_bytes, quoted, show_error
from rtcmtool.cli.live_options import (
    SOURCE_HELP,
    add_live,
    listens_live,
    place,
    refuse_live_only,
)
from rtcmtool.cli.navigation import add_navigation, state_maker
from rtcmtool.cli.reading import STANDARD_INPUT, Input, heard_from, open_input
from rtcmtool.cli.site_files import add_against, add_site, earlier_bases, site_sheet
from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.earlier_captures import EarlierBase
from rtcmtool.diagnosis.site_sheet import SiteSheet
from rtcmtool.diagnosis.verdict import Verdict, judge
from rtcmtool.errors import NoFrameError, SourceError, UsageError
from rtcmtool.gnss import time as gnss_time
from rtcmtool.monitor.stream_state import StreamState

EXAMPLES = (
    ("rtcmtool check COM5", "listen for a minute, then judge"),
    ("rtcmtool check JOB.rtcm3", "judge a capture, whole"),
    ("rtcmtool check JOB.rtcm3 --radio-rate 9600", "would it fit the radio?"),
    ("rtcmtool check JOB.rtcm3 --site quarry.toml", "is the position that of the mark?"),
    ("rtcmtool check - --json", "standard input, for scripts"),
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    looking = add_input(parser, SOURCE_HELP)
    looking.add_argument(
        "--duration", type=duration_s, metavar="TIME", help="how long to listen live; default 60s"
    )
    looking.add_argument(
        "--heard", metavar="SOURCE", help="also listen at the other end of the radio: what it loses"
    )
    group = add_live(parser)
    add_site(group)
    add_against(group)
    add_navigation(group)
    group.add_argument(
        "--systems", type=systems, default=(), metavar="GPS,GAL", help="what the rover uses"
    )
    group.add_argument("--strict", action="store_true", help="WATCH is NO-GO too")
    add_printing(parser)


def run(options: argparse.Namespace) -> int:
    """Run the command; give its exit code."""
    is_live = listens_live(options)
    sheet = site_sheet(options, None if is_live else options.source)
    earlier = earlier_bases(options)
    if is_live:
        from rtcmtool.cli.check_live import run_live

        return run_live(options, sheet, earlier)
    if options.source != STANDARD_INPUT:
        refuse_live_only(options, ("duration", "user", "password_file", "position"))
    if options.heard:
        raise UsageError(
            "--heard compares two sources that run now.",
            do="name a port or an address in the place of the file.",
        )
    options.at = place(options)
    state = state_maker(options)()
    source: Input | None = None
    try:
        source = open_input(options)
        for batch in source.batches(options, on_pause=state.pause):
            state.update(heard_from(options, batch))
        state.finish(source.silent_at_end_s)
        source.require_frames()
    except (SourceError, NoFrameError) as error:
        # Scripts get their document all the same; people the reason alone.
        if options.json:
            context = context_of(options, state, sheet, earlier)
            verdict = judge(context, strict=options.strict)
            name = source.name if source else options.source
            print_json(options, verdict, context, name, error.exit_code)
        show_error(error)
        return error.exit_code
    context = context_of(options, state, sheet, earlier)
    verdict = judge(context, strict=options.strict)
    if options.json:
        print_json(options, verdict, context, source.name)
    else:
        print_text(options, verdict, context, _next(verdict, source))
    return verdict.exit_code


def context_of(
    options: argparse.Namespace,
    state: StreamState,
    sheet: SiteSheet | None,
    earlier: tuple[EarlierBase, ...],
) -> Context:
    """Put together what the rules look at."""
    return Context.for_site(
        state,
        sheet,
        at=options.at,
        earlier=earlier,
        radio_rate_bit_s=options.radio_rate,
        overhead=options.overhead,
        systems=options.systems,
        clock_trusted=options.clock == "trusted",
    )


def print_text(options: argparse.Namespace, verdict: Verdict, context: Context, after: str) -> None:
    """Print a verdict for people; `after` says what to do next."""
    from rtcmtool.views.verdict_text import verdict_lines

    with product(options) as console:
        lines = verdict_lines(
            verdict,
            width=console.width,
            heading=_heading(context),
            after=after,
            at=options.at,
            verbose=options.verbose > 0,
        )
        for line in lines:
            console.print(line)


def print_json(
    options: argparse.Namespace,
    verdict: Verdict,
    context: Context,
    name: str,
    exit_code: int | None = None,
    seconds: float | None = None,
) -> None:
    """Print a verdict as a document; code and seconds where they are not those of the verdict."""
    import orjson

    from rtcmtool.views.verdict_json import verdict_object

    document = verdict_object(
        verdict,
        source=name,
        site=context.sheet.name if context.sheet else None,
        seconds=context.seconds if seconds is None else seconds,
        at=options.at,
        exit_code=exit_code,
    )
    with product_bytes(options) as stream:
        stream.write(orjson.dumps(document, option=orjson.OPT_INDENT_2 | orjson.OPT_APPEND_NEWLINE))


def _heading(context: Context) -> str:
    """Name the site, the base and the time of its last epoch."""
    state = context.state
    names = [context.sheet.name] if context.sheet and context.sheet.name else []
    if state.main_station is not None:
        names.append(f"base {state.main_station}")
    parts = [", ".join(names)] if names else []
    if state.clock.now_ms is not None:
        utc_ns = state.clock.utc_ns(state.clock.now_ms)
        if utc_ns is not None:
            parts.append(gnss_time.iso_utc(utc_ns, decimals=0)[:16].replace("T", " ") + " UTC")
    return "   ".join(parts)


def _next(verdict: Verdict, source: Input) -> str:
    """Say what comes after the verdict."""
    if verdict.word == "go":
        return "shoot a check point on a known mark before the first real point."
    name = quoted(source.name) if source.capture else "FILE"
    return f"see what came: rtcmtool decode {name} --summary"
