"""Parts of a diagnosis for people: the problem, a cause, what is left, and the chance of a fix."""

from rich.text import Text

from rtcmtool.diagnosis.causes import Cause, Confidence
from rtcmtool.diagnosis.chance_ahead import ChanceAhead
from rtcmtool.diagnosis.diagnosis import CAUSE_NAMES, Alike, Diagnosis, explains
from rtcmtool.diagnosis.evidence import Evidence
from rtcmtool.diagnosis.lengths import distance
from rtcmtool.diagnosis.problem import ProblemKind
from rtcmtool.diagnosis.wording import number, seconds, share
from rtcmtool.gnss.success_rate import POOR_CHANCE
from rtcmtool.monitor.rover_statistics import FixLosses
from rtcmtool.monitor.staleness import Ageing
from rtcmtool.views.diagnosis_text_page import (
    CONFIDENCE_WORDS,
    MEANINGS,
    PROBLEM_WORDS,
    SHORT,
    STYLES,
    Page,
    named,
)

_NAMED, _WITH_REASON = 6, 2  # of those ruled out, and not tested
_UNTIL_CAUSE = " " * 12


def put_problem(page: Page, diagnosis: Diagnosis) -> None:
    """Say which problem it is, and what that means."""
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
    page.lines[0].stylize(STYLES[problem.kind], 0, len(word))
    meaning = "" if sure else MEANINGS[problem.kind]
    if meaning:
        page.line(meaning)


def rover_facts(evidence: Evidence, *, brief: bool = False) -> str:
    """Give what the rover's log tells in one sentence; brief: of fixes and ages alone."""
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
    if brief:
        return "; ".join(parts)
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


def put_title(page: Page, place: int, cause: Cause) -> None:
    """Name a cause and say how sure it is."""
    word = CONFIDENCE_WORDS[cause.confidence]
    since = f", since {cause.since[11:16]} UTC" if cause.since else ""
    head = f"{place} {word:<9} {cause.facts.title}{since}"
    before = len(page.lines)
    page.lines += [Text(part) for part in page.wrapped(head, "", _UNTIL_CAUSE)]
    page.lines[before].stylize("heading", 0, 2 + len(word))


def put_seen(page: Page, texts: tuple[str, ...]) -> None:
    """Say what speaks for a cause."""
    for index, text in enumerate(texts):
        page.labelled("" if index else "seen", text, 2)


def put_against(page: Page, cause: Cause, most: int) -> None:
    """Say what speaks against a cause, the first so many."""
    for index, text in enumerate((cause.against or ("nothing",))[:most]):
        page.labelled("" if index else "against", text, 2)


def put_steps(page: Page, cause: Cause, most: int) -> None:
    """Say what to do, the first so many steps."""
    steps = cause.do[:most]
    for index, step in enumerate(steps, start=1):
        numbered = step if len(cause.do) == 1 else f"{index} {step}"
        page.labelled("" if index > 1 else "do", numbered, 2)


def put_proof(page: Page, cause: Cause) -> None:
    """Say what would prove a cause."""
    page.labelled("proves it", cause.facts.proves_it, 2)


def put_basis(page: Page, cause: Cause) -> None:
    """Say where a cause comes from."""
    page.labelled("basis", cause.facts.basis, 2)


def put_alike(page: Page, pair: Alike) -> None:
    """Say what splits two causes that look the same."""
    one, other = (SHORT[name] for name in pair.causes)
    page.labelled("alike", f"{one} and {other} look the same from here. What splits them: "
                  f"{pair.splits}.")  # fmt: skip


def nothing_found(diagnosis: Diagnosis) -> str:
    """Say that nothing is blamed, and how to go on."""
    if diagnosis.problem.kind is ProblemKind.FIXED:
        return "Nothing is blamed."
    text = "No cause shows in what was given."
    if diagnosis.problem.kind is ProblemKind.NOT_KNOWN:
        return text
    return (
        f"{text} First split: carry the rover to about 50 m from the base, in the open "
        "(--fixes-at-50m); ask whether all rovers suffer (--all-rovers)."
    )


def of_confidence(diagnosis: Diagnosis, confidence: Confidence) -> tuple[Cause, ...]:
    """Give the causes of a confidence, as ranked."""
    return tuple(cause for cause in diagnosis.causes if cause.confidence is confidence)


def put_ruled_out(page: Page, diagnosis: Diagnosis) -> None:
    """Name what is ruled out."""
    ruled = of_confidence(diagnosis, Confidence.RULED_OUT)
    if ruled:
        in_order = sorted(ruled, key=lambda cause: CAUSE_NAMES.index(cause.name))
        page.labelled("Ruled out", named(tuple(in_order), _NAMED))


def put_untested(page: Page, diagnosis: Diagnosis) -> None:
    """Name what was not tested, those that could make the problem first."""
    untested = sorted(
        of_confidence(diagnosis, Confidence.NOT_TESTED),
        key=lambda cause: (
            not explains(cause.name, diagnosis.problem.kind),
            CAUSE_NAMES.index(cause.name),
        ),
    )
    by_need: dict[str, list[Cause]] = {}
    for cause in untested:
        by_need.setdefault("; ".join(cause.missing) or "more", []).append(cause)
    shown = list(by_need.items())[:_WITH_REASON]
    for place, (what, causes) in enumerate(shown):
        verb = "needs" if len(causes) == 1 else "need"
        page.labelled("" if place else "Not tested", f"{named(tuple(causes))}: {verb} {what}")
    left = len(untested) - sum(len(causes) for _, causes in shown)
    if left:
        page.labelled("", f"and {left} more")


def put_leftovers(page: Page, diagnosis: Diagnosis) -> None:
    """Say of each cause that is ruled out or not tested why."""
    ruled = of_confidence(diagnosis, Confidence.RULED_OUT)
    untested = of_confidence(diagnosis, Confidence.NOT_TESTED)
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


def put_ahead(page: Page, chance: ChanceAhead) -> None:
    """Say what a rover in the open can expect of this stream."""
    if chance.words is None:
        page.labelled("Ahead", f"chance of a fix not known: {chance.text}")
        return
    wait = ""
    if chance.seconds is not None and chance.seconds > 1:
        wait = f", in about {seconds(chance.seconds)}"
    words = chance.words if chance.words == POOR_CHANCE else f"a rover {chance.words}"
    page.labelled("Ahead", f"{words}{wait} ({chance.text})")


def put_stale(page: Page, ageing: Ageing) -> None:
    """Say after how long corrections of this base are too old."""
    worst = f" (worst {', '.join(ageing.worst)})" if ageing.worst else ""
    if ageing.hard_s is None:
        page.labelled("Stale", f"corrections may be {ageing.oldest_s} s old{worst}")
        return
    text = f"corrections go stale: after {max(round(ageing.hard_s), 1)} s fixing gets hard"
    if ageing.held_s is None:
        text += f", a held fix bears {ageing.oldest_s} s{worst}"
    else:
        text += f", after {max(round(ageing.held_s), 1)} s a held fix suffers{worst}"
    page.labelled("Stale", text)


def put_cautions(page: Page, diagnosis: Diagnosis, causes: tuple[Cause, ...]) -> None:
    """Put the cautions that belong to the steps of some causes, each once."""
    cautions = diagnosis.cautions(causes)
    if cautions:
        page.labelled("Caution", " ".join(caution.value for caution in cautions))
