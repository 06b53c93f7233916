"""The verdict of `check` for people: the first line answers, then a line a rule, worst first."""

import textwrap

from rich.text import Text

from rtcmtool.diagnosis.finding import Finding, State
from rtcmtool.diagnosis.verdict import Verdict
from rtcmtool.views.theme import STATE_WORDS, VERDICT_WORDS

NARROW = 60  # columns; below, the measured value goes on a line of its own
NARROWEST = 20  # columns; fewer cannot hold a word
SCREEN = 22  # lines; behind a longer text the verdict is said again
_STATE_AT, _RULE_AT = 2, 9


def headline(verdict: Verdict) -> str:
    """Give the sentence that answers the question.

    Parameters
    ----------
    verdict : Verdict
        What the rules say.

    Returns
    -------
    str
        One line, without site and time.
    """
    word = VERDICT_WORDS[verdict.word]
    if verdict.word == "no-go":
        # As many as the lines below say BAD, also of rules that inform alone.
        count = len(verdict.of(State.BAD))
        if not verdict.blocking:
            count += len(verdict.of(State.WATCH, essential=True))
        return f"{word} - do not leave yet: {count} fault{'s' if count > 1 else ''}"
    if verdict.word == "cannot-tell":
        return f"{word} - {_not_known(verdict)}"
    compared = next(f for f in verdict.findings if f.rule.name == "position_matches_mark")
    parts = [f"{word} - fit to leave"]
    if compared.state is not State.OK:
        parts = [f"{word} - a rover can fix with this", _compared(compared)]
    return "; ".join(filter(None, [*parts, _not_known(verdict)]))


def _compared(finding: Finding) -> str:
    """Say whether the position was compared with a mark, and if not, why."""
    if finding.state is State.NOT_APPLICABLE:
        reason = (finding.values or {}).get("reason", "no site sheet")
        return f"position not compared ({reason})"
    return f"position {finding.text}, look at it"


def _not_known(verdict: Verdict) -> str:
    """Name the essentials that could not be judged, first those that must be; count the rest."""
    unknown = verdict.of(State.UNKNOWN)
    named = [*verdict.missing, *(f for f in unknown if f.rule.essential)]
    names = list(dict.fromkeys(finding.rule.printed for finding in named))
    rest = len(unknown) - len(names)
    if rest and names:
        names.append(f"and {rest} more")
    elif rest:
        names.append(f"{rest} that only inform{'s' if rest == 1 else ''}")
    return f"not known: {', '.join(names)}" if names else ""


def verdict_lines(
    verdict: Verdict,
    *,
    width: int,
    heading: str = "",
    after: str = "",
    at: str = "base",
    verbose: bool = False,
) -> list[Text]:
    """Give the verdict as lines.

    Parameters
    ----------
    verdict : Verdict
        What the rules say.
    width : int
        Columns, at least 20; no line is longer.
    heading : str
        Site, base and time, printed behind or below the first line.
    after : str
        What to do next, printed below the rules.
    at : str
        Where we listened: "base", "rover" or "net".
    verbose : bool
        Also print where each limit comes from.

    Returns
    -------
    list of rich.text.Text
        Lines without line ends.
    """
    width = max(width, NARROWEST)
    style = f"verdict.{verdict.word}"
    first = headline(verdict)
    lines = _block(first, width, style)
    if heading:
        if len(lines) == 1 and len(first) + 4 + len(heading) <= width:
            lines[0] = Text.assemble(lines[0], " " * (width - len(first) - len(heading)), heading)
        else:
            lines += [Text(line) for line in _wrapped(heading, width)]
    lines.append(Text(""))
    shown = [f for f in verdict.findings if f.state is not State.NOT_APPLICABLE]
    widths = _Widths(shown, width)
    lines.append(Text(widths.row("state", "rule", "measured", "limit")))
    for finding in shown:
        lines += _finding(finding, widths, verbose=verbose)
    apart = [f for f in verdict.findings if f.state is State.NOT_APPLICABLE]
    for finding in apart:
        lines += _finding(finding, widths, verbose=False)
    if at == "base" and not any(f.rule.name == "radio_path" for f in shown):
        lines += _wrapped_row(widths, "-", "radio path to rover", "cannot be seen from here", "")
    cautions = dict.fromkeys(caution for f in shown for caution in f.cautions)
    if cautions:
        lines.append(Text(""))
    for caution in cautions:
        lines += _labelled("Caution  ", caution.value, width)
    if after:
        lines += [Text(""), *_labelled("Next  ", after, width)]
    if len(lines) > SCREEN:
        lines.append(Text(""))
        ending = f"{first}. Exit code {verdict.exit_code}."
        lines += _block(ending, width, style)
    return lines


