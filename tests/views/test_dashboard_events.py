"""The events of a screen: each thing is said once, with something to do, and nothing is cut."""

from dataclasses import replace

import pytest

from rtcmtool.running.session import Session
from rtcmtool.sources import SourceState, Status
from rtcmtool.views.dashboard import LEGEND, REPLAY_LEGEND, dashboard_lines
from rtcmtool.views.dashboard_events import blind_advice
from rtcmtool.views.dashboard_parts import Screen
from tests.monitor.following import Follower
from tests.streams import base_stream
from tests.views.following import judged, screen

SOURCE = "tcp://10.0.0.5:5015"
REFUSED = "10.0.0.5 refuses a connection at port 5015: nothing listens there"
RECORDING = "recording 4.6 MB, disk 61 GB"
SIZES = [(120, 40), (80, 24), (60, 24), (40, 24)]


def vanished(source: str = SOURCE, *, recording: str | None = None) -> Screen:
    """Give the screen 12 s after a source has gone, behind three tries to open it again."""
    follower = Follower(base_stream(40))
    judged(follower, 40.2, rate=None)
    session = Session(follower.live)

    def tell(state: SourceState, text: str, wait_s: float | None = None) -> None:
        session._note_status(
            Status(follower.utc_ns(follower.at_s), state, text, wait_s), follower.at_s
        )

    tell(SourceState.LOST, f"{source} has closed the connection.")
    tell(SourceState.RETRYING, "trying again in 1 s", 1.0)
    for at_s, wait_s in ((41.2, 2.0), (43.4, 5.0), (48.5, 9.0)):
        follower.run(at_s)
        tell(SourceState.NOTE, REFUSED)
        tell(SourceState.RETRYING, f"trying again in {wait_s:.0f} s", wait_s)
    seen = judged(follower, 52.0, rate=None)
    return replace(seen, source=source, recording=recording)


def plain(shown: Screen, width: int, height: int) -> list[str]:
    lines = [line.plain.rstrip() for line in dashboard_lines(shown, width, height)]
    assert len(lines) <= height
    assert all(len(line) <= width for line in lines)
    return lines


def joined(lines: list[str]) -> str:
    """Give what is read over the ends of lines."""
    return " ".join(" ".join(lines).split())


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_a_source_that_is_gone_is_told_once_with_what_to_do(width: int, height: int) -> None:
    text = joined(plain(vanished(), width, height))
    assert "look at power, program and network of what sends there" in text
    assert text.count("has closed the connection") <= 2  # as an event; wide also as open now
    assert text.count("nothing listens there") <= 2  # the headline, and one note
    assert "trying again in" not in text
    assert "see the event list" not in text
    assert "next try in 6 s" in text


def test_old_bytes_each_second_do_not_look_new() -> None:
    for width, height in ((120, 40), (80, 24)):
        line = next(each for each in plain(vanished(), width, height) if " air time " in each)
        assert " -- was " in line
        assert line.endswith("12 s ago")


@pytest.mark.parametrize(
    ("source", "word"),
    [
        ("COM5 38400", "cable"),
        ("/dev/ttyUSB0", "cable"),
        ("tcp://gate:5015", "network"),
        ("tcp-listen://0.0.0.0:5015", "connects to this computer"),
        ("udp://0.0.0.0:5015", "network"),
        ("ntrip://caster.example/BASE", "caster"),
        ("ntrips://caster.example/BASE", "caster"),
        ("-", "writes"),
    ],
)
def test_what_to_look_at_depends_on_the_way(source: str, word: str) -> None:
    assert word in blind_advice(source)


def test_the_page_of_all_events_leaves_nothing_out() -> None:
    lines = plain(replace(vanished(), page=3), 120, 40)
    assert sum("trying again in" in line for line in lines) == 4
    assert sum("nothing listens there" in line for line in lines[1:]) == 3  # below the headline


@pytest.mark.parametrize(("width", "height"), SIZES)
@pytest.mark.parametrize("page", [0, 1, 2, 3])
def test_no_value_and_no_advice_is_cut_where_there_is_room(
    width: int, height: int, page: int
) -> None:
    shown = replace(screen("recovered"), page=page)
    shown.live.clock_trusted = False
    try:
        lines = plain(shown, width, height)
    finally:
        shown.live.clock_trusted = True
    assert not [line for line in lines if line.endswith("~")]


@pytest.mark.parametrize(("width", "height"), [(60, 15), (40, 24), (40, 15), (39, 11)])
def test_a_narrow_screen_says_that_it_records(width: int, height: int) -> None:
    assert any("rec" in line for line in plain(vanished(recording=RECORDING), width, height))
    full = vanished(recording="NOT RECORDING: no space left on the device")
    assert any("NOT REC" in line for line in plain(full, width, height))
    assert not any("rec" in line for line in plain(vanished(), width, height))


def test_the_whole_recording_is_told_where_there_is_room() -> None:
    assert any(RECORDING in line for line in plain(vanished(recording=RECORDING), 60, 15))


def test_the_legend_fits_a_phone() -> None:
    for legend in (LEGEND, REPLAY_LEGEND):
        assert max(map(len, legend)) <= 38  # 40 columns less a margin on both sides
    assert len(LEGEND) <= 14  # 40 x 15, less the line that says how to get back
    assert len(REPLAY_LEGEND) <= 23
