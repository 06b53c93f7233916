"""Further pages of the dashboard, behind key m: numbers by window, signals and base, all events.

The headline stays on top of each: whoever looks something up still sees when the stream fails.
"""

from math import dist

from rich.text import Text

from rtcmtool.diagnosis.wording import grouped, printable, seconds, share
from rtcmtool.gnss.geodesy import degrees_from_ecef
from rtcmtool.gnss.signals import SYSTEMS
from rtcmtool.monitor.base_station import Position
from rtcmtool.monitor.windows import SESSION, WINDOWS_S, Counts, TypeCounts, median_strength
from rtcmtool.views import dashboard_facts as facts
from rtcmtool.views.dashboard_events import whole_event
from rtcmtool.views.dashboard_parts import (
    Screen,
    both_ends,
    change_text,
    ranked,
    ruler,
    short_title,
    wrapped,
)
from rtcmtool.views.headline import clock_time, length_text
from rtcmtool.wire.observations import SYSTEM_LETTERS
from rtcmtool.wire.signal_ids import SIGNAL_ID

PAGES = 3
WINDOW_CHOICES: tuple[int | None, ...] = (*WINDOWS_S, SESSION)
_COMPACT = 72  # columns; below, names and bytes of messages are left out
_MOST_TEXTS = 2
_VALUE_AT = 13  # column of the values
_KEYS = " m: next page   z: window   space: seen   ?: legend   q: quit"
_SHORT_KEYS = " m: next   z: window   q: quit"


def page_lines(screen: Screen, head: Text, width: int, height: int) -> list[Text]:
    """Give a page as lines.

    Parameters
    ----------
    screen : Screen
        What to show; its `page` is 1 to `PAGES`.
    head : Text
        The headline.
    width, height : int
        Columns and lines.
    """
    title, body = _page(screen, width)
    right = f"page {screen.page} of {PAGES}"
    now = f"{clock_time(screen.live.now.utc_ns)} UTC"
    room = _room(height)
    skipped = min(screen.skipped, max(len(body) - 1, 0))
    left = len(body) - skipped - room
    body = body[skipped : skipped + room]
    if left > 0:
        body[-1:] = [Text(f" +{left + 1} more lines: m")]
    first = both_ends(head, now if width >= _COMPACT else "", width)
    top = [first, both_ends(Text(f" {title}", "heading"), right, width)]
    blank = [Text("") for _ in range(room - len(body))]
    keys = Text(_KEYS if width >= len(_KEYS) else _SHORT_KEYS)
    return [*top, ruler(width), *body, *blank, keys]


def after_page(screen: Screen, width: int, height: int) -> tuple[int, int]:
    """Give the page and the lines to skip that key m leads to.

    Returns
    -------
    page, skipped : int
        The rest of this page, else the next one; behind the last the dashboard, 0.
    """
    if screen.page:
        _, body = _page(screen, width)
        room = _room(height)
        if len(body) - screen.skipped > room > 1:
            return screen.page, screen.skipped + room - 1
    return (screen.page + 1) % (PAGES + 1), 0


def _page(screen: Screen, width: int) -> tuple[str, list[Text]]:
    """Give title and lines of a page, however many; values that do not fit are wrapped."""
    pages = {1: _numbers, 2: _signals_and_base, 3: _events}
    title, lines = pages[screen.page](screen, width)
    return title, [part for line in lines for part in wrapped(line, width, _VALUE_AT)]


def _room(height: int) -> int:
    return max(height - 4, 0)


# ---- numbers of a window


def window_text(window_s: int | None) -> str:
    """Name a window."""
    return "the whole session" if window_s is SESSION else f"the last {window_s // 60} min"


