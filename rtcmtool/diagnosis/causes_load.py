"""Causes 4 and 5: more than the radio carries, and a base that loses its power."""

import numpy as np

from rtcmtool.diagnosis.causes import Case, cause
from rtcmtool.diagnosis.cautions import Caution
from rtcmtool.diagnosis.evidence import Evidence
from rtcmtool.diagnosis.finding import State
from rtcmtool.diagnosis.wording import seconds
from rtcmtool.monitor.rover_statistics import AgeStatistics, interval_s, outages

# By judgement unless a source is named.
_GROWTH_S = 2.0  # by which a stream falls behind itself
STEADY_AGE_S = 2.5
_LATE_MEAN_S = 5.0  # EPN real-time latency
_CLOCK_S = 60.0  # a delay longer than a radio's buffer is a clock
_FEWEST_OUTAGES = 3
_EVEN = 0.35  # scatter of the time between outages, share of it


@cause(
    "more is sent than the radio can carry",
    do=(
        "send less: MSM4 instead of MSM7, fewer systems or signals, every 2 s",
        "or a faster over-air rate at both ends; switch the repeater off",
    ),
    proves_it="the age falls to a second at once when less is sent",
    basis="air time over 85 %: data queue up and the age grows; common practice; judgement",
    limits=(
        "rule air_time; proven from 100 % on, counted at the base",
        f"falls behind itself by {seconds(_GROWTH_S)}",
        f"corrections usually {STEADY_AGE_S} s old and more, the least {STEADY_AGE_S / 2} s",
    ),
)
def overloaded(evidence: Evidence, case: Case) -> None:
    """Look for a radio that cannot carry what is sent.

    For it: air time over 85 % of the radio's rate (proven from 100 % on, counted at the base); a
    stream that falls behind itself; corrections that are old, evenly, every second. Against it:
    nothing. Ruled out by a stream that keeps its pace and fresh corrections at the rover.
    """
    air = evidence.bad("air_time")
    if air is not None:
        full = (air.value or 0.0) >= 100.0 and (evidence.heard_at == "base")
        if full:
            case.proof(f"air time {air.text}: more than a second of sending in each second")
        else:
            case.sign("air", f"air time {air.text}")
    elif evidence.has_frames and evidence.state("air_time") is State.NOT_APPLICABLE:
        case.lack("the radio's over-air rate (--radio-rate)")
    if is_behind(evidence):
        growth_s = _growth_s(evidence)
        if growth_s is not None and growth_s >= _GROWTH_S:
            case.sign(
                "delay", f"the stream falls behind: up to {seconds(round(growth_s, 1))} later"
            )
        elif (late := _late(evidence)) is not None:
            case.sign("delay", f"the stream comes late: {late}")
    link, far = evidence.link, evidence.far_link
    if far is not None and far.loses_last and link is not None and not link.loses_last:
        case.sign("end", "the end of each transmission is cut off: sent by the base, not heard")
    elif far is None and link is not None and link.loses_last and is_slow(evidence):
        case.sign("end", "the last message of the epochs is cut off, and what comes is late")
    ages = evidence.ages
    if ages is not None and is_old(ages) and not restarts(evidence):
        case.sign(
            "rover",
            f"corrections at the rover are always old: {seconds(ages.median_s)} usually"
            f"{evidence.stale_text}",
        )
    elif not case.signs and not case.proofs:
        if ages is not None and ages.median_s < STEADY_AGE_S:
            case.absent(f"corrections at the rover are {seconds(ages.median_s)} old")
        elif ages is None and _growth_s(evidence) is not None and evidence.rover_link is not None:
            case.absent("the stream keeps its pace")


def is_old(ages: AgeStatistics) -> bool:
    """Tell whether the ages are high all the time, not for single losses only."""
    return ages.median_s >= STEADY_AGE_S and ages.floor_s >= STEADY_AGE_S / 2


def _growth_s(evidence: Evidence) -> float | None:
    link = evidence.rover_link or evidence.link
    return None if link is None else link.lag_growth_s


def _late(evidence: Evidence) -> str | None:
    """Tell how late the stream comes, where that is too late and no matter of a clock."""
    delay = evidence.findings.get("delay")
    if delay is None or delay.values is None:
        return None
    mean_s = float(delay.values["mean_s"])
    if not _LATE_MEAN_S <= mean_s < _CLOCK_S:
        return None
    ages = evidence.ages
    if delay.state is State.UNKNOWN and (ages is None or ages.median_s < mean_s - 2.0):
        return None  # the clock may be wrong, and the rover does not say the same
    if ages is not None and ages.median_s < mean_s - 2.0:
        return None
    return f"{mean_s:.1f} s"


def is_behind(evidence: Evidence) -> bool:
    """Tell whether the stream comes late: its losses are those of a full buffer then."""
    growth_s = _growth_s(evidence)
    ages = evidence.ages
    fresh = ages is not None and not is_old(ages)
    grows = growth_s is not None and growth_s >= _GROWTH_S and not fresh
    return grows or _late(evidence) is not None


def is_slow(evidence: Evidence) -> bool:
    """Tell whether the way to the rover is slower than what is sent."""
    return is_behind(evidence) or (evidence.ages is not None and is_old(evidence.ages))


def restarts(evidence: Evidence) -> int:
    """Give how often the base restarted."""
    link = evidence.link
    return 0 if link is None else link.restarts


@cause(
    "the base's battery sags: it restarts under load",
    do=(
        "measure the voltage while the radio sends: below about 11 V change the battery",
        "check fuse, lead and plugs; use a smaller radio power",
    ),
    proves_it="no more restarts on a new battery",
    basis="gaps tied to restarts, all lock times from zero: common practice",
    limits=(
        "rule lock_restart: all lock times fall together, twice",
        f"{_FEWEST_OUTAGES} outages at the rover, their distances within {100 * _EVEN:g} %",
    ),
    cautions=(Caution.BATTERIES,),
)
def power_sag(evidence: Evidence, case: Case) -> None:
    """Look for a base that restarts again and again.

    For it: all lock times fall to zero together, twice or more; each time behind a gap; outages at
    the rover at even times. Against it: a single restart has many reasons. Ruled out by lock times
    that run on.
    """
    link = evidence.link
    restarts = evidence.findings.get("lock_restart")
    if link is not None and restarts is not None and restarts.state is not State.UNKNOWN:
        if link.restarts:
            times = "once" if link.restarts == 1 else f"{link.restarts} times"
            case.sign("locks", f"all lock times fell to zero together, {times}", restarts.since)
            if link.restarts > 1 and link.tied_restarts > 1:
                text = f"{link.tied_restarts} of the restarts come behind a gap: the base was down"
                case.sign("gaps", text)
        else:
            case.absent("no restart: the lock times run on")
    elif evidence.has_frames:
        case.lack("lock times in the stream")
    elif evidence.columns is None:
        case.lack("a recording of the base")
    columns = evidence.columns
    if columns is None:
        return
    found = [outage for outage in outages(columns) if outage.length_s < 300]
    if len(found) >= _FEWEST_OUTAGES:
        steps = np.diff([outage.row for outage in found]) * interval_s(columns)
        if float(np.std(steps)) <= _EVEN * float(np.mean(steps)):
            text = (
                f"{len(found)} outages at the rover, evenly every {seconds(float(np.mean(steps)))}"
            )
            case.sign("rover", text)


CAUSES = (overloaded, power_sag)
