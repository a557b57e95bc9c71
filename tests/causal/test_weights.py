"""Weights of rows, against Hernán & Robins, What If (2020), chapter 12, and statsmodels."""

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from forecast._arrays import effective_number
from forecast.causal import standardised_differences, summarise_weights
from forecast.causal.weights import (
    cumulative_product,
    logistic_coefficients,
    logistic_probability,
    truncate_weights,
)
from forecast.errors import FitError


@pytest.fixture(scope="module")
def smokers() -> pd.DataFrame:
    from causaldata import nhefs

    data = nhefs.load_pandas().data
    return data[data["wt82_71"].notna()].reset_index(drop=True)


@pytest.fixture(scope="module")
def confounders(smokers) -> pd.DataFrame:
    columns = {}
    for name in ("sex", "race", "education", "exercise", "active"):
        levels = smokers[name].astype(int)
        for level in sorted(levels.unique())[1:]:
            columns[f"{name}{level}"] = (levels == level).astype(float)
    for name in ("age", "smokeintensity", "smokeyrs", "wt71"):
        columns[name] = smokers[name].astype(float)
        columns[f"{name} squared"] = smokers[name].astype(float) ** 2
    return pd.DataFrame(columns)


def with_ones(frame: pd.DataFrame) -> np.ndarray:
    values = frame.to_numpy(dtype=float)
    return np.hstack([np.ones((len(values), 1)), values])


def test_chapter_12_weights_balance_the_groups(smokers, confounders):
    quit_smoking = smokers["qsmk"].to_numpy(dtype=float)
    design, share = with_ones(confounders), quit_smoking.mean()
    assert (len(quit_smoking), quit_smoking.sum()) == (1566, 403)
    fitted = logistic_probability(
        design, logistic_coefficients(design, quit_smoking, np.ones((1, 1566)))[0]
    )
    received = np.where(quit_smoking == 1, fitted, 1 - fitted)
    plain = 1 / received
    assert_allclose([plain.mean(), plain.min(), plain.max()], [1.9963, 1.054, 16.700], atol=1e-3)
    weight = np.where(quit_smoking == 1, share, 1 - share) / received
    assert_allclose(
        [weight.mean(), weight.min(), weight.max()], [0.9988, 0.3312, 4.2977], atol=1e-4
    )
    gain = smokers["wt82_71"].to_numpy(dtype=float)
    means = [np.average(gain, weights=weight * (quit_smoking == group)) for group in (0, 1)]
    assert_allclose([means[0], means[1] - means[0]], [1.77998, 3.44054], atol=1e-4)  # the book: 3.4
    assert effective_number(weight) < 1566
    # the weights make those who quit, and those who do not, like everybody
    for group in (0, 1):
        mine, everybody = weight * (quit_smoking == group), np.ones(1566)
        before = standardised_differences(design[:, 1:], quit_smoking == group, everybody)
        after = standardised_differences(design[:, 1:], mine, everybody)
        assert np.abs(after).max() < 0.05
        assert np.abs(before).max() > (0.2 if group else 0.05)


# steps so small that the likelihood shows them only in its last digits were halved away
@pytest.mark.parametrize("seed", [12, 134, 145])
def test_rare_outcomes_settle_to_the_last_digits(seed):
    rng = np.random.default_rng(seed)
    design = np.column_stack([np.ones(1000), rng.normal(size=(1000, 30))])
    chance = logistic_probability(design[:, :3], np.array([[-7.0, 2.0, 2.0]]))[0]
    outcome = rng.random(1000) < chance
    once = np.ones((1, 1000))
    found = logistic_coefficients(design, outcome, once, ridge=0.5, tolerance=1e-10)[0]
    score = design.T @ (outcome - logistic_probability(design, found[None])[0])
    assert_allclose(score[1:], 0.5 * found[1:], atol=1e-9)


def test_logistic_coefficients_agree_with_statsmodels():
    import statsmodels.api as sm

    rng = np.random.default_rng(1)
    design = np.column_stack([np.ones(400), rng.normal(size=(400, 3))])
    outcome = rng.random(400) < 1 / (1 + np.exp(-design @ [-0.5, 1, 0, -2]))
    weight = rng.integers(0, 4, 400).astype(float)
    reference = sm.GLM(outcome, design, family=sm.families.Binomial(), freq_weights=weight).fit(
        tol=1e-13
    )
    ours = logistic_coefficients(design, outcome, weight[None])[0]
    assert_allclose(ours, reference.params, atol=1e-8)


def test_separated_outcomes_need_a_ridge():
    design = np.column_stack([np.ones(20), np.arange(20) - 9.5])
    outcome, once = design[:, 1] > 0, np.ones((1, 20))
    with pytest.raises(FitError):
        logistic_coefficients(design, outcome, once)
    assert np.isfinite(logistic_coefficients(design, outcome, once, ridge=1.0)).all()


def test_truncation_is_reported():
    raw = np.array([0.0, 1.0, 1.0, 1.0, 9.0])
    used, limit = truncate_weights(raw, quantile=0.75)
    assert (limit, list(used)) == (1.0, [0, 1, 1, 1, 1])
    summary = summarise_weights(raw, used, limit)
    assert [summary[name] for name in ("n", "share_truncated", "largest_before")] == [4, 0.25, 9.0]
    assert summary["effective"] == effective_number(used) == 4
    assert list(truncate_weights(raw, quantile=1)[0]) == list(raw)


def test_truncation_of_repeated_rows_is_that_of_the_copies():
    rng = np.random.default_rng(2)
    raw, count = rng.exponential(size=50), rng.integers(0, 4, 50)
    _, limit = truncate_weights(raw, quantile=0.9, rows=count)
    assert limit == truncate_weights(np.repeat(raw, count), quantile=0.9)[1]


def test_products_start_again_with_each_subject():
    first = np.array([True, False, False, True])
    assert_allclose(cumulative_product(np.array([0.5, 0.5, 2.0, 3.0]), first), [0.5, 0.25, 0.5, 3])


def test_several_sets_of_weights_have_each_what_it_would_have_alone():
    rng = np.random.default_rng(4)
    design = np.column_stack([np.ones(300), rng.normal(size=(300, 3))])
    outcome = rng.random(300) < 1 / (1 + np.exp(-design @ [-1.0, 0.5, 0.0, 2.0]))
    counts = rng.multinomial(300, np.full(300, 1 / 300), size=30).astype(float)
    together = logistic_coefficients(design, outcome, counts, ridge=0.5)
    raw = rng.lognormal(size=(30, 300))
    used, limits = truncate_weights(raw, quantile=0.97, rows=counts)
    for at, count in enumerate(counts):
        alone = logistic_coefficients(design, outcome, count[None], ridge=0.5)[0]
        assert_allclose(together[at], alone, atol=1e-8)
        own, limit = truncate_weights(raw[at], quantile=0.97, rows=count)
        assert limits[at] == limit
        assert_allclose(used[at], own)
