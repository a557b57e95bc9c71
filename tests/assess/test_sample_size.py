"""Sample sizes for prediction models, against pmsampsize."""

import pytest

from forecast.assess import most_parameters, smallest_sample
from forecast.errors import RequestError


@pytest.mark.parametrize(
    ("parameters", "shrinkage", "optimism"),
    # pmsampsize's own test values for a survival outcome, R2_CS .051, rate .065, follow-up 2.07.
    [(30, 5143, 1039), (25, 4286, 866)],
)
def test_worked_example_of_riley(parameters, shrinkage, optimism):
    needed = smallest_sample(parameters, r2_cs=0.051, rate=0.065, follow_up=2.07)
    assert (needed.shrinkage, needed.optimism, needed.paths) == (shrinkage, optimism, shrinkage)
    assert round(needed.events_per_parameter, 2) == 23.07


def test_events_of_the_worked_example():
    assert smallest_sample(30, r2_cs=0.051, rate=0.065, follow_up=2.07).events == 692


@pytest.mark.parametrize(
    ("r2_cs", "paths", "parameters"),
    [(0.2, 60, 1.5), (0.2, 200, 5.0), (0.2, 300, 7.5), (0.4, 60, 3.5), (0.4, 300, 17.6)],
)
def test_what_a_small_log_can_bear(r2_cs, paths, parameters):
    # p = n (S - 1) ln(1 - R2 / S) with S = 0.9, Riley et al. (2020, BMJ 368:m441), by hand.
    assert round(most_parameters(paths, r2_cs=r2_cs), 1) == parameters


def test_nonsense_is_refused():
    with pytest.raises(RequestError, match="r2_cs"):
        smallest_sample(5, r2_cs=1.5, rate=0.1, follow_up=1)
    with pytest.raises(RequestError, match="rate"):
        smallest_sample(5, r2_cs=0.1, rate=0, follow_up=1)
    with pytest.raises(RequestError, match="Expect less"):
        most_parameters(100, r2_cs=0.95)
