"""Planning by simulation and by Schoenfeld's formula, against rpact and against each other."""

from itertools import pairwise

import numpy as np
import pytest
from lifelines.datasets import load_leukemia
from numpy.testing import assert_allclose

from forecast.causal import (
    Design,
    e_value,
    hazard_ratio_for,
    schoenfeld_events,
    subjects_needed,
    tipping_survival,
)
from forecast.causal.planning import simulate_power
from forecast.errors import RequestError


def test_means_need_about_as_many_events_as_the_formula_says():
    design = Design(np.full(25, 0.1), np.full(25, 0.02), 1.5)
    for found in subjects_needed(design, simulations=600):
        assert found.events == pytest.approx(schoenfeld_events(1.5, power=found.power), rel=0.2)


def test_wider_intervals_and_what_else_is_needed_take_more_subjects():
    hazard, loss = np.full(10, 0.1), np.full(10, 0.05)
    plain = Design(hazard, loss, ratio=1.5)
    wider = Design(hazard, loss, ratio=1.5, half_width=lambda error: 3.0 * error)
    for once, more in zip(subjects_needed(plain), subjects_needed(wider), strict=True):
        # errors from zero for 8 in 10: 1.96 + 0.84 and 3 + 0.84, and 0.44 more for 9 in 10
        beyond = 0.84 if once.power == 0.8 else 1.28
        assert more.n / once.n == pytest.approx(((3 + beyond) / (1.96 + beyond)) ** 2, rel=0.1)
        assert simulate_power(wider, more.n, seed=9).power == pytest.approx(more.power, abs=0.06)
    often = Design(hazard, loss, ratio=1.5, enough=lambda n: 0.9 if n < 700 else 1.0)
    eight, nine = (one.n for one in subjects_needed(often))
    assert subjects_needed(plain)[0].n < eight < 700
    assert nine in (700, 701)  # with 0.9 at most, never 9 in 10 before
    with pytest.raises(RequestError, match="More than 100000 courses"):
        subjects_needed(Design(hazard, loss, ratio=1.5, enough=lambda n: 0.5))


def test_size_under_no_difference():
    design = Design(np.full(15, 0.12), np.full(15, 0.03), 1.0)
    found = simulate_power(design, 200, simulations=4000)
    assert found.power == pytest.approx(0.025, abs=0.01)


def test_the_hazard_ratio_makes_the_difference_asked_for():
    hazard = np.full(15, 0.12)
    ratio = hazard_ratio_for(hazard, -1.0)
    survival = (1 - 0.12) ** np.arange(15)
    assert (survival**ratio).sum() - survival.sum() == pytest.approx(-1.0)
    with pytest.raises(RequestError, match="cannot occur"):
        hazard_ratio_for(hazard, -14.5)


@pytest.mark.parametrize(
    ("ratio", "power", "share", "events"),
    [
        (0.5, 0.8, 0.5, 65.34566),  # rpact's eventsFixed
        (0.7, 0.9, 0.5, 330.3779),  # rpact's eventsFixed
    ],
)
def test_schoenfeld_events(ratio, power, share, events):
    needed = schoenfeld_events(ratio, power=power, share=share)
    assert needed == pytest.approx(events, abs=5e-4)
    assert schoenfeld_events(1 / ratio, power=power, share=share) == pytest.approx(needed)
    with pytest.raises(RequestError, match="not 1"):
        schoenfeld_events(1.0)


@pytest.mark.parametrize(("ratio", "value"), [(3.9, 7.26), (0.8, 1.81), (1.0, 1.0)])
def test_e_values_of_vanderweele_and_ding(ratio, value):
    # Ann Intern Med 2017;167:268, the maternal smoking and breast-feeding examples
    assert e_value(ratio) == pytest.approx(value, abs=0.01)


def six_mp() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    frame = load_leukemia()
    treated = frame[frame["Rx"] == 0]
    time, died = treated["t"].to_numpy(), treated["status"].to_numpy()
    at_risk = np.array([(time >= k).sum() for k in range(1, 36)])
    events = np.bincount(time, weights=died, minlength=36)[1:]
    lost = np.bincount(time, weights=1 - died, minlength=36)[1:]
    return at_risk, events, lost


def six_mp_curve(phi: float) -> np.ndarray:
    at_risk, events, lost = six_mp()
    return tipping_survival(at_risk, events, lost, events / np.maximum(at_risk, 1), phi=phi)


@pytest.mark.parametrize(("phi", "survival"), [(0.0, 12 / 21), (1.0, 0.4482), (1.5, 0.4012)])
def test_tipping_curve_of_the_6_mp_arm(phi, survival):
    assert six_mp_curve(phi)[23] == pytest.approx(survival, abs=5e-5)


def test_worse_drop_outs_give_higher_survival():
    curves = [six_mp_curve(phi) for phi in (0, 0.5, 1, 2, 4, np.inf)]
    for worse, better in pairwise(curves):
        assert (worse >= better - 1e-12).all()


def test_phi_of_one_returns_the_hazard_of_everyone_when_it_is_given():
    at_risk, events, lost = six_mp()
    everyone = np.where(at_risk > 0, events / np.maximum(at_risk, 1), 0) * 1.1
    survival = tipping_survival(at_risk, events, lost, everyone, phi=1)
    hazard = 1 - survival[1:] / survival[:-1]
    assert_allclose(hazard[9:23], everyone[9:23])  # from the first loss on


def test_a_ratio_of_nothing_is_refused():
    with pytest.raises(RequestError, match="risk_ratio"):
        e_value(0.0)
