"""`inspect`: one frame, every bit in its place."""

import argparse
import re
from dataclasses import dataclass

from rtcmtool.cli.arguments import add_printing, whole
from rtcmtool.cli.console import product, product_bytes, quoted
from rtcmtool.cli.reading import Input, open_input
from rtcmtool.errors import SourceError, UsageError
from rtcmtool.wire.dissection import Dissection, dissect
from rtcmtool.wire.framing import LONGEST_FRAME, PREAMBLE, Frame

EXAMPLES = (
    ("rtcmtool inspect JOB.rtcm3 --number 1005", "the first position message"),
    ("rtcmtool inspect JOB.rtcm3 --frame 12", "the twelfth valid frame"),
    ("rtcmtool inspect --hex 'D3 00 13 3E D7 ..'", "bytes from a log"),
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.add_argument("source", metavar="SOURCE", nargs="?", help="capture file, or -")
    group = parser.add_argument_group("what to look at")
    group.add_argument("--frame", type=whole, metavar="N", help="the N-th valid frame, first is 1")
    group.add_argument(
        "--offset", type=whole, metavar="BYTE", help="the frame at or around this byte"
    )
    group.add_argument("--number", type=whole, metavar="1005", help="the first of this number")
    group.add_argument("--next", action="store_true", help="the valid frame behind that one")
    group.add_argument("--hex", metavar="BYTES", help="these bytes instead of a file")
    add_printing(parser)
    parser.set_defaults(date=None)


@dataclass(frozen=True, slots=True)
class _Place:
    """A frame and where it stands."""

    data: bytes
    offset: int
    frame: int | None


def run(options: argparse.Namespace) -> int:
    """Run the command; give its exit code."""
    place = _from_hex(options.hex) if options.hex is not None else _from_file(options)
    found = dissect(place.data)
    if options.json:
        import orjson

        with product_bytes(options) as stream:
            stream.write(orjson.dumps(_object(found, place), option=orjson.OPT_APPEND_NEWLINE))
        return 0
    from rtcmtool.views.dissection_text import dissection_lines

    with product(options) as console:
        lines = dissection_lines(
            found,
            offset=place.offset,
            frame=place.frame,
            width=console.width,
            full=options.verbose > 0,
        )
        for line in lines:
            console.print(line)
    return 0


def _from_hex(text: str) -> _Place:
    digits = re.sub(r"0x|[\s,:]", "", text)
    try:
        data = bytes.fromhex(digits)
    except ValueError:
        raise UsageError(
            "--hex holds something that is no pair of hexadecimal digits.",
            do="write bytes as D3 00 13, with or without spaces.",
        ) from None
    if not data:
        raise UsageError("--hex holds no byte.", do="write bytes as D3 00 13.")
    whole_frame = dissect(data).is_whole
    return _Place(data, 0, 1 if whole_frame else None)


def _from_file(options: argparse.Namespace) -> _Place:
    if options.source is None:
        raise UsageError("inspect needs a SOURCE or --hex.", do="rtcmtool inspect -h")
    chosen = [name for name in ("frame", "offset", "number") if getattr(options, name) is not None]
    if len(chosen) > 1:
        raise UsageError(f"give one of --frame, --offset and --number, not {len(chosen)}.")
    if options.frame == 0:
        raise UsageError("frames are counted from 1: there is no frame 0.")
    source = open_input(options)
    place = _search(options, source)
    if place is None:
        source.require_frames()
        what = " ".join(f"--{name} {getattr(options, name)}" for name in chosen) or "frame"
        raise SourceError(
            f"{source.name} has no frame for {what}{' --next' if options.next else ''}.",
            why=f"it holds {source.frames} valid frames in {source.total_bytes} bytes.",
            do=f"look at the list: rtcmtool decode {quoted(source.name)}",
        )
    return place


def _search(options: argparse.Namespace, source: Input) -> _Place | None:
    """Go through the stream until the wanted frame has come."""
    count = 0
    behind = False
    options.quiet = True
    tail, tail_offset = b"", 0  # the latest bytes, for damaged frames at an offset
    for batch in source.batches(options):
        block = batch.block
        for frame in block.frames():
            count += 1
            here = behind or _is_wanted(options, count, frame)
            if here and (behind or not options.next):
                return _Place(frame.data, frame.offset, count)
            behind = behind or here
        if options.offset is not None and not behind:
            if block.offset > tail_offset + len(tail) or not tail:
                tail, tail_offset = block.data, block.offset
            else:
                tail = tail[: block.offset - tail_offset] + block.data
            place = _damaged(options.offset, tail, tail_offset)
            if place is not None and block.decided > options.offset:
                if not options.next:
                    return place
                behind = True
            keep = max(len(tail) - 2 * LONGEST_FRAME, 0)
            if options.offset >= tail_offset + keep:
                tail, tail_offset = tail[keep:], tail_offset + keep
    return None


def _is_wanted(options: argparse.Namespace, count: int, frame: Frame) -> bool:
    if options.frame is not None:
        return count == int(options.frame)
    if options.offset is not None:
        return 0 <= int(options.offset) - frame.offset < len(frame.data)
    if options.number is not None:
        return frame.number == int(options.number)
    return True


def _damaged(offset: int, data: bytes, begin: int) -> _Place | None:
    """Open what stands at an offset where no valid frame begins."""
    at = offset - begin
    if not 0 <= at < len(data):
        return None
    if data[at] != PREAMBLE:
        return _Place(data[at : at + 3], offset, None)
    length = (data[at + 1] & 3) << 8 | data[at + 2] if at + 2 < len(data) else 0
    return _Place(data[at : at + length + 6], offset, None)


def _object(found: Dissection, place: _Place) -> dict[str, object]:
    return {
        "offset": place.offset,
        "frame": place.frame,
        "number": found.number,
        "title": found.title,
        "bytes_hex": place.data.hex(),
        "crc_found": found.crc_found,
        "crc_wanted": found.crc_wanted,
        "crc_ok": found.is_whole,
        "note": found.note or None,
        "pieces": [
            {
                "start_bit": piece.start,
                "bits": piece.width,
                "group": piece.path or None,
                "field": piece.name,
                "data_field": piece.number or None,
                "raw": piece.raw.hex() if isinstance(piece.raw, bytes) else str(piece.raw),
                "value": piece.value,
                "unit": piece.unit or None,
                "meaning": piece.meaning or None,
            }
            for piece in found.pieces
        ],
    }
