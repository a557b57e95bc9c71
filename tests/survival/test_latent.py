"""The latent distributions against scipy, far into both tails."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from forecast.survival.latent import STANDARDS, normal_above

Z = np.linspace(-12, 12, 4801)


def test_the_normal_tail_is_scipys_to_twelve_digits():
    random = np.random.default_rng(0).normal(0, 3, 20_000)
    for z in (Z, random, np.linspace(-30, 30, 9001), np.array([0.0, -0.0, 1 / 1024])):
        assert_allclose(normal_above(z), stats.norm.sf(z), rtol=2e-12)
    assert_allclose(normal_above(np.array([-40.0, 40.0])), [1.0, 0.0], atol=1e-190)
    assert np.isnan(normal_above(np.array([np.nan, 1.0]))).tolist() == [True, False]


@pytest.mark.parametrize(
    ("name", "peer"),
    [("lognormal", stats.norm), ("loglogistic", stats.logistic), ("weibull", stats.gumbel_l)],
)
def test_standards_agree_with_scipy(name, peer):
    standard = STANDARDS[name]
    assert_allclose(standard.above(Z), peer.sf(Z), rtol=1e-11, atol=1e-250)
    assert_allclose(standard.below(Z), peer.cdf(Z), rtol=1e-11, atol=1e-250)
    assert_allclose(standard.density(Z), peer.pdf(Z), rtol=1e-11, atol=1e-250)
    step = 1e-6
    slope = (standard.density(Z + step) - standard.density(Z - step)) / (2 * step)
    assert_allclose(standard.slope(Z), slope, atol=1e-8)
