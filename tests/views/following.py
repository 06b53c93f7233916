"""Screens of made streams; run as a program it writes the expected ones anew."""

from collections.abc import Callable
from functools import cache
from pathlib import Path

from rich.console import Console
from rich.theme import Theme

from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.live_verdict import LiveJudge, conditions
from rtcmtool.views.dashboard import dashboard, dashboard_lines
from rtcmtool.views.dashboard_parts import Screen
from tests.monitor.following import Follower
from tests.streams import base_stream, without_epochs

FOLDER = Path(__file__).parent / "screens"


def judged(
    follower: Follower, until_s: float, *, every_s: float = 5.0, rate: float | None = 19_200.0
) -> Screen:
    """Let time pass, judging as a command does; give the screen at its end."""
    live = follower.live
    judge = LiveJudge(Context(live.state, radio_rate_bit_s=rate))
    while follower.at_s < until_s:
        follower.run(min(follower.at_s + every_s, until_s))
        live.report(conditions(judge.judge(live)))
    return Screen(
        live, judge.judge(live), source="COM5 38400", site="Hillcrest Quarry", radio_rate_bit_s=rate
    )


def silent() -> Screen:
    return judged(Follower(without_epochs(base_stream(120), *range(80, 94))), 93.4)


def recovered() -> Screen:
    follower = Follower(without_epochs(base_stream(140), *range(80, 94)))
    follower.run(40.0)
    follower.live.note("moved the truck away from the base")
    return judged(follower, 139.4)


def started() -> Screen:
    return judged(Follower(base_stream(10)), 8.4)


def blind() -> Screen:
    follower = Follower(without_epochs(base_stream(80), *range(60, 80)))
    judged(follower, 60.0)
    follower.live.not_listening(follower.utc_ns(60.0), 60.0, "port lost, trying again")
    return judged(follower, 75.0)


@cache
def screen(name: str) -> Screen:
    """Give a screen by name, made once."""
    return SCREENS[name]()


SCREENS: dict[str, Callable[[], Screen]] = {
    "silent": silent,
    "recovered": recovered,
    "started": started,
    "blind": blind,
}
EXPECTED = (
    ("silent", 80, 24),
    ("recovered", 80, 24),
    ("recovered", 120, 40),
    ("silent", 40, 15),
    ("recovered", 40, 15),
    ("started", 80, 24),
    ("blind", 80, 24),
    ("silent", 39, 11),
)


def text_of(name: str, width: int, height: int) -> str:
    """Give the lines of a screen, blanks at their ends left out."""
    lines = dashboard_lines(screen(name), width, height)
    return "".join(f"{line.plain.rstrip()}\n" for line in lines)


def printed(shown: Screen, width: int, height: int, theme: Theme, *, color: bool) -> str:
    """Print a screen as a terminal of a size gets it."""
    console = Console(
        width=width, height=height, theme=theme, force_terminal=True, no_color=not color,
        color_system="truecolor", legacy_windows=False,
    )  # fmt: skip
    with console.capture() as captured:
        console.print(dashboard(shown, width, height), end="")
    return captured.get()


if __name__ == "__main__":
    for expected in EXPECTED:
        name = "{}-{}x{}.txt".format(*expected)
        (FOLDER / name).write_text(text_of(*expected), encoding="utf-8")
