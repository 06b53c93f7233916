"""Message layouts as data: fields, masks, texts and repeated groups.

A layout is a tree of five kinds of part. One traversal (`transfer`) serves decoding, encoding and
dissection: what is written once cannot disagree with itself. A *record* is the raw content of a
message: a dict of raw integers by field name, bytes for texts, and lists of records for groups.

    Field    a number of fixed width
    Mask     a bit mask whose width follows from two earlier masks (cell mask of MSM)
    Text     bytes whose number an earlier field tells
    Optional a field that is there only when a bit of an earlier field is set
    Group    parts repeated; row by row, or field by field as in MSM
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from enum import Enum
from fractions import Fraction
from functools import cached_property
from typing import Any, Protocol, TypeAlias

from rtcmtool.errors import LayoutError

Record: TypeAlias = dict[str, Any]
Scope: TypeAlias = "dict[Field | Mask, int]"

MOST_CELLS = 64  # bits of an MSM cell mask at most; from memory of RTCM 10403.x, MSM header


class Kind(Enum):
    """How the bits of a field are read."""

    UNSIGNED = "u"
    SIGNED = "i"  # two's complement
    SIGN_MAGNITUDE = "s"  # first bit 1 = negative, the rest the size (GLONASS ephemerides)


class Role(Enum):
    """What a field is for, beyond its value."""

    VALUE = "value"
    COUNT = "count"  # says how often something is repeated: not part of the meaning
    RESERVED = "reserved"
    HEAD = "head"  # message number, station, epoch: shown at the top, not among the fields


@dataclass(frozen=True, eq=False, slots=True)
class Field:
    """A data field of fixed width.

    Attributes
    ----------
    number : str
        Data field number, such as "DF003"; empty where the source gives none.
    name : str
        Key in records and in JSON, with its unit as suffix.
    bits : int
        Width, 1 to 64.
    scale, offset : Fraction
        Value = raw x scale + offset, exactly.
    semicircles : bool
        The scaled value is in semicircles on the wire and in radians as a value.
    invalid : int or None
        Raw value that marks "not available".
    convert : callable or None
        Raw integer to value, where a scale cannot say it (names, tables).
    meanings : mapping or None
        What single raw values mean, for people.
    """

    number: str
    name: str
    bits: int
    kind: Kind = Kind.UNSIGNED
    scale: Fraction = Fraction(1)
    offset: Fraction = Fraction(0)
    semicircles: bool = False
    unit: str = ""
    invalid: int | None = None
    convert: Callable[[int], Any] | None = None
    meanings: Mapping[int, str] | None = None
    role: Role = Role.VALUE
    flag: bool = False
    source: str = ""

    def __post_init__(self) -> None:
        if not 1 <= self.bits <= 64:
            raise LayoutError(f"field {self.name}: {self.bits} bits are not 1 to 64")
        if self.flag and self.bits != 1:
            raise LayoutError(f"field {self.name}: a flag has one bit, not {self.bits}")
        if self.invalid is not None and not self.lowest <= self.invalid <= self.highest:
            raise LayoutError(f"field {self.name}: invalid value {self.invalid} does not fit")

    @property
    def lowest(self) -> int:
        """Least raw value. The least of a sign-magnitude field stands for minus zero."""
        return 0 if self.kind is Kind.UNSIGNED else -(1 << (self.bits - 1))

    @property
    def highest(self) -> int:
        """Greatest raw value."""
        return (1 << (self.bits if self.kind is Kind.UNSIGNED else self.bits - 1)) - 1

    def raw_of_pattern(self, pattern: int) -> int:
        """Read a bit pattern as this field's raw integer."""
        if self.kind is Kind.UNSIGNED:
            return pattern
        top = 1 << (self.bits - 1)
        if not pattern & top:
            return pattern
        if self.kind is Kind.SIGNED:
            return pattern - (top << 1)
        size = pattern - top
        return -size if size else -top  # minus zero keeps its own raw value: nothing is lost

    def pattern_of_raw(self, raw: int) -> int:
        """Give the bit pattern of a raw integer that fits."""
        if raw >= 0:
            return raw
        top = 1 << (self.bits - 1)
        if self.kind is Kind.SIGNED:
            return raw + (top << 1)
        return top if raw == -top else top - raw


