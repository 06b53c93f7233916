"""The faults that can be asked for, named by what a crew would see.

The level says which module of this room acts on a fault. A severity is a number, three numbers
(east, north, up), letters of systems, or nothing.
"""

from dataclasses import dataclass
from enum import Enum

Severity = float | tuple[float, float, float] | str | None


class Level(Enum):
    """Where a fault acts."""

    RECEIVER = "what the base's receiver measures"
    POSITION = "what was typed into the base"
    MESSAGES = "what the base sends"
    LINK = "what the way to the rover does to it"
    ROVER = "what the rover does or where it stands"


@dataclass(frozen=True, slots=True)
class FaultKind:
    """A kind of fault.

    Attributes
    ----------
    name : str
        What the crew would see.
    text : str
        One line.
    severity : str
        What its number means; empty where it takes none.
    default : Severity
        Severity when none is given; its type says what is accepted.
    level : Level
        Where it acts.
    least, most : float
        Limits of a number, or of each of three.
    """

    name: str
    text: str
    severity: str
    default: Severity
    level: Level
    least: float = 0.0
    most: float = 1e9


# fmt: off
_R, _P, _M, _L, _V = Level.RECEIVER, Level.POSITION, Level.MESSAGES, Level.LINK, Level.ROVER

_KINDS = (
    # ---- the base measures badly, or not at all
    FaultKind("restart", "the base restarts: silence, then all lock times from zero",
              "s until it sends again", 20.0, _R, 1.0, 600.0),
    FaultKind("dead-battery", "the battery sags under the radio: restarts again and again",
              "s from one restart to the next", 45.0, _R, 20.0, 3600.0),
    FaultKind("few-satellites", "the base's mask is set far too high",
              "elevation mask, degrees", 60.0, _R, 0.0, 80.0),
    FaultKind("blocked-sky", "a wall or machine hides half the sky of the base",
              "height of its edge, degrees", 55.0, _R, 0.0, 90.0),
    FaultKind("system-lost", "satellite systems are gone", "their letters, of G R E C J", "R",
              _R),
    FaultKind("one-band", "the base sends one frequency only", "", None, _R),
    FaultKind("jammed-band", "one band loses strength on all satellites while the radio sends",
              "dB", 12.0, _R, 0.5, 40.0),
    FaultKind("bad-cable", "weak signals on all bands, slips: antenna cable or connector",
              "dB", 9.0, _R, 0.5, 30.0),
    FaultKind("noisy-site", "multipath: the base stands beside metal or water",
              "factor on the usual multipath", 6.0, _R, 1.0, 50.0),
    FaultKind("storm", "the ionosphere is disturbed", "mm/s on L1, typical", 15.0, _R, 0.5, 200.0),
    FaultKind("clock-jumps", "the base's clock jumps by 1 ms", "s from jump to jump", 30.0, _R,
              5.0, 3600.0),
    FaultKind("half-cycles", "phases come with unresolved half cycles", "% of the cells", 40.0, _R,
              0.0, 100.0),
    FaultKind("slips", "the wave counts break again and again", "slips a satellite and hour", 60.0,
              _R, 0.1, 3600.0),
    FaultKind("base-bumped", "somebody knocks the tripod, the position sent stays",
              "east,north,up, m", (0.031, -0.018, -0.012), _R, -10.0, 10.0),
    # ---- wrong values were typed
    FaultKind("wrong-mark", "the base was given another point's coordinates",
              "east,north,up, m", (1.84, -0.97, 0.35), _P, -100_000.0, 100_000.0),
    FaultKind("degree-off", "a slip of the finger in the degrees of the latitude", "degrees", 1.0,
              _P, -20.0, 20.0),
    FaultKind("sign-swapped", "east typed for west", "", None, _P),
    FaultKind("wrong-height", "the antenna height was typed wrong or left out", "height typed, m",
              0.0, _P, 0.0, 6.5),
    FaultKind("height-in-feet", "the antenna height was typed in feet as metres", "", None, _P),
    FaultKind("slant-as-vertical", "the slant height was typed as the vertical one", "", None, _P),
    FaultKind("new-average", "the base restarts on a newly averaged position",
              "how far off, m", 1.6, _P, 0.01, 50.0),
    FaultKind("no-antenna-name", "the antenna has no name", "", None, _P),
    FaultKind("null-antenna", "the null antenna is named", "", None, _P),
    FaultKind("wrong-antenna", "another antenna is named than stands there", "", None, _P),
    # ---- the base sends the wrong things
    FaultKind("silence", "nothing at all comes", "", None, _M),
    FaultKind("no-position", "observations but no position message", "", None, _M),
    FaultKind("number-changes", "the base changes its station number", "new number", 12.0, _M, 0.0,
              4095.0),
    FaultKind("no-bias", "GLONASS is sent without 1230", "", None, _M),
    FaultKind("false-bias", "1230 with zeros that claim to be aligned, and are not", "", None, _M),
    FaultKind("wrong-family", "messages of the other family: the rover cannot read them", "", None,
              _M),
    FaultKind("proprietary-only", "messages that only the maker's own rovers read", "", None, _M),
    FaultKind("epoch-never-closed", "the 'more follows' bit is stuck at 1", "", None, _M),
    FaultKind("last-lost", "the last message of each epoch is lost", "% of the epochs", 100.0, _M,
              1.0, 100.0),
    FaultKind("epochs-twice", "every epoch is sent twice", "", None, _M),
    # ---- the way to the rover
    FaultKind("weak-radio", "bit errors: long messages are damaged first", "bit error rate", 2e-4,
              _L, 0.0, 0.5),
    FaultKind("long-lost", "messages over a length are lost", "longest that passes, bytes", 150.0,
              _L, 20.0, 1029.0),
    FaultKind("busy-channel", "others talk on the channel: whole seconds are lost",
              "% of the time", 25.0, _L, 1.0, 95.0),
    FaultKind("too-much", "more is sent than the radio carries", "its rate, bit/s", 4800.0, _L,
              300.0, 1e6),
    FaultKind("repeater", "a repeater sends everything once more", "", None, _L),
    FaultKind("two-bases", "a second base sends on the channel", "its station number", 88.0, _L,
              0.0, 4095.0),
    FaultKind("same-number", "a second base sends under our number", "", None, _L),
    FaultKind("late", "everything comes late", "s", 6.0, _L, 0.0, 600.0),
    FaultKind("foreign-bytes", "bytes that are no message stand between the messages",
              "% of the bytes", 8.0, _L, 0.1, 90.0),
    FaultKind("wrong-baud", "the serial line is read at the wrong rate", "rate read by rate sent",
              2.0, _L, 0.05, 20.0),
    FaultKind("clock-off", "the computer's clock is wrong", "s fast", 71.0, _L, -1e9, 1e9),
    FaultKind("wrong-date", "the computer has the wrong date", "days late", 366.0, _L, -20_000.0,
              20_000.0),
    # ---- the rover
    FaultKind("rover-far", "the rover works far from the base", "km", 28.0, _V, 0.01, 99.0),
    FaultKind("rover-high", "the rover works far above the base", "m", 900.0, _V, -5000.0, 5000.0),
    FaultKind("rover-sky", "the sky is blocked at the rover", "height of the edge, degrees", 65.0,
              _V, 0.0, 90.0),
    FaultKind("rover-noise", "multipath at the rover", "factor on the usual multipath", 6.0, _V,
              1.0, 50.0),
    FaultKind("rover-mask", "the rover's mask is set far too high", "degrees", 58.0, _V, 0.0, 80.0),
    FaultKind("rover-age-limit", "the rover's age limit is set too short", "s", 0.5, _V, 0.1,
              600.0),
    FaultKind("rover-mode", "the rover is set to code differences, not to RTK", "", None, _V),
)
# fmt: on

KINDS: dict[str, FaultKind] = {kind.name: kind for kind in _KINDS}
