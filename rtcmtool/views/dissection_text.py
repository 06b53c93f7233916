"""A frame with every bit in its place: what `inspect` prints."""

import itertools
import re
import textwrap
from typing import Any

from rtcmtool.diagnosis.wording import printable
from rtcmtool.wire.dissection import Dissection, Piece

_SHOWN_BYTES = 2  # of a long field; more are cut with ~
_BITS_WIDTH = 19
_DIGITS = 8  # of numbers below 1; the raw number beside them is exact
_INDENT = " " * 9
_LONGEST_NAME = 16  # columns; longer names are wrapped
NARROWEST = 78  # columns; a bit table cannot be told in fewer


def bits_text(data: bytes, start: int, width: int, *, full: bool = False) -> str:
    """Show the bits of a field in their bytes, dots in the neighbours' places.

    Parameters
    ----------
    data : bytes
        The frame.
    start, width : int
        First bit and number of bits.
    full : bool
        Show all bytes of long fields.

    Examples
    --------
    >>> bits_text(bytes([0x3E, 0xD7]), 0, 12), bits_text(bytes([0x3E, 0xD7]), 12, 4)
    ('00111110 1101....', '....0111')
    """
    if not width:
        return "(no bits)"
    first, last = start // 8, (start + width - 1) // 8
    shown = range(first, last + 1 if full else min(last + 1, first + _SHOWN_BYTES))
    octets = []
    for index in shown:
        octet = f"{data[index]:08b}"
        octets.append(
            "".join(
                bit if start <= 8 * index + place < start + width else "."
                for place, bit in enumerate(octet)
            )
        )
    return " ".join(octets) + (" ~" if len(shown) < last - first + 1 else "")


def dissection_lines(
    found: Dissection, *, offset: int, frame: int | None, width: int, full: bool = False
) -> list[str]:
    """Give a frame as lines.

    Parameters
    ----------
    found : Dissection
        The frame taken apart.
    offset : int
        Byte of the stream at which it begins.
    frame : int or None
        Its number in the stream, the first is 1; None for a damaged one.
    width : int
        Columns; names and values are cut to fit.
    full : bool
        Show all bits of long fields.
    """
    data = found.data
    last = offset + len(data) - 1
    where = f"frame {frame}" if frame is not None else "no valid frame"
    number = "" if found.number is None else f"{found.number} "
    message_bytes = (data[1] & 3) << 8 | data[2] if len(data) >= 3 else 0
    width = max(width, NARROWEST)
    lines = _packed(
        where, f"bytes {offset}-{last}", f"{number}{found.title}", f"{message_bytes} bytes",
        _crc(found), width=width,
    )  # fmt: skip
    if found.note:
        lines += textwrap.wrap(
            found.note, width, initial_indent="  note   ", subsequent_indent=_INDENT
        )
    longest = max([len(_name(piece)) for piece in found.pieces] + [len("field")])
    names = min(longest, _LONGEST_NAME)
    lines.append(
        f"{'byte.bit':>8}  {'bits':<{_BITS_WIDTH}}  {'raw':>12}  {'field':<{names}}  value"
    )
    path = ""
    for piece in found.pieces:
        if piece.path != path:
            path = piece.path
            if path:
                lines.append(f"           {path}")
        lines += _piece_lines(data, piece, names=names, width=width, full=full)
    return lines


def _packed(*parts: str, width: int) -> list[str]:
    """Put parts behind each other, on a further line where there is no room."""
    lines = [parts[0]]
    for part in parts[1:]:
        if len(lines[-1]) + 3 + len(part) <= width:
            lines[-1] += f"   {part}"
        else:
            lines.append(_INDENT + part)
    return lines


def _crc(found: Dissection) -> str:
    if found.crc_found is None:
        return "CRC missing"
    if found.is_whole:
        return f"CRC {found.crc_found:06X} ok"
    return f"CRC {found.crc_found:06X} found, {found.crc_wanted:06X} wanted: damaged"


def _piece_lines(data: bytes, piece: Piece, *, names: int, width: int, full: bool) -> list[str]:
    place = f"{piece.start // 8}.{piece.start % 8}"
    name, *more = textwrap.wrap(_name(piece), names)
    bits = bits_text(data, piece.start, piece.width, full=full)
    short = bits if len(bits) <= _BITS_WIDTH else ""
    head = f"{place:>8}  {short:<{_BITS_WIDTH}}  {_raw(piece):>12}  {name:<{names}}  "
    values = textwrap.wrap(printable(_value(piece, full=full)), width - len(head)) or [""]
    below = " " * (len(head) - names - 2)
    rows = itertools.zip_longest(more, values[1:], fillvalue="")
    lines = [head + values[0], *(f"{below}{part:<{names}}  {value}" for part, value in rows)]
    if not short:
        octets = bits.split(" ")
        step = (width - 10) // 9
        lines += [" " * 10 + " ".join(octets[at : at + step]) for at in range(0, len(octets), step)]
    return [line.rstrip() for line in lines]


def _name(piece: Piece) -> str:
    """Give a name for people; its unit stands beside the value."""
    unit = re.sub(r"[^a-z]+", "_", piece.unit.lower())
    name = piece.name.removesuffix(f"_{unit}") if unit else piece.name
    return name.replace("_", " ")


def _raw(piece: Piece) -> str:
    if isinstance(piece.raw, bytes):
        return f"{len(piece.raw)} bytes"
    if piece.name in {"preamble", "crc"}:
        return f"{piece.raw:X}"
    text = str(piece.raw)
    return text if len(text) <= 12 else f"{text[:11]}~"


def _value(piece: Piece, *, full: bool) -> str:
    value: Any = piece.value
    if piece.meaning == "reserved":
        return ""
    if piece.name == "length":
        return f"{value} bytes"
    if piece.meaning and not isinstance(value, str):
        if isinstance(value, bool) or value is None or piece.meaning == "D3":
            return piece.meaning
        number = _number(value, full=full, grouped=True)
        return f"{number} ({piece.meaning})" if piece.unit else piece.meaning
    if value is None:
        return ""
    if piece.name.endswith("_mask"):
        return _places(int(value), piece.width)
    if isinstance(value, str):
        return value
    return f"{_number(value, full=full, grouped=bool(piece.unit))} {piece.unit}".rstrip()


def _places(mask: int, width: int) -> str:
    """Name the bits that are set; the first is 1."""
    places = [str(place) for place, bit in enumerate(f"{mask:0{width}b}", 1) if bit == "1"]
    return f"places {' '.join(places)}" if places and width else "none"


def _number(value: Any, *, full: bool, grouped: bool) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float) and abs(value) < 1 and not full:
        return f"{value:.{_DIGITS}g}"
    if abs(value) >= 1000 and (grouped or isinstance(value, float)):
        return f"{value:,}".replace(",", " ")
    return str(value)