@dataclass(frozen=True, eq=False, slots=True)
class Mask:
    """A bit mask as wide as the product of the set bits of two earlier masks."""

    number: str
    name: str
    rows: Field
    columns: Field
    source: str = ""

    def width(self, scope: Scope) -> int:
        """Bits of this mask in the message at hand."""
        return scope[self.rows].bit_count() * scope[self.columns].bit_count()


class Times(Protocol):
    """How often a group is repeated, or how many bytes a text has."""

    @property
    def needs(self) -> "tuple[Field | Mask, ...]":
        """Fields that must come earlier."""
        ...

    def number(self, scope: Scope) -> int:
        """Give the number of repetitions for the raw values read so far."""
        ...


@dataclass(frozen=True, slots=True)
class Count:
    """As often as an earlier field says, plus a constant."""

    field: Field
    plus: int = 0

    @property
    def needs(self) -> "tuple[Field | Mask, ...]":
        """Fields that must come earlier."""
        return (self.field,)

    def number(self, scope: Scope) -> int:
        """Give the number of repetitions for the raw values read so far."""
        return scope[self.field] + self.plus


@dataclass(frozen=True, slots=True)
class SetBits:
    """Once for each set bit of an earlier mask."""

    mask: Field | Mask

    @property
    def needs(self) -> "tuple[Field | Mask, ...]":
        """Fields that must come earlier."""
        return (self.mask,)

    def number(self, scope: Scope) -> int:
        """Give the number of repetitions for the raw values read so far."""
        return scope[self.mask].bit_count()


@dataclass(frozen=True, slots=True)
class Computed:
    """A number that a formula gives from earlier fields."""

    fields: tuple[Field, ...]
    formula: Callable[..., int]

    @property
    def needs(self) -> "tuple[Field | Mask, ...]":
        """Fields that must come earlier."""
        return self.fields

    def number(self, scope: Scope) -> int:
        """Give the number of repetitions for the raw values read so far."""
        return self.formula(*(scope[f] for f in self.fields))


@dataclass(frozen=True, eq=False, slots=True)
class Text:
    """Characters whose number of bytes an earlier field tells."""

    number: str
    name: str
    length: Count
    encoding: str = "latin-1"  # ISO 8859-1: every byte has a meaning
    source: str = ""


@dataclass(frozen=True, eq=False, slots=True)
class Optional:
    """A field that is present only when one bit of an earlier field is set.

    `bit` counts from the least significant bit.
    """

    field: Field
    mask: Field
    bit: int

    @property
    def name(self) -> str:
        """Key in records."""
        return self.field.name


class Order(Enum):
    """How the repetitions of a group lie in the message."""

    ROW_BY_ROW = "row by row"
    FIELD_BY_FIELD = "field by field"


@dataclass(frozen=True, eq=False, slots=True)
class Group:
    """Parts that are repeated."""

    name: str
    times: Times
    parts: "tuple[Part, ...]"
    order: Order = Order.ROW_BY_ROW

    @property
    def bits(self) -> int:
        """Bits of one repetition, for groups of plain fields."""
        return sum(part.bits for part in self.fields)

    @property
    def fields(self) -> tuple[Field, ...]:
        """Give the parts of a group that has plain fields only."""
        if not all(isinstance(part, Field) for part in self.parts):
            raise LayoutError(f"group {self.name} holds more than plain fields")
        return tuple(part for part in self.parts if isinstance(part, Field))


Part: TypeAlias = Field | Mask | Text | Optional | Group