def _numbers(screen: Screen, width: int) -> tuple[str, list[Text]]:
    counts = screen.live.windows.over(screen.window_s)
    title = window_text(screen.window_s)
    title = f"NUMBERS OF {title.upper()}" if width >= _COMPACT else title
    if screen.window_s is not SESSION and counts.seconds < screen.window_s:
        title += f", {seconds(int(counts.seconds))} so far"
    return title, [*_totals(screen, counts), ruler(width), *_by_message(screen, counts, width)]


def _totals(screen: Screen, counts: Counts) -> list[Text]:
    live = screen.live
    epochs = f"{grouped(counts.whole)} of {grouped(counts.due)} whole"
    if counts.whole < counts.due:
        epochs += f", {share(counts.due - counts.whole, counts.due)} lost"
    satellites = "? no whole epoch"
    if counts.mean_satellites is not None:
        satellites = f"{counts.mean_satellites:.1f}, {counts.fewest} to {counts.most} an epoch"
        if counts.fewest == counts.most:
            satellites = f"{counts.most} in each epoch"
    load = f"{grouped(round(counts.bytes_per_s))} bytes and {counts.frames_per_s:.1f} frames/s"
    if screen.radio_rate_bit_s is not None:
        part = 100 * counts.air_load(screen.radio_rate_bit_s, screen.overhead)
        load += f", {part:.0f} % of {grouped(round(screen.radio_rate_bit_s))} bit/s"
    frames = counts.frames + counts.damaged
    damage = f"{grouped(counts.damaged)} of {grouped(frames)} damaged"
    if counts.damaged:
        damage += f", {share(counts.damaged, frames)}"
    foreign = f"{grouped(counts.foreign_bytes)} bytes outside frames"
    return [
        Text(f" {label:<12}{text}")
        for label, text in (
            ("epochs", epochs if counts.due else "? none due yet"),
            ("satellites", satellites),
            ("delay", facts.delay_of(live, counts)),
            ("load", load),
            ("frames", f"{damage}; {foreign}"),
        )
    ]


def _by_message(screen: Screen, counts: Counts, width: int) -> list[Text]:
    """Give a line a message type."""
    is_compact = width < _COMPACT
    name_width = 5 if is_compact else 28
    heading = f" {'message':<{name_width}}{'count':>8}{'every':>9}{'jitter':>9}{'longest':>9}"
    if is_compact:
        heading = f" {'type':<{name_width}}{'count':>7}{'every':>8}{'jitter':>8}{'longest':>8}"
        return [
            Text(heading, "heading"),
            *(
                Text(
                    f" {number:<{name_width}}{grouped(each.count):>7}{_step(each.interval_s):>8}"
                    f"{_step(each.jitter_s):>8}{_longest(each):>8}"
                )
                for number, each in _rows(counts)
            ),
        ]
    lines = [Text(f"{heading}{'bytes':>11}", "heading")]
    for number, each in _rows(counts):
        name = f"{number} {short_title(number, wide=True)}"[: name_width - 1]
        lines.append(
            Text(
                f" {name:<{name_width}}{grouped(each.count):>8}{_step(each.interval_s):>9}"
                f"{_step(each.jitter_s):>9}{_longest(each):>9}{grouped(each.size_bytes):>11}"
            )
        )
    return lines


def _rows(counts: Counts) -> list[tuple[int, TypeCounts]]:
    return [(number, counts.types[number]) for number in ranked([n for n in counts.types if n > 0])]


def _step(value_s: float | None) -> str:
    return "?" if value_s is None else f"{value_s:.2f} s" if value_s < 10 else f"{value_s:.1f} s"


def _longest(counts: TypeCounts) -> str:
    return _step(counts.longest_s or None)


# ---- signals and base


def _signals_and_base(screen: Screen, width: int) -> tuple[str, list[Text]]:
    lines = [*_signals(screen, width), ruler(width), *_base(screen)]
    title = "SIGNALS OF THE LAST MINUTE, AND WHAT THE BASE SAYS OF ITSELF"
    return title if width >= _COMPACT else "SIGNALS, AND THE BASE", lines


