"""Funnel limits against the published recipe, and its error rates against a known truth."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from forecast.causal.rates import Funnel, funnel_limits
from forecast.errors import DataError

# Interpolated exact binomial limits at target 0.05, by the recipe of Spiegelhalter 2005
# (Stat Med 24:1185, appendix A.1.1), worked out independently: n, 95 %, 99.8 %.
LIMITS = [
    (20, (0.0, 0.1424), (0.0, 0.2351)),
    (50, (0.0, 0.1098), (0.0, 0.1580)),
    (100, (0.0061, 0.0919), (0.0, 0.1246)),
    (400, (0.0284, 0.0712), (0.0184, 0.0855)),
]


@pytest.mark.parametrize(("n", "inner", "outer"), LIMITS)
def test_limits_follow_the_published_recipe(n, inner, outer):
    assert_allclose(funnel_limits(n, 0.05), inner, atol=6e-5)
    assert_allclose(funnel_limits(n, 0.05, level=0.998), outer, atol=6e-5)


def test_one_bad_group_is_found_and_the_others_are_left_alone():
    found = Funnel.of([60, 20, 18, 22, 21], [20] * 5, [500] * 5)
    assert found.outside == ("above", "", "", "", "")
    assert found.target == pytest.approx(81 / 2000)


def test_alike_groups_are_all_inside():
    assert set(Funnel.of([20, 19, 21, 20], [20] * 4, [400] * 4).outside) == {""}


def test_mix_is_allowed_for():
    # Twice the events, twice expected: nothing unusual.
    found = Funnel.of([40, 20, 20, 20], [40, 20, 20, 20], [500] * 4)
    assert set(found.outside) == {""}
    assert found.share[0] == pytest.approx(found.share[1])


def test_expected_counts_may_be_given_in_any_multiple():
    one = Funnel.of([30, 10, 12, 9], [10, 10, 11, 9], [300, 300, 320, 280])
    other = Funnel.of([30, 10, 12, 9], [100, 100, 110, 90], [300, 300, 320, 280])
    assert one.outside == other.outside
    assert_allclose(one.high, other.high)


def test_spread_beyond_chance_widens_the_limits():
    tight = Funnel.of([50, 51, 49, 50, 50, 62], [50] * 6, [1000] * 6)
    loose = Funnel.of([28, 71, 35, 66, 50, 62], [50] * 6, [1000] * 6)
    assert tight.dispersion == 1
    assert loose.dispersion > 3
    assert loose.high[5] > tight.high[5]


def test_two_groups_name_no_culprit():
    assert Funnel.of([60, 20], [40, 40], [500, 500]).outside == ("", "")


def test_groups_without_expected_events_are_refused():
    with pytest.raises(DataError, match="positive expected"):
        Funnel.of([1, 2], [0.0, 3.0], [10, 10])


@pytest.mark.slow
@pytest.mark.parametrize("groups", [4, 8, 12])
def test_alike_groups_are_called_unusual_in_at_most_the_level(groups):
    rng = np.random.default_rng(groups)
    wrong, n_sets = 0, 500
    for _ in range(n_sets):
        n = rng.integers(100, 700, size=groups)
        events = rng.binomial(n, 0.03)
        wrong += any(Funnel.of(events, 0.03 * n, n).outside)
    assert wrong / n_sets <= 0.05 + 2 * (0.05 * 0.95 / n_sets) ** 0.5
