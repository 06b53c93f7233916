"""Layouts refuse to contradict themselves, and raw integers and bit patterns belong together."""

from fractions import Fraction

import pytest

from rtcmtool.errors import LayoutError
from rtcmtool.wire.layout import (
    Computed,
    Count,
    Field,
    Group,
    Kind,
    Layout,
    Mask,
    Optional,
    Order,
    Role,
    SetBits,
    Text,
)
from tests.strategies import ALL_LAYOUTS, layout_id

NUMBER = Field("DF002", "message_number", 12, role=Role.HEAD)
COUNTER = Field("", "counter", 5, role=Role.COUNT)
VALUE = Field("", "value", 8)


@pytest.mark.parametrize("bits", [0, 65, -1])
def test_a_width_outside_1_to_64_is_refused(bits: int) -> None:
    with pytest.raises(LayoutError, match="are not 1 to 64"):
        Field("", "value", bits)


def test_a_flag_wider_than_a_bit_is_refused() -> None:
    with pytest.raises(LayoutError, match="a flag has one bit"):
        Field("", "value", 2, flag=True)


@pytest.mark.parametrize(
    ("kind", "invalid"),
    [(Kind.UNSIGNED, 256), (Kind.UNSIGNED, -1), (Kind.SIGNED, -129), (Kind.SIGNED, 128)],
)
def test_an_invalid_value_that_does_not_fit_is_refused(kind: Kind, invalid: int) -> None:
    with pytest.raises(LayoutError, match="does not fit"):
        Field("", "value", 8, kind, invalid=invalid)


@pytest.mark.parametrize("bits", [1, 2, 5, 8])
@pytest.mark.parametrize("kind", Kind)
def test_each_pattern_has_one_raw_integer_and_back(kind: Kind, bits: int) -> None:
    field = Field("", "value", bits, kind)
    raws = [field.raw_of_pattern(pattern) for pattern in range(1 << bits)]
    assert sorted(raws) == list(range(field.lowest, field.highest + 1))
    assert [field.pattern_of_raw(raw) for raw in raws] == list(range(1 << bits))


def test_signs_are_read_as_told() -> None:
    patterns = (0b0111, 0b1000, 0b1001, 0b1111)
    twos = Field("", "value", 4, Kind.SIGNED)
    assert [twos.raw_of_pattern(pattern) for pattern in patterns] == [7, -8, -7, -1]
    sized = Field("", "value", 4, Kind.SIGN_MAGNITUDE)
    assert [sized.raw_of_pattern(pattern) for pattern in patterns] == [7, -8, -1, -7]  # -8: -0


def test_a_name_that_comes_twice_is_refused() -> None:
    with pytest.raises(LayoutError, match="message 1: the name value comes twice"):
        Layout(1, "", (NUMBER, VALUE, Field("", "value", 3)), "test")


@pytest.mark.parametrize(
    "part",
    [
        Group("rows", Count(COUNTER), (VALUE,)),
        Group("rows", SetBits(COUNTER), (VALUE,)),
        Group("rows", Computed((COUNTER,), lambda n: n), (VALUE,)),
        Text("", "text", Count(COUNTER)),
        Optional(VALUE, COUNTER, 0),
        Mask("", "mask", COUNTER, COUNTER),
    ],
)
def test_a_part_that_needs_a_later_field_is_refused(part: Group) -> None:
    with pytest.raises(LayoutError, match="needs counter, which comes later"):
        Layout(1, "", (NUMBER, part, COUNTER), "test")


def test_a_counter_of_an_inner_group_does_not_serve_outside() -> None:
    inner = Group("rows", Count(COUNTER), (Field("", "inner", 4),))
    outer = Field("", "outer_counter", 3)
    with pytest.raises(LayoutError, match="message 1: behind needs counter"):
        Layout(
            1,
            "",
            (
                NUMBER,
                outer,
                Group("groups", Count(outer), (COUNTER, inner)),
                Text("", "behind", Count(COUNTER)),
            ),
            "test",
        )


def test_a_layout_knows_its_head_and_least_size() -> None:
    group = Group("rows", Count(COUNTER), (VALUE,))
    layout = Layout(1, "", (NUMBER, COUNTER, group, Field("", "tail", 3)), "test")
    assert layout.head == (NUMBER, COUNTER)
    assert list(layout.field_offsets()) == [(NUMBER, 0), (COUNTER, 12)]
    assert layout.group("rows") is group
    with pytest.raises(KeyError):
        layout.group("others")


def test_a_group_of_groups_has_no_width() -> None:
    inner = Group("inner", Count(COUNTER), (VALUE,))
    with pytest.raises(LayoutError, match="holds more than plain fields"):
        _ = Group("outer", Count(COUNTER), (inner,)).bits


def test_the_width_of_a_mask_is_a_product_of_set_bits() -> None:
    rows, columns = Field("", "rows", 8), Field("", "columns", 8)
    assert Mask("", "mask", rows, columns).width({rows: 0b1011, columns: 0b11000000}) == 6


@pytest.mark.parametrize("layout", ALL_LAYOUTS, ids=layout_id)
def test_every_layout_begins_with_its_number_and_scales_are_exact(layout: Layout) -> None:
    assert layout.parts[0].name == "message_number"
    for part in layout.parts:
        if isinstance(part, Group) and part.order is Order.FIELD_BY_FIELD:
            assert part.bits == sum(field.bits for field in part.fields)
        if isinstance(part, Field):
            assert isinstance(part.scale, Fraction)
            assert part.scale > 0
