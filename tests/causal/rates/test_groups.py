"""Shares of few events, pairs, agreement and pooling, against published worked examples."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.optimize import minimize_scalar
from scipy.stats import t

from forecast.causal.rates import (
    Funnel,
    exact_interval,
    funnel_limits,
    intraclass,
    one_way_intraclass,
    paired_difference,
    poisson_interval,
    random_effects,
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


# Shrout & Fleiss 1979, Psychol Bull 86:420, table 2: six targets, four judges
RATINGS = np.array(
    [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
)


def test_the_worked_example_of_shrout_and_fleiss():
    found, interval = intraclass(RATINGS)
    # their table 4: ICC(2,1), and ICC(1,1) of the same numbers
    assert found == pytest.approx(0.29, abs=0.005)
    assert one_way_intraclass(RATINGS.ravel(), np.repeat(np.arange(6), 4)) == pytest.approx(
        0.17, abs=0.005
    )
    # psych::ICC of the same table in R prints 0.019 to 0.761 for ICC2
    assert interval == pytest.approx((0.019, 0.761), abs=0.0006)


def test_targets_rated_once_say_nothing_of_agreement():
    target = np.repeat(np.arange(6), 4)
    once = np.append(RATINGS.ravel(), 3), np.append(target, 99)
    assert one_way_intraclass(*once) == pytest.approx(one_way_intraclass(RATINGS.ravel(), target))


def test_what_gives_no_agreement_is_refused_or_not_a_number():
    with pytest.raises(DataError, match="more than once"):
        one_way_intraclass([1, 2, 3], [1, 2, 3])
    with pytest.raises(DataError, match="two or more raters"):
        intraclass([[1, 2, 3]])
    with pytest.raises(DataError, match="differ"):
        intraclass([[2, 2], [2, 2]])


# Thirteen trials of BCG against tuberculosis (Colditz et al. 1994, JAMA 271:698): vaccinated
# with and without, control with and without. As dat.bcg of the R package metadat.
BCG = np.array(
    [
        (4, 119, 11, 128), (6, 300, 29, 274), (3, 228, 11, 209), (62, 13536, 248, 12619),
        (33, 5036, 47, 5761), (180, 1361, 372, 1079), (8, 2537, 10, 619),
        (505, 87886, 499, 87892), (29, 7470, 45, 7232), (17, 1699, 65, 1600),
        (186, 50448, 141, 27197), (5, 2493, 3, 2338), (27, 16886, 29, 17825),
    ],
    dtype=float,
)  # fmt: skip


def log_risk_ratios():
    a, b, c, d = BCG.T
    return np.log(a / (a + b)) - np.log(c / (c + d)), 1 / a - 1 / (a + b) + 1 / c - 1 / (c + d)


def drawn(rng, groups=12, between=(0.3, 0.0, 0.8)):
    errors = np.sqrt(0.01 + 0.04 * rng.chisquare(5, size=(groups, len(between))))
    truth = np.array([1.0, -0.5, 0.2])[: len(between)] + rng.normal(size=errors.shape) * np.sqrt(
        between
    )
    return rng.normal(truth, errors), errors


def test_bcg_trials_give_the_published_reml_numbers():
    # metafor's rma(measure="RR", method="REML"): -0.7145 (0.1798), tau2 0.3132 (0.1664)
    values, variances = log_risk_ratios()
    found = random_effects(values[:, None], variances[:, None] ** 0.5)
    assert_allclose(found.mean, [-0.71453], atol=5e-6)
    assert_allclose(found.error, [0.17978], atol=5e-6)
    assert_allclose(found.variance_between, [0.31324], atol=5e-6)
    assert found.converged


def test_spread_is_where_the_restricted_likelihood_of_the_textbook_is_largest():
    values, errors = drawn(np.random.default_rng(5))
    found = random_effects(values, errors)
    for effect in range(values.shape[1]):
        value, within = values[:, effect], errors[:, effect] ** 2

        def minus_loglik(root, value=value, within=within):
            weight = 1 / (within + root**2)
            mean = weight @ value / weight.sum()
            rest = np.log(weight.sum()) - np.log(weight).sum() + weight @ (value - mean) ** 2
            return 0.5 * rest

        best = minimize_scalar(minus_loglik, bounds=(0, 3), method="bounded",
                               options={"xatol": 1e-9})  # fmt: skip
        assert_allclose(found.variance_between[effect], best.x**2, atol=1e-5)


def test_each_effect_is_pooled_as_if_alone():
    values, errors = drawn(np.random.default_rng(6))
    together = random_effects(values, errors)
    for effect in range(values.shape[1]):
        alone = random_effects(values[:, [effect]], errors[:, [effect]])
        assert_allclose(together.mean[effect], alone.mean[0], rtol=1e-5)
        assert_allclose(
            together.variance_between[effect], alone.variance_between[0], rtol=1e-4, atol=1e-7
        )


def test_equal_groups_have_no_spread_and_the_precision_weighted_mean():
    variances = np.array([0.1, 0.2, 0.4])
    found = random_effects([[0.2], [0.2], [0.2]], variances[:, None] ** 0.5)
    assert found.variance_between[0] == 0
    assert_allclose(found.mean, [0.2])
    assert_allclose(found.error, [(1 / variances).sum() ** -0.5])


def test_an_effect_that_one_group_alone_gives_has_its_estimate_and_no_spread():
    values, errors = drawn(np.random.default_rng(7), groups=4)
    values[1:, 2] = np.nan
    found = random_effects(values, errors)
    assert found.n_groups.tolist() == [4, 4, 1]
    assert np.isnan(found.variance_between[2])
    assert np.isfinite(found.mean).all()
    assert found.error[2] == pytest.approx(errors[0, 2])


def test_order_of_groups_does_not_matter():
    values, errors = drawn(np.random.default_rng(8))
    one, other = random_effects(values, errors), random_effects(values[::-1], errors[::-1])
    assert_allclose(one.mean, other.mean, atol=1e-9)
    assert_allclose(one.variance_between, other.variance_between, atol=1e-6)


def test_bcg_trials_give_the_interval_of_hartung_and_knapp():
    # Hartung & Knapp 2001 (Stat Med 20:3875): the weighted squares about the mean over k - 1,
    # and t with k - 1 degrees. Worked out anew from their formula, at the REML spread.
    values, variances = log_risk_ratios()
    found = random_effects(values[:, None], variances[:, None] ** 0.5)
    weight = 1 / (variances + found.variance_between[0])
    mean = (weight * values).sum() / weight.sum()
    square = (weight * (values - mean) ** 2).sum() / (len(values) - 1) / weight.sum()
    half = t.ppf(0.975, len(values) - 1) * square**0.5
    assert_allclose(found.interval()[0], [mean - half, mean + half], atol=1e-7)


@pytest.mark.slow
@pytest.mark.parametrize("groups", [2, 3, 5, 8, 20])
def test_mean_is_covered_as_often_as_promised_by_few_groups(groups):
    # .97 is passed where groups differ little, since no interval is narrower than the normal one
    rng, held = np.random.default_rng(9), []
    for _ in range(600):
        low, high = random_effects(*drawn(rng, groups=groups, between=(0.3,))).interval()[0]
        held.append(low < 1.0 < high)
    assert 0.93 <= np.mean(held) <= 0.98, np.mean(held)


@pytest.mark.parametrize(
    ("values", "errors", "says"),
    [
        ([], [], r"shape \(0,\)"),
        ([[1.0]], [], "their errors"),
        ([[1.0]], [[-0.0]], "not above zero"),
        ([[1.0]], [[np.nan]], "not above zero"),
    ],
)
def test_what_cannot_be_pooled_is_refused(values, errors, says):
    with pytest.raises(DataError, match=says):
        random_effects(values, errors)


def test_one_group_that_had_all_events_leaves_numbers_to_read():
    found = Funnel.of([9, 0, 0, 0, 0], [1, 1, 1, 1, 1], [50] * 5)
    assert found.outside[0] == "above"
    assert np.isfinite(found.expected).all()
    assert np.isfinite(found.high).all()
