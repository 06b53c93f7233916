"""`diagnose --explain`: what a rule or a cause looks at, its limits, and where they come from."""

import inspect
import textwrap

from rtcmtool.diagnosis.diagnosis import CAUSE_FACTS
from rtcmtool.diagnosis.rule_table import RULES
from rtcmtool.diagnosis.verdict import RULE_FUNCTIONS
from rtcmtool.diagnosis.wording import number


def explainable() -> list[str]:
    """Give the names that can be explained: rules, then causes."""
    return [*RULES, *(name for name in CAUSE_FACTS if name not in RULES)]


def explanation(name: str, width: int) -> list[str]:
    """Explain a rule or a cause: what it looks at, its limits, and where they come from.

    Parameters
    ----------
    name : str
        One of `explainable`.
    width : int
        Columns.

    Raises
    ------
    KeyError
        If there is no such rule or cause.
    """
    lines: list[str] = []
    if name in RULES:
        rule = RULES[name]
        lines += [f"{name}: rule '{rule.printed}'", ""]
        lines += _paragraphs(inspect.getdoc(RULE_FUNCTIONS[name]) or "", width)
        unit = f" {rule.unit}" if rule.unit else ""
        if rule.ok is not None:
            lines += _hanging("ok", f"{number(rule.ok)}{unit}", width)
        if rule.bad is not None:
            lines += _hanging("bad", f"{number(rule.bad)}{unit}", width)
        lines += _hanging("basis", rule.basis, width)
        lines += _hanging("change", f"[limits] in the site sheet: {name} and {name}_bad", width)
    if name in CAUSE_FACTS:
        facts = CAUSE_FACTS[name]
        lines += [""] if lines else []
        head = f"{name}: cause '{facts.title}'"
        lines += [*textwrap.wrap(head, width, break_on_hyphens=False), ""]
        lines += _paragraphs(inspect.getdoc(facts.test) or "", width)
        for index, step in enumerate(facts.do, start=1):
            lines += _hanging("do" if index == 1 else "", f"{index} {step}", width)
        lines += _hanging("proves it", facts.proves_it, width)
        for index, limit in enumerate(facts.limits):
            lines += _hanging("" if index else "limits", limit, width)
        lines += _hanging("basis", facts.basis, width)
    if not lines:
        raise KeyError(name)
    return lines


def _paragraphs(text: str, width: int) -> list[str]:
    lines: list[str] = []
    for paragraph in text.split("\n\n"):
        lines += textwrap.wrap(" ".join(paragraph.split()), width, break_on_hyphens=False)
        lines.append("")
    return lines


def _hanging(label: str, text: str, width: int) -> list[str]:
    return textwrap.wrap(
        text, width, initial_indent=f"{label:<9} ", subsequent_indent=" " * 10,
        break_on_hyphens=False,
    )  # fmt: skip
