"""The diagnosis of simulated faults: each cause ranks first where its fault is played."""

from dataclasses import replace

import pytest

from rtcmtool.diagnosis.causes import Confidence
from rtcmtool.diagnosis.chance_ahead import chance_ahead
from rtcmtool.diagnosis.diagnosis import CAUSE_NAMES, Diagnosis, diagnose
from rtcmtool.diagnosis.evidence import Answers, Evidence
from rtcmtool.diagnosis.problem import ProblemKind
from rtcmtool.simulation.builtin_scenarios import LEGACY_STREAM
from rtcmtool.simulation.fault_kinds import KINDS
from rtcmtool.simulation.faults import make_fault
from rtcmtool.simulation.run import Port, Simulation
from tests.diagnosis.healthy_cases import KINDS as HEALTHY_KINDS
from tests.diagnosis.healthy_cases import healthy_cases
from tests.diagnosis.simulated_faults import (
    MAKERS,
    Shown,
    diagnosed,
    double_cases,
    evidence_of,
    faults_with_a_case,
    in_local_time,
    playing,
    rover_log,
    single_cases,
)
from tests.monitor.test_rover_log import columns, log_of
from tests.monitor.test_rover_state import gga


def confidence(found: Diagnosis, name: str) -> Confidence:
    return next(cause.confidence for cause in found.causes if cause.name == name)


@pytest.mark.slow
@pytest.mark.parametrize("case", list(single_cases(len(MAKERS))), ids=lambda case: case.label)
def test_a_fault_ranks_its_cause_first_or_names_what_looks_the_same(case) -> None:
    found = diagnosed(case.scenario, case.shown)
    assert found.first & case.truth[0]
    assert len(found.causes) == len(CAUSE_NAMES)


def test_every_cause_has_a_case() -> None:
    assert {name for maker in MAKERS for name in maker.causes} == set(CAUSE_NAMES)


def test_every_fault_that_can_be_simulated_has_a_case() -> None:
    assert faults_with_a_case() == set(KINDS)


@pytest.mark.slow
@pytest.mark.parametrize(
    "case", list(healthy_cases(len(HEALTHY_KINDS))), ids=lambda case: case.label
)
def test_nothing_is_blamed_of_a_healthy_case(case) -> None:
    found = diagnosed(case.scenario, case.shown)
    assert not found.claimed
    assert found.problem.kind in {ProblemKind.FIXED, ProblemKind.NOT_KNOWN}
    assert not found.is_bad


@pytest.mark.slow
def test_two_causes_at_once_are_both_among_the_first_three() -> None:
    # One may hide the other: bit errors leave no minute whole in which an ionosphere shows.
    cases = list(double_cases(12))
    hits = 0
    for case in cases:
        top = {cause.name for cause in diagnosed(case.scenario, case.shown).claimed[:3]}
        hits += all(top & names for names in case.truth)
    assert hits >= 11


def test_with_nothing_given_nothing_is_claimed() -> None:
    found = diagnose(Evidence())
    assert found.problem.kind is ProblemKind.NOT_KNOWN
    assert {cause.confidence for cause in found.causes} == {Confidence.NOT_TESTED}


@pytest.mark.slow
def test_a_rover_alone_that_uses_nothing_leaves_the_link_and_says_what_splits_it() -> None:
    shown = Shown("none")
    found = diagnosed(playing(make_fault("long-lost", severity=20.0)), shown)
    assert found.problem.kind is ProblemKind.NO_RTK
    assert found.claimed[0].name == "no_link"
    assert {cause.confidence for cause in found.claimed} == {Confidence.POSSIBLE}
    assert all(pair.splits for pair in found.alike)
    assert found.alike


