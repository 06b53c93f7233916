"""The chance of a fix ahead: what of it is measured on the stream, and what is assumed."""

import numpy as np
import pytest

from rtcmtool.diagnosis.chance_ahead import assumed_noise, chance_ahead, gradient_from_roti
from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.diagnosis import diagnose
from rtcmtool.diagnosis.evidence import Answers, Evidence
from rtcmtool.gnss.success_rate import Noise
from rtcmtool.monitor.observed_epochs import PLACES, place_of
from rtcmtool.monitor.phase_arcs import PhaseArcs
from rtcmtool.simulation.faults import make_fault
from rtcmtool.views.diagnosis_json import diagnosis_object
from rtcmtool.views.diagnosis_text import diagnosis_lines
from tests.diagnosis.simulated_faults import Shown, evidence_of, playing
from tests.made_skies import above, base_under_sky, state_under_sky
from tests.monitor.conftest import static_rows  # noqa: F401  (fixture)
from tests.streams import ARP_M


def heard(epochs=150, **told) -> Evidence:
    return Evidence(stream=Context(state_under_sky(base_under_sky(epochs, **told))))


def ageing_fast(columns):
    """Let every other satellite's clock run away by 5 mm/s from the others."""
    sign = np.where(columns["satellite"] % 2, 1.0, -1.0)
    columns["phase_m"] += 2.5e-3 * sign * columns["epoch"]
    columns["code_m"] += 2.5e-3 * sign * columns["epoch"]


def screen(evidence: Evidence) -> str:
    lines = diagnosis_lines(diagnose(evidence), evidence, chance_ahead(evidence), width=80)
    return " ".join(" ".join(line.plain for line in lines).split())


def test_what_was_measured_is_used_and_said():
    evidence = heard(edit=ageing_fast)
    chance = chance_ahead(evidence)
    assert chance is not None
    assert chance.measured == ("ageing",)
    assert chance.noise.ageing_m_s == pytest.approx(2.5e-3, rel=0.1)
    assert chance.noise.ionosphere_m_per_m == Noise().ionosphere_m_per_m
    assert "ageing as measured here" in chance.text
    assert "corrections go stale: after 4 s fixing gets hard, after 10 s a held" in screen(evidence)


def test_what_was_not_measured_is_assumed_and_nothing_is_said():
    evidence = heard(40)
    chance = chance_ahead(evidence)
    assert chance is not None
    assert chance.ageing is None
    assert chance.measured == ()
    assert chance.noise == Noise()
    assert "measured here" not in chance.text
    assert "stale" not in screen(evidence)


def test_corrections_that_do_not_age_are_told_so():
    assert "corrections may be 30 s old" in screen(heard())


def test_a_satellite_that_ages_alone_is_named():
    name = above()[1]

    def edit(columns):
        own = columns["name"] == name
        columns["phase_m"][own] += 4e-3 * columns["epoch"][own]

    assert f"(worst {name})" in screen(heard(edit=edit))


@pytest.mark.slow
def test_fast_ageing_lowers_the_chance_where_the_rovers_corrections_are_old():
    fresh = evidence_of(playing(), Shown())
    old = evidence_of(playing(make_fault("late", severity=9.0)), Shown())
    calm, aged = chance_ahead(fresh), chance_ahead(old)
    assert calm is not None
    assert aged is not None
    assert old.ages is not None
    assert aged.age_s == pytest.approx(old.ages.median_s)
    assert aged.age_s > calm.age_s + 5.0
    assert f"corrections {old.ages.median_s:.0f} s old" in aged.text
    assert (aged.success_rate or 0.0) < (calm.success_rate or 0.0)


@pytest.mark.slow
def test_old_corrections_are_told_beside_what_age_this_base_bears():
    old = evidence_of(playing(make_fault("late", severity=9.0)), Shown())
    causes = {cause.name: cause for cause in diagnose(old).causes}
    assert any("here fixing gets hard" in text for text in causes["overloaded"].evidence)


