"""Ranks of outcomes in their own predicted distributions."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.testing import assert_allclose

from forecast.assess import Outcomes, d_calibration, tie_split_coverage
from forecast.errors import RequestError
from forecast.survival import CountDistribution


def test_d_calibration_of_the_published_hand_example():
    # Haider et al. (2020, JMLR 21:85): survival .1 .3 .6 .9 at four events, and one censored at
    # .8, in four bins: the censored one adds .0625 to its bin and .3125 to each lower one.
    # A step of no probability puts an event exactly at its survival.
    by_first = 1 - np.array([0.1, 0.3, 0.6, 0.9, 0.8])
    predicted = CountDistribution(np.column_stack([by_first, np.zeros(5)]))
    seen = Outcomes(np.array([2, 2, 2, 2, 1]), np.array([True, True, True, True, False]))
    test = d_calibration(predicted, seen, bins=4)
    assert_allclose(test.counts[::-1], [1.3125, 1.3125, 1.3125, 1.0625])
    assert_allclose(test.statistic, 0.0375)


def test_d_calibration_accepts_the_truth_at_its_nominal_rate(sample):
    # Ranks without randomising reject a true discrete model every time.
    rejected = []
    for seed in range(200):
        drawn = sample(300, seed=seed)
        test = d_calibration(drawn.truth, drawn.outcomes, seed=seed)
        rejected.append(test.p_value < 0.05)
    assert np.mean(rejected) <= 0.05 + 3 * (0.05 * 0.95 / 200) ** 0.5


def test_d_calibration_rejects_a_model_that_is_far_too_late(sample):
    drawn = sample(300, seed=1)
    late = CountDistribution.from_hazard(drawn.truth.hazard() * 0.5)
    assert d_calibration(late, drawn.outcomes).p_value < 1e-4


chances = arrays(float, (1, 6), elements=st.floats(0, 1)).map(lambda row: row / (row.sum() + 0.1))


@given(pmf=chances, level=st.floats(0.05, 0.95))
def test_a_perfect_distribution_is_covered_exactly_at_its_level(pmf, level):
    # Weigh each count, and "beyond", by its own chance: the expectation is the level itself.
    perfect = CountDistribution(np.repeat(pmf, 7, axis=0))
    chance = np.append(pmf[0], 1 - pmf[0].sum())
    covered = tie_split_coverage(perfect, np.arange(1, 8), level=level)
    assert_allclose(chance @ covered, level, atol=1e-9)


def test_tie_split_coverage_of_a_narrow_distribution_falls_short():
    # Truth even over four steps, prediction certain of the two middle ones.
    narrow = CountDistribution(np.tile([0.0, 0.5, 0.5, 0.0], (4, 1)))
    covered = tie_split_coverage(narrow, np.arange(1, 5), level=0.8)
    assert_allclose(covered, [0, 0.8, 0.8, 0])


def test_a_level_is_a_probability(sample):
    drawn = sample(5, seed=0)
    with pytest.raises(RequestError, match="level is 80"):
        tie_split_coverage(drawn.truth, drawn.count, level=80)
