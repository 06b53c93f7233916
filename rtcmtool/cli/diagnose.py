"""`diagnose`: why is the rover in float? Causes with evidence, ranked, and what to do next."""

import argparse
import difflib
from dataclasses import replace
from typing import TYPE_CHECKING

from rtcmtool.cli.arguments import add_printing, day, duration_s, positive, systems, whole
from rtcmtool.cli.check import context_of
from rtcmtool.cli.console import product, product_bytes, quoted, show_error
from rtcmtool.cli.diagnose_files import Heard, hear_file, read_rover, require_ends
from rtcmtool.cli.live_options import SOURCE_HELP, add_live, listens_live, place
from rtcmtool.cli.navigation import add_navigation
from rtcmtool.cli.site_files import add_against, add_site, earlier_bases, site_sheet
from rtcmtool.errors import NoFrameError, RtcmtoolError, SourceError, UsageError

if TYPE_CHECKING:
    from rtcmtool.diagnosis.context import Context
    from rtcmtool.diagnosis.earlier_captures import EarlierBase
    from rtcmtool.diagnosis.evidence import Answers, Evidence
    from rtcmtool.diagnosis.site_sheet import SiteSheet
    from rtcmtool.monitor.rover_log import RoverLog

EXAMPLES = (
    ("rtcmtool diagnose RADIO.rtcm3 --rover ROVER.nmea", "stream at the rover, and its log"),
    ("rtcmtool diagnose BASE.rtcm3 --at-rover RADIO.rtcm3", "both ends of the radio"),
    ("rtcmtool diagnose --rover COM6", "the rover alone, live"),
    ("rtcmtool diagnose --explain weak_path", "what a cause or a rule looks at"),
)
NOT_FIT = 1


def check_shot(text: str) -> tuple[float, float]:
    """Read PLAN,HEIGHT in metres: measured minus known.

    Raises
    ------
    argparse.ArgumentTypeError
        If it is none.
    """
    try:
        plan_m, height_m = (float(part) for part in text.split(","))
    except ValueError:
        plan_m = height_m = float("nan")
    if not (abs(plan_m) < 1e6 and abs(height_m) < 1e6):
        raise argparse.ArgumentTypeError(
            f"{text!r} is no check shot; write PLAN,HEIGHT in m off: 0.012,-0.021"
        )
    return plan_m, height_m


def yes_or_no(text: str) -> bool:
    """Read yes or no.

    Raises
    ------
    argparse.ArgumentTypeError
        If it is neither.
    """
    if text.lower() not in {"yes", "no"}:
        raise argparse.ArgumentTypeError(f"{text!r} is no answer; write yes or no")
    return text.lower() == "yes"


LONGEST_KM = 1000  # far beyond any line that fixes


def distance_km(text: str) -> float:
    """Read a distance from base to rover.

    Raises
    ------
    argparse.ArgumentTypeError
        If it is none.

    Examples
    --------
    >>> distance_km("2.5")
    2.5
    """
    value = positive(text)
    if value > LONGEST_KM:
        raise argparse.ArgumentTypeError(
            f"{text} km is no distance to a rover; {LONGEST_KM} km is the most. In km, not in m?"
        )
    return value


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.add_argument("source", metavar="SOURCE", nargs="?", help=SOURCE_HELP)
    looking = parser.add_argument_group("what to look at")
    looking.add_argument(
        "--rover", metavar="NMEA", help="the rover's position output: file, capture or port"
    )
    looking.add_argument(
        "--at-rover", metavar="CAPTURE", help="what the rover's radio heard; SOURCE is the base's"
    )
    looking.add_argument("--date", type=day, metavar="DAY", help="day of the capture, 2026-03-04")
    looking.add_argument("--station", type=whole, metavar="ID", help="this station number only")
    looking.add_argument(
        "--duration", type=duration_s, metavar="TIME", help="how long to listen live; default 120s"
    )
    asking = parser.add_argument_group("what the crew knows")
    asking.add_argument(
        "--check-shot", type=check_shot, metavar="PLAN,HEIGHT", help="m, measured minus known"
    )
    asking.add_argument(
        "--all-rovers", type=yes_or_no, metavar="yes|no", help="do all rovers suffer?"
    )
    asking.add_argument(
        "--fixes-at-50m", type=yes_or_no, metavar="yes|no", help="does it fix 50 m from the base?"
    )
    asking.add_argument("--distance", type=distance_km, metavar="KM", help="from base to rover")
    group = add_live(parser)
    add_site(group)
    add_against(group)
    add_navigation(group)
    group.add_argument(
        "--systems", type=systems, default=(), metavar="GPS,GAL", help="what the rover uses"
    )
    group.add_argument("--strict", action="store_true", help="exit code 1 with a bad finding")
    printing = add_printing(parser)
    printing.add_argument(
        "--all", action="store_true", help="every sign and step, and what is ruled out"
    )
    printing.add_argument("--explain", metavar="RULE", help="threshold, reason and source")


