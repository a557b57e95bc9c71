"""What holds for every score: the order of paths and repeated paths do not matter."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from forecast.assess import Outcomes, brier, fit_recalibration, interval_coverage, log_score
from forecast.assess.concordance import auc_at, uno_concordance
from forecast.assess.pit import pit_ranges
from forecast.assess.reliability import calibration_slope, observed_to_expected, smoothed_error

SCORES = {
    "log score": log_score,
    "brier": lambda d, o: brier(d, o, horizon=12),
    "concordance": lambda d, o: uno_concordance(d, o, horizon=12),
    "auc": lambda d, o: auc_at(d, o, [4, 8]),
    "slope": lambda d, o: calibration_slope(d, o, step=6).slope,
    "error": lambda d, o: smoothed_error(d, o, step=6).ici,
    "ratio": lambda d, o: observed_to_expected(d, o)[0],
    "tie-split": lambda d, o: interval_coverage(d, o).tie_split,
    "plain": lambda d, o: interval_coverage(d, o).plain,
    "one-sided": lambda d, o: interval_coverage(d, o).above,
    "recalibration": lambda d, o: fit_recalibration(d, o).shift,
}


@pytest.fixture
def late(sample):
    """Half of the paths entered late."""
    drawn = sample(300, seed=3)
    entry = np.where(np.arange(300) % 2, np.minimum(2, drawn.outcomes.step - 1), 0)
    return drawn.truth, Outcomes(drawn.outcomes.step, drawn.outcomes.observed, entry)


@pytest.mark.parametrize("score", SCORES.values(), ids=SCORES)
def test_the_order_of_paths_does_not_matter(late, score):
    predicted, seen = late
    order = np.random.default_rng(0).permutation(300)
    assert_allclose(score(predicted[order], seen.take(order)), score(predicted, seen), atol=1e-6)


@pytest.mark.parametrize("score", SCORES.values(), ids=SCORES)
def test_a_path_of_no_weight_changes_nothing(late, score):
    predicted, seen = late
    rows = np.append(np.arange(300), [0, 1, 2])
    weight = np.append(np.ones(300), np.zeros(3))
    more = Outcomes(seen.step[rows], seen.observed[rows], seen.entry[rows], weight)
    assert_allclose(score(predicted[rows], more), score(predicted, seen), atol=1e-6)


def test_what_was_seen_can_not_be_changed_and_is_not_the_callers(sample):
    step = np.array([3, 4])
    seen = Outcomes(step, np.array([True, False]))
    step[0] = 9
    assert seen.step.tolist() == [3, 4]
    with pytest.raises(ValueError, match="read-only"):
        seen.step[0] = 1


def test_ranks_of_a_late_entry_are_of_what_was_left(late):
    predicted, seen = late
    low, high = pit_ranges(predicted, seen)
    assert (low >= 0).all()
    assert (high <= 1).all()
    first_step = seen.observed & (seen.step == seen.entry + 1)
    assert_allclose(low[first_step], 0)
