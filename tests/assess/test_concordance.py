"""Ordering under censoring, against R and scikit-survival."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from sksurv.metrics import concordance_index_ipcw, cumulative_dynamic_auc
from sksurv.util import Surv

from forecast.assess import Outcomes
from forecast.assess.concordance import auc_at, uno_concordance
from forecast.errors import RequestError
from forecast.survival import CountDistribution


def shifted(outcomes):
    """Return scikit-survival's record with dropping out half a step after the event's turn."""
    return Surv.from_arrays(outcomes.observed, outcomes.step + 0.5 * ~outcomes.observed)


def test_concordance_and_area_of_gbsg2_agree_with_r(gbsg2):
    # R: survival::concordance(timewt = "n/G2", ymax = 1825) and riskRegression.
    assert_allclose(uno_concordance(gbsg2.predicted, gbsg2.outcomes), 0.6765974, atol=5e-6)
    assert_allclose(auc_at(gbsg2.predicted, gbsg2.outcomes, [1825]), [0.74405], atol=5e-6)


def test_areas_of_gbsg2_are_near_those_of_scikit_survival(gbsg2):
    # Its documented numbers use the chance after the event, which differs in the fourth digit.
    steps = [365, 730, 1460, 1825]
    expected = [0.75992, 0.73500, 0.73646, 0.74399]
    assert_allclose(auc_at(gbsg2.predicted, gbsg2.outcomes, steps), expected, atol=1e-4)


def test_who_leaves_on_the_day_itself_is_known_to_be_without_the_event(gbsg2):
    # Two women left on day 1095; scikit-survival's documented 0.73833 leaves them out.
    record = shifted(gbsg2.outcomes)
    by_day = gbsg2.predicted.cdf()[:, 1095 - 1]
    expected = cumulative_dynamic_auc(record, record, by_day, [1095.25])[0]
    assert_allclose(auc_at(gbsg2.predicted, gbsg2.outcomes, [1095]), expected, rtol=1e-9)


def test_tied_steps_agree_with_scikit_survival_once_dropping_out_comes_after_the_event(sample):
    drawn = sample(300, seed=8)
    record = shifted(drawn.outcomes)
    risk = -drawn.truth.mean_capped(12)
    expected = concordance_index_ipcw(record, record, risk, tau=12.25)[0]
    assert_allclose(uno_concordance(drawn.truth, drawn.outcomes, horizon=12), expected, rtol=1e-9)
    for step in (5, 10):
        by_step = drawn.truth.cdf()[:, step - 1]
        expected = cumulative_dynamic_auc(record, record, by_step, [step + 0.25])[0]
        assert_allclose(auc_at(drawn.truth, drawn.outcomes, [step]), expected, rtol=1e-9)


def test_equal_predictions_are_worth_a_half():
    same = CountDistribution(np.full((4, 3), 0.2))
    seen = Outcomes(np.array([1, 2, 3, 3]), np.array([True, True, True, False]))
    assert uno_concordance(same, seen) == 0.5
    assert auc_at(same, seen, [1, 2]).tolist() == [0.5, 0.5]


def test_nothing_to_compare_is_not_a_number():
    same = CountDistribution(np.full((2, 3), 0.2))
    seen = Outcomes(np.array([1, 2]), np.array([False, False]))
    assert np.isnan(uno_concordance(same, seen))
    assert np.isnan(auc_at(same, seen, [2])).all()


def test_a_path_that_entered_later_is_not_compared_with_an_event_before():
    quick_slow = CountDistribution.from_hazard([[0.1] * 5, [0.9] * 5])
    seen = Outcomes(np.array([2, 5]), np.array([True, True]), entry=np.array([0, 3]))
    assert np.isnan(uno_concordance(quick_slow, seen))


def test_steps_are_counted_from_one_and_within_the_prediction(sample):
    drawn = sample(30, seed=1)
    for step in (0, 26):
        with pytest.raises(RequestError, match=f"horizon is {step}"):
            auc_at(drawn.truth, drawn.outcomes, [5, step])
    assert auc_at(drawn.truth, drawn.outcomes, []).shape == (0,)


def test_drop_out_chances_of_another_shape_are_refused(sample):
    drawn = sample(30, seed=1)
    with pytest.raises(RequestError, match=r"shape \(30, 5\)"):
        uno_concordance(drawn.truth, drawn.outcomes, horizon=5, watched=np.ones((30, 5)))


def test_a_log_of_many_paths_is_ranked_without_comparing_pairs(sample):
    # Every path three times over: the same number, had each pair been compared.
    drawn = sample(200, seed=2)
    rows = np.repeat(np.arange(200), 3)
    once = uno_concordance(drawn.truth, drawn.outcomes, horizon=12)
    thrice = uno_concordance(drawn.truth[rows], drawn.outcomes.take(rows), horizon=12)
    assert_allclose(once, thrice)