def _block(text: str, width: int, style: str) -> list[Text]:
    return [Text(line, style=style) for line in _wrapped(text, width)]


class _Widths:
    """Column positions for a width."""

    def __init__(self, findings: list[Finding], width: int) -> None:
        self.width = width
        self.narrow = width < NARROW
        longest = max([len(f.rule.printed) for f in findings] + [len("radio path to rover")])
        self.rule = min(longest, width * 11 // 40)
        self.limit = 0 if self.narrow else max([len(f.limit_text) for f in findings] + [5])
        self.limit = min(self.limit, max(width // 7, 10))
        self.measured = width - _RULE_AT - self.rule - 2 - (self.limit + 2 if self.limit else 0)

    def row(self, state: str, rule: str, measured: str, limit: str) -> str:
        """Give a row of plain text."""
        line = f"{'':{_STATE_AT}}{state:<{_RULE_AT - _STATE_AT}}"
        if self.narrow:
            return f"{line}{rule}".rstrip()
        return f"{line}{rule:<{self.rule}}  {measured:<{self.measured}}  {limit}".rstrip()


def _finding(finding: Finding, widths: _Widths, *, verbose: bool) -> list[Text]:
    word = STATE_WORDS[finding.state]
    limit = finding.limit_text
    lines = _wrapped_row(widths, word, finding.rule.printed, finding.text, limit)
    if finding.state in {State.BAD, State.WATCH, State.UNKNOWN}:
        word_style = f"state.{finding.state.value}"
        lines[0].stylize(word_style, _STATE_AT, _STATE_AT + len(word))
    if finding.action:
        lines += _note(widths, "do", finding.action)
    if finding.since and finding.state in {State.BAD, State.WATCH}:
        lines += _note(widths, "since", finding.since)
    if verbose:
        lines += _note(widths, "basis", finding.rule.basis)
    return lines


def _wrapped_row(widths: _Widths, state: str, rule: str, text: str, limit: str) -> list[Text]:
    if widths.narrow:
        heads = _wrapped(rule, widths.width - _RULE_AT)
        first = [
            widths.row("" if index else state, part, "", "") for index, part in enumerate(heads)
        ]
        body = text + (f" (limit {limit})" if limit else "")
        return [*map(Text, first), *_labelled(" " * 4, body, widths.width)]
    texts = _wrapped(text, widths.measured)
    limits = _wrapped(limit, widths.limit)
    rules = _wrapped(rule, widths.rule)
    height = max(len(texts), len(limits), len(rules))
    padded = [column + [""] * (height - len(column)) for column in (rules, texts, limits)]
    return [
        Text(widths.row(state if index == 0 else "", *parts))
        for index, parts in enumerate(zip(*padded, strict=True))
    ]


def _note(widths: _Widths, label: str, text: str) -> list[Text]:
    """Give an indented remark below a finding."""
    lead = " " * (4 if widths.narrow else _RULE_AT)
    return _labelled(f"{lead}{label:<4} ", text, widths.width)


def _labelled(label: str, text: str, width: int) -> list[Text]:
    """Give a text behind a label, its further lines below its first."""
    lines = _wrapped(text, width, label, " " * len(label))
    return [Text(line) for line in lines]


def _wrapped(text: str, width: int, first: str = "", later: str = "") -> list[str]:
    """Wrap at spaces only, so that names of files and options stay whole."""
    wrapped = textwrap.wrap(
        text, width, initial_indent=first, subsequent_indent=later, break_on_hyphens=False
    )
    return wrapped or [""]
