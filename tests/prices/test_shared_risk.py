"""Many courses that share the model's error: moments by hand, and simulation against them."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from forecast.prices.shared_risk import (
    Fates,
    courses_of,
    simulate,
    stretched,
)
from forecast.prices.tariff import Package, Tariff

TARIFF = Tariff(currency="EUR", session_price=150, cap=2, cost_per_session=100)
# clears at once, or in two sessions: 400 - 100 or 400 - 200
SURE = np.array([[1.0, 0.0], [0.0, 1.0]])


def courses(pmf, n=5, *, drawn=None):
    draws = np.repeat(np.asarray(pmf)[:, None], n, axis=1)
    return courses_of(
        draws, np.zeros((n, draws.shape[2])), (Package("fixed", price=400),), TARIFF,
        area_cm2=np.full(n, 40.0), weights=np.ones((n, 1)), drawn=drawn,
    )  # fmt: skip


def test_all_courses_of_a_replicate_share_one_draw_of_the_model():
    # under each draw all five end alike, so that no year is a mixture
    totals = simulate(courses(np.tile(SURE, (20, 1))), replicates=1000, seed=3)[0]
    assert set(totals.tolist()) == {5 * 30000, 5 * 20000}
    assert (totals == 5 * 30000).sum() == 500


def test_moments_are_those_of_each_draw():
    _, means, variances = simulate(courses([[0.5, 0.5], [1.0, 0.0]]), replicates=1, seed=1)
    assert_allclose(means, [5 * 25000, 5 * 30000])
    assert_allclose(variances, [5 * 5000**2, 0])


def test_a_drawn_number_of_courses_has_the_variance_of_a_compound_sum():
    # of Poisson many: E[N] E[X²]; and with a mean that is unsure by a fifth, (0.2 E[N] E[X])² more
    sold = courses([[0.5, 0.5]], drawn=40)
    second = (30000**2 + 20000**2) / 2
    for unsure, more in ((0.0, 0.0), (0.2, (0.2 * 40 * 25000) ** 2)):
        one = replace(sold, unsure=unsure)
        totals, means, variances = simulate(one, replicates=20_000, seed=3)
        assert_allclose((means, variances), ([40 * 25000], [40 * second + more]))
        assert totals.mean() == pytest.approx(means[0], rel=0.01)
        assert totals.var() == pytest.approx(variances[0], rel=0.05)


def test_courses_whose_fates_are_given_have_the_same_moments():
    sold = courses([[0.5, 0.5], [1.0, 0.0]])
    given = Fates(sold.chances(), sold.margins())
    both = zip(*(simulate(one, replicates=50, seed=1) for one in (given, sold)), strict=True)
    for own, other in both:  # totals, means, variances
        assert_allclose(own, other)


def test_a_course_under_a_known_model_has_its_chances():
    totals = simulate(courses([[0.3, 0.7]], n=1), replicates=20_000, seed=2)[0]
    assert (totals == 30000).mean() == pytest.approx(0.3, abs=0.015)


def test_a_slower_laser_does_in_ten_sessions_what_nine_did():
    pmf = 0.2 * 0.8 ** np.arange(20)
    slow = stretched(pmf, 0.9, len(pmf))
    assert slow[:10].sum() == pytest.approx(pmf[:9].sum())
    assert (slow >= 0).all()
    assert stretched(pmf, 1.0, len(pmf)) == pytest.approx(pmf)
