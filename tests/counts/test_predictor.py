"""The engine of every answer: draws, sessions had elsewhere, and missing attributes."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

import forecast
from forecast.counts.attributes import hazard_prior
from forecast.counts.fit import evidence_model

PLAIN = forecast.Enquiry("III", "shoulder", "black", "medium", "single")
COMPLETE = replace(
    PLAIN, age_years=30, origin="professional", area_cm2=50, tattoo_age_years=4, scarring="none",
    smoker="no",
)  # fmt: skip


def test_draw_d_is_the_same_parameters_for_every_enquiry(forecaster):
    heavy = replace(COMPLETE, ink_density="heavy")
    draws, _ = forecaster.estimate_draws([COMPLETE, heavy])
    means = (1 - np.cumsum(draws, axis=2)).sum(axis=2)
    assert np.corrcoef(means.T)[0, 1] > 0.3
    again, _ = forecaster.estimate_draws([heavy])
    assert_allclose(again[:, 0], draws[:, 1])


def test_the_draws_of_an_enquiry_do_not_depend_on_who_else_is_asked_about(forecaster):
    many = [replace(PLAIN, area_cm2=float(place)) for place in range(1, 141)]
    draws, _ = forecaster.estimate_draws(many)
    alone, _ = forecaster.estimate_draws(many[135:])
    assert_allclose(draws[:, 135:], alone, rtol=1e-12)


def test_sessions_elsewhere_condition_the_count(forecaster):
    at_start = forecaster.estimate(COMPLETE)
    later = forecaster.estimate(replace(COMPLETE, sessions_elsewhere=3))
    survival = 1 - at_start.chance_by(3)
    expected = (at_start.chance_by(8) - at_start.chance_by(3)) / survival
    assert later.chance_by(5) == pytest.approx(expected, abs=1e-9)


def test_sessions_had_elsewhere_count_against_what_the_log_supports(forecaster):
    plain = forecaster.estimate(COMPLETE)
    for elsewhere in (4, plain.supported_to, 60):
        begun = forecaster.estimate(replace(COMPLETE, sessions_elsewhere=elsewhere))
        assert begun.supported_to == max(plain.supported_to - elsewhere, 0)
        assert (begun.support == "outside") == (begun.supported_to == 0)
    assert any("Fewer than five courses went past session" in str(note) for note in begun.notes)


def test_missing_attributes_widen_the_estimate(forecaster):
    def spread(enquiry):
        pmf = forecaster.estimate(enquiry).distribution.pmf[0]
        steps = np.arange(1, 26)
        mean = pmf @ steps / pmf.sum()
        return pmf @ (steps - mean) ** 2 / pmf.sum() / mean**2

    assert spread(PLAIN) > spread(COMPLETE)
    (absent,) = (str(note) for note in forecaster.estimate(PLAIN).notes if "Not given" in str(note))
    assert "cm2" not in absent
    assert "years" not in absent
    assert not any("Not given" in str(note) for note in forecaster.estimate(COMPLETE).notes)


def test_more_ink_and_smoking_never_look_faster_in_the_default_clinic(forecaster):
    base = forecaster.estimate(COMPLETE).chance_by(10)
    for change in ({"ink_density": "heavy"}, {"smoker": "yes"}, {"inks": "black;green"}):
        assert forecaster.estimate(replace(COMPLETE, **change)).chance_by(10) < base


def test_who_wants_lightening_stops_by_the_sessions_to_clearing(forecaster):
    found = {}
    for goal in ("clear", "lighten"):
        model = evidence_model(goal).from_prior(tuple(hazard_prior(goal)))
        changed = replace(forecaster, goal=goal, model=model, evidence=None, recalibration=None)
        draws, _ = changed.estimate_draws([COMPLETE])
        found[goal] = (changed.stop_hazard(COMPLETE), np.cumsum(draws.mean(axis=0)[0])[4])
    assert_allclose(found["lighten"][0], found["clear"][0], rtol=1e-6)
    # though it needs far fewer sessions
    assert found["lighten"][1] > found["clear"][1] + 0.2


def test_what_is_said_of_later_sessions_starts_after_those_done(forecaster):
    draws, expected = forecaster.draws_after(COMPLETE, 3)
    pmf = forecaster.estimate(COMPLETE).distribution.pmf[0]
    assert_allclose(draws.mean(axis=0)[:22], pmf[3:] / (1 - pmf[:3].sum()), atol=1e-9)
    assert expected > 1
    later = forecaster.describe(COMPLETE, draws, level=0.8, done=3)
    assert later.supported_to == forecaster.supported_to - 3
    assert_allclose(later.stop_hazard[:5], forecaster.stop_hazard(COMPLETE)[3:8])
    assert later.notes == ()
