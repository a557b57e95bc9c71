"""Multiplicative effects on a subject's steps: the top of the likelihood, whoever stays."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from forecast.causal.mixed import BoundedMixed
from forecast.causal.mixed.scores import displaced, errors_of, informative, subject_scores
from forecast.errors import DataError

EFFECT = 0.25  # log of what a late step is worth, over an early one
GONE = np.log(0.06)


def staying(n, seed, *, bounded=False):
    """Return subjects who leave once little is left: the slow have the most late steps."""
    rng = np.random.default_rng(seed)
    rows = []
    for subject in range(n):
        pace = -0.3 * np.exp(rng.normal(0, 0.2))
        for step in range(1, 16):
            late = max(step - 4, 0)
            y = pace * (step - late + np.exp(EFFECT) * late) + rng.normal(0, 0.1)
            last = y <= GONE
            rows.append((subject, step, late, -np.inf if last and bounded else y, max(y, GONE)))
            if last:
                break
    table = np.array(rows)
    if not bounded:
        table[:, 4] = table[:, 3]
    return table


def at_effect(table, effect):
    subject, step, late, low, high = table.T
    worth = step + np.expm1(effect) * late
    design = np.column_stack([np.ones(len(worth)), worth])
    return BoundedMixed().fit(
        design, low, high, subject, random=design, multiplicative=(late * np.exp(effect))[:, None]
    )


def at_the_top(table):
    """Return the effect at which no step is left to take, and the fit there."""
    effect = 0.0
    for _ in range(25):
        fitted = at_effect(table, effect)
        effect += float(fitted.step[0])
        if abs(fitted.step[0]) < 1e-4:
            break
    return effect, fitted


@pytest.mark.parametrize("bounded", [False, True])
def test_no_step_is_left_where_the_likelihood_is_highest(bounded):
    table = staying(80, 1, bounded=bounded)
    top, _ = at_the_top(table)
    around = top + np.linspace(-0.08, 0.08, 9)
    heights = np.polyfit(around - top, [at_effect(table, one).loglik for one in around], 3)
    highest = top - heights[2] / (2 * heights[1])
    error = 1 / np.sqrt(-2 * heights[1])
    assert highest == pytest.approx(top, abs=0.1 * error)
    # away from it the step leads back
    assert at_effect(table, top - 0.1).step[0] > 0 > at_effect(table, top + 0.1).step[0]


@pytest.mark.parametrize(
    "model",
    [
        BoundedMixed(),
        BoundedMixed(correlated=False),
        BoundedMixed(random_walk=True, asymptotes=(0.1, 0.3)),
    ],
)
@pytest.mark.parametrize("bounded", [False, True])
def test_scores_are_the_slopes_of_the_likelihood(model, bounded):
    subject, step, late, low, high = staying(60, 3, bounded=bounded).T
    design = np.column_stack([np.ones(len(step)), step])
    search = model.fit(
        design, low, high, subject, random=design, clock=step, multiplicative=late[:, None]
    ).search
    size = 4 + len(search.free[0]) + 2 * bool(model.asymptotes)
    moved = 0.01 * np.cos(np.arange(size))  # away from where the scores vanish
    moved[3:] *= 0.1
    scores = subject_scores(search, moved).sum(axis=0)
    for at in range(size):
        by = 1e-4 * (np.arange(size) == at) * (0.01 if at == size - 1 else 1)
        higher, lower = (displaced(search, moved + sign * by).expect()[2] for sign in (1, -1))
        assert scores[at] == pytest.approx((higher - lower) / (2 * by[at]), rel=2e-3, abs=0.05)


def test_errors_are_the_bend_of_the_likelihood_where_all_else_is_found_anew():
    table = staying(80, 2, bounded=True)
    top, fitted = at_the_top(table)
    heights = [at_effect(table, top + by).loglik for by in (-0.03, 0.0, 0.03)]
    bend = -(heights[0] - 2 * heights[1] + heights[2]) / 0.03**2
    assert fitted.errors.bread[-1, -1] == pytest.approx(1 / bend, rel=0.05)


@pytest.mark.slow
def test_those_who_stay_for_being_slow_are_not_taken_for_an_effect():
    found, errors = [], []
    for seed in range(12):
        effect, fitted = at_the_top(staying(60, 100 + seed, bounded=True))
        found.append(effect)
        errors.append(np.sqrt(fitted.robust_covariance[-1, -1]))
    assert np.mean(found) == pytest.approx(EFFECT, abs=0.02)  # 12 runs: 0.007 each way
    # of twelve: 99 in 100 are less than 1.5 times what is true, and more than half of it
    assert 0.5 < np.std(found, ddof=1) / np.mean(errors) < 1.5


def test_a_column_with_multiplicative_effects_has_to_be_in_the_design():
    step = np.tile(np.arange(1.0, 6), 6)
    subject = np.repeat(np.arange(6), 5)
    with pytest.raises(DataError, match="no column of the design"):
        BoundedMixed().fit(
            np.column_stack([np.ones(30), step]),
            -step,
            -step,
            subject,
            random=np.column_stack([np.ones(30), step**2]),
            multiplicative=step[:, None] > 3,
        )


def test_errors_stand_where_one_effect_of_a_subject_does_not_vary():
    # a column of the factor at the boundary: the data are not informative of it
    fitted = at_effect(staying(60, 4, bounded=True), EFFECT)
    search = fitted.search
    found = []
    for edge in (0.0, 1e-6):
        factor = np.array([[0.5, 0.0], [search.guess.factor[1, 0], edge]])
        search.guess = replace(search.guess, factor=factor)
        found.append(errors_of(search, fitted.cluster))
    assert_allclose(found[1].bread, found[0].bread, rtol=1e-4)
    assert_allclose(found[1].robust, found[0].robust, rtol=1e-4)


def test_only_the_variance_that_bends_the_wrong_way_is_taken_as_known():
    information = np.diag([4.0, 1.0, 2.0, -1e-3, 5.0])  # two coefficients, three variances
    information[0, 4] = information[4, 0] = 1.0
    assert informative(information, 2).tolist() == [0, 1, 2, 4]
    # two of which only the sum is identified: one is enough to be known
    tied = np.eye(5)
    tied[3, 4] = tied[4, 3] = 1.0
    assert informative(tied, 2).tolist() in ([0, 1, 2, 3], [0, 1, 2, 4])
    assert informative(np.eye(5), 2).tolist() == [0, 1, 2, 3, 4]
