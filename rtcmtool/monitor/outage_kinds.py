"""What outages are: kinds, limits, and what goes into and comes out of the tracker."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from rtcmtool.captures.companions import OutageRow
from rtcmtool.monitor.steady_clock import Moment

LEAST_S = 5.0
LEAST_INTERVALS = 3.0
MARGIN_INTERVALS = 1.5  # messages just behind the last epoch do not hide a silence
FIRST_S = 15.0  # before the first whole epoch: nothing in 15 s is nothing (rule bytes_arrive)
NO_POSITION_S = 60.0
WHOLE_IN_A_ROW = 3
STILL_OPEN = "open at end of recording"
NOT_LISTENING = "then not listening"
IN_PART = "epochs came in part"


class Kind(StrEnum):
    """Kinds of outages; the words of the outages file."""

    SILENCE = "silence"
    GARBLED = "garbled"
    NO_OBSERVATIONS = "no-observations"
    NO_POSITION = "no-position"
    LATE = "late"


# What happened, and what to do.
OUTAGE_WORDS = {
    Kind.SILENCE: ("silent", "power light, cable, then the radio"),
    Kind.GARBLED: ("damaged, no whole message", "look at cable and baud, or the radio"),
    Kind.NO_OBSERVATIONS: ("no observations", "look at the antenna and its sky"),
    Kind.NO_POSITION: ("no position sent", "switch on 1005 or 1006"),
    Kind.LATE: ("late", "send less, or faster; look at the network"),
}
# Rules that an outage breaks anyway: parts of its event, not events of their own.
PARTS_OF_AN_OUTAGE = frozenset(
    {
        "bytes_arrive", "frames_whole", "epochs_complete", "longest_gap", "epoch_closed", "delay",
        "position_sent", "foreign_bytes", "satellites_enough", "two_bands", "observations_usable",
        "systems_steady", "glonass_bias", "announced_messages", "epochs_lost",
    }
)  # fmt: skip
WORST_FIRST = (Kind.SILENCE, Kind.GARBLED, Kind.NO_OBSERVATIONS, Kind.LATE)


@dataclass(frozen=True, slots=True)
class StationEpoch:
    """An epoch that was judged.

    Attributes
    ----------
    station : int
        Its station number.
    timeline_ms : int
        The epoch on the batches' timeline.
    gps_ms : int or None
        The same as GPS time, once a date is known.
    at : Moment
        When its last message came.
    is_whole, is_late : bool
        Whether all of it came, and whether it was older than the limit by a trusted clock.
    """

    station: int
    timeline_ms: int
    gps_ms: int | None
    at: Moment
    is_whole: bool
    is_late: bool = False


@dataclass(frozen=True, slots=True)
class Arrival:
    """What came at one moment.

    Attributes
    ----------
    size_bytes, damaged : int
        Bytes, and damaged frames.
    stations : tuple of int
        Station numbers of the valid frames.
    frames, observations, positions : bool
        Whether valid frames, observations and station positions were among it.
    epochs : sequence of StationEpoch
        Epochs that can be judged now.
    """

    size_bytes: int
    damaged: int = 0
    stations: tuple[int, ...] = ()
    frames: bool = False
    observations: bool = False
    positions: bool = False
    epochs: Sequence[StationEpoch] = ()


@dataclass(frozen=True, slots=True)
class OutageChange:
    """An outage that opened or closed; the row of an open one ends at the moment of the change.

    Attributes
    ----------
    is_open : bool
        It opened, else it closed.
    row : OutageRow
        What is known of it.
    goes_on : bool
        It closed because another kind, or not listening, took its place: nothing has recovered.
    """

    is_open: bool
    row: OutageRow
    goes_on: bool = False
