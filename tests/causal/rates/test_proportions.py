"""Shares of few events, and pairs, against published worked examples."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from forecast.causal.rates import (
    Funnel,
    exact_interval,
    funnel_limits,
    paired_difference,
    poisson_interval,
    share_at_every_look,
    wilson_interval,
)
from forecast.errors import DataError, RequestError

# Newcombe 1998, Stat Med 17:857, table I: events, n, Wilson (method 3), Clopper-Pearson (5).
NEWCOMBE = [
    (81, 263, (0.2553, 0.3662), (0.2527, 0.3676)),
    (15, 148, (0.0624, 0.1605), (0.0578, 0.1617)),
    (0, 20, (0.0, 0.1611), (0.0, 0.1684)),
    (1, 29, (0.0061, 0.1718), (0.0009, 0.1776)),
]


counts = st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


@pytest.mark.parametrize(("events", "n", "wilson", "exact"), NEWCOMBE)
def test_intervals_of_one_share_are_those_newcombe_printed(events, n, wilson, exact):
    assert_allclose(wilson_interval(events, n), wilson, atol=5e-5)
    assert_allclose(exact_interval(events, n), exact, atol=5e-5)


def test_no_event_gives_the_rule_of_three():
    # Hanley & Lippman-Hand 1983: 3 / n; exact one-sided 95 % limit of 0 of 20 is 1 - 0.05^(1/20).
    assert exact_interval(0, 20, level=0.9)[1] == pytest.approx(1 - 0.05 ** (1 / 20), abs=1e-12)
    assert 0.00299 < exact_interval(0, 1000, level=0.9)[1] < 3 / 1000


def test_scar_rate_of_a_large_series_has_the_interval_of_its_count():
    # Kirby et al. 2016: 3 of 1,041 charts with a hypertrophic scar, 0 with a keloid. The counts
    # are published; the interval is our own arithmetic (Clopper & Pearson, R's binom.test).
    assert_allclose(exact_interval(3, 1041), (0.0006, 0.0084), atol=5e-5)
    assert exact_interval(0, 1041)[1] == pytest.approx(0.0035, abs=5e-5)


@given(counts)
def test_intervals_contain_the_share_and_stay_within_bounds(pair):
    events, n = pair
    for low, high in (wilson_interval(events, n), exact_interval(events, n)):
        assert 0 <= low <= events / n <= high <= 1


@given(counts)
def test_exact_interval_mirrors_when_events_and_others_swap(pair):
    events, n = pair
    low, high = exact_interval(events, n)
    other_low, other_high = exact_interval(n - events, n)
    assert_allclose((low, high), (1 - other_high, 1 - other_low), atol=1e-9)


@pytest.mark.slow
def test_exact_interval_covers_at_least_its_level_for_every_share():
    from scipy.stats import binom

    n = 40
    limits = [exact_interval(events, n) for events in range(n + 1)]
    for share in np.linspace(0.01, 0.99, 99):
        chance = binom.pmf(np.arange(n + 1), n, share)
        covered = sum(
            c for c, (low, high) in zip(chance, limits, strict=True) if low <= share <= high
        )
        assert covered >= 0.95 - 1e-12


def test_poisson_interval_is_that_of_the_textbook_table():
    # Garwood 1936; Breslow & Day 1987, table 2.11: 95 % limits of 10 observed are 4.80 and 18.39.
    assert_allclose(poisson_interval(10), (4.80, 18.39), atol=0.01)


@pytest.mark.parametrize(("events", "n"), [(3, 2), (-1, 5), (0, 0)])
def test_impossible_counts_are_refused(events, n):
    with pytest.raises(RequestError):
        wilson_interval(events, n)


def test_paired_difference_agrees_with_scipy():
    from scipy.stats import ttest_rel

    first, second = [5.0, 7, 8, 4, 9, np.nan], [4.0, 7, 5, 5, 6, 3]
    ours = paired_difference(first, second)
    theirs = ttest_rel(first[:5], second[:5])
    assert ours.n_pairs == 5
    assert ours.estimate / ours.error == pytest.approx(theirs.statistic)
    assert_allclose(ours.interval, theirs.confidence_interval())


def test_one_pair_is_refused():
    with pytest.raises(DataError, match="two pairs"):
        paired_difference([1.0, np.nan], [2.0, 3.0])


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


def test_an_interval_for_every_look_seldom_leaves_a_share_out_at_any():
    tosses = np.random.default_rng(6).random((400, 150)) < 0.3
    heads, ends = tosses.cumsum(axis=1), {}
    for n in range(1, 151):
        for count in np.unique(heads[:, n - 1]):
            low, high = share_at_every_look(int(count), n)
            ends[n, int(count)] = not low <= 0.3 <= high
    missed = [any(ends[n + 1, int(k)] for n, k in enumerate(row)) for row in heads]
    assert np.mean(missed) <= 0.05
