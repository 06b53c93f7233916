"""What a caster's source table says of a stream, against what comes."""

from math import dist

from rtcmtool.diagnosis.finding import Finding, Rule, State, Weight, not_applicable, unknown
from rtcmtool.diagnosis.regional_systems import may_be_away, out_of_view
from rtcmtool.diagnosis.wording import number, seconds
from rtcmtool.gnss.geodesy import degrees_from_ecef, ecef_from_degrees
from rtcmtool.gnss.signals import LETTERS, SYSTEMS
from rtcmtool.monitor.stream_state import StreamState
from rtcmtool.sources.sourcetable import Stream
from rtcmtool.wire.catalogue import OBSERVATION_NUMBERS, system_of

OFF = 1.5  # times the announced interval, or its share: more or less often than announced
ROUNDED_M = 2_000.0  # tables give 0.01 degrees, about 1.1 km; judgement
FAR_M = 20_000.0  # another base; judgement

_BASIS = "the source table itself"
_MESSAGES = Rule("stream_messages", "messages", Weight.BLOCKS, None, None, None, _BASIS)
_INTERVALS = Rule("stream_intervals", "intervals", Weight.INFORMS, None, None, None, _BASIS)
_OTHERS = Rule("stream_unannounced", "not announced", Weight.INFORMS, None, None, None, _BASIS)
_SYSTEMS = Rule("stream_systems", "systems", Weight.BLOCKS, None, None, None, _BASIS)
_POSITION = Rule(
    "stream_position", "position", Weight.BLOCKS, "m", ROUNDED_M, FAR_M,
    "source tables round to 0.01 degrees; judgement",
)  # fmt: skip

# Names of systems in source tables (NTRIP revision 1, from memory) that are not our short names.
_OTHER_NAMES = {
    "GLONASS": "R", "GALILEO": "E", "BEIDOU": "C", "COMPASS": "C", "SBAS": "S", "QZSS": "J",
    "NAVIC": "I", "IRNSS": "I", "IRS": "I",
}  # fmt: skip


def compare_announced(stream: Stream, state: StreamState, listened_s: float) -> list[Finding]:
    """Compare a stream with its record in the source table.

    Parameters
    ----------
    stream : Stream
        The record.
    state : StreamState
        What came.
    listened_s : float
        How long was listened.

    Returns
    -------
    list of Finding
        Messages, intervals, what came besides, systems, position.
    """
    return [
        _messages(stream, state, listened_s),
        _intervals(stream, state, listened_s),
        _others(stream, state),
        _systems(stream, state),
        _position(stream, state),
    ]


def _announced(stream: Stream) -> dict[int, float | None]:
    """Give the announced intervals by message number; sub-types share their number."""
    return {int(name[:4]): every for name, every in stream.messages.items()}


def _messages(stream: Stream, state: StreamState, listened_s: float) -> Finding:
    announced = _announced(stream)
    if not announced:
        return not_applicable(_MESSAGES, "none announced")
    table = state.messages.by_number
    away = out_of_view(state, (name for name in announced if name not in table))
    lacking = [name for name in announced if name not in table and name not in away]
    missing: list[int] = []
    untold: list[int] = []
    for name in lacking:
        every = announced[name]
        waited = listened_s > (2 * every + 1 if every else 60.0)
        (missing if waited else untold).append(name)
    limit_text = ", ".join(map(str, sorted(announced)))
    values = {"missing": missing, "not_heard_long_enough": untold, "out_of_view": away}
    if missing:
        text = "missing: " + ", ".join(map(str, missing))
        action = "tell the caster's operator, or choose another stream."
        return Finding(_MESSAGES, State.BAD, text, None, values, None, limit_text, action=action)
    if untold:
        text = "not heard long enough for " + ", ".join(map(str, untold))
        return unknown(_MESSAGES, text, values=values, limit_text=limit_text)
    text = f"all {len(announced)} come"
    if away:
        names = ", ".join(map(str, away))
        count = len(announced)
        text = f"{count - len(away)} of {count} come; {names}: no satellite need be in view"
    return Finding(_MESSAGES, State.OK, text, None, values, None, limit_text)


