"""The diagnosis for people: the problem first, then at most three causes, then what is left."""

import inspect
import textwrap

from rich.text import Text

from rtcmtool.diagnosis.causes import Cause, Confidence
from rtcmtool.diagnosis.chance_ahead import ChanceAhead
from rtcmtool.diagnosis.diagnosis import CAUSE_FACTS, CAUSE_NAMES, Diagnosis, explains
from rtcmtool.diagnosis.evidence import Evidence
from rtcmtool.diagnosis.lengths import distance
from rtcmtool.diagnosis.problem import ProblemKind
from rtcmtool.diagnosis.rule_table import RULES
from rtcmtool.diagnosis.verdict import RULE_FUNCTIONS
from rtcmtool.diagnosis.wording import number, seconds, share
from rtcmtool.gnss.success_rate import POOR_CHANCE
from rtcmtool.monitor.rover_statistics import FixLosses
from rtcmtool.monitor.staleness import Ageing

FIRST_PAGE = 3  # causes
_SCREEN = 22  # lines
_NAMED, _WITH_REASON = 6, 2  # of those ruled out, and not tested
NARROWEST = 20
_NARROW = 60
_LABEL = 10
PROBLEM_WORDS = {
    ProblemKind.NO_RTK: "NO RTK",
    ProblemKind.FLOAT: "FLOAT",
    ProblemKind.CHECK_FAILS: "FIXED, BUT CHECK FAILS",
    ProblemKind.FIXED: "FIXED",
    ProblemKind.NOT_KNOWN: "NOT KNOWN",
}
_STYLES = {
    ProblemKind.NO_RTK: "verdict.no-go",
    ProblemKind.FLOAT: "verdict.no-go",
    ProblemKind.CHECK_FAILS: "verdict.no-go",
    ProblemKind.FIXED: "verdict.go",
    ProblemKind.NOT_KNOWN: "verdict.cannot-tell",
}
# What the problem means, and the first thing to do.
_MEANINGS = {
    ProblemKind.NO_RTK: "Corrections are absent, unusable or without position: look at link and "
    "messages, not at the sky.",
    ProblemKind.FLOAT: 'This is not "no RTK": position and observations do reach the rover. First '
    "the 50 m test.",
    ProblemKind.CHECK_FAILS: "Stop storing points: look at position, height and antenna.",
    ProblemKind.FIXED: "",
    ProblemKind.NOT_KNOWN: "Give --rover, or answer in the field: do all rovers suffer "
    "(--all-rovers)? Does it fix at 50 m (--fixes-at-50m)?",
}
CONFIDENCE_WORDS = {
    Confidence.PROVEN: "PROVEN",
    Confidence.LIKELY: "LIKELY",
    Confidence.POSSIBLE: "POSSIBLE",
    Confidence.RULED_OUT: "ruled out",
    Confidence.NOT_TESTED: "not tested",
}
_SHORT = {
    "no_link": "no link", "weak_path": "weak path", "busy_channel": "busy channel",
    "overloaded": "overload", "power_sag": "battery", "no_position": "no position message",
    "unusable_format": "format", "one_frequency": "one band only",
    "few_satellites": "few satellites", "rover_sky": "sky at the rover",
    "base_multipath": "reflections at the base", "interference": "interference",
    "antenna_cable": "antenna cable", "glonass_bias": "GLONASS bias",
    "base_far_wrong": "base far wrong", "base_slightly_wrong": "base slightly wrong",
    "antenna_height": "antenna height", "antenna_model": "antenna model",
    "two_bases": "two bases", "base_moved": "base moved", "long_baseline": "long line",
    "height_difference": "height difference", "ionosphere": "ionosphere",
    "base_receiver": "base receiver", "rover_settings": "rover settings",
    "wrong_time": "wrong time", "base_averaged": "averaged position",
}  # fmt: skip


def diagnosis_lines(
    diagnosis: Diagnosis,
    evidence: Evidence,
    chance: ChanceAhead | None,
    *,
    width: int,
    show_all: bool = False,
    verbose: bool = False,
) -> list[Text]:
    """Give the diagnosis as lines.

    Parameters
    ----------
    diagnosis : Diagnosis
        What is wrong, and why.
    evidence : Evidence
        What it rests on.
    chance : ChanceAhead or None
        Of a fix.
    width : int
        Columns; no line is longer.
    show_all : bool
        Every claimed cause, and those ruled out or not tested with the reasons.
    verbose : bool
        Also where each cause comes from.

    Returns
    -------
    list of rich.text.Text
        Lines without line ends.
    """
    page = _Page(max(width, NARROWEST))
    _head(page, diagnosis, evidence)
    shown = diagnosis.claimed if show_all else diagnosis.claimed[:FIRST_PAGE]
    for place, cause in enumerate(shown, start=1):
        page.gap()
        _cause(page, place, cause, brief=place > 1 and not show_all, verbose=verbose or show_all)
    for pair in diagnosis.alike:
        one, other = (_SHORT[name] for name in pair.causes)
        page.labelled("alike", f"{one} and {other} look the same from here. What splits them: "
                      f"{pair.splits}.")  # fmt: skip
    page.gap()
    if not diagnosis.claimed:
        page.line(_nothing_found(diagnosis))
    rest = diagnosis.claimed[len(shown) :]
    if rest:
        page.labelled("Also", f"{_names(rest)} (--all shows them)")
    _leftovers(page, diagnosis, show_all=show_all)
    _ahead(page, chance)
    for caution in diagnosis.cautions(shown):
        page.labelled("Caution", caution.value)
    if len(page.lines) > _SCREEN:
        _again(page, diagnosis)
    return page.lines


