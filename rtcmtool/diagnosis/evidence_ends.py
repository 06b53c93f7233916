"""Two recordings that should be the two ends of one radio link: of one time, in the right order."""

from dataclasses import dataclass

from rtcmtool.diagnosis.evidence_link import Integers, LinkRecord
from rtcmtool.monitor.stream_state import StreamState
from rtcmtool.wire.decoding import NONE

_MOST_LOST, _LEAST_MORE = 0.005, 0.03  # of the messages: judgement
_FEWEST = 50  # messages of epochs

Keys = set[tuple[int, int, int]]  # number, station, time


@dataclass(frozen=True, slots=True)
class TwoEnds:
    """How two recordings lie to each other.

    Attributes
    ----------
    apart_s : float or None
        Time between them, where they have none in common.
    only_near, only_far, both : int
        Messages of epochs in the time that both have.
    is_changed_over : bool
        Whether the far end has all of the near end and more, of the same stations.
    """

    apart_s: float | None = None
    only_near: int = 0
    only_far: int = 0
    both: int = 0
    is_changed_over: bool = False


def two_ends(
    near: LinkRecord, near_state: StreamState, far: LinkRecord, far_state: StreamState
) -> TwoEnds:
    """Compare two recordings by number, station and epoch of their messages.

    A second base under our number sends the same numbers at the same epochs, and a repeater the
    same messages again: neither makes the ends look changed over.

    Parameters
    ----------
    near, far : LinkRecord
        What should be the base's own output, and what should be heard at the rover.
    near_state, far_state : StreamState
        The same streams.
    """
    near_rows, far_rows = _rows(near), _rows(far)
    if not (near_rows.shape[1] and far_rows.shape[1]):
        return TwoEnds()
    dates = _date(near_rows, near_state), _date(far_rows, far_state)
    if dates[0] != dates[1]:
        return TwoEnds()  # one tells no day: nothing can be said
    begin = max(int(near_rows[2].min()), int(far_rows[2].min()))
    end = min(int(near_rows[2].max()), int(far_rows[2].max()))
    if begin > end:
        return TwoEnds(apart_s=(begin - end) / 1000)
    sent, heard = _keys(near_rows, begin, end), _keys(far_rows, begin, end)
    only_near, only_far = len(sent - heard), len(heard - sent)
    same = {key[1] for key in heard} <= {key[1] for key in sent}
    changed = (
        same and len(sent) >= _FEWEST
        and only_near <= _MOST_LOST * len(sent) and only_far > _LEAST_MORE * len(heard)
    )  # fmt: skip
    return TwoEnds(None, only_near, only_far, len(sent & heard), changed)


def _rows(record: LinkRecord) -> Integers:
    """Give number, station and time of the messages with an epoch, shape (3, n)."""
    table = record.table
    return table[:3, table[2] != NONE].copy()


def _date(rows: Integers, state: StreamState) -> bool:
    """Turn the times of rows into GPS time, ms, where the day is known; tell whether it is."""
    gps_ms = state.clock.gps_ms_of_epoch(0)
    if gps_ms is None:
        return False
    rows[2] += gps_ms
    return True


def _keys(rows: Integers, begin: int, end: int) -> Keys:
    within = rows[:, (rows[2] >= begin) & (rows[2] <= end)]
    return {(number, station, time) for number, station, time in within.T.tolist()}
