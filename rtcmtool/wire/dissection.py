"""One frame to every field with its bits: what `inspect` shows.

Bits are read with bitstring, apart from the two decoders: a third reading of the same layout, and
the referee of the other two in the tests. Nothing is guessed: fields are shown as far as the bytes
go.
"""

from dataclasses import dataclass, field
from typing import Any

from bitstring import Bits, Reader

from rtcmtool.wire.catalogue import title
from rtcmtool.wire.crc import crc24q
from rtcmtool.wire.decoding import layout_of
from rtcmtool.wire.framing import PREAMBLE
from rtcmtool.wire.layout import (
    Field,
    Group,
    Layout,
    Mask,
    Record,
    Role,
    Text,
    TooManyCellsError,
    transfer,
)
from rtcmtool.wire.records import value_of

HEAD_BITS = 24  # preamble, reserved bits, length
CRC_BITS = 24


@dataclass(frozen=True, slots=True)
class Piece:
    """A field in its place.

    Attributes
    ----------
    start, width : int
        First bit, counted from the first bit of the frame, and number of bits.
    path : str
        Where it lies: "satellites 3", or empty at the top.
    name, unit, number : str
        Of the field; number is the data field number (DF).
    raw : int or bytes
        Raw integer, bytes for texts.
    value : object
        Value with unit; None for "not available".
    meaning : str
        What the raw value means, where the field says.
    """

    start: int
    width: int
    path: str
    name: str
    raw: int | bytes
    value: Any
    unit: str = ""
    number: str = ""
    meaning: str = ""


@dataclass(slots=True)
class Dissection:
    """A frame taken apart.

    Attributes
    ----------
    data : bytes
        The frame as found; may be damaged or cut.
    number : int or None
        Message number.
    title : str
        What the message is.
    pieces : list of Piece
        All fields in wire order; together they cover the frame without gap.
    crc_found, crc_wanted : int or None
        As sent, and as computed over the bytes; None when the frame is cut.
    note : str
        What is out of the ordinary, for people; empty for a good frame.
    """

    data: bytes
    number: int | None
    title: str
    pieces: list[Piece] = field(default_factory=list)
    crc_found: int | None = None
    crc_wanted: int | None = None
    note: str = ""

    @property
    def is_whole(self) -> bool:
        """Whether the CRC holds."""
        return self.crc_found is not None and self.crc_found == self.crc_wanted


class _OutOfBitsError(Exception):
    """The message ends before its layout does."""


class _Dissector:
    """A port that notes where every number lies."""

    def __init__(self, message: bytes, pieces: list[Piece]) -> None:
        self._reader = Reader(Bits.from_bytes(message))
        self._pieces = pieces
        self._paths: dict[int, str] = {}

    @property
    def left(self) -> int:
        """Bits not read yet."""
        return int(self._reader.remaining)

    def _at(self) -> int:
        return HEAD_BITS + int(self._reader.pos)

    def number(self, part: Field | Mask, width: int, record: Record) -> int:
        if self.left < width:
            raise _OutOfBitsError(f"the message ends inside {part.name}")
        start = self._at()
        pattern = int(str(self._reader.read_value(f"u{width}"))) if width else 0
        path = self._paths.get(id(record), "")
        if isinstance(part, Mask):
            record[part.name] = pattern
            piece = Piece(start, width, path, part.name, pattern, pattern, "", part.number)
            self._pieces.append(piece)
            return pattern
        raw = part.raw_of_pattern(pattern)
        record[part.name] = raw
        value = value_of(part, raw)
        meaning = (part.meanings or {}).get(raw, "")
        if raw == part.invalid:
            meaning = "not available"
        elif part.role is Role.RESERVED:
            meaning = "reserved"
        self._pieces.append(
            Piece(start, width, path, part.name, raw, value, part.unit, part.number, meaning)
        )
        return raw

    def text(self, part: Text, length: int, record: Record) -> None:
        if self.left < 8 * length:
            raise _OutOfBitsError(f"the message ends inside {part.name}")
        start = self._at()
        raw = self._reader.read_bits(8 * length).to_bytes() if length else b""
        record[part.name] = raw
        value = raw.decode(part.encoding, errors="replace")
        path = self._paths.get(id(record), "")
        self._pieces.append(Piece(start, 8 * length, path, part.name, raw, value, "", part.number))

    def rows(self, group: Group, times: int, record: Record) -> list[Record]:
        made: list[Record] = [{} for _ in range(times)]
        record[group.name] = made
        above = self._paths.get(id(record), "")
        for index, row in enumerate(made, 1):
            self._paths[id(row)] = f"{above} {group.name} {index}".strip()
        return made


