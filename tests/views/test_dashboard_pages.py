"""The pages behind key m: numbers of each window, signals and base, all events."""

from dataclasses import replace

import pytest

from rtcmtool.monitor.windows import SESSION
from rtcmtool.views.dashboard import dashboard_lines
from rtcmtool.views.dashboard_pages import PAGES, after_page
from rtcmtool.views.dashboard_parts import Screen, ranked
from tests.views.following import screen


def shown(page: int, width: int = 80, height: int = 24, **more: object) -> list[str]:
    what: Screen = replace(screen("recovered"), page=page, **more)  # type: ignore[arg-type]
    return [line.plain.rstrip() for line in dashboard_lines(what, width, height)]


def test_the_headline_stays_on_every_page() -> None:
    for page in range(1, PAGES + 1):
        lines = shown(page)
        assert lines[0].startswith(" SENDING - whole and on time")
        assert lines[1].endswith(f"page {page} of {PAGES}")
        assert "m: next page" in lines[-1]
        assert len(lines) == 24


def test_numbers_are_those_of_the_window() -> None:
    # 139 epochs were due, 14 of them lost; four observation messages in each, others every 10.
    minute, session = shown(1), shown(1, window_s=SESSION)
    assert "60 of 60 whole" not in session[3]
    assert session[3].startswith(" epochs      125 of 139 whole, 10 % lost")
    (row,) = (line for line in session if line.startswith(" 1074 GPS observations"))
    assert row.split()[3:5] == ["125", "1.11"]
    assert " 15.0 s" in row  # the longest gap
    (row,) = (line for line in minute if line.startswith(" 1074 GPS observations"))
    # The gap ended 44 s ago: its step of 15 s is one of the minute's.
    assert row.split()[3] == "55"


def test_signals_stations_positions_and_texts_are_told() -> None:
    text = "\n".join(shown(2))
    assert " GPS      L1 1C                9" in text
    assert " station 417" in text
    assert "12.000000000 N  34.000000001 W  60.000 m" in text
    assert "SURVEYANT-1" in text


def test_all_events_have_a_page() -> None:
    lines = shown(3)
    assert lines[1].startswith(" EVENTS, 2 kept, none open")
    assert any("silent 15 s" in line for line in lines)
    assert any("moved the truck away from the base" in line for line in lines)


@pytest.mark.parametrize("size", [(80, 24), (40, 15), (120, 40), (60, 12)])
def test_the_key_leads_through_all_lines_and_back(size: tuple[int, int]) -> None:
    seen, at = [], (0, 0)
    for _ in range(30):
        at = after_page(replace(screen("recovered"), page=at[0], skipped=at[1]), *size)
        if at[0] == 0:
            break
        seen.append(shown(at[0], *size, skipped=at[1]))
    assert at == (0, 0)
    everything = "\n".join(line for lines in seen for line in lines)
    for number in (1006, 1033, 1074, 1084, 1094, 1124, 1230):
        assert f"\n {number}" in everything
    assert "silent 15 s" in everything


def test_messages_stand_in_the_order_in_which_a_crew_looks() -> None:
    mixed = [1046, 1019, 1230, 1004, 1029, 1124, 1006, 4072, 1074, 1033]
    assert ranked(mixed) == [1006, 1033, 1004, 1074, 1124, 1230, 1029, 4072, 1019, 1046]
