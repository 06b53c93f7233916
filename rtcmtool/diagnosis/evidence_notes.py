"""What the reader must know of the files: what was left out, taken off, or does not belong here."""

from rtcmtool.diagnosis.evidence import Evidence
from rtcmtool.diagnosis.finding import State
from rtcmtool.diagnosis.wording import grouped, share
from rtcmtool.monitor.rover_log import RoverLog

_MANY_WRONG = 0.1  # of the lines: what is left may mislead


def notes_on(evidence: Evidence) -> tuple[str, ...]:
    """Say what is odd about the files."""
    notes: list[str] = []
    link = evidence.link
    if evidence.heard_at is None and link is not None and link.loses:
        notes.append("taken as heard behind the radio, for it loses; else say --at base")
    if evidence.log is not None:
        notes += _of_lines(evidence.log)
        notes += _of_time(evidence, evidence.log)
        if evidence.is_joined and evidence.has_frames:
            notes += _stranger(evidence, evidence.log)
    if evidence.air is not None and evidence.air.sent and not evidence.air.heard:
        notes.append("no message of the base was heard at the rover: are these the right files?")
    return tuple(notes)


def _of_lines(log: RoverLog) -> list[str]:
    """Count the lines of the rover's log that were left out."""
    notes = []
    state = log.state
    total = state.wrong_sums + state.sentences
    if state.wrong_sums:
        text = f"{grouped(state.wrong_sums)} of {grouped(total)} NMEA lines with a wrong check sum"
        text += " left out"
        if state.wrong_sums >= _MANY_WRONG * total:
            text += f" ({share(state.wrong_sums, total)}): look at the rover's cable and baud rate"
        notes.append(text)
    if state.unreadable:
        lines = "line" if state.unreadable == 1 else "lines"
        notes.append(f"{grouped(state.unreadable)} cut or unreadable {lines} of the rover left out")
    return notes


def _of_time(evidence: Evidence, log: RoverLog) -> list[str]:
    """Say how the rover's log was joined to the stream."""
    joint = evidence.joint
    hours = f"{(joint.shift_s or joint.doubt_s) / 3600:+g} h"
    if joint.kind == "zone":
        how = "its satellites show it" if joint.by_sky else "by begin and end alone"
        return [f"the rover's times are in another time zone ({hours}, {how}): taken off"]
    if joint.kind == "apart":
        zone = f", and its times are {hours} off by its satellites" if joint.shift_s else ""
        return [f"the rover's log is of another time than the stream: not joined{zone}"]
    if evidence.columns is None or not evidence.has_frames:
        return []
    if joint.kind == "unknown":
        return ["stream and rover's log could not be compared in time: a date is missing"]
    notes = []
    if joint.doubt_s:
        notes.append(
            f"the rover's log begins and ends {hours} from the stream: local time? Joined as it "
            "stands, for no satellites (GSV) tell"
        )
    if joint.kind == "same" and not log.is_dated:
        notes.append("the rover's log tells no date (RMC, ZDA): taken for the day of the stream")
    return notes


def _stranger(evidence: Evidence, log: RoverLog) -> list[str]:
    """Note a rover that uses another base than the one that is looked at."""
    assert evidence.stream is not None
    used = {int(name) for name in log.stations if name.isdecimal()}
    heard = set(evidence.stream.state.base.stations)
    if not used or not heard or used & heard or evidence.state("one_base") is State.UNKNOWN:
        return []
    return [
        f"the rover uses station {', '.join(map(str, sorted(used)))}, the stream is of "
        f"{', '.join(map(str, sorted(heard)))}: another base?"
    ]
