"""Screens: snapshots at each size, widths that hold for any state, colours only by name."""

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.live_verdict import LiveJudge, conditions
from rtcmtool.monitor.live_state import LiveState
from rtcmtool.monitor.rover_state import RoverState
from rtcmtool.views.dashboard import dashboard_lines
from rtcmtool.views.dashboard_parts import Screen
from rtcmtool.views.theme import THEME
from tests.monitor.following import UTC_NS, Follower
from tests.monitor.test_rover_state import NOW, gga
from tests.streams import base_stream, bias, data_of, position
from tests.views.following import EXPECTED, FOLDER, SCREENS, judged, printed, screen, text_of


@pytest.mark.slow
@pytest.mark.parametrize(("name", "width", "height"), EXPECTED)
def test_a_screen_is_as_it_was_agreed(name: str, width: int, height: int) -> None:
    expected = (FOLDER / f"{name}-{width}x{height}.txt").read_text(encoding="utf-8")
    assert text_of(name, width, height) == expected


@pytest.mark.slow
@pytest.mark.parametrize("name", SCREENS)
def test_no_line_is_wider_and_no_screen_higher_than_asked(name: str) -> None:
    for width in (*range(20, 200, 7), 39, 40, 79, 80, 119, 120):
        for height in (3, 11, 12, 15, 18, 24, 40, 60):
            lines = dashboard_lines(screen(name), width, height)
            assert len(lines) <= height
            assert max(line.cell_len for line in lines) <= width


PIECES = st.sampled_from(
    [b"", b"\xd3\x00", b"noise" * 30, position(), bias(), data_of(base_stream(1, numbers=(1074,)))]
)


@settings(max_examples=25)
@given(
    story=st.lists(st.tuples(PIECES, st.integers(0, 40), st.booleans()), max_size=12),
    width=st.integers(20, 200),
    height=st.integers(3, 60),
)
def test_any_state_fits(story: list[tuple[bytes, int, bool]], width: int, height: int) -> None:
    live, at_s = LiveState(UTC_NS, 0.0), 0
    judge = LiveJudge(Context(live.state))
    for data, step_s, blind in story:
        at_s += step_s
        now = (UTC_NS + at_s * 10**9, float(at_s))
        if blind:
            live.not_listening(*now, "port lost, trying again")
        else:
            live.listening(*now)
            live.feed(data, *now)
        live.report(conditions(judge.judge(live)))
    shown = Screen(live, judge.judge(live), source="/dev/ttyUSB0 at 115200 baud", site="A" * 60)
    lines = dashboard_lines(shown, width, height)
    assert len(lines) <= height
    assert max(line.cell_len for line in lines) <= width


@pytest.mark.slow
def test_the_lines_are_plain_ascii() -> None:
    for name, width, height in EXPECTED:
        assert text_of(name, width, height).isascii()


@pytest.mark.slow
def test_a_healthy_screen_has_no_colour_and_a_sick_one_has() -> None:
    healthy = judged(Follower(base_stream(70)), 69.5)
    # A rich style keeps the codes of the first console it was drawn on: 24 bits or 256 colours.
    coloured = r"\x1b\[[\d;]*[34]8;[25];"
    assert not re.search(coloured, printed(healthy, 80, 24, THEME, color=True))
    vermilion = r"48;2;213;94;0|48;5;166"
    assert re.search(vermilion, printed(screen("silent"), 80, 24, THEME, color=True))
    assert not re.search(coloured, printed(screen("silent"), 80, 24, THEME, color=False))


@pytest.mark.slow
def test_an_old_value_never_looks_new() -> None:
    lines = text_of("silent", 80, 24).splitlines()
    for label in ("position sent", "satellites", "delay", "air time"):
        (line,) = (line for line in lines if line.startswith(f" {label}"))
        assert "-- was" in line
        assert " ago" in line


def test_what_is_not_known_is_a_question_mark_with_a_reason() -> None:
    live = LiveState(UTC_NS, 0.0)
    live.tick(UTC_NS + 3 * 10**9, 3.0)
    shown = Screen(live, LiveJudge(Context(live.state)).judge(live), source="COM5")
    lines = [line.plain for line in dashboard_lines(shown, 80, 24)]
    assert lines[0].startswith(" WAITING 3 s - nothing yet ")
    assert " last epoch     ? none yet" in lines[3]
    assert sum(" ? " in line for line in lines[3:9]) == 6


def test_a_replay_a_note_and_a_simulation_are_named() -> None:
    shown = screen("started")
    other = Screen(
        shown.live, shown.verdict, replay="REPLAY x10", prompt="moved the tru", is_simulated=True
    )
    for width, height in ((80, 24), (40, 15)):
        lines = [line.plain for line in dashboard_lines(other, width, height)]
        assert lines[0].startswith(" SIMULATED REPLAY x10 ")
        assert lines[-1] == " note: moved the tru_"


def test_the_rover_has_a_line() -> None:
    shown, rover = screen("started"), RoverState()
    rover.feed(gga("065950.00", quality=5), shown.live.now)
    other = Screen(shown.live, shown.verdict, rover=rover)
    lines = [line.plain for line in dashboard_lines(other, 80, 24)]
    assert lines[9].startswith(" rover          float, age 1.0 s, station 0417, 14 satellites")
    assert NOW.utc_ns == UTC_NS