@pytest.mark.slow
def test_unusable_format_is_claimed_only_by_the_sheet_or_of_a_whole_and_fresh_stream() -> None:
    # The contract of `diagnose --json`: quality 1 or 2 on a whole and fresh stream, or the sheet.
    other = playing(make_fault("wrong-family"))
    assert confidence(diagnosed(other, Shown(sheet=True)), "unusable_format") is Confidence.PROVEN
    assert confidence(diagnosed(other, Shown()), "unusable_format") is Confidence.LIKELY
    silent = diagnosed(other, Shown(log=False))
    assert confidence(silent, "unusable_format") is Confidence.NOT_TESTED
    broken = playing(make_fault("wrong-family"), make_fault("weak-radio", severity=5e-4))
    assert confidence(diagnosed(broken, Shown()), "unusable_format") is Confidence.RULED_OUT


@pytest.mark.slow
def test_orbits_of_systems_that_the_format_cannot_carry_tell_it_from_settings() -> None:
    # RTCM 10403.x: 1001 to 1012 are of GPS and GLONASS; the base sends 1042 and 1046 beside them.
    found = diagnosed(playing(make_fault("wrong-family")), Shown("untold"))
    assert found.claimed[0].name == "unusable_format"
    assert "the base sends orbits of GAL, BDS, which legacy 1004, 1012 cannot carry" in (
        found.claimed[0].evidence
    )
    # The same messages from a base that tracks no more: the rover's settings are as likely.
    alone = playing(make_fault("rover-age-limit"), stream=LEGACY_STREAM)
    format_ = next(c for c in diagnosed(alone, Shown()).causes if c.name == "unusable_format")
    assert not any("orbits" in text for text in format_.evidence)
    # And with both systems in MSM nothing is held against the format.
    modern = diagnosed(playing(make_fault("rover-age-limit")), Shown())
    format_ = next(c for c in modern.causes if c.name == "unusable_format")
    assert format_.confidence is not Confidence.LIKELY


@pytest.mark.slow
def test_the_50_m_test_splits_the_rovers_sky_from_its_settings() -> None:
    scenario = playing(make_fault("rover-noise"))
    open_question = diagnosed(scenario, Shown())
    assert open_question.first == {"rover_sky", "rover_settings"}
    fixes = diagnosed(scenario, Shown(answers=Answers(fixes_at_50m=True)))
    assert fixes.claimed[0].name == "rover_sky"
    assert fixes.claimed[0].confidence is Confidence.LIKELY
    does_not = diagnosed(scenario, Shown(answers=Answers(fixes_at_50m=False)))
    assert does_not.claimed[0].name == "rover_settings"


@pytest.mark.slow
def test_all_rovers_or_one_moves_the_suspicion() -> None:
    scenario = playing(make_fault("rover-noise"))
    one = diagnosed(scenario, Shown(answers=Answers(all_rovers=False)))
    every = diagnosed(scenario, Shown(answers=Answers(all_rovers=True)))
    assert confidence(one, "rover_sky") is Confidence.LIKELY
    assert confidence(every, "rover_sky") is Confidence.POSSIBLE
    assert "all rovers suffer" in next(c for c in every.causes if c.name == "rover_sky").against


@pytest.mark.slow
@pytest.mark.parametrize(
    ("shot", "first"),
    [((0.4, 0.1), {"base_slightly_wrong"}), ((0.005, 0.08), {"antenna_height", "antenna_model"}),
     ((0.005, 1.65), {"antenna_height"})],
)  # fmt: skip
def test_a_check_shot_alone_points_to_position_or_height(
    shot: tuple[float, float], first: set[str]
) -> None:
    found = diagnosed(playing(), Shown(answers=Answers(*shot)))
    assert found.problem.kind is ProblemKind.CHECK_FAILS
    assert found.first == first


@pytest.mark.slow
def test_a_failing_check_on_the_marks_own_position_points_to_a_base_that_moved() -> None:
    found = diagnosed(playing(), Shown(sheet=True, answers=Answers(0.09, 0.0)))
    assert found.claimed[0].name == "base_moved"
    assert confidence(found, "base_slightly_wrong") is Confidence.RULED_OUT


