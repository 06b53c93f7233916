"""The verdict of `check` as a document (contract of `check --json`)."""

from typing import Any

from rtcmtool.diagnosis.finding import Finding
from rtcmtool.diagnosis.verdict import Verdict


def finding_object(finding: Finding) -> dict[str, Any]:
    """Give a finding as an object; what is missing is None."""
    rule = finding.rule
    return {
        "rule": rule.name,
        "state": finding.state.value,
        "essential": rule.essential,
        "value": finding.value,
        "values": finding.values,
        "unit": rule.unit,
        "limit": finding.limit,
        "since": finding.since,
        "text": finding.text,
        "action": finding.action,
        "basis": rule.basis,
    }


def verdict_object(
    verdict: Verdict,
    *,
    source: str,
    site: str | None,
    seconds: float,
    at: str,
    exit_code: int | None = None,
) -> dict[str, Any]:
    """Give a verdict as a document.

    Parameters
    ----------
    verdict : Verdict
        What the rules say.
    source : str
        Where the bytes came from, without secrets.
    site : str or None
        Name on the site sheet.
    seconds : float
        Time that was listened, or that the file spans.
    at : str
        Where we listened.
    exit_code : int, optional
        If the command ends with another code than the verdict's own (3, 4).

    Returns
    -------
    dict
        Ready for a JSON writer.
    """
    return {
        "verdict": verdict.word,
        "exit_code": verdict.exit_code if exit_code is None else exit_code,
        "source": source,
        "site": site,
        "seconds": seconds,
        "at": at,
        "rules": [finding_object(finding) for finding in verdict.findings],
    }