def dissect(data: bytes) -> Dissection:
    """Take a frame apart.

    Parameters
    ----------
    data : bytes
        A frame from its preamble on; damaged and cut frames are shown as far as they go.

    Returns
    -------
    Dissection
        Every field with its bits.
    """
    length = (data[1] & 3) << 8 | data[2] if len(data) >= 3 else 0
    whole = len(data) >= length + 6
    message = data[3 : 3 + length]
    number = message[0] << 4 | message[1] >> 4 if len(message) >= 2 else None
    layout = layout_of(message)
    found = Dissection(data, number, title(number, layout.subtype if layout else None))
    _add_head(found, length)
    if whole:
        found.crc_found = int.from_bytes(data[3 + length : 6 + length], "big")
        found.crc_wanted = crc24q(data[: 3 + length])
    notes = _add_message(found, message, layout)
    if whole:
        start = HEAD_BITS + 8 * length
        meaning = "holds" if found.is_whole else f"computed {found.crc_wanted:06X}"
        found.pieces.append(
            Piece(
                start, CRC_BITS, "", "crc", found.crc_found or 0, found.crc_found, "", "", meaning
            )
        )
        _add_rest(found, 6 + length)
    else:
        _add_rest(found, 3 + len(message) if len(data) >= 3 else 1)
        notes.append(f"the frame is cut: {len(data)} of {length + 6} bytes are there")
    found.note = "; ".join(notes)
    return found


def _add_head(found: Dissection, length: int) -> None:
    data, add = found.data, found.pieces.append
    if data:
        meaning = "D3" if data[0] == PREAMBLE else "wrong"
        add(Piece(0, 8, "", "preamble", data[0], data[0], meaning=meaning))
    if len(data) >= 3:
        add(Piece(8, 6, "", "reserved", data[1] >> 2, data[1] >> 2, meaning="reserved"))
        add(Piece(14, 10, "", "length", length, length, "bytes"))


def _add_rest(found: Dissection, begin: int) -> None:
    """Add what is left from a byte on: of a cut frame, or behind a whole one."""
    rest = found.data[begin:]
    if rest:
        found.pieces.append(Piece(8 * begin, 8 * len(rest), "", "rest", rest, rest.hex()))


def _add_message(found: Dissection, message: bytes, layout: Layout | None) -> list[str]:
    notes: list[str] = []
    dissector = _Dissector(message, found.pieces)
    if layout is not None:
        try:
            transfer(layout.parts, dissector, {}, {})
        except _OutOfBitsError as error:
            notes.append(str(error))
        except TooManyCellsError:
            notes.append("the masks ask for more than 64 cells: no such message exists")
    elif message:
        notes.append(
            "the layout of this message is not known"
            if found.number is not None
            else "a message of one byte has no number"
        )
    left = dissector.left
    if left:
        start = HEAD_BITS + 8 * len(message) - left
        bits = int.from_bytes(message, "big") & ((1 << left) - 1)
        name = "padding" if layout is not None and left < 8 and not notes else "not decoded"
        found.pieces.append(Piece(start, left, "", name, bits, None))
    return notes