def run(options: argparse.Namespace) -> int:
    """Run the command; give its exit code."""
    if options.explain is not None:
        return _explain(options)
    if options.source is None and options.rover is None:
        raise UsageError(
            "there is nothing to look at.",
            why="neither SOURCE nor --rover is given.",
            do="rtcmtool diagnose STREAM --rover NMEA, or one of the two",
        )
    if options.at_rover is not None and options.source is None:
        raise UsageError(
            "--at-rover is the other end of SOURCE.",
            do="rtcmtool diagnose BASE --at-rover RADIO; one recording alone: SOURCE --at rover",
        )
    live = [
        text for text in (options.source, options.rover) if text and listens_live(options, text)
    ]
    sheet = site_sheet(options, None if options.source in live else options.source)
    earlier = earlier_bases(options)
    if live:
        from rtcmtool.cli.diagnose_live import run_live

        return run_live(options, sheet, earlier)
    return _run_files(options, sheet, earlier)


def _explain(options: argparse.Namespace) -> int:
    from rtcmtool.views.diagnosis_text_explain import explainable, explanation

    known = explainable()
    if options.explain not in known:
        near = difflib.get_close_matches(options.explain, known, 1)
        hint = f" Did you mean '{near[0]}'?" if near else ""
        raise UsageError(
            f"there is no rule or cause '{options.explain}'.{hint}", do=f"known: {', '.join(known)}"
        )
    with product(options) as console:
        for line in explanation(options.explain, console.width):
            console.print(line)
    return 0


def _run_files(
    options: argparse.Namespace, sheet: "SiteSheet | None", earlier: "tuple[EarlierBase, ...]"
) -> int:
    stream = far = None
    failure: RtcmtoolError | None = None
    if options.source is not None:
        stream = hear_file(options, options.source)
        failure = stream.failure
        if options.at_rover is not None and failure is None:
            far = hear_file(options, options.at_rover)
            if isinstance(far.failure, SourceError):
                failure = far.failure
            else:
                require_ends(stream, far)
    # What cannot be opened ends it; a document is printed all the same, as `check` does.
    log = None
    if options.rover is not None and not isinstance(failure, SourceError):
        log = read_rover(options, options.rover, stream)
    if isinstance(failure, NoFrameError) and stream is not None and stream.is_nmea:
        failure = _mixed_up(options, failure)
    return tell(options, sheet, earlier, stream, far=far, log=log, failure=failure)


def _mixed_up(options: argparse.Namespace, failure: NoFrameError) -> NoFrameError:
    """Say that a rover's output was given in the place of the base's stream."""
    do = f"rtcmtool diagnose STREAM --rover {quoted(options.rover or options.source)}"
    return NoFrameError(
        f"{options.source} is a rover's position output (NMEA), not the base's stream.",
        why=failure.why,
        do=do,
    )