def _again(page: "_Page", diagnosis: Diagnosis) -> None:
    """Say the answer again below a text that is longer than a screen."""
    text = f"{PROBLEM_WORDS[diagnosis.problem.kind]}."
    if diagnosis.claimed:
        first = diagnosis.claimed[0]
        text += f" First: {CONFIDENCE_WORDS[first.confidence]}, {first.facts.title}."
    page.gap()
    page.line(text, _STYLES[diagnosis.problem.kind])


class _Page:
    """Lines of a width."""

    def __init__(self, width: int) -> None:
        self.width = width
        self.narrow = width < _NARROW
        self.lines: list[Text] = []

    def gap(self) -> None:
        if self.lines and self.lines[-1].plain:
            self.lines.append(Text(""))

    def line(self, text: str, style: str = "") -> None:
        """Add a text, wrapped."""
        self.lines += [Text(part, style=style) for part in self.wrapped(text, "", "")]

    def labelled(self, label: str, text: str, indent: int = 0) -> None:
        """Add a text behind a label."""
        lead = " " * (0 if self.narrow else indent)
        if self.narrow:
            first, later = f"{label} ", "  "
        else:
            first = f"{lead}{label:<{_LABEL - len(lead)}} " if label else " " * (_LABEL + 1)
            later = " " * (_LABEL + 1)
        self.lines += [Text(part) for part in self.wrapped(text, first, later)]

    def wrapped(self, text: str, first: str, later: str) -> list[str]:
        return textwrap.wrap(
            text, self.width, initial_indent=first, subsequent_indent=later, break_on_hyphens=False
        ) or [first.rstrip()]


def _head(page: _Page, diagnosis: Diagnosis, evidence: Evidence) -> None:
    """Say which problem it is, and what the log tells beside."""
    problem = diagnosis.problem
    word = PROBLEM_WORDS[problem.kind]
    text = (
        problem.text.removeprefix("fixed ") if problem.kind is ProblemKind.FIXED else problem.text
    )
    sure = diagnosis.claimed[:1] if problem.kind is ProblemKind.NOT_KNOWN else ()
    sure = tuple(cause for cause in sure if cause.confidence is not Confidence.POSSIBLE)
    for cause in sure:  # what is wrong is known all the same, and is the answer
        text += f"; what was given shows: {cause.facts.title}"
    page.line(f"{word}   {text}")
    page.lines[0].stylize(_STYLES[problem.kind], 0, len(word))
    meaning = "" if sure else _MEANINGS[problem.kind]
    if meaning:
        page.line(meaning)
    facts = _rover_facts(evidence)
    if facts:
        page.labelled("rover", facts)
    for note in diagnosis.notes:
        page.labelled("note", note)


def _rover_facts(evidence: Evidence) -> str:
    """Give what the rover's log tells in one sentence."""
    if evidence.columns is None or evidence.log is None:
        return ""
    parts = []
    parts.append(_first_fix(evidence.time_to_fix_s))
    if evidence.losses is not None and evidence.losses.count:
        parts.append(_losses(evidence.losses))
    ages = evidence.ages
    if ages is not None:
        parts.append(f"age {number(round(ages.median_s, 1))} s, up to {seconds(ages.most_s)}")
        if ages.late_share:
            missing = round(1000 * ages.late_share)
            parts.append(f"updates missing {share(missing, 1000)}")
    else:
        parts.append("no age of corrections told")
    told = evidence.accuracy
    if told is not None:
        of = "fixed" if told.is_fixed else "not fixed"
        parts.append(
            f"says of itself {distance(told.plan_m)} plan, {distance(told.height_m)} height, {of}"
        )
    if evidence.log.stations:
        parts.append(f"station {', '.join(sorted(evidence.log.stations)[:3])}")
    if evidence.measured_line_m is not None:
        parts.append(f"{evidence.measured_line_m / 1000:.1f} km from the sent position")
    return "; ".join(parts)


def _first_fix(after_s: float | None) -> str:
    if after_s is None:
        return "never fixed"
    return f"fixed after {seconds(after_s)}" if after_s else "fixed from the first line"


def _losses(losses: FixLosses) -> str:
    """Give the losses of fix against old corrections and gaps, and how fast the fix came again."""
    times = "once" if losses.count == 1 else f"{losses.count} times"
    text = f"fix lost {times}, {losses.with_outage} with old corrections"
    if losses.with_gap is not None:
        text += f", {losses.with_gap} at gaps of the stream"
    if losses.usual_back_s is not None:
        text += f", back after {seconds(losses.usual_back_s)}"
    return text