def test_the_document_tells_ages_limits_and_what_was_taken():
    evidence = heard(edit=ageing_fast)
    document = diagnosis_object(
        diagnose(evidence), evidence, chance_ahead(evidence), source="x", exit_code=0, at="base"
    )
    ageing, ahead = document["ageing"], document["fix_ahead"]
    assert ageing["ages_s"] == [1, 5, 10, 15, 30]
    assert ageing["rms_m"] == pytest.approx([0.0025 * age for age in ageing["ages_s"]], rel=0.1)
    assert ageing["fixing_hard_after_s"] == pytest.approx(4.0, rel=0.1)
    assert ageing["held_fix_suffers_after_s"] == pytest.approx(10.0, rel=0.1)
    assert set(ageing["rms_by_system_m"]) == {"G", "E"}
    assert ageing["satellites"] == len(ageing["rms_by_satellite_m"]) == len(above(15.0))
    assert ahead["measured"] == ["ageing"]
    assert ahead["ageing_m_s"] == ageing["rate_m_s"]
    assert ahead["success_rate"] <= ahead["success_at_most"]
    short = heard(40)
    document = diagnosis_object(
        diagnose(short), short, chance_ahead(short), source="x", exit_code=0, at="base"
    )
    assert document["ageing"] is None


def test_the_scatter_of_the_ionospheres_rates_gives_a_gradient():
    elevation = np.full(PLACES, 90.0)
    names = [place_of(f"G{number:02d}") for number in range(1, 7)]
    # 0.1 TECU/min of 0.1624 m on L1, passed at 80 m/s
    gradient = gradient_from_roti(dict.fromkeys(names, 0.1), elevation)
    assert gradient == pytest.approx(0.1 * 0.16237 / 60 / 80, rel=1e-3)
    elevation[:] = 30.0
    slant = gradient_from_roti(dict.fromkeys(names, 0.1), elevation)
    assert slant == pytest.approx((gradient or 0.0) / 2)
    assert gradient_from_roti(dict.fromkeys(names[:4], 0.1), elevation) is None
    elevation[:] = 15.0
    assert gradient_from_roti(dict.fromkeys(names, 0.1), elevation) is None


@pytest.mark.open_data
@pytest.mark.slow
def test_a_quiet_evening_has_about_the_customary_gradient(static_rows):  # noqa: F811
    arcs = PhaseArcs()
    arcs.update(static_rows, {})
    arcs.finish()
    elevation = np.full(PLACES, np.nan)
    elevation[static_rows.place] = static_rows.elevation_deg
    gradient = gradient_from_roti(arcs.ionosphere.roti, elevation)
    # 1 mm/km on quiet days: common practice
    assert gradient is not None
    assert 0.3e-6 < gradient < 1.5e-6


@pytest.mark.slow
def test_a_disturbed_hour_is_taken_as_measured_and_never_below_three_millimetres_a_kilometre():
    stormy = evidence_of(playing(make_fault("storm"), duration_s=600.0), Shown(log=False))
    base = stormy.base
    assert base is not None
    noise, _ = assumed_noise(stormy, base)
    assert stormy.wrong("ionosphere") is not None
    least = 3e-6 if stormy.bad("ionosphere") else 1e-6
    assert noise.ionosphere_m_per_m >= least
    calm = evidence_of(playing(duration_s=600.0), Shown(log=False, answers=Answers()))
    assert calm.base is not None
    usual, measured = assumed_noise(calm, calm.base)
    assert "ionosphere" in measured
    assert usual.ionosphere_m_per_m < noise.ionosphere_m_per_m


def test_a_position_that_is_wrong_by_kilometres_is_not_aged_by_itself():
    x_m, y_m, z_m = ARP_M
    chance = chance_ahead(heard(sent_m=(x_m + 3000.0, y_m, z_m)))
    assert chance is not None
    assert chance.ageing is not None
    assert chance.ageing.hard_s is None
