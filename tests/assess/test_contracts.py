"""What holds for every score: the order of paths and repeated paths do not matter."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from forecast.assess import Outcomes, brier, interval_coverage
from forecast.assess.calibration import Judged
from forecast.assess.reliability import calibrations, observed_to_expected, pit_ranges
from forecast.assess.scores import auc_at, log_score, uno_concordance

SCORES = {
    "log score": log_score,
    "brier": lambda d, o: brier(d, o, horizon=12),
    "concordance": lambda d, o: uno_concordance(d, o, horizon=12),
    "auc": lambda d, o: auc_at(d, o, [4, 8]),
    "slope": lambda d, o: calibrations(d, o, [6])["calibration_slope"][0, 0],
    "error": lambda d, o: calibrations(d, o, [6])["ici"][0, 0],
    "ratio": lambda d, o: observed_to_expected(d, o)[0],
    "tie-split": lambda d, o: interval_coverage(d, o).tie_split,
    "plain": lambda d, o: interval_coverage(d, o).plain,
    "one-sided": lambda d, o: interval_coverage(d, o).above,
    "recalibration": lambda d, o: Judged.of(d, o).recalibration().shift,
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


def test_ranks_of_a_late_entry_are_of_what_was_left(late):
    predicted, seen = late
    low, high = pit_ranges(predicted, seen)
    assert (low >= 0).all()
    assert (high <= 1).all()
    first_step = seen.observed & (seen.step == seen.entry + 1)
    assert_allclose(low[first_step], 0)
