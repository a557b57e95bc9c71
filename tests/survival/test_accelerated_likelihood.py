"""The latent distributions against scipy, far into both tails, and what is made of them."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from forecast.survival.accelerated_likelihood import (
    STANDARDS,
    log_ends,
    normal_above,
    step_likelihood,
    widened,
)

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
    near = Z[np.abs(Z) < 6]  # beyond, scipy's own logs run out
    never = np.full_like(near, 700.0)
    assert_allclose(standard.log_between(near, never), peer.logsf(near), rtol=1e-11, atol=1e-14)
    assert_allclose(standard.log_between(-never, near), peer.logcdf(near), rtol=1e-11, atol=1e-14)
    assert_allclose(standard.log_density(near), peer.logpdf(near), rtol=1e-11, atol=1e-12)
    step = 1e-6
    slope = (standard.log_density(Z + step) - standard.log_density(Z - step)) / (2 * step)
    assert_allclose(standard.score(Z), slope, rtol=1e-6, atol=1e-6)


def test_the_log_of_the_normal_tail_goes_on_where_the_tail_itself_is_nought():
    out = np.array([29.999, 30.001, 45.0, 120.0, 600.0])
    above = STANDARDS["lognormal"].log_between(out, np.full(5, 700.0))
    assert_allclose(above, stats.norm.logsf(out), rtol=1e-12)
    below = STANDARDS["lognormal"].log_between(np.full(5, -700.0), -out)
    assert_allclose(below, stats.norm.logcdf(-out), rtol=1e-12)


@pytest.mark.parametrize("name", STANDARDS)
@pytest.mark.parametrize("location", [-30.0, -8.0, 1.5, 9.0, 60.0])
@pytest.mark.parametrize("scale", [0.15, 0.6, 4.0])
def test_slope_and_bend_of_the_likelihood_are_those_of_its_value_however_far_out(
    name, location, scale
):
    step, observed = np.array([1.0, 3.0, 9.0, 3.0, 0.0]), np.array([1, 1, 1, 0, 0], dtype=bool)

    def at(location, log_scale):
        everywhere = np.full(5, location)
        ends = log_ends(step, observed)
        return step_likelihood(STANDARDS[name], ends, everywhere, np.exp(log_scale))

    value, slope, bend = at(location, np.log(scale))
    assert np.isfinite(value).all()
    show = value > -1e6  # of larger values differences lose their digits
    d = 1e-5
    for axis, moved in enumerate(([d, 0.0], [0.0, d])):
        later = at(location + moved[0], np.log(scale) + moved[1])
        earlier = at(location - moved[0], np.log(scale) - moved[1])
        size = np.abs(slope[:, show]).max() + 1e-3
        assert_allclose(
            slope[axis, show],
            ((later[0] - earlier[0]) / (2 * d))[show],
            rtol=1e-5,
            atol=1e-5 * size,
        )
        size = np.abs(bend[:, :, show]).max() + 1e-3
        assert_allclose(
            bend[axis][:, show],
            ((later[1] - earlier[1]) / (2 * d))[:, show],
            rtol=1e-5,
            atol=1e-5 * size,
        )


def test_the_widened_matrix_does_not_depend_on_units():
    rng = np.random.default_rng(0)
    root, between = rng.normal(size=(4, 4)), rng.normal(size=(4, 4))
    between = between + between.T
    units = np.diag([1.0, 100.0, 0.01, 3.0])
    other = widened(units @ root, np.linalg.inv(units) @ between @ np.linalg.inv(units))
    assert_allclose(other, units @ widened(root, between) @ units, rtol=1e-8)