def _cause(page: _Page, place: int, cause: Cause, *, brief: bool, verbose: bool) -> None:
    word = CONFIDENCE_WORDS[cause.confidence]
    since = f", since {_clock(cause.since)}" if cause.since else ""
    head = f"{place} {word:<9} {cause.facts.title}{since}"
    before = len(page.lines)
    page.lines += [Text(part) for part in page.wrapped(head, "", " " * 12)]
    page.lines[before].stylize("heading", 0, 2 + len(word))
    for index, text in enumerate(cause.evidence):
        page.labelled("" if index else "seen", text, 2)
    if cause.against or not brief:
        for index, text in enumerate(cause.against or ("nothing",)):
            page.labelled("" if index else "against", text, 2)
    steps = cause.do[:2] if brief else cause.do
    if len(steps) == 1:
        page.labelled("do", steps[0], 2)
    else:
        for index, step in enumerate(steps, start=1):
            page.labelled("" if index > 1 else "do", f"{index} {step}", 2)
    page.labelled("proves it", cause.facts.proves_it, 2)
    if verbose or not brief:
        page.labelled("basis", cause.facts.basis, 2)


def _clock(since: str) -> str:
    """Write a time as 09:48 UTC."""
    return f"{since[11:16]} UTC"


def _names(causes: tuple[Cause, ...]) -> str:
    return ", ".join(_SHORT[cause.name] for cause in causes)


def _nothing_found(diagnosis: Diagnosis) -> str:
    if diagnosis.problem.kind is ProblemKind.FIXED:
        return "Nothing is blamed."
    text = "No cause shows in what was given."
    if diagnosis.problem.kind is ProblemKind.NOT_KNOWN:
        return text
    return (
        f"{text} First split: carry the rover to about 50 m from the base, in the open "
        "(--fixes-at-50m); ask whether all rovers suffer (--all-rovers)."
    )


def _leftovers(page: _Page, diagnosis: Diagnosis, *, show_all: bool) -> None:
    """Say what is ruled out and what was not tested."""
    ruled = tuple(c for c in diagnosis.causes if c.confidence is Confidence.RULED_OUT)
    untested = tuple(c for c in diagnosis.causes if c.confidence is Confidence.NOT_TESTED)
    if not show_all:
        table = CAUSE_NAMES.index
        ruled = tuple(sorted(ruled, key=lambda cause: table(cause.name)))
        untested = tuple(
            sorted(untested, key=lambda c: (not explains(c.name, diagnosis.problem.kind),
                                            table(c.name)))
        )  # fmt: skip
        if ruled:
            more = f" and {len(ruled) - _NAMED} more" if len(ruled) > _NAMED else ""
            page.labelled("Ruled out", f"{_names(ruled[:_NAMED])}{more}")
        for place, cause in enumerate(untested[:_WITH_REASON]):
            needs = "; ".join(cause.missing) or "more"
            page.labelled("" if place else "Not tested", f"{_SHORT[cause.name]}: needs {needs}")
        if len(untested) > _WITH_REASON:
            page.labelled("", f"and {len(untested) - _WITH_REASON} more (--all)")
        return
    for title, causes in (("Ruled out", ruled), ("Not tested", untested)):
        if causes:
            page.gap()
            page.line(title, "heading")
        for cause in causes:
            reasons = cause.against if cause.confidence is Confidence.RULED_OUT else cause.missing
            needs = "" if cause.confidence is Confidence.RULED_OUT else "needs "
            why = "; ".join(reasons) or "nothing"
            text = f"{cause.facts.title}: {needs}{why}"
            page.lines += [Text(part) for part in page.wrapped(text, "  ", "    ")]


def _ahead(page: _Page, chance: ChanceAhead | None) -> None:
    """Say what a rover in the open can expect of this stream."""
    if chance is None:
        return
    if chance.words is None:
        page.labelled("Ahead", f"chance of a fix not known: {chance.text}")
    else:
        wait = ""
        if chance.seconds is not None and chance.seconds > 1:
            wait = f", in about {seconds(chance.seconds)}"
        words = chance.words if chance.words == POOR_CHANCE else f"a rover {chance.words}"
        page.labelled("Ahead", f"{words}{wait} ({chance.text})")
    if chance.ageing is not None:
        page.labelled("Stale", _stale(chance.ageing))


def _stale(ageing: Ageing) -> str:
    """Say after how long corrections of this base are too old."""
    worst = f" (worst {', '.join(ageing.worst)})" if ageing.worst else ""
    if ageing.hard_s is None:
        return f"corrections may be {ageing.oldest_s} s old{worst}"
    hard = f"corrections go stale: after {max(round(ageing.hard_s), 1)} s fixing gets hard"
    if ageing.held_s is None:
        return f"{hard}, a held fix bears {ageing.oldest_s} s{worst}"
    return f"{hard}, after {max(round(ageing.held_s), 1)} s a held fix suffers{worst}"


# ---- --explain


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
