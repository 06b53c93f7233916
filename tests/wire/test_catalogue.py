"""The catalogue against the list of numbers in RTCM 10403.x, from memory."""

import pytest

from rtcmtool.wire.catalogue import (
    KNOWN_TITLES,
    LAYOUTS,
    LEGACY_NUMBERS,
    MSM_NUMBERS,
    OBSERVATION_NUMBERS,
    SUBTYPES,
    system_of,
    title,
)

DECODED = {
    *range(1001, 1018),
    *range(1019, 1028),
    *range(1029, 1036),
    *range(1037, 1040),
    *(1041, 1042, 1044, 1045, 1046),
    *range(1057, 1069),
    *(1070 + 10 * system + kind for system in range(7) for kind in range(1, 8)),
    1230,
    *range(1240, 1246),
}
SUBTYPE_BASES = {"G": 20, "R": 40, "E": 60, "J": 80, "C": 100, "S": 120}


def test_every_number_that_is_to_be_decoded_has_a_layout():
    assert set(LAYOUTS) == DECODED
    assert all(LAYOUTS[number].number == number for number in LAYOUTS)


def test_every_subtype_of_the_igs_has_a_layout():
    digits = {base + digit for base in SUBTYPE_BASES.values() for digit in range(1, 8)}
    assert set(SUBTYPES) == {(4076, subtype) for subtype in digits | {201}}
    for system, base in SUBTYPE_BASES.items():
        assert {SUBTYPES[4076, base + digit].system for digit in range(1, 8)} == {system}
    assert SUBTYPES[4076, 201].system is None


def test_numbers_without_a_sure_layout_are_known_by_title_only():
    for number in (*range(1246, 1271), *range(1300, 1306), 1028, 1036, 1040, 1043):
        assert number in KNOWN_TITLES
        assert number not in LAYOUTS
    assert not set(KNOWN_TITLES) & set(LAYOUTS)


def test_each_layout_begins_with_the_message_number():
    for layout in (*LAYOUTS.values(), *SUBTYPES.values()):
        first = layout.head[0]
        assert (first.name, first.bits) == ("message_number", 12)


def test_titles_tell_messages_apart():
    titles = [layout.title for layout in (*LAYOUTS.values(), *SUBTYPES.values())]
    assert len(set(titles)) == len(titles)


@pytest.mark.parametrize(
    ("number", "wanted"),
    [
        (None, "empty frame"),
        (1, "experimental message"),
        (100, "experimental message"),
        (0, "unknown message"),
        (101, "unknown message"),
        (1018, "unknown message"),
        (4000, "unknown message"),
        (4001, "proprietary message"),
        (4095, "proprietary message"),
    ],
)
def test_numbers_without_a_title_say_what_they_are(number, wanted):
    assert title(number) == wanted


def test_an_unknown_subtype_still_has_the_title_of_its_number():
    assert title(4076) == title(4076, 99) == "IGS state space"
    assert title(4076, 21) == SUBTYPES[4076, 21].title


def test_a_subtype_of_another_number_is_not_looked_at():
    assert title(1005, 3) == title(1005) == "station position"


def test_observations_are_the_legacy_and_the_multiple_signal_messages():
    assert frozenset({1001, 1002, 1003, 1004, 1009, 1010, 1011, 1012}) == LEGACY_NUMBERS
    assert len(MSM_NUMBERS) == 49
    assert LEGACY_NUMBERS | MSM_NUMBERS == OBSERVATION_NUMBERS


@pytest.mark.parametrize(
    ("system", "numbers"),
    [
        ("G", (1004, 1015, 1019, 1030, 1034, 1060, 1077, 1265)),
        ("R", (1012, 1020, 1031, 1035, 1039, 1068, 1081, 1230, 1266)),
        ("E", (1045, 1046, 1243, 1097, 1267)),
        ("S", (1101, 1043, 1252, 1257, 1269)),
        ("J", (1044, 1117, 1246, 1268)),
        ("C", (1042, 1124, 1263, 1270)),
        ("I", (1041, 1137)),
        (None, (1005, 1013, 1029, 1021, 1264, 1300, 4076, 9)),
    ],
)
def test_numbers_belong_to_their_system(system, numbers):
    assert {system_of(number) for number in numbers} == {system}
