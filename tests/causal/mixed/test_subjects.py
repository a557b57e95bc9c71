"""Moments of bounded normal values against scipy and closed forms."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import multivariate_normal, norm, truncnorm

from forecast.causal.mixed.subjects import between_bounds, truncated_moments


@pytest.mark.parametrize(
    ("low", "high"),
    [(-np.inf, 0.3), (0.5, np.inf), (-1.0, 2.0), (3.0, 3.5), (-8.0, -6.0), (-np.inf, np.inf)],
)
def test_one_value_has_the_moments_of_scipys_truncated_normal(low, high):
    mean, variance, log_chance = between_bounds(np.array([low]), np.array([high]))
    reference = truncnorm(low, high)
    assert_allclose(mean, reference.mean(), atol=1e-9)
    assert_allclose(variance, reference.var(), rtol=1e-6)
    chance = multivariate_normal.cdf(high) - multivariate_normal.cdf(low)
    assert_allclose(np.exp(log_chance), chance, rtol=1e-6)


@pytest.mark.parametrize("far", [30.0, 90.0, 100.0])
def test_far_in_a_tail_the_value_sits_at_its_bound(far):
    mean, variance, log_chance = between_bounds(np.array([far]), np.array([np.inf]))
    # Mills ratio: the excess over a far bound is all but exponential with that rate
    assert_allclose(mean - far, 1 / far, rtol=0.01)
    assert_allclose(variance, 1 / far**2, rtol=0.02)
    assert_allclose(log_chance, norm.logsf(far), rtol=1e-9)


def test_beyond_reason_the_value_still_lies_within_its_bounds():
    low, high = np.array([5e3, -np.inf, 5e3]), np.array([np.inf, -2e4, 5e3 + 1])
    mean, variance, log_chance = between_bounds(low, high)
    assert (mean >= low).all()
    assert (mean <= high).all()
    assert (variance > 0).all()
    assert_allclose(log_chance, norm.logsf([5e3, 2e4, 5e3]), rtol=1e-6)


def test_two_positive_values_have_the_published_orthant_chance():
    # Sheppard 1899: P(both > 0) = 1/4 + arcsin(rho) / (2 pi)
    rho = np.array([-0.6, 0.0, 0.5])
    covariance = np.array([[[1.0, r], [r, 1.0]] for r in rho])
    zero, far = np.zeros((3, 2)), np.full((3, 2), np.inf)
    mean, spread, log_chance = truncated_moments(zero, covariance, zero, far)
    expected = 0.25 + np.arcsin(rho) / (2 * np.pi)
    assert_allclose(np.exp(log_chance), expected, rtol=0.01)
    # Rosenbaum 1961: the mean of each is (1 + rho) / (sqrt(8 pi) P)
    assert_allclose(mean[:, 0], (1 + rho) / np.sqrt(8 * np.pi) / expected, rtol=0.02)
    assert_allclose(spread, spread.transpose(0, 2, 1))


def test_bounds_that_say_nothing_change_nothing():
    covariance = np.array([[[1.0, 0.4, 0.1], [0.4, 2.0, 0.3], [0.1, 0.3, 1.5]]])
    centre = np.array([[0.5, -1.0, 2.0]])
    far = np.full((1, 3), np.inf)
    mean, spread, log_chance = truncated_moments(centre, covariance, -far, far)
    assert_allclose(mean, centre, atol=1e-6)
    assert_allclose(spread, covariance, rtol=1e-6)
    assert_allclose(log_chance, 0, atol=1e-6)


def test_several_values_agree_with_draws():
    rng = np.random.default_rng(1)
    covariance = np.array([[1.0, 0.5, 0.2], [0.5, 1.5, 0.4], [0.2, 0.4, 0.8]])
    centre, low = np.array([0.2, -0.3, 0.1]), np.array([-np.inf, -0.5, 0.0])
    high = np.array([0.4, np.inf, np.inf])
    draws = rng.multivariate_normal(centre, covariance, 400_000)
    inside = draws[((draws > low) & (draws < high)).all(axis=1)]
    mean, spread, log_chance = truncated_moments(
        centre[None], covariance[None], low[None], high[None]
    )
    assert_allclose(mean[0], inside.mean(axis=0), atol=0.02)
    assert_allclose(spread[0], np.cov(inside.T), atol=0.03)
    assert log_chance[0] == pytest.approx(np.log(len(inside) / len(draws)), abs=0.02)
