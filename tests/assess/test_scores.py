"""Scores under censoring, against published numbers, R, scikit-survival and the truth."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.testing import assert_allclose
from sksurv.metrics import brier_score, concordance_index_ipcw, cumulative_dynamic_auc
from sksurv.util import Surv

from forecast.assess import (
    Outcomes,
    brier,
    interval_coverage,
    tie_split_coverage,
)
from forecast.assess.scores import (
    a_calibration,
    auc_at,
    d_calibration,
    log_score,
    score_curve,
    tie_split_share,
    uno_concordance,
)
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
    with pytest.raises(RequestError, match="paths: 9"):
        brier(drawn.truth, drawn.outcomes.take(np.arange(9)))


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


def test_a_log_of_many_paths_is_ranked_without_comparing_pairs(sample):
    # Every path three times over: the same number, had each pair been compared.
    drawn = sample(200, seed=2)
    rows = np.repeat(np.arange(200), 3)
    once = uno_concordance(drawn.truth, drawn.outcomes, horizon=12)
    thrice = uno_concordance(drawn.truth[rows], drawn.outcomes.take(rows), horizon=12)
    assert_allclose(once, thrice)


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


def test_a_calibration_counts_the_events_against_those_expected_of_all_at_risk():
    # The same five by hand: events at ranks .9, .7, .4 and .1, one censored at .2. The cumulative
    # hazard of a rank u is -log(1 - u); each adds what it was at risk for in each quarter.
    by_first = 1 - np.array([0.1, 0.3, 0.6, 0.9, 0.8])
    predicted = CountDistribution(np.column_stack([by_first, np.zeros(5)]))
    observed = np.array([True, True, True, True, False])
    seen = Outcomes(np.array([2, 2, 2, 2, 1]), observed, weight=np.full(5, 40.0))
    test = a_calibration(predicted, seen, bins=4)
    until = np.minimum([0.25, 0.5, 0.75, 1.0], np.array([0.9, 0.7, 0.4, 0.1, 0.2])[:, None])
    total = -np.log(1 - until).sum(axis=0)
    assert_allclose(test.expected, 40 * np.diff(total, prepend=0))
    assert_allclose(test.counts, [40, 40, 40, 40])


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


def rejected(quicker: float, samples: int) -> tuple[float, float]:
    """How often A- and D-calibration reject hazards that are ``quicker`` times the true ones."""
    found, censored = [], []
    steps = np.arange(40)
    for seed in range(samples):
        rng = np.random.default_rng([seed, 9])
        rate = np.minimum(0.05 + 0.01 * steps, 0.3) * np.exp(0.4 * rng.normal(size=(300, 1)))
        count = (rng.random((300, 40)) < -np.expm1(-rate)).argmax(axis=1) + 1
        leaves = rng.geometric(0.12, 300)
        seen = Outcomes(np.minimum(count, leaves), count <= leaves)
        predicted = CountDistribution.from_hazard(-np.expm1(-quicker * rate))
        found.append(
            [
                test(predicted, seen, seed=seed).p_value < 0.05
                for test in (a_calibration, d_calibration)
            ]
        )
        censored.append(1 - seen.observed.mean())
    assert 0.52 < np.mean(censored) < 0.6
    return tuple(np.mean(found, axis=0))


@pytest.mark.slow
def test_a_calibration_keeps_its_size_and_sees_more_than_d_calibration_under_censoring():
    # its size was 5.9 % of 2,000 samples; here with the leeway of 1,000
    assert rejected(1.0, 1000)[0] <= 0.06 + 2 * (0.06 * 0.94 / 1000) ** 0.5
    ours, other = rejected(1.45, 300)
    assert 0.3 <= other <= 0.6
    assert ours >= 1.3 * other


def test_a_stretch_of_ranks_counts_by_the_part_in_the_middle():
    share = tie_split_share(np.array([0.0, 0.2]), np.array([0.2, 0.2]), level=0.8)
    assert_allclose(share, [0.5, 1.0])
