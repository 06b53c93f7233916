"""Signals that left, satellites lost on the way, and another base's words, as evidence."""

from collections.abc import Callable

import numpy as np
import pytest

from rtcmtool.diagnosis.causes import Cause, Confidence
from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.diagnosis import diagnose
from rtcmtool.diagnosis.evidence import Evidence
from rtcmtool.diagnosis.problem import ProblemKind
from rtcmtool.monitor import band_absence
from rtcmtool.simulation.faults import make_fault
from tests.diagnosis.simulated_faults import Shown, diagnosed, playing
from tests.made_skies import base_under_sky, state_under_sky

pytestmark = pytest.mark.slow
LATE = Shown(log=False)
Edit = Callable[[dict[str, np.ndarray]], None]


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


def under_a_made_sky(edit: Edit | None = None) -> dict[str, Cause]:
    """Diagnose a base of two systems, whose measurements were changed."""
    state = state_under_sky(base_under_sky(300, edit=edit))
    return {each.name: each for each in diagnose(Evidence(stream=Context(state))).causes}


def jammed(columns: dict[str, np.ndarray]) -> None:
    """Take 12 dB from the second band from the 120th epoch on, and all of it from the 180th on."""
    second = columns["signal"] != columns["signal"][0]
    columns["cnr"] -= np.where(second & (columns["epoch"] >= 120), 12.0, 0.0)
    leave_out(columns, second & (columns["epoch"] >= 180))


def switched_off(columns: dict[str, np.ndarray]) -> None:
    second = columns["signal"] != columns["signal"][0]
    leave_out(columns, second & (columns["epoch"] >= 180))


def setting(columns: dict[str, np.ndarray]) -> None:
    """Let a satellite lose its weak second band and set a minute later."""
    first = columns["satellite"] == columns["satellite"].min()
    second = columns["signal"] != columns["signal"][0]
    leave_out(columns, first & (columns["epoch"] >= np.where(second, 120, 190)))


def leave_out(columns: dict[str, np.ndarray], gone: np.ndarray) -> None:
    for name, column in columns.items():
        columns[name] = column[~gone]


def test_signals_that_leave_behind_a_drop_of_their_band_are_a_sign_of_interference() -> None:
    found = under_a_made_sky(jammed)
    assert any("signals of that band left: " in text for text in found["interference"].evidence)
    assert found["interference"].confidence is Confidence.LIKELY
    assert not found["antenna_cable"].is_claimed


def test_signals_that_leave_without_a_drop_are_neither_interference_nor_the_cable() -> None:
    found = under_a_made_sky(switched_off)
    assert found["one_frequency"].is_claimed
    assert not found["interference"].is_claimed
    assert not found["antenna_cable"].is_claimed


@pytest.mark.parametrize("edit", [None, setting])
def test_a_healthy_base_is_blamed_for_no_signal(edit: Edit | None) -> None:
    found = under_a_made_sky(edit)
    for name in ("one_frequency", "interference", "antenna_cable"):
        assert not found[name].is_claimed, found[name].evidence


@pytest.mark.parametrize(
    ("silence_ms", "why"),
    [
        (band_absence.SILENCE_MS, "no band fell: deepest "),
        (60_000, "bands were gone only while the base started again"),  # as if it took no time
    ],
)
def test_bands_that_come_late_after_each_restart_are_no_interference(
    monkeypatch: pytest.MonkeyPatch, silence_ms: int, why: str
) -> None:
    monkeypatch.setattr(band_absence, "SILENCE_MS", silence_ms)
    found = cause("interference", make_fault("dead-battery", 50.0, severity=45.0))
    assert found.confidence is Confidence.RULED_OUT
    assert len(found.against) == 1
    assert found.against[0].startswith(why)


def test_most_frames_damaged_is_no_base_with_few_satellites() -> None:
    # Nine frames of ten are damaged: a usual epoch has the satellites of one message.
    shown = Shown()
    found = diagnosed(playing(make_fault("weak-radio", severity=3e-3), duration_s=200.0), shown)
    assert found.problem.kind is not ProblemKind.FIXED
    few = next(each for each in found.causes if each.name == "few_satellites")
    assert not any("the base sends" in text for text in (*few.evidence, *few.against))
    assert any("the others are lost" in text for text in few.against)
    assert found.claimed[0].name != "few_satellites"


def test_where_half_of_the_frames_are_damaged_the_base_sends_what_its_messages_hold() -> None:
    found = cause("few_satellites", make_fault("weak-radio", severity=5e-4), duration_s=170.0)
    assert found.confidence is Confidence.RULED_OUT
    assert found.against == ("the base sends 34 in the messages that get through",)


def test_a_position_that_damage_may_have_taken_is_not_missed() -> None:
    # Of 98 % damaged frames eleven positions in a row are lost with a chance of 0.98^11 = 80 %.
    lost = cause("no_position", make_fault("weak-radio", severity=6e-3), duration_s=170.0)
    assert lost.confidence is Confidence.NOT_TESTED
    assert "of the frames are damaged" in lost.missing[0]
    # Of 38 % with one of 40 000: what never came was never sent.
    faults = make_fault("weak-radio", severity=5e-4), make_fault("no-position")
    assert cause("no_position", *faults, duration_s=170.0).confidence is Confidence.PROVEN


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