@dataclass(frozen=True, eq=False)
class Layout:
    """The layout of one message number.

    Parameters
    ----------
    number : int
        Message number (DF002).
    title : str
        What it is, for people.
    parts : tuple of Part
        All parts in wire order, the message number first.
    family : str
        Module of the message: "station", "msm", ...
    system : str or None
        RINEX letter of the only satellite system it is about.
    subtype : int or None
        Sub-type of messages that share a number (4076).
    derive : callable or None
        Values to add to those of the record: takes and returns a dict of values.
    """

    number: int
    title: str
    parts: tuple[Part, ...]
    family: str
    system: str | None = None
    source: str = ""
    subtype: int | None = None
    derive: Callable[[Record], Record] | None = field(default=None, repr=False)

    def __post_init__(self) -> None:
        _check(self.parts, set(), f"message {self.number}")

    @cached_property
    def head(self) -> tuple[Field, ...]:
        """Give the fields before the first part that is no plain field."""
        fields = []
        for part in self.parts:
            if not isinstance(part, Field):
                break
            fields.append(part)
        return tuple(fields)

    def group(self, name: str) -> Group:
        """Give the top-level group of this name.

        Raises
        ------
        KeyError
            If the layout has none.
        """
        for part in self.parts:
            if isinstance(part, Group) and part.name == name:
                return part
        raise KeyError(name)

    def field_offsets(self) -> Iterator[tuple[Field, int]]:
        """Give each field of the head with its bit offset in the message."""
        at = 0
        for part in self.head:
            yield part, at
            at += part.bits


def _check(parts: tuple[Part, ...], known: "set[Field | Mask]", where: str) -> None:
    """Refuse names that come twice and counts that refer to later fields."""
    names: set[str] = set()
    known = set(known)
    for part in parts:
        if part.name in names:
            raise LayoutError(f"{where}: the name {part.name} comes twice")
        names.add(part.name)
        needs: tuple[Field | Mask, ...] = ()
        match part:
            case Field():
                known.add(part)
            case Mask():
                needs = (part.rows, part.columns)
            case Text():
                needs = part.length.needs
            case Optional():
                needs = (part.mask,)
            case Group():
                needs = part.times.needs
        for need in needs:
            if need not in known:
                raise LayoutError(f"{where}: {part.name} needs {need.name}, which comes later")
        if isinstance(part, Mask):
            known.add(part)
        if isinstance(part, Group):
            _check(part.parts, known, f"{where}, group {part.name}")


class Port(Protocol):
    """The side of a traversal that knows bits: a reader, a writer or a dissector."""

    def number(self, part: Field | Mask, width: int, record: Record) -> int:
        """Move one number between the bits and `record[part.name]`; give it back."""
        ...

    def text(self, part: Text, length: int, record: Record) -> None:
        """Move `length` bytes between the bits and `record[part.name]`."""
        ...

    def rows(self, group: Group, times: int, record: Record) -> list[Record]:
        """Give the records of a group's repetitions."""
        ...


class TooManyCellsError(Exception):
    """A cell mask wider than 64 bits: no such message exists."""


def transfer(parts: tuple[Part, ...], port: Port, record: Record, scope: Scope) -> None:
    """Move the content of a message between bits and record, part by part.

    Parameters
    ----------
    parts : tuple of Part
        Layout, or the parts of a group.
    port : Port
        Reader or writer of bits.
    record : dict
        Raw content; filled by a reader, used by a writer.
    scope : dict
        Raw values met so far; extended.

    Raises
    ------
    TooManyCellsError
        If the masks of an MSM ask for more than 64 cells.
    """
    for part in parts:
        match part:
            case Field():
                scope[part] = port.number(part, part.bits, record)
            case Mask():
                width = part.width(scope)
                if width > MOST_CELLS:
                    raise TooManyCellsError
                scope[part] = port.number(part, width, record)
            case Text():
                port.text(part, part.length.number(scope), record)
            case Optional():
                if scope[part.mask] >> part.bit & 1:
                    scope[part.field] = port.number(part.field, part.field.bits, record)
            case Group():
                _transfer_group(part, port, record, scope)


def _transfer_group(group: Group, port: Port, record: Record, scope: Scope) -> None:
    rows = port.rows(group, group.times.number(scope), record)
    if group.order is Order.ROW_BY_ROW:
        for row in rows:
            transfer(group.parts, port, row, scope)
        return
    for part in group.fields:
        for row in rows:
            port.number(part, part.bits, row)
