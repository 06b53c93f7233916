"""The rover's log and the stream on one time axis."""

import numpy as np
import numpy.typing as npt

from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.evidence_link import LinkPattern
from rtcmtool.monitor.rover_join import Joint, join, sky_shift_s
from rtcmtool.monitor.rover_log import Columns, RoverLog


def joint_of(
    log: RoverLog,
    columns: Columns,
    stream: Context,
    link: LinkPattern,
    place_m: npt.NDArray[np.float64] | None,
) -> Joint:
    """Lay a rover's log beside the stream; where both tell of satellites, these decide.

    Parameters
    ----------
    log : RoverLog
        The log.
    columns : Columns
        Its fixes.
    stream : Context
        The stream, with its ephemerides or those of a navigation file.
    link : LinkPattern
        The same stream.
    place_m : ndarray or None
        Earth-fixed place of the rover, shape (3,).
    """
    clock = stream.state.clock
    if link.first_ms is None or link.last_ms is None:
        return Joint("unknown")
    first_ns, last_ns = (clock.utc_ns_of_epoch(end) for end in (link.first_ms, link.last_ms))
    if first_ns is None or last_ns is None:
        return Joint("unknown")
    gps_ms = clock.gps_ms_of_epoch((link.first_ms + link.last_ms) // 2)
    shift_s = None
    if gps_ms is not None and place_m is not None:
        ephemerides = stream.state.quality.fix.store.by_satellite
        shift_s = sky_shift_s(log.sky, ephemerides, gps_ms, place_m)
    return join(columns, (first_ns // 1_000_000, last_ns // 1_000_000), shift_s)


def gaps_of(stream: Context, link: LinkPattern, joint: Joint) -> npt.NDArray[np.int64] | None:
    """Give the gaps of the stream on the log's clock, UTC ms, shape (n, 2); None if not joined."""
    if not joint.is_overlap or link.first_ms is None:
        return None
    first_ns = stream.state.clock.utc_ns_of_epoch(link.first_ms)
    if first_ns is None:
        return None
    shift_ms = first_ns // 1_000_000 - link.first_ms + round(1000 * joint.shift_s)
    return np.asarray(link.gap_times_ms, np.int64).reshape(-1, 2) + shift_ms
