"""Planning by simulation and by Schoenfeld's formula, against rpact and against each other."""

import numpy as np
import pytest

from forecast.causal import Design, hazard_ratio_for, schoenfeld_events, subjects_needed
from forecast.causal.planning import simulate_power
from forecast.errors import RequestError


def test_means_need_about_as_many_events_as_the_formula_says():
    design = Design(np.full(25, 0.1), np.full(25, 0.02), 1.5)
    for found in subjects_needed(design, simulations=600):
        assert found.events == pytest.approx(schoenfeld_events(1.5, power=found.power), rel=0.2)


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
        (0.7, 0.8, 0.5, 246.8),
        (0.75, 0.9, 0.5, 507.8),
        (0.573, 0.9, 0.5, 135.5),
        (0.7, 0.9, 2 / 3, 371.7),
    ],
)
def test_schoenfeld_events(ratio, power, share, events):
    needed = schoenfeld_events(ratio, power=power, share=share)
    assert needed == pytest.approx(events, abs=0.05)
    assert schoenfeld_events(1 / ratio, power=power, share=share) == pytest.approx(needed)
    with pytest.raises(RequestError, match="not 1"):
        schoenfeld_events(1.0)
