"""Look into layouts: all their fields, and the bits of a message with given counters."""

from rtcmtool.wire.layout import (
    Field,
    Group,
    Layout,
    Mask,
    Optional,
    Part,
    Record,
    Text,
    transfer,
)


def fields_of(parts: tuple[Part, ...]) -> list[Field]:
    """Give all fields of a layout, those of groups and options included."""
    found = []
    for part in parts:
        if isinstance(part, Field):
            found.append(part)
        elif isinstance(part, Optional):
            found.append(part.field)
        elif isinstance(part, Group):
            found += fields_of(part.parts)
    return found


class _Sizer:
    """A port that gives the raw values asked for, else 0, and adds up the bits."""

    def __init__(self, raw: dict[str, int]) -> None:
        self.bits = 0
        self._raw = raw

    def number(self, part: Field | Mask, width: int, record: Record) -> int:
        self.bits += width
        return self._raw.get(part.name, 0)

    def text(self, part: Text, length: int, record: Record) -> None:
        self.bits += 8 * length

    def rows(self, group: Group, times: int, record: Record) -> list[Record]:
        return [{} for _ in range(times)]


def bits_of(layout: Layout, **raw: int) -> int:
    """Give the bits of a message in which these fields have these raw values, all others 0."""
    sizer = _Sizer(raw)
    transfer(layout.parts, sizer, {}, {})
    return sizer.bits
