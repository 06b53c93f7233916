"""The dashboard for a phone: one column, and three lines where even that does not fit."""

from rich.text import Text

from rtcmtool.diagnosis.finding import State
from rtcmtool.monitor.events import LiveEvent, Rank
from rtcmtool.views import dashboard_facts as facts
from rtcmtool.views.dashboard_parts import Screen, both_ends, fitted, marked, ruler, star
from rtcmtool.views.headline import Headline, clock_time, complaint, length_text
from rtcmtool.wire.catalogue import OBSERVATION_NUMBERS, system_of

_NAMES = {"G": "GPS", "R": "GLO", "E": "GAL", "S": "SBS", "J": "QZS", "C": "BDS", "I": "NAV"}
_KEYS = " space: seen   q: quit"


def narrow_lines(screen: Screen, head: Headline, width: int, height: int) -> list[Text]:
    """Give a screen of 40 to 79 columns."""
    live = screen.live
    now = f"{clock_time(live.now.utc_ns)} UTC"
    station = live.state.main_station
    base = "" if station is None else f"base {station}"
    air, _ = facts.air_fact(screen)
    delay, _ = facts.delay_fact(live, short=True)
    gaps, _ = facts.gaps_fact(live)
    top = [
        _headline(screen, head),
        both_ends(Text(f" age {_age(screen)}"), now, width),
        both_ends(Text(f" {screen.site or screen.source}"), base, width),
    ]
    body = [
        Text(f" position  {facts.position_fact(screen, wide=True)}"),
        Text(f" sats      {facts.satellites_fact(live, short=True)}"),
        Text(f" gaps      {gaps}"),
        Text(f" delay     {delay}"),
    ]
    if screen.radio_rate_bit_s is not None and height > 15:
        body.append(Text(f" air time  {air}"))
    if screen.rover is not None:
        body.append(Text(f" rover     {facts.rover_fact(screen.rover, live.now)}"))
    lines = [ruler(width)] if height >= 14 else []
    room = height - len(top) - len(body) - 2 * len(lines) - 1
    strips = _strips(screen, width, max(room - 1, 1))
    events = live.events.listed()[: max(room - len(strips), 1)]
    shown = [_event(screen, event) for event in events] or [Text("   no events yet")]
    blank = [Text("") for _ in range(room - len(strips) - len(shown))]
    keys = Text(f" note: {screen.prompt}_" if screen.prompt is not None else _KEYS)
    return [
        *(fitted(line, width) for line in top),
        *lines, *body, *lines, *strips, *shown, *blank, keys,
    ]  # fmt: skip


def three_lines(screen: Screen, head: Headline, width: int) -> list[Text]:
    """Give state, age and the worst finding: all that a tiny screen holds."""
    findings = screen.verdict.findings
    worst = next((f for f in findings if f.state in {State.BAD, State.WATCH}), None)
    text = "nothing found" if worst is None else complaint(worst)
    lines = [_headline(screen, head), Text(f" age {_age(screen)}"), Text(f" {text}")]
    return [fitted(line, width) for line in lines]


def _headline(screen: Screen, head: Headline) -> Text:
    line = Text(" ")
    if screen.is_simulated:
        line.append("SIMULATED ", "state.unknown")
    if screen.replay:
        line.append(f"{screen.replay} ")
    return line.append(head.text, head.style)


def _age(screen: Screen) -> str:
    live = screen.live
    if live.state.epochs is None:
        return "? no epoch yet"
    return facts.age_text(facts.observed_age_s(live))


def _strips(screen: Screen, width: int, rows: int) -> list[Text]:
    """Give the strips of position and of each system, with a short name."""
    strips = screen.live.strips
    named: dict[str, int] = {}
    for number in strips.numbers:
        if number in {1005, 1006}:
            named.setdefault("pos", number)
        elif number in OBSERVATION_NUMBERS:
            named.setdefault(_NAMES[system_of(number) or "G"], number)
    cells = max(width - 6, 1)
    return [
        Text(f" {name:<4}").append_text(marked(strips.strip(number, cells, screen.cell_s)))
        for name, number in list(named.items())[:rows]
    ]


def _event(screen: Screen, event: LiveEvent) -> Text:
    text = f" {star(event, screen)} {clock_time(event.start.utc_ns)[:5]} {event.text}"
    if event.rank is not Rank.NOTE:
        text += f" {length_text(event.seconds(screen.live.now))}"
        text += ", OPEN" if event.is_open else ", ended"
    return Text(text)
