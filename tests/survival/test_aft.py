"""Accelerated time in whole steps: against lifelines, a known truth, and its own algebra."""

import json

import numpy as np
import pandas as pd
import pytest
from lifelines import LogLogisticAFTFitter, LogNormalAFTFitter, WeibullAFTFitter
from lifelines.datasets import load_rossi
from numpy.testing import assert_allclose

from forecast.errors import FitError, RequestError
from forecast.survival.aft import AcceleratedTime, FittedAcceleratedTime
from forecast.survival.durations import Durations

PEERS = {
    "weibull": WeibullAFTFitter,
    "lognormal": LogNormalAFTFitter,
    "loglogistic": LogLogisticAFTFitter,
}
COVARIATES = ["fin", "age", "prio"]


@pytest.fixture(scope="module")
def rossi() -> pd.DataFrame:
    """Rossi, Berk and Lenihan 1980: 432 people, 52 weeks, as shipped by lifelines."""
    return load_rossi()


def durations(frame: pd.DataFrame, covariates: list[str]) -> Durations:
    return Durations.from_frame(frame, step="week", observed="arrest", covariates=covariates)


@pytest.mark.parametrize("shape", PEERS)
def test_agrees_with_lifelines_on_interval_censored_weeks(shape, rossi):
    fitted = AcceleratedTime(shape).fit(durations(rossi, COVARIATES))
    frame = rossi[COVARIATES].assign(
        low=np.where(rossi["arrest"] == 1, np.maximum(rossi["week"] - 1, 1e-15), rossi["week"]),
        high=np.where(rossi["arrest"] == 1, rossi["week"], np.inf),
    )
    peer = PEERS[shape]().fit_interval_censoring(frame, "low", "high")
    theirs = peer.params_.droplevel(0)[COVARIATES]
    # their optimiser stops on a relative change of the likelihood
    assert_allclose(fitted.coefficients[COVARIATES], theirs, rtol=2e-3, atol=2e-4)
    errors = peer.standard_errors_.droplevel(0)[COVARIATES]
    assert_allclose(fitted.standard_errors[COVARIATES], errors, rtol=2e-3)


def test_a_tight_prior_is_returned_and_a_loose_one_changes_nothing(rossi):
    rows = durations(rossi, COVARIATES)
    free = AcceleratedTime().fit(rows)
    loose = AcceleratedTime(prior={"fin": (5.0, 1e4)}).fit(rows)
    tight = AcceleratedTime(prior={"fin": (0.3, 1e-4)}).fit(rows)
    assert_allclose(loose.theta, free.theta, atol=1e-5)
    assert tight.coefficients["fin"] == pytest.approx(0.3, abs=1e-3)


def test_finds_the_truth_despite_censoring_and_delayed_entry():
    rng = np.random.default_rng(3)
    n, truth = 20_000, np.array([2.0, 0.3, np.log(0.5)])
    x = rng.normal(size=n)
    happens = np.ceil(np.exp(truth[0] + truth[1] * x + np.exp(truth[2]) * rng.normal(size=n)))
    entry = rng.integers(0, 4, size=n)
    watched = entry + rng.geometric(0.05, size=n)
    seen = happens > entry
    frame = pd.DataFrame(
        {
            "x": x,
            "step": np.minimum(happens, watched),
            "event": happens <= watched,
            "entry": entry,
        }
    )[seen]
    rows = Durations.from_frame(
        frame, step="step", observed="event", covariates=["x"], entry="entry"
    )
    fitted = AcceleratedTime("lognormal").fit(rows)
    error = np.sqrt(np.diag(fitted.covariance))
    assert (np.abs(fitted.theta - truth) < 4 * error).all()


def test_weights_of_two_equal_repeated_rows(rossi):
    frame = rossi.assign(twice=2.0)
    weighted = Durations.from_frame(
        frame, step="week", observed="arrest", covariates=COVARIATES, weight="twice"
    )
    repeated = durations(pd.concat([rossi, rossi], ignore_index=True), COVARIATES)
    first, second = AcceleratedTime().fit(weighted), AcceleratedTime().fit(repeated)
    assert_allclose(first.theta, second.theta, atol=1e-8)
    assert_allclose(first.covariance, second.covariance, atol=1e-8)


def test_draws_average_to_about_the_prediction_and_repeat(rossi):
    fitted = AcceleratedTime().fit(durations(rossi, COVARIATES))
    two = rossi[COVARIATES].head(2)
    draws = fitted.predict_draws(two, 52, n_draws=400, seed=1)
    assert draws.shape == (400, 2, 52)
    assert_allclose(draws.mean(axis=0), fitted.predict(two, 52).pmf, atol=2e-3)
    assert_allclose(draws, fitted.predict_draws(two, 52, n_draws=400, seed=1))


def test_a_stored_model_predicts_the_same_numbers(rossi):
    fitted = AcceleratedTime("weibull").fit(durations(rossi, COVARIATES))
    again = FittedAcceleratedTime.from_dict(json.loads(json.dumps(fitted.to_dict())))
    two = rossi[COVARIATES].head(2)
    assert_allclose(again.predict(two, 60).pmf, fitted.predict(two, 60).pmf)
    assert again.notes == fitted.notes


def test_a_prior_alone_predicts_and_must_be_complete():
    prior = {"location": (2.0, 0.3), "x": (0.1, 0.2), "log_scale": (-0.7, 0.2)}
    alone = AcceleratedTime(prior=prior).from_prior(("x",))
    assert alone.predict({"x": 0.0}, 25).median()[0] == np.ceil(np.exp(2.0))
    with pytest.raises(RequestError, match="no prior for 'log_scale'"):
        AcceleratedTime(prior={"location": (2, 1), "x": (0, 1)}).from_prior(("x",))


def test_what_the_data_leave_open_is_refused(rossi):
    with pytest.raises(FitError, match=r"do not determine the effect of '(fin|again)'"):
        AcceleratedTime().fit(durations(rossi.assign(again=2 * rossi["fin"]), ["fin", "again"]))
    with pytest.raises(FitError, match="No event was observed"):
        AcceleratedTime().fit(durations(rossi.assign(arrest=0), COVARIATES))
    with pytest.raises(RequestError, match="shape is 'normal'"):
        AcceleratedTime("normal")


def test_very_many_rows_are_fitted_as_their_counts():
    """Equal rows count as one with their number as weight: few rows, fitted in the plain way."""
    rng = np.random.default_rng(4)
    n = 120_000
    frame = pd.DataFrame({"x": rng.integers(0, 2, n), "dose": rng.integers(0, 4, n) / 3})
    needed = np.ceil(np.exp(rng.normal(1.5 + 0.3 * frame["x"] - 0.2 * frame["dose"], 0.5)))
    watched = rng.integers(1, 12, n)
    frame = frame.assign(week=np.minimum(needed, watched), arrest=needed <= watched)
    counted = frame.value_counts().reset_index(name="times")
    prior = {"never": (-4.0, 0.5)}
    spec = AcceleratedTime("lognormal", prior=prior, never=())
    many = spec.fit(durations(frame, ["x", "dose"]))
    weighted = Durations.from_frame(
        counted, step="week", observed="arrest", covariates=["x", "dose"], weight="times"
    )
    few = spec.fit(weighted)
    assert_allclose(many.theta, few.theta, rtol=0, atol=1e-7)
    assert_allclose(many.errors, few.errors, rtol=1e-6)
