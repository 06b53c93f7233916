"""Numbers as people read them, at the places where rounding could lie."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rtcmtool.diagnosis.wording import grouped, number, printable, seconds, share


@pytest.mark.parametrize(
    ("value", "text"),
    [(0, "0"), (999, "999"), (1000, "1 000"), (33_480, "33 480"), (1_203_441, "1 203 441")],
)
def test_whole_numbers_are_grouped_by_spaces(value: int, text: str) -> None:
    assert grouped(value) == text


@given(whole=st.integers(1, 10**9), data=st.data())
def test_a_share_never_rounds_to_none_or_all(whole: int, data: st.DataObject) -> None:
    part = data.draw(st.integers(0, whole))
    text = share(part, whole)
    assert (text == "0 %") is (part == 0)
    assert (text in {"100 %", "100.0 %"}) is (part == whole)


@pytest.mark.parametrize(
    ("part", "whole", "text"),
    [
        (0, 0, "0 %"),
        (1, 1000, "0.1 %"),
        (1, 1001, "under 0.1 %"),
        (994, 10_000, "9.9 %"),
        (1, 2, "50 %"),
        (999, 1000, "99.9 %"),
        (9_991, 10_000, "over 99.9 %"),
    ],
)
def test_a_share_has_one_decimal_near_its_ends(part: int, whole: int, text: str) -> None:
    assert share(part, whole) == text


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "0 s"),
        (0.25, "0.2 s"),
        (9.94, "9.9 s"),
        (9.96, "10 s"),
        (59.4, "59 s"),
        (59.6, "1 min"),
        (60, "1 min"),
        (61, "1 min 1 s"),
        (3599, "59 min 59 s"),
        (3600, "1 h"),
        (3661, "1 h 1 min"),
    ],
)
def test_durations(value: float, text: str) -> None:
    assert seconds(value) == text


@pytest.mark.parametrize(("value", "text"), [(60.0, "60"), (0.6, "0.6"), (1e-4, "0.0001")])
def test_limits_have_no_needless_digits(value: float, text: str) -> None:
    assert number(value) == text


@given(st.text())
def test_a_text_of_a_stream_holds_nothing_that_commands_a_terminal(text: str) -> None:
    shown = printable(text)
    assert shown.isprintable()
    assert len(shown) == len(text)
