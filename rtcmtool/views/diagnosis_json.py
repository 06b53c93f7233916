"""The diagnosis as a document (contract of `diagnose --json`): that of `check`, and the causes."""

from typing import Any

from rtcmtool.diagnosis.causes import Cause
from rtcmtool.diagnosis.chance_ahead import ChanceAhead
from rtcmtool.diagnosis.diagnosis import Diagnosis
from rtcmtool.diagnosis.evidence import Evidence
from rtcmtool.monitor.staleness import Ageing
from rtcmtool.views.verdict_json import verdict_object


def cause_object(cause: Cause) -> dict[str, Any]:
    """Give a cause as an object."""
    return {
        "cause": cause.name,
        "confidence": cause.confidence.value,
        "since": cause.since,
        "evidence": list(cause.evidence),
        "against": list(cause.against),
        "do": list(cause.do),
        "proves_it": cause.facts.proves_it,
        "basis": cause.facts.basis,
        "missing": list(cause.missing),
    }


def diagnosis_object(
    diagnosis: Diagnosis,
    evidence: Evidence,
    chance: ChanceAhead | None,
    *,
    source: str | None,
    exit_code: int,
    at: str,
) -> dict[str, Any]:
    """Give a diagnosis as a document.

    Parameters
    ----------
    diagnosis : Diagnosis
        What is wrong, and why.
    evidence : Evidence
        What it rests on.
    chance : ChanceAhead or None
        Of a fix; None without a stream.
    source : str or None
        Where the bytes came from; None with a rover's log alone.
    exit_code : int
        Of the command.
    at : str
        Where we listened.

    Returns
    -------
    dict
        Ready for a JSON writer.
    """
    site = evidence.sheet.name
    document: dict[str, Any] = {
        "verdict": "cannot-tell",
        "exit_code": exit_code,
        "source": source,
        "site": site,
        "seconds": 0.0,
        "at": at,
        "rules": [],
    }
    if evidence.verdict is not None and evidence.stream is not None and source is not None:
        document = verdict_object(
            evidence.verdict, source=source, site=site, seconds=evidence.stream.seconds, at=at,
            exit_code=exit_code,
        )  # fmt: skip
    return document | {
        "problem": diagnosis.problem.kind.value,
        "problem_text": diagnosis.problem.text,
        "causes": [cause_object(cause) for cause in diagnosis.causes],
        "alike": [{"causes": list(pair.causes), "splits": pair.splits} for pair in diagnosis.alike],
        "notes": list(diagnosis.notes),
        "rover": _rover(evidence),
        "fix_ahead": _chance(chance),
        "ageing": _ageing(chance.ageing if chance is not None else None),
    }


def _rover(evidence: Evidence) -> dict[str, Any] | None:
    """Give the rover's log in numbers."""
    if evidence.log is None or evidence.columns is None:
        return None
    counted, ages, losses = evidence.problem.counted, evidence.ages, evidence.losses
    accuracy, sky, joint = evidence.accuracy, evidence.sky, evidence.joint
    return {
        "fixes": len(evidence.columns),
        "fixed": counted.fixed if counted else None,
        "float": counted.floating if counted else None,
        "no_rtk": counted.no_rtk if counted else None,
        "not_tracking": counted.not_tracking if counted else None,
        "time_to_fix_s": evidence.time_to_fix_s,
        "fix_losses": losses.count if losses else None,
        "fix_losses_with_outage": losses.with_outage if losses else None,
        "fix_losses_with_gap": losses.with_gap if losses else None,
        "fix_back_s": losses.usual_back_s if losses else None,
        "fix_back_longest_s": losses.longest_back_s if losses else None,
        "age_median_s": ages.median_s if ages else None,
        "age_most_s": ages.most_s if ages else None,
        "updates_missing": ages.late_share if ages else None,
        "satellites_used": sky.used if sky else None,
        "satellites_in_view": sky.in_view if sky else None,
        "hdop": sky.hdop if sky else None,
        "plan_sigma_m": accuracy.plan_m if accuracy else None,
        "height_sigma_m": accuracy.height_m if accuracy else None,
        "stations": dict(evidence.log.stations),
        "distance_m": evidence.measured_line_m,
        "wrong_check_sums": evidence.log.state.wrong_sums,
        "unreadable_lines": evidence.log.state.unreadable,
        "is_dated": evidence.log.is_dated,
        "joined": joint.kind,
        "joined_by_sky": joint.by_sky,
        "time_zone_h": joint.shift_s / 3600,
    }


def _chance(chance: ChanceAhead | None) -> dict[str, Any] | None:
    if chance is None:
        return None
    return {
        "words": chance.words,
        "text": chance.text,
        "success_rate": chance.success_rate,
        "success_at_most": chance.success_at_most,
        "adop_cycles": chance.adop_cycles,
        "seconds": chance.seconds,
        "satellites": chance.satellites,
        "distance_m": chance.distance_m,
        "age_s": chance.age_s,
        "ageing_m_s": chance.noise.ageing_m_s,
        "ionosphere_m_per_m": chance.noise.ionosphere_m_per_m,
        "measured": list(chance.measured),
    }


def _ageing(ageing: Ageing | None) -> dict[str, Any] | None:
    """Give how fast corrections go stale; None where that was not measured."""
    if ageing is None:
        return None
    return {
        "ages_s": list(ageing.ages_s),
        "rms_m": list(ageing.rms_m),
        "ionosphere_free_rms_m": list(ageing.ionosphere_free_m),
        "rms_by_system_m": {letter: list(rms) for letter, rms in ageing.by_system_m.items()},
        "rms_by_satellite_m": ageing.by_satellite_m,
        "fixing_hard_after_s": ageing.hard_s,
        "held_fix_suffers_after_s": ageing.held_s,
        "rate_m_s": ageing.rate_m_s,
        "worst": ageing.worst,
        "satellites": ageing.satellites,
        "seconds": ageing.seconds,
    }
