"""Values or raw records to frames, by the layouts that decode them."""

import math
from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from bitstring import Bits

from rtcmtool.errors import EncodeError
from rtcmtool.wire.crc import crc24q
from rtcmtool.wire.framing import PREAMBLE
from rtcmtool.wire.layout import (
    Count,
    Field,
    Group,
    Kind,
    Layout,
    Mask,
    Optional,
    Part,
    Record,
    Role,
    Text,
    TooManyCellsError,
    transfer,
)

LONGEST_MESSAGE = 1023  # bytes; ten bits of length


def _given(values: Mapping[str, Any], name: str) -> Any:
    """Give a value, or refuse by name."""
    try:
        return values[name]
    except KeyError:
        raise EncodeError(f"{name} is missing", do=f"give {name}") from None


class BitWriter:
    """Writes the numbers of a record one after the other."""

    def __init__(self) -> None:
        self._pieces: list[Bits] = []

    def number(self, part: Field | Mask, width: int, record: Record) -> int:
        """Write the number that `record` holds for this part."""
        raw = _given(record, part.name)
        if isinstance(part, Field):
            lowest, highest = part.lowest, part.highest
        else:
            lowest, highest = 0, (1 << width) - 1
        if not isinstance(raw, int) or not lowest <= raw <= highest:
            raise EncodeError(f"{part.name}: {raw!r} does not fit {lowest} to {highest}")
        pattern = part.pattern_of_raw(raw) if isinstance(part, Field) else raw
        if width:
            self._pieces.append(Bits(f"u{width}={pattern}"))
        return raw

    def text(self, part: Text, length: int, record: Record) -> None:
        """Write the bytes that `record` holds for this part."""
        data = _given(record, part.name)
        if len(data) != length:
            raise EncodeError(f"{part.name}: {len(data)} bytes, its counter says {length}")
        self._pieces.append(Bits.from_bytes(data))

    def rows(self, group: Group, times: int, record: Record) -> list[Record]:
        """Give the records of a group; their number must agree with its counter."""
        rows: list[Record] = _given(record, group.name)
        if len(rows) != times:
            raise EncodeError(f"{group.name}: {len(rows)} entries, its counter says {times}")
        return rows

    def tobytes(self) -> bytes:
        """Give all bits, filled up with zeros to whole bytes."""
        joined: bytes = Bits.from_joined(self._pieces).to_bytes()
        return joined


def frame_message(message: bytes) -> bytes:
    """Put a message into a frame.

    Parameters
    ----------
    message : bytes
        Up to 1023 bytes.

    Returns
    -------
    bytes
        Preamble, length, message, CRC.

    Raises
    ------
    EncodeError
        If the message is too long for a frame.
    """
    if len(message) > LONGEST_MESSAGE:
        raise EncodeError(f"a message of {len(message)} bytes is longer than {LONGEST_MESSAGE}")
    body = bytes((PREAMBLE, len(message) >> 8, len(message) & 0xFF)) + message
    check_sum: int = crc24q(body)
    return body + check_sum.to_bytes(3, "big")


def encode_record(layout: Layout, record: Record) -> bytes:
    """Write a record of raw integers as a message.

    Parameters
    ----------
    layout : Layout
        Layout of the message.
    record : dict
        As `records.read_record` gives it.

    Returns
    -------
    bytes
        The message, without frame.

    Raises
    ------
    EncodeError
        If a number is missing or does not fit its field, or a counter disagrees.
    """
    writer = BitWriter()
    try:
        transfer(layout.parts, writer, record, {})
    except TooManyCellsError as error:
        raise EncodeError("the masks ask for more than 64 cells") from error
    return writer.tobytes()


def raw_of(field: Field, value: float | bool | Fraction | None) -> int:
    """Give the raw integer nearest to a value.

    Parameters
    ----------
    field : Field
        Its description; radians for fields in semicircles.
    value : float, bool or None
        None gives the raw value for "not available".

    Returns
    -------
    int
        Raw integer.

    Raises
    ------
    EncodeError
        If the value does not fit, or None is given to a field that is always available.
    """
    if value is None:
        if field.invalid is None:
            raise EncodeError(f"{field.name} has no way to say 'not available'")
        return field.invalid
    if not math.isfinite(value):
        raise EncodeError(f"{field.name}: {value!r} is no number")
    if field.semicircles:
        scaled = round(float(value) / math.pi / float(field.scale))
    elif isinstance(value, float):
        scaled = round((Fraction(value) - field.offset) / field.scale)
    else:
        scaled = round((value - field.offset) / field.scale)
    # The least raw value of a sign-magnitude field is minus zero, not a size.
    lowest = field.lowest + (field.kind is Kind.SIGN_MAGNITUDE)
    if not lowest <= scaled <= field.highest:
        raise EncodeError(f"{field.name}: {value!r} does not fit into {field.bits} bits")
    return scaled


def encode_values(layout: Layout, values: Mapping[str, Any]) -> bytes:
    """Write values with units as a message.

    Parameters
    ----------
    layout : Layout
        Layout of the message.
    values : mapping
        By field name, in the units of the field; raw integers for fields that convert to names
        (satellites, signals, tables). Reserved bits, the message number and counters of groups
        and texts may be left out.

    Returns
    -------
    bytes
        The message, without frame.

    Raises
    ------
    EncodeError
        If a value is missing or does not fit.
    """
    return encode_record(layout, record_of(layout, values))


def record_of(layout: Layout, values: Mapping[str, Any]) -> Record:
    """Turn values into a record of raw integers; arguments and errors as `encode_values`."""
    return _record(layout.parts, {"message_number": layout.number, **values})


def _record(parts: tuple[Part, ...], values: Mapping[str, Any]) -> Record:
    record: Record = {}
    for part in parts:
        match part:
            case Field():
                if part.name in values:
                    value = values[part.name]
                    record[part.name] = value if part.convert else raw_of(part, value)
                else:
                    record[part.name] = 0  # reserved bits and counters; others are refused below
                    if part.role in (Role.VALUE, Role.HEAD):
                        record.pop(part.name)
            case Mask():
                record[part.name] = _given(values, part.name)
            case Text():
                text = _given(values, part.name)
                data = text if isinstance(text, bytes) else text.encode(part.encoding)
                record[part.name] = data
                record[part.length.field.name] = len(data) - part.length.plus
            case Optional():
                value = values.get(part.name)
                if value is not None:
                    record[part.name] = raw_of(part.field, value)
                    record[part.mask.name] |= 1 << part.bit
            case Group():
                rows = _given(values, part.name)
                record[part.name] = [_record(part.parts, row) for row in rows]
                if isinstance(part.times, Count):
                    record[part.times.field.name] = len(rows) - part.times.plus
    return record
