"""What models share: draws of parameters, exact in mean and covariance, notes, saved files."""

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from forecast.errors import RequestError
from forecast.survival import AcceleratedTime, DiscreteHazard, Durations, LifeTable, model_from_dict
from forecast.survival.model import FitNotes, gaussian_draws, quantiles

MEAN = np.array([1.0, -2.0, 0.5])
COVARIANCE = np.array([[2.0, 0.6, 0.1], [0.6, 1.0, -0.2], [0.1, -0.2, 0.3]])


def test_mean_and_covariance_are_those_asked_for():
    for n in (12, 200):
        draws = gaussian_draws(MEAN, COVARIANCE, n_draws=n, seed=4)
        assert draws.shape == (n, 3)
        assert_allclose(draws.mean(axis=0), MEAN, atol=1e-12)
        assert_allclose(np.cov(draws.T, bias=True), COVARIANCE, atol=1e-12)


def test_too_few_to_stretch_are_stillmirrored_and_an_odd_one_may_be_over():
    few = gaussian_draws(MEAN, COVARIANCE, n_draws=4, seed=4)
    assert_allclose(few.mean(axis=0), MEAN, atol=1e-12)
    assert gaussian_draws(MEAN, COVARIANCE, n_draws=7, seed=4).shape == (7, 3)
    assert gaussian_draws(MEAN, COVARIANCE, n_draws=1, seed=4).shape == (1, 3)
    assert gaussian_draws(np.empty(0), np.empty((0, 0)), n_draws=5, seed=4).shape == (5, 0)


def test_they_are_gaussian_and_a_direction_without_spread_stays_put():
    draws = gaussian_draws(MEAN, COVARIANCE, n_draws=20_000, seed=1)
    for column, mean, variance in zip(draws.T, MEAN, np.diag(COVARIANCE), strict=True):
        assert stats.kstest((column - mean) / np.sqrt(variance), "norm").statistic < 0.012
    flat = gaussian_draws(MEAN, np.ones((3, 3)), n_draws=200, seed=1)
    assert_allclose(flat[:, 0] - flat[:, 1], 3.0, atol=1e-7)


@pytest.mark.parametrize("model", [AcceleratedTime(), DiscreteHazard()])
def test_a_predicted_chance_hardly_depends_on_the_seed_of_the_draws(model):
    rng = np.random.default_rng(2)
    frame = pd.DataFrame(rng.normal(size=(150, 6)), columns=list("abcdef"))
    happens = np.ceil(8 * np.exp(0.4 * rng.normal(size=150) + 0.1 * frame["a"]))
    frame["step"] = np.minimum(happens, 9)
    frame["event"] = happens <= 9
    rows = Durations.from_frame(frame, step="step", observed="event", covariates=list("abcdef"))
    fitted, asked = model.fit(rows), {name: [1.0] for name in "abcdef"}
    chances = [
        fitted.predict_draws(asked, 10, n_draws=200, seed=seed).sum(axis=2) for seed in range(30)
    ]
    # plain draws: the spread of one draw over the root of 200
    plain = np.std(chances) / np.sqrt(200)
    assert np.mean(chances, axis=1).std() < 0.25 * plain


@pytest.mark.parametrize("model", [AcceleratedTime(), DiscreteHazard()])
def test_draw_d_is_the_same_whatever_the_rows(model):
    frame = pd.DataFrame(
        {"x": [0.0, 1.0] * 20, "step": [3, 5, 4, 2, 2, 6, 3, 4] * 5, "event": True}
    )
    fitted = model.fit(Durations.from_frame(frame, step="step", observed="event", covariates=["x"]))
    both = fitted.predict_draws({"x": [0.0, 1.0]}, 8, n_draws=50, seed=3)
    one = fitted.predict_draws({"x": [1.0]}, 8, n_draws=50, seed=3)
    assert_allclose(both[:, 1], one[:, 0])


def test_sentences_of_models_saved_before_notes_were_data_are_kept():
    frame = pd.DataFrame({"k": [1, 2, 3], "seen": [True, True, False]})
    fitted = LifeTable().fit(Durations.from_frame(frame, step="k", observed="seen", covariates=[]))
    stored = fitted.to_dict()
    assert [str(one) for one in fitted.notes.messages] == [
        "Nothing is predicted beyond step 3, the last one watched: the rest stays in the remainder."
    ]
    stored["notes"]["messages"] = ["Said before."]
    again = model_from_dict(stored)
    assert isinstance(again.notes, FitNotes)
    assert [str(one) for one in again.notes.messages] == ["Said before."]


def test_a_saved_model_of_an_unknown_kind_or_with_a_part_missing_is_refused():
    with pytest.raises(RequestError, match=r"of kind 'life_tables'.*Did you mean 'life_table'"):
        model_from_dict({"model": "life_tables"})
    with pytest.raises(RequestError, match="saved life_table cannot be read: KeyError"):
        model_from_dict({"model": "life_table", "at_risk": [1.0]})
    with pytest.raises(RequestError, match=r"of kind 'boosted_hazard'.*Fit it anew"):
        model_from_dict({"model": "boosted_hazard", "forests": []})


@pytest.mark.parametrize("n", [1, 2, 7, 200])
def test_quantiles_are_numpys(n):
    draws = np.random.default_rng(n).normal(size=(n, 3, 2))
    levels = [0.0, 0.1, 0.5, 0.925, 1.0]
    assert_allclose(quantiles(draws, levels), np.quantile(draws, levels, axis=0), atol=1e-14)
