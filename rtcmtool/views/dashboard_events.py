"""The events of the dashboard: what happened, how long, and what to do, as lines of a width."""

from collections.abc import Callable
from dataclasses import replace

from rich.text import Text

from rtcmtool.monitor.events import CHATTER_TIMES, LiveEvent, Rank
from rtcmtool.monitor.live_state import OUTAGE_KEYS
from rtcmtool.monitor.steady_clock import Moment
from rtcmtool.views.dashboard_parts import Screen, fitted, wrapped
from rtcmtool.views.headline import clock_time, length_text

BLIND_KEY = "monitor-gap"  # of the event that says that we are not listening
_RANK_STYLES = {Rank.BAD: "state.bad", Rank.WATCH: "state.watch", Rank.NOTE: "none"}
_OF_THE_SOURCE = frozenset({"source", "lost"})  # kinds of the notes in which it tells its troubles
_NEXT_TRY = "trying again in "  # the headline counts that down: as a note it would look new
_BODY_AT = {False: 9, True: 28}  # column of further lines; wide lines have two times in front
_TAIL_AT = {False: 40, True: 72}  # column of what to do, where it fits
_LEAST_TAIL = 24  # columns; below, further lines begin further left

# What can be touched when a source is gone, by how its name begins.
_WAYS = (
    ("ntrip", "see whether this computer is online; then the caster's name, port and account"),
    ("tcp-listen:", "look at power and network of the base: it connects to this computer"),
    ("tcp:", "look at power, program and network of what sends there, then at this network"),
    ("udp:", "look at power and network of what sends, then at this computer's network"),
    ("-", "start again what writes into this program"),
)
_CABLE = "push the cable and its adapter home, look at the base's power; then restart the base"


def blind_advice(source: str) -> str:
    """Say what to look at when a source is gone.

    Parameters
    ----------
    source : str
        As the user gave it.

    Examples
    --------
    >>> blind_advice("COM5 38400")
    "push the cable and its adapter home, look at the base's power; then restart the base"
    """
    return next((do for begin, do in _WAYS if source.lower().startswith(begin)), _CABLE)


def advice(event: LiveEvent, screen: Screen) -> str:
    """Say what to do about an event; nothing where nobody can do anything."""
    if event.action or event.key != BLIND_KEY or not screen.source:
        return event.action
    return blind_advice(screen.source)


def shown_events(screen: Screen) -> list[LiveEvent]:
    """Give the events that a dashboard lists, each thing said once.

    What a source tells at each try is counted; left out is what the open event says anyway, and
    when it is tried again, which the headline tells. The page of all events has every line.
    """
    found: list[LiveEvent] = []
    places: dict[str, int] = {}
    times: dict[str, int] = {}
    lasting = {event.text for event in screen.live.events.open if event.key == BLIND_KEY}
    for event in screen.live.events.listed():
        if event.rank is not Rank.NOTE or event.key not in _OF_THE_SOURCE:
            found.append(event)
            continue
        text = event.text
        if text.startswith(_NEXT_TRY) or f"not watching: {text.rstrip('.')}" in lasting:
            continue
        times[text] = times.get(text, 0) + 1
        if times[text] == 1:
            places[text] = len(found)
            found.append(event)
        else:
            newest = found[places[text]]
            found[places[text]] = replace(newest, text=f"{times[text]} times: {text}")
    return found


def star(event: LiveEvent, screen: Screen) -> str:
    """Mark an event that nobody has seen; where nobody can, for ten minutes."""
    unseen = screen.live.events.unseen(screen.live.now, has_keyboard=screen.has_keyboard)
    is_unseen = any(event is other for other in unseen)
    return "*" if is_unseen and event.rank is not Rank.NOTE else " "


def event_line(event: LiveEvent, screen: Screen, *, wide: bool = False) -> Text:
    """Give one event: when, what, how long, and what to do or how it ended."""
    line, tail = _event_start(event, screen, wide=wide), _event_tail(event, screen, wide=wide)
    if tail:
        line.append(_gap(line, wide=wide) + tail)
    line.rstrip()
    return line


def event_lines(screen: Screen, width: int, rows: int, *, wide: bool = False) -> list[Text]:
    """Give the event list; older notes give way before words of what matters are cut."""
    return filled(
        screen, width, rows,
        lambda event: event_line(event, screen, wide=wide),
        lambda event: whole_event(event, screen, width, wide=wide),
    )  # fmt: skip