def _signals(screen: Screen, width: int) -> list[Text]:
    live = screen.live
    total = live.state.signals.cnr
    lately = live.windows.recent_strengths(total)
    heading = (
        f" {'system':<9}{'signal':<12}{'satellites':>10}{'dB-Hz':>7}{'since start':>13}  weakest"
    )
    if width < _COMPACT:
        heading = f" {'':<4}{'signal':<10}{'sat':>4}{'dB-Hz':>7}{'change':>7}"
    lines = [Text(heading, "heading")]
    for letter in live.satellites.counts(live.old_s):
        system = SYSTEM_LETTERS.index(letter)
        for signal in live.satellites.signals(letter, live.old_s):
            place = system, SIGNAL_ID[signal.name]
            recent, usual = median_strength(lately[place]), median_strength(total[place])
            now = "?" if recent is None else f"{recent:.0f}"
            change = "?" if recent is None or usual is None else change_text(recent - usual)
            name = f"{signal.label} {signal.name}"
            if width < _COMPACT:
                short = SYSTEMS[letter].short_name
                text = f" {short:<4}{name:<10}{signal.satellites:>4}{now:>7}{change:>7}"
            else:
                full = SYSTEMS[letter].full_name
                text = f" {full:<9}{name:<12}{signal.satellites:>10}{now:>7}{change:>13}  "
                text += signal.weakest
            lines.append(Text(text))
    if len(lines) == 1:
        lines.append(Text(" ? no observations yet"))
    return lines


def _base(screen: Screen) -> list[Text]:
    """Tell stations, positions, antennas and texts, the latest of each last."""
    base, clock = screen.live.state.base, screen.live.clock

    def when(time_ms: int) -> str:
        return clock_time(clock.moment(time_ms * 1_000_000).utc_ns)

    lines = []
    for number, station in sorted(base.stations.items()):
        span = f"{when(station.first_ms)}-{when(station.last_ms)}"
        lines.append(Text(f" station {number:<5}{grouped(station.messages)} messages, {span} UTC"))
        first = station.positions[0] if station.positions else None
        lines += [
            Text(f"   {when(position.time_ms)}  {_position(position, first)}")
            for position in station.positions
        ]
    for antenna in base.antennas:
        told = ", ".join(
            printable(text)
            for text in (antenna.antenna, antenna.receiver, antenna.firmware)
            if text
        )
        lines.append(Text(f" antenna      {when(antenna.time_ms)}  {told or 'no name'}"))
    if base.plan:
        told = ", ".join(f"{number} {seconds(every)}" for number, every in base.plan.items())
        lines.append(Text(f" plan (1013)  {told}"))
    for time_ms, text in base.texts[-_MOST_TEXTS:]:
        lines.append(Text(f' text         {when(time_ms)}  "{printable(text)}"'))
    return lines or [Text(" ? the base has told nothing of itself yet")]


def _position(position: Position, first: Position | None) -> str:
    if not any(position.arp_ecef_m):
        return "position all zero"
    latitude, longitude, height = degrees_from_ecef(position.arp_ecef_m)
    north, east = "NS"[latitude < 0], "EW"[longitude < 0]
    text = f"{abs(latitude):.9f} {north}  {abs(longitude):.9f} {east}  {height:.3f} m"
    if first is not None and position is not first:
        text += f", moved {dist(position.arp_ecef_m, first.arp_ecef_m):.3f} m"
    return text


# ---- events


def _events(screen: Screen, width: int) -> tuple[str, list[Text]]:
    events = screen.live.events
    lasting = len(events.open)
    title = f"EVENTS, {len(events.events)} kept"
    title += f", {lasting} of them OPEN" if lasting else ", none open"
    wide = width >= 120
    lines = [
        line for event in events.listed() for line in whole_event(event, screen, width, wide=wide)
    ]
    watching = length_text(screen.live.seconds)
    return title, lines or [Text(f"   no events in {watching}")]
