"""All rules over one context, and the verdict that follows from them."""

from collections.abc import Callable
from dataclasses import dataclass

from rtcmtool.diagnosis import (
    base_rules,
    content_rules,
    geometry_rules,
    link_rules,
    mark_rules,
    signal_rules,
)
from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.finding import RANK, Finding, State, Weight
from rtcmtool.diagnosis.rule_table import RULES

RuleFunction = Callable[[Context], Finding]

_MODULES = (
    link_rules,
    content_rules,
    base_rules,
    signal_rules,
    geometry_rules,
    mark_rules,
)


def _rule_functions() -> dict[str, RuleFunction]:
    """Pair every rule of the table with the function of its name."""
    found: dict[str, RuleFunction] = {}
    for name in RULES:
        owners = [module for module in _MODULES if hasattr(module, name)]
        assert len(owners) == 1, f"rule {name} has {len(owners)} functions"
        found[name] = getattr(owners[0], name)
    return found


RULE_FUNCTIONS: dict[str, RuleFunction] = _rule_functions()


@dataclass(frozen=True, slots=True)
class Verdict:
    """What all rules say together.

    Attributes
    ----------
    word : str
        "go", "no-go" or "cannot-tell".
    findings : tuple of Finding
        Worst first.
    """

    word: str
    findings: tuple[Finding, ...]

    @property
    def exit_code(self) -> int:
        """0 for go, else 1."""
        return 0 if self.word == "go" else 1

    def of(self, state: State, *, essential: bool | None = None) -> list[Finding]:
        """Give the findings of a state, all or only the (in)essential ones."""
        return [
            finding
            for finding in self.findings
            if finding.state is state and essential in {None, finding.rule.essential}
        ]

    @property
    def blocking(self) -> list[Finding]:
        """Give the findings that make it a no-go."""
        return [f for f in self.findings if _blocks(f)]

    @property
    def missing(self) -> list[Finding]:
        """Give the findings that must be known and are not."""
        return [
            finding
            for finding in self.findings
            if finding.state is State.UNKNOWN and finding.rule.weight is Weight.KNOWN
        ]


def _blocks(finding: Finding) -> bool:
    return finding.state is State.BAD and finding.rule.essential


def judge(context: Context, *, strict: bool = False) -> Verdict:
    """Apply all rules.

    Parameters
    ----------
    context : Context
        The stream and what the crew told.
    strict : bool
        A watch of an essential rule is a no-go too.

    Returns
    -------
    Verdict
        NO-GO if an essential rule is bad; else CANNOT TELL if one that must be known is not; else
        GO.
    """
    findings = [function(context) for function in RULE_FUNCTIONS.values()]
    findings.sort(key=lambda finding: (RANK[finding.state], not finding.rule.essential))
    watches = any(f.state is State.WATCH and f.rule.essential for f in findings)
    if any(_blocks(finding) for finding in findings) or (strict and watches):
        word = "no-go"
    elif any(f.state is State.UNKNOWN and f.rule.weight is Weight.KNOWN for f in findings):
        word = "cannot-tell"
    else:
        word = "go"
    return Verdict(word, tuple(findings))
