"""Put the evidence together: streams, both ends matched, rover log, answers."""

from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.evidence import Answers, Evidence
from rtcmtool.diagnosis.evidence_link import LinkRecord, link_pattern, matched
from rtcmtool.monitor.rover_log import RoverLog


def gather(
    stream: Context | None,
    record: LinkRecord | None,
    *,
    own: Context | None = None,
    heard_at: str | None = None,
    far: Context | None = None,
    far_record: LinkRecord | None = None,
    log: RoverLog | None = None,
    answers: Answers | None = None,
    is_together: bool = False,
) -> Evidence:
    """Put the evidence together.

    Parameters
    ----------
    stream : Context or None
        The stream, finished.
    record : LinkRecord or None
        Its frames.
    own : Context or None
        The same as if our base alone were heard, where others are heard too.
    heard_at : str or None
        Where it was heard, as told.
    far, far_record : Context or None, LinkRecord or None
        The stream heard at the rover, where `stream` is that of the base.
    log : RoverLog or None
        The rover's sentences, finished.
    answers : Answers, optional
        What the crew answered.
    is_together : bool
        Whether stream and rover were heard live, at once.
    """
    link = far_link = air = None
    if stream is not None and record is not None:
        link = link_pattern(record, (stream if own is None else own).state)
    if far is not None and far_record is not None:
        far_link = link_pattern(far_record, far.state)
        if record is not None:
            air = matched(record, far_record)
    return Evidence(
        stream, own, link, "base" if far is not None else heard_at, far, far_link, air, log,
        answers or Answers(), is_together,
    )  # fmt: skip


def our_station(stream: Context, log: RoverLog | None = None) -> int | None:
    """Give the station to look at alone, where several are heard; None where one is.

    It is that of the site sheet where that is heard, else the one that the rover mostly uses, else
    the one with most epochs.
    """
    heard = stream.state.base.stations
    if len(heard) < 2:
        return None
    planned = stream.sheet.messages.station if stream.sheet is not None else None
    if planned in heard:
        return planned
    used = [int(name) for name, _ in log.stations.most_common() if name.isdecimal()] if log else []
    return next((name for name in used if name in heard), stream.state.main_station)


_SAME_PLACE_M = 5.0  # what stand-alone and float positions are off


def is_rovers_own(evidence: Evidence) -> bool:
    """Tell whether the stream is not the base's, but the rover's own measurements.

    The rover uses another station, and the stream has the rover's position or none at all.
    """
    if evidence.log is None or evidence.stream is None or not evidence.uses_rtk:
        return False
    used = {int(name) for name in evidence.log.stations if name.isdecimal()}
    heard = set(evidence.stream.state.base.stations)
    if not used or not heard or used & heard:
        return False
    line_m = evidence.measured_line_m
    return evidence.bad("position_sent") is not None if line_m is None else line_m < _SAME_PLACE_M
