"""Candidates fitted on folds, scored on the rest, and the simplest that will do."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from forecast.assess import (
    Outcomes,
    choose,
    crps_complete,
    log_score,
    predict_out_of_fold,
    score_candidates,
)
from forecast.assess.outcomes import follow_paths, path_of_row
from forecast.assess.selection import crps_gap
from forecast.errors import DataError, FitError, RequestError
from forecast.survival import (
    CountDistribution,
    DiscreteHazard,
    Durations,
    FittedCountModel,
    LifeTable,
)

HAZARD = DiscreteHazard(baseline="smooth", penalty=1.0)


@dataclass(frozen=True)
class Memory:
    """A model that knows the rows it was fitted to by heart and everyone else not at all."""

    name: str = "memory"
    known: frozenset[float] = frozenset()

    def fit(self, durations: Durations) -> "Memory":
        return Memory(known=frozenset(durations.covariates["mark"]))

    def predict(self, covariates: pd.DataFrame, horizon: int) -> CountDistribution:
        remembered = covariates["mark"].isin(self.known).to_numpy()
        return CountDistribution.from_hazard(
            np.where(remembered, 0.9, 0.1)[:, None].repeat(horizon, 1)
        )


@dataclass(frozen=True)
class Refusing:
    name: str = "refusing"

    def fit(self, durations: Durations) -> LifeTable:
        raise FitError("It does not work.", "Try another.")


@dataclass(frozen=True)
class Named:
    name: str
    model: DiscreteHazard

    def fit(self, durations: Durations) -> FittedCountModel:
        return self.model.fit(durations)


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
    candidates = [Named("no covariates", DiscreteHazard(baseline="smooth", penalty=1e6)), HAZARD]
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
        [LifeTable(), HAZARD], durations, horizon=25, n_folds=5, repeats=1, workers=1
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


def spells():
    """Return one path in two spells, a late entry, and a plain path of the same subject."""
    frame = pd.DataFrame(
        {
            "who": ["p", "p", "p", "q"],
            "entry": [0, 3, 2, 0],
            "step": [3, 5, 4, 2],
            "seen": [0, 1, 0, 1],
            "x": [0.0, 1.0, 0.0, 1.0],
        }
    )
    return Durations.from_frame(
        frame, step="step", observed="seen", covariates=["x"], entry="entry", subject="who"
    )


def test_spells_of_one_path_are_joined():
    assert path_of_row(spells()).tolist() == [0, 0, 1, 2]
    seen = Outcomes.from_durations(spells())
    assert seen.step.tolist() == [5, 4, 2]
    assert seen.entry.tolist() == [0, 2, 0]
    assert seen.observed.tolist() == [True, False, True]


def test_a_joined_path_has_each_spell_its_own_hazard():
    by_row = CountDistribution.from_hazard(np.repeat([[0.1], [0.3], [0.2], [0.4]], 6, axis=1))
    hazard = follow_paths(by_row, spells()).hazard()
    assert_allclose(hazard[0], [0.1, 0.1, 0.1, 0.3, 0.3, 0.3])
    assert_allclose(hazard[1:], np.repeat([[0.2], [0.4]], 6, axis=1))


def test_spells_out_of_order_are_scored_as_late_entries():
    durations = spells().take(np.array([1, 0, 2, 3]))
    rows = CountDistribution.from_hazard(np.repeat([[0.3], [0.1], [0.2], [0.4]], 6, axis=1))
    together = CountDistribution.from_hazard(np.repeat([[0.1], [0.3], [0.2], [0.4]], 6, axis=1))
    joined = log_score(follow_paths(together, spells()), Outcomes.from_durations(spells()))
    assert_allclose(
        log_score(follow_paths(rows, durations), Outcomes.from_durations(durations)), joined
    )


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


def test_the_gap_of_two_scores_has_the_error_of_their_paired_difference():
    rng = np.random.default_rng(5)
    step = rng.integers(1, 11, 60)
    one, other = (CountDistribution(rng.dirichlet(np.ones(10), 60)) for _ in range(2))
    gaps = np.array(crps_complete(one, step)) - np.array(crps_complete(other, step))
    seen = Outcomes(step, np.ones(60, dtype=bool))
    gap, error = crps_gap(one, other, seen, horizon=10)
    assert gap == pytest.approx(gaps.mean())
    assert error == pytest.approx(gaps.std() / np.sqrt(60))
    # the same courses twice over, of the same clients, say no more
    twice = np.tile(np.arange(60), 2)
    again = Outcomes(step[twice], np.ones(120, dtype=bool), subject=twice)
    assert crps_gap(one[twice], other[twice], again, horizon=10) == pytest.approx((gap, error))
