"""Scores under censoring, against published numbers, R, scikit-survival and the truth; choice."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from sksurv.metrics import brier_score, concordance_index_ipcw, cumulative_dynamic_auc
from sksurv.util import Surv

from forecast.assess import Outcomes, brier, grouped_folds, predict_left_out, score_candidates
from forecast.assess.scores import auc_at, log_score, uno_concordance
from forecast.errors import DataError, FitError, RequestError
from forecast.survival import AcceleratedTime, CountDistribution, Durations, LifeTable

MODEL = AcceleratedTime(penalty=1.0)


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


@dataclass(frozen=True)
class Refusing:
    name: str = "refusing"

    def predict_left_out(self, durations, horizon, *, n_draws):
        raise FitError("It does not work.", "Try another.")


@dataclass(frozen=True)
class Named:
    name: str
    model: AcceleratedTime

    def predict_left_out(self, durations, horizon, **draws):
        return self.model.predict_left_out(durations, horizon, **draws)


def durations_of(sample, *, twice=False):
    frame = pd.DataFrame(sample.covariates, columns=["a", "b", "c"])
    frame["step"], frame["seen"] = sample.outcomes.step, sample.outcomes.observed
    frame["who"] = np.arange(len(frame)) // (2 if twice else 1)
    return Durations.from_frame(
        frame, step="step", observed="seen", covariates=["a", "b", "c"], subject="who"
    )


@pytest.mark.parametrize("model", [LifeTable(), MODEL])
def test_what_came_of_a_subject_does_not_reach_its_own_prediction(sample, model):
    durations = durations_of(sample(240, seed=1), twice=True)
    step, observed = durations.step.copy(), durations.observed.copy()
    step[:2], observed[:2] = 14, ~observed[:2]
    other = replace(durations, step=step, observed=observed)
    before, after = (
        predict_left_out([model], each, horizon=20, workers=1)[0].predicted
        for each in (durations, other)
    )
    moved = np.abs(before.cdf() - after.cdf()).max(axis=1)
    whole = [model.fit(each).predict(each.covariates, 20) for each in (durations, other)]
    fitted = np.abs(whole[0].cdf() - whole[1].cdf()).max(axis=1)
    assert moved[:2].max() < 0.15 * fitted[:2].max()
    assert moved[2:].max() > 0.5 * fitted[2:].max()


def test_the_better_model_is_chosen_and_ties_go_to_the_simpler(sample):
    durations = durations_of(sample(400, seed=2))
    candidates = [Named("no covariates", AcceleratedTime(penalty=1e6)), MODEL]
    table = score_candidates(predict_left_out(candidates, durations, horizon=25, workers=1))
    assert table.set_index("chosen").loc[True, "model"] == MODEL.name
    assert table.loc[0, "behind_best"] > table.loc[0, "behind_best_error"]
    assert table["chosen"].tolist() == [False, True]
    # Covariates of another path say nothing.
    shuffled = durations.covariates.sample(frac=1, random_state=0).reset_index(drop=True)
    nothing = replace(durations, covariates=shuffled)
    table = score_candidates(predict_left_out(candidates, nothing, horizon=25, workers=1))
    assert table.set_index("chosen").loc[True, "model"] == "no covariates"


def test_scores_are_those_of_the_predictions_left_out(sample):
    durations = durations_of(sample(150, seed=3))
    results = predict_left_out([MODEL], durations, horizon=25, workers=1)
    expected = log_score(results[0].predicted, results[0].outcomes)
    assert_allclose(score_candidates(results).loc[0, "log_score"], expected)


def test_the_error_of_a_difference_is_that_of_resampling(sample):
    durations = durations_of(sample(300, seed=4))
    results = predict_left_out([LifeTable(), MODEL], durations, horizon=25, workers=1)
    table = score_candidates(results)
    seen, rng, again = results[0].outcomes, np.random.default_rng(0), []
    for _ in range(400):
        rows = rng.integers(0, 300, size=300)
        pair = [log_score(each.predicted[rows], seen.take(rows)) for each in results]
        again.append(pair[0] - pair[1])
    assert_allclose(table.loc[0, "behind_best_error"], np.std(again), rtol=0.15)


def test_a_candidate_that_fails_is_reported_and_not_chosen(sample):
    durations = durations_of(sample(150, seed=5))
    results = predict_left_out([Refusing(), LifeTable()], durations, horizon=25, workers=1)
    table = score_candidates(results)
    assert table.set_index("chosen").loc[True, "model"] == "life table"
    assert table["problem"].tolist() == ["It does not work. Try another.", ""]
    with pytest.raises(FitError, match="No candidate"):
        score_candidates(results[:1])


def test_a_fit_that_starts_near_another_ends_where_it_would_have_ended(sample):
    durations = durations_of(sample(300, seed=10))
    half = durations.take(np.arange(150))
    for model in (AcceleratedTime("lognormal"), AcceleratedTime("weibull", penalty=1.0)):
        plain, near = model.fit(durations), model.fit(durations, model.fit(half))
        pmfs = [each.predict(durations.covariates, 25).pmf for each in (plain, near)]
        assert_allclose(pmfs[1], pmfs[0], atol=1e-6)


def test_workers_do_not_change_the_numbers(sample):
    durations = durations_of(sample(120, seed=6))
    alone, together = (
        predict_left_out([LifeTable(), MODEL], durations, horizon=12, workers=n) for n in (1, 2)
    )
    for one, other in zip(alone, together, strict=True):
        assert (one.predicted.pmf == other.predicted.pmf).all()


def test_averaging_over_parameter_draws_widens_the_prediction(sample):
    durations = durations_of(sample(60, seed=7))
    point, mixed = (
        predict_left_out([MODEL], durations, horizon=25, n_draws=n, workers=1)[0].predicted
        for n in (0, 60)
    )

    def spread(distribution):
        ends = np.minimum(distribution.interval(0.9), 26)
        return (ends[:, 1] - ends[:, 0]).mean()

    assert spread(mixed) > spread(point)


def test_names_must_differ(sample):
    with pytest.raises(RequestError, match="its own name"):
        predict_left_out([MODEL, MODEL], durations_of(sample(9, seed=0)), horizon=9)


def test_paths_that_enter_beyond_the_horizon_are_left_out_of_the_scores(sample):
    plain = durations_of(sample(120, seed=8))
    entry = np.zeros(120, dtype=int)
    entry[:3] = 30
    step = np.where(entry > 0, 32, plain.step)
    late = replace(plain, step=step, entry=entry)
    (result,) = predict_left_out([MODEL], late, horizon=25, workers=1)
    assert result.rows.tolist() == list(range(3, 120))
    assert len(result.predicted) == len(result.outcomes) == 117


def test_paths_never_watched_are_refused():
    with pytest.raises(DataError, match="never watched"):
        Outcomes(np.array([2]), np.array([True]), entry=np.array([2]))


@given(
    owners=st.lists(st.integers(0, 30), min_size=2, max_size=120).filter(lambda x: len(set(x)) > 1),
    n_folds=st.integers(2, 12),
    seed=st.integers(0, 5),
)
def test_a_subject_is_never_split_and_folds_are_of_even_size(owners, n_folds, seed):
    fold = grouped_folds(owners, n_folds=n_folds, seed=seed)
    assert fold.shape == (len(owners),)
    fold_of = {}
    for owner, number in zip(owners, fold, strict=True):
        assert fold_of.setdefault(owner, number) == number
    sizes = np.bincount(list(fold_of.values()), minlength=min(n_folds, len(fold_of)))
    assert sizes.max() - sizes.min() <= 1


def test_the_order_of_rows_does_not_matter():
    owners = np.repeat(np.arange(150), 2)
    order = np.random.default_rng(0).permutation(300)
    folds = grouped_folds(owners, seed=4)
    assert (grouped_folds(owners[order], seed=4) == folds[order]).all()
    assert not (grouped_folds(owners, seed=5) == folds).all()


def test_fewer_subjects_than_folds_are_each_their_own():
    folds = grouped_folds(["b", "a", "b", "c"], n_folds=5)
    assert folds[0] == folds[2]
    assert sorted(folds[1:].tolist()) == [0, 1, 2]


def test_subjects_with_the_event_are_spread_over_all_folds():
    events = np.zeros(200)
    events[:20] = 1
    fold = grouped_folds(np.arange(200), events=events, n_folds=10, seed=1)
    assert np.bincount(fold, weights=events).tolist() == [2] * 10


def test_one_subject_and_one_fold_are_refused():
    with pytest.raises(DataError, match="at least two"):
        grouped_folds(["a", "a"])
    with pytest.raises(RequestError, match="n_folds"):
        grouped_folds(["a", "b"], n_folds=1)


def test_a_level_of_one_row_disqualifies_no_regression():
    rng = np.random.default_rng(0)
    frame = pd.DataFrame({"k": rng.geometric(0.2, 240).clip(1, 10), "x": rng.normal(size=240)})
    frame["group"] = ["rare", *rng.choice(["a", "b"], 239)]
    frame["same"] = "one"
    frame["seen"] = frame["k"] < 10
    durations = Durations.from_frame(
        frame, step="k", observed="seen", covariates=["x", "group", "same"]
    )
    candidates = [LifeTable(), AcceleratedTime("weibull", penalty=4.0), MODEL]
    table = score_candidates(predict_left_out(candidates, durations, horizon=10))
    assert table["problem"].tolist() == ["", "", ""]
    assert np.isfinite(table["log_score"]).all()
