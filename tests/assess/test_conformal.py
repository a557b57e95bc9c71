"""Interval ends by Kaplan-Meier on the rank."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from forecast.assess import Outcomes, conformal_bounds, plain_coverage
from forecast.survival import CountDistribution


def test_the_cuts_by_hand():
    # Nine events at ranks .1 to .9 of an even distribution, one path added to each risk set:
    # the curve falls by 1/10 of what is left at each, to 0.1 exactly at the ninth.
    even = CountDistribution(np.full((9, 10), 0.1))
    seen = Outcomes(np.arange(1, 10), np.ones(9, dtype=bool))
    cuts = conformal_bounds(even, seen, level=0.8)
    assert_allclose([cuts.low, cuts.high, cuts.at_most], [0.1, 0.8, 0.7])
    assert cuts.interval(even[:1]).tolist() == [[1, 9]]
    assert cuts.upper(even[:1]).tolist() == [8]


def test_an_upper_end_is_open_when_the_curve_does_not_come_down():
    even = CountDistribution(np.full((9, 10), 0.1))
    seen = Outcomes(np.arange(1, 10), np.arange(9) < 4)
    cuts = conformal_bounds(even, seen, level=0.8)
    assert np.isinf(cuts.high)
    assert np.isinf(cuts.interval(even)[:, 1]).all()


@pytest.mark.slow
@pytest.mark.parametrize("n", [150, 300, 1000])
@pytest.mark.parametrize("shape", ["right", "constant"])
def test_ninety_percent_intervals_cover_88_to_96(sample, n, shape):
    # The band that a simulation study of nine methods found for this one, whether the model is
    # well or badly shaped: discreteness makes it cover 1 to 4 points more than it says.
    covered = []
    for seed in range(60):
        drawn = sample(n, seed=seed)
        fresh = sample(1000, seed=seed + 5000)
        bounds = []
        for each in (drawn, fresh):
            if shape == "right":
                bounds.append(each.truth)
            else:
                bounds.append(CountDistribution.from_hazard(np.full((len(each.count), 25), 0.11)))
        cuts = conformal_bounds(bounds[0], drawn.outcomes, level=0.9)
        count = np.where(fresh.count > 25, np.inf, fresh.count)
        covered.append(plain_coverage(cuts.interval(bounds[1]), count).mean())
    assert 0.88 < np.mean(covered) < 0.96, f"{np.mean(covered)}"
