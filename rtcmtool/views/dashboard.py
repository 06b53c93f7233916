"""The dashboard of `watch`: a stream as a screen of a given size.

Order of the screen, in the order of the crew's questions: is it alive, is it the right place, is it
enough, what was lost, is it late or too much, which message fails and how, what happened while I
was away. Pure: the same state gives the same lines.
"""

from rich.console import Group
from rich.text import Text

from rtcmtool.diagnosis.wording import seconds
from rtcmtool.gnss.signals import SYSTEMS
from rtcmtool.monitor.events import Rank
from rtcmtool.monitor.windows import median_strength
from rtcmtool.views import dashboard_facts as facts
from rtcmtool.views.dashboard_events import advice, event_lines, shown_events
from rtcmtool.views.dashboard_narrow import narrow_lines, three_lines
from rtcmtool.views.dashboard_pages import page_lines
from rtcmtool.views.dashboard_parts import (
    Screen,
    both_ends,
    change_text,
    fitted,
    headline_text,
    ruler,
    strip_lines,
    wrapped,
)
from rtcmtool.views.headline import Headline, Mood, clock_time, headline
from rtcmtool.wire.observations import SYSTEM_LETTERS
from rtcmtool.wire.signal_ids import SIGNAL_ID

NARROW = 80  # columns; below, one column
SMALLEST = (40, 12)  # below, three lines
WIDE = (120, 40)
_LABEL = 15
_OPEN_INDENT = 11
_CLOCK_WIDTH = 13  # the program clock at the right, and a space
_WIDE_EXTRA_AT = 74  # column of the second half of a fact's line
_KEYS = " space: seen  n: note  z: strip length  m: more  b: bell  ?: legend  q: quit"
_WIDE_KEYS = (
    " space: seen   n: note   z: strip length   m: more pages   b: bell   w: save this page as text"
    "   ?: legend   q: quit"
)
_REPLAY_KEYS = " p: pause  + -: speed  ] [: events  g: go to  .: step  m: more  ?: keys  q: quit"
# No line is longer than 38 characters, so that all of it fits a phone.
_SIGNS = (
    "a sign is a time, now is at the right",
    "-  all that was due came",
    "o  part of it came",
    "#  none of it came",
    "x  what came was damaged",
    "?  we did not watch; blank: none due",
    "*  nobody has seen it yet: press space",
)
_COMMON_KEYS = (
    "space  all events are seen",
    "n      note: Enter keeps, Escape drops",
    "z      time of a sign; page 1: window",
    "m      more: messages, signals, events",
    "b      bell at a new BAD, on or off",
    "w      save this page as text, here",
    "q      quit",
)
LEGEND = (*_SIGNS, *_COMMON_KEYS)
REPLAY_LEGEND = (
    *_SIGNS,
    "p      pause, and go on",
    "+ -    speed: 0.1, 1, 10, 60, max",
    "] [    10 s before next or last event",
    "g      go to a time, such as 10:15:30",
    ".      one epoch on",
    *_COMMON_KEYS,
)


def dashboard(screen: Screen, width: int, height: int) -> Group:
    """Give the screen as something that rich prints.

    Parameters
    ----------
    screen : Screen
        What to show.
    width, height : int
        Columns and lines.
    """
    lines = dashboard_lines(screen, width, height)
    for line in lines[:-1]:
        line.end = "\n"  # the last line has none: it would scroll the screen
    return Group(*lines)


def dashboard_lines(screen: Screen, width: int, height: int) -> list[Text]:
    """Give the lines of the screen: at most `height`, none wider than `width`."""
    head = headline(screen.live, screen.verdict)
    if width < SMALLEST[0] or height < SMALLEST[1]:
        lines = three_lines(screen, head, width)
    elif screen.page:
        lines = page_lines(screen, headline_text(screen, head, width - _CLOCK_WIDTH), width, height)
        if screen.prompt is not None:
            lines[-1] = _last_line(screen, "")
    elif width < NARROW:
        lines = narrow_lines(screen, head, width, height)
    elif width >= WIDE[0] and height >= WIDE[1]:
        lines = _wide_lines(screen, head, width, height)
    else:
        lines = _usual_lines(screen, head, width, height)
    return [fitted(line, width) for line in lines[:height]]


# ---- the usual size


