"""Candidates fitted on folds, scored on the rest, and the simplest that will do."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from forecast.assess import (
    Outcomes,
    choose,
    grouped_folds,
    log_score,
    predict_out_of_fold,
    score_candidates,
)
from forecast.errors import DataError, FitError, RequestError
from forecast.survival import (
    AcceleratedTime,
    CountDistribution,
    DiscreteHazard,
    Durations,
    FittedCountModel,
    LifeTable,
)

HAZARD = DiscreteHazard(penalty=1.0)


@dataclass(frozen=True)
class Memory:
    """A model that knows the rows it was fitted to by heart and everyone else not at all."""

    name: str = "memory"
    known: frozenset[float] = frozenset()

    def fit(self, durations: Durations, near: object = None) -> "Memory":
        return Memory(known=frozenset(durations.covariates["mark"]))

    def predict(self, covariates: pd.DataFrame, horizon: int) -> CountDistribution:
        remembered = covariates["mark"].isin(self.known).to_numpy()
        return CountDistribution.from_hazard(
            np.where(remembered, 0.9, 0.1)[:, None].repeat(horizon, 1)
        )


@dataclass(frozen=True)
class Refusing:
    name: str = "refusing"

    def fit(self, durations: Durations, near: object = None) -> LifeTable:
        raise FitError("It does not work.", "Try another.")


@dataclass(frozen=True)
class Named:
    name: str
    model: DiscreteHazard

    def fit(self, durations: Durations, near: FittedCountModel | None = None) -> FittedCountModel:
        return self.model.fit(durations, near)


def durations_of(sample, *, twice=False):
    frame = pd.DataFrame(sample.covariates, columns=["a", "b", "c"])
    frame["step"], frame["seen"] = sample.outcomes.step, sample.outcomes.observed
    frame["who"] = np.arange(len(frame)) // (2 if twice else 1)
    frame["mark"] = frame["who"].astype(float)
    return Durations.from_frame(
        frame, step="step", observed="seen", covariates=["a", "b", "c", "mark"], subject="who"
    )


def without_mark(durations):
    return replace(durations, covariates=durations.covariates[["a", "b", "c"]])


def test_no_path_is_predicted_by_a_model_that_saw_its_subject(sample):
    durations = durations_of(sample(240, seed=1), twice=True)
    (result,) = predict_out_of_fold([Memory()], durations, horizon=20, workers=1)
    for predicted in result.predicted:
        assert_allclose(predicted.pmf[:, 0], 0.1)
    assert len(result.predicted) == 2


def test_the_better_model_is_chosen_and_ties_go_to_the_simpler(sample):
    durations = without_mark(durations_of(sample(400, seed=2)))
    candidates = [Named("no covariates", DiscreteHazard(penalty=1e6)), HAZARD]
    table = score_candidates(
        predict_out_of_fold(candidates, durations, horizon=25, n_folds=5, workers=1)
    )
    assert choose(table) == HAZARD.name
    assert table.loc[0, "behind_best"] > table.loc[0, "behind_best_error"]
    assert table["chosen"].tolist() == [False, True]
    # Covariates of another path say nothing.
    shuffled = durations.covariates.sample(frac=1, random_state=0).reset_index(drop=True)
    nothing = replace(durations, covariates=shuffled)
    table = score_candidates(
        predict_out_of_fold(candidates, nothing, horizon=25, n_folds=5, workers=1)
    )
    assert choose(table) == "no covariates"


def test_scores_are_those_of_the_predictions_left_out(sample):
    durations = without_mark(durations_of(sample(150, seed=3)))
    results = predict_out_of_fold([HAZARD], durations, horizon=25, repeats=3, workers=1)
    expected = np.mean([log_score(each, results[0].outcomes) for each in results[0].predicted])
    assert_allclose(score_candidates(results).loc[0, "log_score"], expected)


def test_the_error_of_a_difference_is_that_of_resampling(sample):
    durations = without_mark(durations_of(sample(300, seed=4)))
    results = predict_out_of_fold(
        [LifeTable(), HAZARD], durations, horizon=25, n_folds=5, repeats=1, leaves=9e9, workers=1
    )
    table = score_candidates(results)
    seen, rng, again = results[0].outcomes, np.random.default_rng(0), []
    for _ in range(400):
        rows = rng.integers(0, 300, size=300)
        pair = [log_score(each.predicted[0][rows], seen.take(rows)) for each in results]
        again.append(pair[0] - pair[1])
    assert_allclose(table.loc[0, "behind_best_error"], np.std(again), rtol=0.15)


def test_a_candidate_that_fails_is_reported_and_not_chosen(sample):
    durations = without_mark(durations_of(sample(150, seed=5)))
    results = predict_out_of_fold(
        [Refusing(), LifeTable()], durations, horizon=25, n_folds=4, repeats=1, workers=1
    )
    table = score_candidates(results)
    assert choose(table) == "life table"
    assert table["problem"].tolist() == ["It does not work. Try another.", ""]
    with pytest.raises(FitError, match="No candidate"):
        score_candidates(results[:1])


@dataclass(frozen=True)
class Hopeless:
    """It gives the same chance to every step, and keeps count of its fits."""

    fits: list[int]
    name: str = "hopeless"

    def fit(self, durations: Durations, near: object = None) -> "Hopeless":
        self.fits.append(len(durations))
        return self

    def predict(self, covariates: pd.DataFrame, horizon: int) -> CountDistribution:
        return CountDistribution(np.full((len(covariates), horizon), 0.5 / horizon))


def test_a_candidate_far_behind_leaves_early_and_changes_nothing_for_the_others(sample):
    durations = without_mark(durations_of(sample(600, seed=9)))
    size = {"horizon": 25, "repeats": 2, "workers": 1}
    hopeless = Hopeless([])
    raced = predict_out_of_fold([hopeless, HAZARD], durations, **size)
    table = score_candidates(raced)
    assert 1 <= len(hopeless.fits) == table.loc[0, "left_after"] <= 4
    assert table["chosen"].tolist() == [False, True]
    assert np.isnan(table.loc[0, "crps"])
    # in full it lies as far behind as the part that was seen of it said
    full = predict_out_of_fold([Hopeless([]), HAZARD], durations, leaves=9e9, **size)
    whole = score_candidates(full)
    off = table.loc[0, "behind_best"] - whole.loc[0, "behind_best"]
    assert abs(off) < 3 * table.loc[0, "behind_best_error"]
    assert (raced[1].predicted[1].pmf == full[1].predicted[1].pmf).all()


def test_a_fit_that_starts_near_another_ends_where_it_would_have_ended(sample):
    durations = without_mark(durations_of(sample(300, seed=10)))
    half = durations.take(np.arange(150))
    for model in (HAZARD, AcceleratedTime("lognormal"), AcceleratedTime("weibull", penalty=1.0)):
        plain, near = model.fit(durations), model.fit(durations, model.fit(half))
        pmfs = [each.predict(durations.covariates, 25).pmf for each in (plain, near)]
        assert_allclose(pmfs[1], pmfs[0], atol=1e-6)


def test_workers_do_not_change_the_numbers(sample):
    durations = without_mark(durations_of(sample(120, seed=6)))
    alone, together = (
        predict_out_of_fold([HAZARD], durations, horizon=12, n_folds=3, repeats=1, workers=n)
        for n in (1, 2)
    )
    assert (alone[0].predicted[0].pmf == together[0].predicted[0].pmf).all()


def test_averaging_over_parameter_draws_widens_the_prediction(sample):
    durations = without_mark(durations_of(sample(60, seed=7)))
    point, mixed = (
        predict_out_of_fold(
            [HAZARD],
            durations,
            horizon=25,
            n_folds=5,
            repeats=1,
            n_draws=n,
            workers=1,
            leave_one_out_below=0,
        )[0].predicted[0]
        for n in (0, 60)
    )

    def spread(distribution):
        ends = np.minimum(distribution.interval(0.9), 26)
        return (ends[:, 1] - ends[:, 0]).mean()

    assert spread(mixed) > spread(point)


def test_names_must_differ(sample):
    with pytest.raises(RequestError, match="its own name"):
        predict_out_of_fold([HAZARD, HAZARD], durations_of(sample(9, seed=0)), horizon=9)


def test_paths_that_enter_beyond_the_horizon_are_left_out_of_the_scores(sample):
    plain = without_mark(durations_of(sample(120, seed=8)))
    entry = np.zeros(120, dtype=int)
    entry[:3] = 30
    step = np.where(entry > 0, 32, plain.step)
    late = replace(plain, step=step, entry=entry)
    (result,) = predict_out_of_fold([HAZARD], late, horizon=25, n_folds=3, repeats=1, workers=1)
    assert result.rows.tolist() == list(range(3, 120))
    assert len(result.predicted[0]) == len(result.outcomes) == 117


def test_paths_never_watched_are_refused():
    with pytest.raises(DataError, match="never watched"):
        Outcomes(np.array([2]), np.array([True]), entry=np.array([2]))


@given(
    owners=st.lists(st.integers(0, 30), min_size=2, max_size=120).filter(lambda x: len(set(x)) > 1),
    n_folds=st.integers(2, 12),
    seed=st.integers(0, 5),
)
def test_a_subject_is_never_split_and_folds_are_of_even_size(owners, n_folds, seed):
    folds = grouped_folds(owners, n_folds=n_folds, repeats=3, seed=seed, leave_one_out_below=0)
    assert folds.shape == (3, len(owners))
    for fold in folds:
        fold_of = {}
        for owner, number in zip(owners, fold, strict=True):
            assert fold_of.setdefault(owner, number) == number
        sizes = np.bincount(list(fold_of.values()), minlength=min(n_folds, len(fold_of)))
        assert sizes.max() - sizes.min() <= 1


def test_the_order_of_rows_does_not_matter():
    owners = np.repeat(np.arange(150), 2)
    order = np.random.default_rng(0).permutation(300)
    folds = grouped_folds(owners, seed=4)
    assert (grouped_folds(owners[order], seed=4) == folds[:, order]).all()
    assert not (grouped_folds(owners, seed=5) == folds).all()


def test_few_subjects_are_left_out_one_by_one():
    folds = grouped_folds(["b", "a", "b", "c"], n_folds=2, repeats=5)
    assert folds.tolist() == [[1, 0, 1, 2]]


def test_subjects_with_the_event_are_spread_over_all_folds():
    events = np.zeros(200)
    events[:20] = 1
    folds = grouped_folds(np.arange(200), events=events, n_folds=10, repeats=4, seed=1)
    for fold in folds:
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
    candidates = [LifeTable(), AcceleratedTime("lognormal", penalty=4.0), HAZARD]
    table = score_candidates(predict_out_of_fold(candidates, durations, horizon=10, n_folds=5))
    assert table["problem"].tolist() == ["", "", ""]
    assert np.isfinite(table["log_score"]).all()
