"""Signals that left, satellites lost on the way, and another base's words, as evidence."""

import pytest

from rtcmtool.diagnosis.causes import Cause, Confidence
from rtcmtool.diagnosis.problem import ProblemKind
from rtcmtool.simulation.faults import make_fault
from tests.diagnosis.simulated_faults import Shown, diagnosed, playing

pytestmark = pytest.mark.slow
LATE = Shown(log=False)


def cause(name: str, *faults, shown: Shown = LATE, duration_s: float = 300.0) -> Cause:
    found = diagnosed(playing(*faults, duration_s=duration_s), shown)
    return next(cause for cause in found.causes if cause.name == name)


def test_a_second_band_that_left_late_is_one_frequency_though_most_epochs_had_two() -> None:
    found = cause("one_frequency", make_fault("one-band", 200.0))
    assert found.confidence is Confidence.POSSIBLE
    assert found.evidence == ("the second band left: GPS 2W, GLO 2C, GAL 7Q, BDS 6I left",)
    assert found.since is not None


def test_nothing_that_left_means_no_frequency_is_missed() -> None:
    assert cause("one_frequency", duration_s=120.0).confidence is Confidence.RULED_OUT


def test_a_system_that_left_is_not_one_frequency() -> None:
    found = cause("one_frequency", make_fault("system-lost", 150.0, severity="R"))
    assert found.confidence is Confidence.RULED_OUT


def test_signals_that_a_bad_cable_takes_away_are_a_sign_of_it() -> None:
    found = cause("antenna_cable", make_fault("bad-cable", 150.0, severity=20.0))
    assert any("signals left while their satellites went on: " in text for text in found.evidence)
    assert found.confidence is Confidence.LIKELY


def test_most_frames_damaged_is_no_base_with_few_satellites() -> None:
    # Nine frames of ten are damaged: a usual epoch has the satellites of one message.
    shown = Shown()
    found = diagnosed(playing(make_fault("weak-radio", severity=3e-3), duration_s=200.0), shown)
    assert found.problem.kind is not ProblemKind.FIXED
    few = next(each for each in found.causes if each.name == "few_satellites")
    assert not any("the base sends" in text for text in (*few.evidence, *few.against))
    assert any("the others are lost" in text for text in few.against)
    assert found.claimed[0].name != "few_satellites"


def test_a_base_with_few_satellites_is_still_proven_behind_a_radio_that_loses() -> None:
    faults = make_fault("few-satellites"), make_fault("weak-radio", severity=1e-4)
    found = cause("few_satellites", *faults, shown=Shown())
    assert found.confidence in {Confidence.LIKELY, Confidence.PROVEN}


def test_a_height_that_may_be_another_bases_is_not_proven() -> None:
    found = cause("antenna_height", make_fault("same-number", 60.0), shown=Shown(sheet=True))
    assert found.confidence is Confidence.LIKELY
    assert found.against == ("two positions come under one number: it may be another base's",)


def test_a_base_that_changed_its_number_has_sent_its_position() -> None:
    found = cause("no_position", make_fault("number-changes", 100.0), shown=Shown())
    assert found.confidence is Confidence.RULED_OUT
