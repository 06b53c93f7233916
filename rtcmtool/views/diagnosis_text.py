"""The diagnosis for people: the answer on one screen, or with all of its reasons.

The screen of 80 columns and 24 lines holds the answer, what speaks most for it and against it, the
next step with its cautions, and how to see the rest. What else there is goes in by its worth for as
long as there is room. `--all` and `-v` give the whole text, which may be longer.
"""

from rich.text import Text

from rtcmtool.diagnosis.causes import Cause, Confidence
from rtcmtool.diagnosis.chance_ahead import ChanceAhead
from rtcmtool.diagnosis.diagnosis import Diagnosis
from rtcmtool.diagnosis.evidence import Evidence
from rtcmtool.views.diagnosis_text_page import NARROWEST, Page, named
from rtcmtool.views.diagnosis_text_parts import (
    nothing_found,
    of_confidence,
    put_against,
    put_ahead,
    put_alike,
    put_basis,
    put_cautions,
    put_leftovers,
    put_problem,
    put_proof,
    put_ruled_out,
    put_seen,
    put_stale,
    put_steps,
    put_title,
    put_untested,
    rover_facts,
)

FIRST_PAGE = 3  # causes
SCREEN_LINES, SCREEN_COLUMNS = 22, 80  # of 24: the command and the prompt behind it take two
_ALSO = 5  # causes named
_MOST = 99
_DEEPEST = 4  # signs and steps of a cause
Chosen = frozenset[str]


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
        Every claimed cause with all that was seen, and those ruled out or not tested with the
        reasons.
    verbose : bool
        All that was seen of the first causes, and where each comes from.

    Returns
    -------
    list of rich.text.Text
        Lines without line ends.
    """
    width = max(width, NARROWEST)
    if show_all or verbose:
        return _whole(Page(width), diagnosis, evidence, chance, show_all=show_all)
    room = max(SCREEN_LINES, SCREEN_LINES * SCREEN_COLUMNS // width)  # narrow ones stand upright
    chosen: Chosen = frozenset()
    lines = _screen(Page(width), diagnosis, evidence, chance, chosen)
    for more in _by_worth(diagnosis):
        fuller = _screen(Page(width), diagnosis, evidence, chance, chosen | {more})
        if len(fuller) <= room:
            chosen, lines = chosen | {more}, fuller
    return lines


def _whole(
    page: Page,
    diagnosis: Diagnosis,
    evidence: Evidence,
    chance: ChanceAhead | None,
    *,
    show_all: bool,
) -> list[Text]:
    """Give all there is to say, however long."""
    put_problem(page, diagnosis)
    facts = rover_facts(evidence)
    if facts:
        page.labelled("rover", facts)
    for note in diagnosis.notes:
        page.labelled("note", note)
    shown = diagnosis.claimed if show_all else diagnosis.claimed[:FIRST_PAGE]
    for place, cause in enumerate(shown, start=1):
        page.gap()
        put_title(page, place, cause)
        put_seen(page, cause.evidence)
        put_against(page, cause, _MOST)
        put_steps(page, cause, _MOST)
        put_proof(page, cause)
        put_basis(page, cause)
    for pair in diagnosis.alike:
        put_alike(page, pair)
    page.gap()
    if not diagnosis.claimed:
        page.line(nothing_found(diagnosis))
    _put_also(page, diagnosis.claimed[len(shown) :])
    if show_all:
        put_leftovers(page, diagnosis)
        page.gap()
    else:
        put_ruled_out(page, diagnosis)
        put_untested(page, diagnosis)
    if chance is not None:
        put_ahead(page, chance)
        if chance.ageing is not None:
            put_stale(page, chance.ageing)
    put_cautions(page, diagnosis, shown)
    if not show_all:
        _put_more(page, diagnosis)
    return page.lines


def _by_worth(diagnosis: Diagnosis) -> list[str]:
    """Name what may stand on the screen beside what must, what is worth most first."""
    notes = [f"note {index}" for index in range(len(diagnosis.notes))]
    return [
        *notes[:1], "seen 0 2", "do 0 2", "proves 0", "alike 0", "title 1", "title 2",
        "do 1 1", "seen 1 1", *notes[1:], "do 0 3", "do 2 1", "seen 2 1", "seen 0 3",
        "against 0 2", "rover", "proves 1", "ruled", "untested", "proves 2", "ahead", "basis",
        "do 1 2", "do 0 4", "seen 0 4", "seen 1 2", "seen 2 2", "stale", "alike 1",
    ]  # fmt: skip


def _screen(
    page: Page,
    diagnosis: Diagnosis,
    evidence: Evidence,
    chance: ChanceAhead | None,
    chosen: Chosen,
) -> list[Text]:
    """Give what must stand on the screen, and what was chosen of the rest."""
    put_problem(page, diagnosis)
    facts = rover_facts(evidence, brief=True)
    if facts and "rover" in chosen:
        page.labelled("rover", facts)
    for index, note in enumerate(diagnosis.notes):
        if f"note {index}" in chosen:
            page.labelled("note", note)
    page.gap()
    told, advised = _put_causes(page, diagnosis, chosen)
    for index, pair in enumerate(diagnosis.alike):
        if f"alike {index}" in chosen:
            put_alike(page, pair)
    if not diagnosis.claimed:
        page.line(nothing_found(diagnosis))
    _put_also(page, tuple(cause for cause in diagnosis.claimed if cause not in told))
    if "ruled" in chosen:
        put_ruled_out(page, diagnosis)
    if "untested" in chosen:
        put_untested(page, diagnosis)
    if chance is not None and "ahead" in chosen:
        put_ahead(page, chance)
    if chance is not None and chance.ageing is not None and "stale" in chosen:
        put_stale(page, chance.ageing)
    put_cautions(page, diagnosis, tuple(advised))
    _put_more(page, diagnosis)
    return page.lines


def _put_causes(
    page: Page, diagnosis: Diagnosis, chosen: Chosen
) -> tuple[list[Cause], list[Cause]]:
    """Put the first causes; give those that are named, and those of which a step is shown."""
    told: list[Cause] = []
    advised: list[Cause] = []
    said: set[str] = set()
    for index, cause in enumerate(diagnosis.claimed[:FIRST_PAGE]):
        must = int(index == 0)
        if not must and f"title {index}" not in chosen:
            continue
        told.append(cause)
        put_title(page, len(told), cause)
        news = tuple(text for text in cause.evidence if text not in said)
        seen = (news or ("the same",))[: _deepest(chosen, f"seen {index}", must)]
        put_seen(page, seen)
        said.update(seen)
        put_against(
            page, cause, _deepest(chosen, f"against {index}", min(len(cause.against), 1) or must)
        )
        steps = _deepest(chosen, f"do {index}", must)
        put_steps(page, cause, steps)
        if steps:
            advised.append(cause)
        if f"proves {index}" in chosen:
            put_proof(page, cause)
        if must and "basis" in chosen:
            put_basis(page, cause)
    return told, advised


def _deepest(chosen: Chosen, what: str, least: int) -> int:
    """Give how many of something are shown."""
    return max([least, *(depth for depth in range(1, _DEEPEST + 1) if f"{what} {depth}" in chosen)])


def _put_also(page: Page, causes: tuple[Cause, ...]) -> None:
    if causes:
        page.labelled("Also", f"{named(causes, _ALSO)} (--all shows them)")


def _put_more(page: Page, diagnosis: Diagnosis) -> None:
    """Say how to see the rest."""
    ruled = len(of_confidence(diagnosis, Confidence.RULED_OUT))
    untested = len(of_confidence(diagnosis, Confidence.NOT_TESTED))
    parts = ["every sign and step"] if diagnosis.claimed else []
    if ruled:
        parts.append(f"why {ruled} {'is' if ruled == 1 else 'are'} ruled out")
    if untested:
        parts.append(f"what {untested} {'needs' if untested == 1 else 'need'}")
    page.labelled("More", f"--all: {', '.join(parts)}")
