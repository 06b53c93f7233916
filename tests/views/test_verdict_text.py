"""The verdict on a screen: the first line answers, words carry the meaning, nothing is too wide."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.finding import RANK, Finding, Rule, State, Weight
from rtcmtool.diagnosis.rule_table import RULES
from rtcmtool.diagnosis.verdict import Verdict, judge
from rtcmtool.views.theme import STATE_WORDS, THEME, VERDICT_WORDS
from rtcmtool.views.verdict_text import NARROWEST, headline, verdict_lines
from tests.streams import base_stream, state_of, without

GO, NO_GO, CANNOT_TELL = "go", "no-go", "cannot-tell"


def finding(name: str, state: State, text: str = "measured", action: str | None = None) -> Finding:
    """Give a finding of a rule of the table."""
    needs = action or ("do something" if state in {State.BAD, State.WATCH} else None)
    return Finding(RULES[name], state, text, limit_text="3 s", action=needs)


def verdict(word: str, **states: State) -> Verdict:
    """Give a verdict in which the named rules have these states and all others are ok."""
    findings = [finding(name, states.get(name, State.OK)) for name in RULES]
    findings.sort(key=lambda f: (RANK[f.state], not f.rule.essential))
    return Verdict(word, tuple(findings))


def lines(of: Verdict, width: int = 80, **more: object) -> list[str]:
    """Give the screen as plain lines."""
    return [line.plain for line in verdict_lines(of, width=width, **more)]  # type: ignore[arg-type]


def test_a_go_with_a_compared_position_is_fit_to_leave() -> None:
    assert headline(verdict(GO)) == "GO - fit to leave"


def test_a_go_without_a_comparison_says_so() -> None:
    told = headline(verdict(GO, position_matches_mark=State.NOT_APPLICABLE))
    assert told == "GO - a rover can fix with this; position not compared (no site sheet)"


def test_a_go_names_unknown_essentials_and_counts_the_rest() -> None:
    unknown = dict.fromkeys(("delay", "two_bands", "geometry", "slips"), State.UNKNOWN)
    told = headline(verdict(GO, **unknown))
    assert told == "GO - fit to leave; not known: delay, bands, and 2 more"


def test_one_unknown_rule_that_informs_is_counted_too() -> None:
    assert (
        headline(verdict(GO, slips=State.UNKNOWN))
        == "GO - fit to leave; not known: 1 that only informs"
    )


@pytest.mark.parametrize(
    ("bad", "told"),
    [
        (("delay",), "NO-GO - do not leave yet: 1 fault"),
        (("delay", "one_base"), "NO-GO - do not leave yet: 2 faults"),
        # Slips only inform, but are a line with BAD like the other.
        (("delay", "slips"), "NO-GO - do not leave yet: 2 faults"),
    ],
)
def test_a_no_go_counts_the_lines_that_say_bad(bad: tuple[str, ...], told: str) -> None:
    assert headline(verdict(NO_GO, **dict.fromkeys(bad, State.BAD))) == told


def test_a_strict_no_go_counts_the_watches() -> None:
    states = dict.fromkeys(("delay", "two_bands", "slips"), State.WATCH)
    assert headline(verdict(NO_GO, **states)) == "NO-GO - do not leave yet: 2 faults"


def test_cannot_tell_names_what_must_be_known_first() -> None:
    states = dict.fromkeys(("delay", "position_sent", "slips"), State.UNKNOWN)
    told = headline(verdict(CANNOT_TELL, **states))
    assert told == "CANNOT TELL - not known: position message, delay, and 1 more"


def test_the_heading_stands_at_the_right_where_there_is_room() -> None:
    heading = "base 417   2026-03-04 07:00 UTC"
    first = lines(verdict(GO), heading=heading)[0]
    assert first.startswith("GO - fit to leave   ")
    assert first.endswith(heading)
    assert len(first) == 80


def test_the_heading_goes_below_where_there_is_none() -> None:
    assert lines(verdict(GO), width=40, heading="base 417")[:2] == [
        "GO - fit to leave" + " " * 15 + "base 417",
        "",
    ]
    heading = "base 417   2026-03-04 07:00 UTC"
    assert lines(verdict(GO), width=40, heading=heading)[:2] == ["GO - fit to leave", heading]


def test_every_rule_has_a_line_worst_first() -> None:
    states = {"delay": State.BAD, "slips": State.WATCH, "geometry": State.UNKNOWN}
    states["air_time"] = State.NOT_APPLICABLE
    shown = lines(verdict(NO_GO, **states), width=120)
    at = [line[2:8].strip() for line in shown[3:] if line[2:3].strip()]
    rows = [word for word in at if word in set(STATE_WORDS.values())]
    assert rows[:3] == ["BAD", "WATCH", "?"]
    assert rows[-2:] == ["-", "-"]  # air time, and the path that cannot be seen from the base
    assert len(rows) == len(RULES) + 1


def test_what_to_do_stands_below_its_finding() -> None:
    shown = lines(verdict(NO_GO, delay=State.BAD))
    at = next(index for index, line in enumerate(shown) if "BAD" in line)
    assert shown[at + 1] == "         do   do something"


def test_since_when_is_told_of_troubles_only() -> None:
    old = verdict(NO_GO, delay=State.BAD)
    dated = tuple(replace(f, since="2026-03-04T07:00:00Z") for f in old.findings)
    shown = lines(Verdict(NO_GO, dated))
    assert [line for line in shown if "since" in line] == ["         since 2026-03-04T07:00:00Z"]


def test_the_basis_of_each_limit_is_told_when_asked_for() -> None:
    quiet, verbose = lines(verdict(GO), width=120), lines(verdict(GO), width=120, verbose=True)
    assert not any("basis" in line for line in quiet)
    assert sum(line.strip().startswith("basis") for line in verbose) == len(RULES)


@pytest.mark.parametrize(("at", "shown"), [("base", True), ("rover", False), ("net", False)])
def test_at_the_base_the_air_is_said_to_be_unheard(at: str, shown: bool) -> None:
    told = lines(verdict(GO), at=at)
    assert any("radio path to rover" in line for line in told) is shown


def test_a_long_screen_ends_with_the_verdict() -> None:
    told = lines(verdict(NO_GO, delay=State.BAD), after="look again.")
    assert told[-1] == "NO-GO - do not leave yet: 1 fault. Exit code 1."
    assert told[-3] == "Next  look again."


def test_a_short_screen_does_not_say_it_twice() -> None:
    few = Verdict(
        GO,
        tuple(f for f in verdict(GO).findings if f.rule.name in {"delay", "position_matches_mark"}),
    )
    assert sum("GO - " in line for line in lines(few)) == 1


WORD = st.text(st.characters(categories=("L", "N", "P")), min_size=1, max_size=60)


@st.composite
def any_verdict(draw: st.DrawFn) -> Verdict:
    """Draw a verdict with any states, texts and actions."""
    findings = []
    for rule in RULES.values():
        state = draw(st.sampled_from(State))
        text = " ".join(draw(st.lists(WORD, max_size=8)))
        action = draw(st.none() | st.just(text))
        findings.append(
            Finding(rule, state, text, limit_text=text[:20], action=action, since=action)
        )
    return Verdict(draw(st.sampled_from(sorted(VERDICT_WORDS))), tuple(findings))


@settings(max_examples=25)
@given(of=any_verdict(), width=st.integers(NARROWEST, 200), heading=WORD, verbose=st.booleans())
def test_no_line_is_ever_wider_than_the_screen(
    of: Verdict, width: int, heading: str, verbose: bool
) -> None:
    for line in verdict_lines(of, width=width, heading=heading, after=heading, verbose=verbose):
        assert len(line.plain) <= width
        assert "\n" not in line.plain


@pytest.mark.parametrize("width", [-5, 0, 1, 19])
def test_a_screen_without_room_is_taken_for_the_narrowest(width: int) -> None:
    assert lines(verdict(GO), width=width) == lines(verdict(GO), width=NARROWEST)


def test_names_of_files_and_options_are_not_cut_at_hyphens() -> None:
    command = "rtcmtool decode north-west-corner.rtcm3 --summary"
    told = lines(verdict(GO), width=44, after=f"see what came: {command}")
    assert "Next  see what came: rtcmtool decode" in told
    assert "      north-west-corner.rtcm3 --summary" in told


def test_only_trouble_and_ignorance_have_a_colour_and_each_has_a_word() -> None:
    states = {"delay": State.BAD, "slips": State.WATCH, "geometry": State.UNKNOWN}
    coloured = {
        (line.plain[span.start : span.end], str(span.style))
        for line in verdict_lines(verdict(NO_GO, **states), width=80)
        for span in line.spans
    }
    assert coloured == {("BAD", "state.bad"), ("WATCH", "state.watch"), ("?", "state.unknown")}


def test_every_word_has_a_style_and_healthy_ones_have_no_colour() -> None:
    assert set(STATE_WORDS) == set(State)
    for state in State:
        assert f"state.{state.value}" in THEME.styles
    for word in VERDICT_WORDS:
        assert f"verdict.{word}" in THEME.styles
    for healthy in ("state.ok", "state.not-applicable"):
        assert THEME.styles[healthy].color is None
    for lit in ("state.bad", "state.watch", "state.unknown"):
        # Both are set, or the contrast would depend on the terminal.
        assert THEME.styles[lit].color is not None
        assert THEME.styles[lit].bgcolor is not None


@pytest.mark.parametrize("lost", [0, 1])
def test_an_unknown_essential_is_never_hidden_in_a_go(lost: int) -> None:
    stream = without(base_stream(60), lambda s: lost == 1 and s.number == 1230)
    judged = judge(Context(state_of(stream)))
    told = headline(judged)
    assert judged.word == "go"
    for unknown in judged.of(State.UNKNOWN, essential=True):
        assert unknown.rule.printed in told
        assert unknown.rule.weight is not Weight.KNOWN


def test_a_rule_with_a_long_name_is_wrapped() -> None:
    long = Rule("x", "a rule with a very long printed name", Weight.KNOWN, None, None, None, "x")
    mark = finding("position_matches_mark", State.OK)
    shown = lines(Verdict(GO, (Finding(long, State.OK, "text"), mark)), width=60)
    assert any(line.startswith("  ok     a rule with a") for line in shown)
