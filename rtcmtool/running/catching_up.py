"""The last minutes of a recording that is followed: whoever looks in sees at once how it is."""

from rtcmtool.captures.reading import Capture
from rtcmtool.monitor.steady_clock import NS_PER_S
from rtcmtool.running.feed import Bytes, Told
from rtcmtool.running.session import Session
from rtcmtool.running.timeline import Timeline

REACH_S = 600.0  # a screen of 80 columns shows 9 min
STILL_S = 60.0  # nothing new for so long: whether anybody still records is not known
_TICK_NS = NS_PER_S // 2


def begin_of(capture: Capture, reach_s: float = REACH_S) -> int | None:
    """Give where to begin, UTC ns; None where no arrival is known.

    Parameters
    ----------
    capture : Capture
        What is followed.
    reach_s : float
        So far back from its latest arrival.
    """
    arrivals = capture.arrivals
    if not len(arrivals):
        return None
    return max(int(arrivals.utc_ns[0]), int(arrivals.utc_ns[-1]) - round(reach_s * NS_PER_S))


def catch_up(session: Session, capture: Capture, now_utc_ns: int, now_monotonic_s: float) -> None:
    """Hand the last minutes to a session, as if it had listened.

    Parameters
    ----------
    session : Session
        Its state begins at `begin_of` the capture; nothing is recorded.
    capture : Capture
        What is followed, from its present end on.
    now_utc_ns, now_monotonic_s : int and float
        Now, by both clocks.
    """
    begin = begin_of(capture)
    if begin is None:
        return
    utc_ns, steady_ns = begin, 0
    start_s = now_monotonic_s - (now_utc_ns - begin) / NS_PER_S
    most_ns = max(now_utc_ns - begin, 0)  # a recording must not lead into the future
    for piece in Timeline(capture).pieces(begin):
        at_ns = min(max(piece.steady_ns, steady_ns), most_ns)
        while steady_ns + _TICK_NS < at_ns:
            steady_ns, utc_ns = steady_ns + _TICK_NS, utc_ns + _TICK_NS
            session.take(Bytes(utc_ns, start_s + steady_ns / NS_PER_S, b""))
        steady_ns, utc_ns = at_ns, piece.utc_ns
        at_s = start_s + steady_ns / NS_PER_S
        if piece.event is not None:
            session.take(Told(at_s, piece.event))
        else:
            session.take(Bytes(utc_ns, at_s, piece.data))
    live = session.live
    live.skip_step()  # what the file has gained meanwhile comes at once
    if most_ns - steady_ns > STILL_S * NS_PER_S and live.blind is None:
        live.not_listening(utc_ns, start_s + steady_ns / NS_PER_S, "the file stood still")
