"""Sizes from memory of IGS State Space Representation Format v1.00."""

import math

import pytest

from rtcmtool.wire.catalogue import SUBTYPES
from rtcmtool.wire.messages.igs_state_space import SYSTEM_SUBTYPES, cosine_terms, sine_terms
from rtcmtool.wire.records import value_of
from tests.wire.messages.parts import bits_of, fields_of

HEADER = 72
DATUM, COUNT, SATELLITE, ISSUE, ORBIT, CLOCK = 1, 6, 6, 8, 121, 70


@pytest.mark.parametrize("base", SYSTEM_SUBTYPES.values())
def test_all_systems_have_the_same_sizes(base):
    heads_and_rows = {
        1: (HEADER + DATUM + COUNT, SATELLITE + ISSUE + ORBIT),
        2: (HEADER + COUNT, SATELLITE + CLOCK),
        3: (HEADER + DATUM + COUNT, SATELLITE + ISSUE + ORBIT + CLOCK),
        4: (HEADER + COUNT, SATELLITE + 22),
        5: (HEADER + COUNT, SATELLITE + 5),
        6: (HEADER + 2 + COUNT, SATELLITE + 5 + 9 + 8),
        7: (HEADER + COUNT, SATELLITE + 6),
    }
    for digit, (head, row) in heads_and_rows.items():
        layout = SUBTYPES[4076, base + digit]
        assert layout.subtype == base + digit
        assert [bits_of(layout, satellite_count=n) for n in (0, 5)] == [head, head + 5 * row]


def test_biases_add_their_bits():
    code, phase = SUBTYPES[4076, 25], SUBTYPES[4076, 26]
    assert bits_of(code, satellite_count=2, bias_count=3) == 78 + 2 * (11 + 3 * (5 + 14))
    assert bits_of(phase, satellite_count=2, bias_count=3) == 80 + 2 * (
        28 + 3 * (5 + 1 + 2 + 4 + 20)
    )


@pytest.mark.parametrize("degree", range(1, 17))
def test_coefficients_are_all_pairs_of_degree_and_order(degree):
    # Counted one by one: order 0 to the least of `order` and n, and sines without order 0.
    for order in range(1, degree + 1):
        pairs = [(n, m) for n in range(degree + 1) for m in range(min(n, order) + 1)]
        assert cosine_terms(degree - 1, order - 1) == len(pairs)
        assert sine_terms(degree - 1, order - 1) == sum(m > 0 for _, m in pairs)


def test_an_order_above_the_degree_asks_for_no_negative_number():
    for raw_degree in range(16):
        for raw_order in range(16):
            assert sine_terms(raw_degree, raw_order) >= 1


def test_the_ionosphere_has_layers_of_coefficients():
    layout = SUBTYPES[4076, 201]
    layer = 8 + 4 + 4 + 16 * (136 + 120)
    assert bits_of(layout, degree=14, order=14) == HEADER + 9 + 2 + layer
    assert bits_of(layout, degree=14, order=14, layer_count=3) == HEADER + 9 + 2 + 4 * layer


def test_yaw_is_an_unsigned_angle_in_radians():
    yaw = next(f for f in fields_of(SUBTYPES[4076, 26].parts) if f.name == "yaw_rad")
    assert value_of(yaw, 384) == pytest.approx(1.5 * math.pi)


def test_number_version_and_subtype_lead():
    for layout in SUBTYPES.values():
        names = [field.name for field in layout.head]
        assert names[:4] == ["message_number", "version", "subtype", "epoch_s"]