def filled(
    screen: Screen,
    width: int,
    rows: int,
    short: Callable[[LiveEvent], Text],
    whole: Callable[[LiveEvent], list[Text]],
) -> list[Text]:
    """Fill rows with events.

    Parameters
    ----------
    screen : Screen
        Whose events.
    width, rows : int
        Columns and lines.
    short : callable
        Gives an event as one line, which may be cut.
    whole : callable
        Gives it as as many lines as it takes.
    """
    events = shown_events(screen)[:rows]
    weights = [_weight(event, screen) for event in events]
    lines: list[Text] = []
    for index, event in enumerate(events):
        behind = sum(weight >= weights[index] for weight in weights[index + 1 :])
        room = max(rows - len(lines) - behind, 1)
        full = whole(event)
        if room == 1:
            full = [short(event)]
        elif len(full) > room:
            full = [*full[: room - 1], _cut(full[room - 1], width)]
        lines += full
        if len(lines) >= rows:
            break
    if not lines and rows:
        lines = [Text("   no events yet")]
    return [*lines[:rows], *(Text("") for _ in range(rows - len(lines)))]


def _weight(event: LiveEvent, screen: Screen) -> int:
    """Tell how much an event matters: what gives way to it is less."""
    if event.is_open or star(event, screen) == "*":
        return 2
    # While we are blind, what the source tells is the reason.
    return int(screen.live.blind is not None and event.key in _OF_THE_SOURCE)


def _cut(line: Text, width: int) -> Text:
    """Mark a line as cut, though it fits."""
    return fitted(Text(f"{line.plain:<{width}} "), width)


def whole_event(event: LiveEvent, screen: Screen, width: int, *, wide: bool) -> list[Text]:
    """Give an event on as many lines as it takes; advice that does not fit begins a new one."""
    line = event_line(event, screen, wide=wide)
    if line.cell_len <= width:
        return [line]
    start, tail = _event_start(event, screen, wide=wide), _event_tail(event, screen, wide=wide)
    body = _BODY_AT[wide]
    tail_at = start.cell_len + len(_gap(start, wide=wide))
    if wide and tail and width - tail_at >= _LEAST_TAIL:
        return wrapped(line, width, tail_at)
    lines = wrapped(start, width, body)
    return lines + wrapped(Text(" " * body + tail), width, body) if tail else lines


def _event_start(event: LiveEvent, screen: Screen, *, wide: bool) -> Text:
    """Give when, what and how long."""
    line = Text(f" {star(event, screen)} ")
    line.append(f"{event.rank.word}", _RANK_STYLES[event.rank])
    line.append(" " * (6 - len(event.rank.word)))
    when = clock_time(event.start.utc_ns)
    if wide and event.end is not None and event.rank is not Rank.NOTE:
        when += f"-{clock_time(event.end.utc_ns)}"
    line.append(f"{when:<19}" if wide else f"{when} ")
    return line.append(event_words(event, screen.live.now))


def _gap(line: Text, *, wide: bool) -> str:
    """Give the space between what happened and what to do."""
    return " " * max(_TAIL_AT[wide] - line.cell_len, 2)


def event_words(event: LiveEvent, now: Moment) -> str:
    """Say what happened, and how long."""
    if event.rank is Rank.NOTE:
        return event.text
    length = length_text(event.seconds(now))
    text = f"{event.text} {length}" if event.key in OUTAGE_KEYS else f"{event.text}, {length}"
    if event.times >= CHATTER_TIMES:
        text += f", coming and going, {event.times} times"
    return f"{text}, OPEN" if event.is_open else text


def _event_tail(event: LiveEvent, screen: Screen, *, wide: bool) -> str:
    if event.rank is Rank.NOTE:
        return ""
    if event.is_open:
        do = advice(event, screen)
        return f"do: {do}" if do else ""
    seen = "seen" if event.is_seen else event.ending if wide else ""
    if wide:
        return f"{seen:<17} {event.action}"
    ended = f"ended {clock_time(event.end.utc_ns)}" if event.end else ""
    return f"{seen}, {ended}" if seen else ended
