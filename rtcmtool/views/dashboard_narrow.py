"""The dashboard for a phone: one column, and three lines where even that does not fit."""

import re

from rich.text import Text

from rtcmtool.diagnosis.finding import State
from rtcmtool.monitor.base_station import POSITION_NUMBERS
from rtcmtool.monitor.events import LiveEvent, Rank
from rtcmtool.views import dashboard_facts as facts
from rtcmtool.views.dashboard_events import advice, filled, star
from rtcmtool.views.dashboard_parts import (
    Screen,
    both_ends,
    fitted,
    headline_text,
    marked,
    ranked,
    ruler,
    wrapped,
)
from rtcmtool.views.headline import Headline, Mood, clock_time, complaint, length_text
from rtcmtool.wire.catalogue import OBSERVATION_NUMBERS, system_of

_NAMES = {"G": "GPS", "R": "GLO", "E": "GAL", "S": "SBS", "J": "QZS", "C": "BDS", "I": "NAV"}
_KEYS = " space: seen  m: more  q: quit"
_BROKEN = 8  # columns that the break of a headline into two lines may take
_TALL = 20  # lines, from which on values are wrapped and not cut
_VALUE_AT, _EVENT_AT = 11, 9  # columns of values, and of what happened
_NO_WORD = re.compile(r"[^A-Za-z ]")  # behind `recording`, or behind that the disk is full
_ENDINGS = {"ended by itself": "ended"}
_REPLAY_KEYS = " p: pause  ] [: events  ?: keys  q: quit"


def narrow_lines(screen: Screen, head: Headline, width: int, height: int) -> list[Text]:
    """Give a screen of 40 to 79 columns."""
    live = screen.live
    now = f"{clock_time(live.now.utc_ns)} UTC"
    station = live.state.main_station
    base = "" if station is None else f"base {station}"
    if head.mood is Mood.NOT_WATCHING:
        base = head.detail or base
    air, _ = facts.air_fact(screen)
    delay, _ = facts.delay_fact(live, short=True)
    gaps, _ = facts.gaps_fact(live)
    top = [
        *_wrapped(headline_text(screen, head, 2 * width - _BROKEN), width),
        both_ends(Text(_age_and_recording(screen, width - len(now) - 1)), now, width),
        both_ends(Text(f" {screen.site or screen.source}"), base, width),
    ]
    body = [
        Text(f" position  {facts.position_fact(screen, wide=True)}"),
        Text(f" sats      {facts.satellites_fact(live, short=True)}"),
        Text(f" gaps      {gaps}"),
        Text(f" delay     {delay}"),
    ]
    if screen.radio_rate_bit_s is not None:
        share = air.partition(" % of ")[0]
        both = f" delay     {delay:<10}  air time {share} %"
        if air.startswith("--") or len(both) > width:
            both = f" delay     {delay}"
        body[-1] = Text(both)
    if screen.rover is not None:
        body.append(Text(f" rover     {facts.rover_fact(screen.rover, live.now)}"))
    if height >= _TALL:
        body = [part for line in body for part in wrapped(line, width, _VALUE_AT)]
    lines = [ruler(width)] if height >= 14 else []
    room = max(height - len(top) - len(body) - 2 * len(lines) - 1, 0)
    strips = _strips(screen, width, max(room - 1, 1))
    shown = filled(
        screen, width, max(room - len(strips), 1),
        lambda event: _event(screen, event),
        lambda event: _whole_event(screen, event, width),
    )  # fmt: skip
    return [
        *(fitted(line, width) for line in top),
        *lines, *body, *lines, *strips, *shown, _last_line(screen),
    ]  # fmt: skip


def _last_line(screen: Screen) -> Text:
    if screen.prompt is not None:
        return Text(f" note: {screen.prompt}_")
    if not screen.has_keyboard:
        return Text(" end with Ctrl-C")
    return Text(_REPLAY_KEYS if screen.replay else _KEYS)


def three_lines(screen: Screen, head: Headline, width: int) -> list[Text]:
    """Give state, age and the worst finding: all that a tiny screen holds."""
    findings = screen.verdict.findings
    worst = next((f for f in findings if f.state in {State.BAD, State.WATCH}), None)
    if worst is not None:
        text = complaint(worst)
    elif screen.verdict.missing:
        text = f"? {', '.join(finding.rule.printed for finding in screen.verdict.missing)}"
    else:
        text = "nothing wrong found"
    age = Text(_age_and_recording(screen, width))
    lines = [headline_text(screen, head, width), age, Text(f" {text}")]
    return [fitted(line, width) for line in lines]


def _wrapped(line: Text, width: int) -> list[Text]:
    """Put what does not fit into a second line: a headline is never cut where there is room."""
    if line.cell_len <= width:
        return [line]
    at = line.plain.rfind(" ", 1, width)
    if at < 0:
        return [line]
    first, second = line.divide([at])
    return [first, Text("   ").append_text(second[1:])]


def _age_and_recording(screen: Screen, room: int) -> str:
    """Tell the age, and that it records: with what is recorded where there is room."""
    age = f" {_age(screen)}"
    told = screen.recording or ""
    in_short = "NOT REC" if told.startswith("NOT") else "rec"
    choices = [told, _NO_WORD.split(told)[0].rstrip(), in_short] if told else []
    fitting = (f"{age}   {each}" for each in choices if len(age) + 3 + len(each) <= room)
    return next(fitting, age)


def _age(screen: Screen) -> str:
    live = screen.live
    if live.state.epochs is None:
        return "age ? no epoch yet"
    told = facts.epoch_age_text(live)
    return told if told.startswith("arrived") else f"age {told.removesuffix(' ago')}"


def _strips(screen: Screen, width: int, rows: int) -> list[Text]:
    """Give the strips of position and of each system; what does not fit shares the last one."""
    strips = screen.live.strips
    named: dict[str, list[int]] = {}
    for number in ranked(strips.numbers):
        if number in POSITION_NUMBERS:
            named.setdefault("pos", []).append(number)
        elif number in OBSERVATION_NUMBERS:
            named.setdefault(_NAMES[system_of(number) or "G"], []).append(number)
    shown = list(named.items())
    if len(shown) > rows:
        rest = [numbers for _, numbers in shown[rows - 1 :]]
        shown[rows - 1 :] = [(f"+{len(rest)}", [each for numbers in rest for each in numbers])]
    cells = max(width - 6, 1)
    return [
        Text(f" {name:<4}").append_text(marked(strips.merged_strip(numbers, cells, screen.cell_s)))
        for name, numbers in shown
    ]


def _event(screen: Screen, event: LiveEvent) -> Text:
    text = f" {star(event, screen)} {clock_time(event.start.utc_ns)[:5]} {event.text}"
    if event.rank is not Rank.NOTE:
        text += f" {length_text(event.seconds(screen.live.now))}"
        text += ", OPEN" if event.is_open else f", {_ENDINGS.get(event.ending, event.ending)}"
    return Text(text)


def _whole_event(screen: Screen, event: LiveEvent, width: int) -> list[Text]:
    """Give an event on as many lines as it takes, and what to do while it lasts."""
    lines = wrapped(_event(screen, event), width, _EVENT_AT)
    do = advice(event, screen) if event.is_open else ""
    return lines + wrapped(Text(f"{'':{_EVENT_AT}}do: {do}"), width, _EVENT_AT) if do else lines