def _usual_lines(screen: Screen, head: Headline, width: int, height: int) -> list[Text]:
    top = _top(screen, head, width)
    body = _facts(screen)
    keys = _last_line(screen, _KEYS)
    separators = 3 if height >= 20 else 0
    room = height - len(top) - len(body) - 1 - separators
    events = min(max(room // 4, 1), 3 if height < 30 else 8, max(len(shown_events(screen)), 1))
    rows = min(room - events, len(screen.live.strips.numbers) + 2)
    if rows < 3:
        body = body[: max(height - len(top) - 1 - separators - events - 3, 2)]
        rows = max(height - len(top) - len(body) - 1 - separators - events, 0)
    events = height - len(top) - len(body) - 1 - separators - rows
    line = [ruler(width)] if separators else []
    return [
        *top,
        *line,
        *body,
        *line,
        *strip_lines(screen, width, rows),
        *line,
        *event_lines(screen, width, events),
        keys,
    ]


def _top(screen: Screen, head: Headline, width: int) -> list[Text]:
    """Give the headline and the line that says what is watched."""
    wide = width >= WIDE[0]
    live = screen.live
    right = f"{clock_time(live.now.utc_ns)} UTC"
    unseen = len([e for e in live.events.unseen(live.now) if e.rank is not Rank.NOTE])
    if wide and unseen:
        right = f"{unseen} not seen yet          {right}"
    room = width - 1 - len(right)
    detail = f" - {head.detail}" if head.detail else ""
    first = headline_text(screen, head, room)
    is_told = first.cell_len + len(detail) <= room
    if is_told:
        first.append(detail)
    # When it is tried again is part of the state, not a detail: it has a place on the next line.
    retry = head.detail if head.mood is Mood.NOT_WATCHING and not is_told else ""
    return [both_ends(first, right, width), fitted(_subject(screen, width, retry), width)]


def _subject(screen: Screen, width: int, retry: str = "") -> Text:
    """Name site, base and source; what does not fit is left out from the least important."""
    live = screen.live
    station = live.state.main_station
    watching = f"watching {seconds(int(live.seconds))}"
    # Text and how soon it is left out: the greater, the sooner.
    parts = [
        (screen.site, 3),
        (None if station is None else f"base {station}", 1),
        (screen.source or None, 2),
        (f"sheet {screen.sheet}" if screen.sheet else None, 5),
        (watching, 4),
        (screen.recording, 3),
        (f"gap {live.gaps.count + 1} is OPEN" if _gap_open(screen) else None, 0),
        (retry or None, 0),
    ]
    shown = [(text, rank) for text, rank in parts if text]
    while len(shown) > 1 and len("   ".join(text for text, _ in shown)) + 1 > width:
        shown.remove(max(shown, key=lambda part: part[1]))
    return Text(" " + "   ".join(text for text, _ in shown))


def _gap_open(screen: Screen) -> bool:
    live = screen.live
    return live.blind is None and bool(live.gaps.due) and live.gaps.open_s(live.now) >= live.old_s


def _fact(label: str, text: str, extra: str = "", at: int = 44) -> Text:
    body = f" {label:<{_LABEL}}{text}"
    return Text(f"{body:<{at - 2}}  {extra}" if extra else body)


def _facts(screen: Screen) -> list[Text]:
    live = screen.live
    gaps, lost = facts.gaps_fact(live)
    delay, spread = facts.delay_fact(live)
    air, _ = facts.air_fact(screen)
    found = [
        _fact("last epoch", facts.epoch_fact(live), facts.interval_fact(live)),
        _fact("position sent", facts.position_fact(screen)),
        _fact("satellites", facts.satellites_fact(live)),
        _fact("gaps so far", gaps, lost),
        _fact("delay", delay, spread),
        _fact("air time", air),
    ]
    if screen.rover is not None:
        found.append(_fact("rover", facts.rover_fact(screen.rover, live.now)))
    return found


def _last_line(screen: Screen, keys: str) -> Text:
    if screen.prompt is not None:
        return Text(f" note: {screen.prompt}_")
    if not screen.has_keyboard:
        return Text(" end with Ctrl-C")
    return Text(_REPLAY_KEYS if screen.replay else keys)


# ---- the wide size


def _wide_lines(screen: Screen, head: Headline, width: int, height: int) -> list[Text]:
    line = ruler(width)
    top = [*_top(screen, head, width), line, *_wide_facts(screen), line]
    signals = [*_signal_lines(screen), line]
    now = [*_open_lines(screen, width), line]
    bottom = [line, _last_line(screen, _WIDE_KEYS)]
    room = height - len(top) - len(signals) - len(now) - len(bottom) - 1
    events = max(min(room // 4, 8), 4)
    strips = strip_lines(screen, width, max(room - events, 3), wide=True)
    events = max(room - len(strips), 1)
    return [
        *top,
        *strips,
        line,
        *signals,
        *now,
        *event_lines(screen, width, events, wide=True),
        *bottom,
    ]


def _wide_facts(screen: Screen) -> list[Text]:
    live, at = screen.live, _WIDE_EXTRA_AT
    gaps, lost = facts.gaps_fact(live, wide=True)
    delay, clock = facts.delay_fact(live)
    air, load = facts.air_fact(screen)
    frames, foreign = facts.frames_fact(live)
    name, habit = screen.finding("antenna_named").text, facts.position_habit(live)
    found = [
        _fact(
            "last epoch",
            f"{facts.epoch_fact(live)}      {facts.interval_fact(live)}",
            facts.gps_fact(live, is_dated=screen.is_dated),
            at,
        ),
        _fact("position sent", facts.position_fact(screen, wide=True), habit, at),
        _fact("", facts.place_text(live), "antenna reference point (ARP)", at),
        _fact("antenna", facts.antenna_fact(screen), f"name: {name}", at),
        _fact("satellites", facts.satellites_fact(live), facts.slips_fact(screen), at),
        _fact("gaps so far", gaps, lost, at),
        _fact("frames", frames, foreign, at),
        _fact("delay", delay, clock, at),
        _fact("air time", air, load, at),
    ]
    if screen.rover is not None:
        found.append(_fact("rover", facts.rover_fact(screen.rover, live.now)))
    return found


def _signal_lines(screen: Screen) -> list[Text]:
    """Tell bands, strengths now and since the start, satellites and what went away."""
    live = screen.live
    heading = (
        f" {'SIGNAL':<10}{'bands':<14}{'median dB-Hz':<15}{'since start':<15}{'satellites':<13}"
        f"{'weakest':<18}lost lately"
    )
    lines = [Text(heading, "heading")]
    total = live.state.signals.cnr
    lately = live.windows.recent_strengths(total)
    for letter in live.satellites.counts(live.old_s):
        system = SYSTEM_LETTERS.index(letter)
        bands = live.satellites.bands(letter, live.old_s)[:3]
        now, change = [], []
        for band in bands:
            ids = [SIGNAL_ID[name] for name in band.signals]
            recent = median_strength(lately[system, ids].sum(axis=0))
            usual = median_strength(total[system, ids].sum(axis=0))
            now.append("?" if recent is None else f"{recent:.0f}")
            known = recent is not None and usual is not None
            change.append(change_text(recent - usual) if known else "?")  # type: ignore[operator]  # both are known
        weakest = live.satellites.weakest(letter, live.old_s)
        weak = "?" if weakest is None else f"{weakest.satellite} on {weakest.band}, "
        weak += "" if weakest is None else f"{weakest.cnr_dbhz:.0f}"
        gone = [
            f"{name} {clock_time(live.clock.moment(seen).utc_ns)[:5]}"
            for name, seen in live.satellites.gone(letter, live.old_s)[:2]
        ]
        lines.append(
            Text(
                f" {SYSTEMS[letter].full_name:<10}{_columns([b.label for b in bands], 4):<14}"
                f"{_columns(now, 4):<15}{_columns(change, 5):<15}"
                f"{_columns([str(b.satellites) for b in bands], 3):<13}"
                f"{weak:<18}{', '.join(gone) or 'none'}"
            )
        )
    return lines


def _columns(texts: list[str], width: int) -> str:
    return "".join(f"{text:<{width}}" for text in texts)


def _open_lines(screen: Screen, width: int) -> list[Text]:
    """Say what lasts now, and what to do."""
    live = screen.live
    lasting = live.events.open
    unseen = [e for e in live.events.unseen(live.now) if e.rank is not Rank.NOTE]
    if not lasting:
        do = "press space when you have read the event marked *" if unseen else "nothing"
        return [Text(" OPEN NOW  nothing"), Text(f" TO DO     {do}")]
    worst = lasting[0]
    more = f"   and {len(lasting) - 1} more" if len(lasting) > 1 else ""
    do = advice(worst, screen) or "see the event list"
    lines = (Text(f" OPEN NOW  {worst.text}{more}"), Text(f" TO DO     {do}"))
    return [part for line in lines for part in wrapped(line, width, _OPEN_INDENT)]
