"""Scores under censoring, against published numbers, scikit-survival and the truth."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from sksurv.metrics import brier_score
from sksurv.util import Surv

from forecast.assess import Outcomes, brier, crps_complete, log_score
from forecast.assess.dropout import known_status, still_watched
from forecast.errors import RequestError
from forecast.survival import CountDistribution


def shifted(outcomes):
    """Return scikit-survival's record with dropping out half a step after the event's turn."""
    return Surv.from_arrays(outcomes.observed, outcomes.step + 0.5 * ~outcomes.observed)


def test_brier_of_gbsg2_is_the_left_limit_number(gbsg2):
    # riskRegression in R gives 0.2087449; with the chance after the event, as scikit-survival
    # has it, 0.20881843 (its documented number).
    score = brier(gbsg2.predicted, gbsg2.outcomes)
    assert_allclose(score[1825 - 1], 0.2087449, atol=5e-8)


def test_brier_agrees_with_scikit_survival_once_dropping_out_comes_after_the_event(sample):
    drawn = sample(400, seed=2)
    record = shifted(drawn.outcomes)
    steps = np.arange(1, 16)
    _, expected = brier_score(record, record, drawn.truth.survival()[:, :15], steps + 0.25)
    assert_allclose(brier(drawn.truth, drawn.outcomes, horizon=15), expected, rtol=1e-12)


def test_brier_without_censoring_is_the_mean_squared_error(sample):
    drawn = sample(100, seed=3)
    complete = Outcomes(np.minimum(drawn.count, 25), drawn.count <= 25)
    by = drawn.count[:, None] <= np.arange(1, 26)
    expected = ((drawn.truth.cdf() - by) ** 2).mean(axis=0)
    assert_allclose(brier(drawn.truth, complete), expected)
    assert_allclose(crps_complete(drawn.truth, drawn.count).mean(), expected.sum())


@pytest.mark.slow
def test_weighting_recovers_the_brier_score_of_the_uncensored(sample):
    # With the chance after the event the score would be 8 % too high at this drop-out.
    differences = []
    for seed in range(300):
        drawn = sample(300, seed=seed, drop_out=0.15)
        complete = Outcomes(np.minimum(drawn.count, 25), drawn.count <= 25)
        full = brier(drawn.truth, complete)[:9].sum()
        differences.append(brier(drawn.truth, drawn.outcomes)[:9].sum() - full)
    error = np.std(differences) / len(differences) ** 0.5
    assert abs(np.mean(differences)) < 3 * error, f"{np.mean(differences)} ± {error}"


def test_late_entry_is_scored_on_what_was_left():
    # Given none by step 1, the second step has 0.25 / 0.5: half.
    known = CountDistribution(np.array([[0.5, 0.25, 0.125]]))
    late = Outcomes(np.array([3]), np.array([True]), entry=np.array([1]))
    assert_allclose(brier(known, late), [0, 0.25, 0.0625])
    assert_allclose(log_score(known, late), np.log(2))


def test_log_score_is_the_mean_binomial_deviance_of_the_steps():
    hazard = np.array([[0.1, 0.2, 0.3], [0.4, 0.5, 0.6]])
    seen = Outcomes(np.array([3, 2]), np.array([True, False]))
    steps = [-np.log(0.9), -np.log(0.8), -np.log(0.3), -np.log(0.6), -np.log(0.5)]
    score = log_score(CountDistribution.from_hazard(hazard), seen)
    assert_allclose(score, np.mean(steps))


def test_the_truth_scores_best_on_average(sample):
    drawn = sample(4000, seed=5)
    late = CountDistribution.from_hazard(drawn.truth.hazard() * 0.7)
    for score in (log_score, lambda d, o: brier(d, o, horizon=15).sum()):
        assert score(drawn.truth, drawn.outcomes) < score(late, drawn.outcomes)


def test_one_impossible_event_does_not_make_the_score_infinite():
    certain_not = CountDistribution(np.array([[0.0, 0.5]]))
    assert_allclose(
        log_score(certain_not, Outcomes(np.array([1]), np.array([True]))), -np.log(1e-6)
    )


def test_the_chance_of_still_being_watched_is_kaplan_meier_with_events_first():
    # Steps 1: event and drop-out. Of the two without the event at 1 one leaves; then one of one.
    seen = Outcomes(np.array([1, 1, 2]), np.array([True, False, False]))
    assert_allclose(still_watched(seen, horizon=2), [[1, 0.5, 0]] * 3)
    status = known_status(seen, still_watched(seen, horizon=2))
    assert_allclose(status.weight, [[1, 1], [1, 0], [1, 2]])


def test_weights_count_as_repeated_rows(sample):
    drawn = sample(60, seed=6)
    seen = drawn.outcomes
    twice = Outcomes(seen.step, seen.observed, weight=np.full(60, 2.0))
    rows = np.repeat(np.arange(60), 2)
    assert_allclose(
        brier(drawn.truth, twice, horizon=9), brier(drawn.truth[rows], seen.take(rows), horizon=9)
    )


def test_scoring_further_than_predicted_is_refused(sample):
    drawn = sample(10, seed=1)
    with pytest.raises(RequestError, match="ends at 25"):
        brier(drawn.truth, drawn.outcomes, horizon=26)
    with pytest.raises(RequestError, match="for 9 path"):
        brier(drawn.truth, drawn.outcomes.take(np.arange(9)))
