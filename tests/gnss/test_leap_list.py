"""The list of the IANA time-zone data, as its file `leapseconds` has it (edition of July 2026)."""

from datetime import date

import pytest

from rtcmtool.gnss.leap_list import LeapList, newest, read_leap_list, unknown_leap_second
from rtcmtool.gnss.time import LEAP_SECONDS, LEAP_TABLE_VALID_UNTIL

# Days of the published file, all of it; those before GPS time are left out on reading.
DAYS = """1972 Jun 30,1972 Dec 31,1973 Dec 31,1974 Dec 31,1975 Dec 31,1976 Dec 31,1977 Dec 31,
1978 Dec 31,1979 Dec 31,1981 Jun 30,1982 Jun 30,1983 Jun 30,1985 Jun 30,1987 Dec 31,1989 Dec 31,
1990 Dec 31,1992 Jun 30,1993 Jun 30,1994 Jun 30,1995 Dec 31,1997 Jun 30,1998 Dec 31,2005 Dec 31,
2008 Dec 31,2012 Jun 30,2015 Jun 30,2016 Dec 31"""
EXPIRES_2027_06_28 = 1_814_140_800


def leapseconds(*more: str, expires: int = EXPIRES_2027_06_28) -> str:
    """Give the text of a list: that of the published days, and further lines."""
    lines = [
        "# Leap\tYEAR\tMON\tDAY\t23:59:60\t+\tS",  # a comment, as the file has it
        *("\t".join(["Leap", *day.split(), "23:59:60", "+", "S"]) for day in DAYS.split(",")),
        *more,
        "#updated 1783323897 (2026-07-06 07:44:57 UTC)",
        f"#expires {expires} (some day 00:00:00 UTC)",
    ]
    return "\n".join(lines) + "\n"


def test_the_published_list_is_the_table_of_the_program() -> None:
    found = read_leap_list(leapseconds())
    assert found == LeapList(LEAP_SECONDS, date(2027, 6, 28))
    assert found.valid_until == LEAP_TABLE_VALID_UNTIL
    assert unknown_leap_second(found) is None


@pytest.mark.parametrize(("sign", "value"), [("+", 19), ("-", 17)])
def test_a_further_leap_second_is_told_by_its_first_day(sign: str, value: int) -> None:
    found = read_leap_list(leapseconds(f"Leap\t2028\tJun\t30\t23:59:60\t{sign}\tS"))
    assert found is not None
    assert found.entries[-1] == (date(2028, 7, 1), value)
    assert unknown_leap_second(found) == date(2028, 7, 1)


def test_a_list_that_lacks_one_of_the_table_does_not_agree() -> None:
    shorter = LeapList(LEAP_SECONDS[:-1], date(2030, 1, 1))
    other = LeapList((*LEAP_SECONDS[:-1], (date(2016, 7, 1), 18)), date(2030, 1, 1))
    assert unknown_leap_second(shorter) == date(2017, 1, 1)
    assert unknown_leap_second(other) == date(2016, 7, 1)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "no list",
        "Leap\t2016\tDec\t31\t23:59:60\t+\tS\n",
        "Leap\t2016\tFoo\t31\t23:59:60\t+\tS\n#expires 1814140800\n",
        "Leap\t2016\tFeb\t31\t23:59:60\t+\tS\n#expires 1814140800\n",
        "Leap\t2016\tDec\t31\t23:59:60\t+\tS\n#expires 99999999999999999999\n",
    ],
)
def test_what_is_no_list_or_has_no_end_is_none(text: str) -> None:
    assert read_leap_list(text) is None


def test_only_a_list_that_holds_longer_than_the_table_counts() -> None:
    older = LeapList(LEAP_SECONDS, date(2026, 6, 28))
    same = LeapList(LEAP_SECONDS, LEAP_TABLE_VALID_UNTIL)
    longer = LeapList(LEAP_SECONDS, date(2027, 12, 28))
    longest = LeapList(LEAP_SECONDS, date(2028, 6, 28))
    assert newest([]) is None
    assert newest([older, same]) is None
    assert newest([older, longest, longer]) == longest
