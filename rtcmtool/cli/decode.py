"""`decode`: what is inside these bytes? One line a frame, JSON Lines, or a table."""

import argparse
from collections import Counter
from collections.abc import Iterable, Iterator

from rtcmtool.cli.arguments import add_input, add_printing, numbers, whole
from rtcmtool.cli.console import product, product_bytes
from rtcmtool.cli.reading import Input, heard_from, open_input
from rtcmtool.errors import UsageError
from rtcmtool.wire.decoding import Batch

EXAMPLES = (
    ("rtcmtool decode JOB.rtcm3 --summary", "a table of the messages"),
    ("rtcmtool decode JOB.rtcm3 --only 1005,1006", "these messages, a line each"),
    ("rtcmtool decode JOB.rtcm3 --json", "everything, an object a line"),
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    group = add_input(parser)
    group.add_argument("--only", type=numbers, metavar="NUMBERS", help="these numbers only")
    group.add_argument("--limit", type=whole, metavar="N", help="stop after N lines")
    group = add_printing(parser)
    group.add_argument("--summary", action="store_true", help="a table a message number")
    group.add_argument("--fields", action="store_true", help="print every field")


def run(options: argparse.Namespace) -> int:
    """Run the command; give its exit code."""
    if options.summary:
        _refuse_with_summary(options)
        return _summary(options, open_input(options))
    source = open_input(options)
    from rtcmtool.views.decode_json import json_lines

    plain = options.only is None and options.limit is None and options.station is None
    if options.json and plain:
        with product_bytes(options) as target:
            for batch in source.batches(options, tells_utc=False):
                target.write(json_lines(batch))
    elif _lines(options, source):
        return 0
    source.require_frames()
    return 0


def _refuse_with_summary(options: argparse.Namespace) -> None:
    """Refuse options that the table of the whole stream does not follow."""
    if options.json:
        raise UsageError("--summary prints a table, --json prints objects: give one of them.")
    for name in ("limit", "fields"):
        if getattr(options, name):
            raise UsageError(
                f"--summary counts the whole stream: --{name} does not go with it.",
                do=f"leave out --summary or --{name}.",
            )


def _lines(options: argparse.Namespace, source: Input) -> bool:
    """Print lines or objects; tell whether the limit ended it early."""
    import orjson

    from rtcmtool.views.decode_text import frame_line

    left = options.limit
    batches = source.batches(options, tells_utc=False)
    with product_bytes(options) as target:
        for item, epoch in _wanted(options, batches):
            if left is not None:
                if left <= 0:
                    return True
                left -= 1
            if options.json:
                target.write(orjson.dumps(item, option=orjson.OPT_APPEND_NEWLINE))
            else:
                line = frame_line(item, all_fields=options.fields, epoch=epoch)
                target.write(line.encode() + b"\n")
    return False


def _wanted(
    options: argparse.Namespace, batches: Iterable[Batch]
) -> Iterator[tuple[dict[str, object], str]]:
    """Give what is asked for, and the epoch of the stream at its place."""
    from rtcmtool.views.decode_json import json_objects
    from rtcmtool.views.decode_text import UNTIMED, epoch_text

    epoch = UNTIMED
    for item in (item for batch in batches for item in json_objects(batch)):
        epoch = epoch_text(item) or epoch
        chosen = options.only is None or ("reject" not in item and item["number"] in options.only)
        if chosen and (options.station is None or item.get("station") == options.station):
            yield item, epoch


def _summary(options: argparse.Namespace, source: Input) -> int:
    from rtcmtool.monitor.stream_counts import StreamCounts
    from rtcmtool.monitor.traffic import is_damage
    from rtcmtool.views.decode_text import summary_table

    state = StreamCounts()
    counts: Counter[str] = Counter()
    sizes: Counter[str] = Counter()
    for batch in source.batches(options):
        state.update(heard_from(options, batch))
        for reject in batch.rejects:
            kind = reject.reason.value
            if kind == "crc" and not is_damage(reject):
                kind = "noise"  # a false preamble among foreign bytes is no damaged frame
            counts[kind] += 1
            sizes[kind] += reject.length
    if not source.total_bytes:
        source.require_frames()
    rejects = {kind: (count, sizes[kind]) for kind, count in counts.items()}
    with product(options) as console:
        table = summary_table(state, rejects, only=options.only, width=console.width)
        console.print(table, soft_wrap=False)
    source.require_frames()
    return 0
