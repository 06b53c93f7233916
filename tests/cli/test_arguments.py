"""Values of options: what is understood, and what is refused with the right way to write it."""

import argparse
from datetime import date

import pytest

from rtcmtool.cli import arguments
from rtcmtool.gnss import time as gnss_time


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("90", 90),
        ("90s", 90),
        ("1.5m", 90),
        ("10min", 600),
        ("2h", 7200),
        ("1d", 86_400),
        (" 5s ", 5),
    ],
)
def test_durations(text: str, seconds: float) -> None:
    assert arguments.duration_s(text) == seconds


@pytest.mark.parametrize("text", ["", "0", "-5", "5x", "h", "1e3", "1:30", "inf", "s5"])
def test_what_is_no_duration_is_refused(text: str) -> None:
    with pytest.raises(argparse.ArgumentTypeError, match="write 90, 90s, 10m or 2h"):
        arguments.duration_s(text)


def test_days() -> None:
    assert arguments.day("2026-03-04") == date(2026, 3, 4)
    assert arguments.day("1980-01-06") == date(1980, 1, 6)


@pytest.mark.parametrize("text", ["", "2026-13-01", "2026-02-30", "4.3.2026", "today"])
def test_what_is_no_day_is_refused(text: str) -> None:
    with pytest.raises(argparse.ArgumentTypeError, match="write it as 2026-03-04"):
        arguments.day(text)


def test_a_day_before_gps_time_is_refused() -> None:
    with pytest.raises(argparse.ArgumentTypeError, match="before GPS time began, 1980-01-06"):
        arguments.day("1980-01-05")


@pytest.mark.parametrize(
    ("text", "found"),
    [("1005", {1005}), ("1005,1077", {1005, 1077}), ("1005, 1077;4", {4, 1005, 1077}), ("", set())],
)
def test_message_numbers(text: str, found: set[int]) -> None:
    assert arguments.numbers(text) == found


@pytest.mark.parametrize("text", ["a", "1005-1007", "10.5"])
def test_what_are_no_message_numbers_is_refused(text: str) -> None:
    with pytest.raises(argparse.ArgumentTypeError, match="write 1005,1077"):
        arguments.numbers(text)


@pytest.mark.parametrize(
    ("text", "letters"),
    [("GPS", "G"), ("gps,glo", "GR"), ("GAL BDS;QZS", "ECJ"), ("SBS,NAV", "SI"), ("", "")],
)
def test_systems(text: str, letters: str) -> None:
    assert arguments.systems(text) == tuple(letters)


def test_a_system_that_is_not_known_is_refused_with_those_that_are() -> None:
    with pytest.raises(argparse.ArgumentTypeError, match="known are GPS,GLO,GAL,SBS,QZS,BDS,NAV"):
        arguments.systems("GPS,XYZ")


@pytest.mark.parametrize(("text", "value"), [("9600", 9600.0), ("1.3", 1.3), ("1e4", 1e4)])
def test_numbers_above_zero(text: str, value: float) -> None:
    assert arguments.positive(text) == value


@pytest.mark.parametrize("text", ["0", "-1", "nan", "inf", "x", ""])
def test_what_is_no_number_above_zero_is_refused(text: str) -> None:
    with pytest.raises(argparse.ArgumentTypeError, match="no number above zero"):
        arguments.positive(text)


@pytest.mark.parametrize("text", ["-1", "1.0", "x", "", "+3"])
def test_what_is_no_whole_number_is_refused(text: str) -> None:
    with pytest.raises(argparse.ArgumentTypeError, match="no whole number"):
        arguments.whole(text)


def test_a_day_gives_its_noon_as_the_reference() -> None:
    told = arguments.time_reference(argparse.Namespace(date=date(2026, 3, 4)))
    assert told.gps_ms == gnss_time.gps_ms_from_date(2026, 3, 4, 12)
    assert arguments.time_reference(argparse.Namespace(date=None)).gps_ms is None
