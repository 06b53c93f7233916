"""The word on the leap second: said where it matters, once, and never where a list settles it."""

import zoneinfo
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from rtcmtool.cli import leap_note as module
from rtcmtool.cli.leap_note import leap_note
from rtcmtool.gnss import time as gnss_time
from tests.cli.conftest import Runner
from tests.gnss.test_leap_list import leapseconds
from tests.streams import base_stream, data_of

AFTER_THE_TABLE = "2027-07-05"
INSIDE_THE_TABLE = "2026-11-25"  # 28 June 2026 was the end of an earlier edition
EXPIRES_2027_12_28 = 1_829_952_000
NOTE = "the leap-second table is known to hold until"

Write = Callable[..., Path]


def utc_ns(label: str) -> int:
    year, month, day = (int(part) for part in label.split("-"))
    return gnss_time.utc_ns_from_gps_ms(gnss_time.gps_ms_from_date(year, month, day, 12))


@pytest.fixture(autouse=True)
def lists(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[Path]:
    """Give a folder of time zones that holds no list yet, in place of that of this computer."""
    folder = tmp_path / "zoneinfo"
    folder.mkdir()
    monkeypatch.setattr(zoneinfo, "TZPATH", (str(folder),))
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    module.tell_once.cache_clear()
    yield folder
    module.tell_once.cache_clear()


def test_inside_the_table_nothing_is_said() -> None:
    assert leap_note(utc_ns(INSIDE_THE_TABLE)) is None


def test_past_the_table_its_end_is_named() -> None:
    said = leap_note(utc_ns(AFTER_THE_TABLE))
    assert said is not None
    assert f"{NOTE} 2027-06-28" in said


def test_a_newer_list_of_the_computer_that_agrees_settles_it(lists: Path) -> None:
    (lists / "leapseconds").write_text(leapseconds(expires=EXPIRES_2027_12_28))
    assert leap_note(utc_ns(AFTER_THE_TABLE)) is None
    said = leap_note(utc_ns("2028-02-01"))
    assert said is not None
    assert f"{NOTE} 2027-12-28" in said


def test_a_leap_second_that_only_the_computer_knows_is_told(lists: Path) -> None:
    line = "Leap\t2027\tJun\t30\t23:59:60\t+\tS"
    (lists / "leapseconds").write_text(leapseconds(line, expires=EXPIRES_2027_12_28))
    said = leap_note(utc_ns(AFTER_THE_TABLE))
    assert said is not None
    assert "a leap second before 2027-07-01" in said
    assert "Update rtcmtool" in said


def test_epochs_of_gps_alone_need_no_leap_second(run: Runner, write: Write) -> None:
    path = write(data_of(base_stream(3, numbers=(1074,))))
    assert run("decode", path, "--date", AFTER_THE_TABLE).err == ""
    assert NOTE in run("decode", path, "--date", AFTER_THE_TABLE, "--summary").err  # tells UTC


def test_glonass_epochs_need_it_and_it_is_said_once(run: Runner, write: Write) -> None:
    path = write(data_of(base_stream(3, numbers=(1074, 1084))))
    first = run("decode", path, "--date", AFTER_THE_TABLE, "--json")
    assert first.err.count(NOTE) == 1
    again = run("decode", path, "--date", AFTER_THE_TABLE)
    assert again.err == ""  # as a second file of the same run
    module.tell_once.cache_clear()
    assert run("decode", path, "--date", AFTER_THE_TABLE, "--quiet").err == ""
    assert run("decode", path, "--date", INSIDE_THE_TABLE).err == ""
