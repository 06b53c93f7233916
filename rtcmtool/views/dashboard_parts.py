"""The parts of the dashboard: what a screen shows, and lines and strips of a width."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from rich.text import Text

from rtcmtool.diagnosis.context import DEFAULT_OVERHEAD
from rtcmtool.diagnosis.finding import Finding
from rtcmtool.diagnosis.verdict import Verdict
from rtcmtool.diagnosis.wording import seconds
from rtcmtool.gnss.signals import SYSTEMS
from rtcmtool.monitor import strips as strip_rows
from rtcmtool.monitor.base_station import ANTENNA_NUMBERS, POSITION_NUMBERS
from rtcmtool.monitor.live_state import LiveState
from rtcmtool.monitor.windows import WINDOWS_S
from rtcmtool.views.headline import Headline
from rtcmtool.wire.catalogue import LAYOUTS, OBSERVATION_NUMBERS, system_of, title
from rtcmtool.wire.messages import ephemerides

if TYPE_CHECKING:  # reading a rover needs an extra library, a dashboard without one does not
    from rtcmtool.monitor.rover_state import RoverState

CUT = "~"  # where a line was cut
_STRIP_STYLES = {
    strip_rows.NONE_CAME: "state.bad",
    strip_rows.DAMAGED: "state.bad",
    strip_rows.PART: "state.watch",
    strip_rows.NOT_WATCHED: "state.unknown",
}
EPHEMERIS_NUMBERS = frozenset(layout.number for layout in ephemerides.LAYOUTS)
_SHORT_TITLES = {
    1005: "position",
    1006: "position",
    1007: "antenna",
    1008: "antenna",
    1013: "plan",
    1019: "GPS orbit",
    1020: "GLO orbit",
    1029: "text",
    1033: "antenna",
    1041: "NAV orbit",
    1042: "BDS orbit",
    1044: "QZS orbit",
    1045: "GAL orbit",
    1046: "GAL orbit",
    1230: "bias",
}
_LONG_TITLES = {
    1033: "antenna, receiver",
    1230: "GLONASS bias",
    1013: "message plan",
    **{number: LAYOUTS[number].title for number in EPHEMERIS_NUMBERS},
}


@dataclass(frozen=True, slots=True)
class Screen:
    """What a dashboard shows: the stream, the verdict, and what the command knows of both.

    Attributes
    ----------
    live, verdict
        The stream at its latest time, and what the rules say about now.
    source : str
        As the user gave it, without secrets.
    site, sheet : str or None
        Name of the site, and of its sheet.
    recording, replay : str or None
        `recording 4.6 MB, disk 61 GB`, `REPLAY x10`.
    radio_rate_bit_s, overhead
        As of `Context`.
    cell_s : int
        Length of a strip cell.
    page, skipped : int
        0 the dashboard, further ones as of `dashboard_pages`; lines of a page that were read.
    window_s : int or None
        Window of the page of numbers; None is the session.
    rover : RoverState or None
    prompt : str or None
        A line being typed, in the place of the keys.
    is_simulated, has_keyboard, is_dated : bool
        The last: whether the day is known; else an assumed one is not shown.
    """

    live: LiveState
    verdict: Verdict
    source: str = ""
    site: str | None = None
    sheet: str | None = None
    recording: str | None = None
    replay: str | None = None
    radio_rate_bit_s: float | None = None
    overhead: float = DEFAULT_OVERHEAD
    cell_s: int = strip_rows.CELL_S
    page: int = 0
    skipped: int = 0
    window_s: int | None = WINDOWS_S[0]
    rover: "RoverState | None" = None
    prompt: str | None = None
    is_simulated: bool = False
    has_keyboard: bool = True
    is_dated: bool = True

    def finding(self, name: str) -> Finding:
        """Give the finding of a rule."""
        return next(f for f in self.verdict.findings if f.rule.name == name)


# ---- lines of a width


def fitted(line: Text, width: int) -> Text:
    """Cut a line to a width; the cut is marked."""
    if line.cell_len > width:
        line.truncate(max(width - len(CUT), 0))
        line.append(CUT)
        line.truncate(width)
    line.no_wrap = True
    line.end = ""
    return line


def wrapped(line: Text, width: int, indent: int) -> list[Text]:
    """Put what does not fit into further lines, at spaces; a word that is too long is cut.

    Parameters
    ----------
    line : Text
        Its styles stay.
    width : int
        Columns.
    indent : int
        Columns that are left free in further lines.
    """
    lines = []
    while line.cell_len > width:
        lead = len(line.plain) - len(line.plain.lstrip())
        at = line.plain.rfind(" ", max(lead, indent) + 1, width + 1)
        if at < 0:
            break
        first, rest = line.divide([at])
        first.rstrip()
        lines.append(first)
        line = Text(" " * indent).append_text(rest[len(rest.plain) - len(rest.plain.lstrip()) :])
    return [*lines, line]


def both_ends(left: Text, right: str, width: int) -> Text:
    """Give a line with a text at its right end; the left is cut where both do not fit."""
    room = width - len(right) - 1
    if room < 8 or not right:
        return fitted(left, width)
    left = fitted(left, room)
    return fitted(left.append(" " * (width - left.cell_len - len(right)) + right), width)


def headline_text(screen: Screen, head: Headline, width: int) -> Text:
    """Give the headline, behind what it must not be taken for; short where the whole is wider."""
    line = Text(" ")
    if screen.is_simulated:
        line.append("SIMULATED ", "state.unknown")
    if screen.replay:
        line.append(f"{screen.replay} ")
    return line.append(head.fitting(width - line.cell_len), head.style)


def ruler(width: int) -> Text:
    """Give a line that separates."""
    return Text("-" * width)


def change_text(change_dbhz: float) -> str:
    """Write a change with its sign; none has none."""
    text = f"{change_dbhz:+.1f}"
    return "0.0" if text in {"+0.0", "-0.0"} else text


# ---- strips


def short_title(number: int, *, wide: bool) -> str:
    """Name a message in a strip."""
    if number in OBSERVATION_NUMBERS:
        system = SYSTEMS[system_of(number) or "G"].full_name
        return f"{system} observations" if wide else system
    if wide and number in _LONG_TITLES:
        return _LONG_TITLES[number]
    return _SHORT_TITLES.get(number) or title(number)


def marked(marks: str) -> Text:
    """Colour the cells of a strip; the signs say it without."""
    text = Text()
    begin = 0
    for at in range(1, len(marks) + 1):
        if at == len(marks) or marks[at] != marks[begin]:
            text.append(marks[begin:at], _STRIP_STYLES.get(marks[begin], "none"))
            begin = at
    return text


def ranked(numbers: list[int]) -> list[int]:
    """Put messages into the order in which a crew looks at them.

    Position, antenna, observations, biases, then what else comes; ephemerides, which come one
    satellite at a time and say least of the link, at the end.
    """

    def rank(number: int) -> tuple[int, int]:
        groups = (POSITION_NUMBERS, ANTENNA_NUMBERS, OBSERVATION_NUMBERS, (1230,))
        place = next((at for at, group in enumerate(groups) if number in group), len(groups))
        return place + (number in EPHEMERIS_NUMBERS), number

    return sorted(numbers, key=rank)


def strip_lines(screen: Screen, width: int, rows: int, *, wide: bool = False) -> list[Text]:
    """Give the strips: a heading, any bytes, a row a message type, as many as there is room for.

    The types that do not fit share the last row: what is lost of them is seen there.
    """
    live, cell_s = screen.live, screen.cell_s
    head = 40 if wide else 25
    cells = max(width - head - 1, 1)
    lines = [_strip_heading(cells, cell_s, head, wide=wide)]
    lines.append(_strip(" any bytes", live, (strip_rows.ANY_BYTES,), cells, cell_s, head))
    numbers = ranked(live.strips.numbers)
    tail = []
    if wide and rows >= len(numbers) + 4:
        tail = [
            _strip(" bytes outside frames", live, (strip_rows.FOREIGN,), cells, cell_s, head),
            _strip(" delay, worst, whole s", live, (strip_rows.DELAY,), cells, cell_s, head),
        ]
    room = rows - len(lines) - len(tail)
    shown = numbers if len(numbers) <= room else numbers[: max(room - 1, 0)]
    table = live.state.messages.by_number
    for number in shown:
        stats = table.get(number)
        every = stats.sent_every_s if stats else None
        usual = f"{every:.0f} s" if every and every >= 1 else f"{every:.1f} s" if every else "?"
        label = _strip_label(f"{number} {short_title(number, wide=wide)}", usual, head)
        lines.append(_strip(label + _lost(live, (number,)), live, (number,), cells, cell_s, head))
    rest = tuple(numbers[len(shown) :])
    if rest and room > 0:
        label = _strip_label(f"+{len(rest)} more (m)", "", head) + _lost(live, rest)
        lines.append(_strip(label, live, rest, cells, cell_s, head))
    return [fitted(line, width) for line in [*lines, *tail][:rows]]


def _strip_heading(cells: int, cell_s: int, head: int, *, wide: bool) -> Text:
    span = seconds(cells * cell_s // 60 * 60)
    name = f" LAST {span.upper()}, {cell_s} s a cell" if wide else f" LAST {span.upper()}"
    legend = "- came  o part  # none  x damaged  ? not watched"
    return Text(f"{name:<{head - 12}} every lost  {legend}", "heading")


def _strip_label(name: str, usual: str, head: int) -> str:
    """Give name and interval; of a name that is too long whole words are kept."""
    room = head - 11
    if len(name) > room:
        name = name[: room + 1].rpartition(" ")[0]
    return f" {name:<{room}}{usual:>5}"


def _lost(live: LiveState, numbers: tuple[int, ...]) -> str:
    lost = live.strips.lost(*numbers)
    return f"{lost if lost < 1000 else '999+':>4} "


def _strip(
    label: str, live: LiveState, numbers: tuple[int, ...], cells: int, cell_s: int, head: int
) -> Text:
    marks = live.strips.merged_strip(numbers, cells, cell_s)
    text = Text(f"{label:<{head}}"[:head])
    return text.append_text(Text(marks) if strip_rows.DELAY in numbers else marked(marks))
