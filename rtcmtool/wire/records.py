"""One message to its record of raw integers, and a record to values with units.

This path serves the messages that come now and then (station, ephemerides, text, state space) and
the headers of observation messages; observations themselves go through `observations`.
"""

import math
from functools import cache
from typing import Any

from rtcmtool.wire.layout import (
    Field,
    Group,
    Kind,
    Layout,
    Mask,
    Optional,
    Part,
    Record,
    Role,
    Scope,
    Text,
    TooManyCellsError,
    transfer,
)


class ImpossibleMessageError(Exception):
    """A message whose bytes contradict its layout: too short, or too many cells."""


class BitReader:
    """Reads the numbers of a message one after the other.

    Parameters
    ----------
    message : bytes
        Message, from its number to its last byte.
    """

    def __init__(self, message: bytes) -> None:
        self._value = int.from_bytes(message, "big")
        self._left = len(message) * 8

    @property
    def left(self) -> int:
        """Bits not read yet."""
        return self._left

    def number(self, part: Field | Mask, width: int, record: Record) -> int:
        """Read a number into `record`."""
        left = self._left - width
        if left < 0:
            raise ImpossibleMessageError(
                f"{part.name} needs {width} bits, {self._left} are left of the message"
            )
        self._left = left
        raw = self._value >> left & ((1 << width) - 1)
        if isinstance(part, Field) and part.kind is not Kind.UNSIGNED:
            raw = part.raw_of_pattern(raw)
        record[part.name] = raw
        return raw

    def text(self, part: Text, length: int, record: Record) -> None:
        """Read bytes into `record`."""
        left = self._left - 8 * length
        if left < 0:
            raise ImpossibleMessageError(
                f"{part.name} needs {length} bytes, {self._left // 8} are left of the message"
            )
        self._left = left
        record[part.name] = (self._value >> left & ((1 << 8 * length) - 1)).to_bytes(length, "big")

    def rows(self, group: Group, times: int, record: Record) -> list[Record]:
        """Make empty records for a group's repetitions."""
        made: list[Record] = [{} for _ in range(times)]
        record[group.name] = made
        return made


def read_record(layout: Layout, message: bytes) -> Record:
    """Read a message by its layout.

    Parameters
    ----------
    layout : Layout
        Layout of the message's number.
    message : bytes
        Message without frame. Bytes behind the layout are left alone: messages may grow.

    Returns
    -------
    dict
        Raw integers by field name, bytes for texts, lists of dicts for groups.

    Raises
    ------
    ImpossibleMessageError
        If the message is shorter than its layout, or asks for more than 64 cells.
    """
    record: Record = {}
    try:
        transfer(layout.parts, BitReader(message), record, {})
    except TooManyCellsError as error:
        raise ImpossibleMessageError("the masks ask for more than 64 cells") from error
    return record


def read_head(layout: Layout, message: bytes) -> Record:
    """Read only the plain fields at the beginning of a message.

    Parameters, result and errors as `read_record`.
    """
    record: Record = {}
    scope: Scope = {}
    transfer(layout.head, BitReader(message), record, scope)
    return record


@cache
def exact_scale(field: Field) -> tuple[int, int, int]:
    """Give integers (a, b, c) such that value = (raw a + b) / c exactly."""
    numerator, denominator = field.scale.as_integer_ratio()
    add, divisor = field.offset.as_integer_ratio()
    common = math.lcm(denominator, divisor)
    return numerator * (common // denominator), add * (common // divisor), common


def value_of(field: Field, raw: int) -> Any:
    """Give the value of a raw integer.

    Parameters
    ----------
    field : Field
        Its description.
    raw : int
        Raw integer as in a record.

    Returns
    -------
    int, float, bool, str or None
        None where the raw value means "not available". Scaled numbers are the double nearest to
        the exact value.
    """
    if raw == field.invalid:
        return None
    if field.convert is not None:
        return field.convert(raw)
    if field.flag:
        return bool(raw)
    if field.kind is Kind.SIGN_MAGNITUDE and raw == field.lowest:
        raw = 0
    a, b, c = exact_scale(field)
    scaled = raw * a + b
    if field.semicircles:
        return scaled / c * math.pi
    return scaled if c == 1 else scaled / c


def values_of(layout: Layout, record: Record) -> Record:
    """Give the values of a record: what is shown as the `fields` of a message.

    Parameters
    ----------
    layout : Layout
        Layout of the record.
    record : dict
        Raw content.

    Returns
    -------
    dict
        Values by name, groups as lists of dicts. Counters, reserved bits and what is shown at
        the top (message number, station, epoch, satellite) are left out.
    """
    values = _values(layout.parts, record)
    return layout.derive(values) if layout.derive else values


def values_of_head(layout: Layout, record: Record) -> Record:
    """Give the values of a record that `read_head` made; leaves out what `values_of` does."""
    return _values(layout.head, record)


def _values(parts: tuple[Part, ...], record: Record) -> Record:
    values: Record = {}
    for part in parts:
        match part:
            case Field():
                if part.role is Role.VALUE:
                    values[part.name] = value_of(part, record[part.name])
            case Text():
                # Bad UTF-8 shows replacement characters: a text is for people.
                values[part.name] = record[part.name].decode(part.encoding, errors="replace")
            case Optional():
                raw = record.get(part.name)
                values[part.name] = None if raw is None else value_of(part.field, raw)
            case Group():
                values[part.name] = [_values(part.parts, row) for row in record[part.name]]
            case Mask():
                pass
    return values
