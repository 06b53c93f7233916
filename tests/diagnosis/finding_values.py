"""What a finding measured, which it must have."""

from typing import Any

from rtcmtool.diagnosis.finding import Finding


def value(finding: Finding) -> float:
    """Give the number judged."""
    assert finding.value is not None
    return finding.value


def parts(finding: Finding) -> dict[str, Any]:
    """Give its parts."""
    assert finding.values is not None
    return finding.values