def _intervals(stream: Stream, state: StreamState, listened_s: float) -> Finding:
    announced = {name: every for name, every in _announced(stream).items() if every}
    if not announced:
        return not_applicable(_INTERVALS, "none announced")
    told, other = [], []
    for name, every in announced.items():
        stats = state.messages.by_number.get(name)
        if stats is None:
            continue
        usual = stats.interval_s
        if usual is None:  # it came once: the next was due within half of the time at the latest
            if listened_s > 2 * OFF * every:
                other.append(f"{name} once in {seconds(round(listened_s))}, not {_every(every)}")
            continue
        told.append(name)
        if usual > OFF * every or usual < every / OFF:
            other.append(f"{name} {_every(usual)}, not {_every(every)}")
    if other:
        return Finding(_INTERVALS, State.WATCH, "; ".join(other))
    if not told:
        came = any(name in state.messages.by_number for name in announced)
        return unknown(_INTERVALS, "no message came twice" if came else "none of them came")
    return Finding(
        _INTERVALS, State.OK, f"as announced, {len(told)} of {len(announced)} seen twice"
    )


def _every(interval_s: float) -> str:
    return f"every {number(round(interval_s, 2))} s"


def _others(stream: Stream, state: StreamState) -> Finding:
    announced = _announced(stream)
    if not announced:
        return not_applicable(_OTHERS, "none announced")
    if not state.messages.by_number:
        return unknown(_OTHERS, "no message came")
    more = sorted(n for n in state.messages.by_number if n >= 0 and n not in announced)
    if more:
        return Finding(_OTHERS, State.WATCH, "also " + ", ".join(map(str, more)))
    return Finding(_OTHERS, State.OK, "nothing else came")


def _letters(names: tuple[str, ...]) -> set[str]:
    """Read the names of systems in a source table; those not known are left out."""
    found = {LETTERS.get(name.upper()) or _OTHER_NAMES.get(name.upper()) for name in names}
    return {letter for letter in found if letter}


def _systems(stream: Stream, state: StreamState) -> Finding:
    announced = _letters(stream.systems)
    limit_text = " ".join(stream.systems)
    if not announced:
        return not_applicable(_SYSTEMS, "none announced")
    epochs = state.epochs
    if epochs is None or not epochs.due:
        came = any(number_ in OBSERVATION_NUMBERS for number_ in state.messages.by_number)
        why = "no epoch judged yet" if came else "no observations came"
        return unknown(_SYSTEMS, why, limit_text=limit_text)
    heard = heard_systems(state)
    names = " ".join(SYSTEMS[letter].short_name for letter in SYSTEMS if letter in heard)
    lacking = [letter for letter in SYSTEMS if letter in announced - heard]
    missing = [SYSTEMS[letter].short_name for letter in lacking if not may_be_away(state, letter)]
    more = [SYSTEMS[letter].short_name for letter in SYSTEMS if letter in heard - announced]
    values = {"missing": missing, "not_announced": more}
    if missing:
        text = f"{names}; missing: {' '.join(missing)}"
        return Finding(_SYSTEMS, State.BAD, text, None, values, None, limit_text)
    if more:
        text = f"{names}; not announced: {' '.join(more)}"
        return Finding(_SYSTEMS, State.WATCH, text, None, values, None, limit_text)
    return Finding(_SYSTEMS, State.OK, names, None, values, None, limit_text)


def heard_systems(state: StreamState) -> set[str]:
    """Give the RINEX letters of the systems with observation messages in the stream."""
    letters = {system_of(n) for n in state.messages.by_number if n in OBSERVATION_NUMBERS}
    return {letter for letter in letters if letter}


def _position(stream: Stream, state: StreamState) -> Finding:
    latitude, longitude = stream.latitude_deg, stream.longitude_deg
    if latitude is None or longitude is None or (not latitude and not longitude):
        return not_applicable(_POSITION, "none announced")
    limit_text = f"{latitude:.2f} {longitude:.2f}"
    if stream.needs_position or stream.is_network:
        return not_applicable(_POSITION, "the stream is made for where the rover is")
    station = state.base.stations.get(state.main_station if state.main_station is not None else -1)
    sent = station.latest_position if station else None
    if sent is None or not any(sent.arp_ecef_m):
        return unknown(_POSITION, "no position came", limit_text=limit_text)
    _, _, height_m = degrees_from_ecef(sent.arp_ecef_m)
    expected = ecef_from_degrees(latitude, longitude, height_m)
    away_m = dist(expected, sent.arp_ecef_m)
    text = f"{away_m / 1000:.1f} km from the announced place"
    if away_m <= ROUNDED_M:
        return Finding(_POSITION, State.OK, text, away_m, None, ROUNDED_M, limit_text)
    state_ = State.BAD if away_m > FAR_M else State.WATCH
    action = "another base stands behind this name, or its record is wrong: ask the operator."
    return Finding(_POSITION, state_, text, away_m, None, ROUNDED_M, limit_text, action=action)
