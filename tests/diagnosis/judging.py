"""Streams to findings: one rule over one made stream."""

from collections.abc import Iterable
from typing import Any

from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.finding import Finding, State
from rtcmtool.diagnosis.verdict import RULE_FUNCTIONS
from rtcmtool.monitor.stream_state import StreamState
from tests.streams import Sent, state_of

OK, WATCH, BAD = State.OK, State.WATCH, State.BAD
UNKNOWN, APART = State.UNKNOWN, State.NOT_APPLICABLE


def found(rule: str, stream: bytes | Iterable[Sent] | StreamState, **told: Any) -> Finding:
    """Apply a rule to a stream, with what the crew told."""
    state = stream if isinstance(stream, StreamState) else state_of(stream)
    return RULE_FUNCTIONS[rule](Context(state, **told))


def is_complete(finding: Finding) -> bool:
    """Tell whether a finding says all that it must: a reason, and what to do where it is due."""
    needs_action = finding.state in {State.WATCH, State.BAD}
    return bool(finding.text) and (bool(finding.action) or not needs_action)
