"""Coverage of intervals when some outcomes were not seen to the end, and ranks of outcomes."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.testing import assert_allclose

from forecast.assess import Outcomes, d_calibration, interval_coverage, tie_split_coverage
from forecast.assess.coverage import score_curve
from forecast.errors import RequestError
from forecast.survival import CountDistribution


def covered(interval, count):
    """Return whether each known count lies in its interval, ends included."""
    return (interval[:, 0] <= count) & (count <= interval[:, 1])


def test_without_censoring_every_form_is_the_plain_count(sample):
    drawn = sample(500, seed=1)
    seen = Outcomes(np.minimum(drawn.count, 25), drawn.count <= 25)
    found = interval_coverage(drawn.truth, seen, level=0.8)
    top = found.supported_to
    inside = covered(drawn.truth.interval(0.8), np.where(drawn.count > top, np.inf, drawn.count))
    assert_allclose(found.plain, inside.mean(), atol=1e-12)
    assert_allclose([found.known_covered, 1 - found.known_missed], inside.mean(), atol=1e-12)
    assert_allclose(1 - found.below - found.above, inside.mean(), atol=1e-12)
    cut = CountDistribution(drawn.truth.pmf[:, :top])
    split = tie_split_coverage(cut, drawn.count, level=0.8)
    assert_allclose(found.tie_split, split.mean(), atol=1e-12)
    assert_allclose(found.tie_split_error, split.std() / 500**0.5, rtol=1e-9)


def test_a_path_that_outlasts_the_interval_is_known_to_be_missed():
    certain = CountDistribution(np.tile([0.0, 1.0, 0.0, 0.0], (12, 1)))
    step = np.repeat([2, 1, 4], 4)
    seen = Outcomes(step, np.repeat([True, False, False], 4))
    found = interval_coverage(certain, seen, level=0.8)
    assert_allclose([found.known_covered, found.known_missed], [1 / 3, 1 / 3])


def test_the_truth_is_covered_at_its_level_despite_censoring(sample):
    split, plain, complete, error = [], [], [], []
    for seed in range(60):
        drawn = sample(300, seed=seed, drop_out=0.12)
        found = interval_coverage(drawn.truth, drawn.outcomes, level=0.8)
        split.append(found.tie_split)
        error.append(found.tie_split_error)
        plain.append(found.plain)
        count = np.where(drawn.count > found.supported_to, np.inf, drawn.count)
        cut = CountDistribution(drawn.truth.pmf[:, : found.supported_to])
        complete.append(covered(cut.interval(0.8), count).mean())
        assert found.known_covered <= found.plain <= 1 - found.known_missed
    assert abs(np.mean(split) - 0.8) < 0.012  # 60 runs: 0.004 each way
    assert abs(np.mean(plain) - np.mean(complete)) < 0.012  # likewise
    # The error by subject, weights taken as known, is cautious.
    assert 0.8 < np.mean(error) / np.std(split) < 1.5


def test_late_entry_is_judged_on_what_was_left(sample):
    drawn = sample(4000, seed=3, drop_out=0.05)
    entry = np.random.default_rng(0).integers(0, 4, size=4000)
    still = drawn.outcomes.step > entry
    seen = Outcomes(
        drawn.outcomes.step, drawn.outcomes.observed, np.minimum(entry, drawn.outcomes.step - 1)
    )
    found = interval_coverage(drawn.truth[still], seen.take(still), level=0.8)
    assert abs(found.tie_split - 0.8) < 3 * found.tie_split_error


def test_score_curve_is_kaplan_meier():
    # Freireich's 6-MP arm: S(10) = .7529 and S(23) = .4482 (Kleinbaum & Klein).
    weeks = [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35]
    event = [1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0]
    curve = [score_curve(weeks, event, week, np.ones(21)) for week in (10, 11, 24)]
    assert_allclose(curve, [0.8067, 0.7529, 0.4482], atol=5e-5)


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
    held = tie_split_coverage(perfect, np.arange(1, 8), level=level)
    assert_allclose(chance @ held, level, atol=1e-9)


def test_tie_split_coverage_of_a_narrow_distribution_falls_short():
    # Truth even over four steps, prediction certain of the two middle ones.
    narrow = CountDistribution(np.tile([0.0, 0.5, 0.5, 0.0], (4, 1)))
    held = tie_split_coverage(narrow, np.arange(1, 5), level=0.8)
    assert_allclose(held, [0, 0.8, 0.8, 0])


def test_a_level_is_a_probability(sample):
    drawn = sample(5, seed=0)
    with pytest.raises(RequestError, match="level is 80"):
        tie_split_coverage(drawn.truth, drawn.count, level=80)