@pytest.mark.slow
def test_stream_and_log_of_different_days_give_no_more_than_possible() -> None:
    found = evidence_of(playing(make_fault("one-band")), Shown())
    three_days = playing().start_utc_ns + 3 * 86_400 * 10**9
    later = list(Simulation(replace(playing(), start_utc_ns=three_days)).pieces())
    apart = diagnose(replace_log(found, rover_log(later)))
    assert confidence(apart, "one_frequency") is Confidence.POSSIBLE
    assert any("another time" in note for note in apart.notes)


def replace_log(evidence: Evidence, log) -> Evidence:
    return Evidence(
        stream=evidence.stream, link=evidence.link, heard_at=evidence.heard_at, log=log,
        answers=evidence.answers,
    )  # fmt: skip


@pytest.mark.slow
def test_another_time_zone_is_told_and_taken_off() -> None:
    found = evidence_of(playing(make_fault("one-band")), Shown())
    pieces = Simulation(playing(make_fault("one-band"))).pieces()
    told = b"".join(piece.data for piece in pieces if piece.port is Port.NMEA)
    moved = diagnose(replace_log(found, log_of(in_local_time(told, 2))))
    assert moved.claimed[0].name == "one_frequency"
    assert any("time zone (+2 h, its satellites show it)" in note for note in moved.notes)


@pytest.mark.slow
def test_another_session_two_hours_later_is_not_taken_for_another_zone() -> None:
    found = evidence_of(playing(make_fault("one-band")), Shown())
    two_hours = playing().start_utc_ns + 7200 * 10**9
    later = replace(playing(make_fault("one-band")), start_utc_ns=two_hours)
    moved = diagnose(replace_log(found, rover_log(list(Simulation(later).pieces()))))
    assert any("of another time than the stream" in note for note in moved.notes)
    assert confidence(moved, "one_frequency") is Confidence.POSSIBLE


def test_wrong_check_sums_and_another_base_are_noted() -> None:
    bad = gga("065900.00").replace(b"1200", b"1300")
    good = b"".join(gga(f"0659{second:02d}.00") for second in range(40))
    notes = diagnose(Evidence(log=log_of(bad + good))).notes
    assert notes == ("1 of 41 NMEA lines with a wrong check sum left out",)
    assert len(columns([4])) == 1


@pytest.mark.slow
def test_what_cannot_make_float_ranks_behind_what_can() -> None:
    scenario = playing(
        make_fault("one-band"), make_fault("wrong-mark"), make_fault("false-bias"), duration_s=170.0
    )
    found = diagnosed(scenario, Shown(sheet=True))
    assert found.problem.kind is ProblemKind.FLOAT
    names = [cause.name for cause in found.claimed]
    assert names[0] == "one_frequency"
    assert names.index("glonass_bias") < names.index("base_slightly_wrong")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("fault", "words"),
    [(None, "should fix at once"), ("rover-far", "float likely"),
     ("few-satellites", "float likely"), ("one-band", "will take seconds to a minute")],
)  # fmt: skip
def test_the_chance_ahead_is_told_in_words(fault: str | None, words: str) -> None:
    # Words at 0.99 and 0.5: judgement, as the thresholds of the trade have it.
    faults = () if fault is None else (make_fault(fault),)
    chance = chance_ahead(evidence_of(playing(*faults), Shown()))
    assert chance is not None
    assert chance.words == words


@pytest.mark.slow
def test_the_chance_falls_with_the_distance_told() -> None:
    rates = []
    for distance_km in (1.0, 15.0, 40.0):
        answers = Answers(distance_km=distance_km)
        chance = chance_ahead(evidence_of(playing(), Shown(log=False, answers=answers)))
        assert chance is not None
        rates.append(chance.success_rate or 0.0)
    assert rates[0] > 0.99
    assert rates[0] > rates[1] > rates[2]
    assert chance_ahead(Evidence()) is None