def tell(
    options: argparse.Namespace,
    sheet: "SiteSheet | None",
    earlier: "tuple[EarlierBase, ...]",
    stream: Heard | None,
    *,
    far: Heard | None = None,
    log: "RoverLog | None" = None,
    failure: RtcmtoolError | None = None,
    code: int | None = None,
    told: "Context | None" = None,
    is_rover_live: bool = False,
) -> int:
    """Diagnose and print; give the exit code.

    Parameters
    ----------
    options, sheet, earlier
        Of the command.
    stream, far : Heard or None
        SOURCE, and the other end.
    log : RoverLog or None
        The rover's sentences.
    failure : RtcmtoolError or None
        Why SOURCE holds nothing.
    code : int or None
        Exit code where the command was interrupted.
    told : Context or None
        The context of a live stream.
    is_rover_live : bool
        Whether the rover was heard live.
    """
    from rtcmtool.diagnosis.diagnosis import diagnose
    from rtcmtool.diagnosis.evidence_gathering import gather, is_rovers_own, our_station

    heard_at = None
    if options.source is not None:
        heard_at = options.at or ("net" if place(options) == "net" else None)
        options.at = heard_at or ("base" if far is not None else None)
    shown_at = options.at or "base"
    context, far_context = (
        None if each is None else _context(options, each, sheet, earlier, told, shown_at)
        for each in (stream, far)
    )
    own = None
    if stream is not None and context is not None and failure is None:
        alone = stream.apart.of(our_station(context, log))
        own = None if alone is None else replace(context, state=alone)
    evidence = gather(
        context,
        stream.record if stream is not None else None,
        own=own,
        heard_at=heard_at,
        far=far_context,
        far_record=far.record if far is not None else None,
        log=log,
        answers=_answers(options),
        is_together=told is not None and is_rover_live,
    )
    if failure is None and is_rovers_own(evidence):
        raise UsageError(
            f"{options.source} is the rover's own measurements, not the base's stream.",
            why="the rover uses another station, and this one has the rover's position or none.",
            do="give the recording of the base's RTCM 3 output.",
        )
    found = diagnose(evidence)
    if code is None:
        code = failure.exit_code if failure is not None else 0
        bad = found.is_bad or (evidence.verdict is not None and bool(evidence.verdict.blocking))
        code = NOT_FIT if not code and options.strict and bad else code
    worth_telling = failure is None or log is not None or evidence.far is not None
    if options.json:
        at = shown_at if evidence.rover_link is None or heard_at else "rover"
        _print_json(options, evidence, code, at)
    elif worth_telling:
        _print_text(options, evidence)
    if failure is not None:
        show_error(failure)
    return code


def _context(
    options: argparse.Namespace,
    heard: Heard,
    sheet: "SiteSheet | None",
    earlier: "tuple[EarlierBase, ...]",
    told: "Context | None",
    at: str,
) -> "Context":
    """Put together what the rules look at; of a live stream also what was told of its clock."""
    before, options.at = options.at, at
    context = context_of(options, heard.state, sheet, earlier)
    options.at = before
    if told is None:
        return context
    return replace(
        context, live=told.live, silent_s=told.silent_s, clock_trusted=told.clock_trusted,
        clock_error_s=told.clock_error_s,
    )  # fmt: skip


def _answers(options: argparse.Namespace) -> "Answers":
    from rtcmtool.diagnosis.evidence import Answers

    plan_m, height_m = options.check_shot or (None, None)
    return Answers(plan_m, height_m, options.all_rovers, options.fixes_at_50m, options.distance)


def _print_text(options: argparse.Namespace, evidence: "Evidence") -> None:
    from rtcmtool.diagnosis.chance_ahead import chance_ahead
    from rtcmtool.diagnosis.diagnosis import diagnose
    from rtcmtool.views.diagnosis_text import diagnosis_lines

    with product(options) as console:
        for line in diagnosis_lines(
            diagnose(evidence), evidence, chance_ahead(evidence), width=console.width,
            show_all=options.all, verbose=options.verbose > 0,
        ):  # fmt: skip
            console.print(line)


def _print_json(options: argparse.Namespace, evidence: "Evidence", code: int, at: str) -> None:
    import orjson

    from rtcmtool.diagnosis.chance_ahead import chance_ahead
    from rtcmtool.diagnosis.diagnosis import diagnose
    from rtcmtool.views.diagnosis_json import diagnosis_object

    document = diagnosis_object(
        diagnose(evidence), evidence, chance_ahead(evidence), source=options.source,
        exit_code=code, at=at,
    )  # fmt: skip
    with product_bytes(options) as stream:
        stream.write(orjson.dumps(document, option=orjson.OPT_INDENT_2 | orjson.OPT_APPEND_NEWLINE))
